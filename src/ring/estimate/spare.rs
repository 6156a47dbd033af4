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
