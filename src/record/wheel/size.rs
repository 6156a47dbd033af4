//! Diameter, thickness and hole, as people write them.

use serde::{Deserialize, Serialize};

/// Diameter, thickness and hole of a wheel, kept as written beside exact values.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "SizeSaved", into = "SizeSaved")]
pub struct Size {
    written: String,
    /// Diameter, thickness, hole.
    parts: [Length; 3],
}

/// A length in mm as an exact fraction in lowest terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Length {
    numerator: u64,
    denominator: u64,
}

impl Length {
    /// Numerator and denominator of the length in mm: 7/8 in. is 889/40 mm.
    pub fn fraction(self) -> (u64, u64) {
        (self.numerator, self.denominator)
    }

    /// The length in mm.
    pub fn mm(self) -> f64 {
        self.numerator as f64 / self.denominator as f64
    }

    fn new(numerator: u64, denominator: u64) -> Option<Self> {
        let (mut a, mut b) = (numerator, denominator);
        while b != 0 {
            (a, b) = (b, a % b);
        }
        (denominator != 0).then(|| Self {
            numerator: numerator / a,
            denominator: denominator / a,
        })
    }

    /// The same number taken as inches.
    fn inches(self) -> Option<Self> {
        Self::new(
            self.numerator.checked_mul(127)?,
            self.denominator.checked_mul(5)?,
        )
    }
}

/// One length, kept as written beside its exact value.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Measure {
    written: String,
    length: Length,
}

impl Measure {
    /// Reads `125`, `22.23mm`, `7/8in` or `4-1/2 in`; mm unless a unit is given.
    ///
    /// # Errors
    /// [`MeasureError`] with what is accepted.
    pub fn parse(text: &str) -> Result<Self, MeasureError> {
        let lower = text.trim().to_lowercase();
        let (number, unit) = split_unit(&lower);
        let length = read_length(number, unit).ok();
        let length = length.filter(|l| l.mm() <= LARGEST_MM);
        Ok(Self {
            length: length.ok_or_else(|| MeasureError {
                text: text.escape_debug().to_string(),
            })?,
            written: text.trim().to_owned(),
        })
    }

    /// As the user wrote it.
    pub fn written(&self) -> &str {
        &self.written
    }

    /// The length in mm.
    pub fn mm(&self) -> f64 {
        self.length.mm()
    }
}

impl TryFrom<String> for Measure {
    type Error = MeasureError;

    fn try_from(text: String) -> Result<Self, MeasureError> {
        Self::parse(&text)
    }
}

impl From<Measure> for String {
    fn from(measure: Measure) -> Self {
        measure.written
    }
}

/// A length that could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the length \"{text}\" cannot be read: write 125 or 22.23mm (mm), or 7/8in, at most 3 m")]
pub struct MeasureError {
    /// What was written, made printable.
    pub text: String,
}

/// Largest diameter and thickness that are taken for a wheel's, in mm.
const LARGEST_MM: f64 = 3000.0;

impl Size {
    /// Reads `200x20x32` (mm) or `4-1/2x1/4x7/8in`: diameter, thickness, hole, with `x`
    /// between. A unit (`mm`, `in` or `"`) after the last number holds for all that have none;
    /// without any, mm is meant. Fractions need their unit said.
    ///
    /// # Errors
    /// [`SizeError`] with the part that could not be read and what is accepted.
    pub fn parse(text: &str) -> Result<Self, SizeError> {
        let error = |fault: Fault| SizeError {
            text: text.escape_debug().to_string(),
            fault,
        };
        let lower = text.to_lowercase().replace('×', "x");
        let parts: Vec<&str> = lower.split('x').map(str::trim).collect();
        let [a, b, c] = parts.as_slice() else {
            return Err(error(Fault::NotThree { found: parts.len() }));
        };
        let split = [split_unit(a), split_unit(b), split_unit(c)];
        let last = split[2].1;
        if last.is_none() && split.iter().any(|s| s.1.is_some()) {
            return Err(error(Fault::UnitOfLast));
        }
        let mut lengths = [Length {
            numerator: 0,
            denominator: 1,
        }; 3];
        for (length, (number, unit)) in lengths.iter_mut().zip(split) {
            *length = read_length(number, unit.or(last)).map_err(error)?;
        }
        let size = Self {
            written: text.trim().to_owned(),
            parts: lengths,
        };
        size.check().map_err(error)?;
        Ok(size)
    }

    fn check(&self) -> Result<(), Fault> {
        let (d, t, h) = (self.diameter_mm(), self.thickness_mm(), self.hole_mm());
        if d <= 0.0 || t <= 0.0 {
            Err(Fault::Zero)
        } else if h >= d {
            Err(Fault::HoleTooLarge {
                hole_mm: h,
                diameter_mm: d,
            })
        } else if d > LARGEST_MM || t > LARGEST_MM {
            Err(Fault::TooLarge {
                largest_mm: d.max(t),
            })
        } else {
            Ok(())
        }
    }

    /// As the user wrote it.
    pub fn written(&self) -> &str {
        &self.written
    }

    /// Diameter, thickness and hole as exact fractions.
    pub fn exact(&self) -> [Length; 3] {
        self.parts
    }

    /// Outer diameter in mm.
    pub fn diameter_mm(&self) -> f64 {
        self.parts[0].mm()
    }

    /// Thickness in mm.
    pub fn thickness_mm(&self) -> f64 {
        self.parts[1].mm()
    }

    /// Diameter of the arbor hole in mm, 0 for none.
    pub fn hole_mm(&self) -> f64 {
        self.parts[2].mm()
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Unit {
    Mm,
    Inch,
}

fn split_unit(part: &str) -> (&str, Option<Unit>) {
    let units = [
        ("mm", Unit::Mm),
        ("inch", Unit::Inch),
        ("in.", Unit::Inch),
        ("in", Unit::Inch),
        ("\"", Unit::Inch),
        ("″", Unit::Inch),
    ];
    for (word, unit) in units {
        if let Some(number) = part.strip_suffix(word) {
            return (number.trim_end(), Some(unit));
        }
    }
    (part, None)
}

fn read_length(number: &str, unit: Option<Unit>) -> Result<Length, Fault> {
    let fault = || Fault::NotANumber {
        part: number.escape_debug().to_string(),
    };
    if number.contains(',') {
        return Err(Fault::Comma {
            part: number.escape_debug().to_string(),
        });
    }
    let value = if number.contains('/') {
        if unit.is_none() {
            return Err(Fault::FractionWithoutUnit);
        }
        mixed_fraction(number)
    } else {
        decimal(number)
    };
    let value = value.ok_or_else(fault)?;
    match unit {
        Some(Unit::Inch) => value.inches().ok_or_else(fault),
        Some(Unit::Mm) | None => Ok(value),
    }
}

/// `7/8`, `4-1/2` or `4 1/2`.
fn mixed_fraction(text: &str) -> Option<Length> {
    let (rest, denominator) = text.split_once('/')?;
    let (whole, numerator) = match rest.split_once(['-', ' ']) {
        Some((whole, numerator)) => (digits(whole)?, digits(numerator)?),
        None => (0, digits(rest)?),
    };
    let denominator = digits(denominator)?;
    Length::new(
        whole.checked_mul(denominator)?.checked_add(numerator)?,
        denominator,
    )
}

/// `200`, `22.23` or `.875`.
fn decimal(text: &str) -> Option<Length> {
    let (whole, places) = text.split_once('.').unwrap_or((text, ""));
    if places.is_empty() {
        return Length::new(digits(whole)?, 1);
    }
    let whole = if whole.is_empty() { 0 } else { digits(whole)? };
    let scale = 10_u64.checked_pow(u32::try_from(places.len()).ok()?)?;
    Length::new(
        whole.checked_mul(scale)?.checked_add(digits(places)?)?,
        scale,
    )
}

/// Up to six decimal digits and nothing else: no sign, no exponent.
fn digits(text: &str) -> Option<u64> {
    let text = text.trim();
    let plain = (1..=6).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit());
    if plain { text.parse().ok() } else { None }
}

/// A size that could not be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "the size \"{text}\" cannot be read: {fault}; write diameter x thickness x hole, such as 200x20x32 (mm) or 4-1/2x1/4x7/8in"
)]
pub struct SizeError {
    /// What was written, made printable.
    pub text: String,
    /// What is wrong.
    pub fault: Fault,
}

/// What is wrong with a size.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Fault {
    /// Not three numbers with `x` between.
    #[error("it has {found} part(s), not three")]
    NotThree {
        /// Number of parts.
        found: usize,
    },
    /// A part that is no number.
    #[error("\"{part}\" is not a number of at most six digits or a fraction")]
    NotANumber {
        /// The part.
        part: String,
    },
    /// A decimal comma or a comma between thousands: one cannot tell which.
    #[error("\"{part}\" holds a comma, which can mean two things: write a point")]
    Comma {
        /// The part.
        part: String,
    },
    /// A fraction without a unit.
    #[error("a fraction needs its unit: add in or mm at the end")]
    FractionWithoutUnit,
    /// The last number has no unit though another has.
    #[error("a unit stands inside but not at the end: add the unit of the last number")]
    UnitOfLast,
    /// Diameter or thickness is nothing.
    #[error("diameter and thickness must be more than 0")]
    Zero,
    /// The hole is not smaller than the wheel.
    #[error("the hole ({hole_mm} mm) is not smaller than the diameter ({diameter_mm} mm)")]
    HoleTooLarge {
        /// Hole in mm.
        hole_mm: f64,
        /// Diameter in mm.
        diameter_mm: f64,
    },
    /// No wheel is that large.
    #[error("{largest_mm} mm is more than any wheel has (3000 mm)")]
    TooLarge {
        /// The number in mm.
        largest_mm: f64,
    },
}

/// The saved shape.
#[derive(Serialize, Deserialize)]
struct SizeSaved {
    written: String,
    diameter_mm: f64,
    thickness_mm: f64,
    hole_mm: f64,
}

impl From<Size> for SizeSaved {
    fn from(size: Size) -> Self {
        Self {
            diameter_mm: size.diameter_mm(),
            thickness_mm: size.thickness_mm(),
            hole_mm: size.hole_mm(),
            written: size.written,
        }
    }
}

impl TryFrom<SizeSaved> for Size {
    type Error = String;

    fn try_from(saved: SizeSaved) -> Result<Self, String> {
        let size = Self::parse(&saved.written).map_err(|e| e.to_string())?;
        let differs = [
            (size.diameter_mm(), saved.diameter_mm),
            (size.thickness_mm(), saved.thickness_mm),
            (size.hole_mm(), saved.hole_mm),
        ]
        .into_iter()
        .any(|(a, b)| (a - b).abs() > 1e-6);
        if differs {
            return Err(format!(
                "the saved mm values do not belong to the size as written, \"{}\"",
                size.written
            ));
        }
        Ok(size)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mm(text: &str) -> [f64; 3] {
        let s = Size::parse(text).unwrap();
        [s.diameter_mm(), s.thickness_mm(), s.hole_mm()]
    }

    #[test]
    fn sizes_as_people_write_them() {
        for (text, want) in [
            ("200x20x32", [200.0, 20.0, 32.0]),
            ("200 X 20 × 31.75 mm", [200.0, 20.0, 31.75]),
            ("4-1/2x1/4x7/8in", [114.3, 6.35, 22.225]),
            ("4 1/2 x 1/4 x 7/8\"", [114.3, 6.35, 22.225]),
            ("6x.75x1inch", [152.4, 19.05, 25.4]),
            ("115mmx1/4inx7/8in", [115.0, 6.35, 22.225]),
            ("350x40x0", [350.0, 40.0, 0.0]),
        ] {
            assert_eq!(mm(text), want, "{text}");
            assert_eq!(Size::parse(text).unwrap().written(), text);
        }
    }

    #[test]
    fn fractions_are_exact() {
        let [d, t, h] = Size::parse("4-1/2x3/64x7/8in").unwrap().exact();
        assert_eq!(d.fraction(), (1143, 10));
        assert_eq!(t.fraction(), (381, 320));
        assert_eq!(h.fraction(), (889, 40));
    }

    #[test]
    fn refusals_say_what_is_wrong() {
        for (text, words) in [
            ("", "1 part"),
            ("200x20", "2 part"),
            ("200x20x32x1", "4 part"),
            ("200xax32", "\"a\""),
            ("200x-20x32", "-20"),
            ("2e2x20x32", "2e2"),
            ("115x1x22,23", "comma"),
            ("4-1/2x1/4x7/8", "unit"),
            ("4inx1x1", "at the end"),
            ("200x20x200", "hole"),
            ("0x20x0", "more than 0"),
            ("200x0x32", "more than 0"),
            ("4000x20x32", "3000"),
            ("1/0x1x1in", "1/0"),
            ("999999999999999999999x1x1", "999999"),
            ("1.00000000000000000001x1x1", "1.0000"),
        ] {
            let error = Size::parse(text).unwrap_err().to_string();
            assert!(error.contains(words), "{text}: {error}");
            assert!(error.contains("200x20x32"), "{error}");
        }
    }

    proptest! {
        #[test]
        fn no_text_hurts(text in "[0-9x/. ,inm\"½×-]{0,24}|\\PC{0,24}") {
            if let Ok(size) = Size::parse(&text) {
                prop_assert!(size.diameter_mm() > size.hole_mm());
                let saved = serde_json::to_string(&size).unwrap();
                prop_assert_eq!(serde_json::from_str::<Size>(&saved).unwrap(), size);
            }
        }

        #[test]
        fn inches_and_their_mm_agree(whole in 1_u32..40, sixteenths in 0_u32..16) {
            let text = format!("{whole}-{sixteenths}/16x1x0in");
            let d = Size::parse(&text).unwrap().diameter_mm();
            let want = (f64::from(whole) + f64::from(sixteenths) / 16.0) * 25.4;
            prop_assert!((d - want).abs() < 1e-9);
        }
    }
}
