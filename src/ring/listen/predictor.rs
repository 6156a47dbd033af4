//! Linear prediction: what of a sample follows from those before it.
//!
//! A sum of damped tones follows from its own past; the error of a predictor shows what was
//! put in anew: a strike, a second contact, the pulses of a voice.

use crate::signal::wide::widely;

widely!(
    /// `sum a[n] b[n]` in eight sums that the processor adds side by side.
    pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 = dot_inlined
);

#[inline(always)]
fn dot_inlined(a: &[f64], b: &[f64]) -> f64 {
    let (eights, more) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest = eights.remainder().iter().zip(more.remainder());
    let rest: f64 = rest.map(|(x, y)| x * y).sum();
    let mut sums = [0.0; 8];
    for (x, y) in eights.zip(more) {
        for k in 0..8 {
            sums[k] += x[k] * y[k];
        }
    }
    rest + sums.iter().sum::<f64>()
}

/// Coefficients `a` of `x[n] ~ sum a[k] x[n-1-k]` by least squares over `n` in `from..to`
/// (covariance method, Cholesky). Samples before the start of `x` count as zero.
/// None when there is nothing to learn from.
pub(super) fn fit(x: &[f64], order: usize, from: usize, to: usize) -> Option<Vec<f64>> {
    let to = to.min(x.len());
    let from = from.max(order);
    if order == 0 || from >= to || to - from < 2 * order {
        return None;
    }
    let m = order + 1;
    let mut phi = vec![0.0; m * m];
    for j in 0..m {
        phi[j] = dot(&x[from..to], &x[from - j..to - j]);
    }
    for i in 1..m {
        for j in i..m {
            phi[i * m + j] =
                phi[(i - 1) * m + j - 1] + x[from - i] * x[from - j] - x[to - i] * x[to - j];
        }
    }
    let power = phi[0];
    if !(power.is_normal() && power > 0.0) {
        return None;
    }
    solve(&phi, order, 1e-9 * power)
}

/// Solves the normal equations; `ridge` keeps them solvable for pure tones.
fn solve(phi: &[f64], order: usize, ridge: f64) -> Option<Vec<f64>> {
    let m = order + 1;
    let at = |i: usize, j: usize| {
        let (a, b) = if i <= j { (i, j) } else { (j, i) };
        phi[(a + 1) * m + b + 1]
    };
    let mut low = vec![0.0; order * order];
    for i in 0..order {
        for j in 0..=i {
            let (row_i, row_j) = (
                &low[i * order..i * order + j],
                &low[j * order..j * order + j],
            );
            let mut s = at(i, j) - dot(row_i, row_j);
            if i == j {
                s += ridge;
                if s <= 0.0 {
                    return None;
                }
                low[i * order + i] = s.sqrt();
            } else {
                low[i * order + j] = s / low[j * order + j];
            }
        }
    }
    let mut y = vec![0.0; order];
    for i in 0..order {
        let known = dot(&low[i * order..i * order + i], &y[..i]);
        y[i] = (phi[i + 1] - known) / low[i * order + i];
    }
    for i in (0..order).rev() {
        let known: f64 = (i + 1..order).map(|k| low[k * order + i] * y[k]).sum();
        y[i] = (y[i] - known) / low[i * order + i];
    }
    y.iter().all(|v| v.is_finite()).then_some(y)
}

/// Prediction error of `x` for `n` in `from..to`; samples before the start count as zero.
pub(super) fn error(x: &[f64], a: &[f64], from: usize, to: usize) -> Vec<f64> {
    let to = to.min(x.len());
    let forward: Vec<f64> = a.iter().rev().copied().collect();
    errors(x, &forward, from, to)
}

widely!(fn errors(x: &[f64], forward: &[f64], from: usize, to: usize) -> Vec<f64> = errors_inlined);

#[inline(always)]
fn errors_inlined(x: &[f64], forward: &[f64], from: usize, to: usize) -> Vec<f64> {
    let order = forward.len();
    let mut out = Vec::with_capacity(to.saturating_sub(from));
    for n in from..to {
        let past = &x[n.saturating_sub(order)..n];
        out.push(x[n] - dot_inlined(past, &forward[order - past.len()..]));
    }
    out
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn two_damped_tones_follow_from_four_samples() {
        let x: Vec<f64> = (0..400)
            .map(|i| {
                let t = f64::from(i);
                (-0.003 * t).exp() * (0.3 * t).cos() + 0.5 * (-0.001 * t).exp() * (0.9 * t).sin()
            })
            .collect();
        let a = fit(&x, 4, 4, 400).unwrap();
        let e = error(&x, &a, 4, 400);
        let power = |v: &[f64]| v.iter().map(|s| s * s).sum::<f64>();
        assert!(power(&e) < 1e-9 * power(&x), "{}", power(&e) / power(&x));
    }

    #[test]
    fn nothing_to_learn_gives_none() {
        assert!(fit(&[0.0; 100], 4, 4, 100).is_none());
        assert!(fit(&[1.0; 8], 4, 4, 8).is_none());
        assert!(fit(&[], 4, 0, 0).is_none());
    }

    use crate::ring::listen::tests::signs;

    #[test]
    fn a_product_of_any_length_is_the_sum_of_all_products() {
        for n in 0..40 {
            let a: Vec<f64> = (0..n).map(|i| f64::from(i) - 3.0).collect();
            let b: Vec<f64> = (0..n).map(|i| f64::from(i * i) + 1.0).collect();
            let wanted: i32 = (0..n).map(|i| (i - 3) * (i * i + 1)).sum();
            assert_eq!(dot(&a, &b), f64::from(wanted), "{n}");
        }
    }

    // By definition of least squares what is left is orthogonal to all of the past that foretells,
    // but for the ridge of 1e-9 of the power.
    #[test]
    fn what_is_left_is_orthogonal_to_the_past() {
        let sign = signs(300, 1);
        // Soft, so that nothing hangs on a power near 1.
        let x: Vec<f64> = (0..300)
            .map(|i| (0.4 * i as f64).sin() * (-0.01 * i as f64).exp() + 0.3 * sign[i])
            .map(|v| 1e-3 * v)
            .collect();
        for (order, from, to) in [
            (1, 1, 300),
            (5, 5, 300),
            (9, 40, 200),
            (20, 3, 70),
            (8, 60, 999),
        ] {
            let a = fit(&x, order, from, to).unwrap();
            assert_eq!(a.len(), order);
            let (from, to) = (from.max(order), to.min(300));
            let e = error(&x, &a, from, to);
            assert_eq!(e.len(), to - from);
            let power: f64 = x[from..to].iter().map(|v| v * v).sum();
            for lag in 1..=order {
                let common: f64 = (from..to).map(|n| e[n - from] * x[n - lag]).sum();
                assert!(
                    common.abs() < 1e-7 * power,
                    "{order} {from} {lag}: {common}"
                );
            }
        }
    }

    #[test]
    fn an_error_is_the_sample_less_what_was_foretold() {
        let x = [1.0, 2.0, 4.0, 8.0, 15.0];
        let a = [3.0, -2.0];
        // Before the first sample there is nothing.
        assert_eq!(error(&x, &a, 0, 5), [1.0, -1.0, 0.0, 0.0, -1.0]);
        assert_eq!(error(&x, &a, 3, 99), [0.0, -1.0]);
        assert_eq!(error(&x, &a, 1, 3), [-1.0, 0.0]);
    }

    #[test]
    fn twice_as_many_samples_as_coefficients_are_enough() {
        let x = signs(100, 2);
        assert!(fit(&x, 10, 50, 70).is_some());
        assert!(fit(&x, 10, 50, 69).is_none());
        // The first ten have no whole past.
        assert!(fit(&x, 10, 0, 30).is_some());
        assert!(fit(&x, 10, 0, 29).is_none());
        assert!(fit(&x, 10, 80, 200).is_some());
        assert!(fit(&x, 10, 81, 200).is_none());
        assert!(fit(&x, 0, 0, 100).is_none());
        assert!(fit(&[1e-200; 100], 4, 4, 100).is_none());
        // A power that is no normal number any more.
        let faint: Vec<f64> = x.iter().map(|s| 1e-156 * s).collect();
        assert!(fit(&faint, 4, 4, 100).is_none());
        assert!(fit(&[f64::NAN; 100], 4, 4, 100).is_none());
    }

    #[test]
    fn equations_without_a_least_square_have_no_solution() {
        // One coefficient: (p + ridge) a = c.
        let a = solve(&[9.0, 3.0, 3.0, 1.0], 1, 1.0).unwrap();
        assert!(a.len() == 1 && (a[0] - 1.5).abs() < 1e-12, "{a:?}");
        assert_eq!(solve(&[9.0, 3.0, 3.0, -1.0], 1, 0.5), None);
        assert_eq!(solve(&[9.0, 3.0, 3.0, 0.0], 1, 0.0), None);
        // Two: [[4, 2], [2, 3]] a = [10, 9] is solved by [1.5, 2].
        let phi = [9.0, 10.0, 9.0, 10.0, 4.0, 2.0, 9.0, 2.0, 3.0];
        let a = solve(&phi, 2, 0.0).unwrap();
        assert!(
            (a[0] - 1.5).abs() < 1e-12 && (a[1] - 2.0).abs() < 1e-12,
            "{a:?}"
        );
    }
}
