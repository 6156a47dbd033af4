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
        let skirts = |f: f64| share * skirt_power(&lines, w, f);
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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::made::{group, in_room, lines, log, noise, sound, tones, windows};
    use super::*;
    use crate::ring::estimate::phasor::C64;
    use crate::signal::noise_density::NoiseDensity;
    use std::f64::consts::{PI, TAU};

    const RATE: f64 = 16_000.0;

    fn one(of: f64) -> C64 {
        C64::new(of, 0.0)
    }

    /// Two taps of a line at 1000 Hz and a pair at 2500 Hz.
    fn wheel() -> Lines {
        lines(&[
            (
                log(1000.0, 10.0, RATE),
                &[C64::new(0.5, 0.1), C64::new(0.1, -0.4)],
            ),
            (
                log(2500.0, 8.0, RATE),
                &[C64::new(0.2, -0.1), C64::new(0.3, 0.3)],
            ),
            (
                log(2504.0, 12.0, RATE),
                &[C64::new(-0.1, 0.3), C64::new(0.2, 0.0)],
            ),
        ])
    }

    /// The wheel's two taps in noise.
    fn heard(variance: f64) -> Vec<Vec<f64>> {
        (0..2)
            .map(|t| {
                let clean = sound(&wheel(), t, 8000);
                let noise = noise(variance, 8000, 70 + t as u64);
                clean.iter().zip(noise).map(|(a, b)| a + b).collect()
            })
            .collect()
    }

    fn power(x: &[f64]) -> f64 {
        x.iter().map(|v| v * v).sum()
    }

    /// Every line of `found` against the nearest of the truth: within `hz` and `decay`.
    fn agrees(found: &Lines, truth: &Lines, hz: f64, decay: f64) {
        assert_eq!(found.logs.len(), truth.logs.len(), "{:?}", found.logs);
        for (k, s) in truth.logs.iter().enumerate() {
            let far = |o: &usize| (found.logs[*o] - s).norm();
            let near = (0..found.logs.len())
                .min_by(|a, b| far(a).total_cmp(&far(b)))
                .unwrap();
            let gap = (found.logs[near] - s) * RATE;
            assert!(gap.im.abs() < TAU * hz && gap.re.abs() < decay, "{k} {gap}");
            for (a, c) in found.amplitudes.iter().zip(&truth.amplitudes) {
                // Amplitudes of a pair err with their frequencies, over some 0.1 s.
                let most = 0.1 * TAU * (hz + decay) * 2.0;
                assert!((a[near] - c[k]).norm() < most, "{k} {}", a[near]);
            }
        }
    }

    #[test]
    fn lines_are_picked_joined_taken_off_and_added_back() {
        let all = wheel();
        let some = select(&all, &[2, 0]);
        assert_eq!(some.logs, [all.logs[2], all.logs[0]]);
        assert_eq!(
            some.amplitudes[1],
            [all.amplitudes[1][2], all.amplitudes[1][0]]
        );
        let whole = joined(some, &select(&all, &[1]));
        assert_eq!(whole.logs, [all.logs[2], all.logs[0], all.logs[1]]);
        assert_eq!(whole.amplitudes[0][2], all.amplitudes[0][1]);

        let mut left = vec![sound(&all, 0, 500), sound(&all, 1, 500)];
        let mut taken = Lines::none(2);
        take(&mut taken, &mut left, select(&all, &[0, 2]));
        assert_eq!(taken.logs, [all.logs[0], all.logs[2]]);
        assert_eq!(
            taken.amplitudes[1],
            [all.amplitudes[1][0], all.amplitudes[1][2]]
        );
        for (t, x) in left.iter().enumerate() {
            let truth = tones(&[(all.logs[1], all.amplitudes[t][1])], 500);
            assert!(x.iter().zip(truth).all(|(a, b)| (a - b).abs() < 1e-12));
        }
        add_back(&mut left, &all, &[0, 2]);
        let noise = [NoiseDensity::white(1e-9), NoiseDensity::white(1e-9)];
        let w = windows(&left, &noise, RATE);
        for (t, (x, rest)) in left.iter().zip(residuals(&w, &all)).enumerate() {
            let truth = sound(&all, t, 500);
            assert!(x.iter().zip(truth).all(|(a, b)| (a - b).abs() < 1e-12));
            assert!(rest.iter().all(|v| v.abs() < 1e-12));
        }
    }

    /// Eight times the broader line's decay, in radians per second, and never 400 Hz or more.
    #[test]
    fn near_lines_are_a_cluster() {
        let of = |made: &[(f64, f64)]| {
            let c = [one(1.0)];
            let made: Vec<(C64, &[C64])> = made
                .iter()
                .map(|(f, d)| (log(*f, *d, RATE), c.as_slice()))
                .collect();
            clusters(&lines(&made), RATE)
        };
        let reach = 80.0 / TAU;
        for (a, b) in [(10.0, 5.0), (5.0, 10.0)] {
            assert_eq!(of(&[(1000.0 + 0.99 * reach, a), (1000.0, b)]), [[1, 0]]);
            assert_eq!(of(&[(1000.0 + 1.01 * reach, a), (1000.0, b)]), [[1], [0]]);
        }
        assert_eq!(of(&[(1000.0, 400.0), (1399.0, 400.0)]), [[0, 1]]);
        assert_eq!(of(&[(1000.0, 400.0), (1401.0, 400.0)]), [[0], [1]]);
        // From one to the next: the last two are as near as the first two.
        assert_eq!(
            of(&[(1000.0, 10.0), (1020.0, 10.0), (1010.0, 10.0)]),
            [[0, 2, 1]]
        );
        assert!(of(&[]).is_empty());
    }

    #[test]
    fn clusters_come_by_their_energy() {
        // Energies: 1/2 + 1/2, 9/4, 16/20.
        let all = lines(&[
            (C64::new(-2.0, 0.1), &[one(1.0), one(0.0)]),
            (C64::new(-4.0, 0.2), &[one(0.0), one(3.0)]),
            (C64::new(-20.0, 0.3), &[C64::new(0.0, 4.0), one(0.0)]),
            (C64::new(-2.0, 0.4), &[one(0.0), one(-1.0)]),
        ]);
        let order = by_energy(vec![vec![2], vec![0, 3], vec![1]], &all);
        assert_eq!(order, [vec![1], vec![0, 3], vec![2]]);
    }

    /// A fiftieth of the slower one's decay.
    #[test]
    fn of_two_copies_of_a_line_the_weaker_goes() {
        let left = |gap: C64, a: f64, b: f64| {
            let s = log(1000.0, 10.0, RATE);
            let faster = s + gap / RATE;
            let mut all = lines(&[
                (s, &[one(a), one(0.0)]),
                (faster, &[one(0.0), one(b)]),
                (log(3000.0, 10.0, RATE), &[one(0.01), one(0.0)]),
            ]);
            drop_weak_copies(&mut all);
            let kept: Vec<f64> = all.amplitudes.iter().flatten().map(|c| c.re).collect();
            kept.into_iter().filter(|v| *v != 0.0).collect::<Vec<f64>>()
        };
        for gap in [
            C64::new(0.0, 0.199),
            C64::new(-0.199, 0.0),
            C64::new(0.0, -0.199),
        ] {
            assert_eq!(left(gap, 1.0, 0.9), [1.0, 0.01]);
            assert_eq!(left(gap, 0.9, 1.0), [0.01, 1.0]);
            // Of two alike the first stays.
            assert_eq!(left(gap, 1.0, 1.0), [1.0, 0.01]);
            assert_eq!(left(gap * 1.01, 1.0, 0.9), [1.0, 0.01, 0.9]);
        }
        let mut same = lines(&[(one(-1.0), &[one(2.0)]), (one(-1.0), &[one(2.0)])]);
        drop_weak_copies(&mut same);
        assert_eq!(same.logs.len(), 1);
    }

    /// The middle one of five has a quality of less than 150.
    #[test]
    fn a_wheel_is_damped_when_its_strongest_peaks_are_broad() {
        let of = |qualities: &[f64]| {
            let one = |q: &f64| Group {
                low_hz: 900.0,
                high_hz: 1100.0,
                decay_per_s: PI * 1000.0 / q,
                strength: 1.0,
                count: 1,
            };
            is_damped(&qualities.iter().map(one).collect::<Vec<_>>())
        };
        assert!(of(&[149.0]) && !of(&[151.0]));
        assert!(of(&[900.0, 149.0, 10.0]) && !of(&[900.0, 151.0, 10.0]));
        assert!(of(&[900.0, 900.0, 10.0, 149.0, 10.0]));
        assert!(!of(&[900.0, 900.0, 151.0, 10.0, 10.0]));
        // The sixth is not asked.
        assert!(!of(&[900.0, 900.0, 151.0, 10.0, 10.0, 10.0, 10.0]));
        assert!(!of(&[]));
    }

    /// The first line with its amplitude too small by `off` leaves that share of itself.
    fn short_of(off: f64) -> (Vec<Vec<f64>>, Lines) {
        let whole = select(&wheel(), &[0]);
        let taps = vec![sound(&whole, 0, 8000), sound(&whole, 1, 8000)];
        let mut less = whole;
        for c in less.amplitudes.iter_mut().flatten() {
            *c *= 1.0 - off;
        }
        (taps, less)
    }

    #[test]
    fn lines_explain_what_they_do_not_leave() {
        let silent = [NoiseDensity::white(1e-15), NoiseDensity::white(1e-15)];
        for share in [0.01f64, 0.2] {
            for (times, expected) in [(0.99, true), (1.01, false)] {
                let (mut taps, less) = short_of((share * times).sqrt());
                assert_eq!(
                    explain(&windows(&taps, &silent, RATE), &less, share),
                    expected
                );
                // What comes after the first tenth of a second does not count.
                for x in &mut taps {
                    x[1600..].fill(0.7);
                }
                assert_eq!(
                    explain(&windows(&taps, &silent, RATE), &less, share),
                    expected
                );
                // Each tap must be explained.
                let mut one_of_two = less.clone();
                one_of_two.amplitudes[0] = wheel().amplitudes[0][..1].to_vec();
                let w = windows(&taps, &silent, RATE);
                assert_eq!(explain(&w, &one_of_two, share), expected);
                one_of_two.amplitudes = [&less.amplitudes[0], &wheel().amplitudes[1][..1].to_vec()]
                    .map(Clone::clone)
                    .to_vec();
                assert_eq!(explain(&w, &one_of_two, share), expected);
            }
        }
        // Twice the noise is allowed for.
        let (taps, less) = short_of(0.2);
        let excess = power(&taps[0][..1600]) * (0.04 - 0.01) / 1600.0;
        let with = |variance: f64| {
            let noise = [NoiseDensity::white(variance), NoiseDensity::white(1.0)];
            explain(&windows(&taps, &noise, RATE), &less, 0.01)
        };
        assert!(with(0.501 * excess) && !with(0.499 * excess));
    }

    /// Half a percent left is next to nothing, and a tenth of an echo of 6 %, but not of 4 %.
    #[test]
    fn all_is_explained_when_an_echo_would_leave_far_more() {
        let silent = [NoiseDensity::white(1e-15), NoiseDensity::white(1e-15)];
        let of = |off: f64, share: f64| {
            let (taps, less) = short_of(off);
            let echo = Echo {
                share,
                decay_per_s: 17.0,
            };
            explain_all(&windows(&taps, &silent, RATE), &less, echo)
        };
        // What is left over what the lines are: (off / (1 - off))^2.
        let off = 0.005f64.sqrt() / (1.0 + 0.005f64.sqrt());
        assert!(of(off, 0.0505) && !of(off, 0.0495));
        assert!(!of(0.11, 0.9));
    }

    /// Against the spectrum of the line itself under the falling taper of 0.34 s, which is one
    /// where the line is: a line of 40/s has lost its energy within a tenth of that.
    #[test]
    fn skirts_are_those_of_the_lines_spectra() {
        let len = (0.34 * RATE) as usize;
        let taper = |n: usize| 0.5 * (1.0 + (PI * n as f64 / len as f64).cos());
        let gain: f64 = (0..len).map(|n| taper(n).powi(2)).sum();
        let silent = [NoiseDensity::white(1e-15), NoiseDensity::white(1e-15)];
        let all = lines(&[
            (log(2000.0, 40.0, RATE), &[one(0.5), C64::new(0.0, 0.3)]),
            (log(5000.0, 50.0, RATE), &[one(0.4), one(0.2)]),
        ]);
        let taps = [sound(&all, 0, len), sound(&all, 1, len)];
        let w = windows(&taps, &silent, RATE);
        for freq_hz in [2000.0, 2010.0, 1985.0, 5000.0, 5040.0] {
            let plain: f64 = taps
                .iter()
                .map(|x| {
                    let one = |n: usize| {
                        C64::from_polar(x[n] * taper(n), -TAU * freq_hz / RATE * n as f64)
                    };
                    (0..len).map(one).sum::<C64>().norm_sqr() / (gain * RATE)
                })
                .sum();
            let stated = skirt_power(&all, &w, freq_hz);
            assert!(
                (stated / plain - 1.0).abs() < 0.1,
                "{freq_hz} {}",
                stated / plain
            );
        }
    }

    #[test]
    fn the_lines_of_a_group_are_fitted_in_its_band() {
        let silent = [NoiseDensity::white(1e-12), NoiseDensity::white(1e-12)];
        let taps = heard(1e-12);
        let w = windows(&taps, &silent, RATE);
        let none = Lines::none(2);
        let pair = fit_group(&taps, &w, &group(2500.0, 2504.0, 12.0), None, &none);
        // The image 80 dB down, a ten-thousandth of the line over its decay.
        agrees(&pair, &select(&wheel(), &[1, 2]), 2e-3, 0.02);
        let lone = fit_group(&taps, &w, &group(1000.0, 1000.0, 10.0), None, &none);
        agrees(&lone, &select(&wheel(), &[0]), 2e-3, 0.02);
        // A group away from all of them has no line: a tenth of the band's rate, 500 Hz, is the
        // reach.
        for (low, high, count) in [
            (1045.0, 1045.0, 1),
            (1055.0, 1055.0, 0),
            (955.0, 955.0, 1),
            (945.0, 945.0, 0),
        ] {
            let found = fit_group(&taps, &w, &group(low, high, 10.0), None, &none);
            let near = found
                .logs
                .iter()
                .filter(|s| (s.im * RATE / TAU - 1000.0).abs() < 1.0);
            assert_eq!(near.count(), count, "{low}");
        }
        // What grows is no line, nor what is below half of the band.
        let lonely = |freq_hz: f64, decay: f64| {
            let x = tones(&[(log(freq_hz, decay, RATE), one(0.3))], 4000);
            let taps = [x];
            let w = windows(&taps, &silent[..1], RATE);
            let g = group(freq_hz, freq_hz, decay.abs());
            fit_group(&taps, &w, &g, None, &Lines::none(1)).logs.len()
        };
        assert_eq!((lonely(1000.0, 10.0), lonely(1000.0, -10.0)), (1, 0));
        assert_eq!((lonely(600.0, 10.0), lonely(45.0, 10.0)), (1, 0));
        let nothing = [vec![0.0; 8000], vec![0.0; 8000]];
        assert!(
            fit_group(&nothing, &w, &group(1000.0, 1000.0, 10.0), None, &none)
                .logs
                .is_empty()
        );
    }

    /// One line where there are two: the closer look parts them, and subtracts what it found.
    #[test]
    fn a_closer_look_parts_a_pair() {
        let silent = [NoiseDensity::white(1e-12), NoiseDensity::white(1e-12)];
        let taps = heard(1e-12);
        let w = windows(&taps, &silent, RATE);
        let echo = Echo {
            share: 1e-9,
            decay_per_s: 17.0,
        };
        for echo in [None, Some(echo)] {
            let mut rough = select(&wheel(), &[0, 1]);
            rough.logs[0] += C64::new(-1.0, 3.0) / RATE;
            rough.logs[1] += C64::new(-2.0, 9.0) / RATE;
            let mut left = residuals(&w, &rough);
            zoom_again(&mut rough, &mut left, &w, echo);
            // Among echo a short filter, 47 dB: the rest is lines off by that.
            let (hz, decay) = if echo.is_some() {
                (0.05, 0.5)
            } else {
                (2e-3, 0.02)
            };
            agrees(&rough, &wheel(), hz, decay);
            for (t, (x, truth)) in left.iter().zip(residuals(&w, &rough)).enumerate() {
                assert!(
                    x.iter().zip(truth).all(|(a, b)| (a - b).abs() < 1e-9),
                    "{t}"
                );
                let share = power(x) / power(&taps[t]);
                assert!(share < 1e-4, "{share}");
            }
        }
        // What a closer look does not see stays as it was.
        let mut ghost = lines(&[(log(4000.0, 10.0, RATE), &[one(1e-9), one(0.0)])]);
        let mut left = vec![vec![0.0; 8000]; 2];
        zoom_again(&mut ghost, &mut left, &w, None);
        assert_eq!(ghost.amplitudes, [[one(1e-9)], [one(0.0)]]);
    }

    #[test]
    fn one_round_settles_lines_that_are_nearly_right() {
        let silent = [NoiseDensity::white(1e-12), NoiseDensity::white(1e-12)];
        let taps = heard(1e-12);
        let w = windows(&taps, &silent, RATE);
        let mut off = wheel();
        for (k, s) in off.logs.iter_mut().enumerate() {
            *s += C64::new(0.05, 0.1 * k as f64 - 0.1) / RATE;
        }
        let before = taps
            .iter()
            .enumerate()
            .map(|(t, x)| power(&off.residual(x, t, &|_| true)));
        let before: f64 = before.sum();
        let settled = settle(&w.taps, off, &w);
        let after = taps
            .iter()
            .enumerate()
            .map(|(t, x)| power(&settled.residual(x, t, &|_| true)));
        // Errors of a percent of a width are squared by a step.
        assert!(after.sum::<f64>() < 1e-3 * before);
    }

    #[test]
    fn a_search_finds_all_lines_and_no_other() {
        let taps = heard(1e-8);
        let noise = [NoiseDensity::white(1e-8), NoiseDensity::white(1e-8)];
        let w = windows(&taps, &noise, RATE);
        let found = search(&w, Room::Known(None));
        // Deviations of the pair: some 1e-4 x sqrt(16 d^3 / |c|^2), over 2 pi: below 2 mHz.
        agrees(&found.lines, &wheel(), 0.01, 0.06);
        assert!(!found.crowded && found.echo.is_none());
        // Three lines are more than two, and not more than three.
        assert!(search_until(&w, Room::Known(None), Some(2)).crowded);
        let enough = search_until(&w, Room::Known(None), Some(3));
        assert!(!enough.crowded && enough.lines.logs.len() == 3);
        // Silence has none.
        let still = [vec![0.0; 8000]];
        let found = search(&windows(&still, &noise[..1], RATE), Room::Unknown);
        assert!(found.lines.logs.is_empty() && !found.crowded && found.echo.is_none());
    }

    /// A sound of which lines explain less than four fifths is given up in a trial only.
    #[test]
    fn a_hopeless_trial_is_given_up() {
        let hiss: Vec<f64> = noise(0.01, 8000, 5)
            .iter()
            .enumerate()
            .map(|(n, v)| v * (-40.0 * n as f64 / RATE).exp())
            .collect();
        let taps = [hiss
            .iter()
            .zip(tones(&[(log(1000.0, 10.0, RATE), one(0.1))], 8000))
            .map(|(a, b)| a + b)
            .collect()];
        let noise = [NoiseDensity::white(1e-5)];
        let w = windows(&taps, &noise, RATE);
        assert!(search_until(&w, Room::Known(None), Some(48)).crowded);
        let echo = Echo {
            share: 0.5,
            decay_per_s: 17.0,
        };
        assert!(without_echo(&w, echo, 3).is_none());
    }

    #[test]
    fn a_damped_wheel_without_an_echo_is_explained_without_one() {
        let taps = heard(1e-8);
        let noise = [NoiseDensity::white(1e-8), NoiseDensity::white(1e-8)];
        let w = windows(&taps, &noise, RATE);
        let echo = Echo {
            share: 0.05,
            decay_per_s: 17.0,
        };
        let plain = without_echo(&w, echo, 2).unwrap();
        assert!(plain.echo.is_none());
        // All rounds of the joint refinement: to some deviations, as above.
        agrees(&plain.lines, &wheel(), 0.01, 0.06);
    }

    const LIVELY: Echo = Echo {
        share: 0.03,
        decay_per_s: 17.0,
    };

    /// The wheel's lines, all decaying `factor` times as fast, in a room; what is found of it.
    fn in_a_room(factor: f64, share: f64, room: Room) -> Found {
        let taps: Vec<Vec<f64>> = (0..2)
            .map(|t| {
                let all = wheel();
                let made: Vec<(C64, C64)> = all
                    .logs
                    .iter()
                    .zip(&all.amplitudes[t])
                    .map(|(s, c)| (C64::new(s.re * factor, s.im), *c))
                    .collect();
                in_room(&made, 8000, share, LIVELY.decay_per_s / RATE)
            })
            .collect();
        let noise = [NoiseDensity::white(1e-10), NoiseDensity::white(1e-10)];
        search(&windows(&taps, &noise, RATE), room)
    }

    #[test]
    fn an_echo_is_looked_for_where_it_is_not_known() {
        for room in [Room::Unknown, Room::Decay(LIVELY.decay_per_s)] {
            let found = in_a_room(1.0, LIVELY.share, room);
            let share = found.echo.map_or(f64::NAN, |e| e.share);
            // Grid and scatter of one realisation.
            let db = 10.0 * (share / LIVELY.share).log10();
            assert!(db.abs() < 6.0, "{share}");
            if let Room::Decay(known) = room {
                assert_eq!(found.echo.map(|e| e.decay_per_s), Some(known));
            }
            assert!(in_a_room(1.0, 0.0, room).echo.is_none());
        }
    }

    /// What is known of the room is taken as it is, for damped wheels too, whatever is heard.
    #[test]
    fn a_known_echo_is_not_doubted() {
        for factor in [1.0, 8.0] {
            let found = in_a_room(factor, 0.0, Room::Known(Some(LIVELY)));
            assert_eq!(found.echo, Some(LIVELY), "{factor}");
        }
    }

    /// A lone line echoes once: nothing else is counted as its neighbour.
    #[test]
    fn a_line_is_no_other_of_itself() {
        let all = select(&wheel(), &[0]);
        let taps = vec![sound(&all, 0, 8000), sound(&all, 1, 8000)];
        let noise = [NoiseDensity::white(1e-8), NoiseDensity::white(1e-8)];
        let w = windows(&taps, &noise, RATE);
        let (settled, variance) = settle_in_echo(&w, &all, LIVELY);
        let group = group_of(&all, &[0], RATE, true);
        let band = cut_band(&taps, &w, &group, true);
        let around = band.disturbance(&w, Some(LIVELY), &Lines::none(2));
        let fit = refit(&band.taps, &around, &band.as_fit(&all, &[0])).unwrap();
        let plain = fit.variance[0] / (band.zoom.step * band.zoom.step) as f64;
        assert!(
            (variance[0] / plain - 1.0).abs() < 1e-6,
            "{} {plain}",
            variance[0]
        );
        let gap = (settled.logs[0] - band.as_lines(&w, &fit).logs[0]).norm();
        assert!(gap < 1e-12, "{gap}");
    }

    /// With an echo too faint to count the stated variances are those of noise: `16 d^3 S / |c|^2`
    /// for the lone line, powers of both taps together.
    #[test]
    fn settled_in_a_faint_echo_lines_are_as_sure_as_in_noise() {
        let taps = heard(1e-4);
        let noise = [NoiseDensity::white(1e-4), NoiseDensity::white(1e-4)];
        let w = windows(&taps, &noise, RATE);
        let echo = Echo {
            share: 1e-12,
            decay_per_s: 17.0,
        };
        let mut rough = wheel();
        for (k, s) in rough.logs.iter_mut().enumerate() {
            *s += C64::new(0.3, 0.5 * k as f64 - 0.5) / RATE;
        }
        let (settled, variance) = settle_in_echo(&w, &rough, echo);
        agrees(&settled, &wheel(), 0.05, 0.5);
        let d = 10.0 / RATE;
        let bound = 16.0 * d.powi(3) * 1e-4 / (0.26 + 0.17);
        // The window of 96 band samples ends before the decay does, and the filter takes its first
        // samples.
        let share = variance[0] / bound;
        assert!((1.0..2.0).contains(&share), "{share}");
        assert_eq!(variance.len(), 3);
        // A strong echo makes it less sure.
        let loud = Echo { share: 0.1, ..echo };
        let (_, more) = settle_in_echo(&w, &rough, loud);
        assert!(more[0] > 10.0 * variance[0], "{} {}", more[0], variance[0]);
    }

    /// Ten lines in the widest band there is; in narrower ones eight are the most.
    #[test]
    fn the_widest_band_may_hold_more_lines() {
        let made: Vec<(C64, C64)> = (0..10)
            .map(|k| {
                let c = C64::from_polar(0.3, 2.0 * f64::from(k));
                (log(1500.0 + 100.0 * f64::from(k), 20.0, RATE), c)
            })
            .collect();
        let taps = [tones(&made, 4000)];
        let silent = [NoiseDensity::white(1e-10)];
        let w = windows(&taps, &silent, RATE);
        let found = fit_group(
            &taps,
            &w,
            &group(1500.0, 2400.0, 20.0),
            None,
            &Lines::none(1),
        );
        for (s, _) in &made {
            let nearest = found
                .logs
                .iter()
                .map(|f| (f - s).norm())
                .fold(1.0, f64::min);
            assert!(nearest * RATE < 0.5, "{}", nearest * RATE);
        }
        // The same ten times slower, in a band an eighth as wide.
        let made: Vec<(C64, C64)> = made
            .iter()
            .map(|(s, c)| (C64::new(s.re / 10.0, s.im / 10.0 + 0.5), *c))
            .collect();
        let taps = [tones(&made, 16_000)];
        let w = windows(&taps, &silent, RATE);
        let hz = |k: usize| made[k].0.im * RATE / TAU;
        let found = fit_group(&taps, &w, &group(hz(0), hz(9), 2.0), None, &Lines::none(1));
        assert!(found.logs.len() <= 8, "{}", found.logs.len());
    }
}
