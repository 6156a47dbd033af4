//! Reads the wheels of a lot from recordings and keeps each as it is read, so that a run that was
//! broken off goes on where it ended.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};

use crate::audio::{AudioError, Input, recordings_in};
use crate::reading::Heard;
use crate::record::lot::LotRecord;
use crate::record::sounding::SoundingRecord;
use crate::store::{Store, StoreError};
use crate::tasks::build_baseline::behind_wheel;
use crate::tasks::in_order::in_order;
use crate::tasks::keep_sounding::keep_sounding;
use crate::tasks::keep_wheels::{NewWheel, get_or_create_wheel};
use crate::tasks::plate_findings::WheelBody;
use crate::tasks::read_soundings::{ReadSettings, read_sounding};
use crate::tasks::wheels_table::TableSounding;

/// What happened to one wheel of the run.
#[derive(Debug, Clone, PartialEq)]
pub enum LotEvent {
    /// Read now and kept with this outcome.
    Kept {
        /// Id of the wheel.
        wheel: String,
        /// The outcome.
        outcome: String,
    },
    /// The same recordings were read and kept before.
    Before {
        /// Id of the wheel.
        wheel: String,
    },
    /// Not read; the rest goes on.
    Failed {
        /// Id of the wheel.
        wheel: String,
        /// Why and what to do.
        why: String,
    },
}

/// The soundings in folders: each folder within a named folder is a wheel, its recordings one
/// sounding; each recording directly in it is a wheel named like the file. With a pattern, where
/// `{wheel}` stands for the id and `*` for anything, the id is taken from the names of files
/// (without ending), and files of one wheel are one sounding.
///
/// # Errors
/// [`AudioError`] when a folder cannot be read, or nothing in it is a recording of a wheel.
pub fn lot_soundings(
    folders: &[PathBuf],
    pattern: Option<&str>,
) -> Result<Vec<TableSounding>, AudioError> {
    let mut found: BTreeMap<String, Vec<PathBuf>> = BTreeMap::new();
    let mut order: Vec<String> = Vec::new();
    let mut add = |wheel: String, path: PathBuf| {
        let files = found.entry(wheel.clone()).or_default();
        if files.is_empty() {
            order.push(wheel);
        }
        files.push(path);
    };
    let name_of = |p: &Path| p.file_stem().map(|n| n.to_string_lossy().into_owned());
    for folder in folders {
        for path in recordings_in(folder)?.0 {
            let name = name_of(&path).unwrap_or_default();
            match pattern {
                None => add(name, path),
                Some(pattern) => {
                    if let Some(wheel) = wheel_in(pattern, &name) {
                        add(wheel.to_owned(), path);
                    }
                }
            }
        }
        for inner in folders_in(folder)? {
            let wheel = inner.file_name().map(|n| n.to_string_lossy().into_owned());
            for path in recordings_in(&inner)?.0 {
                let name = name_of(&path).unwrap_or_default();
                match (pattern, &wheel) {
                    (None, Some(wheel)) => add(wheel.clone(), path),
                    (Some(pattern), _) => {
                        if let Some(wheel) = wheel_in(pattern, &name) {
                            add(wheel.to_owned(), path);
                        }
                    }
                    (None, None) => {}
                }
            }
        }
    }
    if order.is_empty() {
        let name = folders
            .first()
            .map_or(String::new(), |f| f.display().to_string());
        return Err(AudioError::new(
            &name,
            None,
            "there is no recording of a wheel here",
            "name folders with one folder a wheel, or a pattern like --name-pattern '{wheel}_*'",
        ));
    }
    let sounding = |wheel: String| TableSounding {
        inputs: found
            .remove(&wheel)
            .unwrap_or_default()
            .into_iter()
            .map(Input::Path)
            .collect(),
        wheel,
        session: String::new(),
        spots_deg: Vec::new(),
        heard: Vec::new(),
        temp_c: None,
    };
    Ok(order.into_iter().map(sounding).collect())
}

fn folders_in(folder: &Path) -> Result<Vec<PathBuf>, AudioError> {
    let name = folder.display().to_string();
    let refuse = |e: std::io::Error| {
        AudioError::new(
            &name,
            None,
            format!("the folder cannot be read: {e}"),
            "check the path",
        )
    };
    let mut inner = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(refuse)? {
        let path = entry.map_err(refuse)?.path();
        if path.is_dir() {
            inner.push(path);
        }
    }
    inner.sort();
    Ok(inner)
}

/// The id that a pattern finds in a name: the shortest that lets all of it match.
fn wheel_in<'a>(pattern: &str, name: &'a str) -> Option<&'a str> {
    let (before, after) = pattern.split_once("{wheel}")?;
    let ends: Vec<usize> = name
        .char_indices()
        .map(|c| c.0)
        .chain([name.len()])
        .collect();
    ends.iter().enumerate().find_map(|(k, start)| {
        if !matches(before, name.get(..*start)?) {
            return None;
        }
        ends[k + 1..]
            .iter()
            .filter(|end| matches(after, name.get(**end..).unwrap_or("")))
            .find_map(|end| name.get(*start..*end))
    })
}

/// True when `*` of the pattern can stand for something that makes it the text.
fn matches(pattern: &str, text: &str) -> bool {
    match pattern.split_once('*') {
        None => pattern == text,
        Some((head, rest)) => text.strip_prefix(head).is_some_and(|tail| {
            tail.char_indices()
                .map(|c| c.0)
                .chain([tail.len()])
                .any(|k| matches(rest, tail.get(k..).unwrap_or("")))
        }),
    }
}

/// A sounding to be read.
struct Job {
    settings: ReadSettings,
    inputs: Vec<Input>,
    /// Hashes of the recordings of soundings that were kept before.
    before: Vec<Vec<String>>,
    /// Why it cannot be read at all.
    refused: Option<String>,
}

/// Reads the soundings on all cores and keeps each, with its sound, as soon as its turn comes;
/// `each` is told of it with the number done, and ends the run with `false`. `at` is RFC 3339.
///
/// # Errors
/// [`StoreError`] when the store cannot be read or written; what was kept stays kept.
pub fn read_lot(
    store: &mut Store,
    lot: &LotRecord,
    soundings: &[TableSounding],
    plan: crate::reading::turn_plan::TurnPlan,
    at: &dyn Fn() -> String,
    each: &mut dyn FnMut(usize, LotEvent) -> bool,
) -> Result<(), StoreError> {
    let mut jobs = Vec::new();
    for sounding in soundings {
        jobs.push(job(store, lot, sounding, plan, &at())?);
    }
    let mut fault = None;
    in_order(
        &jobs,
        |_, job| work(job),
        |k, done| {
            let wheel = soundings[k].wheel.clone();
            let event = match done {
                Ok(Some(record)) => {
                    let paths: Vec<PathBuf> = jobs[k]
                        .inputs
                        .iter()
                        .filter_map(|i| Some(i.path()?.to_owned()))
                        .collect();
                    match keep_sounding(store, &record, &paths, &at()) {
                        Ok(_) => LotEvent::Kept {
                            wheel,
                            outcome: record.outcome,
                        },
                        Err(error @ StoreError::SoundChanged { .. }) => LotEvent::Failed {
                            wheel,
                            why: error.to_string(),
                        },
                        Err(error) => {
                            fault = Some(error);
                            return false;
                        }
                    }
                }
                Ok(None) => LotEvent::Before { wheel },
                Err(why) => LotEvent::Failed { wheel, why },
            };
            each(k + 1, event)
        },
    );
    fault.map_or(Ok(()), Err)
}

fn job(
    store: &mut Store,
    lot: &LotRecord,
    sounding: &TableSounding,
    turn_plan: crate::reading::turn_plan::TurnPlan,
    at: &str,
) -> Result<Job, StoreError> {
    let mut job = Job {
        settings: ReadSettings {
            turn_plan,
            heard: sounding.heard.clone(),
            spots_deg: sounding.spots_deg.clone(),
            temp_c: sounding.temp_c,
            ..ReadSettings::default()
        },
        inputs: sounding.inputs.clone(),
        before: Vec::new(),
        refused: None,
    };
    let new = NewWheel {
        id: sounding.wheel.clone(),
        size: lot.size.clone(),
        bond: lot.bond.clone(),
        specification: lot.specification.clone(),
        lot: Some(lot.lot.clone()),
        ..NewWheel::default()
    };
    let wheel = match get_or_create_wheel(store, &new, at) {
        Ok(kept) => kept.wheel,
        Err(crate::tasks::keep_wheels::WheelError::Store(error)) => return Err(error),
        Err(error) => {
            job.refused = Some(error.to_string());
            return Ok(job);
        }
    };
    if wheel.lot.as_deref() != Some(lot.lot.as_str()) {
        job.refused = Some(format!(
            "it is in the store with {}: give this wheel another id, or correct it with wheel edit --lot",
            wheel
                .lot
                .as_ref()
                .map_or("no lot".to_owned(), |l| format!("the lot \"{l}\""))
        ));
        return Ok(job);
    }
    for kept in store.all_kept::<SoundingRecord>(Some(&wheel.id))? {
        let hashes = kept.record.files.into_iter().map(|f| f.blake3);
        job.before.push(hashes.collect());
    }
    match behind_wheel(Some(store), Some(&wheel.id), None) {
        Ok(found) => {
            job.settings.baseline = found.baseline;
            job.settings.at_best = found.at_best;
            job.settings.notes = found.notes;
        }
        Err(error) => job.refused = Some(error.to_string()),
    }
    let mass_kg = wheel.label.mass_kg.or(lot.mass_kg);
    job.settings.body = WheelBody::new(&wheel.size, mass_kg).ok();
    job.settings.wheel = Some(wheel.id);
    Ok(job)
}

/// The sounding; none when it was kept before.
fn work(job: &Job) -> Result<Option<SoundingRecord>, String> {
    if let Some(why) = &job.refused {
        return Err(why.clone());
    }
    let hashes: Option<Vec<String>> = job.inputs.iter().map(hash_of).collect();
    if hashes.is_some_and(|h| job.before.contains(&h)) {
        return Ok(None);
    }
    let read = read_sounding(&job.inputs, &job.settings).map_err(|e| e.to_string())?;
    Ok(Some(read.record))
}

/// Hash of a recording; none when it cannot be read, which is told when it is listened to.
fn hash_of(input: &Input) -> Option<String> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(input.path()?).ok()?).ok()?;
    Some(hasher.finalize().to_hex().to_string())
}

/// True when an ear heard a thud; such a wheel is bad whatever was read.
pub fn heard_thud(record: &SoundingRecord) -> bool {
    let thud =
        |t: &crate::record::sounding::TapRecord| t.heard.as_deref() == Some(Heard::Thud.word());
    record.taps.iter().any(thud)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_find_the_wheel_in_a_name() {
        for (pattern, name, wheel) in [
            ("{wheel}_*", "HL-7_tap2", Some("HL-7")),
            ("{wheel}_*", "HL-7_b_tap2", Some("HL-7")),
            ("lot 4 {wheel}", "lot 4 W9", Some("W9")),
            ("*-{wheel}", "2026-11-W9", Some("11-W9")),
            ("{wheel}", "Ø-3", Some("Ø-3")),
            ("{wheel}_*", "HL7", None),
            ("wheel", "wheel", None),
        ] {
            assert_eq!(wheel_in(pattern, name), wheel, "{pattern} {name}");
        }
    }
}
