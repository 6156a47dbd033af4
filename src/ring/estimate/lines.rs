//! From candidates to fitted lines: groups in bands, strongest first, each subtracted before
//! the next; then each cluster again with a finer zoom, and a look at what is left.

use super::band::{Group, cut_band, group_of, groups};
use super::candidates;
use super::echo::Echo;
use super::echo_search::echo_of;
use super::polish::{Lines, add_tone, polish};
use super::refine::{fit_band, refit};
use super::windows::{Windows, cut_windows, weights};
use super::{Room, in_noise, room_misfit};
use crate::units::quality;

/// Most lines that are fitted: more is not a wheel.
pub const MOST_LINES: usize = 48;

/// What lines alone leave unexplained, as a share of an echo: less, and there is no echo, but lines
/// that the search for one had not told apart (close pairs of a damped wheel).
const LEFT_OF_ECHO: f64 = 0.1;

/// Share of the first [`EARLY_S`] seconds that lines alone may leave, when there is no echo.
const UNEXPLAINED: f64 = 0.01;
/// What they may leave after the first look, or the search is given up.
const HOPELESS: f64 = 0.2;
const EARLY_S: f64 = 0.1;

/// So many of the strongest peaks tell whether a wheel is damped: their middle quality is less than
/// this.
const STRONGEST: usize = 5;
pub const DAMPED_Q: f64 = 150.0;

/// Lines for each peak of the spectrum with which a wheel without an echo is explained: pairs, and one
/// more. An echo asks for many times that.
const FEW_LINES: usize = 3;

/// Lines found, and whether the search was stopped for their number.
pub struct Found {
    /// The lines.
    pub lines: Lines,
    /// True when there were more than [`MOST_LINES`], or more than a trial may need.
    pub crowded: bool,
    /// The room's echo, where the bands show one.
    pub echo: Option<Echo>,
}

/// Runs the whole search.
pub fn search(w: &Windows<'_>, room: Room) -> Found {
    search_until(w, room, None)
}

/// [`search`]; a trial is given up, as crowded, when it needs more than `most` lines or when the
/// first look leaves too much of the sound.
fn search_until(w: &Windows<'_>, room: Room, most: Option<usize>) -> Found {
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
            echo = match room {
                Room::Known(echo) => echo,
                Room::Unknown => echo_of(w, &groups, None),
                Room::Decay(per_s) => echo_of(w, &groups, Some(per_s)),
            };
            let is_found = !matches!(room, Room::Known(_)) && is_damped(&groups);
            let doubted = echo.filter(|_| is_found);
            if let Some(plain) = doubted.and_then(|e| without_echo(w, e, candidates.len())) {
                return plain;
            }
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
        crowded |= most.is_some_and(|most| lines.logs.len() > most);
        if lines.logs.len() == before || (crowded && most.is_some()) {
            break;
        }
        drop_weak_copies(&mut lines);
        if echo.is_none() {
            lines = settle(&w.taps, lines, w);
        }
        left = residuals(w, &lines);
        // Lines that will not do for the sound show it at once.
        if most.is_some() && !explain(w, &lines, HOPELESS) {
            crowded = true;
            break;
        }
    }
    Found {
        lines,
        crowded,
        echo,
    }
}

/// The lines of a damped wheel with `peaks` peaks, when they leave nothing for an `echo` to explain.
fn without_echo(w: &Windows<'_>, echo: Echo, peaks: usize) -> Option<Found> {
    let most = (FEW_LINES * peaks).clamp(2 * MOST_LINES / 3, MOST_LINES);
    let mut plain = search_until(w, Room::Known(None), Some(most));
    if plain.crowded {
        return None;
    }
    let cut = cut_windows(&w.taps, &plain.lines);
    plain.lines = in_noise(w, &cut, plain.lines).lines;
    explain_all(w, &plain.lines, echo).then_some(plain)
}

/// True when the strongest peaks are so broad that those of pairs overlap.
fn is_damped(groups: &[Group]) -> bool {
    let mut all: Vec<f64> = groups
        .iter()
        .take(STRONGEST)
        .map(|g| quality(0.5 * (g.low_hz + g.high_hz), g.decay_per_s))
        .collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).is_some_and(|q| *q < DAMPED_Q)
}

/// True when lines alone leave far less than an echo would, and next to nothing of the sound.
fn explain_all(w: &Windows<'_>, lines: &Lines, echo: Echo) -> bool {
    explain(w, lines, UNEXPLAINED) && room_misfit(w, lines) < LEFT_OF_ECHO * echo.share
}

/// True when lines leave less than this share of the early sound of each tap.
fn explain(w: &Windows<'_>, lines: &Lines, share: f64) -> bool {
    let power = |x: &[f64]| x.iter().map(|v| v * v).sum::<f64>();
    w.taps.iter().enumerate().all(|(t, x)| {
        let early = &x[..x.len().min((EARLY_S * w.rate_hz) as usize)];
        let noise = w.noise[t].mean(w.band_hz.0, w.band_hz.1) * early.len() as f64;
        let left = power(&lines.residual(early, t, &|_| true));
        left - 2.0 * noise < share * power(early)
    })
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

/// A round of the joint refinement, on a window that the slowest line needs.
fn settle(taps: &[&[f64]], lines: Lines, w: &Windows<'_>) -> Lines {
    let cut = cut_windows(taps, &lines);
    polish(&cut, lines, &weights(w), 1).lines
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
