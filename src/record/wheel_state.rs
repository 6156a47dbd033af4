//! A change of where a wheel stands, as it is kept and printed.

use serde::{Deserialize, Serialize};

use crate::record::ChainRecord;
use crate::record::wheel::WheelState;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.wheel_state";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// A wheel went from one state into another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WheelStateRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Id of the wheel.
    pub wheel: String,
    /// When, RFC 3339.
    pub at: String,
    /// The state before.
    pub from: WheelState,
    /// The state from then on.
    pub to: WheelState,
    /// Id of the grinder it went on; only of a mounted wheel.
    pub grinder: Option<String>,
    /// Who said so.
    pub by: Option<String>,
    /// What was said of it.
    pub note: Option<String>,
    /// What spoke against mounting it, where it was mounted; else empty.
    pub against: Vec<String>,
}

impl WheelStateRecord {
    /// A change with nothing but its states. `at` is RFC 3339.
    pub fn new(wheel: &str, from: WheelState, to: WheelState, at: &str) -> Self {
        Self {
            format: FORMAT.to_owned(),
            version: VERSION,
            wheel: wheel.to_owned(),
            at: at.to_owned(),
            from,
            to,
            grinder: None,
            by: None,
            note: None,
            against: Vec::new(),
        }
    }
}

impl ChainRecord for WheelStateRecord {
    const FORMAT: &'static str = FORMAT;
    const VERSION: u32 = VERSION;
    const NOUN: &'static str = "the change of state";

    fn stated(&self) -> (&str, u32) {
        (&self.format, self.version)
    }

    fn wheel(&self) -> Option<&str> {
        Some(&self.wheel)
    }
}
