//! Made-up tones, noise, taps and windows for the tests of the estimator's parts.
#![allow(clippy::unwrap_used)]

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::band::Group;
use super::phasor::C64;
use super::polish::Lines;
use super::windows::Windows;
use crate::ring::take::TapTake;
use crate::signal::clip::Clip;
use crate::signal::noise_density::NoiseDensity;
use crate::units::SampleRate;

/// `ln z` per sample of a tone.
pub fn log(freq_hz: f64, decay_per_s: f64, rate_hz: f64) -> C64 {
    C64::new(-decay_per_s, std::f64::consts::TAU * freq_hz) / rate_hz
}

/// `sum Re(c exp(s n))`, each sample by itself.
pub fn tones(of: &[(C64, C64)], len: usize) -> Vec<f64> {
    (0..len)
        .map(|n| of.iter().map(|(s, c)| (c * (s * n as f64).exp()).re).sum())
        .collect()
}

/// `sum c exp(s n)`, each sample by itself.
pub fn turns(of: &[(C64, C64)], len: usize) -> Vec<C64> {
    (0..len)
        .map(|n| of.iter().map(|(s, c)| c * (s * n as f64).exp()).sum())
        .collect()
}

/// White Gaussian noise.
pub fn noise(variance: f64, len: usize, seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut one = || -> f64 { StandardNormal.sample(&mut rng) };
    (0..len).map(|_| variance.sqrt() * one()).collect()
}

/// [`tones`] in faint noise with the echo of a room behind them, `share` of their energy: noise that
/// dies away by `decay` per sample, convolved.
pub fn in_room(of: &[(C64, C64)], len: usize, share: f64, decay: f64) -> Vec<f64> {
    let response: Vec<f64> = noise(2.0 * decay * share, len, 17)
        .iter()
        .enumerate()
        .map(|(n, v)| v * (-decay * n as f64).exp())
        .collect();
    let mut wet: Vec<f64> = tones(of, len)
        .iter()
        .zip(noise(1e-10, len, 18))
        .map(|(a, b)| a + b)
        .collect();
    // Each tone's echo by its own recursion: u[n] = z u[n-1] + a h[n].
    for (s, c) in of {
        let (z, mut u) = (s.exp(), C64::new(0.0, 0.0));
        for (out, h) in wet.iter_mut().zip(&response) {
            u = u * z + c * *h;
            *out += u.re;
        }
    }
    wet
}

/// White circular Gaussian noise, `variance` in both parts together.
pub fn circular_noise(variance: f64, len: usize, seed: u64) -> Vec<C64> {
    let parts = noise(0.5 * variance, 2 * len, seed);
    parts
        .chunks_exact(2)
        .map(|p| C64::new(p[0], p[1]))
        .collect()
}

/// Lines from poles and their amplitudes, one of each tap.
pub fn lines(of: &[(C64, &[C64])]) -> Lines {
    let taps = of.first().map_or(0, |(_, c)| c.len());
    Lines {
        logs: of.iter().map(|(s, _)| *s).collect(),
        amplitudes: (0..taps)
            .map(|t| of.iter().map(|(_, c)| c[t]).collect())
            .collect(),
    }
}

/// What lines sound like in tap `t`.
pub fn sound(of: &Lines, t: usize, len: usize) -> Vec<f64> {
    let logs = of.logs.iter().copied();
    let each: Vec<(C64, C64)> = logs.zip(of.amplitudes[t].iter().copied()).collect();
    tones(&each, len)
}

/// One candidate's band.
pub fn group(low_hz: f64, high_hz: f64, decay_per_s: f64) -> Group {
    Group {
        low_hz,
        high_hz,
        decay_per_s,
        strength: 1.0,
        count: 1,
    }
}

/// Sample at which [`take`] is struck, a quarter of a second from its start.
pub const STRIKE: usize = 4000;

/// A tap of samples at 16 kHz.
pub fn take(samples: Vec<f64>) -> TapTake {
    let end = samples.len();
    TapTake {
        clip: Clip::new(samples, SampleRate::new(16_000).unwrap()),
        time_s: 0.25,
        strike: STRIKE,
        quiet: 0..STRIKE - 64,
        decay: STRIKE..end,
        level_db: 40.0,
        tonal_share: 1.0,
        microphone: 0,
        flaws: Vec::new(),
    }
}

/// Windows that begin with the strike, each tap with its own microphone.
pub fn windows<'a>(taps: &'a [Vec<f64>], noise: &'a [NoiseDensity], rate_hz: f64) -> Windows<'a> {
    Windows {
        taps: taps.iter().map(Vec::as_slice).collect(),
        lead: vec![0; taps.len()],
        alike: vec![1; taps.len()],
        strikes: taps.iter().map(|x| &x[..0]).collect(),
        noise,
        rate_hz,
        band_hz: (100.0, 16_000.0_f64.min(0.45 * rate_hz)),
    }
}
