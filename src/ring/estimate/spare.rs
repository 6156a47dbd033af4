//! Takes lines out again that the others explain as well: where broad lines overlap, a fit may stop
//! with five where there are four, and all of them wrong.

use super::accept::LOOSE;
use super::lines::{DAMPED_Q, select};
use super::polish::{Lines, Polished, polish};
use super::refine::needed_gain;

/// A line is doubted whose decay is not surer than this, relative, and that has another within so many
/// of the broader one's half-power widths: of a damped wheel, and of others only where it would be
/// refused as [`LOOSE`] and spoils its neighbours.
const UNSURE: f64 = 0.02;
const WIDTHS: f64 = 3.0;
/// Most lines that are tried, and rounds of the others' refinement without one.
const MOST_TRIES: usize = 16;
const ROUNDS: usize = 8;

/// Takes out lines without which the cost, in squared standard deviations of complex data, rises by less
/// than [`needed_gain`], and those that would be lost together with their neighbour. `over_noise` turns
/// a weighted cost at a line (`ln z`) into squared standard deviations.
pub fn without_spare(
    taps: &[&[f64]],
    mut now: Polished,
    weights: &[f64],
    over_noise: impl Fn(f64) -> f64,
) -> Polished {
    let need = needed_gain(taps.len());
    let mut tries = 0;
    loop {
        let mut doubted = doubted(&now, &over_noise);
        let energy = |k: &usize| {
            let all = now.lines.amplitudes.iter().map(|a| a[*k].norm_sqr());
            all.sum::<f64>() / -now.lines.logs[*k].re
        };
        doubted.sort_by(|a, b| energy(a).total_cmp(&energy(b)));
        let mut better = None;
        for k in doubted {
            if tries == MOST_TRIES {
                return now;
            }
            tries += 1;
            let keep: Vec<usize> = (0..now.lines.logs.len()).filter(|o| *o != k).collect();
            let fewer = polish(taps, select(&now.lines, &keep), weights, ROUNDS);
            let rise = fewer.cost - now.cost;
            // Real data: half of the squared deviations are one of complex data.
            let is_spare = 0.5 * rise * over_noise(now.lines.logs[k].im) < need;
            if is_spare || is_saved(&now, &fewer, k, &over_noise) {
                better = Some(fewer);
                break;
            }
        }
        match better {
            Some(fewer) => now = fewer,
            None => return now,
        }
    }
}

/// Standard deviation of a line's decay, relative; infinite where there is none, or no decay.
fn unsureness(fit: &Polished, k: usize, over_noise: &impl Fn(f64) -> f64) -> f64 {
    let s = fit.lines.logs[k];
    let std = (fit.variance[k].0 / over_noise(s.im)).sqrt();
    if std.is_finite() && s.re < 0.0 {
        std / -s.re
    } else {
        f64::INFINITY
    }
}

/// The lines that overlap line `k`.
fn neighbours(lines: &Lines, k: usize) -> impl Iterator<Item = usize> {
    let s = lines.logs[k];
    (0..lines.logs.len()).filter(move |&o| {
        let width = 2.0 * (-s.re).max(-lines.logs[o].re);
        o != k && (lines.logs[o].im - s.im).abs() < WIDTHS * width
    })
}

/// True when line `k` and a neighbour would both be refused as loose and the neighbour alone, in
/// `fewer`, is not: two lines in place of one would lose the tone.
fn is_saved(now: &Polished, fewer: &Polished, k: usize, over_noise: &impl Fn(f64) -> f64) -> bool {
    unsureness(now, k, over_noise) > LOOSE
        && neighbours(&now.lines, k).any(|o| {
            let left = o - usize::from(o > k);
            unsureness(now, o, over_noise) > LOOSE && unsureness(fewer, left, over_noise) <= LOOSE
        })
}

fn doubted(now: &Polished, over_noise: &impl Fn(f64) -> f64) -> Vec<usize> {
    let logs = &now.lines.logs;
    (0..logs.len())
        .filter(|&k| {
            // f / (2 half widths in Hz), whatever the rate.
            let damped = logs[k].im.abs() < 2.0 * DAMPED_Q * -logs[k].re;
            let most = if damped { UNSURE } else { LOOSE };
            neighbours(&now.lines, k).next().is_some() && unsureness(now, k, over_noise) > most
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::made::{lines, noise, tones};
    use super::*;
    use crate::ring::estimate::phasor::C64;

    fn one(of: f64) -> C64 {
        C64::new(of, 0.0)
    }

    /// Lines with the given relative deviations of their decays.
    fn fit(of: &[(C64, f64)]) -> Polished {
        let c = [one(1.0)];
        let made: Vec<(C64, &[C64])> = of.iter().map(|(s, _)| (*s, c.as_slice())).collect();
        let variance = of.iter().map(|(s, unsure)| ((unsure * s.re).powi(2), 0.0));
        Polished {
            lines: lines(&made),
            variance: variance.collect(),
            cost: 0.0,
        }
    }

    #[test]
    fn unsureness_is_the_relative_deviation_of_the_decay() {
        let f = fit(&[(C64::new(-0.01, 0.5), 0.2), (C64::new(-0.02, 0.7), 0.1)]);
        let plain = |_: f64| 1.0;
        assert!((unsureness(&f, 0, &plain) - 0.2).abs() < 1e-12);
        // Four times as much over the noise at that line, half the deviation.
        let local = |omega: f64| if omega > 0.6 { 4.0 } else { 1.0 };
        assert!((unsureness(&f, 0, &local) - 0.2).abs() < 1e-12);
        assert!((unsureness(&f, 1, &local) - 0.05).abs() < 1e-12);
        let grows = fit(&[(C64::new(0.01, 0.5), 0.2)]);
        assert!(unsureness(&grows, 0, &plain).is_infinite());
        let unknown = fit(&[(C64::new(-0.01, 0.5), f64::INFINITY)]);
        assert!(unsureness(&unknown, 0, &plain).is_infinite());
    }

    /// Three half-power widths, `2 delta`, of the broader one.
    #[test]
    fn neighbours_are_within_three_widths_of_the_broader_line() {
        let of = |gap: f64| {
            let f = fit(&[
                (C64::new(-0.01, 0.5), 0.1),
                (C64::new(-0.002, 0.5 + gap), 0.1),
                (C64::new(-0.002, 0.5 - gap), 0.1),
            ]);
            let all = |k: usize| neighbours(&f.lines, k).collect::<Vec<_>>();
            (all(0), all(1))
        };
        assert_eq!(of(0.0599), (vec![1, 2], vec![0]));
        assert_eq!(of(0.0601), (vec![], vec![]));
    }

    #[test]
    fn lines_are_doubted_by_how_damped_and_how_unsure_they_are() {
        let of = |decay: f64, unsure: f64, gap: f64| {
            let f = fit(&[
                (C64::new(-decay, 0.5), unsure),
                (C64::new(-decay, 0.5 + gap), 1e-6),
            ]);
            doubted(&f, &|_| 1.0)
        };
        // A quality of 150: omega / (2 delta).
        let broad = 0.5 / 300.0;
        assert_eq!(of(1.01 * broad, 0.021, 0.001), [0]);
        assert!(of(1.01 * broad, 0.019, 0.001).is_empty());
        assert!(of(0.99 * broad, 0.299, 0.001).is_empty());
        assert_eq!(of(0.99 * broad, 0.301, 0.001), [0]);
        // Alone it is not doubted.
        assert!(of(1.01 * broad, 0.5, 0.2).is_empty());
    }

    /// Of lines 0, 1 and 2 the first or the last is taken out: what was loose is sure.
    #[test]
    fn a_neighbour_is_saved_when_it_is_sure_without_the_line() {
        let s = |k: f64| C64::new(-0.01, 0.5 + 0.001 * k);
        let now = |a: f64, b: f64, c: f64| fit(&[(s(0.0), a), (s(1.0), b), (s(90.0), c)]);
        let fewer = |a: f64| fit(&[(s(1.0), a), (s(90.0), 0.5)]);
        let saved = |now: &Polished, fewer: &Polished| is_saved(now, fewer, 0, &|_| 1.0);
        assert!(saved(&now(0.31, 0.31, 0.5), &fewer(0.29)));
        assert!(!saved(&now(0.29, 0.31, 0.5), &fewer(0.29)));
        assert!(!saved(&now(0.31, 0.29, 0.5), &fewer(0.29)));
        assert!(!saved(&now(0.31, 0.31, 0.5), &fewer(0.31)));
        // The line behind: places before it stay.
        let two = fit(&[(s(0.0), 0.1), (s(90.0), 0.5)]);
        assert!(is_saved(&now(0.31, 0.31, 0.5), &two, 1, &|_| 1.0));
    }

    /// Two overlapping lines of a damped wheel, fitted with three: the third goes. With two for
    /// two none does, and a line that stands alone is never tried.
    #[test]
    fn a_line_that_the_others_explain_is_taken_out() {
        let truth = [
            (C64::new(-0.010, 0.50), C64::new(0.8, 0.1)),
            (C64::new(-0.012, 0.53), C64::new(0.2, 0.6)),
        ];
        let variance = 1e-5;
        let clean = tones(&truth, 900);
        let x: Vec<f64> = clean
            .iter()
            .zip(noise(variance, 900, 6))
            .map(|(a, b)| a + b)
            .collect();
        let views = [x.as_slice()];
        let weights = [1.0 / variance];
        let mut made: Vec<(C64, [C64; 1])> = truth.iter().map(|(s, c)| (*s, [*c])).collect();
        let polished = |made: &[(C64, [C64; 1])]| {
            let some: Vec<(C64, &[C64])> = made.iter().map(|(s, c)| (*s, c.as_slice())).collect();
            polish(&views, lines(&some), &weights, 20)
        };
        let two = without_spare(&views, polished(&made), &weights, |_| 1.0);
        assert_eq!(two.lines.logs.len(), 2);
        made.push((C64::new(-0.014, 0.515), [C64::new(0.01, 0.0)]));
        let three = polished(&made);
        assert_eq!(three.lines.logs.len(), 3);
        let spared = without_spare(&views, three, &weights, |_| 1.0);
        assert_eq!(spared.lines.logs.len(), 2);
        assert!(
            (spared.cost / two.cost - 1.0).abs() < 1e-3,
            "{} {}",
            spared.cost,
            two.cost
        );
        for (s, _) in truth {
            let nearest = spared
                .lines
                .logs
                .iter()
                .map(|f| (f - s).norm())
                .fold(1.0, f64::min);
            // Deviations of the pair are some 1e-5 x 10.
            assert!(nearest < 5e-4, "{nearest}");
        }
        // A lone line whose loss costs 24 squared deviations of complex data, 48 of real: with as
        // much over the noise as weighted it stays, with half as much it goes, and stays with
        // twice as much.
        let weak = [(C64::new(-0.012, 0.55), C64::new(0.1, 0.0)), truth[0]];
        let x = tones(&weak, 900);
        let views = [x.as_slice()];
        let both: Vec<(C64, [C64; 1])> = weak.iter().map(|(s, c)| (*s, [*c])).collect();
        let both: Vec<(C64, &[C64])> = both.iter().map(|(s, c)| (*s, c.as_slice())).collect();
        let fitted = |weight: f64| polish(&views, lines(&both), &[weight], 20);
        let rise = polish(&views, lines(&both[1..]), &[1.0], ROUNDS).cost;
        let weight = 2.0 * 24.0 / rise;
        for (over, left) in [(1.0, 2), (0.5, 1), (2.0, 2)] {
            let spared = without_spare(&views, fitted(weight), &[weight], |_| over);
            assert_eq!(spared.lines.logs.len(), left, "{over}");
        }
        // A cost rises over so many squared deviations when the pair is cut to one.
        let one_of_two = polish(&views, select(&two.lines, &[0]), &weights, 20);
        assert!(0.5 * (one_of_two.cost - two.cost) > 10.0 * needed_gain(1));
    }
}
