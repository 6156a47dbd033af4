//! Long complex columns: inner products and multiples taken off.

use super::phasor::C64;
use crate::signal::wide::widely;

/// A column that keeps more than this of its length when what lies along others is taken off is
/// orthogonal to them but for rounding; one that keeps less is treated once more ("twice is
/// enough": Parlett, The Symmetric Eigenvalue Problem, section 6-9; from memory).
pub const KEPT: f64 = 0.5;

widely!(
    /// `sum conj(a) b`, in sums that the processor adds side by side: products part by part, and
    /// crosswise.
    pub fn dot(a: &[C64], b: &[C64]) -> C64 = dot_inlined
);

/// [`dot`] for loops that are run widely as a whole.
#[inline(always)]
pub fn dot_inlined(a: &[C64], b: &[C64]) -> C64 {
    let (mut straight, mut cross) = ([[0.0; 2]; 4], [[0.0; 2]; 4]);
    let (a_fours, b_fours) = (a.chunks_exact(4), b.chunks_exact(4));
    let mut add = |c: usize, x: C64, y: C64| {
        straight[c][0] += x.re * y.re;
        straight[c][1] += x.im * y.im;
        cross[c][0] += x.re * y.im;
        cross[c][1] += x.im * y.re;
    };
    for (x, y) in a_fours.remainder().iter().zip(b_fours.remainder()) {
        add(0, *x, *y);
    }
    for (x, y) in a_fours.zip(b_fours) {
        for c in 0..4 {
            add(c, x[c], y[c]);
        }
    }
    let sum = |v: [[f64; 2]; 4], k: usize| (v[0][k] + v[1][k]) + (v[2][k] + v[3][k]);
    C64::new(
        sum(straight, 0) + sum(straight, 1),
        sum(cross, 0) - sum(cross, 1),
    )
}

/// Euclidean length.
pub fn length(a: &[C64]) -> f64 {
    dot(a, a).re.sqrt()
}

widely!(
    /// `b -= a f`.
    pub fn subtract(b: &mut [C64], a: &[C64], f: C64) = subtract_inlined
);

#[inline(always)]
fn subtract_inlined(b: &mut [C64], a: &[C64], f: C64) {
    for (b, a) in b.iter_mut().zip(a) {
        b.re -= a.re * f.re - a.im * f.im;
        b.im -= a.re * f.im + a.im * f.re;
    }
}

widely!(
    /// `b *= f`.
    pub fn scale(b: &mut [C64], f: C64) = scale_inlined
);

#[inline(always)]
fn scale_inlined(b: &mut [C64], f: C64) {
    for b in b {
        *b = C64::new(b.re * f.re - b.im * f.im, b.re * f.im + b.im * f.re);
    }
}

widely!(
    /// Fills `plain` with the powers `z^m` and `slopes` with `m z^m`, m from 0.
    pub fn exponential(z: C64, plain: &mut [C64], slopes: &mut [C64]) = exponential_inlined
);

/// Powers that run side by side, so that one need not wait for the next.
const LANES: usize = 4;

#[inline(always)]
fn exponential_inlined(z: C64, plain: &mut [C64], slopes: &mut [C64]) {
    let (mut re, mut im) = ([1.0; LANES], [0.0; LANES]);
    for k in 1..LANES {
        re[k] = re[k - 1] * z.re - im[k - 1] * z.im;
        im[k] = re[k - 1] * z.im + im[k - 1] * z.re;
    }
    let two = (z.re * z.re - z.im * z.im, 2.0 * z.re * z.im);
    let all = (two.0 * two.0 - two.1 * two.1, 2.0 * two.0 * two.1);
    let mut m: [f64; LANES] = std::array::from_fn(|k| k as f64);
    let rows = plain.chunks_mut(LANES).zip(slopes.chunks_mut(LANES));
    for (plain, slopes) in rows {
        for (k, (p, q)) in plain.iter_mut().zip(slopes).enumerate() {
            *p = C64::new(re[k], im[k]);
            *q = C64::new(re[k] * m[k], im[k] * m[k]);
        }
        for k in 0..LANES {
            m[k] += LANES as f64;
            let (a, b) = (re[k], im[k]);
            re[k] = a * all.0 - b * all.1;
            im[k] = a * all.1 + b * all.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inner_products_are_those_of_the_definition() {
        for len in [0, 1, 3, 4, 7, 64, 65] {
            let column = |a: f64| -> Vec<C64> {
                (0..len)
                    .map(|n| C64::new((a * f64::from(n)).sin(), (a + f64::from(n)).cos()))
                    .collect()
            };
            let (x, mut y) = (column(0.7), column(1.9));
            let truth: C64 = x.iter().zip(&y).map(|(x, y)| x.conj() * y).sum();
            // Some sixty products of size one, each rounded.
            assert!((dot(&x, &y) - truth).norm() < 1e-13, "{len}");
            if len > 0 {
                let along = dot(&x, &y) / dot(&x, &x);
                subtract(&mut y, &x, along);
                assert!(dot(&x, &y).norm() < 1e-13, "{len}");
            }
        }
    }

    #[test]
    fn exponentials_are_powers_and_their_slopes() {
        let z = C64::from_polar(0.99, 2.1);
        for len in [1, 3, 4, 5, 420] {
            let (mut plain, mut slopes) = (vec![C64::default(); len], vec![C64::default(); len]);
            exponential(z, &mut plain, &mut slopes);
            for (m, (p, q)) in plain.iter().zip(&slopes).enumerate() {
                let truth = z.powf(m as f64);
                // Each step rounds anew: some hundred of them.
                assert!((p - truth).norm() < 1e-13, "{len} {m}");
                assert!((q - truth * m as f64).norm() < 1e-11, "{len} {m}");
            }
            let mut scaled = plain.clone();
            scale(&mut scaled, z);
            for (a, b) in plain.iter().skip(1).zip(&scaled) {
                assert!((a - b).norm() < 1e-13);
            }
        }
    }

    #[test]
    fn lengths_and_multiples_are_those_of_the_definition() {
        let a = [C64::new(3.0, 0.0), C64::new(0.0, -4.0), C64::new(12.0, 0.0)];
        assert!((length(&a) - 13.0).abs() < 1e-14);
        let f = C64::new(0.3, -1.7);
        let mut b = [C64::new(1.0, 2.0), C64::new(-0.5, 0.1), C64::new(0.0, 7.0)];
        let truth: Vec<C64> = a.iter().zip(&b).map(|(a, b)| b - a * f).collect();
        subtract(&mut b, &a, f);
        let mut turned = a;
        scale(&mut turned, f);
        for k in 0..3 {
            assert!((b[k] - truth[k]).norm() < 1e-14);
            assert!((turned[k] - a[k] * f).norm() < 1e-14);
        }
    }
}
