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
