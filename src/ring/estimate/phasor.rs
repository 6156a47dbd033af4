//! Powers of one number, without a sine for each, and sums of samples weighted with them.

use nalgebra::Complex;

use crate::signal::wide::widely;

/// A complex number.
pub type C64 = Complex<f64>;

const ZERO: C64 = C64::new(0.0, 0.0);

/// A power is computed anew after that many, so that rounding does not pile up.
const ANEW: usize = 256;

/// Powers that run side by side, so that one need not wait for the next.
const LANES: usize = 8;

widely!(
    /// `exp(a + q n)` for n from 0 to `count - 1`.
    pub fn powers(a: C64, q: C64, count: usize) -> Vec<C64> = powers_inlined
);

#[inline(always)]
fn powers_inlined(a: C64, q: C64, count: usize) -> Vec<C64> {
    let turns: [C64; LANES] = std::array::from_fn(|k| (q * k as f64).exp());
    let all = (q * LANES as f64).exp();
    let mut out = vec![ZERO; count];
    for (block, part) in out.chunks_mut(ANEW).enumerate() {
        let from = (a + q * (block * ANEW) as f64).exp();
        let first = turns.map(|v| from * v);
        let (mut re, mut im) = (first.map(|v| v.re), first.map(|v| v.im));
        for some in part.chunks_mut(LANES) {
            for (k, v) in some.iter_mut().enumerate() {
                *v = C64::new(re[k], im[k]);
            }
            for k in 0..LANES {
                let (x, y) = (re[k], im[k]);
                re[k] = x * all.re - y * all.im;
                im[k] = x * all.im + y * all.re;
            }
        }
    }
    out
}

/// The Hann weight of each of `count` samples, symmetric about their middle.
pub fn hann(count: usize) -> Vec<f64> {
    let step = C64::new(0.0, std::f64::consts::TAU / count.max(1) as f64);
    let turns = powers(step * 0.5, step, count).into_iter();
    turns.map(|v| 0.5 - 0.5 * v.re).collect()
}

/// A tone turning by `omega` a sample, conjugate and weighted: what [`weighted_sum`] takes to look
/// for it.
pub fn looked_for(omega: f64, weights: &[f64]) -> Vec<C64> {
    let turns = powers(ZERO, C64::new(0.0, -omega), weights.len());
    turns
        .into_iter()
        .zip(weights)
        .map(|(v, w)| v * *w)
        .collect()
}

widely!(
    /// `sum k x`.
    pub fn weighted_sum(kernel: &[C64], x: &[f64]) -> C64 = weighted_sum_inlined
);

/// In four sums that the processor adds side by side.
#[inline(always)]
pub fn weighted_sum_inlined(kernel: &[C64], x: &[f64]) -> C64 {
    let mut sums = [[0.0; 2]; 4];
    let (kernel_fours, x_fours) = (kernel.chunks_exact(4), x.chunks_exact(4));
    let mut add = |c: usize, k: C64, s: f64| {
        sums[c][0] += k.re * s;
        sums[c][1] += k.im * s;
    };
    for (k, s) in kernel_fours.remainder().iter().zip(x_fours.remainder()) {
        add(0, *k, *s);
    }
    for (k, s) in kernel_fours.zip(x_fours) {
        for c in 0..4 {
            add(c, k[c], s[c]);
        }
    }
    let sum = |k: usize| (sums[0][k] + sums[1][k]) + (sums[2][k] + sums[3][k]);
    C64::new(sum(0), sum(1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn powers_are_those_of_the_definition() {
        let (a, q) = (C64::new(0.2, 0.7), C64::new(-0.003, 1.9));
        for count in [0, 1, 7, 8, 9, 255, 256, 257, 1000] {
            let all = powers(a, q, count);
            assert_eq!(all.len(), count);
            for (n, v) in all.iter().enumerate() {
                // Some thirty products in a row, each rounded; the exponent itself to 4e-13.
                assert!((v - (a + q * n as f64).exp()).norm() < 1e-12, "{count} {n}");
            }
        }
    }

    #[test]
    fn a_tone_that_is_looked_for_is_found_with_its_weights() {
        let x: Vec<f64> = (0..501).map(|n| (0.3 * f64::from(n)).cos()).collect();
        let weights = hann(x.len());
        let total: f64 = weights.iter().sum();
        let truth: C64 = (0..)
            .zip(x.iter().zip(&weights))
            .map(|(n, (x, w))| C64::from_polar(x * w, -0.3 * f64::from(n)))
            .sum();
        let seen = weighted_sum(&looked_for(0.3, &weights), &x);
        assert!((seen - truth).norm() < 1e-10);
        // The window's side lobes let the image at minus 0.3 through by far less than this.
        assert!((seen.norm() / total - 0.5).abs() < 1e-3);
    }

    #[test]
    fn hann_weights_are_the_squares_of_half_a_sine() {
        for count in [1, 2, 5, 300] {
            let all = hann(count);
            assert_eq!(all.len(), count);
            for (n, w) in all.iter().enumerate() {
                let turn = std::f64::consts::PI * (n as f64 + 0.5) / count as f64;
                assert!((w - turn.sin().powi(2)).abs() < 1e-13, "{count} {n}");
            }
        }
        assert!(hann(0).is_empty());
    }

    #[test]
    fn weighted_sums_take_every_sample_once() {
        for len in [0, 1, 3, 4, 5, 9] {
            let kernel: Vec<C64> = (0..len).map(|n| C64::new(1.0, f64::from(n))).collect();
            let x: Vec<f64> = (0..len).map(|n| f64::from(1 << n)).collect();
            let truth: C64 = kernel.iter().zip(&x).map(|(k, x)| k * *x).sum();
            // Small integers: exact.
            assert_eq!(weighted_sum(&kernel, &x), truth);
        }
    }
}
