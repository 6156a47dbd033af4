//! All integration tests in one program, a file per subject.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

mod audio_formats;
mod baselines;
mod broken;
mod browser;
mod carried;
mod commands;
mod documents;
mod durability;
mod faults;
mod fit;
mod gauge;
mod invariance;
mod labels;
mod layers;
mod listening;
mod live;
mod load;
mod lots;
mod modes;
mod page;
mod papers;
mod pictures;
mod plates;
mod readings;
mod real_sounds;
mod reference;
mod rooms;
mod signals;
mod store;
mod teach;
mod virtual_mic;
mod wheel_states;
