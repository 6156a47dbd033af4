//! What says where records came from that were brought in from another store.

use serde::{Deserialize, Serialize};

use crate::record::ChainRecord;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.import";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// Records that were brought in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ImportRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// When, RFC 3339.
    pub at: String,
    /// Who did it.
    pub by: Option<String>,
    /// Name of the file.
    pub source: String,
    /// Hash of the last record in it, empty without any.
    pub end: String,
    /// The records, in their order.
    pub records: Vec<ImportedRecord>,
}

/// A record that was brought in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ImportedRecord {
    /// Its number in this store.
    pub number: u64,
    /// Its number in the store it came from.
    pub from_number: u64,
    /// Its hash there.
    pub from_hash: String,
}

impl ChainRecord for ImportRecord {
    const FORMAT: &'static str = FORMAT;
    const VERSION: u32 = VERSION;
    const NOUN: &'static str = "the import";

    fn stated(&self) -> (&str, u32) {
        (&self.format, self.version)
    }

    fn wheel(&self) -> Option<&str> {
        None
    }
}
