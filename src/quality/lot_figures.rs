//! Figures of the wheels of a lot: which stand apart from the others, and how far the lot as a
//! whole has shifted.

use statrs::distribution::{ContinuousCDF as _, StudentsT};

use crate::reading::tolerance::normal_quantile;

/// Makes the median absolute deviation of normal values their standard deviation.
const MAD_TO_STD: f64 = 1.482_602_218_505_602;
/// With fewer wheels the spread of a lot is a guess.
pub const FEWEST_FOR_ODD: usize = 6;

/// A value that stands apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Odd {
    /// Its place among the values.
    pub place: usize,
    /// Distance from the median in standard deviations.
    pub score: f64,
}

/// The median and the spread that a few odd values do not move, and who stands apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Crowd {
    /// Median.
    pub median: f64,
    /// Robust standard deviation, not below the given floor.
    pub std: f64,
    /// Scores beyond this are odd.
    pub limit: f64,
    /// The odd ones, farthest first.
    pub odd: Vec<Odd>,
}

/// The median of finite values; none without any.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    let high = *sorted.get(n / 2)?;
    let low = *sorted.get((n.max(1) - 1) / 2)?;
    Some(0.5 * (low + high))
}

/// Who stands apart among `values` (logarithms of tones or ring times, so that normal spread is a
/// fair picture): median and median absolute deviation, each value with a standard deviation of
/// measurement of at least `floor`.
///
/// Multiplicity: the chance of a false finding is shared by all `values` times the `figures` that
/// are looked at (Bonferroni): in a wholly normal lot some wheel is called odd with at most the
/// chance `1 - confidence`. The quantile is Student's; its degrees of freedom are 37 % of the number
/// of values less one, as the median absolute deviation of normal values tells 37 % of what their
/// standard deviation would (Rousseeuw and Croux, J. Amer. Statist. Assoc. 88 (1993) 1273; from
/// memory). A simulation in the tests holds it to the stated rate. None for fewer than
/// [`FEWEST_FOR_ODD`] values.
pub fn crowd(values: &[f64], floor: f64, figures: u32, confidence: f64) -> Option<Crowd> {
    let finite: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    if finite.len() < FEWEST_FOR_ODD {
        return None;
    }
    let middle = median(&finite)?;
    let away: Vec<f64> = finite.iter().map(|v| (v - middle).abs()).collect();
    let n = finite.len() as f64;
    // Small-sample factor n / (n - 0.8): Croux and Rousseeuw, Computational Statistics 1 (1992).
    let std = (MAD_TO_STD * n / (n - 0.8) * median(&away)?).max(floor);
    let tail = (1.0 - confidence) / (2.0 * n * f64::from(figures.max(1)));
    let dof = (0.37 * (n - 1.0)).max(1.0);
    let limit = StudentsT::new(0.0, 1.0, dof).map_or(f64::INFINITY, |t| -t.inverse_cdf(tail));
    let score = |v: f64| (v - middle) / std;
    let mut odd: Vec<Odd> = values
        .iter()
        .enumerate()
        .filter(|(_, v)| v.is_finite() && score(**v).abs() > limit)
        .map(|(place, v)| Odd {
            place,
            score: score(*v),
        })
        .collect();
    odd.sort_by(|a, b| b.score.abs().total_cmp(&a.score.abs()));
    Some(Crowd {
        median: middle,
        std,
        limit,
        odd,
    })
}

/// How far the mean of a lot lies from a reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// Mean of the lot less that of the reference.
    pub mean: f64,
    /// Ends of its interval.
    pub interval: (f64, f64),
    /// Standard deviation within the lot.
    pub std: f64,
    /// Number of wheels of the lot that it is from.
    pub wheels: usize,
}

impl Shift {
    /// True when the interval does not hold zero.
    pub fn shows(&self) -> bool {
        self.interval.0 > 0.0 || self.interval.1 < 0.0
    }
}

/// Shift of the values of a lot against a reference mean known to the standard deviation
/// `reference_std` (its own spread over the root of its number): Welch's interval (B. L. Welch,
/// Biometrika 34 (1947) 28). `shared` intervals hold together with `confidence` (Bonferroni).
/// None for fewer than 2 finite values.
pub fn shift(
    values: &[f64],
    (reference, reference_std, reference_n): (f64, f64, u32),
    shared: u32,
    confidence: f64,
) -> Option<Shift> {
    let finite: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let n = finite.len() as f64;
    if finite.len() < 2 || !reference.is_finite() {
        return None;
    }
    let mean = finite.iter().sum::<f64>() / n;
    let variance = finite.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let (own, other) = (variance / n, reference_std * reference_std);
    let all = own + other;
    let spare = f64::from(reference_n.max(2)) - 1.0;
    let dof = if all > 0.0 {
        all * all / (own * own / (n - 1.0) + other * other / spare)
    } else {
        n - 1.0
    };
    let tail = 0.5 * (1.0 - confidence) / f64::from(shared.max(1));
    let t = StudentsT::new(0.0, 1.0, dof.max(1.0))
        .map_or_else(|_| normal_quantile(1.0 - tail), |t| -t.inverse_cdf(tail));
    let half = t * all.sqrt();
    let away = mean - reference;
    Some(Shift {
        mean: away,
        interval: (away - half, away + half),
        std: variance.sqrt(),
        wheels: finite.len(),
    })
}

/// Fewer values give no limits.
const FEWEST_FOR_LIMITS: usize = 5;
/// Mean range of two normal values in standard deviations, `2/sqrt(pi)`.
const RANGE_OF_TWO: f64 = 1.128;

/// Lower limit, centre and upper limit of an individuals chart: the mean, and three standard
/// deviations from it, these from the mean moving range of two (NIST/SEMATECH e-Handbook of
/// Statistical Methods, 6.3.2.2). The order of the values counts. None for fewer than five.
pub fn individuals(values: &[f64]) -> Option<(f64, f64, f64)> {
    let finite: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    if finite.len() < FEWEST_FOR_LIMITS {
        return None;
    }
    let mean = finite.iter().sum::<f64>() / finite.len() as f64;
    let ranges = finite.windows(2).map(|w| (w[1] - w[0]).abs());
    let range = ranges.sum::<f64>() / (finite.len() - 1) as f64;
    let far = 3.0 * range / RANGE_OF_TWO;
    Some((mean - far, mean, mean + far))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn limits_of_individuals_are_those_of_the_handbook() {
        // NIST/SEMATECH e-Handbook 6.3.2.2, example of ten batches; figures from memory, the
        // limits agree with them by hand.
        let values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let (low, centre, high) = individuals(&values).unwrap();
        for (found, book) in [(low, 45.8159), (centre, 50.81), (high, 55.8041)] {
            assert!((found - book).abs() < 1e-3, "{found} {book}");
        }
        assert_eq!(individuals(&values[..4]), None);
    }
    use rand::SeedableRng as _;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution as _, StandardNormal};

    fn normal(rng: &mut ChaCha8Rng, n: usize) -> Vec<f64> {
        (0..n).map(|_| StandardNormal.sample(rng)).collect()
    }

    #[test]
    fn normal_lots_have_odd_wheels_no_more_often_than_stated() {
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        for n in [6, 8, 12, 20, 50, 200] {
            let trials = 4000;
            let called = (0..trials)
                .filter(|_| {
                    !crowd(&normal(&mut rng, n), 0.0, 1, 0.95)
                        .unwrap()
                        .odd
                        .is_empty()
                })
                .count();
            let rate = called as f64 / f64::from(trials);
            // Stated 0.05; three standard deviations of 4000 trials are 0.0103.
            assert!(rate < 0.061, "{n}: {rate}");
        }
    }

    #[test]
    fn a_third_of_odd_wheels_does_not_hide_itself() {
        let mut rng = ChaCha8Rng::seed_from_u64(10);
        let mut values = normal(&mut rng, 30);
        for v in values.iter_mut().take(9) {
            *v -= 60.0;
        }
        let c = crowd(&values, 0.0, 3, 0.95).unwrap();
        assert_eq!(c.odd.len(), 9);
        assert!(c.odd.iter().all(|o| o.place < 9 && o.score < 0.0));
    }

    #[test]
    fn equal_wheels_are_not_odd_for_less_than_the_measurement_tells() {
        let mut values = vec![7.0; 10];
        values[4] = 7.0001;
        assert!(crowd(&values, 0.001, 1, 0.95).unwrap().odd.is_empty());
        assert_eq!(crowd(&values, 0.0, 1, 0.95).unwrap().odd.len(), 1);
        assert_eq!(crowd(&values[..5], 0.001, 1, 0.95), None);
    }

    #[test]
    fn the_interval_of_a_shift_holds_what_it_states() {
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let trials = 4000;
        let held = (0..trials)
            .filter(|_| {
                let reference = normal(&mut rng, 8);
                let lot: Vec<f64> = normal(&mut rng, 20).iter().map(|v| 2.0 * v + 0.7).collect();
                let mean = reference.iter().sum::<f64>() / 8.0;
                let var = reference.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 7.0;
                let s = shift(&lot, (mean, (var / 8.0).sqrt(), 8), 1, 0.95).unwrap();
                s.interval.0 <= 0.7 && 0.7 <= s.interval.1
            })
            .count();
        let rate = held as f64 / f64::from(trials);
        assert!((rate - 0.95).abs() < 0.012, "{rate}");
    }
}
