//! A sampling plan as it is printed by `lot plan --json`.

use serde::{Deserialize, Serialize};

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.lot_plan";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;
/// What goes with every plan and every report on a lot.
pub const CAUTION: &str =
    "sampling does not replace the ring test of each wheel before it is mounted";

/// A sampling plan with its operating characteristic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LotPlanRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Always [`CAUTION`].
    pub caution: String,
    /// Number of wheels in the lot.
    pub lot_size: u32,
    /// Inspection level: `I`, `II`, `III`, `S-1` to `S-4`.
    pub level: String,
    /// Acceptance quality limit in percent nonconforming, as in the tables.
    pub aql: String,
    /// `normal`, `tightened` or `reduced`.
    pub inspection: String,
    /// Code letter of lot size and level.
    pub code_letter: char,
    /// Letter of the plan that is used.
    pub plan_letter: char,
    /// Number of wheels to draw at random.
    pub sample: u32,
    /// Accept with at most so many bad wheels.
    pub accept: u32,
    /// Reject from so many on; between them, in reduced inspection, accept and go back to normal.
    pub reject: u32,
    /// Chance of acceptance by number of bad wheels in the lot.
    pub characteristic: Vec<CharacteristicRecord>,
    /// Share of bad wheels in percent that is accepted with 95, 50 and 10 % chance.
    pub accepted_percent: Option<(f64, f64, f64)>,
    /// When to go to another inspection, in sentences.
    pub switching: Vec<String>,
    /// Where the plan comes from.
    pub source: String,
}

/// A point of the operating characteristic.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CharacteristicRecord {
    /// Bad wheels in the lot.
    pub bad: u32,
    /// Chance that the lot is accepted, 0 to 1.
    pub accepted: f64,
}
