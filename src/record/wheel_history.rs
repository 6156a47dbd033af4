//! A wheel with all that is known of it, as `fourtap wheel show --json` prints it.
//!
//! Fields may be added; those that stand here keep their name and meaning.
//! `null` where something is unknown.

use serde::{Deserialize, Serialize};

use crate::record::sounding::SoundingRecord;
use crate::record::wheel::WheelRecord;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.wheel_history";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// A wheel and its history.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WheelHistory {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// The wheel as it is now.
    pub wheel: WheelRecord,
    /// Why it may not ring usefully; empty when nothing speaks against it.
    pub hints: Vec<HintLine>,
    /// The last time it was dropped; null when it never was.
    pub drop: Option<DropLine>,
    /// A sounding that reads dead and that nobody has answered for; null when there is none.
    #[serde(default)]
    pub dead: Option<DeadLine>,
    /// What happened to it, oldest first.
    pub events: Vec<EventLine>,
    /// Its own baselines, oldest first, retired ones included.
    pub baselines: Vec<BaselineLine>,
    /// Its soundings, oldest first.
    pub soundings: Vec<SoundingLine>,
}

/// A reason why a wheel may not ring usefully.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HintLine {
    /// What to expect.
    pub sentence: String,
    /// Where this comes from.
    pub source: String,
}

/// A drop, and whether it has been answered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DropLine {
    /// When, RFC 3339.
    pub at: String,
    /// True when a sounding taken since rings clear, or somebody put the wheel back.
    pub is_answered: bool,
    /// The drop and its answer.
    pub sentence: String,
}

/// A sounding that reads dead and stands against the wheel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeadLine {
    /// Its number in the store.
    pub number: u64,
    /// When it was kept, RFC 3339.
    pub at: String,
    /// It and what to do, in a sentence.
    pub sentence: String,
}

/// Something that happened to a wheel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EventLine {
    /// When, RFC 3339.
    pub at: String,
    /// The state it was in from then on.
    pub state: String,
    /// What was said of it, or what was changed.
    pub note: Option<String>,
    /// Who said so.
    pub by: Option<String>,
    /// The grinder it went on.
    pub grinder: Option<String>,
    /// Number of the record of the change; null of adding, of edits, and of old changes.
    pub record: Option<u64>,
}

/// A baseline in a list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BaselineLine {
    /// Its version, counted from 1.
    pub version: u32,
    /// When it was built, RFC 3339.
    pub built_at: String,
    /// Number of soundings it was built from.
    pub soundings: u32,
    /// True when nothing stood behind its first sounding.
    pub unconfirmed: bool,
    /// When it was retired, RFC 3339; null while it is in use.
    pub retired_at: Option<String>,
    /// Why it was retired.
    pub retired_why: Option<String>,
}

/// A sounding in a list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SoundingLine {
    /// Its number in the store.
    pub number: u64,
    /// When it was kept, RFC 3339.
    pub at: String,
    /// The outcome.
    pub outcome: String,
    /// The outcome in one sentence.
    pub summary: String,
    /// What it stands on.
    pub footing: String,
    /// Number of taps.
    pub taps: u32,
    /// Middle one of the taps' ring times in seconds (the lower of two); null when none rings.
    pub ring_time_s: Option<f64>,
}

impl SoundingLine {
    /// The line of a sounding. `number` and `at` are those of the store.
    pub fn of(number: u64, at: &str, record: &SoundingRecord) -> Self {
        let mut times: Vec<f64> = record.taps.iter().filter_map(|t| t.ring_time_s).collect();
        times.sort_by(f64::total_cmp);
        Self {
            number,
            at: at.to_owned(),
            outcome: record.outcome.clone(),
            summary: record.summary.clone(),
            footing: record.footing.clone(),
            taps: u32::try_from(record.taps.len()).unwrap_or(u32::MAX),
            ring_time_s: times.get(times.len().saturating_sub(1) / 2).copied(),
        }
    }
}
