//! Removes the sound of old soundings to make room. Records are never removed.

use std::collections::{BTreeMap, BTreeSet};

use crate::reading::Outcome;
use crate::record::pruning::{FORMAT, PrunedRecording, PruningRecord, VERSION};
use crate::record::sounding::SoundingRecord;
use crate::record::wheel::WheelState;
use crate::store::records::Kept;
use crate::store::{Store, StoreError};

/// Which sound is to go.
#[derive(Debug, Clone, Default)]
pub struct PruneAsked {
    /// Only of soundings kept before this time, RFC 3339 or a day (its start in UTC).
    pub before: String,
    /// Only of this wheel.
    pub wheel: Option<String>,
    /// Also of wheels that sounded dead, are tagged out, dropped or destroyed.
    pub dead_too: bool,
    /// Also what a baseline was built from.
    pub baselines_too: bool,
}

/// What would go, and what stays.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PrunePlan {
    /// The recordings that would go.
    pub recordings: Vec<PrunedRecording>,
    /// Recordings that stay because a wheel of theirs is dead or marked.
    pub kept_of_dead: usize,
    /// Recordings that stay because a baseline was built from them.
    pub kept_of_baselines: usize,
}

impl PrunePlan {
    /// Length of all that would go in bytes.
    pub fn bytes(&self) -> u64 {
        self.recordings.iter().map(|r| r.bytes).sum()
    }
}

/// Looks for what would go; removes nothing. Sound that no sounding was read from is not
/// looked at, and neither is what is gone already.
///
/// # Errors
/// [`StoreError`] of the database, [`StoreError::NoWheel`] for a wheel that is not there.
pub fn plan_pruning(store: &Store, asked: &PruneAsked) -> Result<PrunePlan, StoreError> {
    if let Some(id) = &asked.wheel {
        let missing = || StoreError::NoWheel { id: id.clone() };
        store.wheel(id)?.ok_or_else(missing)?;
    }
    let soundings = store.all_kept::<SoundingRecord>(None)?;
    let mut users: BTreeMap<&str, Vec<&Kept<SoundingRecord>>> = BTreeMap::new();
    for sounding in &soundings {
        for file in &sounding.record.files {
            let of = users.entry(file.blake3.as_str()).or_default();
            if of.last().is_none_or(|s| s.number != sounding.number) {
                of.push(sounding);
            }
        }
    }
    let dead = dead_wheels(store, &soundings)?;
    let of_baselines = store.sounds_of_baselines()?;
    let mut plan = PrunePlan::default();
    for (hash, of) in users {
        let is_asked = of.iter().all(|s| {
            let is_of = |w: &String| {
                let own = s.record.wheel.as_deref();
                own.is_some_and(|own| own.eq_ignore_ascii_case(w))
            };
            s.at.as_str() < asked.before.as_str() && asked.wheel.as_ref().is_none_or(is_of)
        });
        let there = store.sound(hash)?;
        let Some(sound) = there.filter(|s| s.path.as_ref().is_some_and(|p| p.exists())) else {
            continue;
        };
        if !is_asked {
            continue;
        }
        let is_dead = of.iter().any(|s| {
            let wheel = s.record.wheel.as_ref();
            s.record.outcome == Outcome::SoundsDead.words()
                || wheel.is_some_and(|w| dead.contains(&w.to_lowercase()))
        });
        if is_dead && !asked.dead_too {
            plan.kept_of_dead += 1;
        } else if of_baselines.contains(hash) && !asked.baselines_too {
            plan.kept_of_baselines += 1;
        } else {
            plan.recordings.push(PrunedRecording {
                blake3: hash.to_owned(),
                name: sound.name,
                bytes: sound.bytes,
                soundings: of.iter().map(|s| s.number).collect(),
            });
        }
    }
    Ok(plan)
}

/// Removes what the plan says, after a record of it is kept. `at` is RFC 3339.
///
/// # Errors
/// [`StoreError`]; when a file cannot be removed, the record stays and the rest of the files too:
/// the same pruning can be done again.
pub fn prune(
    store: &mut Store,
    plan: &PrunePlan,
    before: &str,
    by: Option<&str>,
    note: Option<&str>,
    at: &str,
) -> Result<Kept<PruningRecord>, StoreError> {
    store.prune_sounds(&PruningRecord {
        format: FORMAT.to_owned(),
        version: VERSION,
        at: at.to_owned(),
        by: by.map(str::to_owned),
        note: note.map(str::to_owned),
        before: before.to_owned(),
        recordings: plan.recordings.clone(),
    })
}

/// Wheels, in lower case, that once sounded dead or are marked.
fn dead_wheels(
    store: &Store,
    soundings: &[Kept<SoundingRecord>],
) -> Result<BTreeSet<String>, StoreError> {
    let sounded = soundings
        .iter()
        .filter(|s| s.record.outcome == Outcome::SoundsDead.words())
        .filter_map(|s| s.record.wheel.clone());
    let marked = store.wheels()?.into_iter().filter(|w| {
        matches!(
            w.state,
            WheelState::Dropped | WheelState::TaggedOut | WheelState::Destroyed
        )
    });
    let all = sounded.chain(marked.map(|w| w.id));
    Ok(all.map(|id| id.to_lowercase()).collect())
}
