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
}
