//! Least-squares refinement of the poles of one band by variable projection in Kaufman's
//! form (Golub & Pereyra 1973; Kaufman 1975), with shared poles and amplitudes per tap
//! (Golub & LeVeque 1979), and the choice of their number.

use nalgebra::{DMatrix, DVector};

use super::subspace::Subspace;
use super::zoom::C64;

/// Poles fitted to a band and what they leave.
#[derive(Debug, Clone)]
pub struct Fit {
    /// `s = ln z` per decimated sample.
    pub logs: Vec<C64>,
    /// Amplitudes at the band's first sample: `[tap][pole]`.
    pub amplitudes: Vec<Vec<C64>>,
    /// Sum of squared residuals over all taps.
    pub cost: f64,
}

/// Fits as many poles as the data support: an order is taken when it lowers the cost by
/// more than `16 + 3 (T - 1)` noise variances, the search ends after two orders that do not.
pub fn fit_band(taps: &[Vec<C64>], noise_variance: f64, most: usize) -> Option<Fit> {
    let subspace = Subspace::new(taps, most)?;
    let mut best = Fit {
        logs: Vec::new(),
        amplitudes: vec![Vec::new(); taps.len()],
        cost: energy(taps),
    };
    let need = 16.0 + 3.0 * (taps.len() as f64 - 1.0);
    let mut last = best.clone();
    let mut failures = 0;
    for order in 1..=subspace.most() {
        let mut tries = Vec::new();
        if let Some(poles) = subspace.poles(order) {
            tries.push(poles.iter().map(|z| bounded(z.ln())).collect::<Vec<_>>());
        }
        let goes_on = !last.logs.is_empty() || order == 1;
        if let Some(extra) = goes_on.then(|| strongest_left(taps, &last)).flatten() {
            let mut logs = last.logs.clone();
            logs.push(extra);
            tries.push(logs);
        }
        let fitted = tries
            .into_iter()
            .filter(|logs| logs.iter().all(|s| s.re.is_finite() && s.im.is_finite()))
            .filter_map(|logs| descend(taps, logs))
            .min_by(|a, b| a.cost.total_cmp(&b.cost));
        let Some(fitted) = fitted else { break };
        let orders = (fitted.logs.len() - best.logs.len()).max(1) as f64;
        if best.cost - fitted.cost > need * orders * noise_variance {
            best = fitted.clone();
            failures = 0;
        } else {
            failures += 1;
            if failures == 2 {
                break;
            }
        }
        last = fitted;
    }
    (!best.logs.is_empty()).then_some(best)
}

fn energy(taps: &[Vec<C64>]) -> f64 {
    taps.iter().flatten().map(|v| v.norm_sqr()).sum()
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

fn linearise(taps: &[Vec<C64>], logs: &[C64], with_step: bool) -> Option<Linear> {
    let order = logs.len();
    let longest = taps.iter().map(Vec::len).max()?;
    let mut basis = DMatrix::<C64>::zeros(longest, order);
    let mut slopes = DMatrix::<C64>::zeros(longest, order);
    for (k, s) in logs.iter().enumerate() {
        let z = s.exp();
        let mut v = C64::new(1.0, 0.0);
        for m in 0..longest {
            basis[(m, k)] = v;
            slopes[(m, k)] = v * m as f64;
            v *= z;
        }
    }
    let mut out = Linear {
        amplitudes: Vec::with_capacity(taps.len()),
        cost: 0.0,
        curvature: DMatrix::zeros(order, order),
        gradient: DVector::zeros(order),
    };
    for y in taps {
        let len = y.len();
        if len <= order {
            return None;
        }
        let qr = basis.rows(0, len).into_owned().qr();
        let q = qr.q();
        let data = DVector::from_column_slice(y);
        let projected = q.adjoint() * &data;
        let left = &data - &q * &projected;
        let c = qr.r().solve_upper_triangular(&projected)?;
        out.cost += left.norm_squared();
        if with_step {
            let mut j = slopes.rows(0, len).into_owned();
            for (k, mut column) in j.column_iter_mut().enumerate() {
                column *= c[k];
            }
            let inside = q.adjoint() * &j;
            j -= &q * inside;
            out.curvature += j.adjoint() * &j;
            out.gradient += j.adjoint() * &left;
        }
        out.amplitudes.push(c.iter().copied().collect());
    }
    out.cost.is_finite().then_some(out)
}

/// Levenberg-damped descent on the poles; None when the first linear solve fails.
fn descend(taps: &[Vec<C64>], mut logs: Vec<C64>) -> Option<Fit> {
    let mut now = linearise(taps, &logs, true)?;
    let mut damping = 1e-3;
    for _ in 0..30 {
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
        match linearise(taps, &tried, true) {
            Some(next) if next.cost <= now.cost => {
                let gain = now.cost - next.cost;
                logs = tried;
                let small = gain <= 1e-9 * next.cost;
                now = next;
                damping = (damping * 0.2).max(1e-9);
                if small && longest < 1e-5 {
                    break;
                }
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
    })
}
