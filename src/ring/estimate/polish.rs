//! All modes of all taps together on the raw samples: Gauss-Newton with the amplitudes
//! eliminated, and the covariance from the Fisher information.
//!
//! `x_t[n] = sum_k Re(C_tk exp(s_k n))`, `s_k = (-delta_k + i omega_k) / fs` shared by the taps.
//! All inner products of such exponentials are sums `sum n^p q^n` in closed form.

use nalgebra::{DMatrix, DVector};

use super::phasor::C64;
use crate::signal::wide::widely;

/// Lines under refinement.
#[derive(Debug, Clone)]
pub struct Lines {
    /// `s_k` per sample.
    pub logs: Vec<C64>,
    /// Amplitudes at the first sample of each tap's window: `[tap][line]`.
    pub amplitudes: Vec<Vec<C64>>,
}

impl Lines {
    /// No lines for `taps` taps.
    pub fn none(taps: usize) -> Self {
        Self {
            logs: Vec::new(),
            amplitudes: vec![Vec::new(); taps],
        }
    }

    /// What is left of tap `t`'s signal after subtracting the lines for which `keep` holds.
    pub fn residual(&self, x: &[f64], t: usize, keep: &dyn Fn(usize) -> bool) -> Vec<f64> {
        let mut r = x.to_vec();
        for (k, (s, c)) in self.logs.iter().zip(&self.amplitudes[t]).enumerate() {
            if keep(k) {
                add_tone(&mut r, *s, -*c);
            }
        }
        r
    }
}

/// Phasors that run side by side, so that one need not wait for the next.
const LANES: usize = 8;

/// `exp(s k)` of the lanes.
fn lanes(s: C64) -> [C64; LANES] {
    std::array::from_fn(|k| (s * k as f64).exp())
}

widely!(
    /// Adds `Re(c exp(s n))`.
    pub fn add_tone(x: &mut [f64], s: C64, c: C64) = add_tone_inlined
);

#[inline(always)]
fn add_tone_inlined(x: &mut [f64], s: C64, c: C64) {
    let (all, first) = ((s * LANES as f64).exp(), lanes(s));
    // Begun anew now and then, so that rounding does not pile up.
    for (block, part) in x.chunks_mut(4096).enumerate() {
        let from = c * (s * (block * 4096) as f64).exp();
        if from.norm_sqr() < 1e-36 {
            break;
        }
        let lanes = first.map(|v| from * v);
        let (mut re, mut im) = (lanes.map(|v| v.re), lanes.map(|v| v.im));
        for out in part.chunks_mut(LANES) {
            for (o, r) in out.iter_mut().zip(re) {
                *o += r;
            }
            for k in 0..LANES {
                let (a, b) = (re[k], im[k]);
                re[k] = a * all.re - b * all.im;
                im[k] = a * all.im + b * all.re;
            }
        }
    }
}

/// Relative error up to which sums over a window are taken in closed form: they steer steps and
/// tell deviations.
const CLOSED_ERROR: f64 = 1e-6;

/// A pole and its power at the end of a window: `z` and `z^N`, so that no product of two needs an
/// exponential of its own.
#[derive(Clone, Copy)]
struct Reach {
    once: C64,
    end: C64,
}

impl Reach {
    fn of(log: C64, len: usize) -> Self {
        Self {
            once: log.exp(),
            end: (log * len as f64).exp(),
        }
    }

    fn times(self, other: Self) -> Self {
        Self {
            once: self.once * other.once,
            end: self.end * other.end,
        }
    }

    fn conj(self) -> Self {
        Self {
            once: self.once.conj(),
            end: self.end.conj(),
        }
    }

    /// Sums `sum_{n<len} n^p q^n` for p = 0, 1, 2, with `q` this pole, within [`CLOSED_ERROR`].
    fn moments(self, len: usize) -> [C64; 3] {
        let (q, end) = (self.once, self.end);
        let one = C64::new(1.0, 0.0);
        let n = len as f64;
        let d = one - q;
        // The closed form of the last sum loses some n^2 roundings over (n |d|)^3.
        let is_closed = (n * d.norm()).powi(3) > 4.0 * f64::EPSILON / CLOSED_ERROR * n * n;
        if !is_closed || len < 16 {
            let (mut v, mut sums) = (one, [C64::new(0.0, 0.0); 3]);
            for k in 0..len {
                let k = k as f64;
                sums[0] += v;
                sums[1] += v * k;
                sums[2] += v * (k * k);
                v *= q;
            }
            return sums;
        }
        let (over, rest) = (one / d, one - end);
        let s0 = rest * over;
        let s1 = (q - end * n + end * q * (n - 1.0)) * (over * over);
        let s2 = (q * (one + q) - end * (n * n) + end * q * (2.0 * n * n - 2.0 * n - 1.0)
            - end * q * q * ((n - 1.0) * (n - 1.0)))
            * (over * over * over);
        [s0, s1, s2]
    }
}

widely!(
    /// `sum n^p x[n] conj(exp(s n))` for p = 0, 1.
    fn data_sums(x: &[f64], s: C64) -> [C64; 2] = data_sums_inlined
);

#[inline(always)]
fn data_sums_inlined(x: &[f64], s: C64) -> [C64; 2] {
    let s = s.conj();
    let (all, first) = ((s * LANES as f64).exp(), lanes(s));
    let mut out = [C64::new(0.0, 0.0); 2];
    for (block, part) in x.chunks(4096).enumerate() {
        let start = (block * 4096) as f64;
        let from = (s * start).exp();
        if from.norm_sqr() < 1e-36 {
            break;
        }
        let lanes = first.map(|v| from * v);
        let (mut re, mut im) = (lanes.map(|v| v.re), lanes.map(|v| v.im));
        let mut n: [f64; LANES] = std::array::from_fn(|k| start + k as f64);
        let [mut plain_re, mut plain_im, mut slope_re, mut slope_im] = [[0.0; LANES]; 4];
        for y in part.chunks(LANES) {
            for (k, y) in y.iter().enumerate() {
                let (w_re, w_im) = (re[k] * y, im[k] * y);
                plain_re[k] += w_re;
                plain_im[k] += w_im;
                slope_re[k] += w_re * n[k];
                slope_im[k] += w_im * n[k];
            }
            for k in 0..LANES {
                n[k] += LANES as f64;
                let (a, b) = (re[k], im[k]);
                re[k] = a * all.re - b * all.im;
                im[k] = a * all.im + b * all.re;
            }
        }
        let sum = |v: [f64; LANES]| v.iter().sum::<f64>();
        out[0] += C64::new(sum(plain_re), sum(plain_im));
        out[1] += C64::new(sum(slope_re), sum(slope_im));
    }
    out
}

/// Normal equations of one tap: unknowns per line `Re C, Im C` (first 2K) and
/// `Re s, Im s` (last 2K).
fn normal(x: &[f64], lines: &Lines, t: usize, residual: &[f64]) -> (DMatrix<f64>, DVector<f64>) {
    let count = lines.logs.len();
    let len = x.len();
    let mut m = DMatrix::zeros(4 * count, 4 * count);
    let mut g = DVector::zeros(4 * count);
    let i = C64::new(0.0, 1.0);
    let reach: Vec<Reach> = lines.logs.iter().map(|s| Reach::of(*s, len)).collect();
    for a in 0..count {
        let ca = lines.amplitudes[t][a];
        let coef_a = [C64::new(1.0, 0.0), i, ca, i * ca];
        let sums = data_sums(residual, lines.logs[a]);
        for (p, alpha) in coef_a.iter().enumerate() {
            // <Re(alpha n^p z^n), r> = Re(alpha sum n^p z^n r) = Re(conj(alpha) sum n^p conj(z)^n r)
            g[index(count, a, p)] = (alpha.conj() * sums[p / 2]).re;
        }
        for b in a..count {
            let cb = lines.amplitudes[t][b];
            let coef_b = [C64::new(1.0, 0.0), i, cb, i * cb];
            let plus = reach[a].times(reach[b]).moments(len);
            let minus = reach[a].times(reach[b].conj()).moments(len);
            for (p, alpha) in coef_a.iter().enumerate() {
                for (q, beta) in coef_b.iter().enumerate() {
                    let order = p / 2 + q / 2;
                    let v =
                        0.5 * (alpha * beta * plus[order] + alpha * beta.conj() * minus[order]).re;
                    let (r, c) = (index(count, a, p), index(count, b, q));
                    m[(r, c)] = v;
                    m[(c, r)] = v;
                }
            }
        }
    }
    (m, g)
}

fn index(count: usize, line: usize, part: usize) -> usize {
    if part < 2 {
        2 * line + part
    } else {
        2 * count + 2 * line + part - 2
    }
}

/// What the refinement gives.
#[derive(Debug)]
pub struct Polished {
    /// The lines.
    pub lines: Lines,
    /// Variance of `Re s`, `Im s` per line for unit noise density in every tap (weights 1).
    pub variance: Vec<(f64, f64)>,
    /// Sum of squared residuals of all taps, each with its weight.
    pub cost: f64,
}

/// A round that lowers the cost by a smaller share is the last: among ten thousand samples that is a
/// thousandth of a squared standard deviation.
const ENOUGH: f64 = 1e-7;

/// Most steps that are tried in a round, each ten times as damped as the one before.
const MOST_TRIES: usize = 6;

/// Refines all lines together for `rounds` rounds at most. `weights` is one over the noise variance of
/// each tap, relative.
pub fn polish(taps: &[&[f64]], start: Lines, weights: &[f64], rounds: usize) -> Polished {
    let mut now = Fitted::new(taps, start, weights);
    // Levenberg's damping: none as long as whole steps help, more where lines overlap.
    let mut damping = 0.0;
    for _ in 0..rounds {
        let Some(slope) = slope(taps, &now, weights) else {
            break;
        };
        let mut better = None;
        for _ in 0..MOST_TRIES {
            let Some(step) = slope.step(damping) else {
                break;
            };
            let tried = Fitted::new(taps, step.applied(&now.lines), weights);
            if tried.cost.is_finite() && tried.cost <= now.cost {
                better = Some(tried);
                break;
            }
            damping = (10.0_f64 * damping).max(1e-3);
        }
        let Some(next) = better else {
            break;
        };
        damping = if damping > 1e-3 { 0.1 * damping } else { 0.0 };
        let gain = now.cost - next.cost;
        now = next;
        if gain < ENOUGH * now.cost {
            break;
        }
    }
    Polished {
        variance: variances(taps, &now.lines, weights),
        lines: now.lines,
        cost: now.cost,
    }
}

/// Lines and what they leave of each tap.
struct Fitted {
    lines: Lines,
    residuals: Vec<Vec<f64>>,
    cost: f64,
}

impl Fitted {
    fn new(taps: &[&[f64]], lines: Lines, weights: &[f64]) -> Self {
        let each = taps.iter().enumerate();
        let residuals: Vec<Vec<f64>> = each.map(|(t, x)| lines.residual(x, t, &|_| true)).collect();
        let each = residuals.iter().zip(weights);
        let cost = each.map(|(r, w)| w * r.iter().map(|v| v * v).sum::<f64>());
        Self {
            cost: cost.sum(),
            lines,
            residuals,
        }
    }
}

struct Step {
    logs: Vec<C64>,
    amplitudes: Vec<Vec<C64>>,
}

impl Step {
    fn applied(&self, lines: &Lines) -> Lines {
        let logs = lines
            .logs
            .iter()
            .zip(&self.logs)
            .map(|(s, d)| {
                let moved = s + d;
                C64::new(moved.re.min(1e-6), moved.im)
            })
            .collect();
        let amplitudes = lines
            .amplitudes
            .iter()
            .zip(&self.amplitudes)
            .map(|(c, d)| c.iter().zip(d).map(|(c, d)| c + d).collect())
            .collect();
        Lines { logs, amplitudes }
    }
}

/// The normal equations of all taps at one place, amplitudes eliminated.
struct Slope {
    blocks: Vec<Reduced>,
    fisher: DMatrix<f64>,
    right: DVector<f64>,
    count: usize,
}

fn slope(taps: &[&[f64]], now: &Fitted, weights: &[f64]) -> Option<Slope> {
    let lines = &now.lines;
    let count = lines.logs.len();
    if count == 0 {
        return None;
    }
    let mut out = Slope {
        blocks: Vec::with_capacity(taps.len()),
        fisher: DMatrix::zeros(2 * count, 2 * count),
        right: DVector::zeros(2 * count),
        count,
    };
    for (t, x) in taps.iter().enumerate() {
        let (m, g) = normal(x, lines, t, &now.residuals[t]);
        let block = Reduced::new(&m, &g, count)?;
        out.fisher += &block.fisher * weights[t];
        out.right += &block.right * weights[t];
        out.blocks.push(block);
    }
    Some(out)
}

impl Slope {
    /// The step of all poles and amplitudes; `damping` is added to the diagonal, relative to it.
    fn step(&self, damping: f64) -> Option<Step> {
        let mut fisher = self.fisher.clone();
        for k in 0..2 * self.count {
            fisher[(k, k)] *= 1.0 + damping;
        }
        let shared = solve_scaled(&fisher, &self.right)?;
        let amplitudes = self
            .blocks
            .iter()
            .map(|b| {
                let d = &b.linear_gradient - &b.linear_coupling * &shared;
                (0..self.count)
                    .map(|k| C64::new(d[2 * k], d[2 * k + 1]))
                    .collect()
            })
            .collect();
        let logs = (0..self.count)
            .map(|k| C64::new(shared[2 * k], shared[2 * k + 1]))
            .collect();
        Some(Step { logs, amplitudes })
    }
}

/// One tap with its amplitudes eliminated (Schur complement).
struct Reduced {
    fisher: DMatrix<f64>,
    right: DVector<f64>,
    linear_gradient: DVector<f64>,
    linear_coupling: DMatrix<f64>,
}

impl Reduced {
    fn new(m: &DMatrix<f64>, g: &DVector<f64>, count: usize) -> Option<Self> {
        let n = 2 * count;
        let ll = m.view((0, 0), (n, n)).into_owned();
        let ln = m.view((0, n), (n, n)).into_owned();
        let nn = m.view((n, n), (n, n));
        let gl = g.rows(0, n).into_owned();
        let factor = scaled_cholesky(&ll)?;
        let coupling = factor.solve(&ln);
        let gradient = factor.solve(&DMatrix::from_column_slice(n, 1, gl.as_slice()));
        let gradient = gradient.column(0).into_owned();
        let fisher = nn - ln.transpose() * &coupling;
        let right = g.rows(n, n) - ln.transpose() * &gradient;
        Some(Self {
            fisher,
            right,
            linear_gradient: gradient,
            linear_coupling: coupling,
        })
    }
}

/// Cholesky factor of a matrix scaled to unit diagonal.
struct Scaled {
    factor: nalgebra::Cholesky<f64, nalgebra::Dyn>,
    scale: Vec<f64>,
}

impl Scaled {
    fn solve(&self, right: &DMatrix<f64>) -> DMatrix<f64> {
        let mut r = right.clone();
        for (k, s) in self.scale.iter().enumerate() {
            r.row_mut(k).scale_mut(*s);
        }
        let mut x = self.factor.solve(&r);
        for (k, s) in self.scale.iter().enumerate() {
            x.row_mut(k).scale_mut(*s);
        }
        x
    }
}

fn scaled_cholesky(m: &DMatrix<f64>) -> Option<Scaled> {
    let n = m.nrows();
    let scale: Vec<f64> = (0..n)
        .map(|k| 1.0 / m[(k, k)].abs().max(1e-300).sqrt())
        .collect();
    let mut a = m.clone();
    for r in 0..n {
        for c in 0..n {
            a[(r, c)] *= scale[r] * scale[c];
        }
        a[(r, r)] += 1e-12;
    }
    Some(Scaled {
        factor: nalgebra::Cholesky::new(a)?,
        scale,
    })
}

fn solve_scaled(m: &DMatrix<f64>, right: &DVector<f64>) -> Option<DVector<f64>> {
    let x = scaled_cholesky(m)?.solve(&DMatrix::from_column_slice(
        right.len(),
        1,
        right.as_slice(),
    ));
    x.iter()
        .all(|v| v.is_finite())
        .then(|| x.column(0).into_owned())
}

/// Diagonal of the inverse Fisher matrix; infinite where it cannot be inverted.
fn variances(taps: &[&[f64]], lines: &Lines, weights: &[f64]) -> Vec<(f64, f64)> {
    let count = lines.logs.len();
    let unknown = vec![(f64::INFINITY, f64::INFINITY); count];
    let mut fisher = DMatrix::zeros(2 * count, 2 * count);
    for (t, x) in taps.iter().enumerate() {
        let zeros = vec![0.0; x.len().min(1)];
        let (m, g) = normal(x, lines, t, &zeros);
        let Some(block) = Reduced::new(&m, &g, count) else {
            return unknown;
        };
        fisher += block.fisher * weights[t];
    }
    let Some(factor) = scaled_cholesky(&fisher) else {
        return unknown;
    };
    let inverse = factor.solve(&DMatrix::identity(2 * count, 2 * count));
    (0..count)
        .map(|k| {
            let (a, b) = (inverse[(2 * k, 2 * k)], inverse[(2 * k + 1, 2 * k + 1)]);
            (
                if a > 0.0 { a } else { f64::INFINITY },
                if b > 0.0 { b } else { f64::INFINITY },
            )
        })
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::made::{lines, noise, sound, tones};
    use super::*;

    const I: C64 = C64::new(0.0, 1.0);

    /// Two overlapping lines in two taps of different length.
    fn pair() -> Lines {
        lines(&[
            (
                C64::new(-0.004, 0.9),
                &[C64::new(0.7, -0.2), C64::new(-0.1, 0.5)],
            ),
            (
                C64::new(-0.006, 0.91),
                &[C64::new(0.3, 0.4), C64::new(0.6, 0.2)],
            ),
        ])
    }

    /// The derivatives of tap `t` by each unknown, in the order of [`normal`]: parts of the
    /// amplitudes, then parts of the poles.
    fn columns(of: &Lines, t: usize, len: usize) -> Vec<Vec<f64>> {
        let mut out = Vec::new();
        for slopes in [false, true] {
            for (s, c) in of.logs.iter().zip(&of.amplitudes[t]) {
                for turn in [C64::new(1.0, 0.0), I] {
                    let one = |n: usize| {
                        let n = n as f64;
                        let factor = if slopes { c * n } else { C64::new(1.0, 0.0) };
                        (turn * factor * (s * n).exp()).re
                    };
                    out.push((0..len).map(one).collect());
                }
            }
        }
        out
    }

    fn product(a: &[f64], b: &[f64]) -> f64 {
        a.iter().zip(b).map(|(a, b)| a * b).sum()
    }

    #[test]
    fn an_added_tone_is_the_real_part_of_its_exponential() {
        let c = C64::new(0.6, -0.8);
        // The second has died away before the block that is left out begins.
        for s in [C64::new(-3e-4, 0.9), C64::new(-0.02, 2.2)] {
            for len in [1, 7, 8, 9, 4095, 4096, 4097, 9001] {
                let mut x = vec![0.25; len];
                add_tone(&mut x, s, c);
                for (n, (v, t)) in x.iter().zip(tones(&[(s, c)], len)).enumerate() {
                    // Five hundred products in a row, each rounded.
                    assert!((v - 0.25 - t).abs() < 1e-12, "{s} {len} {n}");
                }
            }
        }
    }

    #[test]
    fn a_residual_lacks_the_lines_that_are_taken_off_and_no_other() {
        let all = pair();
        let x = sound(&all, 1, 300);
        let first = tones(&[(all.logs[0], all.amplitudes[1][0])], 300);
        for (left, truth) in all.residual(&x, 1, &|k| k == 1).iter().zip(first) {
            assert!((left - truth).abs() < 1e-13);
        }
        assert_eq!(all.residual(&x, 1, &|_| false), x);
    }

    /// The closed forms lose what their numerator, of size `n^p`, is rounded by, divided by
    /// `|1 - q|^(p + 1)`; plain sums lose nothing of note.
    #[test]
    fn moments_are_the_plain_sums() {
        for len in [1, 2, 15, 16, 17, 400] {
            let n = len as f64;
            for log in [
                C64::new(0.0, 0.0),
                C64::new(-1e-9, 1e-9),
                C64::new(-0.000_9 / n, 0.0),
                C64::new(-0.019 / n, 0.0),
                C64::new(-0.5 / n, 1.0 / n),
                C64::new(-0.02, 0.3),
                C64::new(-0.001, 3.0),
                C64::new(1e-6, 1.0),
            ] {
                let found = Reach::of(log, len).moments(len);
                let gap = (C64::new(1.0, 0.0) - log.exp()).norm();
                let is_plain = len < 16 || n * gap < 1e-3;
                for (p, v) in found.iter().enumerate() {
                    let one = |k: usize| (log * k as f64).exp() * (k as f64).powi(p as i32);
                    let truth: C64 = (0..len).map(one).sum();
                    let order = p as i32;
                    let lost = if is_plain {
                        n.powi(order + 1)
                    } else {
                        n.powi(order) / gap.powi(order + 1) + n.powi(order + 1)
                    };
                    assert!((v - truth).norm() < 1e-14 * lost * 4.0, "{len} {log} {p}");
                }
            }
        }
    }

    /// From lines that hardly fall in their window to those that die in it, in windows of up to a
    /// second at 192 kHz.
    #[test]
    fn moments_of_slow_lines_are_as_exact_as_stated() {
        for len in [1000, 20_000, 192_000] {
            let n = f64::from(len);
            for fall in [0.01, 0.1, 0.3, 1.0, 2.0, 4.0, 10.0] {
                let log = C64::new(-fall / n, 0.3 * fall / n);
                let found = Reach::of(log, len as usize).moments(len as usize);
                for (p, v) in found.iter().enumerate() {
                    let one = |k: i32| (log * f64::from(k)).exp() * f64::from(k).powi(p as i32);
                    let truth: C64 = (0..len).map(one).sum();
                    let off = (v - truth).norm() / truth.norm();
                    assert!(off < 2.0 * CLOSED_ERROR, "{len} {fall} {p}: {off}");
                }
            }
        }
    }

    #[test]
    fn products_and_turned_poles_reach_as_far() {
        let (a, b) = (C64::new(-0.01, 0.4), C64::new(-0.02, 1.1));
        let both = Reach::of(a, 50).times(Reach::of(b, 50).conj());
        let sum = a + b.conj();
        assert!((both.once - sum.exp()).norm() < 1e-15);
        // Fifty steps of an exponent that is itself rounded.
        assert!((both.end - (sum * 50.0).exp()).norm() < 1e-13);
    }

    #[test]
    fn sums_over_data_are_the_plain_ones() {
        let x = noise(1.0, 9001, 3);
        for s in [C64::new(-2e-4, 0.7), C64::new(-0.03, 1.9)] {
            for len in [1, 7, 8, 9, 4096, 4097, 9001] {
                let found = data_sums(&x[..len], s);
                for (p, v) in found.iter().enumerate() {
                    let one =
                        |n: usize| (s.conj() * n as f64).exp() * x[n] * (n as f64).powi(p as i32);
                    let truth: C64 = (0..len).map(one).sum();
                    // Some hundred products in a row for each of some thousand terms of size n.
                    let size = (len as f64).powi(p as i32 + 1);
                    assert!((v - truth).norm() < 1e-12 * size, "{s} {len} {p}");
                }
            }
        }
    }

    #[test]
    fn normal_equations_are_the_products_of_the_derivatives() {
        let (all, len) = (pair(), 700);
        let residual = noise(1.0, len, 5);
        let (m, g) = normal(&residual, &all, 1, &residual);
        let columns = columns(&all, 1, len);
        for (i, a) in columns.iter().enumerate() {
            let truth = product(a, &residual);
            assert!((g[i] - truth).abs() < 1e-9 * product(a, a).sqrt(), "{i}");
            for (j, b) in columns.iter().enumerate() {
                // The closed forms lose some n^2 / |1 - q|^3 roundings: see above.
                let size = (product(a, a) * product(b, b)).sqrt();
                assert!((m[(i, j)] - product(a, b)).abs() < 1e-8 * size, "{i} {j}");
            }
        }
    }

    /// The step that the reduced system gives is that of the whole one, which knows of no
    /// elimination.
    #[test]
    fn a_step_solves_the_whole_system() {
        let all = pair();
        let taps = [
            sound(&all, 0, 600)
                .iter()
                .map(|v| v + 0.01)
                .collect::<Vec<f64>>(),
            noise(0.1, 500, 8),
        ];
        let views: Vec<&[f64]> = taps.iter().map(Vec::as_slice).collect();
        let weights = [1.0, 0.4];
        let now = Fitted::new(&views, all.clone(), &weights);
        // Unknowns: amplitudes of the first tap, of the second, poles.
        let mut whole = DMatrix::<f64>::zeros(12, 12);
        let mut right = DVector::<f64>::zeros(12);
        for (t, weight) in weights.iter().enumerate() {
            let columns = columns(&all, t, views[t].len());
            let place = |k: usize| if k < 4 { 4 * t + k } else { 4 + k };
            let model = sound(&all, t, views[t].len());
            let left: Vec<f64> = views[t].iter().zip(model).map(|(x, m)| x - m).collect();
            for (i, a) in columns.iter().enumerate() {
                right[place(i)] += weight * product(a, &left);
                for (j, b) in columns.iter().enumerate() {
                    whole[(place(i), place(j))] += weight * product(a, b);
                }
            }
        }
        let slope = slope(&views, &now, &weights).unwrap();
        let inverse = whole.clone().try_inverse().unwrap();
        let truth = &inverse * &right;
        let step = slope.step(0.0).unwrap();
        let parts = |v: &[C64]| v.iter().flat_map(|v| [v.re, v.im]).collect::<Vec<f64>>();
        let found = [
            parts(&step.amplitudes[0]),
            parts(&step.amplitudes[1]),
            parts(&step.logs),
        ]
        .concat();
        for (k, v) in found.iter().enumerate() {
            // The pair is close: the system loses five places of sixteen, and 1e-12 is added to
            // the scaled diagonal.
            assert!(
                (v - truth[k]).abs() < 1e-5 * truth.norm(),
                "{k} {v} {}",
                truth[k]
            );
        }
        // Damped: the diagonal of what is left of the poles counts that much more.
        let damped = DVector::from_vec(parts(&slope.step(0.7).unwrap().logs));
        let diagonal = DMatrix::from_diagonal(&slope.fisher.diagonal());
        let back = &slope.fisher * &damped + diagonal * &damped * 0.7;
        assert!((back - &slope.right).norm() < 1e-8 * slope.right.norm());
        // The variances are the diagonal of the whole inverse.
        for (k, v) in variances(&views, &all, &weights).iter().enumerate() {
            let (re, im) = (
                inverse[(8 + 2 * k, 8 + 2 * k)],
                inverse[(9 + 2 * k, 9 + 2 * k)],
            );
            assert!((v.0 / re - 1.0).abs() < 1e-5, "{k} {} {re}", v.0);
            assert!((v.1 / im - 1.0).abs() < 1e-5, "{k} {} {im}", v.1);
        }
    }

    /// A lone tone that dies away within its window: `16 d^3 / |C|^2` for each part of its pole
    /// (Fisher information with sums taken for integrals, wrong by a share of some `d`).
    #[test]
    fn the_variance_of_a_lone_tone_is_the_bound() {
        let (d, c) = (1e-3, C64::new(0.3, 0.4));
        let one = lines(&[(C64::new(-d, 1.3), &[c])]);
        let x = vec![0.0; 12_000];
        let bound = 16.0 * d * d * d / c.norm_sqr();
        let (re, im) = variances(&[&x], &one, &[1.0])[0];
        assert!((re / bound - 1.0).abs() < 0.005, "{}", re / bound);
        assert!((im / bound - 1.0).abs() < 0.005, "{}", im / bound);
        // Twice the weight, half the variance.
        let (half, _) = variances(&[&x], &one, &[2.0])[0];
        assert!((half / re - 0.5).abs() < 1e-9);
    }

    #[test]
    fn a_line_without_amplitude_has_no_known_pole() {
        let silent = lines(&[(C64::new(-1e-3, 1.3), &[C64::new(0.0, 0.0)])]);
        let (re, im) = variances(&[&[0.0; 400]], &silent, &[1.0])[0];
        assert!(re.is_infinite() && im.is_infinite());
    }

    #[test]
    fn poles_grow_by_no_more_than_a_millionth() {
        let all = pair();
        let step = Step {
            logs: vec![C64::new(0.1, 0.02), C64::new(-0.001, -0.03)],
            amplitudes: vec![vec![C64::new(0.5, 1.0); 2]; 2],
        };
        let moved = step.applied(&all);
        assert!((moved.logs[0] - C64::new(1e-6, 0.92)).norm() < 1e-15);
        assert!((moved.logs[1] - C64::new(-0.007, 0.88)).norm() < 1e-15);
        let truth = all.amplitudes[1][0] + C64::new(0.5, 1.0);
        assert!((moved.amplitudes[1][0] - truth).norm() < 1e-15);
    }

    /// Starts off the truth by a fraction of a line's width: found to rounding, loud or soft.
    #[test]
    fn noiseless_lines_are_recovered_loud_or_soft() {
        let truth = pair();
        for loudness in [1.0, 1e-5] {
            let mut scaled = truth.clone();
            for c in scaled.amplitudes.iter_mut().flatten() {
                *c *= loudness;
            }
            let taps = [sound(&scaled, 0, 1500), sound(&scaled, 1, 1300)];
            let views: Vec<&[f64]> = taps.iter().map(Vec::as_slice).collect();
            let mut start = scaled.clone();
            start.logs[0] += C64::new(4e-4, -8e-4);
            start.logs[1] += C64::new(-6e-4, 5e-4);
            start.amplitudes[0][1] *= 0.8;
            let found = polish(&views, start, &[1.0, 3.0], 30);
            for (a, b) in found.lines.logs.iter().zip(&truth.logs) {
                // What is left when a round gains less than 1e-7 of a cost of rounding.
                assert!((a - b).norm() < 1e-9, "{loudness} {a} {b}");
            }
            for (a, b) in found.lines.amplitudes.iter().zip(&scaled.amplitudes) {
                assert!((a[0] - b[0]).norm() < 1e-6 * loudness);
                assert!((a[1] - b[1]).norm() < 1e-6 * loudness);
            }
            assert!(found.cost < 1e-16 * loudness * loudness, "{}", found.cost);
        }
    }

    /// In noise the cost is what lines leave, weighted; every round lowers it or leaves it, also
    /// from a start so far off that whole steps overshoot; and the end is the same for loud and
    /// soft.
    #[test]
    fn no_round_raises_the_cost() {
        let truth = pair();
        let weights = [1.0, 0.25];
        let mut ends = Vec::new();
        for loudness in [1.0, 1e-4] {
            let taps = [0, 1].map(|t| -> Vec<f64> {
                let noise = noise(1e-4, 1500, 20 + t as u64);
                let clean = sound(&truth, t, 1500);
                noise
                    .iter()
                    .zip(clean)
                    .map(|(a, b)| loudness * (a + b))
                    .collect()
            });
            let views: Vec<&[f64]> = taps.iter().map(Vec::as_slice).collect();
            let mut start = truth.clone();
            for c in start.amplitudes.iter_mut().flatten() {
                *c *= 0.5 * loudness;
            }
            start.logs[0] += C64::new(-0.012, -0.006);
            start.logs[1] += C64::new(-0.012, 0.008);
            let mut last = f64::INFINITY;
            for rounds in [0, 1, 2, 3, 5, 40] {
                let found = polish(&views, start.clone(), &weights, rounds);
                let left = |t: usize| {
                    let each = sound(&found.lines, t, 1500);
                    let left = views[t].iter().zip(each).map(|(x, m)| (x - m).powi(2));
                    weights[t] * left.sum::<f64>()
                };
                let truth = left(0) + left(1);
                assert!((found.cost / truth - 1.0).abs() < 1e-9);
                assert!(found.cost <= last, "{rounds}");
                assert!(rounds != 1 || found.cost < last, "the first round helps");
                last = found.cost;
            }
            // 1500 samples of noise in each tap, weighted: 5 % is five standard deviations.
            let expected = loudness * loudness * 1500.0 * 1e-4 * 1.25;
            assert!((last / expected - 1.0).abs() < 0.12, "{}", last / expected);
            ends.push(polish(&views, start, &weights, 40).lines.logs);
        }
        for (a, b) in ends[0].iter().zip(&ends[1]) {
            // A thousandth of a squared standard deviation is left at the end.
            assert!((a - b).norm() < 1e-6, "{a} {b}");
        }
    }

    #[test]
    fn without_lines_there_is_nothing_to_refine() {
        let found = polish(&[&[3.0, 4.0], &[1.0]], Lines::none(2), &[1.0, 2.0], 5);
        assert!((found.cost - 27.0).abs() < 1e-12);
        assert!(found.variance.is_empty() && found.lines.logs.is_empty());
        assert_eq!(found.lines.amplitudes.len(), 2);
    }

    /// Scaled to a unit diagonal, so that numbers of very different size do not matter.
    #[test]
    fn badly_scaled_systems_are_solved() {
        let m = DMatrix::from_row_slice(2, 2, &[4e20, 3e5, 3e5, 1e-8]);
        let x = solve_scaled(&m, &DVector::from_vec(vec![2e10, -4e-5])).unwrap();
        // Cramer's rule.
        let det = 4e20 * 1e-8 - 3e5 * 3e5;
        let truth = [
            (2e10 * 1e-8 + 3e5 * 4e-5) / det,
            (4e20 * -4e-5 - 3e5 * 2e10) / det,
        ];
        for (v, t) in x.iter().zip(truth) {
            assert!((v / t - 1.0).abs() < 1e-9, "{v} {t}");
        }
        let indefinite = DMatrix::from_row_slice(2, 2, &[1.0, 2.0, 2.0, 1.0]);
        assert!(solve_scaled(&indefinite, &DVector::from_vec(vec![1.0, 1.0])).is_none());
    }
}
