//! How far one baseline differs from another, as `fourtap baseline compare --json` prints it.
//!
//! Fields may be added; those that stand here keep their name and meaning.

use serde::{Deserialize, Serialize};

use crate::record::sounding::{BaselineRef, EvidenceRecord};

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.baseline_difference";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// The means of `second` held against the limits of `first`, as if they were one sounding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaselineDifference {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// What the limits are of.
    pub first: BaselineRef,
    /// What is held against them.
    pub second: BaselineRef,
    /// False when too few tones are in common to be compared.
    pub matches: bool,
    /// What the second reads as against the first: `clear ring`, `unclear` or `dull thud`.
    pub reading: String,
    /// What is beyond a limit, in sentences, most important first.
    pub changes: Vec<String>,
    /// What such changes usually mean: hints, no findings.
    pub hints: Vec<String>,
    /// The figures with their limits.
    pub evidence: Vec<EvidenceRecord>,
    /// The tones of the first with those of the second.
    pub tones: Vec<ToneDifference>,
}

/// A tone of both.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ToneDifference {
    /// In the first, in Hz.
    pub first_hz: f64,
    /// In the second, in Hz; null where it has none there.
    pub second_hz: Option<f64>,
    /// Relative difference beside that of all tones together, in per cent.
    pub beside_percent: Option<f64>,
}
