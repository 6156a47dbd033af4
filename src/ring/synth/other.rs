//! Sounds that are not wheels.

use std::f64::consts::PI;

use rand::Rng;
use rand_chacha::ChaCha8Rng;

use super::noise::{gaussian, shape};
use crate::units::{LN_1000, SampleRate};

/// A sound that a careless listener could take for a tap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OtherSound {
    /// Hands clapped: a few bursts of noise within milliseconds, mostly 0.8 to 3 kHz.
    Clap,
    /// A small drum: inharmonic tones that sink a little in pitch, and the stick.
    Drum,
    /// Something heavy dropped or a door: a low burst of noise.
    Bang,
}

impl OtherSound {
    /// About 0.6 s of it from the strike on, largest sample 1.
    pub(super) fn samples(self, rate: SampleRate, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let count = rate.samples(0.6);
        let mut out = match self {
            Self::Clap => clap(count, rate, rng),
            Self::Drum => drum(count, rate, rng),
            Self::Bang => burst(count, rate, rng, 0.0, 0.18, bang_gain),
        };
        let peak = out.iter().fold(0.0, |m: f64, s| m.max(s.abs()));
        if peak > 0.0 {
            out.iter_mut().for_each(|s| *s /= peak);
        }
        out
    }
}

/// Coloured noise from `start_s` on, dying away with T60 `t60_s`.
fn burst(
    count: usize,
    rate: SampleRate,
    rng: &mut ChaCha8Rng,
    start_s: f64,
    t60_s: f64,
    gain: impl Fn(f64) -> f64,
) -> Vec<f64> {
    let mut out = shape(&gaussian(count, rng), rate, gain);
    let start = rate.samples(start_s);
    for (k, s) in out.iter_mut().enumerate() {
        let after_s = rate.seconds(k.saturating_sub(start));
        *s *= if k < start {
            0.0
        } else {
            (-LN_1000 / t60_s * after_s).exp()
        };
    }
    out
}

/// A low pass at 250 Hz.
fn bang_gain(freq_hz: f64) -> f64 {
    1.0 / (1.0 + (freq_hz / 250.0).powi(4)).sqrt()
}

/// Loudest at 1600 Hz, a half 1.1 octaves from there.
fn clap_gain(freq_hz: f64) -> f64 {
    let octaves = (freq_hz.max(1.0) / 1600.0).log2();
    1.0 / (1.0 + (octaves / 1.1).powi(4))
}

/// A low pass that halves at 3 kHz.
fn stick_gain(freq_hz: f64) -> f64 {
    1.0 / (1.0 + (freq_hz / 3000.0).powi(2))
}

/// Level of one burst of a clap.
fn burst_level(rng: &mut ChaCha8Rng) -> f64 {
    0.6 + 0.4 * rng.random::<f64>()
}

/// Seconds from one burst of a clap to the next.
fn burst_gap_s(rng: &mut ChaCha8Rng) -> f64 {
    1e-3 + 2e-3 * rng.random::<f64>()
}

fn clap(count: usize, rate: SampleRate, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut out = vec![0.0; count];
    let mut start_s = 0.0;
    for _ in 0..3 {
        let level = burst_level(rng);
        let one = burst(count, rate, rng, start_s, 0.03, clap_gain);
        for (o, b) in out.iter_mut().zip(one) {
            *o += level * b;
        }
        start_s += burst_gap_s(rng);
    }
    out
}

/// The stick on a drum: a short burst, largest sample 0.5.
fn stick(count: usize, rate: SampleRate, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut out = burst(count, rate, rng, 0.0, 0.02, stick_gain);
    let peak = out.iter().fold(1e-9, |m: f64, s| m.max(s.abs()));
    out.iter_mut().for_each(|s| *s *= 0.5 / peak);
    out
}

/// Time as the phase of a tone counts it whose pitch sinks by 6 % over some 50 ms.
fn sinking_s(t: f64) -> f64 {
    t + 0.06 * 0.05 * (1.0 - (-t / 0.05).exp())
}

/// Ratios of the first tones of an ideal round membrane (zeros of Bessel functions).
const MEMBRANE: [f64; 6] = [1.0, 1.594, 2.136, 2.296, 2.653, 2.918];

fn drum(count: usize, rate: SampleRate, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let base_hz = 140.0 + 40.0 * rng.random::<f64>();
    let mut out = stick(count, rate, rng);
    for (k, ratio) in MEMBRANE.into_iter().enumerate() {
        let level = 0.7_f64.powi(k as i32);
        let decay = LN_1000 / (0.45 / ratio);
        for (i, s) in out.iter_mut().enumerate() {
            let t = rate.seconds(i);
            let turns = base_hz * ratio * sinking_s(t);
            *s += level * (-decay * t).exp() * (2.0 * PI * turns).sin();
        }
    }
    out
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::noise::seeded;
    use super::*;

    #[test]
    fn gains_are_a_half_where_they_are_said_to_be() {
        for (found, truth) in [
            (bang_gain(0.0), 1.0),
            (bang_gain(250.0), 0.5f64.sqrt()),
            (bang_gain(2500.0), 0.01),
            (clap_gain(1600.0), 1.0),
            (clap_gain(1600.0 * 2f64.powf(1.1)), 0.5),
            (clap_gain(1600.0 * 0.5f64.powf(1.1)), 0.5),
            (clap_gain(1600.0 * 2f64.powf(2.2)), 1.0 / 17.0),
            (stick_gain(0.0), 1.0),
            (stick_gain(3000.0), 0.5),
            (stick_gain(9000.0), 0.1),
        ] {
            assert!((found - truth).abs() < 1e-4, "{found} {truth}");
        }
    }

    /// Levels from 0.6 to 1, gaps from 1 to 3 ms, all of each.
    #[test]
    fn bursts_of_a_clap_differ_within_their_range() {
        let range = |of: fn(&mut ChaCha8Rng) -> f64| {
            let all: Vec<f64> = (0..400).map(|k| of(&mut seeded(k, 1))).collect();
            let low = all.iter().copied().fold(f64::INFINITY, f64::min);
            (low, all.iter().copied().fold(0.0, f64::max))
        };
        let (gap, level) = (range(burst_gap_s), range(burst_level));
        assert!(gap.0 >= 1e-3 && gap.0 < 1.05e-3 && gap.1 > 2.95e-3 && gap.1 <= 3e-3);
        assert!(level.0 >= 0.6 && level.0 < 0.61 && level.1 > 0.99 && level.1 <= 1.0);
    }

    #[test]
    fn a_pitch_sinks_by_six_percent() {
        let pitch = |t: f64| (sinking_s(t + 1e-6) - sinking_s(t - 1e-6)) / 2e-6;
        assert!((pitch(0.0) - 1.06).abs() < 1e-6);
        assert!((pitch(0.05) - (1.0 + 0.06 * (-1f64).exp())).abs() < 1e-6);
        assert!((pitch(2.0) - 1.0).abs() < 1e-6);
        assert_eq!(sinking_s(0.0), 0.0);
    }

    /// One burst has its middle after half a time constant, 6.9 / 0.03 / 2: 2.2 ms. The second and the
    /// third begin 2 and 4 ms later on average, which puts the middle of all 2 ms later.
    #[test]
    fn a_clap_is_longer_than_its_bursts() {
        let rate = SampleRate::new(48_000).unwrap();
        let (mut energy, mut moment) = (0.0, 0.0);
        for seed in 0..40 {
            for (k, v) in clap(2400, rate, &mut seeded(seed, 1)).iter().enumerate() {
                energy += v * v;
                moment += v * v * rate.seconds(k);
            }
        }
        let middle_s = moment / energy;
        assert!((3.7e-3..4.7e-3).contains(&middle_s), "{middle_s}");
    }

    /// From 0.1 s on only the tones of the membrane are left, at their ratios.
    #[test]
    fn a_drum_has_the_tones_of_a_membrane() {
        let rate = SampleRate::new(8_000).unwrap();
        for seed in 0..5 {
            let base_hz = 140.0 + 40.0 * seeded(seed, 1).random::<f64>();
            let x = drum(4800, rate, &mut seeded(seed, 1));
            let at = |hz: f64| {
                let turn = |k: usize| {
                    let taper = (PI * (k - 800) as f64 / 1600.0).sin().powi(2);
                    let (sin, cos) = (2.0 * PI * hz * rate.seconds(k)).sin_cos();
                    (taper * x[k] * cos, taper * x[k] * sin)
                };
                let sum = (800..2400)
                    .map(turn)
                    .fold((0.0, 0.0), |s, v| (s.0 + v.0, s.1 + v.1));
                sum.0.hypot(sum.1)
            };
            let tones = [at(base_hz), at(1.594 * base_hz)];
            for off in [0.627, 0.85, 1.3, 4.0] {
                assert!(
                    tones.iter().all(|t| *t > 3.0 * at(off * base_hz)),
                    "{off} {tones:?}"
                );
            }
        }
    }

    #[test]
    fn a_stick_is_half_as_loud_as_a_drum() {
        let rate = SampleRate::new(48_000).unwrap();
        for seed in 0..5 {
            let out = stick(4800, rate, &mut seeded(seed, 1));
            let peak = out.iter().fold(0.0, |m: f64, s| m.max(s.abs()));
            assert!((peak - 0.5).abs() < 1e-12);
        }
    }
}
