//! Tolerance factors of the normal distribution: how many standard deviations from the mean
//! of `n` values a limit must lie so that, with a given confidence, a given share (the
//! content) of everything the process makes lies within it. And the like limits for several
//! figures at once (Hotelling's T²).
//!
//! All of this assumes independent values of a normal distribution. Four taps of one sounding
//! are not independent values of a wheel's day-to-day scatter.
//!
//! Sources of the formulas: ISO 16269-6 (exact factors), W. G. Howe, J. Amer. Statist. Assoc.
//! 64 (1969) 610, the NIST/SEMATECH e-Handbook of Statistical Methods 7.2.6.3, and
//! H. Hotelling, Ann. Math. Statist. 2 (1931) 360.

use std::f64::consts::{FRAC_1_SQRT_2, SQRT_2};

use statrs::function::beta::inv_beta_reg;
use statrs::function::erf::{erfc, erfc_inv};
use statrs::function::gamma::checked_gamma_ur;

/// Why there is no factor or limit.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoLimit {
    /// Not enough values.
    #[error("{n} values are too few for a limit, at least {needed} are needed")]
    TooFew {
        /// Number of values.
        n: u32,
        /// What is needed.
        needed: u32,
    },
    /// A confidence or content that is not a usable probability.
    #[error("{value} is not a probability between 0.000001 and 0.999999")]
    NotAProbability {
        /// The number that was handed in.
        value: f64,
    },
    /// Figures that are not finite or out of range.
    #[error("the figures are out of range")]
    OutOfRange,
}

/// Probabilities accepted as content or confidence lie between this and 1 minus this.
const SMALLEST_PROBABILITY: f64 = 1e-6;

pub(crate) fn probability(value: f64) -> Result<f64, NoLimit> {
    // Written so that NaN is refused too.
    if (SMALLEST_PROBABILITY..=1.0 - SMALLEST_PROBABILITY).contains(&value) {
        Ok(value)
    } else {
        Err(NoLimit::NotAProbability { value })
    }
}

fn at_least(n: u32, needed: u32) -> Result<f64, NoLimit> {
    if n < needed {
        Err(NoLimit::TooFew { n, needed })
    } else {
        Ok(f64::from(n))
    }
}

/// Distribution function of the standard normal distribution.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * FRAC_1_SQRT_2)
}

/// Quantile of the standard normal distribution; infinite at 0 and 1, NaN outside.
pub fn normal_quantile(p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    -SQRT_2 * erfc_inv(2.0 * p)
}

/// Distribution function `P(T <= t)` of the non-central t distribution with `dof` degrees of
/// freedom (0.5 to 1e9) and non-centrality `shift`: T = (Z + shift)/S, with Z standard normal
/// and S² = chi²/dof.
///
/// It is the mean of `normal_cdf(t S - shift)` over S, taken by the trapezoidal rule in ln S,
/// which for such a function converges exponentially. The weights are normalised by their own
/// sum, so that no gamma function is needed. Absolute error below 3e-11, which is that of the
/// error function underneath; the far tails have no relative accuracy.
///
/// # Errors
/// [`NoLimit::OutOfRange`] for figures that are not finite, a `dof` outside its range, or
/// `|shift|` above 1e5.
pub fn noncentral_t_cdf(t: f64, dof: f64, shift: f64) -> Result<f64, NoLimit> {
    let usable = t.is_finite() && (0.5..=1e9).contains(&dof) && shift.abs() <= 1e5;
    if !usable {
        return Err(NoLimit::OutOfRange);
    }
    let weights = spread_weights(dof, shift);
    Ok(weights.mean(|s| normal_cdf(t * s - shift)))
}

/// Nodes `s` and weights of the distribution of S = sqrt(chi²/dof).
struct SpreadWeights {
    nodes: Vec<(f64, f64)>,
    sum: f64,
}

impl SpreadWeights {
    fn mean(&self, f: impl Fn(f64) -> f64) -> f64 {
        self.nodes.iter().map(|&(s, w)| w * f(s)).sum::<f64>() / self.sum
    }
}

fn spread_weights(dof: f64, shift: f64) -> SpreadWeights {
    // The step must resolve the density of ln S (width 1/sqrt(2 dof)) and the step of the
    // normal distribution seen in ln S (width 1/shift).
    // Never above 0.08: the poles of the integrand lie pi/4 off the real axis.
    let step = (0.2 * (0.5 / dof).sqrt().min(1.0 / shift.abs().max(2.0))).min(0.08);
    let mut nodes = vec![(1.0, 1.0)];
    for direction in [-1.0, 1.0] {
        for i in 1_u32.. {
            let x = direction * f64::from(i) * step;
            let log_weight = dof * x - 0.5 * dof * (2.0 * x).exp_m1();
            if log_weight < -46.0 {
                break;
            }
            nodes.push((x.exp(), log_weight.exp()));
        }
    }
    let sum = nodes.iter().map(|n| n.1).sum();
    SpreadWeights { nodes, sum }
}

/// Factor k1 of a one-sided limit `mean + k1 s` (or `mean - k1 s`) from `n` values, with at
/// least the share `content` within it at the given `confidence`. Exact: k1 = t'/sqrt(n), t'
/// being the quantile of the non-central t distribution with n - 1 degrees of freedom and
/// non-centrality z(content) sqrt(n).
///
/// # Errors
/// [`NoLimit`] for n below 2 or above 1e8, or when content or confidence is no probability.
pub fn one_sided(n: u32, content: f64, confidence: f64) -> Result<f64, NoLimit> {
    let count = at_least(n, 2)?;
    let z = normal_quantile(probability(content)?);
    let confidence = probability(confidence)?;
    let shift = z * count.sqrt();
    if n > 100_000_000 || shift.abs() > 1e5 {
        return Err(NoLimit::OutOfRange);
    }
    let weights = spread_weights(count - 1.0, shift);
    let excess = |t: f64| weights.mean(|s| normal_cdf(t * s - shift)) - confidence;
    Ok(rising_root(excess, shift, 1.0)? / count.sqrt())
}

/// [`one_sided`] where the mean comes from `n` values and the standard deviation, with `dof`
/// degrees of freedom, from elsewhere as well (shrunk towards an assumed one): the quantile of
/// the non-central t distribution with `dof` degrees of freedom and non-centrality
/// z(content) sqrt(n), over sqrt(n).
///
/// # Errors
/// [`NoLimit`] for n = 0, a `dof` outside 0.5 to 1e9, or when content or confidence is no
/// probability.
pub fn one_sided_shared(n: u32, dof: f64, content: f64, confidence: f64) -> Result<f64, NoLimit> {
    let count = at_least(n, 1)?;
    let z = normal_quantile(probability(content)?);
    let confidence = probability(confidence)?;
    let shift = z * count.sqrt();
    if !(0.5..=1e9).contains(&dof) || shift.abs() > 1e5 {
        return Err(NoLimit::OutOfRange);
    }
    let weights = spread_weights(dof, shift);
    let excess = |t: f64| weights.mean(|s| normal_cdf(t * s - shift)) - confidence;
    Ok(rising_root(excess, shift, 1.0)? / count.sqrt())
}

/// Value of chi² with `dof` degrees of freedom that is exceeded with probability `tail`.
///
/// # Errors
/// [`NoLimit`] for a `dof` that is not between 0.5 and 1e9, or when `tail` is no probability.
pub fn chi2_above(dof: f64, tail: f64) -> Result<f64, NoLimit> {
    let tail = probability(tail)?;
    if !(0.5..=1e9).contains(&dof) {
        return Err(NoLimit::OutOfRange);
    }
    Ok(rising_root(|x| tail - chi2_upper(dof, x.exp()), dof.ln(), 1.0)?.exp())
}

/// Factor k2 of the two-sided interval `mean ± k2 s` from `n` values, with at least the share
/// `content` within it at the given `confidence`. Exact by the definition of ISO 16269-6: over
/// the error u of the mean, the mean probability that k2 s is at least the half width r(u) with
/// Phi(u + r) - Phi(u - r) = content.
///
/// # Errors
/// [`NoLimit`] for n below 2 or above 1e6, or when content or confidence is no probability.
pub fn two_sided(n: u32, content: f64, confidence: f64) -> Result<f64, NoLimit> {
    let count = at_least(n, 2)?;
    let (content, confidence) = (probability(content)?, probability(confidence)?);
    if n > 1_000_000 {
        return Err(NoLimit::OutOfRange);
    }
    let dof = count - 1.0;
    // Trapezoidal rule over z = u sqrt(n); by symmetry half of it, the middle counted once.
    let step = 0.05;
    let mut nodes = Vec::new();
    for i in 0..=180_u32 {
        let z = f64::from(i) * step;
        let weight = (-0.5 * z * z).exp() * if i == 0 { 1.0 } else { 2.0 };
        nodes.push((half_width(z / count.sqrt(), content)?, weight));
    }
    let sum: f64 = nodes.iter().map(|n| n.1).sum();
    let excess = |ln_k: f64| {
        let k = ln_k.exp();
        let enough = |r: f64| chi2_upper(dof, dof * (r / k) * (r / k));
        nodes.iter().map(|&(r, w)| w * enough(r)).sum::<f64>() / sum - confidence
    };
    let start = normal_quantile(0.5 + 0.5 * content).ln();
    Ok(rising_root(excess, start, 0.5)?.exp())
}

/// Half width r with Phi(u + r) - Phi(u - r) = content, for an offset u >= 0.
fn half_width(u: f64, content: f64) -> Result<f64, NoLimit> {
    let within = |r: f64| 0.5 * (erfc((u - r) * FRAC_1_SQRT_2) - erfc((u + r) * FRAC_1_SQRT_2));
    rising_root(|r| within(r) - content, u + 1.0, 1.0)
}

/// Howe's approximation of the two-sided factor: `z sqrt((n - 1)(1 + 1/n)/chi²)` with the
/// lower (1 - confidence) quantile of chi² with n - 1 degrees of freedom. Shown beside the
/// exact one because many tables and hand calculations use it.
///
/// # Errors
/// As [`two_sided`].
pub fn two_sided_howe(n: u32, content: f64, confidence: f64) -> Result<f64, NoLimit> {
    let count = at_least(n, 2)?;
    let z = normal_quantile(0.5 + 0.5 * probability(content)?);
    let confidence = probability(confidence)?;
    if n > 1_000_000 {
        return Err(NoLimit::OutOfRange);
    }
    let dof = count - 1.0;
    // chi² that is exceeded with probability `confidence`; in its logarithm, which it may be
    // far below 1 in.
    let chi2 = rising_root(|x| confidence - chi2_upper(dof, x.exp()), dof.ln(), 1.0)?.exp();
    Ok(z * (dof * (1.0 + 1.0 / count) / chi2).sqrt())
}

/// Upper tail of the chi² distribution.
fn chi2_upper(dof: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 1.0;
    }
    if x == f64::INFINITY {
        return 0.0;
    }
    checked_gamma_ur(0.5 * dof, 0.5 * x).unwrap_or(f64::NAN)
}

/// Limit of T² for a **new** observation of `figures` figures, held against mean and covariance
/// of `n` others: `p (n + 1)(n - 1)/(n (n - p)) F(p, n - p)`. Quantiles of chi² in its place
/// give two to three times the stated false alarms for n of 10 to 20.
///
/// # Errors
/// [`NoLimit`] unless n > figures >= 1, or when the confidence is no probability.
pub fn hotelling_new(figures: u32, n: u32, confidence: f64) -> Result<f64, NoLimit> {
    let (p, count) = figures_and_count(figures, n, 1)?;
    let confidence = probability(confidence)?;
    // The quantile of F by way of that of the beta distribution; the factor n - p cancels.
    let x = inv_beta_reg(0.5 * p, 0.5 * (count - p), confidence);
    let limit = (count + 1.0) * (count - 1.0) / count * x / (1.0 - x);
    finite(limit)
}

/// Limit of T² for a **member** of the `n` observations that mean and covariance were taken
/// from: `(n - 1)²/n Beta(p/2, (n - p - 1)/2)`.
///
/// # Errors
/// [`NoLimit`] unless n > figures + 1 >= 2, or when the confidence is no probability.
pub fn hotelling_member(figures: u32, n: u32, confidence: f64) -> Result<f64, NoLimit> {
    let (p, count) = figures_and_count(figures, n, 2)?;
    let x = inv_beta_reg(0.5 * p, 0.5 * (count - p - 1.0), probability(confidence)?);
    finite((count - 1.0) * (count - 1.0) / count * x)
}

fn figures_and_count(figures: u32, n: u32, more: u32) -> Result<(f64, f64), NoLimit> {
    if figures == 0 || n > 1_000_000 {
        return Err(NoLimit::OutOfRange);
    }
    let count = at_least(n, figures.saturating_add(more).max(2))?;
    Ok((f64::from(figures), count))
}

fn finite(value: f64) -> Result<f64, NoLimit> {
    if value.is_finite() {
        Ok(value)
    } else {
        Err(NoLimit::OutOfRange)
    }
}

/// Root of a function that rises, searched outward from `start` in growing steps, then by
/// false position with halving (the Illinois rule) inside the bracket.
pub(crate) fn rising_root(
    f: impl Fn(f64) -> f64,
    start: f64,
    first_step: f64,
) -> Result<f64, NoLimit> {
    let (mut low, mut high) = bracket(&f, start, first_step)?;
    for i in 0..200_u32 {
        // Every third step halves, so that a flat side cannot hold the search up.
        let linear = high.0 - high.1 * (high.0 - low.0) / (high.1 - low.1);
        let inside = linear > low.0 && linear < high.0 && i % 3 != 2;
        let x = if inside {
            linear
        } else {
            0.5 * (low.0 + high.0)
        };
        let y = f(x);
        if y.is_nan() {
            return Err(NoLimit::OutOfRange);
        }
        if y == 0.0 || (high.0 - low.0).abs() <= 1e-13 * x.abs().max(1e-3) {
            return Ok(x);
        }
        if y < 0.0 {
            low = (x, y);
        } else {
            high = (x, y);
        }
    }
    Ok(0.5 * (low.0 + high.0))
}

type Point = (f64, f64);

fn bracket(
    f: &impl Fn(f64) -> f64,
    start: f64,
    first_step: f64,
) -> Result<(Point, Point), NoLimit> {
    let (mut low, mut high) = ((start, f(start)), (start, f(start)));
    let mut step = first_step;
    for _ in 0..80 {
        if low.1.is_nan() || high.1.is_nan() {
            break;
        }
        if low.1 <= 0.0 && high.1 >= 0.0 {
            return Ok((low, high));
        }
        if low.1 > 0.0 {
            high = low;
            low = (low.0 - step, f(low.0 - step));
        } else {
            low = high;
            high = (high.0 + step, f(high.0 + step));
        }
        step *= 2.0;
    }
    Err(NoLimit::OutOfRange)
}

#[cfg(test)]
// A factor of the tables happens to be 3.141.
#[allow(clippy::unwrap_used, clippy::approx_constant)]
mod tests;
