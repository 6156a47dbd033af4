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

    /// Sums `sum_{n<len} n^p q^n` for p = 0, 1, 2, with `q` this pole.
    fn moments(self, len: usize) -> [C64; 3] {
        let (q, end) = (self.once, self.end);
        let one = C64::new(1.0, 0.0);
        let n = len as f64;
        let d = one - q;
        if n * d.norm() < 0.02 || len < 16 {
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
