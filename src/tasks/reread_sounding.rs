//! Reads a kept sounding again with the present method and says what changed. Rewrites nothing.

use serde::Serialize;

use crate::audio::{AudioError, Input};
use crate::reading::turn_plan::TurnPlan;
use crate::reading::{Heard, Outcome};
use crate::record::sounding::{MadeBy, SoundingRecord, TapRecord};
use crate::store::records::Kept;
use crate::store::{Store, StoreError};
use crate::tasks::read_soundings::{BaselineInUse, ReadSettings, read_sounding};

/// A sounding then and now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reread {
    /// `fourtap.reread`.
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Number of the record.
    pub number: u64,
    /// What made the record.
    pub made_by_then: MadeBy,
    /// What reads it now.
    pub made_by_now: MadeBy,
    /// Its outcome now.
    pub outcome_now: String,
    /// What differs, empty when nothing does.
    pub changes: Vec<Change>,
}

/// A figure that differs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Change {
    /// Which.
    pub what: String,
    /// As it was kept.
    pub then: String,
    /// As it is read now.
    pub now: String,
}

/// Why a sounding cannot be read again.
#[derive(Debug, thiserror::Error)]
pub enum RereadError {
    /// Its sound is gone.
    #[error(
        "the sound of sounding {number} (\"{name}\") is not in the store any more, so it cannot be read again"
    )]
    NoSound {
        /// Number of the record.
        number: u64,
        /// Name of the recording.
        name: String,
    },
    /// Its sound was pruned.
    #[error(
        "the audio of sounding {number} (\"{name}\") was pruned on {at}, so it cannot be read again"
    )]
    Pruned {
        /// Number of the record.
        number: u64,
        /// Name of the recording.
        name: String,
        /// When, RFC 3339.
        at: String,
    },
    /// The sound cannot be read.
    #[error(transparent)]
    Audio(#[from] AudioError),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The recordings behind a sounding, as they are kept.
///
/// # Errors
/// [`RereadError`] when one is gone.
pub fn kept_sounds(store: &Store, kept: &Kept<SoundingRecord>) -> Result<Vec<Input>, RereadError> {
    let mut inputs = Vec::new();
    for file in &kept.record.files {
        if let Some(at) = store.pruned_since(&file.blake3)? {
            return Err(RereadError::Pruned {
                number: kept.number,
                name: file.name.clone(),
                at,
            });
        }
        let path = store.sound(&file.blake3)?.and_then(|s| s.path);
        let path = path
            .filter(|p| p.exists())
            .ok_or_else(|| RereadError::NoSound {
                number: kept.number,
                name: file.name.clone(),
            })?;
        inputs.push(Input::Named {
            path,
            name: file.name.clone(),
        });
    }
    Ok(inputs)
}

/// Reads it again, with the baseline that is in use now.
///
/// # Errors
/// [`RereadError`] when its sound is gone or cannot be read.
pub fn reread(
    store: &Store,
    kept: &Kept<SoundingRecord>,
    baseline: Option<BaselineInUse>,
    at_best: Option<(Outcome, String)>,
    notes: Vec<String>,
) -> Result<Reread, RereadError> {
    let record = &kept.record;
    let inputs = kept_sounds(store, kept)?;
    // The ear's words go by taps; only where all have one do they say the same again.
    let heard: Option<Vec<Heard>> = record
        .taps
        .iter()
        .map(|t| Heard::parse(t.heard.as_deref()?))
        .collect();
    let settings = ReadSettings {
        wheel: record.wheel.clone(),
        turn_plan: TurnPlan::parse(&record.turn_plan).unwrap_or_default(),
        heard: heard.unwrap_or_default(),
        baseline,
        at_best,
        notes,
        temp_c: record.temp_c,
        ..ReadSettings::default()
    };
    let now = read_sounding(&inputs, &settings)?.record;
    Ok(Reread {
        format: "fourtap.reread".to_owned(),
        version: 1,
        number: kept.number,
        made_by_then: record.made_by.clone(),
        made_by_now: now.made_by.clone(),
        outcome_now: now.outcome.clone(),
        changes: changes(record, &now),
    })
}

fn changes(then: &SoundingRecord, now: &SoundingRecord) -> Vec<Change> {
    let mut changes = Vec::new();
    let mut compare = |what: String, then: String, now: String| {
        if then != now {
            changes.push(Change { what, then, now });
        }
    };
    compare(
        "outcome".to_owned(),
        then.outcome.clone(),
        now.outcome.clone(),
    );
    compare(
        "footing".to_owned(),
        then.footing.clone(),
        now.footing.clone(),
    );
    compare(
        "number of taps".to_owned(),
        then.taps.len().to_string(),
        now.taps.len().to_string(),
    );
    for (k, (a, b)) in then.taps.iter().zip(&now.taps).enumerate() {
        let tap = k + 1;
        compare(
            format!("reading of tap {tap}"),
            a.reading.clone(),
            b.reading.clone(),
        );
        compare(format!("ring time of tap {tap}"), ring(a), ring(b));
        compare(
            format!("tones of tap {tap}"),
            a.modes.len().to_string(),
            b.modes.len().to_string(),
        );
    }
    compare(
        "tones of all taps".to_owned(),
        then.modes.len().to_string(),
        now.modes.len().to_string(),
    );
    changes
}

fn ring(tap: &TapRecord) -> String {
    tap.ring_time_s
        .map_or("none".to_owned(), |t| format!("{t:.3} s"))
}
