//! A round of the blind ear test as it is kept in the store.
//!
//! Fields may be added; those that stand here keep their name and meaning.

use serde::{Deserialize, Serialize};

use crate::reading::ear_score::EarCounts;
use crate::record::ChainRecord;
use crate::record::sounding::MadeBy;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.ear_test";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// One trainee's round.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EarTestRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Who listened.
    pub trainee: String,
    /// Which of this trainee's rounds, counted from 1.
    pub round: u32,
    /// What the sounds were: `made-up sound`.
    pub sounds: String,
    /// Number that the order and the sounds come from.
    pub seed: u64,
    /// How the damage was chosen, in a sentence.
    pub procedure: String,
    /// True when all sounds of the round were answered.
    pub complete: bool,
    /// The sounds in the order they were played.
    pub trials: Vec<EarTrial>,
    /// Smallest crack that is heard in 70.7 % of its taps, as a share of the web; none when the
    /// round had too few turns to tell.
    pub threshold: Option<f64>,
    /// What made this record.
    pub made_by: MadeBy,
}

/// One sound of an ear test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EarTrial {
    /// True when the wheel was damaged.
    pub damaged: bool,
    /// Length of the crack as a share of the web, 0 for a sound wheel.
    pub crack: f64,
    /// What the ear said: `ring`, `thud` or `unsure`.
    pub said: String,
    /// How often it was played.
    pub plays: u32,
    /// How the tool read the same sound, with nothing to compare: `clear ring`, `dull thud` or
    /// `unclear`.
    pub tool: String,
}

impl EarTrial {
    /// True when the tool did not pass it as a clear ring.
    pub fn tool_heard(&self) -> bool {
        self.tool != "clear ring"
    }
}

impl EarTestRecord {
    /// Hits, misses and the rest.
    pub fn counts(&self) -> EarCounts {
        let mut counts = EarCounts::default();
        for trial in &self.trials {
            let place = match (trial.damaged, trial.said.as_str()) {
                (true, "thud") => &mut counts.hits,
                (true, "ring") => &mut counts.misses,
                (true, _) => &mut counts.unsure_of_damaged,
                (false, "thud") => &mut counts.false_alarms,
                (false, "ring") => &mut counts.right_rings,
                (false, _) => &mut counts.unsure_of_sound,
            };
            *place += 1;
        }
        counts
    }
}

impl ChainRecord for EarTestRecord {
    const FORMAT: &'static str = FORMAT;
    const VERSION: u32 = VERSION;
    const NOUN: &'static str = "the ear test";

    fn stated(&self) -> (&str, u32) {
        (&self.format, self.version)
    }

    fn wheel(&self) -> Option<&str> {
        None
    }
}
