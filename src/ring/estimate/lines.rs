//! From candidates to fitted lines: groups in bands, strongest first, each subtracted before
//! the next; then each cluster again with a finer zoom, and a look at what is left.

use super::candidates::{self, Candidate};
use super::echo::{Disturbance, Echo};
use super::polish::{Lines, add_tone, polish};
use super::refine::{Fit, empty_score, fit_band, needed_gain, refit};
use super::zoom::{C64, Slope, Zoom};
use crate::signal::noise_density::NoiseDensity;
use crate::units::LN_1000;

/// Most lines that are fitted: more is not a wheel.
pub const MOST_LINES: usize = 48;

/// The windows of the taps that are solved together, their noise, and the rate.
pub struct Windows<'a> {
    /// Samples from the window's start on, per tap.
    pub taps: Vec<&'a [f64]>,
    /// Samples from the strike to the window's start, per tap.
    pub lead: Vec<usize>,
    /// The strike itself, until the free decay begins, per tap.
    pub strikes: Vec<&'a [f64]>,
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
    /// The room's echo, where the bands show one.
    pub echo: Option<Echo>,
}

/// Runs the whole search.
pub fn search(w: &Windows<'_>) -> Found {
    let mut lines = Lines::none(w.taps.len());
    let mut left: Vec<Vec<f64>> = w.taps.iter().map(|x| x.to_vec()).collect();
    let mut crowded = false;
    let mut echo = None;
    for pass in 0..3 {
        let views: Vec<&[f64]> = left.iter().map(Vec::as_slice).collect();
        // What is that far below a fitted line's own skirts is its misfit or its echo.
        let share = echo.map_or(3e-4, |e: Echo| (10.0 * e.share).clamp(3e-4, 0.5));
        let skirts = |f: f64| {
            if pass == 0 {
                0.0
            } else {
                share * skirt_power(&lines, w, f)
            }
        };
        let candidates = candidates::find(&views, w.noise, w.rate_hz, w.band_hz, &skirts);
        if candidates.is_empty() {
            break;
        }
        let before = lines.logs.len();
        let groups = groups(&candidates);
        if pass == 0 {
            echo = echo_of(w, &groups);
        }
        for group in groups {
            if lines.logs.len() >= MOST_LINES {
                crowded = true;
                break;
            }
            let new = fit_group(&left, w, &group, echo, &lines);
            take(&mut lines, &mut left, new);
        }
        zoom_again(&mut lines, &mut left, w, echo);
        if lines.logs.len() == before {
            break;
        }
        drop_weak_copies(&mut lines);
        if echo.is_none() {
            lines = settle(&w.taps, lines, w);
        }
        left = residuals(w, &lines);
    }
    Found {
        lines,
        crowded,
        echo,
    }
}

/// Shares of echo that are tried, in dB below the direct sound, and room decays in seconds.
const SHARES_DB: [f64; 7] = [-42.0, -36.0, -30.0, -24.0, -18.0, -12.0, -6.0];
const ROOMS_S: [f64; 3] = [0.4, 0.2, 0.8];
/// The share is measured on one realisation of an echo: what is told from it is told with the
/// upper side of its scatter, 3 dB.
const CAUTION: f64 = 2.0;
/// Bands that the echo is measured from.
const ECHO_BANDS: usize = 5;

/// The echo that makes the strongest bands of the loudest tap most likely; none when that is no
/// echo at all. Every pole costs what it must gain, so that many poles do not pass for an echo
/// nor an echo for many poles.
fn echo_of(w: &Windows<'_>, groups: &[Group]) -> Option<Echo> {
    let energy = |x: &[f64]| x.iter().map(|v| v * v).sum::<f64>();
    let loudest =
        (0..w.taps.len()).max_by(|a, b| energy(w.taps[*a]).total_cmp(&energy(w.taps[*b])))?;
    let alone = Windows {
        taps: vec![w.taps[loudest]],
        lead: vec![w.lead[loudest]],
        strikes: vec![w.strikes[loudest]],
        noise: &w.noise[loudest..=loudest],
        rate_hz: w.rate_hz,
        band_hz: w.band_hz,
    };
    let left = [w.taps[loudest].to_vec()];
    let bands: Vec<CutBand> = groups
        .iter()
        .take(ECHO_BANDS)
        .map(|g| cut_band(&left, &alone, g, true))
        .collect();
    let none = Lines::none(1);
    let score = |echo: Option<Echo>| -> f64 {
        bands
            .iter()
            .map(|b| {
                // As it is measured, without the caution.
                let echo = echo.map(|e| Echo {
                    share: e.share / CAUTION,
                    ..e
                });
                let around = b.disturbance(&alone, echo, &none);
                match fit_band(&b.taps, &around, 6) {
                    Some(f) => f.score + needed_gain(1) * f.logs.len() as f64,
                    None => empty_score(&b.taps, &around),
                }
            })
            .sum()
    };
    let tried = |share_db: f64, room_s: f64| Echo {
        share: 10f64.powf(share_db / 10.0),
        decay_per_s: LN_1000 / room_s,
    };
    let without = score(None);
    let (mut best, mut best_score) = (None, without);
    for share_db in SHARES_DB {
        let echo = tried(share_db, ROOMS_S[0]);
        let s = score(Some(echo));
        if s < best_score {
            (best, best_score) = (Some((share_db, echo)), s);
        }
    }
    let (share_db, mut echo) = best?;
    for room_s in &ROOMS_S[1..] {
        let other = tried(share_db, *room_s);
        let s = score(Some(other));
        if s < best_score {
            (echo, best_score) = (other, s);
        }
    }
    for step_db in [-3.0, 3.0] {
        let other = tried(share_db + step_db, LN_1000 / echo.decay_per_s);
        let s = score(Some(other));
        if s < best_score {
            (echo, best_score) = (other, s);
        }
    }
    (without - best_score > needed_gain(1)).then_some(echo)
}

/// Fits each cluster of lines once more, as many as there are, among the echo of all; returns
/// the lines with the variance of the real and imaginary part of each pole per sample.
pub fn settle_in_echo(w: &Windows<'_>, lines: &Lines, echo: Echo) -> (Lines, Vec<f64>) {
    let mut now = lines.clone();
    let mut variance = vec![f64::INFINITY; lines.logs.len()];
    let mut left = residuals(w, &now);
    for cluster in by_energy(clusters(lines, w.rate_hz), lines) {
        add_back(&mut left, &now, &cluster);
        let group = group_of(&now, &cluster, w.rate_hz, true);
        let band = cut_band(&left, w, &group, true);
        let others: Vec<usize> = (0..now.logs.len())
            .filter(|k| !cluster.contains(k))
            .collect();
        let around = band.disturbance(w, Some(echo), &select(&now, &others));
        let start = band.as_fit(&now, &cluster);
        if let Some(fit) = refit(&band.taps, &around, &start) {
            let new = band.as_lines(w, &fit);
            for (place, k) in cluster.iter().enumerate() {
                variance[*k] = fit.variance[place] / (band.zoom.step * band.zoom.step) as f64;
                if new.logs[place].re < 0.0 {
                    now.logs[*k] = new.logs[place];
                    for (t, a) in now.amplitudes.iter_mut().enumerate() {
                        a[*k] = new.amplitudes[t][place];
                    }
                }
            }
        }
        for (t, x) in left.iter_mut().enumerate() {
            for k in &cluster {
                add_tone(x, now.logs[*k], -now.amplitudes[t][*k]);
            }
        }
    }
    (now, variance)
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
    /// Rate of its band: the cost among echo goes with a high power of the samples.
    fn band_rate_hz(&self, in_echo: bool) -> f64 {
        let per_decay = if in_echo { 20.0 } else { 30.0 };
        (per_decay * self.decay_per_s).max(150.0)
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

/// The signals of the taps in one band.
struct CutBand {
    zoom: Zoom,
    taps: Vec<Vec<C64>>,
    noise: f64,
}

/// Most band samples of a fit; among echo fewer, since the cost grows with their cube there
/// and the echo leaves nothing to learn from the late ones.
const MOST_SAMPLES: usize = 420;
const MOST_IN_ECHO: usize = 96;

fn cut_band(left: &[Vec<f64>], w: &Windows<'_>, group: &Group, in_echo: bool) -> CutBand {
    let taps = left.len();
    let span = group.high_hz - group.low_hz;
    let mut step = step_for(w.rate_hz, group.band_rate_hz(in_echo).max(5.0 * span));
    let shortest = left.iter().map(Vec::len).min().unwrap_or(0);
    // At least 48 samples must come out of the band.
    while step > 4 && shortest < step * (48 + 14) {
        step /= 2;
    }
    let (most, slope) = if in_echo {
        (MOST_IN_ECHO, Slope::Early)
    } else {
        (MOST_SAMPLES, Slope::Steep)
    };
    let zoom = Zoom::new(0.5 * (group.low_hz + group.high_hz), w.rate_hz, step, slope);
    let raw: Vec<Vec<C64>> = left.iter().map(|x| zoom.apply(x, most)).collect();
    let noise: f64 = w
        .noise
        .iter()
        .map(|s| s.mean(group.low_hz - 50.0, group.high_hz + 50.0))
        .sum::<f64>()
        / taps as f64
        * zoom.noise_gain;
    let taps = trimmed(raw, noise);
    let count: usize = taps.iter().map(Vec::len).sum();
    let mean = taps.iter().flatten().map(|v| v.norm_sqr()).sum::<f64>() / count.max(1) as f64;
    CutBand {
        zoom,
        taps,
        noise: noise + 1e-6 * mean,
    }
}

impl CutBand {
    /// A line's pole and gain in the band.
    fn seen(&self, log: C64) -> (C64, C64) {
        let step = self.zoom.step as f64;
        let centred = log - C64::new(0.0, self.zoom.centre);
        (centred * step, self.zoom.gain(log) * 0.5)
    }

    /// What disturbs a fit in the band: noise, and the echo of its own lines and of `others`.
    fn disturbance(&self, w: &Windows<'_>, echo: Option<Echo>, others: &Lines) -> Disturbance {
        let step = self.zoom.step;
        let lead = w.lead.iter().max().copied().unwrap_or(0) / step;
        let len = self.taps.iter().map(Vec::len).max().unwrap_or(0);
        let silent = || vec![C64::new(0.0, 0.0); lead + len];
        let mut sounding: Vec<Vec<C64>> = self.taps.iter().map(|_| silent()).collect();
        if echo.is_some() {
            for (k, log) in others.logs.iter().enumerate() {
                let (s, gain) = self.seen(*log);
                if gain.norm() < 1e-4 {
                    continue;
                }
                let back = (lead as f64).min(2.0 / -s.re.min(-1e-9)) as usize;
                let z = s.exp();
                for (x, a) in sounding.iter_mut().zip(&others.amplitudes) {
                    let mut v = a[k] * gain * (-s * back as f64).exp();
                    for out in &mut x[lead - back..] {
                        *out += v;
                        v *= z;
                    }
                }
            }
        }
        Disturbance {
            noise: self.noise,
            echo: echo.map(|e| Echo {
                share: CAUTION * e.share,
                decay_per_s: e.decay_per_s * step as f64 / w.rate_hz,
            }),
            others: sounding,
            lead,
            strikes: w
                .strikes
                .iter()
                .map(|x| self.strike_energy(x, echo.is_some()))
                .collect(),
        }
    }

    /// Energy that the strike `x` has in the band: its energy density at the centre and a
    /// quarter of the band's rate on either side, in the units of squared band samples.
    fn strike_energy(&self, x: &[f64], wanted: bool) -> f64 {
        if !wanted {
            return 0.0;
        }
        let quarter = 0.25 * std::f64::consts::TAU / self.zoom.step as f64;
        let density = |omega: f64| -> f64 {
            let turn = C64::from_polar(1.0, -omega);
            let (mut v, mut sum) = (C64::new(1.0, 0.0), C64::new(0.0, 0.0));
            for s in x {
                sum += v * *s;
                v *= turn;
            }
            sum.norm_sqr()
        };
        let centre = self.zoom.centre;
        let mean = (density(centre) + density(centre - quarter) + density(centre + quarter)) / 3.0;
        mean * self.zoom.noise_gain / self.zoom.step as f64
    }

    /// Lines `which` as poles of the band.
    fn as_fit(&self, lines: &Lines, which: &[usize]) -> Fit {
        let seen: Vec<(C64, C64)> = which.iter().map(|k| self.seen(lines.logs[*k])).collect();
        Fit {
            logs: seen.iter().map(|(s, _)| *s).collect(),
            amplitudes: lines
                .amplitudes
                .iter()
                .map(|a| {
                    which
                        .iter()
                        .zip(&seen)
                        .map(|(k, (_, g))| a[*k] * g)
                        .collect()
                })
                .collect(),
            cost: 0.0,
            score: 0.0,
            variance: Vec::new(),
        }
    }

    /// Poles of the band as lines.
    fn as_lines(&self, w: &Windows<'_>, fit: &Fit) -> Lines {
        let mut out = Lines::none(w.taps.len());
        for (k, s) in fit.logs.iter().enumerate() {
            let log = s / self.zoom.step as f64 + C64::new(0.0, self.zoom.centre);
            let gain = self.zoom.gain(log) * 0.5;
            out.logs.push(log);
            for (t, c) in out.amplitudes.iter_mut().enumerate() {
                c.push(fit.amplitudes[t][k] / gain);
            }
        }
        out
    }
}

/// Fits the poles of one group in its own band; `others` are the lines already subtracted. A
/// pole may lie a tenth of the band's rate beyond the group.
fn fit_group(
    left: &[Vec<f64>],
    w: &Windows<'_>,
    group: &Group,
    echo: Option<Echo>,
    others: &Lines,
) -> Lines {
    let band = cut_band(left, w, group, echo.is_some());
    let most = if band.zoom.step == 4 { 12 } else { 8 };
    let around = band.disturbance(w, echo, others);
    let Some(fit) = fit_band(&band.taps, &around, most) else {
        return Lines::none(left.len());
    };
    let reach_hz = 0.1 * w.rate_hz / band.zoom.step as f64;
    let all = band.as_lines(w, &fit);
    let keep: Vec<usize> = (0..all.logs.len())
        .filter(|k| {
            let log = all.logs[*k];
            let freq_hz = log.im * w.rate_hz / std::f64::consts::TAU;
            freq_hz > group.low_hz - reach_hz
                && freq_hz < group.high_hz + reach_hz
                && freq_hz > 0.5 * w.band_hz.0
                && fit.logs[*k].re < 0.0
                && fit.logs[*k].re > -1.4
                && (band.zoom.gain(log) * 0.5).norm() > 0.05
        })
        .collect();
    select(&all, &keep)
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
fn zoom_again(lines: &mut Lines, left: &mut [Vec<f64>], w: &Windows<'_>, echo: Option<Echo>) {
    let mut rest = lines.clone();
    let mut out = Lines::none(left.len());
    let clusters = by_energy(clusters(lines, w.rate_hz), lines);
    for (place, cluster) in clusters.iter().enumerate() {
        add_back(left, lines, cluster);
        let group = group_of(lines, cluster, w.rate_hz, echo.is_some());
        if echo.is_some() {
            // All the others: the clusters to come as they were, those done as they are now.
            let to_come: Vec<usize> = clusters[place + 1..].concat();
            rest = joined(select(lines, &to_come), &out);
        }
        let mut again = fit_group(left, w, &group, echo, &rest);
        if again.logs.is_empty() {
            // The finer look shows nothing better: keep what was there.
            again = select(lines, cluster);
        }
        take(&mut out, left, again);
    }
    *lines = out;
}

fn joined(mut a: Lines, b: &Lines) -> Lines {
    a.logs.extend(&b.logs);
    for (x, y) in a.amplitudes.iter_mut().zip(&b.amplitudes) {
        x.extend(y);
    }
    a
}

fn add_back(left: &mut [Vec<f64>], lines: &Lines, cluster: &[usize]) {
    for (t, x) in left.iter_mut().enumerate() {
        for k in cluster {
            add_tone(x, lines.logs[*k], lines.amplitudes[t][*k]);
        }
    }
}

/// The clusters, strongest first.
fn by_energy(mut clusters: Vec<Vec<usize>>, lines: &Lines) -> Vec<Vec<usize>> {
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
    clusters
}

/// The band of a cluster follows its fastest line; among echo, where the samples of a fit are
/// few, the mean by energy, so that a faint fast line does not cut short what parts a pair.
fn group_of(lines: &Lines, cluster: &[usize], rate_hz: f64, in_echo: bool) -> Group {
    let hz = rate_hz / std::f64::consts::TAU;
    let freq = |k: &usize| lines.logs[*k].im * hz;
    let decay = |k: &usize| -lines.logs[*k].re * rate_hz;
    let decay_per_s = if in_echo {
        let energy = |k: &usize| {
            let sum: f64 = lines.amplitudes.iter().map(|a| a[*k].norm_sqr()).sum();
            sum / decay(k).max(1e-6)
        };
        let total: f64 = cluster.iter().map(energy).sum();
        let weighted: f64 = cluster.iter().map(|k| energy(k) * decay(k)).sum();
        (weighted / total.max(1e-300)).max(0.5)
    } else {
        cluster.iter().map(decay).fold(0.5, f64::max)
    };
    Group {
        low_hz: cluster.iter().map(freq).fold(f64::INFINITY, f64::min),
        high_hz: cluster.iter().map(freq).fold(0.0, f64::max),
        decay_per_s,
        strength: 0.0,
    }
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
