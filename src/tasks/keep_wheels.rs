//! Adds, lists, shows and edits wheels, and marks them as dropped or retired.

use std::collections::HashMap;

use crate::record::baseline::BaselineKind;
use crate::record::sounding::SoundingRecord;
use crate::record::wheel::label::{LabelError, LabelWritten};
use crate::record::wheel::{
    BadId, Bond, NoSuchBond, RingHint, Size, SizeError, Speed, SpeedError, WheelRecord, check_id,
};
use crate::record::wheel_history::{
    BaselineLine, DeadLine, DropLine, EventLine, FORMAT, HintLine, SoundingLine, VERSION,
    WheelHistory,
};
use crate::store::baselines::KeptBaseline;
use crate::store::records::Kept;
use crate::store::wheels::WheelEvent;
use crate::store::{Store, StoreError};
use crate::tasks::wheel_states::{Drop, OpenDead, standing};

/// A wheel as the user describes it, unchecked.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct NewWheel {
    /// Its id.
    pub id: String,
    /// Size as written, for example `200x20x32`.
    pub size: String,
    /// Name of its bond.
    pub bond: String,
    /// Maximum speed as written, where known.
    pub max_speed: Option<String>,
    /// Name of its specification, where known.
    pub specification: Option<String>,
    /// Lot it came with, where known.
    pub lot: Option<String>,
    /// What else its label says.
    pub label: LabelWritten,
}

impl NewWheel {
    /// Checks the description without any store.
    ///
    /// # Errors
    /// [`WheelError`] with what cannot be read and what is accepted.
    pub fn check(&self) -> Result<(), WheelError> {
        describe_wheel(self, "").map(|_| ())
    }
}

/// A wheel that was added or found.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelKept {
    /// The wheel.
    pub wheel: WheelRecord,
    /// True when it is new in the store.
    pub added: bool,
    /// What to know before the first tap.
    pub hints: Vec<RingHint>,
}

/// All that is known of a wheel.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelShown {
    /// The wheel.
    pub wheel: WheelRecord,
    /// What to know before the first tap.
    pub hints: Vec<RingHint>,
    /// The last time it was dropped, if ever.
    pub drop: Option<Drop>,
    /// A sounding that reads dead and that nobody has answered for.
    pub dead: Option<OpenDead>,
    /// What happened to it, oldest first.
    pub events: Vec<WheelEvent>,
    /// Its own baselines, oldest first, retired ones included.
    pub baselines: Vec<KeptBaseline>,
    /// Its soundings, oldest first.
    pub soundings: Vec<Kept<SoundingRecord>>,
}

/// Why a wheel cannot be kept or shown.
#[derive(Debug, thiserror::Error)]
pub enum WheelError {
    /// The id.
    #[error(transparent)]
    Id(#[from] BadId),
    /// The size.
    #[error(transparent)]
    Size(#[from] SizeError),
    /// The bond.
    #[error(transparent)]
    Bond(#[from] NoSuchBond),
    /// The maximum speed.
    #[error(transparent)]
    Speed(#[from] SpeedError),
    /// Another part of the label.
    #[error(transparent)]
    Label(#[from] LabelError),
    /// The same id, but another wheel.
    #[error(
        "the wheel \"{id}\" is in the store with the {what} {kept}, not {given}: give this wheel another id, or leave the {what} out"
    )]
    OtherWheel {
        /// Id as it stands in the store.
        id: String,
        /// Which figure differs.
        what: &'static str,
        /// As it stands in the store.
        kept: String,
        /// As it was given.
        given: String,
    },
    /// An edit that changes nothing.
    #[error(
        "nothing of the wheel \"{id}\" would change: say what to change, like its marked speed"
    )]
    NothingToEdit {
        /// Id as it stands in the store.
        id: String,
    },
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Adds a wheel. `at` is the time, RFC 3339.
///
/// # Errors
/// [`WheelError`] for a description that cannot be read, and
/// [`StoreError::WheelExists`] when the id is taken.
pub fn add_wheel(store: &mut Store, new: &NewWheel, at: &str) -> Result<WheelKept, WheelError> {
    let wheel = describe_wheel(new, at)?;
    store.add_wheel(&wheel)?;
    Ok(kept(wheel, true))
}

/// The wheel of `new.id` if it is there, else adds it. A wheel that is there must not differ
/// in what is given of it; an empty size or bond is not compared.
///
/// # Errors
/// [`WheelError::OtherWheel`] when it differs; the rest as [`add_wheel`].
pub fn get_or_create_wheel(
    store: &mut Store,
    new: &NewWheel,
    at: &str,
) -> Result<WheelKept, WheelError> {
    if let Some(wheel) = store.wheel(&new.id)? {
        return same_wheel(wheel, new);
    }
    match add_wheel(store, new, at) {
        // Another program was quicker.
        Err(WheelError::Store(StoreError::WheelExists { id })) => {
            let wheel = store.wheel(&id)?;
            same_wheel(wheel.ok_or(StoreError::NoWheel { id })?, new)
        }
        done => done,
    }
}

/// All wheels, by id.
///
/// # Errors
/// [`StoreError`] of the database.
pub fn list_wheels(store: &Store) -> Result<Vec<WheelRecord>, WheelError> {
    Ok(store.wheels()?)
}

/// Number and outcome of the newest sounding of each wheel, by its id in small letters.
///
/// # Errors
/// [`StoreError`] of the database.
pub fn newest_of_each(store: &Store) -> Result<HashMap<String, (u64, String)>, StoreError> {
    let all = store.newest_outcomes()?.into_iter();
    Ok(all
        .map(|(wheel, number, outcome)| (wheel.to_lowercase(), (number, outcome)))
        .collect())
}

/// All that is known of a wheel.
///
/// # Errors
/// [`StoreError::NoWheel`] when it is not there.
pub fn show_wheel(store: &Store, id: &str) -> Result<WheelShown, WheelError> {
    let wheel = store.wheel(id)?;
    let wheel = wheel.ok_or_else(|| StoreError::NoWheel { id: id.to_owned() })?;
    let past = standing(store, &wheel)?;
    Ok(WheelShown {
        hints: wheel.rings_usefully(),
        drop: past.drop,
        dead: past.dead,
        events: store.wheel_events(id)?,
        baselines: store.baseline_versions(BaselineKind::Wheel, id)?,
        soundings: store.all_kept(Some(id))?,
        wheel,
    })
}

/// What is to be changed of a wheel, unchecked; none stays as it is.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct WheelEdit {
    /// Size as written.
    pub size: Option<String>,
    /// Name of the bond.
    pub bond: Option<String>,
    /// Maximum speed as written; empty takes it away.
    pub max_speed: Option<String>,
    /// Name of the specification; empty takes it away.
    pub specification: Option<String>,
    /// Lot; empty takes it away.
    pub lot: Option<String>,
    /// What else its label says.
    pub label: LabelWritten,
}

/// Changes what is known of a wheel; what it was before stays in its history. `at` is RFC 3339.
///
/// A marked rim speed is turned into rpm anew when the size changes.
///
/// # Errors
/// [`WheelError`] for a description that cannot be read, [`WheelError::NothingToEdit`] when
/// nothing would change, [`StoreError::NoWheel`] when the wheel is not there.
pub fn edit_wheel(
    store: &mut Store,
    id: &str,
    edit: &WheelEdit,
    at: &str,
) -> Result<WheelRecord, WheelError> {
    let before = store.wheel(id)?;
    let before = before.ok_or_else(|| StoreError::NoWheel { id: id.to_owned() })?;
    let mut after = before.clone();
    if let Some(size) = &edit.size {
        after.size = Size::parse(size)?;
    }
    if let Some(bond) = &edit.bond {
        after.bond = Bond::parse(bond)?;
    }
    let speed = match &edit.max_speed {
        Some(written) => Some(written.clone()).filter(|w| !w.is_empty()),
        None => before.max_speed.as_ref().map(|m| m.written.clone()),
    };
    let speed = speed.as_deref().map(Speed::parse).transpose()?;
    after.max_speed =
        WheelRecord::new(id, after.size.clone(), after.bond, speed.as_ref(), at).max_speed;
    for (given, field) in [
        (&edit.specification, &mut after.specification),
        (&edit.lot, &mut after.lot),
    ] {
        if let Some(name) = given {
            *field = Some(name.clone()).filter(|n| !n.is_empty());
            field.as_deref().map(check_id).transpose()?;
        }
    }
    edit.label.apply(&mut after)?;
    let changes = changes(&before, &after);
    if changes.is_empty() {
        return Err(WheelError::NothingToEdit { id: before.id });
    }
    Ok(store.change_wheel(&after, at, &format!("edited: {}", changes.join(", ")))?)
}

/// What differs, in words.
fn changes(before: &WheelRecord, after: &WheelRecord) -> Vec<String> {
    fn facts(wheel: &WheelRecord) -> Vec<(&'static str, String)> {
        let label = &wheel.label;
        let speed = wheel.max_speed.as_ref().map(|m| m.written.clone());
        let optional = [
            ("maximum speed", speed),
            ("specification", wheel.specification.clone()),
            ("lot", wheel.lot.clone()),
            ("serial number", label.serial.clone()),
            ("shape", label.shape.map(|s| s.to_string())),
            ("marking", label.marking.clone()),
            ("rim speed", label.rim_speed.clone()),
            ("purpose", label.purpose.clone()),
            ("month of manufacture", label.made.clone()),
            ("last month of use", label.expires.clone()),
            ("day received", label.received.clone()),
            ("mass in kg", label.mass_kg.map(|m| m.to_string())),
        ];
        let mut facts = vec![
            ("size", wheel.size.written().to_owned()),
            ("bond", wheel.bond.name().to_owned()),
        ];
        let none = || "none".to_owned();
        facts.extend(optional.map(|(name, value)| (name, value.unwrap_or_else(none))));
        facts
    }
    facts(before)
        .iter()
        .zip(facts(after))
        .filter(|(was, is)| was.1 != is.1)
        .map(|(was, is)| format!("{} {} to {}", was.0, was.1, is.1))
        .collect()
}

/// What is shown of a wheel, as a record.
pub fn wheel_history(shown: &WheelShown) -> WheelHistory {
    WheelHistory {
        format: FORMAT.to_owned(),
        version: VERSION,
        wheel: shown.wheel.clone(),
        hints: shown
            .hints
            .iter()
            .map(|h| HintLine {
                sentence: h.sentence.clone(),
                source: h.source.to_owned(),
            })
            .collect(),
        dead: shown.dead.as_ref().map(|d| DeadLine {
            number: d.number,
            at: d.at.clone(),
            sentence: d.words(),
        }),
        drop: shown.drop.as_ref().map(|d| DropLine {
            at: d.at.clone(),
            is_answered: d.answer.is_some(),
            sentence: d.words(),
        }),
        events: shown
            .events
            .iter()
            .map(|e| EventLine {
                at: e.at.clone(),
                state: e.state.clone(),
                note: e.note.clone(),
                by: e.by.clone(),
                grinder: e.grinder.clone(),
                record: e.record,
            })
            .collect(),
        baselines: shown.baselines.iter().map(baseline_line).collect(),
        soundings: shown
            .soundings
            .iter()
            .map(|s| SoundingLine::of(s.number, &s.at, &s.record))
            .collect(),
    }
}

fn baseline_line(kept: &KeptBaseline) -> BaselineLine {
    let record = &kept.record;
    BaselineLine {
        version: record.baseline_version,
        built_at: record.built_at.clone(),
        soundings: u32::try_from(record.soundings.len()).unwrap_or(u32::MAX),
        unconfirmed: record.unconfirmed,
        retired_at: kept.retired.as_ref().map(|r| r.0.clone()),
        retired_why: kept.retired.as_ref().map(|r| r.1.clone()),
    }
}

/// The wheel described, without any store. `at` is RFC 3339.
///
/// # Errors
/// [`WheelError`] with what cannot be read and what is accepted.
pub fn describe_wheel(new: &NewWheel, at: &str) -> Result<WheelRecord, WheelError> {
    check_id(&new.id)?;
    let size = Size::parse(&new.size)?;
    let bond = Bond::parse(&new.bond)?;
    let speed = new.max_speed.as_deref().map(Speed::parse).transpose()?;
    let mut wheel = WheelRecord::new(&new.id, size, bond, speed.as_ref(), at);
    for name in [&new.specification, &new.lot].into_iter().flatten() {
        check_id(name)?;
    }
    wheel.specification.clone_from(&new.specification);
    wheel.lot.clone_from(&new.lot);
    new.label.apply(&mut wheel)?;
    Ok(wheel)
}

fn kept(wheel: WheelRecord, added: bool) -> WheelKept {
    WheelKept {
        hints: wheel.rings_usefully(),
        wheel,
        added,
    }
}

fn same_wheel(wheel: WheelRecord, new: &NewWheel) -> Result<WheelKept, WheelError> {
    let other = |what, kept: &str, given: &str| WheelError::OtherWheel {
        id: wheel.id.clone(),
        what,
        kept: kept.to_owned(),
        given: given.to_owned(),
    };
    // Lengths are compared, not the words: 8in is 203.2.
    if !new.size.is_empty() && Size::parse(&new.size)?.exact() != wheel.size.exact() {
        return Err(other("size", wheel.size.written(), &new.size));
    }
    if !new.bond.is_empty() && Bond::parse(&new.bond)? != wheel.bond {
        return Err(other("bond", wheel.bond.name(), &new.bond));
    }
    if let Some(given) = &new.max_speed {
        let rpm = Speed::parse(given)?.rpm(wheel.size.diameter_mm());
        let marked = wheel.max_speed.as_ref();
        if marked.is_none_or(|m| (m.rpm - rpm).abs() > 0.5) {
            let kept = marked.map_or("not known", |m| m.written.as_str());
            return Err(other("maximum speed", kept, given));
        }
    }
    Ok(kept(wheel, false))
}
