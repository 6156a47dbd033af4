//! Quantities that are checked when they are made.
//!
//! Most numbers in this crate carry their unit in their name (`freq_hz`,
//! `ring_time_s`, `level_db`). Only what can be *wrong* as a number gets a type.

use std::fmt;

/// Natural logarithm of 1000: amplitude falls by 60 dB in `LN_1000 / delta` seconds.
pub const LN_1000: f64 = 6.907_755_278_982_137;

/// Samples per second of one channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SampleRate(u32);

impl SampleRate {
    /// Lowest rate that a recording may have. Below it no wheel's tones fit in the band.
    pub const LOWEST_HZ: u32 = 8_000;
    /// Highest rate that a recording may have.
    pub const HIGHEST_HZ: u32 = 192_000;

    /// Checks a rate.
    ///
    /// # Errors
    /// [`RateOutOfRange`] outside 8 kHz to 192 kHz.
    pub fn new(hz: u32) -> Result<Self, RateOutOfRange> {
        if (Self::LOWEST_HZ..=Self::HIGHEST_HZ).contains(&hz) {
            Ok(Self(hz))
        } else {
            Err(RateOutOfRange { hz })
        }
    }

    /// The rate as an integer, in Hz.
    pub fn get(self) -> u32 {
        self.0
    }

    /// The rate in Hz.
    pub fn hz(self) -> f64 {
        f64::from(self.0)
    }

    /// Number of whole samples in a span of `seconds` (0 for a negative span).
    pub fn samples(self, seconds: f64) -> usize {
        let n = (seconds * self.hz()).round();
        if n.is_finite() && n > 0.0 {
            n as usize
        } else {
            0
        }
    }

    /// Length in seconds of `samples` samples.
    pub fn seconds(self, samples: usize) -> f64 {
        samples as f64 / self.hz()
    }
}

impl fmt::Display for SampleRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} Hz", self.0)
    }
}

/// A sample rate that no recording of ours may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "sample rate {hz} Hz is outside {} to {} Hz",
    SampleRate::LOWEST_HZ,
    SampleRate::HIGHEST_HZ
)]
pub struct RateOutOfRange {
    /// The rate that was refused, in Hz.
    pub hz: u32,
}

/// Amplitude ratio as a level: `20 log10(ratio)`; negative infinity for 0.
pub fn amplitude_db(ratio: f64) -> f64 {
    20.0 * ratio.abs().log10()
}

/// Power ratio as a level: `10 log10(ratio)`; negative infinity for 0.
pub fn power_db(ratio: f64) -> f64 {
    10.0 * ratio.abs().log10()
}

/// Decay time T60 in seconds of an amplitude that falls as `exp(-decay_per_s t)`.
pub fn ring_time_s(decay_per_s: f64) -> f64 {
    LN_1000 / decay_per_s
}

/// Amplitude decay rate in 1/s of a decay time T60 in seconds.
pub fn decay_per_s(ring_time_s: f64) -> f64 {
    LN_1000 / ring_time_s
}

/// Quality factor `pi f / delta` of a mode.
pub fn quality(freq_hz: f64, decay_per_s: f64) -> f64 {
    std::f64::consts::PI * freq_hz / decay_per_s
}

/// Lowest and highest temperature of a wheel that is believed, in degrees Celsius.
const TEMP_C: std::ops::RangeInclusive<f64> = -40.0..=90.0;

/// A temperature in degrees Celsius from `21`, `21C`, `21 °C` or `70F`, in any case.
///
/// # Errors
/// [`NoTemperature`] for anything else, and for less than -40 or more than 90 degrees Celsius.
pub fn parse_temp_c(written: &str) -> Result<f64, NoTemperature> {
    let lower = written.trim().to_lowercase();
    let (number, is_fahrenheit) = match (lower.strip_suffix('f'), lower.strip_suffix('c')) {
        (Some(number), _) => (number, true),
        (None, Some(number)) => (number, false),
        (None, None) => (lower.as_str(), false),
    };
    let number = number.trim_end_matches('°').trim();
    let value: Option<f64> = number.parse().ok();
    let celsius = value.map(|v| if is_fahrenheit { (v - 32.0) / 1.8 } else { v });
    celsius
        .filter(|t| TEMP_C.contains(t))
        .ok_or_else(|| NoTemperature {
            written: written.to_owned(),
        })
}

/// Words that are no temperature of a wheel.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{written}\" is no temperature of a wheel: write 21C or 70F, from -40 to 90 C")]
pub struct NoTemperature {
    /// The words.
    pub written: String,
}

/// Lightest and heaviest wheel that is believed, in kg.
const MASS_KG: std::ops::RangeInclusive<f64> = 0.005..=2000.0;

/// A mass in kg from `1.4kg`, `1400 g` or `3.1lb`, in any case; the unit must be said.
///
/// # Errors
/// [`NoMass`] for anything else, and for less than 5 g or more than 2000 kg.
pub fn parse_mass_kg(written: &str) -> Result<f64, NoMass> {
    let lower = written.trim().to_lowercase();
    // kg before g, which it ends with. An avoirdupois pound is 0.45359237 kg by definition.
    [("kg", 1.0), ("lb", 0.453_592_37), ("g", 1e-3)]
        .into_iter()
        .find_map(|(unit, kg)| {
            let number: f64 = lower.strip_suffix(unit)?.trim_end().parse().ok()?;
            Some(number * kg)
        })
        .filter(|m| MASS_KG.contains(m))
        .ok_or_else(|| NoMass {
            written: written.to_owned(),
        })
}

/// Words that are no mass of a wheel.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{written}\" is no mass of a wheel: write 1.4kg, 1400g or 3.1lb, from 5 g to 2000 kg")]
pub struct NoMass {
    /// The words.
    pub written: String,
}

/// A time in RFC 3339 with `Z`, as people read it: date and minute, `2026-11-27 14:45 UTC`. What is
/// written otherwise stays as it is.
pub fn time_words(at: &str) -> String {
    match (at.get(..10), at.get(10..11), at.get(11..16)) {
        (Some(day), Some("T"), Some(minute)) if at.ends_with('Z') => format!("{day} {minute} UTC"),
        _ => at.to_owned(),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod mass_tests {
    use super::*;

    #[test]
    fn masses_are_read_with_their_unit() {
        for (written, kg) in [("1.4kg", 1.4), ("1400 g", 1.4), (" 2LB", 0.907_184_74)] {
            assert!(
                (parse_mass_kg(written).unwrap() - kg).abs() < 1e-9,
                "{written}"
            );
        }
        for written in ["", "1.4", "kg", "-1kg", "nankg", "infkg", "1g", "3t"] {
            let error = parse_mass_kg(written).unwrap_err().to_string();
            assert!(error.contains("1.4kg"), "{error}");
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod temperature_tests {
    use super::*;

    #[test]
    fn temperatures_are_read_in_both_scales() {
        for (written, celsius) in [
            ("21", 21.0),
            ("21C", 21.0),
            ("70F", 190.0 / 9.0),
            ("-4 °f", -20.0),
            (" 18.5 °C ", 18.5),
        ] {
            assert!(
                (parse_temp_c(written).unwrap() - celsius).abs() < 1e-9,
                "{written}"
            );
        }
        for written in ["", "C", "warm", "21K", "nan", "inf", "200C", "-60"] {
            let error = parse_temp_c(written).unwrap_err().to_string();
            assert!(error.contains("21C"), "{error}");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Worked values of the relations between T60, delta, Q and dB/s, recomputed
    // from the definitions (T60 = ln 1000 / delta, Q = pi f / delta).
    #[test]
    #[allow(clippy::approx_constant)]
    fn decay_relations_match_worked_values() {
        for (freq_hz, t60, delta, q) in [
            (500.0, 0.05, 138.1551, 11.3698),
            (1000.0, 1.0, 6.9078, 454.7921),
            (4000.0, 2.0, 3.4539, 3638.3369),
            (8000.0, 3.0, 2.3026, 10915.0108),
        ] {
            let d = decay_per_s(t60);
            assert!((d - delta).abs() < 5e-5, "{d} {delta}");
            assert!((quality(freq_hz, d) - q).abs() < 5e-5);
            assert!((ring_time_s(d) - t60).abs() < 1e-12);
        }
    }

    #[test]
    fn rates_outside_the_range_are_refused() {
        assert!(SampleRate::new(7_999).is_err());
        assert!(SampleRate::new(192_001).is_err());
        assert_eq!(SampleRate::new(44_100).map(SampleRate::get), Ok(44_100));
    }
}
