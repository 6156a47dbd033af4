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
        if let Some(extra) = strongest_left(taps, &last) {
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
            let columns = [
                &*shortened(plain, longest, len),
                &*shortened(slopes, longest, len),
                y.as_slice(),
            ];
            let mut white = columns.concat();
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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::echo::Echo;
    use super::super::made::{circular_noise, turns};
    use super::*;

    fn quiet(noise: f64, taps: usize) -> Disturbance {
        Disturbance {
            noise,
            echo: None,
            others: vec![Vec::new(); taps],
            lead: 0,
            strikes: vec![0.0; taps],
            alike: vec![1; taps],
        }
    }

    fn echoing(noise: f64, taps: usize) -> Disturbance {
        Disturbance {
            echo: Some(Echo {
                share: 0.05,
                decay_per_s: 0.02,
            }),
            lead: 3,
            ..quiet(noise, taps)
        }
    }

    fn squares(y: &[C64]) -> f64 {
        y.iter().map(|v| v.norm_sqr()).sum()
    }

    fn plus(a: &[C64], b: &[C64]) -> Vec<C64> {
        a.iter().zip(b).map(|(a, b)| a + b).collect()
    }

    const NEAR: [C64; 2] = [C64::new(-0.03, 0.4), C64::new(-0.05, 0.52)];

    /// Two taps of the two poles [`NEAR`], of different length.
    fn two_taps() -> Vec<Vec<C64>> {
        let (a, b) = (C64::new(1.0, 0.3), C64::new(-0.4, 0.9));
        vec![
            turns(&[(NEAR[0], a), (NEAR[1], b)], 150),
            turns(&[(NEAR[0], b), (NEAR[1], -a)], 120),
        ]
    }

    /// Half of the inverse of a lone pole's information, by plain sums: `|c|^2 (M2 - M1^2 / M0)`
    /// with `M_p = sum n^p |z|^(2n)`.
    fn bound(log: C64, power: f64, noise: f64, len: usize) -> f64 {
        let moment = |p: i32| -> f64 {
            let one = |n: usize| (n as f64).powi(p) * (2.0 * log.re * n as f64).exp();
            (0..len).map(one).sum()
        };
        let information = power * (moment(2) - moment(1).powi(2) / moment(0)) / noise;
        0.5 / information
    }

    #[test]
    fn each_further_tap_asks_for_three_more() {
        assert_eq!(needed_gain(1), 16.0);
        assert_eq!(needed_gain(4), 25.0);
    }

    #[test]
    fn poles_stay_within_their_bounds_and_finite() {
        assert_eq!(bounded(C64::new(-2.0, 9.0)), C64::new(-1.5, 9.0));
        assert_eq!(bounded(C64::new(0.5, -9.0)), C64::new(0.002, -9.0));
        assert_eq!(bounded(C64::new(-0.5, 1.0)), C64::new(-0.5, 1.0));
        assert!(is_finite(&[C64::new(1.0, 1.0)]));
        assert!(!is_finite(&[C64::new(1.0, 1.0), C64::new(f64::NAN, 1.0)]));
        assert!(!is_finite(&[C64::new(1.0, f64::INFINITY)]));
    }

    #[test]
    fn starts_are_the_poles_of_noiseless_taps() {
        let starts = Starts::new(&two_taps(), 5).unwrap();
        let found = starts.of_order(2).unwrap();
        for s in NEAR {
            let nearest = found.iter().map(|f| (f - s).norm()).fold(1.0, f64::min);
            assert!(nearest < 1e-6, "{nearest}");
        }
        assert_eq!(starts.by_order.len(), 5);
        for order in 1..=5 {
            let poles = starts.of_order(order).map_or(0, Vec::len);
            // Beyond the truth's two there may be none.
            assert!(
                poles == order || (poles == 0 && order > 2),
                "{order} {poles}"
            );
        }
        assert!(starts.of_order(6).is_none());
        let noisy = Starts::new(&[circular_noise(1.0, 150, 8)], 5).unwrap();
        let orders: Vec<usize> = (1..=6)
            .map(|k| noisy.of_order(k).map_or(0, Vec::len))
            .collect();
        assert_eq!(orders, [1, 2, 3, 4, 5, 0]);
        assert!(Starts::new(&[vec![C64::default(); 9]], 2).is_none());
    }

    /// The order of the truth comes out, every pole within five of the stated deviations, which
    /// are those of the bound; the score is the likelihood's.
    #[test]
    fn a_lone_pole_is_fitted_as_well_as_the_bound_allows() {
        let (log, noise, len) = (C64::new(-0.04, 0.7), 1e-4, 200);
        let amplitudes = [C64::new(0.6, 0.8), C64::new(-0.3, 0.4)];
        let taps: Vec<Vec<C64>> = amplitudes
            .iter()
            .zip(3..)
            .map(|(c, seed)| plus(&turns(&[(log, *c)], len), &circular_noise(noise, len, seed)))
            .collect();
        let fit = fit_band(&taps, &quiet(noise, 2), 5).unwrap();
        assert_eq!(fit.logs.len(), 1);
        let variance = bound(log, 1.25, noise, len);
        // The pole itself is known to some hundredth of a percent of its decay.
        assert!(
            (fit.variance[0] / variance - 1.0).abs() < 0.02,
            "{:?}",
            fit.variance
        );
        assert!((fit.logs[0] - log).norm() < 5.0 * (2.0 * variance).sqrt());
        let mut cost = 0.0;
        for ((y, c), truth) in taps.iter().zip(&fit.amplitudes).zip(amplitudes) {
            // Over about 12 samples of the decay a deviation of 0.01 / sqrt(12), times two.
            assert!((c[0] - truth).norm() < 0.03);
            let left = turns(&[(fit.logs[0], -c[0])], len);
            cost += squares(&plus(y, &left)) / noise;
        }
        assert!((fit.cost / cost - 1.0).abs() < 1e-9);
        // 400 samples of noise of variance 1, less three poles' worth: four deviations.
        assert!((fit.cost - 400.0).abs() < 80.0, "{}", fit.cost);
        assert!((fit.score - (cost + 400.0 * noise.ln())).abs() < 1e-6);
    }

    #[test]
    fn as_many_poles_are_fitted_as_the_data_support() {
        let noise = 1e-6;
        let logs = [
            C64::new(-0.02, 0.30),
            C64::new(-0.03, 0.36),
            C64::new(-0.10, -1.2),
        ];
        let truth: Vec<(C64, C64)> = logs.iter().map(|s| (*s, C64::new(0.5, 0.5))).collect();
        for (count, seed) in [(1, 5), (2, 6), (3, 7)] {
            let clean = turns(&truth[..count], 240);
            let tap = plus(&clean, &circular_noise(noise, 240, seed));
            let fit = fit_band(&[tap], &quiet(noise, 1), 8).unwrap();
            assert_eq!(fit.logs.len(), count);
            for s in &logs[..count] {
                let far = |k: &usize| (fit.logs[*k] - s).norm();
                let near = (0..count).min_by(|a, b| far(a).total_cmp(&far(b))).unwrap();
                let most = 5.0 * (2.0 * fit.variance[near]).sqrt();
                assert!(far(&near) < most, "{count} {s}: {} {most}", far(&near));
                // Among others no line is better known than alone, nor is it lost: at these
                // distances it costs less than ten times the variance.
                let alone = bound(*s, 0.5, noise, 240);
                let share = fit.variance[near] / alone;
                assert!((0.95..10.0).contains(&share), "{count} {s} {share}");
            }
        }
        // A tone that gains less than is needed is none: its whole energy is 12 times the noise.
        let weak = C64::new((12.0 * noise * 0.06f64).sqrt(), 0.0);
        let tap = turns(&[(C64::new(-0.03, 0.5), weak)], 240);
        assert!(fit_band(&[tap], &quiet(noise, 1), 4).is_none());
        let strong = weak * 1.5;
        let tap = turns(&[(C64::new(-0.03, 0.5), strong)], 240);
        assert_eq!(fit_band(&[tap], &quiet(noise, 1), 4).unwrap().logs.len(), 1);
    }

    /// Far from each other each tone gains its whole energy over the noise: 16 is needed.
    #[test]
    fn each_pole_gains_what_it_must() {
        let decay = 0.03;
        let tone = |place: f64, gain: f64| {
            let power: f64 = (0..240).map(|n| (-2.0 * decay * f64::from(n)).exp()).sum();
            (
                C64::new(-decay, place),
                C64::new((gain / power).sqrt(), 0.0),
            )
        };
        let fitted = |gains: &[f64]| {
            let of: Vec<_> = gains
                .iter()
                .zip([-1.2, 1.1, -0.2])
                .map(|(g, place)| tone(place, *g))
                .collect();
            let fit = fit_band(&[turns(&of, 240)], &quiet(1.0, 1), 6);
            fit.map_or(0, |f| f.logs.len())
        };
        for (gains, poles) in [
            ([900.0, 0.0, 0.0], 1),
            ([900.0, 24.0, 0.0], 2),
            ([900.0, 24.0, 22.0], 3),
            ([900.0, 24.0, 12.0], 2),
            ([900.0, 12.0, 11.0], 1),
        ] {
            assert_eq!(fitted(&gains), poles, "{gains:?}");
        }
    }

    #[test]
    fn noise_alone_has_no_pole_and_the_score_of_noise() {
        let noise = 0.01;
        let taps = [circular_noise(noise, 150, 1), circular_noise(noise, 140, 2)];
        let around = quiet(noise, 2);
        assert!(fit_band(&taps, &around, 4).is_none());
        let starts = Starts::new(&taps, 4).unwrap();
        let truth = (squares(&taps[0]) + squares(&taps[1])) / noise + 290.0 * noise.ln();
        let score = score_of_order(&taps, &around, &starts);
        assert!((score - truth).abs() < 1e-8, "{score} {truth}");
    }

    #[test]
    fn the_score_of_an_order_charges_each_pole_what_it_must_gain() {
        let (noise, taps) = (1e-8, two_taps());
        let starts = Starts::new(&taps, 4).unwrap();
        let score = score_of_order(&taps, &quiet(noise, 2), &starts);
        // Nothing is left of noiseless tones but what a rough descent leaves, 0.05 a pole.
        let truth = 270.0 * noise.ln() + 2.0 * needed_gain(2);
        assert!((score - truth).abs() < 0.2, "{score} {truth}");
    }

    /// Cost, gradient and curvature against differences of the cost itself, among noise and
    /// among echo.
    #[test]
    fn gradient_and_curvature_are_those_of_the_cost() {
        let clean = two_taps();
        for around in [quiet(1e-4, 2), echoing(1e-4, 2)] {
            let c = [[C64::new(0.8, 0.1), C64::new(0.2, -0.7)]; 2];
            let white: Vec<Whitener> = (0..2)
                .map(|t| around.whitener(t, clean[t].len(), &NEAR, &c[t]))
                .collect();
            assert_eq!(around.echo.is_some(), white[0].plain_scale().is_none());
            let cost =
                |taps: &[Vec<C64>], logs: [C64; 2]| linearise(taps, &white, &logs).unwrap().cost;
            let off = [
                NEAR[0] + C64::new(0.004, -0.003),
                NEAR[1] + C64::new(0.002, 0.005),
            ];
            let here = linearise(&clean, &white, &off).unwrap();
            let h = 1e-5;
            for k in 0..2 {
                let along = |d: C64| {
                    let (mut up, mut down) = (off, off);
                    up[k] += d;
                    down[k] -= d;
                    (cost(&clean, up) - cost(&clean, down)) / (2.0 * h)
                };
                // The cost falls along the gradient, twice as fast as each part of it.
                let g = here.gradient[k] * -2.0;
                let size = 1e-5 * g.norm();
                assert!((along(C64::new(h, 0.0)) - g.re).abs() < size);
                assert!((along(C64::new(0.0, h)) - g.im).abs() < size);
            }
            // Where nothing is left the cost is a bowl of this curvature.
            let bowl = linearise(&clean, &white, &NEAR).unwrap();
            assert!(bowl.cost < 1e-18 * (squares(&clean[0]) + squares(&clean[1])) / 1e-4);
            for d in [
                [C64::new(h, 0.0), C64::default()],
                [C64::default(), C64::new(0.0, h)],
                [C64::new(h, 0.0), C64::new(h, 0.0)],
                [C64::new(h, 0.0), C64::new(0.0, h)],
            ] {
                let rise = cost(&clean, [NEAR[0] + d[0], NEAR[1] + d[1]]);
                let d = DVector::from_row_slice(&d);
                let truth = (d.adjoint() * &bowl.curvature * &d)[(0, 0)].re;
                // The next order of the series is h times some ten samples smaller.
                assert!((rise / truth - 1.0).abs() < 1e-3, "{rise} {truth}");
            }
            for (t, c) in bowl.amplitudes.iter().enumerate() {
                let model = turns(&[(NEAR[0], c[0]), (NEAR[1], c[1])], clean[t].len());
                let left = squares(&residual(&clean[t], &NEAR, c));
                assert!(left < 1e-20 * squares(&clean[t]));
                let apart: Vec<C64> = clean[t].iter().zip(model).map(|(a, b)| a - b).collect();
                assert!(squares(&apart) < 1e-20 * squares(&clean[t]));
            }
        }
    }

    /// The cost is what a plain projection leaves, over the noise; taps weigh by their own noise.
    #[test]
    fn the_cost_is_what_a_projection_leaves() {
        let y = circular_noise(1.0, 60, 4);
        let basis = DMatrix::from_fn(60, 2, |n, k| (NEAR[k] * n as f64).exp());
        let right = DVector::from_row_slice(&y);
        let normal = (basis.adjoint() * &basis).try_inverse().unwrap();
        let c = normal * basis.adjoint() * &right;
        let left = (&right - &basis * &c).norm_squared() / 0.25;
        let white = whiteners(std::slice::from_ref(&y), &quiet(0.25, 1), None);
        let found = linearise(std::slice::from_ref(&y), &white, &NEAR).unwrap();
        assert!((found.cost / left - 1.0).abs() < 1e-11);
        for (a, b) in found.amplitudes[0].iter().zip(c.iter()) {
            assert!((a - b).norm() < 1e-11);
        }
        // As many samples as poles say nothing.
        let few = [y[..2].to_vec()];
        assert!(linearise(&few, &whiteners(&few, &quiet(1.0, 1), None), &NEAR).is_none());
        let enough = [y[..3].to_vec()];
        assert!(linearise(&enough, &whiteners(&enough, &quiet(1.0, 1), None), &NEAR).is_some());
    }

    #[test]
    fn energies_and_determinants_are_those_of_plain_noise() {
        let taps = [circular_noise(1.0, 30, 5), circular_noise(1.0, 20, 6)];
        let white = whiteners(&taps, &quiet(0.25, 2), None);
        let whole = (squares(&taps[0]) + squares(&taps[1])) / 0.25;
        assert!((energy(&taps, &white) / whole - 1.0).abs() < 1e-12);
        assert!((log_det(&taps, &white) - 50.0 * 0.25f64.ln()).abs() < 1e-10);
        let score = empty_score(&taps, &quiet(0.25, 2));
        assert!((score - whole - 50.0 * 0.25f64.ln()).abs() < 1e-9);
    }

    /// From a start off by more than a line's width, and from one so far off that steps must be
    /// held back.
    #[test]
    fn a_descent_ends_at_the_truth() {
        let taps = two_taps();
        let white = whiteners(&taps, &quiet(1e-6, 2), None);
        for off in [
            [C64::new(0.01, 0.01), C64::new(0.01, -0.01)],
            [C64::new(-0.15, -0.06), C64::new(-0.2, 0.04)],
        ] {
            let start = vec![NEAR[0] + off[0], NEAR[1] + off[1]];
            let first = linearise(&taps, &white, &start).unwrap().cost;
            let fit = descend(&taps, &white, start.clone(), FINE).unwrap();
            for (a, b) in fit.logs.iter().zip(NEAR) {
                // The last step gained no more than 1e-4 squared deviations: it was no longer than
                // a hundredth of one, which is some 2e-5 here, and what is left is less.
                assert!((a - b).norm() < 1e-6, "{a} {b}");
            }
            assert!(fit.cost < 1e-3, "{}", fit.cost);
            // A step that is enough is the last.
            let one = descend(&taps, &white, start, f64::INFINITY).unwrap();
            assert!(one.cost < first && one.cost > 1.0, "{}", one.cost);
        }
        assert!(descend(&[vec![C64::default(); 2]], &white[..1], NEAR.to_vec(), FINE).is_none());
    }

    /// Poles that may not grow are held at the bound, and a step is no longer than 0.3.
    #[test]
    fn a_step_is_held_back() {
        let taps = [turns(&[(C64::new(-0.02, 2.5), C64::new(1.0, 0.0))], 40)];
        let white = whiteners(&taps, &quiet(1.0, 1), None);
        let start = C64::new(-1.2, 0.5);
        let one = descend(&taps, &white, vec![start], f64::INFINITY).unwrap();
        assert!((one.logs[0] - start).norm() < 0.3 + 1e-12);
        let grows = [turns(&[(C64::new(0.03, 0.4), C64::new(1.0, 0.0))], 60)];
        let white = whiteners(&grows, &quiet(1.0, 1), None);
        let held = descend(&grows, &white, vec![C64::new(-0.01, 0.41)], FINE).unwrap();
        assert_eq!(held.logs[0].re, 0.002);
    }

    #[test]
    fn a_refit_states_the_spread_of_the_poles_it_is_given() {
        let (noise, len) = (1e-4, 160);
        let log = C64::new(-0.05, 0.3);
        let clean = turns(&[(log, C64::new(1.0, 0.0))], len);
        let tap = plus(&clean, &circular_noise(noise, len, 9));
        let start = Fit {
            logs: vec![log + C64::new(0.01, 0.02)],
            amplitudes: vec![vec![C64::new(0.7, 0.0)]],
            cost: 0.0,
            score: 0.0,
            variance: Vec::new(),
        };
        let fit = refit(std::slice::from_ref(&tap), &quiet(noise, 1), &start).unwrap();
        let variance = bound(log, 1.0, noise, len);
        assert!((fit.logs[0] - log).norm() < 5.0 * (2.0 * variance).sqrt());
        assert!((fit.variance[0] / variance - 1.0).abs() < 0.02);
        assert!((fit.score - fit.cost - len as f64 * noise.ln()).abs() < 1e-8);
        // Echo makes a pole less sure than noise alone, and its samples are then no longer alike:
        // the determinant is that of the whitener around the fitted line.
        let around = echoing(noise, 1);
        let echoed = refit(&[tap], &around, &start).unwrap();
        assert!(echoed.variance[0] > 4.0 * fit.variance[0]);
        let white = around.whitener(0, len, &echoed.logs, &echoed.amplitudes[0]);
        let by_echo = white.log_det(len) - len as f64 * noise.ln();
        let stated = echoed.score - echoed.cost - len as f64 * noise.ln();
        // Echo goes with the square of an amplitude that is known to some percent.
        assert!((stated / by_echo - 1.0).abs() < 0.05, "{stated} {by_echo}");
    }

    #[test]
    fn a_pole_that_cannot_be_told_has_no_spread() {
        // No amplitude, no information.
        let taps = [vec![C64::default(); 30]];
        let white = whiteners(&taps, &quiet(1.0, 1), None);
        let fit = descend(&taps, &white, vec![NEAR[0]], FINE).unwrap();
        let fit = stated(&taps, &white, fit);
        assert!(fit.variance.len() == 1 && fit.variance[0].is_infinite());
    }

    #[test]
    fn the_strongest_pole_that_a_fit_leaves_is_found() {
        let taps = two_taps();
        let c = [C64::new(1.0, 0.3), C64::new(-0.4, 0.9)];
        let fit = Fit {
            logs: vec![NEAR[0]],
            amplitudes: vec![vec![c[0]], vec![c[1]]],
            cost: 0.0,
            score: 0.0,
            variance: Vec::new(),
        };
        let left = strongest_left(&taps, &fit).unwrap();
        assert!((left - NEAR[1]).norm() < 1e-6, "{left}");
    }

    #[test]
    fn columns_are_shortened_each_to_its_first_samples() {
        let columns: Vec<C64> = (0..6).map(|n| C64::new(f64::from(n), 0.0)).collect();
        let numbers = |len| -> Vec<f64> {
            let short = shortened(&columns, 3, len);
            short.iter().map(|v| v.re).collect()
        };
        assert_eq!(numbers(3), [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]);
        assert_eq!(numbers(2), [0.0, 1.0, 3.0, 4.0]);
    }

    #[test]
    fn a_frame_is_orthonormal_and_gives_its_columns_back() {
        let len = 40;
        let mut columns = turns(&[(NEAR[0], C64::new(1.0, 0.0))], len);
        columns.extend(circular_noise(1.0, len, 2));
        // Hardly anything of the third stands out of the first.
        let third: Vec<C64> = columns[..len]
            .iter()
            .zip(circular_noise(1e-12, len, 3))
            .map(|(a, b)| a * 2.0 + b)
            .collect();
        columns.extend(third);
        let frame = Frame::of(&columns, len).unwrap();
        let q = DMatrix::from_fn(len, 3, |n, k| frame.columns[k][n]);
        let one = q.adjoint() * &q - DMatrix::identity(3, 3);
        assert!(one.norm() < 1e-14, "{}", one.norm());
        let b = DMatrix::from_column_slice(len, 3, &columns);
        assert!((&q * &frame.triangle - &b).norm() < 1e-13 * b.norm());
        // Coordinates taken off, and the factors that make them.
        let factors = [C64::new(0.4, 1.0), C64::new(-2.0, 0.1)];
        let two = Frame::of(&columns[..2 * len], len).unwrap();
        let rest = circular_noise(1.0, len, 4);
        let mut x: Vec<C64> = (0..len)
            .map(|n| columns[n] * factors[0] + columns[len + n] * factors[1] + rest[n])
            .collect();
        let mut away = rest.clone();
        let of_rest = two.solve(two.take_off(&mut away)).unwrap();
        let of_all = two.solve(two.take_off(&mut x)).unwrap();
        for k in 0..2 {
            assert!((of_all[k] - of_rest[k] - factors[k]).norm() < 1e-12);
            assert!(dot(&columns[k * len..(k + 1) * len], &x).norm() < 1e-11);
        }
        for (a, b) in x.iter().zip(&away) {
            assert!((a - b).norm() < 1e-12);
        }
    }

    #[test]
    fn columns_that_depend_on_each_other_make_no_frame() {
        let one = turns(&[(NEAR[0], C64::new(1.0, 0.0))], 30);
        let twice: Vec<C64> = one.iter().map(|v| v * 2.0).collect();
        assert!(Frame::of(&[one.clone(), twice].concat(), 30).is_none());
        assert!(Frame::of(&vec![C64::default(); 30], 30).is_none());
        assert!(Frame::of(&vec![C64::new(f64::NAN, 0.0); 30], 30).is_none());
        assert!(Frame::of(&one, 30).is_some());
        // However faint they are.
        let faint: Vec<C64> = one.iter().map(|v| v * 1e-9).collect();
        assert!(Frame::of(&faint, 30).is_some());
    }
}
