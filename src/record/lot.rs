//! A lot of wheels as it is kept, and the report on it.

use serde::{Deserialize, Serialize};

use crate::record::ChainRecord;

/// What a lot is and how it is to be inspected. The newest of a name counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LotRecord {
    /// Always `fourtap.lot`.
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Its name.
    pub lot: String,
    /// Number of wheels in it.
    pub lot_size: u32,
    /// Size of its wheels as written.
    pub size: String,
    /// Bond of its wheels.
    pub bond: String,
    /// Their specification, where known.
    pub specification: Option<String>,
    /// What one of its wheels weighs in kg, for those that have no mass of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_kg: Option<f64>,
    /// Inspection level.
    pub level: String,
    /// Acceptance quality limit in percent nonconforming.
    pub aql: String,
    /// `normal`, `tightened` or `reduced`.
    pub inspection: String,
}

impl ChainRecord for LotRecord {
    const FORMAT: &'static str = "fourtap.lot";
    const VERSION: u32 = 1;
    const NOUN: &'static str = "the lot";

    fn stated(&self) -> (&str, u32) {
        (&self.format, self.version)
    }

    fn wheel(&self) -> Option<&str> {
        None
    }
}

/// The report on a lot, printed by `lot report --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LotReportRecord {
    /// Always `fourtap.lot_report`.
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// That sampling replaces no ring test.
    pub caution: String,
    /// The lot.
    pub lot: LotRecord,
    /// `accept`, `hold` or `reject`.
    pub decision: String,
    /// Every number that led to it, in sentences.
    pub because: Vec<String>,
    /// Wheels to be drawn.
    pub sample: u32,
    /// Accept with at most so many bad.
    pub accept: u32,
    /// Reject from so many on.
    pub reject: u32,
    /// Wheels of the sample that count as good.
    pub good: u32,
    /// Wheels of the sample that sound dead.
    pub bad: u32,
    /// Wheels of the sample that are neither.
    pub unclear: u32,
    /// Wheels read beyond the sample that sound dead or are unclear.
    pub trouble_outside: u32,
    /// What the earlier lots of its kind ask for.
    pub switching: SwitchingRecord,
    /// Shift of the lot against its specification, in percent.
    pub shifts: Vec<LotShiftRecord>,
    /// How odd wheels were found, and how the chance of a false finding is shared.
    pub odd_rule: String,
    /// The wheels with a sounding, in the order in which they were drawn.
    pub wheels: Vec<LotWheelRecord>,
}

/// How strictly a lot is to be inspected after the earlier ones of its kind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SwitchingRecord {
    /// `normal`, `tightened`, `reduced` or `stop`.
    pub asked: String,
    /// In a sentence.
    pub words: String,
    /// The earlier lots of its kind, oldest first.
    pub past: Vec<PastLotRecord>,
}

/// An earlier lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PastLotRecord {
    /// Its name.
    pub lot: String,
    /// `accept`, `hold` or `reject`; lots on hold say nothing yet.
    pub decision: String,
}

/// Shift of one figure, in percent of the reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LotShiftRecord {
    /// `tone`, `ring time` or `modulus of elasticity`.
    pub figure: String,
    /// Against what.
    pub against: String,
    /// Mean shift; null without a reference.
    pub percent: Option<f64>,
    /// Its interval; all intervals of the report hold together with 95 %.
    pub interval: Option<(f64, f64)>,
    /// Standard deviation from wheel to wheel within the lot.
    pub spread_percent: f64,
    /// Number of wheels.
    pub wheels: usize,
}

/// One wheel of the lot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LotWheelRecord {
    /// Its id.
    pub wheel: String,
    /// Number of its newest sounding.
    pub sounding: u64,
    /// True when it belongs to the sample.
    pub in_sample: bool,
    /// Outcome of the sounding.
    pub outcome: String,
    /// What it stands on.
    pub footing: String,
    /// The reading against other wheels of the lot, for a wheel without a baseline.
    pub peers: Option<PeersRecord>,
    /// `good`, `bad` or `unclear`.
    pub counts_as: String,
    /// Why it is not good, in sentences.
    pub because: Vec<String>,
    /// Its tones against the reference, in percent.
    pub tone_percent: Option<f64>,
    /// Geometric mean of the ring times of its taps in seconds.
    pub ring_time_s: Option<f64>,
    /// Modulus of elasticity in GPa, where the mass was given.
    pub youngs_gpa: Option<f64>,
}

/// A wheel held against the others of its lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PeersRecord {
    /// Number of the others.
    pub wheels: u32,
    /// `clear ring`, `unclear` or `dull thud`.
    pub reading: String,
    /// What differs, in sentences.
    pub changes: Vec<String>,
}
