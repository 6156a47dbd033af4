//! Samples that a converter or an amplifier cut off.

use crate::ring::listen::clipping::Side::{High, Low};

/// Samples within this part of the extreme count as at it.
const NEAR: f64 = 1e-3;
/// Beside a cut-off top the signal falls by more than this part of the extreme within half
/// the length of the top. A round top of that length falls by four times [`NEAR`].
const STEEP: f64 = 1e-2;
/// A sample from here to 1.0 is at the rail of 16 bits and more (32767/32768 = 0.99997).
const RAIL: f64 = 0.999_96;

#[derive(Debug, Clone, Copy)]
enum Side {
    High,
    Low,
}

/// Cut-off samples of one tap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Clipped {
    /// Number of samples at the rail.
    pub(super) samples: usize,
    /// Index of the last of them.
    pub(super) last: usize,
}

/// Looks for cut-off samples in `x`, the sound from shortly before a strike on. `step` is the
/// step of quantisation as far as it is known, 0 if not.
///
/// Three signs, each enough: two or more tops of three or more samples (or one that is quite
/// flat) with steep sides; two or more samples at the digital rail; three or more samples
/// of exactly the same extreme value in a finely quantised signal. A single sample at the rail is
/// no sign: a recording may have been scaled to just reach it.
pub(super) fn find(x: &[f64], step: f64) -> Option<Clipped> {
    let mut at_rail: Vec<usize> = Vec::new();
    for side in [High, Low] {
        let y = |i: usize| match side {
            High => x[i],
            Low => -x[i],
        };
        let top = (0..x.len()).map(y).fold(0.0, f64::max);
        if top > 0.0 {
            tops(x.len(), &y, top, step, &mut at_rail);
            equals(x.len(), &y, top, step, &mut at_rail);
        }
    }
    if x.iter().all(|s| s.abs() <= 1.0 + 1e-9) {
        let rail: Vec<usize> = (0..x.len()).filter(|&i| x[i].abs() >= RAIL).collect();
        if rail.len() >= 2 {
            at_rail.extend(rail);
        }
    }
    at_rail.sort_unstable();
    at_rail.dedup();
    at_rail.last().map(|&last| Clipped {
        samples: at_rail.len(),
        last,
    })
}

/// Flat tops with steep sides.
fn tops(n: usize, y: &impl Fn(usize) -> f64, top: f64, step: f64, found: &mut Vec<usize>) {
    let near = (NEAR * top).max(1.01 * step);
    if near > 0.2 * top {
        return; // too coarse to tell a top from a step of the quantiser
    }
    let steep = near * (STEEP / NEAR);
    let mut runs: Vec<(usize, usize, bool)> = Vec::new();
    let mut i = 0;
    while i < n {
        if y(i) < top - near {
            i += 1;
            continue;
        }
        let from = i;
        while i < n && y(i) >= top - near {
            i += 1;
        }
        let len = i - from;
        if len < 3 {
            continue;
        }
        // Half a top farther on, on either side.
        let reach = len.div_ceil(2);
        let left = from.checked_sub(reach).map_or(top - steep, y);
        let right = if i - 1 + reach < n {
            y(i - 1 + reach)
        } else {
            top - steep
        };
        if top - 0.5 * (left + right) > steep {
            let flat = (from..i)
                .filter(|&j| y(j) >= top - (0.2 * near).max(0.51 * step))
                .count();
            runs.push((from, i, 10 * flat >= 8 * len));
        }
    }
    if runs.len() >= 2 || runs.iter().any(|r| r.2) {
        for (from, to, _) in runs {
            found.extend(from..to);
        }
    }
}

/// Samples of exactly the extreme value: tones too high to leave three samples at the rail.
fn equals(n: usize, y: &impl Fn(usize) -> f64, top: f64, step: f64, found: &mut Vec<usize>) {
    if top < 1000.0 * step {
        return;
    }
    let same: Vec<usize> = (0..n)
        .filter(|&i| y(i) >= top - (1e-9 * top).max(0.01 * step))
        .collect();
    if same.len() >= 3 {
        found.extend(same);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn decaying(rate_hz: f64, freq_hz: f64, gain: f64) -> Vec<f64> {
        (0..(0.3 * rate_hz) as usize)
            .map(|i| {
                let t = i as f64 / rate_hz;
                gain * (-t * 2.0).exp() * (2.0 * PI * freq_hz * t).sin()
            })
            .collect()
    }

    #[test]
    fn clean_peaks_of_low_tones_at_high_rates_are_not_clipped() {
        for rate in [8_000.0, 48_000.0, 192_000.0] {
            for freq in [100.0, 317.0, 997.0, 2_900.0] {
                assert_eq!(find(&decaying(rate, freq, 0.7), 0.0), None, "{rate} {freq}");
            }
        }
    }

    #[test]
    fn cut_tops_are_found_at_and_below_full_scale() {
        for (freq, over_db, ceiling) in [
            (997.0, 0.5, 1.0),
            (997.0, 3.0, 0.61),
            (3_000.0, 3.0, 0.61),
            (8_000.0, 3.0, 0.999_97),
        ] {
            let gain = ceiling * 10f64.powf(over_db / 20.0);
            let x: Vec<f64> = decaying(48_000.0, freq, gain)
                .iter()
                .map(|s| s.clamp(-ceiling, ceiling))
                .collect();
            let found = find(&x, 0.0).unwrap();
            let truth = x.iter().filter(|s| s.abs() >= ceiling).count();
            assert!(
                found.samples >= truth,
                "{freq}: {} of {truth}",
                found.samples
            );
            let last = x.iter().rposition(|s| s.abs() >= ceiling).unwrap();
            assert!(
                found.last.abs_diff(last) < 60,
                "{freq}: {} {last}",
                found.last
            );
        }
    }

    #[test]
    fn one_sample_scaled_to_the_rail_is_not_clipping() {
        let mut x = decaying(48_000.0, 1_234.0, 0.9);
        x[11] = 1.0;
        assert_eq!(find(&x, 0.0), None);
    }

    #[test]
    fn equal_samples_of_a_quiet_16_bit_tone_are_not_clipping() {
        let step = 1.0 / 32_768.0;
        let x: Vec<f64> = decaying(48_000.0, 500.0, 30.0 * step)
            .iter()
            .map(|s| (s / step).round() * step)
            .collect();
        assert_eq!(find(&x, step), None);
    }
}
