//! Least-squares refinement of the poles of one band by variable projection in Kaufman's
//! form (Golub & Pereyra 1973; Kaufman 1975), with shared poles and amplitudes per tap
//! (Golub & LeVeque 1979), and the choice of their number.

use std::borrow::Cow;
use std::cell::OnceCell;

use nalgebra::{DMatrix, DVector};

use super::columns::{KEPT, dot, exponential, length, scale, subtract};
use super::echo::{Disturbance, Whitener};
use super::phasor::C64;
use super::subspace::Subspace;

/// Poles fitted to a band and what they leave.
#[derive(Debug, Clone)]
pub struct Fit {
    /// `s = ln z` per decimated sample.
    pub logs: Vec<C64>,
    /// Amplitudes at the band's first sample: `[tap][pole]`.
    pub amplitudes: Vec<Vec<C64>>,
    /// Sum of squared white residuals over all taps; 1 per sample when all is explained.
    pub cost: f64,
    /// `cost` plus the logarithm of the covariance's determinant: twice the negative
    /// log-likelihood of complex data, but for a constant.
    pub score: f64,
    /// Variance of the real and of the imaginary part of each of `logs`.
    pub variance: Vec<f64>,
}

/// What one more pole must gain in squared standard deviations, over `taps` taps.
pub fn needed_gain(taps: usize) -> f64 {
    16.0 + 3.0 * (taps as f64 - 1.0)
}

/// Where the fits of a band begin: for each order the poles of the signal subspace.
#[derive(Debug)]
pub struct Starts {
    subspace: Subspace,
    /// Made when they are asked for: few orders are.
    by_order: Vec<OnceCell<Option<Vec<C64>>>>,
}

impl Starts {
    /// Those of up to `most` poles of the band signals `taps`; none when these are too short.
    pub fn new(taps: &[Vec<C64>], most: usize) -> Option<Self> {
        let subspace = Subspace::new(taps, most)?;
        let by_order = vec![OnceCell::new(); subspace.most()];
        Some(Self { subspace, by_order })
    }

    fn of_order(&self, order: usize) -> Option<&Vec<C64>> {
        let made = self.by_order.get(order - 1)?.get_or_init(|| {
            let poles = self.subspace.poles(order)?;
            let logs: Vec<C64> = poles.iter().map(|z| bounded(z.ln())).collect();
            is_finite(&logs).then_some(logs)
        });
        made.as_ref()
    }
}

fn is_finite(logs: &[C64]) -> bool {
    logs.iter().all(|s| s.re.is_finite() && s.im.is_finite())
}

/// Gains in squared standard deviations at which a descent ends: while orders are compared,
/// which takes [`needed_gain`], and for the figures that are stated.
const ROUGH: f64 = 0.05;
const FINE: f64 = 1e-4;

/// Fits as many poles as the data support: an order is taken when it lowers the cost by
/// more than [`needed_gain`], the search ends after two orders that do not. What noise and the
/// echo of the poles so far would leave is no reason for another pole.
pub fn fit_band(taps: &[Vec<C64>], around: &Disturbance, most: usize) -> Option<Fit> {
    let starts = Starts::new(taps, most)?;
    let (fit, white) = fit_order(taps, around, &starts)?;
    let fit = descend(taps, &white, fit.logs.clone(), FINE).unwrap_or(fit);
    Some(stated(taps, &white, fit))
}

/// [`Fit::score`] of the poles that the data support, plus what each must gain; without poles
/// that of noise and echo alone.
pub fn score_of_order(taps: &[Vec<C64>], around: &Disturbance, starts: &Starts) -> f64 {
    match fit_order(taps, around, starts) {
        Some((fit, white)) => {
            let poles = fit.logs.len() as f64;
            fit.cost + log_det(taps, &white) + needed_gain(taps.len()) * poles
        }
        None => empty_score(taps, around),
    }
}

fn fit_order(
    taps: &[Vec<C64>],
    around: &Disturbance,
    starts: &Starts,
) -> Option<(Fit, Vec<Whitener>)> {
    let need = needed_gain(taps.len());
    let mut white = whiteners(taps, around, None);
    let mut best = Fit {
        logs: Vec::new(),
        amplitudes: vec![Vec::new(); taps.len()],
        cost: energy(taps, &white),
        score: f64::INFINITY,
        variance: Vec::new(),
    };
    let mut last = best.clone();
    let mut failures = 0;
    for order in 1..=starts.by_order.len() {
        let mut tries: Vec<Vec<C64>> = starts.of_order(order).cloned().into_iter().collect();
        let goes_on = !last.logs.is_empty() || order == 1;
        if let Some(extra) = goes_on.then(|| strongest_left(taps, &last)).flatten() {
            let mut logs = last.logs.clone();
            logs.push(extra);
            tries.extend(is_finite(&logs).then_some(logs));
        }
        let fitted = tries
            .into_iter()
            .filter_map(|logs| descend(taps, &white, logs, ROUGH))
            .min_by(|a, b| a.cost.total_cmp(&b.cost));
        let Some(fitted) = fitted else { break };
        let orders = (fitted.logs.len() - best.logs.len()).max(1) as f64;
        if best.cost - fitted.cost > need * orders {
            best = fitted;
            failures = 0;
            if around.echo.is_some() {
                white = whiteners(taps, around, Some(&best));
                if let Some(again) = descend(taps, &white, best.logs.clone(), ROUGH) {
                    best = again;
                }
            }
            last = best.clone();
        } else {
            last = fitted;
            failures += 1;
            if failures == 2 {
                break;
            }
        }
    }
    (!best.logs.is_empty()).then_some((best, white))
}

/// Fits the given poles, as many as there are, and states their spread.
pub fn refit(taps: &[Vec<C64>], around: &Disturbance, start: &Fit) -> Option<Fit> {
    let mut fit = start.clone();
    for _ in 0..2 {
        let white = whiteners(taps, around, Some(&fit));
        fit = stated(taps, &white, descend(taps, &white, fit.logs.clone(), FINE)?);
        if around.echo.is_none() {
            break;
        }
    }
    Some(fit)
}

/// What noise and echo alone make of a band without any line: see [`Fit::score`].
fn empty_score(taps: &[Vec<C64>], around: &Disturbance) -> f64 {
    let white = whiteners(taps, around, None);
    energy(taps, &white) + log_det(taps, &white)
}

fn stated(taps: &[Vec<C64>], white: &[Whitener], mut fit: Fit) -> Fit {
    fit.score = fit.cost + log_det(taps, white);
    let inverse = linearise(taps, white, &fit.logs).and_then(|l| l.curvature.try_inverse());
    fit.variance = (0..fit.logs.len())
        .map(|k| match &inverse {
            // Circular noise: each part of the pole has half of its variance.
            Some(m) if m[(k, k)].re > 0.0 => 0.5 * m[(k, k)].re,
            _ => f64::INFINITY,
        })
        .collect();
    fit
}

fn whiteners(taps: &[Vec<C64>], around: &Disturbance, fit: Option<&Fit>) -> Vec<Whitener> {
    taps.iter()
        .enumerate()
        .map(|(t, y)| match fit {
            Some(f) => around.whitener(t, y.len(), &f.logs, &f.amplitudes[t]),
            None => around.whitener(t, y.len(), &[], &[]),
        })
        .collect()
}

fn log_det(taps: &[Vec<C64>], white: &[Whitener]) -> f64 {
    let each = taps.iter().zip(white);
    each.map(|(y, w)| w.log_det(y.len())).sum()
}

fn energy(taps: &[Vec<C64>], white: &[Whitener]) -> f64 {
    taps.iter()
        .zip(white)
        .map(|(y, w)| {
            let mut white = y.clone();
            w.apply(&mut white, y.len());
            white.iter().map(|v| v.norm_sqr()).sum::<f64>()
        })
        .sum()
}

fn bounded(s: C64) -> C64 {
    C64::new(s.re.clamp(-1.5, 0.002), s.im)
}

/// Strongest pole in what a fit leaves.
fn strongest_left(taps: &[Vec<C64>], fit: &Fit) -> Option<C64> {
    let left: Vec<Vec<C64>> = taps
        .iter()
        .zip(&fit.amplitudes)
        .map(|(y, c)| residual(y, &fit.logs, c))
        .collect();
    let poles = Subspace::new(&left, 1)?.poles(1)?;
    poles.first().map(|z| bounded(z.ln()))
}

fn residual(y: &[C64], logs: &[C64], amplitudes: &[C64]) -> Vec<C64> {
    let mut r = y.to_vec();
    for (s, c) in logs.iter().zip(amplitudes) {
        let z = s.exp();
        let mut v = *c;
        for out in &mut r {
            *out -= v;
            v *= z;
        }
    }
    r
}

/// One linear solve: amplitudes, cost, and for the step `Hc` and gradient.
struct Linear {
    amplitudes: Vec<Vec<C64>>,
    cost: f64,
    curvature: DMatrix<C64>,
    gradient: DVector<C64>,
}

fn linearise(taps: &[Vec<C64>], white: &[Whitener], logs: &[C64]) -> Option<Linear> {
    let order = logs.len();
    let longest = taps.iter().map(Vec::len).max()?;
    let mut basis = vec![C64::new(0.0, 0.0); 2 * order * longest];
    let (plain, slopes) = basis.split_at_mut(order * longest);
    let columns = plain
        .chunks_exact_mut(longest)
        .zip(slopes.chunks_exact_mut(longest));
    for (s, (plain, slopes)) in logs.iter().zip(columns) {
        exponential(s.exp(), plain, slopes);
    }
    let mut out = Linear {
        amplitudes: Vec::with_capacity(taps.len()),
        cost: 0.0,
        curvature: DMatrix::zeros(order, order),
        gradient: DVector::zeros(order),
    };
    // Noise that is white already turns no column: one frame does for all taps of a length.
    let mut plain_frame: Option<(usize, Frame)> = None;
    for (y, w) in taps.iter().zip(white) {
        let len = y.len();
        if len <= order {
            return None;
        }
        let echo_frame;
        let (frame, mut j, mut left, power) = if let Some(scale) = w.plain_scale() {
            if plain_frame.as_ref().is_none_or(|f| f.0 != len) {
                plain_frame = Some((len, Frame::of(&shortened(plain, longest, len), len)?));
            }
            let frame = &plain_frame.as_ref()?.1;
            let j = shortened(slopes, longest, len).into_owned();
            (frame, j, y.clone(), scale * scale)
        } else {
            // The basis and the signal in one go.
            let mut white = Vec::with_capacity((2 * order + 1) * len);
            white.extend_from_slice(&shortened(plain, longest, len));
            white.extend_from_slice(&shortened(slopes, longest, len));
            white.extend_from_slice(y);
            w.apply(&mut white, len);
            let left = white.split_off(2 * order * len);
            let j = white.split_off(order * len);
            echo_frame = Frame::of(&white, len)?;
            (&echo_frame, j, left, 1.0)
        };
        let projected = frame.take_off(&mut left);
        let c = frame.solve(projected)?;
        out.cost += power * left.iter().map(|v| v.norm_sqr()).sum::<f64>();
        for (column, c) in j.chunks_exact_mut(len).zip(&c) {
            scale(column, *c);
            frame.take_off(column);
        }
        for (k, a) in j.chunks_exact(len).enumerate() {
            out.gradient[k] += dot(a, &left) * power;
            for (l, b) in j.chunks_exact(len).enumerate().skip(k) {
                let v = dot(a, b) * power;
                out.curvature[(k, l)] += v;
                if l > k {
                    out.curvature[(l, k)] += v.conj();
                }
            }
        }
        out.amplitudes.push(c);
    }
    out.cost.is_finite().then_some(out)
}

/// The first `len` of each column of `longest`.
fn shortened(columns: &[C64], longest: usize, len: usize) -> Cow<'_, [C64]> {
    if len == longest {
        return Cow::Borrowed(columns);
    }
    let parts = columns.chunks_exact(longest).map(|c| &c[..len]);
    Cow::Owned(parts.flatten().copied().collect())
}

/// Steps of a descent: it converges in less than ten where it converges at all.
const MOST_STEPS: usize = 16;

/// Orthonormal columns `Q` and triangle `R` of a few long columns, `B = Q R`, by Gram-Schmidt
/// run twice where a column loses much of its length (which is as accurate as Householder's way:
/// Giraud, Langou & Rozloznik 2005; from memory). Written out because it is where the whole fit
/// spends its time.
struct Frame {
    columns: Vec<Vec<C64>>,
    triangle: DMatrix<C64>,
}

impl Frame {
    /// None when the columns depend on each other.
    fn of(columns: &[C64], len: usize) -> Option<Self> {
        let order = columns.len() / len;
        let mut out = Self {
            columns: Vec::with_capacity(order),
            triangle: DMatrix::zeros(order, order),
        };
        for (k, b) in columns.chunks_exact(len).enumerate() {
            let mut q = b.to_vec();
            let whole = length(b);
            let mut norm = whole;
            loop {
                let before = norm;
                for (i, f) in out.take_off(&mut q).into_iter().enumerate() {
                    out.triangle[(i, k)] += f;
                }
                norm = length(&q);
                if norm.is_nan() || norm <= 1e-12 * whole {
                    return None;
                }
                if norm > KEPT * before {
                    break;
                }
            }
            q.iter_mut().for_each(|v| *v /= norm);
            out.triangle[(k, k)] = C64::new(norm, 0.0);
            out.columns.push(q);
        }
        Some(out)
    }

    /// Takes off what lies in the columns and returns its coordinates.
    fn take_off(&self, x: &mut [C64]) -> Vec<C64> {
        self.columns
            .iter()
            .map(|q| {
                let f = dot(q, x);
                subtract(x, q, f);
                f
            })
            .collect()
    }

    /// The factors of the columns that make the coordinates `projected`.
    fn solve(&self, projected: Vec<C64>) -> Option<Vec<C64>> {
        let solved = self
            .triangle
            .solve_upper_triangular(&DVector::from_vec(projected))?;
        Some(solved.as_slice().to_vec())
    }
}

/// Levenberg-damped descent on the poles until a step gains less than `enough`; None when the
/// first linear solve fails.
fn descend(taps: &[Vec<C64>], white: &[Whitener], mut logs: Vec<C64>, enough: f64) -> Option<Fit> {
    let mut now = linearise(taps, white, &logs)?;
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let mut curvature = now.curvature.clone();
        for k in 0..logs.len() {
            let d = curvature[(k, k)].re;
            curvature[(k, k)] += C64::new(damping * d + 1e-300, 0.0);
        }
        let Some(step) = curvature.lu().solve(&now.gradient) else {
            break;
        };
        let longest = step.iter().map(|v| v.norm()).fold(0.0, f64::max);
        if !longest.is_finite() {
            break;
        }
        let scale = if longest > 0.3 { 0.3 / longest } else { 1.0 };
        let tried: Vec<C64> = logs
            .iter()
            .zip(step.iter())
            .map(|(s, d)| bounded(s + d * scale))
            .collect();
        match linearise(taps, white, &tried) {
            Some(next) if next.cost <= now.cost => {
                let gain = now.cost - next.cost;
                logs = tried;
                now = next;
                if gain < enough && damping <= 1e-3 {
                    break;
                }
                damping = (damping * 0.2).max(1e-9);
            }
            _ => {
                damping *= 6.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
    }
    Some(Fit {
        logs,
        amplitudes: now.amplitudes,
        cost: now.cost,
        score: f64::INFINITY,
        variance: Vec::new(),
    })
}
