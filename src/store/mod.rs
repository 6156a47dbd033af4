//! What is kept between runs: one folder with an embedded database and the recordings beside it.

pub mod wheels;
pub mod baselines;
pub mod sound_files;
