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

    /// Samples of [`tops`] in 0.2 everywhere, with these put at their places.
    fn top_samples(n: usize, put: &[(usize, &[f64])], step: f64) -> Vec<usize> {
        let mut x = vec![0.2; n];
        for (at, values) in put {
            x[*at..at + values.len()].copy_from_slice(values);
        }
        let mut found = Vec::new();
        // All at half of it, so that nothing hangs on a top of 1.
        let y = |i: usize| 0.5 * x[i];
        tops(n, &y, 0.5, 0.5 * step, &mut found);
        found
    }

    #[test]
    fn one_flat_top_of_three_samples_is_enough() {
        assert_eq!(
            top_samples(30, &[(10, &[1.0, 0.9999, 0.99985])], 0.0),
            [10, 11, 12]
        );
        assert!(top_samples(30, &[(10, &[1.0, 0.9999])], 0.0).is_empty());
        // Eight of ten must be within a fifth of what counts as near.
        let five = [1.0, 0.99985, 0.99985, 0.99985, 0.9993];
        assert_eq!(top_samples(30, &[(10, &five)], 0.0).len(), 5);
        let less = [1.0, 0.99985, 0.99985, 0.99975, 0.9993];
        assert!(top_samples(30, &[(10, &less)], 0.0).is_empty());
    }

    #[test]
    fn tops_that_are_not_flat_must_be_two() {
        let round = [0.9993, 1.0, 0.9993];
        assert!(top_samples(40, &[(10, &round)], 0.0).is_empty());
        let two = top_samples(40, &[(10, &round), (20, &round)], 0.0);
        assert_eq!(two, [10, 11, 12, 20, 21, 22]);
        // A thousandth below the top is the limit of what is near.
        let near = [1.0, 0.999_01, 1.0];
        assert_eq!(top_samples(40, &[(10, &near), (20, &near)], 0.0).len(), 6);
        let far = [1.0, 0.998_99, 1.0];
        assert!(top_samples(40, &[(10, &far), (20, &far)], 0.0).is_empty());
    }

    #[test]
    fn a_top_has_steep_sides_half_its_length_away() {
        // Two samples away from three, three from five: by more than a hundredth on the mean.
        let three = |left: f64, right: f64| {
            let sound = [left, 0.2, 1.0, 1.0, 1.0, 0.2, right];
            !top_samples(30, &[(10, &sound)], 0.0).is_empty()
        };
        assert!(three(0.9899, 0.9899) && three(0.9999 - 0.003, 0.982));
        assert!(!three(0.9901, 0.9901) && !three(0.985, 0.996));
        let five = |left: f64, right: f64| {
            let top = [1.0; 5];
            let sound = [&[left, 0.2, 0.2], &top[..], &[0.2, 0.2, right]].concat();
            !top_samples(30, &[(10, &sound)], 0.0).is_empty()
        };
        assert!(five(0.9899, 0.9899));
        assert!(!five(0.9901, 0.9901));
    }

    #[test]
    fn at_an_end_one_side_decides() {
        let at_end = |n: usize, from: usize, value: f64, at: usize| {
            !top_samples(n, &[(from, &[1.0; 3]), (at, &[value])], 0.0).is_empty()
        };
        // Two samples before the first, or after the last, there is nothing.
        for from in [0, 1] {
            assert!(at_end(20, from, 0.9899, from + 4), "{from}");
            assert!(!at_end(20, from, 0.9901, from + 4), "{from}");
            assert!(at_end(20, 17 - from, 0.9899, 15 - from), "{from}");
            assert!(!at_end(20, 17 - from, 0.9901, 15 - from), "{from}");
        }
        // There is one: with 0.2 on one side the other may be as it likes.
        assert!(at_end(20, 2, 0.9901, 6) && at_end(20, 15, 0.9901, 13));
    }

    // With steps of 0.1 what is within a step is near, and a side is ten steps away.
    #[test]
    fn a_coarse_step_makes_near_what_is_one_step_away() {
        let with = |top: [f64; 3], side: f64, step: f64| {
            let sound = [side, side, top[0], top[1], top[2], side, side];
            top_samples(20, &[(6, &sound)], step).len()
        };
        assert_eq!(with([1.0, 0.95, 0.95], -0.05, 0.1), 3);
        assert_eq!(with([1.0, 0.95, 0.95], 0.0, 0.1), 0, "1.01 below is steep");
        assert_eq!(
            with([1.0, 0.948, 0.948], -0.05, 0.1),
            0,
            "0.051 below is flat"
        );
        // A step of more than a fifth tells nothing.
        assert_eq!(with([1.0; 3], -1.1, 0.198), 3);
        assert_eq!(with([1.0; 3], -1.1, 0.1981), 0);
    }

    #[test]
    fn three_equal_extremes_of_a_fine_signal_are_cut_off() {
        let told = |below: f64, step: f64| {
            let mut x = [0.1; 30];
            for at in [3, 11, 25] {
                x[at] = 1.0;
            }
            x[11] = 1.0 - below;
            let mut found = Vec::new();
            equals(30, &|i: usize| 0.5 * x[i], 0.5, 0.5 * step, &mut found);
            found
        };
        assert_eq!(told(0.0, 0.0), [3, 11, 25]);
        assert_eq!(told(0.9e-9, 0.0), [3, 11, 25]);
        assert!(told(1.1e-9, 0.0).is_empty());
        assert_eq!(told(0.9e-5, 1e-3), [3, 11, 25]);
        assert!(told(1.1e-5, 1e-3).is_empty());
        // With less than a thousand steps equal ones come by chance.
        assert!(told(0.0, 1.01e-3).is_empty());
    }

    #[test]
    fn two_samples_at_the_rail_of_either_side_are_cut_off() {
        let told = |a: f64, b: f64| {
            let mut x: Vec<f64> = decaying(8_000.0, 1_234.0, 0.4);
            x[20] = a;
            x[70] = b;
            find(&x, 0.0).map(|c| (c.samples, c.last))
        };
        assert_eq!(told(0.999_97, -0.999_98), Some((2, 70)));
        assert_eq!(told(-1.0, 0.999_97), Some((2, 70)));
        assert_eq!(told(0.999_97, -0.999_95), None);
        // Where samples go beyond full scale there is no rail there.
        assert_eq!(told(1.1, 1.0), None);
        assert_eq!(told(1.000_000_000_5, 1.0), Some((2, 70)));
    }

    #[test]
    fn what_is_cut_off_on_both_sides_is_counted_once_with_the_last() {
        let mut x = vec![0.0; 40];
        x[5..8].fill(0.6);
        x[20..24].fill(-0.7);
        let found = find(&x, 0.0);
        assert_eq!(
            found,
            Some(Clipped {
                samples: 7,
                last: 23
            })
        );
        for v in &mut x {
            *v = -*v;
        }
        assert_eq!(find(&x, 0.0), found);
        // At the rail every sign tells of the same samples.
        x[5..8].fill(-1.0);
        x[20..24].fill(1.0);
        assert_eq!(find(&x, 0.0), found);
        assert_eq!(find(&[0.0; 40], 0.0), None);
        assert_eq!(find(&[], 0.0), None);
    }
}
