//! Adds, lists, shows, edits and retires grinders.

use crate::record::grinder::{FORMAT, GrinderRecord, VERSION};
use crate::record::wheel::{
    BadId, MaxSpeed, Measure, MeasureError, Speed, SpeedError, SpeedUnit, check_id,
};
use crate::store::{Store, StoreError};

/// A grinder as a person describes it; with an edit none stays as it is and an empty word takes
/// the figure away.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct GrinderWritten {
    /// What it is.
    pub kind: Option<String>,
    /// Speed of its spindle, in rpm.
    pub speed: Option<String>,
    /// Greatest diameter of a wheel.
    pub max_diameter: Option<String>,
    /// Greatest thickness of a wheel.
    pub max_thickness: Option<String>,
    /// Diameter of the spindle.
    pub spindle: Option<String>,
    /// Diameter of the flanges.
    pub flange: Option<String>,
    /// Greatest diameter of a wheel that its guard is for; 0 without a guard.
    pub guard: Option<String>,
}

/// Why a grinder cannot be kept.
#[derive(Debug, thiserror::Error)]
pub enum GrinderError {
    /// The id.
    #[error(transparent)]
    Id(#[from] BadId),
    /// A length.
    #[error("{what}: {error}")]
    Length {
        /// Which.
        what: &'static str,
        /// What is wrong.
        error: MeasureError,
    },
    /// The speed.
    #[error(transparent)]
    Speed(#[from] SpeedError),
    /// A speed that is not of a spindle.
    #[error(
        "the speed \"{written}\" is that of a rim: a grinder's speed is in rpm, such as 2950rpm"
    )]
    NotRpm {
        /// What was written.
        written: String,
    },
    /// Kind or speed is missing.
    #[error("{what} of the grinder is missing: state it, like {example}")]
    Missing {
        /// What.
        what: &'static str,
        /// How it is written.
        example: &'static str,
    },
    /// An edit that changes nothing.
    #[error("nothing of the grinder \"{id}\" would change: say what to change, like its flanges")]
    NothingToEdit {
        /// Its id.
        id: String,
    },
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl GrinderWritten {
    /// The grinder described, without any store. `at` is RFC 3339.
    ///
    /// # Errors
    /// [`GrinderError`] for what cannot be read or is missing.
    pub fn described(&self, id: &str, at: &str) -> Result<GrinderRecord, GrinderError> {
        check_id(id)?;
        let missing = |what, example| GrinderError::Missing { what, example };
        let speed = self.speed.as_deref().filter(|s| !s.trim().is_empty());
        let speed = speed.ok_or_else(|| missing("the speed", "2950rpm"))?;
        let kind = self
            .kind
            .as_deref()
            .map(str::trim)
            .filter(|k| !k.is_empty());
        let mut grinder = GrinderRecord {
            format: FORMAT.to_owned(),
            version: VERSION,
            id: id.to_owned(),
            kind: kind.ok_or_else(|| missing("the kind", "bench"))?.to_owned(),
            rated_speed: rpm_of(speed)?,
            max_diameter: None,
            max_thickness: None,
            spindle: None,
            flange: None,
            guard: None,
            retired_at: None,
            added_at: at.to_owned(),
        };
        self.lengths(&mut grinder)?;
        Ok(grinder)
    }

    fn lengths(&self, grinder: &mut GrinderRecord) -> Result<(), GrinderError> {
        for (what, written, field) in [
            (
                "the greatest diameter",
                &self.max_diameter,
                &mut grinder.max_diameter,
            ),
            (
                "the greatest thickness",
                &self.max_thickness,
                &mut grinder.max_thickness,
            ),
            ("the spindle", &self.spindle, &mut grinder.spindle),
            ("the flanges", &self.flange, &mut grinder.flange),
            ("the guard", &self.guard, &mut grinder.guard),
        ] {
            match written.as_deref().map(str::trim) {
                None => {}
                Some("") => *field = None,
                Some(word) => {
                    let read = Measure::parse(word);
                    *field = Some(read.map_err(|error| GrinderError::Length { what, error })?);
                }
            }
        }
        Ok(())
    }
}

/// A spindle's speed.
fn rpm_of(written: &str) -> Result<MaxSpeed, GrinderError> {
    let speed = Speed::parse(written)?;
    match speed.value() {
        (rpm, SpeedUnit::Rpm) => Ok(MaxSpeed {
            written: speed.written().to_owned(),
            rpm,
        }),
        _ => Err(GrinderError::NotRpm {
            written: written.to_owned(),
        }),
    }
}

/// Adds a grinder. `at` is RFC 3339.
///
/// # Errors
/// [`GrinderError`] for what cannot be read or is missing, and when the id is taken.
pub fn add_grinder(
    store: &mut Store,
    id: &str,
    written: &GrinderWritten,
    at: &str,
) -> Result<GrinderRecord, GrinderError> {
    let grinder = written.described(id, at)?;
    store.add_grinder(&grinder)?;
    Ok(grinder)
}

/// Changes what is known of a grinder; its history keeps what it was. `at` is RFC 3339.
///
/// # Errors
/// [`GrinderError`] for what cannot be read, when nothing would change, or when the grinder is
/// not there.
pub fn edit_grinder(
    store: &mut Store,
    id: &str,
    written: &GrinderWritten,
    at: &str,
) -> Result<GrinderRecord, GrinderError> {
    let before = store.grinder(id)?;
    let mut after = before.clone();
    if let Some(kind) = written
        .kind
        .as_deref()
        .map(str::trim)
        .filter(|k| !k.is_empty())
    {
        after.kind = kind.to_owned();
    }
    if let Some(speed) = written.speed.as_deref().filter(|s| !s.trim().is_empty()) {
        after.rated_speed = rpm_of(speed)?;
    }
    written.lengths(&mut after)?;
    let changes: Vec<String> = grinder_facts(&before)
        .into_iter()
        .zip(grinder_facts(&after))
        .filter(|(was, is)| was != is)
        .map(|(was, is)| format!("{} {} to {}", was.0, was.1, is.1))
        .collect();
    if changes.is_empty() {
        return Err(GrinderError::NothingToEdit { id: before.id });
    }
    store.change_grinder(&after, at, &format!("edited: {}", changes.join(", ")))?;
    Ok(after)
}

/// Takes a grinder out of use; its history stays. `at` is RFC 3339.
///
/// # Errors
/// [`GrinderError::Store`] when it is not there.
pub fn retire_grinder(
    store: &mut Store,
    id: &str,
    at: &str,
    note: Option<&str>,
) -> Result<GrinderRecord, GrinderError> {
    let mut grinder = store.grinder(id)?;
    grinder.retired_at = Some(at.to_owned());
    let why = note.map_or(String::new(), |n| format!(": {n}"));
    store.change_grinder(&grinder, at, &format!("retired{why}"))?;
    Ok(grinder)
}

/// The figures of a grinder as written, for people.
pub fn grinder_facts(grinder: &GrinderRecord) -> Vec<(&'static str, String)> {
    let length = |m: &Option<Measure>| match m {
        None => "not known".to_owned(),
        Some(m) if m.written().chars().all(|c| c.is_ascii_digit() || c == '.') => {
            format!("{} mm", m.written())
        }
        Some(m) => m.written().to_owned(),
    };
    let guard = match &grinder.guard {
        Some(g) if g.mm() == 0.0 => "none".to_owned(),
        guard => length(guard),
    };
    vec![
        ("kind", grinder.kind.clone()),
        ("speed", grinder.rated_speed.written.clone()),
        ("greatest diameter", length(&grinder.max_diameter)),
        ("greatest thickness", length(&grinder.max_thickness)),
        ("spindle", length(&grinder.spindle)),
        ("flanges", length(&grinder.flange)),
        ("guard for", guard),
    ]
}
