//! Maximum operating speed, as wheels are marked.

use std::f64::consts::PI;

/// A speed as it was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Speed {
    written: String,
    value: f64,
    unit: SpeedUnit,
}

/// Unit of a marked speed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SpeedUnit {
    /// Revolutions per minute.
    Rpm,
    /// Metres per second at the rim.
    MetresPerSecond,
    /// Surface feet per minute at the rim.
    SurfaceFeetPerMinute,
}

impl SpeedUnit {
    /// The usual sign.
    pub fn sign(self) -> &'static str {
        match self {
            Self::Rpm => "rpm",
            Self::MetresPerSecond => "m/s",
            Self::SurfaceFeetPerMinute => "sfpm",
        }
    }

    /// Values outside are taken for slips of the pen.
    fn range(self) -> (f64, f64) {
        match self {
            Self::Rpm => (20.0, 300_000.0),
            Self::MetresPerSecond => (1.0, 250.0),
            Self::SurfaceFeetPerMinute => (200.0, 50_000.0),
        }
    }
}

/// Metres per second in one foot per minute, exactly.
const M_PER_S_OF_SFPM: f64 = 0.00508;

/// Peripheral speed in m/s: `pi D n / 60000` with D in mm and n in 1/min.
pub fn rim_m_per_s(diameter_mm: f64, rpm: f64) -> f64 {
    PI * diameter_mm * rpm / 60_000.0
}

/// Peripheral speed in surface feet per minute.
pub fn rim_sfpm(diameter_mm: f64, rpm: f64) -> f64 {
    rim_m_per_s(diameter_mm, rpm) / M_PER_S_OF_SFPM
}

impl Speed {
    /// Reads `3350rpm`, `80m/s` or `16000sfpm`, with blanks and capitals as people like, and
    /// commas between thousands for rpm and sfpm. The unit must be there.
    ///
    /// # Errors
    /// [`SpeedError`] with what is wrong and what is accepted.
    pub fn parse(text: &str) -> Result<Self, SpeedError> {
        let error = |fault: SpeedFault| SpeedError {
            text: text.escape_debug().to_string(),
            fault,
        };
        let lower = text.trim().to_lowercase();
        let end = lower
            .find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ','))
            .unwrap_or(lower.len());
        let (number, word) = lower.split_at(end);
        let unit = unit_of(word.trim()).ok_or_else(|| {
            error(if word.trim().is_empty() {
                SpeedFault::NoUnit
            } else {
                SpeedFault::Unit
            })
        })?;
        let value = number_of(number, unit).ok_or_else(|| error(SpeedFault::Number))?;
        let (low, high) = unit.range();
        if !(low..=high).contains(&value) {
            return Err(error(SpeedFault::Range {
                low,
                high,
                unit: unit.sign(),
            }));
        }
        Ok(Self {
            written: text.trim().to_owned(),
            value,
            unit,
        })
    }

    /// As the user wrote it.
    pub fn written(&self) -> &str {
        &self.written
    }

    /// Value and unit as written.
    pub fn value(&self) -> (f64, SpeedUnit) {
        (self.value, self.unit)
    }

    /// Revolutions per minute of a wheel of `diameter_mm`.
    pub fn rpm(&self, diameter_mm: f64) -> f64 {
        match self.unit {
            SpeedUnit::Rpm => self.value,
            SpeedUnit::MetresPerSecond => self.value / rim_m_per_s(diameter_mm, 1.0),
            SpeedUnit::SurfaceFeetPerMinute => self.value / rim_sfpm(diameter_mm, 1.0),
        }
    }

    /// Speed of the rim in m/s of a wheel of `diameter_mm`.
    pub fn m_per_s(&self, diameter_mm: f64) -> f64 {
        match self.unit {
            SpeedUnit::Rpm => rim_m_per_s(diameter_mm, self.value),
            SpeedUnit::MetresPerSecond => self.value,
            SpeedUnit::SurfaceFeetPerMinute => self.value * M_PER_S_OF_SFPM,
        }
    }

    /// Speed of the rim in surface feet per minute of a wheel of `diameter_mm`.
    pub fn sfpm(&self, diameter_mm: f64) -> f64 {
        self.m_per_s(diameter_mm) / M_PER_S_OF_SFPM
    }
}

fn unit_of(word: &str) -> Option<SpeedUnit> {
    match word {
        "rpm" | "r/min" | "1/min" | "min-1" => Some(SpeedUnit::Rpm),
        "m/s" => Some(SpeedUnit::MetresPerSecond),
        "sfpm" | "sfm" | "fpm" | "ft/min" => Some(SpeedUnit::SurfaceFeetPerMinute),
        _ => None,
    }
}

fn number_of(text: &str, unit: SpeedUnit) -> Option<f64> {
    if text.is_empty() || text.len() > 12 {
        return None;
    }
    let (whole, places) = text.split_once('.').unwrap_or((text, "0"));
    let mut groups = whole.split(',');
    let first = groups.next()?;
    let mut joined = first.to_owned();
    for group in groups {
        if unit == SpeedUnit::MetresPerSecond || group.len() != 3 || first.len() > 3 {
            return None;
        }
        joined.push_str(group);
    }
    let plain = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if !plain(&joined) || !plain(places) {
        return None;
    }
    format!("{joined}.{places}").parse().ok()
}

/// A speed that could not be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("the speed \"{text}\" cannot be read: {fault}; write it like 3350rpm, 80m/s or 16000sfpm")]
pub struct SpeedError {
    /// What was written, made printable.
    pub text: String,
    /// What is wrong.
    pub fault: SpeedFault,
}

/// What is wrong with a speed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SpeedFault {
    /// No unit.
    #[error("it has no unit")]
    NoUnit,
    /// An unknown unit.
    #[error("its unit is not known")]
    Unit,
    /// No number before the unit.
    #[error("it does not begin with a plain number")]
    Number,
    /// Out of all proportion.
    #[error("it is outside {low} to {high} {unit}")]
    Range {
        /// Lowest value accepted.
        low: f64,
        /// Highest value accepted.
        high: f64,
        /// Unit of both.
        unit: &'static str,
    },
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Worked from v = pi D n with 1 sfpm = 0.00508 m/s: D in inches, rpm, sfpm, m/s.
    #[test]
    fn rim_speeds_agree_with_worked_values() {
        for (inches, rpm, sfpm, m_per_s) in [
            (6.0, 3450.0, 5419.2, 27.530),
            (8.0, 3450.0, 7225.7, 36.706),
            (14.0, 4365.4, 16_000.0, 81.280),
        ] {
            let d = inches * 25.4;
            assert!((rim_sfpm(d, rpm) - sfpm).abs() < 0.2, "{inches}");
            assert!((rim_m_per_s(d, rpm) - m_per_s).abs() < 1e-3, "{inches}");
        }
        let six = Speed::parse("3450 RPM").unwrap();
        assert!((six.sfpm(152.4) - 5419.2).abs() < 0.05);
        assert!((six.m_per_s(152.4) - 27.530).abs() < 5e-4);
        for (sfpm, m_per_s) in [
            (6500, 33.020),
            (9500, 48.260),
            (12_500, 63.5),
            (16_000, 81.28),
        ] {
            let speed = Speed::parse(&format!("{sfpm}sfpm")).unwrap();
            assert!((speed.m_per_s(200.0) - m_per_s).abs() < 5e-7);
        }
        let marked = Speed::parse("16000sfpm").unwrap();
        assert!((marked.rpm(355.6) - 4365.4).abs() < 0.05);
    }

    // Exact rpm at 80 m/s, to one place.
    #[test]
    fn rpm_at_80_m_per_s() {
        let speed = Speed::parse("80m/s").unwrap();
        for (diameter_mm, rpm) in [
            (76.0, 20_103.8),
            (115.0, 13_286.0),
            (125.0, 12_223.1),
            (230.0, 6643.0),
            (350.0, 4365.4),
        ] {
            assert!(
                (speed.rpm(diameter_mm) - rpm).abs() < 0.051,
                "{diameter_mm}"
            );
        }
    }

    #[test]
    fn speeds_as_people_write_them() {
        for (text, value, unit) in [
            ("3350rpm", 3350.0, SpeedUnit::Rpm),
            ("13,300 RPM", 13_300.0, SpeedUnit::Rpm),
            ("3450 1/min", 3450.0, SpeedUnit::Rpm),
            ("33.02 m/s", 33.02, SpeedUnit::MetresPerSecond),
            ("16000 SFPM", 16_000.0, SpeedUnit::SurfaceFeetPerMinute),
        ] {
            assert_eq!(Speed::parse(text).unwrap().value(), (value, unit), "{text}");
        }
    }

    #[test]
    fn refusals_say_what_is_wrong() {
        for (text, words) in [
            ("3350", "no unit"),
            ("", "no unit"),
            ("rpm", "plain number"),
            ("3350 furlongs", "unit is not known"),
            ("-3350rpm", "unit is not known"),
            ("3.350rpm", "outside 20"),
            ("33,5m/s", "plain number"),
            ("13,30rpm", "plain number"),
            ("1.2.3rpm", "plain number"),
            ("900m/s", "outside 1 to 250 m/s"),
        ] {
            let error = Speed::parse(text).unwrap_err().to_string();
            assert!(error.contains(words), "{text}: {error}");
            assert!(error.contains("3350rpm, 80m/s or 16000sfpm"), "{error}");
        }
    }

    proptest! {
        #[test]
        fn no_text_hurts(text in "[0-9., rpmfs/-]{0,16}|\\PC{0,16}") {
            if let Ok(speed) = Speed::parse(&text) {
                prop_assert!(speed.rpm(200.0).is_finite() && speed.rpm(200.0) > 0.0);
            }
        }
    }
}
