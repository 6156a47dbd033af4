//! A wheel as it is kept.

pub mod label;
pub mod marking;
pub mod size;
pub mod speed;

use serde::{Deserialize, Serialize};

use crate::reading::Damping;

pub use size::{Measure, MeasureError, Size, SizeError};
pub use speed::{Speed, SpeedError, SpeedUnit};

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.wheel";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// Diameter in mm up to which wheels are commonly held too small to ring usefully: 4 in.
pub const SMALL_DIAMETER_MM: f64 = 101.6;

/// A wheel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WheelRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Its id, unique in the store without regard to case.
    pub id: String,
    /// Diameter, thickness and hole.
    pub size: Size,
    /// What holds the grains together.
    pub bond: Bond,
    /// Maximum operating speed as marked, where known.
    pub max_speed: Option<MaxSpeed>,
    /// Name of its specification, where known: wheels of one specification can share a baseline.
    #[serde(default)]
    pub specification: Option<String>,
    /// Lot it came with, where known.
    #[serde(default)]
    pub lot: Option<String>,
    /// What else its label and its papers say.
    #[serde(default)]
    pub label: WheelLabel,
    /// Where it stands.
    pub state: WheelState,
    /// Id of the grinder it is mounted on, while it is.
    #[serde(default)]
    pub grinder: Option<String>,
    /// When it was added, RFC 3339.
    pub added_at: String,
}

/// What the label and the papers of a wheel say beside its size, bond and speed. All of it is
/// optional.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct WheelLabel {
    /// Serial number.
    #[serde(default)]
    pub serial: Option<String>,
    /// Shape by its number: 1 straight, 27 depressed centre and so on (ISO 525).
    #[serde(default)]
    pub shape: Option<u32>,
    /// The marking, as written.
    #[serde(default)]
    pub marking: Option<String>,
    /// Marked greatest speed of the rim beside that in rpm, as written.
    #[serde(default)]
    pub rim_speed: Option<String>,
    /// What it is for, as the label says.
    #[serde(default)]
    pub purpose: Option<String>,
    /// Year and month of manufacture, `2025-03`.
    #[serde(default)]
    pub made: Option<String>,
    /// Last year and month of use, `2028-03`.
    #[serde(default)]
    pub expires: Option<String>,
    /// Day on which it was received, `2025-04-01`.
    #[serde(default)]
    pub received: Option<String>,
    /// Mass in kg.
    #[serde(default)]
    pub mass_kg: Option<f64>,
}

/// A marked maximum operating speed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MaxSpeed {
    /// As the user wrote it.
    pub written: String,
    /// The same in revolutions per minute, by way of the wheel's diameter where the mark is a
    /// peripheral speed.
    pub rpm: f64,
}

impl WheelRecord {
    /// A new wheel in the state `in store`.
    pub fn new(
        id: &str,
        size: Size,
        bond: Bond,
        max_speed: Option<&Speed>,
        added_at: &str,
    ) -> Self {
        let diameter_mm = size.diameter_mm();
        Self {
            format: FORMAT.to_owned(),
            version: VERSION,
            id: id.to_owned(),
            size,
            bond,
            max_speed: max_speed.map(|s| MaxSpeed {
                written: s.written().to_owned(),
                rpm: s.rpm(diameter_mm),
            }),
            specification: None,
            lot: None,
            label: WheelLabel::default(),
            state: WheelState::InStore,
            grinder: None,
            added_at: added_at.to_owned(),
        }
    }

    /// Why this wheel may not ring usefully; empty when nothing speaks against it.
    pub fn rings_usefully(&self) -> Vec<RingHint> {
        rings_usefully(self.bond, self.size.diameter_mm())
    }
}

/// A reason why a wheel may not ring usefully. A hint: neither excuses a wheel from inspection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RingHint {
    /// What to expect, in a sentence.
    pub sentence: String,
    /// Where this comes from.
    pub source: &'static str,
}

/// See [`WheelRecord::rings_usefully`]. Shape (mounted wheels, plugs, cones, segments, steel
/// backs) is not considered: a wheel's record does not hold it yet.
pub fn rings_usefully(bond: Bond, diameter_mm: f64) -> Vec<RingHint> {
    let mut hints = Vec::new();
    if bond.is_organic() {
        hints.push(RingHint {
            sentence: format!(
                "{} bonds do not ring as clearly as vitrified ones: look all the more closely, and trust no comparison with a vitrified wheel",
                bond.name()
            ),
            source: "the federal rule text warns that organic bonds ring less (29 CFR 1910.215(d)(1)(i)); it does not exempt them",
        });
    }
    if diameter_mm <= SMALL_DIAMETER_MM {
        hints.push(RingHint {
            sentence: format!(
                "a wheel of {diameter_mm:.0} mm is often too small to ring usefully: inspection by eye is what counts"
            ),
            source: "a state rule asks for the ring test above 4 in. only (Michigan R 408.10113(2)), which is common practice elsewhere; the federal rule text exempts no size",
        });
    }
    hints
}

/// Where a wheel stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum WheelState {
    /// In the shop, nothing against it. (Records of older programs say `active`.)
    #[serde(rename = "in store", alias = "active")]
    InStore,
    /// On a grinder.
    #[serde(rename = "mounted")]
    Mounted,
    /// Put aside: not to be used until somebody says so.
    #[serde(rename = "set aside")]
    SetAside,
    /// Was dropped: asks for a new sounding before any use.
    #[serde(rename = "dropped")]
    Dropped,
    /// Taken out of use, a tag on it.
    #[serde(rename = "tagged out")]
    TaggedOut,
    /// Worn, broken up or given away; kept for its history.
    #[serde(rename = "retired")]
    Retired,
    /// Made unusable.
    #[serde(rename = "destroyed")]
    Destroyed,
}

impl WheelState {
    /// All states.
    pub const ALL: [Self; 7] = [
        Self::InStore,
        Self::Mounted,
        Self::SetAside,
        Self::Dropped,
        Self::TaggedOut,
        Self::Retired,
        Self::Destroyed,
    ];

    /// True while nothing of the state itself speaks against using the wheel.
    pub fn is_usable(self) -> bool {
        matches!(self, Self::InStore | Self::Mounted)
    }

    /// The words for people and records.
    pub fn words(self) -> &'static str {
        match self {
            Self::InStore => "in store",
            Self::Mounted => "mounted",
            Self::SetAside => "set aside",
            Self::Dropped => "dropped",
            Self::TaggedOut => "tagged out",
            Self::Retired => "retired",
            Self::Destroyed => "destroyed",
        }
    }

    /// The state of these words.
    pub fn parse(words: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.words() == words)
    }
}

/// What holds the grains together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Bond {
    /// Fired clay and glass.
    Vitrified,
    /// Water glass.
    Silicate,
    /// Synthetic resin, with or without reinforcement.
    Resinoid,
    /// Rubber.
    Rubber,
    /// Shellac.
    Shellac,
    /// Metal.
    Metal,
    /// Not known.
    Unknown,
}

impl Bond {
    /// All bonds, in the order of the list that people are shown.
    pub const ALL: [Self; 7] = [
        Self::Vitrified,
        Self::Silicate,
        Self::Resinoid,
        Self::Rubber,
        Self::Shellac,
        Self::Metal,
        Self::Unknown,
    ];

    /// The name in commands and records.
    pub fn name(self) -> &'static str {
        match self {
            Self::Vitrified => "vitrified",
            Self::Silicate => "silicate",
            Self::Resinoid => "resinoid",
            Self::Rubber => "rubber",
            Self::Shellac => "shellac",
            Self::Metal => "metal",
            Self::Unknown => "unknown",
        }
    }

    /// True for resinoid, rubber and shellac.
    pub fn is_organic(self) -> bool {
        matches!(self, Self::Resinoid | Self::Rubber | Self::Shellac)
    }

    /// How much it damps, for the limits of a comparison. An unknown bond gets the narrower
    /// limits, which rather call a sound wheel unclear than a damaged one clear.
    pub fn damping(self) -> Damping {
        if self.is_organic() {
            Damping::High
        } else {
            Damping::Low
        }
    }

    /// The bond of a name, in any case. Letters of a marking are not read: R stands for rubber
    /// in one scheme and is taken for resinoid by many.
    ///
    /// # Errors
    /// [`NoSuchBond`] for any other word.
    pub fn parse(name: &str) -> Result<Self, NoSuchBond> {
        let wanted = name.trim();
        Self::ALL
            .into_iter()
            .find(|b| b.name().eq_ignore_ascii_case(wanted))
            .ok_or_else(|| NoSuchBond {
                name: name.to_owned(),
            })
    }
}

/// A word that names no bond.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "there is no bond \"{name}\": use vitrified, silicate, resinoid, rubber, shellac, metal or unknown"
)]
pub struct NoSuchBond {
    /// The word.
    pub name: String,
}

/// Most characters of an id.
pub const LONGEST_ID: usize = 64;

/// Checks the id of a wheel or the name of a specification.
///
/// # Errors
/// [`BadId`] for an empty or overlong id, blanks at its ends, control characters, or a leading
/// hyphen, which a command line would take for an option.
pub fn check_id(id: &str) -> Result<(), BadId> {
    let fault = if id.is_empty() {
        Some("it is empty")
    } else if id.chars().count() > LONGEST_ID {
        Some("it is longer than 64 characters")
    } else if id.trim() != id {
        Some("it begins or ends with a blank")
    } else if id.starts_with('-') {
        Some("it begins with a hyphen")
    } else if id.chars().any(char::is_control) {
        Some("it holds a control character")
    } else {
        None
    };
    match fault {
        None => Ok(()),
        Some(why) => Err(BadId {
            id: id.escape_debug().to_string(),
            why,
        }),
    }
}

/// An id that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the id \"{id}\" cannot be used: {why}; use something like W-104")]
pub struct BadId {
    /// The id, made printable.
    pub id: String,
    /// What is wrong with it.
    pub why: &'static str,
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn wheel(size: &str, bond: Bond) -> WheelRecord {
        let size = Size::parse(size).unwrap();
        let speed = Speed::parse("3350rpm").unwrap();
        WheelRecord::new("W-104", size, bond, Some(&speed), "2026-01-02T03:04:05Z")
    }

    #[test]
    fn a_record_survives_saving() {
        let mut before = wheel("4-1/2x1/4x7/8in", Bond::Resinoid);
        before.state = WheelState::TaggedOut;
        before.lot = Some("L-7".to_owned());
        let text = serde_json::to_string(&before).unwrap();
        assert!(text.contains(r#""written":"4-1/2x1/4x7/8in""#), "{text}");
        assert!(text.contains(r#""diameter_mm":114.3"#), "{text}");
        assert!(text.contains(r#""bond":"resinoid""#), "{text}");
        assert!(text.contains(r#""state":"tagged out""#), "{text}");
        assert_eq!(serde_json::from_str::<WheelRecord>(&text).unwrap(), before);
    }

    #[test]
    fn a_record_whose_size_was_changed_is_refused() {
        let text = serde_json::to_string(&wheel("200x20x32", Bond::Vitrified)).unwrap();
        let changed = text.replace(r#""diameter_mm":200.0"#, r#""diameter_mm":250.0"#);
        assert_ne!(text, changed);
        let error = serde_json::from_str::<WheelRecord>(&changed).unwrap_err();
        assert!(error.to_string().contains("200x20x32"), "{error}");
    }

    #[test]
    fn hints_name_their_source() {
        assert!(
            wheel("200x20x32", Bond::Vitrified)
                .rings_usefully()
                .is_empty()
        );
        assert!(
            wheel("102x20x32", Bond::Silicate)
                .rings_usefully()
                .is_empty()
        );
        let organic = wheel("230x3x22.23", Bond::Resinoid).rings_usefully();
        assert_eq!(organic.len(), 1);
        assert!(organic[0].source.contains("1910.215(d)(1)(i)"));
        let small = wheel("4x1/2x5/8in", Bond::Vitrified).rings_usefully();
        assert!(small[0].source.contains("Michigan"));
        assert_eq!(wheel("100x2x16", Bond::Rubber).rings_usefully().len(), 2);
    }

    #[test]
    fn bonds_are_read_by_name_only() {
        for bond in Bond::ALL {
            assert_eq!(Bond::parse(&bond.name().to_uppercase()), Ok(bond));
            let saved = serde_json::to_string(&bond).unwrap();
            assert_eq!(saved, format!("\"{}\"", bond.name()));
        }
        assert!(
            Bond::parse("R")
                .unwrap_err()
                .to_string()
                .contains("shellac")
        );
    }

    #[test]
    fn ids_that_cannot_be_used_are_refused() {
        for good in ["W-104", "Schleifscheibe Nr. 7", "a", "7/12"] {
            assert_eq!(check_id(good), Ok(()), "{good}");
        }
        let long = "x".repeat(65);
        for bad in ["", " W", "W\n1", "-x", "W\t", long.as_str()] {
            assert!(check_id(bad).is_err(), "{bad:?}");
        }
    }
}
