//! What says that the sound of old soundings was removed. Their records stay.

use serde::{Deserialize, Serialize};

use crate::record::ChainRecord;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.pruning";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// Recordings that were removed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PruningRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// When, RFC 3339.
    pub at: String,
    /// Who did it.
    pub by: Option<String>,
    /// Why.
    pub note: Option<String>,
    /// Only soundings kept before this time were looked at, RFC 3339.
    pub before: String,
    /// The recordings.
    pub recordings: Vec<PrunedRecording>,
}

/// A recording that was removed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PrunedRecording {
    /// BLAKE3 hash of its bytes in hexadecimal.
    pub blake3: String,
    /// Name it was kept under.
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// Numbers of the soundings that were read from it.
    pub soundings: Vec<u64>,
}

impl ChainRecord for PruningRecord {
    const FORMAT: &'static str = FORMAT;
    const VERSION: u32 = VERSION;
    const NOUN: &'static str = "the pruning";

    fn stated(&self) -> (&str, u32) {
        (&self.format, self.version)
    }

    fn wheel(&self) -> Option<&str> {
        None
    }
}
