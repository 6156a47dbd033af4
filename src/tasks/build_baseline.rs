//! Builds the baseline of a wheel from recordings, and gives it to be compared with.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::audio::{AudioError, Input};
use crate::reading::Damping;
use crate::reading::baseline::Unfit;
use crate::reading::turn_plan::TurnPlan;
use crate::reading::{Reading, matching::ROOM};
use crate::record::baseline::{BaselineKind, BaselineRecord, BaselineSounding, BaselineStatistics};
use crate::record::sounding::SoundingRecord;
use crate::record::wheel::{Size, WheelRecord, WheelState};
use crate::store::{Store, StoreError};
use crate::tasks::read_soundings::{BaselineInUse, ReadSettings, made_by, read_sounding};

/// From this number of soundings on the scatter of the wheel itself counts as much as what is
/// assumed.
const ENOUGH: usize = 4;

/// How a baseline is built.
#[derive(Debug, Clone)]
pub struct BuildSettings {
    /// Id of the wheel, which must be in the store.
    pub wheel: String,
    /// Where the taps fell.
    pub turn_plan: TurnPlan,
    /// Temperature of the wheel at all of these soundings in degrees Celsius.
    pub temp_c: Option<f64>,
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
/// recordings in it, in the order of their names.
///
/// # Errors
/// [`AudioError`] when a folder cannot be read or holds no recording.
pub fn baseline_soundings(paths: &[PathBuf]) -> Result<Vec<Vec<Input>>, AudioError> {
    let one = |path: &PathBuf| {
        if path.is_dir() {
            let (found, _) = crate::audio::recordings_in(path)?;
            Ok(found.into_iter().map(Input::Path).collect())
        } else {
            Ok(vec![Input::Path(path.clone())])
        }
    };
    paths.iter().map(one).collect()
}

/// Reads the soundings and keeps the baseline of them as the wheel's next version.
///
/// # Errors
/// [`BuildError`]; nothing is kept then.
pub fn build_baseline(
    store: &mut Store,
    soundings: &[Vec<Input>],
    settings: &BuildSettings,
) -> Result<BaselineBuilt, BuildError> {
    let wheel = store.wheel(&settings.wheel)?;
    let wheel = wheel.ok_or_else(|| StoreError::NoWheel {
        id: settings.wheel.clone(),
    })?;
    let damping = wheel.bond.damping();
    let read = ReadSettings {
        wheel: Some(wheel.id.clone()),
        turn_plan: settings.turn_plan,
        temp_c: settings.temp_c,
        for_baseline: Some(damping),
        ..ReadSettings::default()
    };
    let mut records = Vec::new();
    for inputs in soundings {
        let record = read_sounding(inputs, &read)?.record;
        check_rings(&record, settings.turn_plan.spots_deg().len())?;
        records.push(record);
    }
    check_once(&records)?;
    let parts: Vec<BaselineSounding> = records
        .iter()
        .map(|r| BaselineSounding::of(r, settings.temp_c))
        .collect();
    let mut baseline = BaselineRecord::new(
        BaselineKind::Wheel,
        &wheel.id,
        parts,
        made_by(),
        &settings.built_at,
    );
    let ready = baseline.compared(damping)?;
    baseline.statistics = Some(BaselineStatistics::of(&ready));
    // No specification or lot is compared yet, so nothing ever stands behind it.
    baseline.unconfirmed = true;
    baseline.notes = notes(&baseline, damping);
    let before = store.baseline(BaselineKind::Wheel, &wheel.id)?;
    let record = store.add_baseline(&baseline, &records)?;
    let mut warnings = record.notes.clone();
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
    let mut out = vec![
        "nothing stood behind these soundings: they rang, and that is all that is known of the wheel"
            .to_owned(),
    ];
    if n == 1 {
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
    /// Its size, where the store knows the wheel.
    pub size: Option<Size>,
    /// Its own baseline; without one the physics alone decides.
    pub baseline: Option<BaselineInUse>,
    /// What the user is to know, in sentences.
    pub notes: Vec<String>,
}

/// Looks up the wheel of an id and its newest own baseline. No store, a wheel that is not in it
/// and a wheel without a baseline are no errors: they are told, and nothing is compared.
///
/// # Errors
/// [`BuildError::Store`], or [`BuildError::Unfit`] when this version of the method makes no
/// baseline of what is kept.
pub fn behind_wheel(store: Option<&Store>, id: &str) -> Result<Behind, BuildError> {
    let only = |note: String, size: Option<Size>| Behind {
        size,
        baseline: None,
        notes: vec![note],
    };
    let wheel = match store {
        Some(store) => store.wheel(id)?,
        None => None,
    };
    let (Some(store), Some(wheel)) = (store, wheel) else {
        return Ok(only(
            format!(
                "nothing is compared: the wheel \"{id}\" is not in the store (fourtap wheel add {id} …)"
            ),
            None,
        ));
    };
    let Some(record) = store.baseline(BaselineKind::Wheel, &wheel.id)? else {
        return Ok(only(
            format!(
                "nothing is compared: the wheel \"{}\" has no baseline yet (fourtap baseline build --wheel {} FILE…)",
                wheel.id, wheel.id
            ),
            Some(wheel.size),
        ));
    };
    in_use(&wheel, &record)
}

fn in_use(wheel: &WheelRecord, record: &BaselineRecord) -> Result<Behind, BuildError> {
    let mut notes = Vec::new();
    if wheel.state != WheelState::Active {
        notes.push(format!(
            "the wheel \"{}\" stands in the store as {}: a clear ring does not change that",
            wheel.id,
            wheel.state.words()
        ));
    }
    if record.unconfirmed {
        notes.push(format!(
            "nothing stood behind the first sounding of this baseline (version {}): it shows what has changed since, not that the wheel was sound then",
            record.baseline_version
        ));
    }
    let baseline = BaselineInUse {
        baseline: record.compared(wheel.bond.damping())?,
        reference: record.reference(),
    };
    Ok(Behind {
        size: Some(wheel.size.clone()),
        baseline: Some(baseline),
        notes,
    })
}
