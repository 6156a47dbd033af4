//! Builds the baseline of a wheel or specification from recordings, and gives it to be compared with.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::audio::{AudioError, Input};
use crate::reading::baseline::Unfit;
use crate::reading::compare::compare;
use crate::reading::turn_plan::TurnPlan;
use crate::reading::{Damping, Outcome, Reading, matching::ROOM};
use crate::record::baseline::{BaselineKind, BaselineRecord, BaselineSounding, BaselineStatistics};
use crate::record::sounding::SoundingRecord;
use crate::record::wheel::{Bond, WheelRecord, WheelState};
use crate::store::{Store, StoreError};
use crate::tasks::plate_findings::WheelBody;
use crate::tasks::read_soundings::{BaselineInUse, ReadSettings, made_by, read_sounding};
use crate::tasks::wheel_states::{DropAnswer, last_drop};
use crate::units::time_words;

/// From this number of soundings on the scatter of the wheel itself counts as much as what is
/// assumed.
const ENOUGH: usize = 4;
/// The same for wheels of a specification.
const ENOUGH_WHEELS: usize = 7;

/// Whose baseline is built.
#[derive(Debug, Clone)]
pub enum BuildOf {
    /// That of a wheel, by id, which must be in the store.
    Wheel(String),
    /// That of a specification.
    Specification {
        /// Its name.
        name: String,
        /// Bond of its wheels.
        bond: Bond,
    },
}

/// One sounding of a baseline that is to be built.
#[derive(Debug, Clone, Default)]
pub struct BuildSounding {
    /// Its recordings.
    pub inputs: Vec<Input>,
    /// Id of the wheel, where it is known beside the baseline's own.
    pub wheel: Option<String>,
    /// Temperature of the wheel in degrees Celsius, where it was logged.
    pub temp_c: Option<f64>,
    /// Spots of the recordings as in [`ReadSettings`].
    pub spots_deg: Vec<Option<f64>>,
}

/// How a baseline is built.
#[derive(Debug, Clone)]
pub struct BuildSettings {
    /// Whose.
    pub of: BuildOf,
    /// Where the taps fell.
    pub turn_plan: TurnPlan,
    /// The time now, RFC 3339.
    pub built_at: String,
}

/// A baseline that was built and kept.
#[derive(Debug, Clone, PartialEq)]
pub struct BaselineBuilt {
    /// As it is kept.
    pub record: BaselineRecord,
    /// Version of the one in use until now; none for a first one.
    pub before: Option<u32>,
    /// What the user should know, in sentences.
    pub warnings: Vec<String>,
}

/// Why a baseline was not built. Nothing is kept then.
#[derive(Debug, thiserror::Error)]
pub enum BuildError {
    /// A recording cannot be read.
    #[error(transparent)]
    Audio(#[from] AudioError),
    /// The store, or a wheel that is not in it.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The soundings do not go together.
    #[error(transparent)]
    Unfit(#[from] Unfit),
    /// A tap of a sounding does not ring clear.
    #[error(
        "{name}: tap {tap} reads {reading} ({why}); a baseline is made of clear rings of a wheel known to be good: leave this sounding out, or sound the wheel again"
    )]
    NotClear {
        /// The sounding.
        name: String,
        /// Number of the tap, from 1.
        tap: usize,
        /// What it reads.
        reading: String,
        /// Why.
        why: String,
    },
    /// Not as many taps as the turn plan has.
    #[error(
        "{name}: {found} taps were heard and the turn plan has {needed}: give one recording, or one folder of one file per tap, for each sounding"
    )]
    Taps {
        /// The sounding.
        name: String,
        /// What was heard.
        found: usize,
        /// What is needed.
        needed: usize,
    },
    /// Something happened to the wheel.
    #[error(
        "the wheel \"{id}\" stands in the store as {state} since {since}: a baseline built now would take the damage for normal; sound it against the baseline it has (fourtap read --wheel {id} FILE…), and a qualified person decides"
    )]
    Marked {
        /// Its id.
        id: String,
        /// Its state.
        state: &'static str,
        /// Since when.
        since: String,
    },
    /// Temperatures and soundings do not match in number.
    #[error(
        "{given} temperatures for {soundings} soundings: give one for all, or one for each in the order of the files"
    )]
    Temps {
        /// Temperatures.
        given: usize,
        /// Soundings.
        soundings: usize,
    },
    /// A baseline without limits.
    #[error("{0}; build it again")]
    Limits(String),
    /// The same recording twice.
    #[error(
        "{second} is the same recording as {first}: it would make the wheel's scatter look smaller than it is; leave one out"
    )]
    Twice {
        /// The first.
        first: String,
        /// The second.
        second: String,
    },
}

/// The soundings that a list of paths names: each file is one, each folder is one with all the
/// recordings in it, in the order of their names. `temps_c` holds no temperature, one for all,
/// or one for each.
///
/// # Errors
/// [`BuildError`] when a folder cannot be read or holds no recording, or the temperatures do not
/// go with the paths.
pub fn baseline_soundings(
    paths: &[PathBuf],
    temps_c: &[f64],
) -> Result<Vec<BuildSounding>, BuildError> {
    if temps_c.len() > 1 && temps_c.len() != paths.len() {
        return Err(BuildError::Temps {
            given: temps_c.len(),
            soundings: paths.len(),
        });
    }
    let one = |(k, path): (usize, &PathBuf)| {
        let inputs = if path.is_dir() {
            let (found, _) = crate::audio::recordings_in(path)?;
            found.into_iter().map(Input::Path).collect()
        } else {
            vec![Input::Path(path.clone())]
        };
        Ok(BuildSounding {
            inputs,
            temp_c: temps_c.get(k).or(temps_c.first()).copied(),
            ..BuildSounding::default()
        })
    };
    paths.iter().enumerate().map(one).collect()
}

/// Reads the soundings and keeps the baseline of them as the next version of its wheel or
/// specification.
///
/// # Errors
/// [`BuildError`]; nothing is kept then.
pub fn build_baseline(
    store: &mut Store,
    soundings: &[BuildSounding],
    settings: &BuildSettings,
) -> Result<BaselineBuilt, BuildError> {
    let wheel = match &settings.of {
        BuildOf::Wheel(id) => Some(usable_wheel(store, id)?),
        BuildOf::Specification { .. } => None,
    };
    let (kind, of, bond) = match (&settings.of, &wheel) {
        (BuildOf::Specification { name, bond }, _) => {
            (BaselineKind::Specification, name.clone(), *bond)
        }
        (BuildOf::Wheel(_), Some(w)) => (BaselineKind::Wheel, w.id.clone(), w.bond),
        (BuildOf::Wheel(id), None) => return Err(StoreError::NoWheel { id: id.clone() }.into()),
    };
    let damping = bond.damping();
    let mut records = Vec::new();
    let mut parts: Vec<BaselineSounding> = Vec::new();
    for sounding in soundings {
        let id = wheel.as_ref().map(|w| &w.id).or(sounding.wheel.as_ref());
        if let (BaselineKind::Specification, Some(id)) = (kind, id)
            && store.wheel(id)?.is_some()
        {
            usable_wheel(store, id)?;
        }
        let read = ReadSettings {
            wheel: id.cloned(),
            turn_plan: settings.turn_plan,
            spots_deg: sounding.spots_deg.clone(),
            temp_c: sounding.temp_c,
            for_baseline: Some(damping),
            ..ReadSettings::default()
        };
        let record = read_sounding(&sounding.inputs, &read)?.record;
        check_rings(&record, settings.turn_plan.spots_deg().len())?;
        parts.push(BaselineSounding::of(&record, sounding.temp_c));
        records.push(record);
    }
    check_once(&records)?;
    let mut warnings = Vec::new();
    if kind == BaselineKind::Specification {
        one_each(&mut records, &mut parts, &mut warnings);
    }
    let mut baseline = BaselineRecord::new(kind, &of, parts, made_by(), &settings.built_at);
    let ready = baseline.compared(damping)?;
    baseline.statistics = Some(BaselineStatistics::of(&ready));
    let confirmed = match &wheel {
        Some(wheel) => confirmed(store, wheel, &baseline)?,
        None => {
            baseline.bond = Some(bond);
            None
        }
    };
    baseline.unconfirmed = wheel.is_some() && !matches!(confirmed, Some((true, _)));
    baseline.notes = notes(&baseline, damping);
    baseline.notes.extend(confirmed.map(|c| c.1));
    let before = store.baseline(kind, &of)?;
    let record = store.add_baseline(&baseline, &records)?;
    warnings.extend(record.notes.clone());
    for (k, sounding) in records.iter().enumerate() {
        let told = sounding
            .warnings
            .iter()
            .filter(|w| !w.contains("no ear's word"));
        warnings.extend(told.map(|w| format!("sounding {}: {w}", k + 1)));
    }
    Ok(BaselineBuilt {
        record,
        before: before.map(|b| b.baseline_version),
        warnings,
    })
}

/// The wheel of an id, unless something happened to it that a baseline would take for normal.
fn usable_wheel(store: &Store, id: &str) -> Result<WheelRecord, BuildError> {
    let wheel = store.wheel(id)?;
    let wheel = wheel.ok_or_else(|| StoreError::NoWheel { id: id.to_owned() })?;
    if wheel.state.is_usable() {
        return Ok(wheel);
    }
    Err(BuildError::Marked {
        since: marked_at(store, &wheel)?.unwrap_or_else(|| "an unknown time".to_owned()),
        state: wheel.state.words(),
        id: wheel.id,
    })
}

/// When a wheel went into the state in which it is.
fn marked_at(store: &Store, wheel: &WheelRecord) -> Result<Option<String>, StoreError> {
    let events = store.wheel_events(&wheel.id)?;
    let last = events.into_iter().rfind(|e| e.state == wheel.state.words());
    Ok(last.map(|e| e.at))
}

/// Of several soundings of one wheel the one with most modes stays: what a specification's
/// baseline counts are wheels.
fn one_each(
    records: &mut Vec<SoundingRecord>,
    parts: &mut Vec<BaselineSounding>,
    warnings: &mut Vec<String>,
) {
    let mut best: BTreeMap<String, usize> = BTreeMap::new();
    let mut left_out = Vec::new();
    for (k, part) in parts.iter().enumerate() {
        let Some(id) = part.wheel.as_ref().map(|w| w.to_lowercase()) else {
            continue;
        };
        let now = *best.entry(id.clone()).or_insert(k);
        if now != k {
            let more = part.modes.len() > parts[now].modes.len();
            left_out.push(if more { now } else { k });
            if more {
                best.insert(id, k);
            }
        }
    }
    left_out.sort_unstable();
    for k in left_out.into_iter().rev() {
        warnings.push(format!(
            "{} was left out: of several soundings of the wheel {} the one with most tones counts",
            name_of(&records[k]),
            parts[k].wheel.clone().unwrap_or_default()
        ));
        records.remove(k);
        parts.remove(k);
    }
}

/// Whether the baseline of the wheel's specification confirms its first sounding, and what to
/// say of that; none without such a baseline. One that this wheel is part of confirms nothing.
fn confirmed(
    store: &Store,
    wheel: &WheelRecord,
    baseline: &BaselineRecord,
) -> Result<Option<(bool, String)>, BuildError> {
    let (Some(name), Some(first)) = (&wheel.specification, baseline.soundings.first()) else {
        return Ok(None);
    };
    let Some(record) = store.baseline(BaselineKind::Specification, name)? else {
        return Ok(None);
    };
    let of = format!(
        "the baseline of the specification {name}, version {}",
        record.baseline_version
    );
    if holds_wheel(&record, &wheel.id, first) {
        return Ok(Some((
            false,
            format!("{of}, is made of this wheel as well and does not confirm it"),
        )));
    }
    let ready = record.compared(wheel.bond.damping())?;
    let comparison =
        compare(&ready, &first.sounded()).map_err(|e| BuildError::Limits(e.to_string()))?;
    Ok(Some(if comparison.reading == Reading::ClearRing {
        (
            true,
            format!(
                "{of}, {} wheels, confirms the first sounding: it rings as they do",
                ready.soundings
            ),
        )
    } else {
        (
            false,
            format!(
                "{of}, does not confirm the first sounding, which reads {} against it: {}",
                comparison.reading.words(),
                comparison.changes.join("; ")
            ),
        )
    }))
}

/// True when a baseline holds a sounding of this wheel, or this very sounding.
fn holds_wheel(record: &BaselineRecord, id: &str, sounding: &BaselineSounding) -> bool {
    record.soundings.iter().any(|s| {
        s.wheel.as_ref().is_some_and(|w| w.eq_ignore_ascii_case(id))
            || s.recorded
                .iter()
                .any(|r| sounding.recorded.iter().any(|o| o.blake3 == r.blake3))
    })
}

fn name_of(record: &SoundingRecord) -> String {
    let first = record
        .files
        .first()
        .map_or("a sounding", |f| f.name.as_str());
    if record.files.len() > 1 {
        format!("{first} and its like")
    } else {
        first.to_owned()
    }
}

fn check_rings(record: &SoundingRecord, needed: usize) -> Result<(), BuildError> {
    let name = name_of(record);
    for (k, tap) in record.taps.iter().enumerate() {
        if tap.reading != Reading::ClearRing.words() {
            return Err(BuildError::NotClear {
                name,
                tap: k + 1,
                reading: tap.reading.clone(),
                why: tap.reasons.first().cloned().unwrap_or_default(),
            });
        }
    }
    if record.taps.len() != needed {
        return Err(BuildError::Taps {
            name,
            found: record.taps.len(),
            needed,
        });
    }
    Ok(())
}

fn check_once(records: &[SoundingRecord]) -> Result<(), BuildError> {
    let mut seen: BTreeMap<&str, &str> = BTreeMap::new();
    for file in records.iter().flat_map(|r| &r.files) {
        if let Some(first) = seen.insert(&file.blake3, &file.name) {
            return Err(BuildError::Twice {
                first: first.to_owned(),
                second: file.name.clone(),
            });
        }
    }
    Ok(())
}

fn notes(baseline: &BaselineRecord, damping: Damping) -> Vec<String> {
    let n = baseline.soundings.len();
    let mut out = Vec::new();
    if baseline.unconfirmed {
        out.push(
            "nothing stood behind these soundings: they rang, and that is all that is known of the wheel"
                .to_owned(),
        );
    }
    if baseline.kind == BaselineKind::Specification {
        out.push(format!(
            "{n} wheels that go together; that they are good is the word of whoever built this"
        ));
        if n < ENOUGH_WHEELS {
            out.push(format!(
                "{n} wheels: how wheels differ is mostly assumed and the limits are wide; {ENOUGH_WHEELS} or more narrow them"
            ));
        }
    } else if n == 1 {
        out.push(
            "one sounding: how this wheel scatters from day to day is assumed, not known; sound it on three more days and build again".to_owned(),
        );
    } else if n < ENOUGH {
        out.push(format!(
            "{n} soundings: the limits are wide; {ENOUGH} or more, from different days, narrow them"
        ));
    }
    if damping == Damping::High && baseline.soundings.iter().any(|s| s.temp_c.is_none()) {
        out.push(
            "an organic bond moves with the temperature, and none was given: only large damage shows; give --temp here and when reading".to_owned(),
        );
    }
    if baseline
        .soundings
        .iter()
        .any(|s| s.room_misfit.is_some_and(|e| e > ROOM))
    {
        out.push(
            "the room's echo is in these soundings and widens all limits: bring the microphone closer".to_owned(),
        );
    }
    out
}

/// What the store has on a wheel that is about to be read.
#[derive(Debug, Clone, Default)]
pub struct Behind {
    /// Its own baseline, else that of its specification; without one the physics alone decides.
    pub baseline: Option<BaselineInUse>,
    /// The most that the outcome may be, and why.
    pub at_best: Option<(Outcome, String)>,
    /// What the user is to know, in sentences.
    pub notes: Vec<String>,
    /// The wheel, where it is in the store.
    pub wheel: Option<WheelRecord>,
}

impl Behind {
    /// The body of the wheel, by which its modes get labels and, where its mass is known, elastic
    /// values; none when it is not in the store or no flat disc. Takes some tenths of a second.
    pub fn body(&self) -> Option<WheelBody> {
        let wheel = self.wheel.as_ref()?;
        WheelBody::new(&wheel.size, wheel.label.mass_kg).ok()
    }
}

/// Looks up what a sounding is to be held against: the newest own baseline of the wheel of
/// `id`, else that of `specification` or, without one, of the wheel's specification. No store, a
/// wheel that is not in it and a wheel without a baseline are no errors: they are told, and
/// nothing is compared. A specification that was asked for by name must be there.
///
/// # Errors
/// [`BuildError::Store`], or [`BuildError::Unfit`] when this version of the method makes no
/// baseline of what is kept.
pub fn behind_wheel(
    store: Option<&Store>,
    id: Option<&str>,
    specification: Option<&str>,
) -> Result<Behind, BuildError> {
    let mut behind = Behind::default();
    if let (Some(store), Some(id)) = (store, id) {
        behind.wheel = store.wheel(id)?;
    }
    let wheel = behind.wheel.clone();
    let own = match (store, &wheel) {
        (Some(store), Some(wheel)) => store.baseline(BaselineKind::Wheel, &wheel.id)?,
        _ => None,
    };
    if let (Some(store), Some(wheel)) = (store, &wheel) {
        marked(store, wheel, own.as_ref(), &mut behind)?;
    }
    if let (Some(wheel), Some(record)) = (&wheel, &own) {
        if record.unconfirmed {
            behind.notes.push(format!(
                "nothing stood behind the first sounding of this baseline (version {}): it shows what has changed since, not that the wheel was sound then",
                record.baseline_version
            ));
        }
        behind.baseline = Some(in_use(record, wheel.bond.damping())?);
        return Ok(behind);
    }
    let of_wheel = wheel.as_ref().and_then(|w| w.specification.as_deref());
    let kept = match (store, specification.or(of_wheel)) {
        (Some(store), Some(name)) => store.baseline(BaselineKind::Specification, name)?,
        _ => None,
    };
    let Some(record) = kept else {
        if let Some(name) = specification {
            return Err(StoreError::NoBaselineOf {
                name: name.to_owned(),
            }
            .into());
        }
        if let Some(id) = id {
            behind.notes.push(match &wheel {
                None => format!(
                    "nothing is compared: the wheel \"{id}\" is not in the store (fourtap wheel add {id} …)"
                ),
                Some(w) => format!(
                    "nothing is compared: the wheel \"{}\" has no baseline yet (fourtap baseline build --wheel {} FILE…)",
                    w.id, w.id
                ),
            });
        }
        return Ok(behind);
    };
    let bond = wheel.as_ref().map(|w| w.bond).or(record.bond);
    if let Some(store) = store {
        for sounding in &record.soundings {
            let Some(member) = sounding.wheel.as_deref() else {
                continue;
            };
            if id.is_some_and(|id| id.eq_ignore_ascii_case(member)) {
                behind.notes.push(format!(
                    "the baseline of the specification {} was built with this wheel among others",
                    record.of
                ));
            }
            let state = store.wheel(member)?.map(|w| w.state);
            if state == Some(WheelState::TaggedOut) {
                behind.notes.push(format!(
                    "the wheel \"{member}\" of the baseline of the specification {} was tagged out since: build that baseline again without it; until then nothing is compared",
                    record.of
                ));
                return Ok(behind);
            }
        }
    }
    behind.baseline = Some(in_use(&record, bond.unwrap_or(Bond::Unknown).damping())?);
    Ok(behind)
}

/// What a mark on the wheel means for a sounding of it.
fn marked(
    store: &Store,
    wheel: &WheelRecord,
    own: Option<&BaselineRecord>,
    behind: &mut Behind,
) -> Result<(), BuildError> {
    let id = &wheel.id;
    if matches!(
        wheel.state,
        WheelState::TaggedOut | WheelState::Retired | WheelState::Destroyed
    ) {
        let at = marked_at(store, wheel)?.unwrap_or_else(|| "an unknown time".to_owned());
        let state = wheel.state.words();
        let why = format!(
            "the wheel stands in the store as {state} ({}), and a sounding does not change that, whatever it rings like",
            time_words(&at)
        );
        behind.at_best = Some((Outcome::SoundItAgain, why));
        return Ok(());
    }
    if let Some(on) = &wheel.grinder {
        behind.notes.push(format!(
            "the wheel \"{id}\" stands in the store as mounted on {on}: a wheel is sounded off the grinder, hanging free"
        ));
    }
    let Some(drop) = last_drop(store, wheel)? else {
        return Ok(());
    };
    let (at, dropped) = (&drop.at, time_words(&drop.at));
    // Times of the store are RFC 3339 in UTC to the second, so their order is that of the text.
    let later = own.is_some_and(|b| b.built_at >= *at);
    let most = match &drop.answer {
        Some(DropAnswer::Sounded { .. }) => return Ok(()),
        Some(DropAnswer::PutBack { .. }) => Outcome::RingsNotCompared,
        None => Outcome::SoundItAgain,
    };
    if later {
        let why = format!(
            "the wheel was dropped ({dropped}), and its baseline was built after that and may take the damage for normal"
        );
        behind.at_best = Some((most, why));
    } else if drop.answer.is_none() {
        behind.notes.push(format!(
            "the wheel \"{id}\" was dropped ({dropped}): this sounding is the one that is asked for since"
        ));
    }
    Ok(())
}

fn in_use(record: &BaselineRecord, damping: Damping) -> Result<BaselineInUse, BuildError> {
    Ok(BaselineInUse {
        baseline: record.compared(damping)?,
        reference: record.reference(),
    })
}
