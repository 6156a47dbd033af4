//! The saved and printed shape of results: the only serde types of the library.
//! Every object says its format, its version and what made it.

pub mod baseline;
pub mod baseline_difference;
pub mod sounding;
pub mod wheel;
pub mod wheel_history;
pub mod wheel_modes;
