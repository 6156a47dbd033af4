//! From candidates to fitted lines: groups in bands, strongest first, each subtracted before
//! the next; then each cluster again with a finer zoom, and a look at what is left.

use super::candidates::{self, Candidate};
use super::polish::{Lines, add_tone, polish};
use super::refine::fit_band;
use super::zoom::{C64, Zoom};
use crate::signal::noise_density::NoiseDensity;

/// Most lines that are fitted: more is not a wheel.
pub const MOST_LINES: usize = 48;

/// The windows of the taps that are solved together, their noise, and the rate.
pub struct Windows<'a> {
    /// Samples from the window's start on, per tap.
    pub taps: Vec<&'a [f64]>,
    /// Noise per tap.
    pub noise: &'a [NoiseDensity],
    /// Sample rate in Hz.
    pub rate_hz: f64,
    /// Band in which modes are looked for, in Hz.
    pub band_hz: (f64, f64),
}

/// Lines found, and whether the search was stopped for their number.
pub struct Found {
    /// The lines.
    pub lines: Lines,
    /// True when there were more than [`MOST_LINES`].
    pub crowded: bool,
}

/// Runs the whole search.
pub fn search(w: &Windows<'_>) -> Found {
    let mut lines = Lines::none(w.taps.len());
    let mut left: Vec<Vec<f64>> = w.taps.iter().map(|x| x.to_vec()).collect();
    let mut crowded = false;
    for pass in 0..3 {
        let views: Vec<&[f64]> = left.iter().map(Vec::as_slice).collect();
        let skirts = |f: f64| {
            if pass == 0 {
                0.0
            } else {
                skirt_power(&lines, w, f)
            }
        };
        let candidates = candidates::find(&views, w.noise, w.rate_hz, w.band_hz, &skirts);
        if candidates.is_empty() {
            break;
        }
        let before = lines.logs.len();
        for group in groups(&candidates) {
            if lines.logs.len() >= MOST_LINES {
                crowded = true;
                break;
            }
            let new = fit_group(&left, w, &group, 0.1);
            take(&mut lines, &mut left, new);
        }
        zoom_again(&mut lines, &mut left, w);
        if lines.logs.len() == before {
            break;
        }
        drop_weak_copies(&mut lines);
        lines = settle(&w.taps, lines, w);
        left = residuals(w, &lines);
    }
    Found { lines, crowded }
}

fn residuals(w: &Windows<'_>, lines: &Lines) -> Vec<Vec<f64>> {
    w.taps
        .iter()
        .enumerate()
        .map(|(t, x)| lines.residual(x, t, &|_| true))
        .collect()
}

/// Two rounds of the joint refinement, on a window that the slowest line needs.
fn settle(taps: &[&[f64]], lines: Lines, w: &Windows<'_>) -> Lines {
    let cut = cut_windows(taps, &lines);
    polish(&cut, lines, &weights(w), 1).lines
}

/// Windows shortened to seven time constants of the slowest line.
pub fn cut_windows<'a>(taps: &[&'a [f64]], lines: &Lines) -> Vec<&'a [f64]> {
    let slowest = lines
        .logs
        .iter()
        .map(|s| -s.re)
        .fold(f64::INFINITY, f64::min)
        .max(1e-7);
    let most = (7.0 / slowest) as usize;
    taps.iter()
        .map(|x| &x[..x.len().min(most.max(256))])
        .collect()
}

/// One over the mean noise of each tap.
pub fn weights(w: &Windows<'_>) -> Vec<f64> {
    w.noise
        .iter()
        .map(|s| 1.0 / s.mean(w.band_hz.0, w.band_hz.1.min(8_000.0)))
        .collect()
}

/// Model power density at a frequency in the units of the candidates' raw spectra.
fn skirt_power(lines: &Lines, w: &Windows<'_>, freq_hz: f64) -> f64 {
    let omega = std::f64::consts::TAU * freq_hz / w.rate_hz;
    let mut sum = 0.0;
    for c in &lines.amplitudes {
        for (s, c) in lines.logs.iter().zip(c) {
            let gap = omega - s.im;
            sum += c.norm_sqr() / 4.0 / (s.re * s.re + gap * gap);
        }
    }
    // |X|^2 over (taper energy x rate), the taper's energy being about 3/8 of its length.
    sum / (0.375 * w.rate_hz * 0.34 * w.rate_hz)
}

/// A group of candidates that share a band.
struct Group {
    low_hz: f64,
    high_hz: f64,
    decay_per_s: f64,
    strength: f64,
}

impl Group {
    fn band_rate_hz(&self) -> f64 {
        (30.0 * self.decay_per_s).max(150.0)
    }
}

fn groups(candidates: &[Candidate]) -> Vec<Group> {
    let mut out: Vec<Group> = Vec::new();
    for c in candidates {
        if let Some(g) = out.last_mut() {
            let decay = g.decay_per_s.max(c.decay_per_s);
            let alike = decay < 4.0 * g.decay_per_s.min(c.decay_per_s);
            if alike && c.freq_hz - g.low_hz < 0.2 * (30.0 * decay).max(150.0) {
                g.high_hz = c.freq_hz;
                g.decay_per_s = decay;
                g.strength = g.strength.max(c.strength);
                continue;
            }
        }
        out.push(Group {
            low_hz: c.freq_hz,
            high_hz: c.freq_hz,
            decay_per_s: c.decay_per_s,
            strength: c.strength,
        });
    }
    out.sort_by(|a, b| b.strength.total_cmp(&a.strength));
    out
}

/// Decimation for a wanted band rate: a power of two, at least 4.
fn step_for(rate_hz: f64, band_rate_hz: f64) -> usize {
    let mut step = 4;
    while rate_hz / (2.0 * step as f64) >= band_rate_hz && step < 4096 {
        step *= 2;
    }
    step
}

/// Fits the poles of one group in its own band. `margin` is how far beyond the group, in
/// shares of the band's rate, a pole may lie.
fn fit_group(left: &[Vec<f64>], w: &Windows<'_>, group: &Group, margin: f64) -> Lines {
    let taps = left.len();
    let span = group.high_hz - group.low_hz;
    let mut step = step_for(w.rate_hz, group.band_rate_hz().max(5.0 * span));
    let shortest = left.iter().map(Vec::len).min().unwrap_or(0);
    // At least 48 samples must come out of the band.
    while step > 4 && shortest < step * (48 + 14) {
        step /= 2;
    }
    let zoom = Zoom::new(0.5 * (group.low_hz + group.high_hz), w.rate_hz, step);
    let raw: Vec<Vec<C64>> = left.iter().map(|x| zoom.apply(x, 420)).collect();
    let noise: f64 = w
        .noise
        .iter()
        .map(|s| s.mean(group.low_hz - 50.0, group.high_hz + 50.0))
        .sum::<f64>()
        / taps as f64
        * zoom.noise_gain;
    let bands = trimmed(raw, noise);
    let count: usize = bands.iter().map(Vec::len).sum();
    let mean = bands.iter().flatten().map(|v| v.norm_sqr()).sum::<f64>() / count.max(1) as f64;
    let most = if step == 4 { 12 } else { 8 };
    let Some(fit) = fit_band(&bands, noise + 1e-6 * mean, most) else {
        return Lines::none(taps);
    };
    let band_rate = w.rate_hz / step as f64;
    let mut out = Lines::none(taps);
    for (k, s) in fit.logs.iter().enumerate() {
        let log = s / step as f64 + C64::new(0.0, zoom.centre);
        let freq_hz = log.im * w.rate_hz / std::f64::consts::TAU;
        let inside = freq_hz > group.low_hz - margin * band_rate
            && freq_hz < group.high_hz + margin * band_rate
            && freq_hz > 0.5 * w.band_hz.0;
        let gain = zoom.gain(log) * 0.5;
        if inside && s.re < 0.0 && s.re > -1.4 && gain.norm() > 0.05 {
            out.logs.push(log);
            for (t, c) in out.amplitudes.iter_mut().enumerate() {
                c.push(fit.amplitudes[t][k] / gain);
            }
        }
    }
    out
}

/// Cuts the band signals, all at the same place, where their smoothed energy has fallen to 1.6
/// times the noise.
fn trimmed(raw: Vec<Vec<C64>>, noise: f64) -> Vec<Vec<C64>> {
    let shortest = raw.iter().map(Vec::len).min().unwrap_or(0);
    let span = 12usize;
    let mut end = shortest;
    let mean = |m: usize| -> f64 {
        let to = (m + span).min(shortest);
        raw.iter()
            .map(|y| y[m..to].iter().map(|v| v.norm_sqr()).sum::<f64>())
            .sum::<f64>()
            / (raw.len() * (to - m).max(1)) as f64
    };
    let mut m = 24;
    while m + span < shortest {
        if mean(m) < 1.6 * noise {
            end = m + span;
            break;
        }
        m += span / 2;
    }
    let end = end.max(48).min(shortest);
    raw.into_iter()
        .map(|mut y| {
            y.truncate(end);
            y
        })
        .collect()
}

/// Adds fitted lines to the list and subtracts them from the signals.
fn take(lines: &mut Lines, left: &mut [Vec<f64>], new: Lines) {
    for (k, s) in new.logs.iter().enumerate() {
        lines.logs.push(*s);
        for (t, x) in left.iter_mut().enumerate() {
            let c = new.amplitudes[t][k];
            lines.amplitudes[t].push(c);
            add_tone(x, *s, -c);
        }
    }
}

/// Adds each cluster of lines back and fits it alone with a finer zoom: where close pairs come
/// apart.
fn zoom_again(lines: &mut Lines, left: &mut [Vec<f64>], w: &Windows<'_>) {
    let hz = w.rate_hz / std::f64::consts::TAU;
    let mut clusters = clusters(lines, w.rate_hz);
    let energy = |c: &Vec<usize>| -> f64 {
        c.iter()
            .map(|k| {
                lines
                    .amplitudes
                    .iter()
                    .map(|a| a[*k].norm_sqr())
                    .sum::<f64>()
                    / -lines.logs[*k].re
            })
            .sum()
    };
    clusters.sort_by(|a, b| energy(b).total_cmp(&energy(a)));
    let mut out = Lines::none(left.len());
    for cluster in clusters {
        for (t, x) in left.iter_mut().enumerate() {
            for k in &cluster {
                add_tone(x, lines.logs[*k], lines.amplitudes[t][*k]);
            }
        }
        let freq = |k: &usize| lines.logs[*k].im * hz;
        let group = Group {
            low_hz: cluster.iter().map(freq).fold(f64::INFINITY, f64::min),
            high_hz: cluster.iter().map(freq).fold(0.0, f64::max),
            decay_per_s: cluster
                .iter()
                .map(|k| -lines.logs[*k].re * w.rate_hz)
                .fold(0.5, f64::max),
            strength: 0.0,
        };
        let mut again = fit_group(left, w, &group, 0.1);
        if again.logs.is_empty() {
            // The finer look shows nothing better: keep what was there.
            for k in &cluster {
                again.logs.push(lines.logs[*k]);
                for (t, c) in again.amplitudes.iter_mut().enumerate() {
                    c.push(lines.amplitudes[t][*k]);
                }
            }
        }
        take(&mut out, left, again);
    }
    *lines = out;
}

fn clusters(lines: &Lines, rate_hz: f64) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..lines.logs.len()).collect();
    order.sort_by(|a, b| lines.logs[*a].im.total_cmp(&lines.logs[*b].im));
    let mut out: Vec<Vec<usize>> = Vec::new();
    for k in order {
        let s = lines.logs[k];
        match out.last_mut() {
            Some(c)
                if c.last().is_some_and(|l| {
                    let o = lines.logs[*l];
                    (s.im - o.im) < 8.0 * (-s.re).max(-o.re)
                        && (s.im - o.im) * rate_hz < 400.0 * std::f64::consts::TAU
                }) =>
            {
                c.push(k)
            }
            _ => out.push(vec![k]),
        }
    }
    out
}

/// Two fits of one line (from neighbouring bands) make the joint system singular: the weaker
/// one goes.
fn drop_weak_copies(lines: &mut Lines) {
    let energy = |k: usize| {
        lines
            .amplitudes
            .iter()
            .map(|a| a[k].norm_sqr())
            .sum::<f64>()
    };
    let count = lines.logs.len();
    let copy = |k: usize| {
        (0..count).any(|o| {
            o != k
                && (lines.logs[o] - lines.logs[k]).norm()
                    < 0.02 * -lines.logs[k].re.max(lines.logs[o].re)
                && (energy(o) > energy(k) || (energy(o) == energy(k) && o < k))
        })
    };
    let keep: Vec<usize> = (0..count).filter(|k| !copy(*k)).collect();
    *lines = select(lines, &keep);
}

/// The lines with the given indices.
pub fn select(lines: &Lines, keep: &[usize]) -> Lines {
    Lines {
        logs: keep.iter().map(|k| lines.logs[*k]).collect(),
        amplitudes: lines
            .amplitudes
            .iter()
            .map(|a| keep.iter().map(|k| a[*k]).collect())
            .collect(),
    }
}
