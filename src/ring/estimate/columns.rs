//! Long complex columns: inner products and multiples taken off.

use super::phasor::C64;

/// A column that keeps more than this of its length when what lies along others is taken off is
/// orthogonal to them but for rounding; one that keeps less is treated once more ("twice is
/// enough": Parlett, The Symmetric Eigenvalue Problem, section 6-9; from memory).
pub const KEPT: f64 = 0.5;

/// `sum conj(a) b`, in sums that the processor adds side by side: products part by part, and
/// crosswise.
pub fn dot(a: &[C64], b: &[C64]) -> C64 {
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

/// `b -= a f`.
pub fn subtract(b: &mut [C64], a: &[C64], f: C64) {
    for (b, a) in b.iter_mut().zip(a) {
        b.re -= a.re * f.re - a.im * f.im;
        b.im -= a.re * f.im + a.im * f.re;
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
}
