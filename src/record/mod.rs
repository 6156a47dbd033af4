//! The saved and printed shape of results: the only serde types of the library.
//! Every object says its format, its version and what made it.

pub mod baseline;
pub mod baseline_difference;
pub mod ear_test;
pub mod fit;
pub mod gauge;
pub mod grinder;
pub mod import;
pub mod kinds;
pub mod live_log;
pub mod lot;
pub mod lot_plan;
pub mod mounting;
pub mod pruning;
pub mod sounding;
pub mod wheel;
pub mod wheel_history;
pub mod wheel_modes;
pub mod wheel_state;

/// A record that is kept in the store's chain.
pub trait ChainRecord: serde::Serialize + serde::de::DeserializeOwned + Clone {
    /// Name of the format, the value of the field `format`.
    const FORMAT: &'static str;
    /// Newest version of the format, the value of the field `version`.
    const VERSION: u32;
    /// What people call it, with its article: "the sounding".
    const NOUN: &'static str;

    /// Format and version as this record states them.
    fn stated(&self) -> (&str, u32);

    /// Id of the wheel it is of, the value of the field `wheel`; none where there is no such
    /// field.
    fn wheel(&self) -> Option<&str>;
}
