//! First guesses: peaks of falling-taper spectra over several window lengths.

use crate::signal::fft::forward;

use super::phasor::{C64, hann, looked_for, powers, weighted_sum};
use crate::signal::noise_density::NoiseDensity;

/// A guess of one mode.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Rough decay rate in 1/s.
    pub decay_per_s: f64,
    /// Power over the noise.
    pub strength: f64,
}

/// Lengths of the analysis windows in seconds.
const WINDOWS_S: [f64; 4] = [0.0213, 0.0853, 0.341, 1.365];

/// Peaks of the taps' signals, summed in power, that stand over the noise, over their
/// neighbours and over the local background. `skirts` gives the power (per bin frequency and
/// window in seconds) below which a peak is only what fitted lines leave.
pub fn find(
    taps: &[&[f64]],
    noise: &[NoiseDensity],
    rate_hz: f64,
    band_hz: (f64, f64),
    skirts: &dyn Fn(f64) -> f64,
) -> Vec<Candidate> {
    let mut found: Vec<Candidate> = Vec::new();
    let mut lengths: Vec<usize> = Vec::new();
    for seconds in WINDOWS_S {
        let len = ((seconds * rate_hz) as usize).next_power_of_two();
        let usable = taps.iter().filter(|t| t.len() >= len / 2).count();
        if (usable > 0 || lengths.is_empty()) && !lengths.contains(&len) {
            lengths.push(len);
        }
    }
    for len in lengths {
        for c in peaks_of(taps, noise, rate_hz, band_hz, len, skirts) {
            merge(&mut found, c, rate_hz / len as f64);
        }
    }
    found.sort_by(|a, b| a.freq_hz.total_cmp(&b.freq_hz));
    found
}

fn merge(found: &mut Vec<Candidate>, c: Candidate, bin_hz: f64) {
    let near = |o: &Candidate| {
        let width = o.decay_per_s.max(c.decay_per_s) / std::f64::consts::PI;
        (o.freq_hz - c.freq_hz).abs() < width.max(bin_hz)
    };
    match found.iter_mut().find(|o| near(o)) {
        Some(o) if c.strength > o.strength => *o = c,
        Some(_) => {}
        None => found.push(c),
    }
}

/// Spectrum of one tap with the falling half-cosine taper, normalised to 1 for noise alone.
fn tapered(x: &[f64], len: usize) -> Option<(Vec<C64>, f64)> {
    let used = x.len().min(len);
    let fft = forward(len);
    let mut input = fft.make_input_vec();
    let mut gain = 0.0;
    let half_turn = C64::new(0.0, std::f64::consts::PI / used.max(1) as f64);
    let half_turn = powers(C64::new(0.0, 0.0), half_turn, used);
    for ((out, x), v) in input.iter_mut().zip(x).zip(half_turn) {
        let w = 0.5 * (1.0 + v.re);
        *out = x * w;
        gain += w * w;
    }
    let mut output = fft.make_output_vec();
    fft.process(&mut input, &mut output).ok()?;
    Some((output, gain))
}

fn peaks_of(
    taps: &[&[f64]],
    noise: &[NoiseDensity],
    rate_hz: f64,
    band_hz: (f64, f64),
    len: usize,
    skirts: &dyn Fn(f64) -> f64,
) -> Vec<Candidate> {
    let bin_hz = rate_hz / len as f64;
    let bins = len / 2 + 1;
    let mut power = vec![0.0; bins];
    let mut raw = vec![0.0; bins];
    let mut used = 0.0;
    for (x, s) in taps.iter().zip(noise) {
        let Some((spectrum, gain)) = tapered(x, len) else {
            continue;
        };
        used += 1.0;
        for (k, v) in spectrum.iter().enumerate() {
            power[k] += v.norm_sqr() / (gain * s.at(k as f64 * bin_hz));
            raw[k] += v.norm_sqr() / (gain * rate_hz);
        }
    }
    if used == 0.0 {
        return Vec::new();
    }
    for p in &mut power {
        *p /= used;
    }
    let limit = 1.0 + (bins as f64 / 1e-3).ln() / f64::sqrt(used);
    let over_background = (25.0 / f64::powf(used, 0.75)).max(8.0);
    let from = ((band_hz.0 / bin_hz) as usize).max(2);
    let to = ((band_hz.1 / bin_hz) as usize).min(bins - 2);
    let halves = Halves::of(taps, len);
    (from..to.max(from))
        .filter(|k| {
            let k = *k;
            power[k] > limit
                && power[k] >= power[k - 1]
                && power[k] > power[k + 1]
                && prominent(&power, k, limit)
                && power[k] > over_background * background(&power, k)
                && raw[k] > skirts(k as f64 * bin_hz)
        })
        .map(|k| guess(&halves, &power, k, bin_hz, rate_hz))
        .collect()
}

fn prominent(power: &[f64], k: usize, limit: f64) -> bool {
    let lowest = |a: usize, b: usize| power[a..b].iter().copied().fold(f64::INFINITY, f64::min);
    let left = lowest(k.saturating_sub(7), k);
    let right = lowest(k + 1, (k + 8).min(power.len()));
    power[k].sqrt() - left.max(right).sqrt() > 0.8 * limit.sqrt()
}

fn background(power: &[f64], k: usize) -> f64 {
    let from = k.saturating_sub(40).max(1);
    let mut near: Vec<f64> = power[from..(k + 41).min(power.len())].to_vec();
    let mid = near.len() / 2;
    *near.select_nth_unstable_by(mid, f64::total_cmp).1
}

/// Frequency by a parabola through the logs of three bins, decay from the amplitudes of two
/// half windows.
fn guess(halves: &Halves<'_>, power: &[f64], k: usize, bin_hz: f64, rate_hz: f64) -> Candidate {
    let (a, b, c) = (power[k - 1].ln(), power[k].ln(), power[k + 1].ln());
    let bend = a - 2.0 * b + c;
    let offset = if bend < -1e-12 {
        (0.5 * (a - c) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    };
    let freq_hz = (k as f64 + offset) * bin_hz;
    let w = std::f64::consts::TAU * freq_hz / rate_hz;
    let (early, late) = halves.energies(w);
    let span_s = halves.weights.len() as f64 / rate_hz;
    let decay = if late > 0.0 && early > 0.0 {
        0.5 * (early / late).ln() / span_s
    } else {
        1.0
    };
    Candidate {
        freq_hz,
        decay_per_s: decay.clamp(0.5, 5.0 / span_s),
        strength: power[k],
    }
}

/// The taps in two halves of one length, and its weights.
struct Halves<'a> {
    taps: &'a [&'a [f64]],
    weights: Vec<f64>,
}

impl<'a> Halves<'a> {
    /// Halves of the first `len` samples, or of as many as the shortest tap has.
    fn of(taps: &'a [&'a [f64]], len: usize) -> Self {
        let shortest = taps.iter().map(|x| x.len()).min().unwrap_or(0);
        Self {
            taps,
            weights: hann((len / 2).min(shortest / 2).max(1)),
        }
    }

    /// Energies of a tone turning by `w` a sample in the first and the second half of all taps.
    fn energies(&self, w: f64) -> (f64, f64) {
        let half = self.weights.len();
        let tone = looked_for(w, &self.weights);
        let (mut early, mut late) = (0.0, 0.0);
        for x in self.taps {
            early += weighted_sum(&tone, &x[..half]).norm_sqr();
            late += weighted_sum(&tone, &x[half..2 * half]).norm_sqr();
        }
        (early, late)
    }
}
