//! One narrow band of a decay, mixed to zero and decimated, looking forward only.
//!
//! `y[m] = sum_l h[l] x[mD + l] exp(-i w_c (mD + l))`: each output uses only samples after
//! the window's start, so that a damped exponential stays one (with a complex gain), and no
//! filter transient and no smeared strike gets into the fit.

use std::sync::{Arc, OnceLock};

use super::phasor::{C64, looked_for, powers, weighted_sum_inlined};
use crate::signal::wide::widely;

const ZERO: C64 = C64::new(0.0, 0.0);

/// How a band is cut out: centre, decimation, filter.
#[derive(Debug, Clone)]
pub struct Zoom {
    /// Centre in radians per input sample.
    pub centre: f64,
    /// Decimation factor.
    pub step: usize,
    taps: Arc<[f64]>,
    /// Sum of the squared filter coefficients: noise variance per input variance.
    pub noise_gain: f64,
}

/// Which low-pass cuts the band out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Slope {
    /// 80 dB in the stop band, over 14 steps: for a band whose neighbours are strong.
    Steep,
    /// 47 dB over 8 steps: it starts earlier, where an echo has not built up yet.
    Early,
}

impl Zoom {
    /// A band around `centre_hz` with about `rate_hz / step` complex samples per second.
    pub fn new(centre_hz: f64, rate_hz: f64, step: usize, slope: Slope) -> Self {
        let taps = low_pass_of(step, slope);
        let noise_gain = taps.iter().map(|h| h * h).sum();
        Self {
            centre: std::f64::consts::TAU * centre_hz / rate_hz,
            step,
            taps,
            noise_gain,
        }
    }

    /// Number of outputs that `len` inputs give, at most `most`.
    pub fn outputs(&self, len: usize, most: usize) -> usize {
        if len < self.taps.len() {
            return 0;
        }
        ((len - self.taps.len()) / self.step + 1).min(most)
    }

    /// The band of `x`, at most `most` complex samples.
    pub fn apply(&self, x: &[f64], most: usize) -> Vec<C64> {
        let count = self.outputs(x.len(), most);
        // The mixed filter is the same for each output up to a phase.
        let kernel = looked_for(self.centre, &self.taps);
        let mut out = mixed(&kernel, x, self.step, count);
        let turns = powers(ZERO, C64::new(0.0, -self.centre * self.step as f64), count);
        for (y, turn) in out.iter_mut().zip(turns) {
            *y *= turn;
        }
        out
    }

    /// Gain of the band for an exponential `exp(p n)` of the input (p per input sample).
    pub fn gain(&self, p: C64) -> C64 {
        let q = p - C64::new(0.0, self.centre);
        let powers = powers(ZERO, q, self.taps.len());
        self.taps.iter().zip(powers).map(|(h, v)| v * *h).sum()
    }
}

widely!(
    /// A kernel over the samples from each place `m step` on.
    fn mixed(kernel: &[C64], x: &[f64], step: usize, count: usize) -> Vec<C64> = mixed_inlined
);

#[inline(always)]
fn mixed_inlined(kernel: &[C64], x: &[f64], step: usize, count: usize) -> Vec<C64> {
    let mut out = Vec::with_capacity(count);
    for m in 0..count {
        let some = &x[m * step..m * step + kernel.len()];
        out.push(weighted_sum_inlined(kernel, some));
    }
    out
}

/// Powers of two up to 4096 as decimations.
const STEPS: usize = 13;

/// [`low_pass`], each designed once.
fn low_pass_of(step: usize, slope: Slope) -> Arc<[f64]> {
    static STEEP: [OnceLock<Arc<[f64]>>; STEPS] = [const { OnceLock::new() }; STEPS];
    static EARLY: [OnceLock<Arc<[f64]>>; STEPS] = [const { OnceLock::new() }; STEPS];
    let known = match slope {
        Slope::Steep => &STEEP,
        Slope::Early => &EARLY,
    };
    match known.get(step.trailing_zeros() as usize) {
        Some(place) if step.is_power_of_two() => {
            place.get_or_init(|| low_pass(step, slope).into()).clone()
        }
        _ => low_pass(step, slope).into(),
    }
}

/// Kaiser-windowed low-pass for a decimation by `step`: pass to 0.32, stop from 0.68 of the
/// decimated rate; unit gain at zero.
fn low_pass(step: usize, slope: Slope) -> Vec<f64> {
    // Kaiser's rules: 0.1102 (80 - 8.7), and 0.5842 (50 - 21)^0.4 + 0.07886 (50 - 21), for which 8
    // steps are a little short.
    let (steps, beta) = match slope {
        Slope::Steep => (14, 7.857),
        Slope::Early => (8, 4.534),
    };
    let len = steps * step;
    let cut = 0.5 / step as f64; // cycles per input sample, middle of the transition
    let mid = (len as f64 - 1.0) / 2.0;
    let mut h: Vec<f64> = (0..len)
        .map(|n| {
            // An even number of taps: none lies in the middle, where this would be 0 over 0.
            let t = n as f64 - mid;
            let sinc = (std::f64::consts::TAU * cut * t).sin() / (std::f64::consts::PI * t);
            let r = t / (mid + 0.5);
            sinc * bessel_i0(beta * (1.0 - r * r).max(0.0).sqrt())
        })
        .collect();
    let sum: f64 = h.iter().sum();
    for v in &mut h {
        *v /= sum;
    }
    h
}

/// Modified Bessel function of order zero by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum, q) = (1.0, 1.0, x * x / 4.0);
    for k in 1..60 {
        term *= q / f64::from(k * k);
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_damped_tone_stays_one_exponential() {
        let rate = 48_000.0;
        let p = C64::new(-30.0 / rate, std::f64::consts::TAU * 2010.0 / rate);
        let x: Vec<f64> = (0..40_000).map(|n| (p * n as f64).exp().re).collect();
        let zoom = Zoom::new(2000.0, rate, 64, Slope::Steep);
        let y = zoom.apply(&x, 400);
        let z = ((p - C64::new(0.0, zoom.centre)) * 64.0).exp();
        let g = zoom.gain(p) * 0.5;
        for (m, v) in y.iter().enumerate() {
            // What is left is the image at minus 2010 Hz, 80 dB down in the stop band.
            let err = (v - g * z.powi(m as i32)).norm();
            assert!(err < 2e-4, "{m} {err}");
        }
    }

    #[test]
    fn an_output_is_the_definitions_sum() {
        let x: Vec<f64> = (0..300).map(|n| (0.01 * f64::from(n * n)).sin()).collect();
        for slope in [Slope::Steep, Slope::Early] {
            let zoom = Zoom::new(1700.0, 8000.0, 4, slope);
            let y = zoom.apply(&x, usize::MAX);
            let turn = std::f64::consts::TAU * 1700.0 / 8000.0;
            for (m, v) in y.iter().enumerate() {
                let one = |(l, h): (usize, &f64)| {
                    let n = 4 * m + l;
                    C64::from_polar(h * x[n], -turn * n as f64)
                };
                let truth: C64 = zoom.taps.iter().enumerate().map(one).sum();
                assert!((v - truth).norm() < 1e-13, "{m}");
            }
            // As many as begin so that the whole filter fits, or as many as are wanted.
            let len = zoom.taps.len();
            assert_eq!(y.len(), (300 - len) / 4 + 1);
            assert_eq!(zoom.apply(&x, 7).len(), 7);
            let outputs = [len - 1, len, len + 3, len + 4].map(|n| zoom.outputs(n, 9));
            assert_eq!(outputs, [0, 1, 1, 2]);
            let squares: f64 = zoom.taps.iter().map(|h| h * h).sum();
            assert!((zoom.noise_gain / squares - 1.0).abs() < 1e-12);
        }
    }

    /// Pass to 0.32 and stop from 0.68 of the decimated rate, with ripples of 80 dB and 50 dB after
    /// Kaiser's rules, which are approximate: a hundredth of the rate and three decibels are allowed
    /// for that. Half way is half the amplitude.
    #[test]
    fn filters_pass_and_stop_as_stated() {
        for step in [4usize, 6, 64] {
            for (slope, stop_db, steps) in [(Slope::Steep, 77.0, 14), (Slope::Early, 47.0, 8)] {
                let zoom = Zoom::new(0.0, 48_000.0, step, slope);
                assert_eq!(zoom.taps.len(), steps * step);
                let gain = |of_rate: f64| {
                    let omega = std::f64::consts::TAU * of_rate / step as f64;
                    zoom.gain(C64::new(0.0, omega)).norm()
                };
                let ripple = 10f64.powf(-stop_db / 20.0);
                assert!((gain(0.0) - 1.0).abs() < 1e-12);
                for k in 0..=31 {
                    let pass = gain(0.01 * f64::from(k));
                    assert!((pass - 1.0).abs() < ripple, "{step} {k} {pass}");
                }
                let top = (50.0 * step as f64) as i32;
                for k in (69..=top).step_by(1 + step / 8) {
                    assert!(gain(0.01 * f64::from(k)) < ripple, "{step} {k}");
                }
                assert!((gain(0.5) - 0.5).abs() < 0.01, "{step} {}", gain(0.5));
                // Symmetric: the delay is the same at all frequencies.
                let back: Vec<f64> = zoom.taps.iter().rev().copied().collect();
                assert!(
                    zoom.taps
                        .iter()
                        .zip(back)
                        .all(|(a, b)| (a - b).abs() < 1e-15)
                );
            }
        }
    }

    /// Against its integral `1/pi int exp(x cos t) dt` over half a turn, by the trapezoidal rule,
    /// which is exact for a periodic function but for rounding.
    #[test]
    fn the_bessel_function_is_its_integral() {
        for x in [0.0, 0.5, 3.0, 7.857, 15.0] {
            let at = |k: i32| (x * (std::f64::consts::TAU * f64::from(k) / 128.0).cos()).exp();
            let truth = (0..128).map(at).sum::<f64>() / 128.0;
            assert!((bessel_i0(x) / truth - 1.0).abs() < 1e-13, "{x}");
        }
    }
}
