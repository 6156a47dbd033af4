//! Which fitted lines count as modes, and how far the room spoils them.

use crate::ring::mode::{Mode, Refusal};
use crate::units::{quality, ring_time_s};

use super::phasor::C64;
use super::polish::Lines;

/// A line whose decay has a standard deviation over this share of it is refused.
pub const LOOSE: f64 = 0.30;

/// What the tests of one line need to know.
pub struct Circumstances<'a> {
    /// All lines as modes, in the order of `lines`.
    pub modes: &'a [Mode],
    /// The lines.
    pub lines: &'a Lines,
    /// Amplitude of a steady tone at each line's frequency in the quiet part (per line).
    pub steady: &'a [f64],
    /// Share of unexplained power, see [`misfit`]; 0 where the fit itself counted the echo, so
    /// that each line has already been shown to be more than echo.
    pub eps: f64,
    /// Largest sample in the first 50 ms of any tap.
    pub largest: f64,
    /// Band of accepted frequencies in Hz.
    pub band_hz: (f64, f64),
}

/// Tests every line; `None` for an accepted mode.
pub fn refusals(c: &Circumstances<'_>) -> Vec<Option<Refusal>> {
    let mut out: Vec<Option<Refusal>> = (0..c.modes.len()).map(|k| alone(c, k)).collect();
    for k in 0..c.modes.len() {
        if out[k].is_none() && weak(c, &out, k) {
            out[k] = Some(Refusal::Weak);
        }
    }
    for (k, why) in out.iter_mut().enumerate() {
        if why.is_none() && room(c, k) {
            *why = Some(Refusal::Room);
        }
    }
    out
}

fn alone(c: &Circumstances<'_>, k: usize) -> Option<Refusal> {
    let m = &c.modes[k];
    let t60 = ring_time_s(m.decay_per_s);
    let in_range = m.decay_per_s > 0.05
        && (0.005..=60.0).contains(&t60)
        && quality(m.freq_hz, m.decay_per_s) >= 8.0
        && m.freq_hz >= c.band_hz.0
        && m.freq_hz <= c.band_hz.1;
    if !in_range {
        return Some(Refusal::Range);
    }
    if c.steady[k] > 0.5 * m.amplitude {
        return Some(Refusal::Steady);
    }
    if m.amplitude > 20.0 * c.largest {
        return Some(Refusal::Cancel);
    }
    let loose = m.decay_std_per_s > LOOSE * m.decay_per_s || !m.decay_std_per_s.is_finite();
    loose.then_some(Refusal::Loose)
}

fn weak(c: &Circumstances<'_>, refused: &[Option<Refusal>], k: usize) -> bool {
    let share = if c.eps > 1e-3 { 1e-3 } else { 1e-4 };
    let m = &c.modes[k];
    let energy = 10f64.powf(m.energy_db / 10.0);
    c.modes
        .iter()
        .zip(refused)
        .enumerate()
        .any(|(o, (n, why))| {
            let reach = 12.0 * n.decay_per_s.max(m.decay_per_s) / std::f64::consts::TAU;
            o != k
                && why.is_none()
                && (n.freq_hz - m.freq_hz).abs() < reach
                && energy < share * 10f64.powf(n.energy_db / 10.0)
        })
}

/// A line inside the skirts of others, weaker than what the room makes of them, and no longer
/// than the room's own decay.
fn room(c: &Circumstances<'_>, k: usize) -> bool {
    let s = c.lines.logs[k];
    let own = power(c.lines, k) / (s.re * s.re);
    let skirts: f64 = (0..c.lines.logs.len())
        .filter(|o| *o != k)
        .map(|o| {
            let gap = c.lines.logs[o].im - s.im;
            power(c.lines, o) / (c.lines.logs[o].re.powi(2) + gap * gap)
        })
        .sum();
    ring_time_s(c.modes[k].decay_per_s) < 0.9 && own < (10.0 * c.eps).min(0.3) * skirts
}

fn power(lines: &Lines, k: usize) -> f64 {
    lines
        .amplitudes
        .iter()
        .map(|a| a[k].norm_sqr())
        .sum::<f64>()
        / 4.0
}

/// The noise near the lines is known to this share of it, a decibel.
const NOISE_KNOWN: f64 = 0.25;

/// Share of the power near the strong lines that the model leaves unexplained: the median over
/// bins where the model stands 20 dB over the noise, for all lines and for the locally dominant
/// ones; the smaller of that of the dominant lines and 15 times that of all. 0 where what is left is
/// no more than noise.
pub fn misfit(model: &[C64], left: &[C64], noise: &[f64]) -> f64 {
    let mut all = Vec::new();
    let mut dominant = Vec::new();
    let mut over_noise = 0.0;
    for k in 3..model.len().saturating_sub(3) {
        let p = model[k].norm_sqr();
        if p < 100.0 * noise[k] {
            continue;
        }
        let rest = left[k].norm_sqr();
        let ratio = (rest - noise[k]).max(0.0) / p;
        all.push(ratio);
        over_noise += rest / noise[k].max(1e-300);
        let top = (k - 3..=k + 3).all(|o| model[o].norm_sqr() <= p);
        if top {
            dominant.push(ratio);
        }
    }
    if all.is_empty() {
        return 0.0;
    }
    // The window makes neighbouring bins alike: half of them count.
    let count = all.len() as f64;
    if over_noise / count < 1.0 + NOISE_KNOWN.max(3.0 / (0.5 * count).sqrt()) {
        return 0.0;
    }
    let whole = median(&mut all);
    if dominant.is_empty() {
        whole
    } else {
        median(&mut dominant).min(15.0 * whole)
    }
}

fn median(values: &mut [f64]) -> f64 {
    let mid = values.len() / 2;
    *values.select_nth_unstable_by(mid, f64::total_cmp).1
}
