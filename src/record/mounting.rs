//! What was ticked on mounting a wheel, as it is kept and printed.

use serde::{Deserialize, Serialize};

use crate::record::ChainRecord;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.mounting";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// The list of what remains to do on mounting, with its ticks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MountingRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Id of the wheel.
    pub wheel: String,
    /// Id of the grinder.
    pub grinder: Option<String>,
    /// When, RFC 3339.
    pub at: String,
    /// Who ticked.
    pub by: Option<String>,
    /// What speaks against mounting it; empty when nothing does that the store knows.
    pub against: Vec<String>,
    /// The steps.
    pub steps: Vec<MountingStep>,
}

/// A step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MountingStep {
    /// The word it is ticked by.
    pub key: String,
    /// What to do.
    pub what: String,
    /// Where it comes from.
    pub source: String,
    /// True when it was ticked.
    pub ticked: bool,
}

impl ChainRecord for MountingRecord {
    const FORMAT: &'static str = FORMAT;
    const VERSION: u32 = VERSION;
    const NOUN: &'static str = "the mounting";

    fn stated(&self) -> (&str, u32) {
        (&self.format, self.version)
    }

    fn wheel(&self) -> Option<&str> {
        Some(&self.wheel)
    }
}
