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
            Self::Bang => {
                let low = |f: f64| 1.0 / (1.0 + (f / 250.0).powi(4)).sqrt();
                burst(count, rate, rng, 0.0, 0.18, low)
            }
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

fn clap(count: usize, rate: SampleRate, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let band = |f: f64| {
        let x = (f.max(1.0) / 1600.0).log2();
        1.0 / (1.0 + (x / 1.1).powi(4))
    };
    let mut out = vec![0.0; count];
    let mut start_s = 0.0;
    for _ in 0..3 {
        let level = 0.6 + 0.4 * rng.random::<f64>();
        for (o, b) in out
            .iter_mut()
            .zip(burst(count, rate, rng, start_s, 0.03, band))
        {
            *o += level * b;
        }
        start_s += 1e-3 + 2e-3 * rng.random::<f64>();
    }
    out
}

/// Ratios of the first tones of an ideal round membrane (zeros of Bessel functions).
const MEMBRANE: [f64; 6] = [1.0, 1.594, 2.136, 2.296, 2.653, 2.918];

fn drum(count: usize, rate: SampleRate, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let base_hz = 140.0 + 40.0 * rng.random::<f64>();
    let mut out = burst(count, rate, rng, 0.0, 0.02, |f| {
        1.0 / (1.0 + (f / 3000.0).powi(2))
    });
    let stick = out.iter().fold(1e-9, |m: f64, s| m.max(s.abs()));
    out.iter_mut().for_each(|s| *s *= 0.5 / stick);
    for (k, ratio) in MEMBRANE.into_iter().enumerate() {
        let level = 0.7_f64.powi(k as i32);
        let decay = LN_1000 / (0.45 / ratio);
        for (i, s) in out.iter_mut().enumerate() {
            let t = rate.seconds(i);
            // The pitch sinks by 6 % over some 50 ms.
            let turns = base_hz * ratio * (t + 0.06 * 0.05 * (1.0 - (-t / 0.05).exp()));
            *s += level * (-decay * t).exp() * (2.0 * PI * turns).sin();
        }
    }
    out
}
