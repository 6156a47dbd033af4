//! One mode of a ringing thing: a tone that dies away.

use crate::units::{LN_1000, quality, ring_time_s};

/// A damped tone `Re(C exp((-delta + 2 pi i f)(t - t0)))`, t0 being the strike,
/// with one standard deviation of each figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Mode {
    /// Frequency f in Hz.
    pub freq_hz: f64,
    /// Standard deviation of the frequency in Hz.
    pub freq_std_hz: f64,
    /// Amplitude decay rate delta in 1/s.
    pub decay_per_s: f64,
    /// Standard deviation of the decay rate in 1/s.
    pub decay_std_per_s: f64,
    /// Amplitude `|C|` referred back to the strike, in samples' units (full scale 1.0).
    /// For several taps solved together: the largest of them.
    pub amplitude: f64,
    /// Phase of C at the strike in radians, -pi to pi.
    pub phase_rad: f64,
    /// Standard deviation of the phase in radians (and of `ln amplitude`).
    pub phase_std_rad: f64,
    /// Energy of the mode over the noise density: `10 log10(|C|^2 fs / (4 delta S))` at the
    /// start of the fitted window, summed over taps.
    pub energy_db: f64,
    /// Amplitude per tap in the order of the taps solved together (one entry for one tap).
    pub tap_amplitudes: Vec<f64>,
    /// Where in time the mode was fitted: seconds from the strike to the start and to the end.
    pub fitted_s: (f64, f64),
}

impl Mode {
    /// Decay time T60 in seconds.
    pub fn ring_time_s(&self) -> f64 {
        ring_time_s(self.decay_per_s)
    }

    /// Standard deviation of the decay time in seconds (first order).
    pub fn ring_time_std_s(&self) -> f64 {
        LN_1000 * self.decay_std_per_s / (self.decay_per_s * self.decay_per_s)
    }

    /// Level of the amplitude at the strike in dB below a full-scale sine's amplitude.
    pub fn level_db(&self) -> f64 {
        crate::units::amplitude_db(self.amplitude)
    }

    /// Quality factor.
    pub fn q(&self) -> f64 {
        quality(self.freq_hz, self.decay_per_s)
    }

    /// Closest distance in Hz at which a second line of like strength would have been told apart;
    /// see [`resolution_hz`].
    pub fn resolution_hz(&self) -> f64 {
        resolution_hz(self.energy_db, self.decay_per_s)
    }

    /// Energy of the decaying mode, `|C|^2 / (4 delta)`, in full-scale squared seconds.
    pub fn energy(&self) -> f64 {
        self.amplitude * self.amplitude / (4.0 * self.decay_per_s)
    }
}

/// Closest distance in Hz at which two lines of like strength are mostly told apart:
/// `0.9 x 2^-((H_dB - 48)/10) delta / 6.9078`, H being a line's energy over the noise density and
/// delta its decay rate in 1/s. Measured on made-up pairs (bench `modes`), one tap.
pub fn resolution_hz(energy_db: f64, decay_per_s: f64) -> f64 {
    0.9 * 2f64.powf(-0.1 * (energy_db - 48.0)) * decay_per_s / LN_1000
}

/// Distance in Hz of two lines and its standard deviation.
///
/// The two errors are correlated: in one tap, two equal lines that start in phase, k half-power
/// widths apart, have the bound `sqrt(2 + 10/k^2)` on the distance and `1 + 1/k^2` on each, both
/// in units of a lone line's (Fisher information of two damped tones, closed form). Their ratio is
/// applied where it is larger than that of independent errors, so that the deviation is rather
/// too large.
pub fn split_hz(a: &Mode, b: &Mode) -> (f64, f64) {
    let split = (a.freq_hz - b.freq_hz).abs();
    let width = 0.5 * (a.decay_per_s + b.decay_per_s) / std::f64::consts::PI;
    let k2 = (split / width).powi(2).max(1e-6);
    let correlated = (1.0 + 5.0 / k2).sqrt() / (1.0 + 1.0 / k2);
    (
        split,
        a.freq_std_hz.hypot(b.freq_std_hz) * correlated.max(1.0),
    )
}

/// Why a line in the spectrum was not accepted as a mode.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Refusal {
    /// Frequency, decay or quality outside what a ringing wheel can have.
    Range,
    /// Its decay cannot be told: standard deviation above 30 % of the value.
    Loose,
    /// It sounded before the tap as well: a machine, mains hum, a whistle.
    Steady,
    /// Too weak beside a much stronger neighbour to be told from the misfit of that one.
    Weak,
    /// It may be the room's echo of a neighbouring mode.
    Room,
    /// One of two fitted lines that cancel each other.
    Cancel,
}

impl Refusal {
    /// Short name, as it stands in records.
    pub fn name(self) -> &'static str {
        match self {
            Self::Range => "range",
            Self::Loose => "loose",
            Self::Steady => "steady",
            Self::Weak => "weak",
            Self::Room => "room",
            Self::Cancel => "cancel",
        }
    }
}

/// A fitted line that is not reported as a mode, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct RefusedLine {
    /// The line as fitted.
    pub line: Mode,
    /// Why it was refused.
    pub why: Refusal,
}

#[cfg(test)]
impl Mode {
    /// A well-measured mode, for tests that ask for some of its figures only.
    pub(crate) fn made_up(freq_hz: f64) -> Self {
        Self {
            freq_hz,
            freq_std_hz: 0.01,
            decay_per_s: 10.0,
            decay_std_per_s: 0.1,
            amplitude: 0.1,
            phase_rad: 0.0,
            phase_std_rad: 0.01,
            energy_db: 50.0,
            tap_amplitudes: vec![0.1],
            fitted_s: (0.003, 1.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{LN_2, PI};

    fn mode(freq_hz: f64, decay_per_s: f64) -> Mode {
        Mode {
            freq_std_hz: 0.03,
            decay_per_s,
            amplitude: 0.25,
            energy_db: 58.0,
            tap_amplitudes: vec![0.25],
            ..Mode::made_up(freq_hz)
        }
    }

    #[test]
    fn figures_of_a_mode_are_those_of_its_tone() {
        let m = mode(900.0, 4.0);
        // 60 dB are lost in the ring time.
        assert!(((-m.decay_per_s * m.ring_time_s()).exp() - 1e-3).abs() < 1e-12);
        // First order: half the difference between one deviation up and down.
        let at = |decay: f64| mode(900.0, decay).ring_time_s();
        let slope = (at(4.0 - 1e-4) - at(4.0 + 1e-4)) / 2e-4;
        assert!((m.ring_time_std_s() / (0.1 * slope) - 1.0).abs() < 1e-8);
        // A quarter of full scale lies 2 x 6.02 dB below it.
        assert!((m.level_db() + 20.0 * 4f64.log10()).abs() < 1e-12);
        // Energy falls by exp(-2 pi / Q) a turn.
        let lost = (-2.0 * m.decay_per_s / m.freq_hz).exp();
        assert!(((-2.0 * PI / m.q()).exp() / lost - 1.0).abs() < 1e-12);
        // The integral of x^2, the mean of a turn's cosine squared being a half.
        let step = 1e-4;
        let sum: f64 = (0..40_000)
            .map(|n| {
                let t = (f64::from(n) + 0.5) * step;
                0.5 * (0.25 * (-4.0 * t).exp()).powi(2) * step
            })
            .sum();
        assert!((m.energy() / sum - 1.0).abs() < 1e-6);
    }

    #[test]
    fn ten_decibels_more_halve_the_distance_that_is_resolved() {
        // At 48 dB: nine tenths of the width in Hz that goes with the ring time.
        assert!((resolution_hz(48.0, 5.0) - 0.9 / (LN_1000 / 5.0)).abs() < 1e-12);
        assert!((resolution_hz(58.0, 5.0) / resolution_hz(48.0, 5.0) - 0.5).abs() < 1e-12);
        let slope = (resolution_hz(48.1, 5.0) / resolution_hz(48.0, 5.0)).ln() / 0.1;
        assert!((slope + 0.1 * LN_2).abs() < 1e-9);
        let m = mode(900.0, 4.0);
        assert!((m.resolution_hz() - resolution_hz(58.0, 4.0)).abs() < 1e-15);
    }

    /// The deviation of a distance against the inverse of the information that a sampled pair
    /// carries: both lines start in phase, and all eight figures of them are unknown.
    #[test]
    fn the_distance_of_a_pair_is_as_unsure_as_the_bound_says() {
        use nalgebra::DMatrix;
        let decay = 5.0;
        for widths in [0.5, 1.0, 2.0, 8.0] {
            // Two lines far from zero: the slow turn of a complex pair, in half-power widths.
            let split_hz_truth = widths * decay / PI;
            let step = 1e-3;
            let columns = |parts: &[f64]| -> DMatrix<f64> {
                let rows = 3000;
                DMatrix::from_fn(2 * rows, 4 * parts.len(), |row, column| {
                    let t = (row / 2) as f64 * step;
                    let (line, part) = (column / 4, column % 4);
                    let w = parts[line];
                    let turn = [0.0, 0.5 * PI][part % 2];
                    let grow = if part < 2 { 1.0 } else { t };
                    let size = grow * (-decay * t).exp();
                    let angle = w * t + turn;
                    size * if row % 2 == 0 {
                        angle.cos()
                    } else {
                        angle.sin()
                    }
                })
            };
            let variance = |parts: &[f64]| {
                let j = columns(parts);
                (j.transpose() * j).try_inverse().map_or(f64::NAN, |v| {
                    // The turning rate of each line is the fourth of its parts.
                    if parts.len() == 1 {
                        v[(3, 3)]
                    } else {
                        v[(3, 3)] + v[(7, 7)] - 2.0 * v[(3, 7)]
                    }
                })
            };
            let half = PI * split_hz_truth;
            let lone = variance(&[0.0]);
            let truth = (variance(&[-half, half]) / lone).sqrt();
            let k2 = widths * widths;
            // Each line as unsure as the bound says of it, in units of a lone one.
            let each = 1.0 + 1.0 / k2;
            let mut a = mode(900.0, decay);
            let mut b = mode(900.0 + split_hz_truth, decay);
            (a.freq_std_hz, b.freq_std_hz) = (each, each);
            let (split, std) = split_hz(&a, &b);
            assert!((split - split_hz_truth).abs() < 1e-9);
            assert_eq!(split_hz(&b, &a), (split, std));
            // Closer than independent errors would have it: as the bound; else as those.
            let stated = truth.max(std::f64::consts::SQRT_2 * each);
            assert!(
                (std / stated - 1.0).abs() < 0.02,
                "{widths}: {std} {stated}"
            );
        }
        // Lines of different width: their mean counts. One on top of the other: no number is lost.
        let (a, b) = (mode(900.0, 2.0), mode(903.0, 6.0));
        let same = split_hz(&mode(900.0, 4.0), &mode(903.0, 4.0));
        assert_eq!(split_hz(&a, &b), same);
        let (split, std) = split_hz(&a, &a);
        assert!(split == 0.0 && std.is_finite() && std >= 0.03);
    }

    #[test]
    fn each_refusal_has_its_name() {
        let all = [
            Refusal::Range,
            Refusal::Loose,
            Refusal::Steady,
            Refusal::Weak,
            Refusal::Room,
            Refusal::Cancel,
        ];
        for why in all {
            assert_eq!(why.name(), format!("{why:?}").to_lowercase());
        }
    }
}
