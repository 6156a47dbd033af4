//! What the label of a wheel says, as a person writes it down.

use jiff::civil::Date;

use super::marking::{Marking, MarkingError};
use super::{Speed, SpeedError, SpeedUnit, WheelRecord};
use crate::reading::fit_rules::marks_agree;
use crate::units::{NoMass, parse_mass_kg};

/// The parts of a label as written; none stays as it is, an empty word takes the part away.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct LabelWritten {
    /// Serial number.
    pub serial: Option<String>,
    /// Number of the shape.
    pub shape: Option<String>,
    /// Marking.
    pub marking: Option<String>,
    /// Greatest speed of the rim, in m/s or sfpm.
    pub rim_speed: Option<String>,
    /// What it is for.
    pub purpose: Option<String>,
    /// Month of manufacture.
    pub made: Option<String>,
    /// Last month of use.
    pub expires: Option<String>,
    /// Day on which it was received.
    pub received: Option<String>,
    /// Mass.
    pub mass: Option<String>,
}

/// Why a label cannot be kept.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LabelError {
    /// The shape.
    #[error(
        "the shape \"{written}\" is no shape number: write 1 for a straight wheel, 27 for a depressed centre, 1 to 99"
    )]
    Shape {
        /// What was written.
        written: String,
    },
    /// The marking.
    #[error(transparent)]
    Marking(#[from] MarkingError),
    /// The marking names another bond than was given.
    #[error(
        "the marking says the bond is {marked}, but {given} was given: look at the label again"
    )]
    OtherBond {
        /// By the marking.
        marked: &'static str,
        /// As given.
        given: &'static str,
    },
    /// The rim speed.
    #[error(transparent)]
    Speed(#[from] SpeedError),
    /// A rim speed in rpm.
    #[error(
        "the rim speed \"{written}\" is no speed of the rim: write 35m/s or 6900sfpm; rpm goes with --max-speed"
    )]
    RimInRpm {
        /// What was written.
        written: String,
    },
    /// The two speeds do not belong to one wheel.
    #[error(
        "the marked {rpm:.0} rpm of a wheel of {diameter_mm:.1} mm are {is:.1} m/s at its rim, not {rim:.1} m/s: one of size, rpm and rim speed is wrong (labels are rounded by 1 % at most)"
    )]
    SpeedsDiffer {
        /// Marked rpm.
        rpm: f64,
        /// Diameter in mm.
        diameter_mm: f64,
        /// Rim speed of the rpm in m/s.
        is: f64,
        /// Marked rim speed in m/s.
        rim: f64,
    },
    /// A date.
    #[error("\"{written}\" is no month: write 2025-03 (year, month)")]
    Month {
        /// What was written.
        written: String,
    },
    /// A date.
    #[error("\"{written}\" is no day: write 2025-03-31 (year, month, day)")]
    Day {
        /// What was written.
        written: String,
    },
    /// The mass.
    #[error(transparent)]
    Mass(#[from] NoMass),
}

/// Year and month of `2025-03` or `2025-03-31`.
pub fn month_of(written: &str) -> Option<(i32, u32)> {
    let whole = if written.len() == 7 {
        format!("{written}-01")
    } else {
        written.to_owned()
    };
    let date: Date = whole.parse().ok()?;
    Some((i32::from(date.year()), u32::try_from(date.month()).ok()?))
}

impl LabelWritten {
    /// Writes the parts into the wheel's record, and checks them against it.
    ///
    /// # Errors
    /// [`LabelError`] for what cannot be read, or speaks against size, bond or speed.
    pub fn apply(&self, wheel: &mut WheelRecord) -> Result<(), LabelError> {
        let label = &mut wheel.label;
        set(&mut label.serial, &self.serial, |w| Ok(w.to_owned()))?;
        set(&mut label.purpose, &self.purpose, |w| Ok(w.to_owned()))?;
        set(&mut label.marking, &self.marking, |w| {
            Marking::parse(w)?;
            Ok(w.to_owned())
        })?;
        set(&mut label.shape, &self.shape, |w| {
            let number = w.parse().ok().filter(|n| (1..=99).contains(n));
            number.ok_or_else(|| LabelError::Shape {
                written: w.escape_debug().to_string(),
            })
        })?;
        set(&mut label.rim_speed, &self.rim_speed, |w| {
            let speed = Speed::parse(w)?;
            if speed.value().1 == SpeedUnit::Rpm {
                return Err(LabelError::RimInRpm {
                    written: w.to_owned(),
                });
            }
            Ok(w.to_owned())
        })?;
        for (field, written) in [
            (&mut label.made, &self.made),
            (&mut label.expires, &self.expires),
        ] {
            set(field, written, |w| {
                month_of(w)
                    .map(|_| w.to_owned())
                    .ok_or_else(|| LabelError::Month {
                        written: w.escape_debug().to_string(),
                    })
            })?;
        }
        set(&mut label.received, &self.received, |w| {
            let day: Result<Date, _> = w.parse();
            day.map(|_| w.to_owned()).map_err(|_| LabelError::Day {
                written: w.escape_debug().to_string(),
            })
        })?;
        set(&mut label.mass_kg, &self.mass, |w| Ok(parse_mass_kg(w)?))?;
        check(wheel)
    }
}

fn set<T>(
    field: &mut Option<T>,
    written: &Option<String>,
    read: impl FnOnce(&str) -> Result<T, LabelError>,
) -> Result<(), LabelError> {
    match written.as_deref().map(str::trim) {
        None => {}
        Some("") => *field = None,
        Some(word) => *field = Some(read(word)?),
    }
    Ok(())
}

/// The parts against each other.
fn check(wheel: &WheelRecord) -> Result<(), LabelError> {
    let diameter_mm = wheel.size.diameter_mm();
    if let (Some(rim), Some(max)) = (&wheel.label.rim_speed, &wheel.max_speed) {
        let rim = Speed::parse(rim)?.m_per_s(diameter_mm);
        if !marks_agree(diameter_mm, max.rpm, rim) {
            return Err(LabelError::SpeedsDiffer {
                rpm: max.rpm,
                diameter_mm,
                is: super::speed::rim_m_per_s(diameter_mm, max.rpm),
                rim,
            });
        }
    }
    if let Some(marking) = &wheel.label.marking {
        let marked = Marking::parse(marking)?.bond_words();
        let given = wheel.bond.name();
        // "resinoid, reinforced" is resinoid; an unknown bond contradicts nothing.
        if wheel.bond != super::Bond::Unknown && !marked.starts_with(given) {
            return Err(LabelError::OtherBond { marked, given });
        }
    }
    Ok(())
}
