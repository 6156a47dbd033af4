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
