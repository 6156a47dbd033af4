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
/// than [`needed_gain`]. `over_noise` turns a weighted cost at a line (`ln z`) into squared standard
/// deviations.
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
            if 0.5 * rise * over_noise(now.lines.logs[k].im) < need {
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

fn doubted(now: &Polished, over_noise: &impl Fn(f64) -> f64) -> Vec<usize> {
    let Lines { logs, .. } = &now.lines;
    (0..logs.len())
        .filter(|k| {
            let s = logs[*k];
            let std = (now.variance[*k].0 / over_noise(s.im)).sqrt();
            let near = (0..logs.len()).any(|o| {
                let width = 2.0 * (-s.re).max(-logs[o].re);
                o != *k && (logs[o].im - s.im).abs() < WIDTHS * width
            });
            // f / (2 half widths in Hz), whatever the rate.
            let damped = s.im.abs() < 2.0 * DAMPED_Q * -s.re;
            let unsure = if damped { UNSURE } else { LOOSE };
            near && (std > unsure * -s.re || !std.is_finite())
        })
        .collect()
}
