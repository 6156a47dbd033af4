//! What is kept between runs: one folder with an embedded database and the recordings beside it.

pub mod baselines;
pub mod sound_files;
pub mod wheels;
