//! How far sound wheels scatter when they are sounded again: the limits of a comparison.
//!
//! All limits are one-sided tolerance limits. Of sound soundings at most [`FALSE_ALARM`] is to
//! lie beyond any of them, with [`CONFIDENCE`]; that share is split evenly over the figures
//! (Bonferroni), so that looking at many figures does not raise it. Standard deviations are
//! those of so few soundings shrunk towards assumed ones, which count as
//! [`PRIOR_SOUNDINGS`] soundings.

use crate::reading::tolerance::{NoLimit, chi2_above, normal_quantile, one_sided_shared};

/// Share of sound soundings that may lie beyond a limit, all figures together.
pub const FALSE_ALARM: f64 = 0.01;
/// Confidence with which that share is held, over baselines.
pub const CONFIDENCE: f64 = 0.90;
/// What an assumed standard deviation counts for, in soundings.
pub const PRIOR_SOUNDINGS: f64 = 4.0;
/// What the assumed scatter of wheels of one specification or lot counts for, in wheels.
pub const PRIOR_WHEELS: f64 = 6.0;
/// Figures among which the share is split.
pub const FIGURES: u32 = 11;

/// Factors by which a standard deviation is multiplied to give the limit of a figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    n: u32,
    prior: f64,
    dof: f64,
    share: f64,
    /// `sqrt((1 + 1/n) dof/chi2)`: for an uncertain mean and standard deviation, as Howe's.
    inflation: f64,
}

impl Limits {
    /// Limits for a baseline of `n` soundings of one wheel.
    ///
    /// # Errors
    /// [`NoLimit`] for n = 0.
    pub fn new(n: u32) -> Result<Self, NoLimit> {
        Self::with_prior(n, PRIOR_SOUNDINGS)
    }

    /// Limits for `n` soundings or wheels whose assumed scatter counts for `prior` more.
    ///
    /// # Errors
    /// [`NoLimit`] for n = 0.
    pub fn with_prior(n: u32, prior: f64) -> Result<Self, NoLimit> {
        if n == 0 {
            return Err(NoLimit::TooFew { n, needed: 1 });
        }
        let dof = prior + f64::from(n) - 1.0;
        let chi2 = chi2_above(dof, CONFIDENCE)?;
        Ok(Self {
            n,
            prior,
            dof,
            share: FALSE_ALARM / f64::from(FIGURES),
            inflation: ((1.0 + 1.0 / f64::from(n)) * dof / chi2).sqrt(),
        })
    }

    /// Degrees of freedom of a shrunk standard deviation.
    pub fn dof(&self) -> f64 {
        self.dof
    }

    /// For one value of a normal distribution, beyond on one side. `among` such values share
    /// the figure's part (2 for a two-sided limit).
    ///
    /// # Errors
    /// [`NoLimit`] when `among` is out of range; so for all below.
    pub fn lone(&self, among: f64) -> Result<f64, NoLimit> {
        one_sided_shared(self.n, self.dof, 1.0 - self.share / among, CONFIDENCE)
    }

    /// [`Limits::lone`] with other degrees of freedom than one per sounding.
    ///
    /// # Errors
    /// [`NoLimit`].
    pub fn lone_with(&self, dof: f64, among: f64) -> Result<f64, NoLimit> {
        one_sided_shared(self.n, dof, 1.0 - self.share / among, CONFIDENCE)
    }

    /// For the farthest of `m` values.
    ///
    /// # Errors
    /// [`NoLimit`].
    pub fn farthest(&self, m: usize) -> Result<f64, NoLimit> {
        self.inflated(1.0 - self.share / m.max(1) as f64)
    }

    /// [`Limits::farthest`] for a standard deviation and mean taken as they are.
    ///
    /// # Errors
    /// [`NoLimit`].
    pub fn farthest_as_is(&self, m: usize) -> Result<f64, NoLimit> {
        Ok(self.farthest(m)? / self.inflation)
    }

    /// For the second farthest of `m` values: two of them beyond has the probability
    /// `m (m - 1)/2 p^2`.
    ///
    /// # Errors
    /// [`NoLimit`].
    pub fn second(&self, m: usize) -> Result<f64, NoLimit> {
        let m = m.max(2) as f64;
        self.inflated(1.0 - (2.0 * self.share / (m * (m - 1.0))).sqrt())
    }

    /// For the root of the mean square of `m` values: quantile of chi² over m.
    ///
    /// # Errors
    /// [`NoLimit`].
    pub fn rms(&self, m: usize) -> Result<f64, NoLimit> {
        let m = m.max(1) as f64;
        Ok(self.inflation * (chi2_above(m, self.share)? / m).sqrt())
    }

    /// For the root of the sum of squares of `m` values.
    ///
    /// # Errors
    /// [`NoLimit`].
    pub fn root_sum(&self, m: usize) -> Result<f64, NoLimit> {
        Ok(self.rms(m)? * (m.max(1) as f64).sqrt())
    }

    fn inflated(&self, content: f64) -> Result<f64, NoLimit> {
        let z = normal_quantile(content);
        if z.is_finite() {
            Ok(self.inflation * z)
        } else {
            Err(NoLimit::NotAProbability { value: content })
        }
    }

    /// Where these limits come from, in words.
    pub fn from_words(&self, against: &str) -> String {
        format!(
            "{against}, with assumed scatter counted as {:.0} more; {:.2} % of sound soundings beyond it at {:.0} % confidence",
            self.prior,
            self.share * 100.0,
            CONFIDENCE * 100.0
        )
    }
}

/// A standard deviation from `dof` degrees of freedom of its own, shrunk towards an assumed one
/// that counts for `prior`: `(nu0 s0^2 + dof s^2)/(nu0 + dof)`.
pub fn shrunk(assumed: f64, own: f64, dof: f64, prior: f64) -> f64 {
    ((prior * assumed * assumed + dof * own * own) / (prior + dof)).sqrt()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    // Howe's form against the exact quantile of the non-central t: his paper states a few per
    // cent for two-sided limits; at so few soundings it is the larger one.
    #[test]
    fn the_short_form_is_not_below_the_exact_one_by_more_than_a_few_per_cent() {
        for n in [1, 2, 3, 5, 10] {
            let limits = Limits::new(n).unwrap();
            let (short, exact) = (limits.farthest(1).unwrap(), limits.lone(1.0).unwrap());
            assert!(
                short > 0.95 * exact && short < 1.35 * exact,
                "{n}: {short} {exact}"
            );
        }
    }

    #[test]
    fn more_soundings_narrow_the_limits() {
        let at = |n| Limits::new(n).unwrap().lone(2.0).unwrap();
        assert!(at(1) > at(2) && at(2) > at(3) && at(3) > at(5) && at(5) > at(50));
        assert!(Limits::new(0).is_err());
        // Without end it is the quantile itself: z(1 - 0.01/11) = 3.1184 (scipy.stats.norm.ppf).
        let far = Limits::new(1_000_000).unwrap();
        assert!((far.lone(1.0).unwrap() - 3.1184).abs() < 0.01);
    }

    #[test]
    fn values_that_share_a_figure_have_wider_limits() {
        let limits = Limits::new(4).unwrap();
        let (one, two) = (limits.lone(1.0).unwrap(), limits.lone(2.0).unwrap());
        assert!(two > one, "{one} {two}");
        assert!(limits.lone_with(20.0, 2.0).unwrap() > limits.lone_with(20.0, 1.0).unwrap());
        // Taken as it is, a deviation is not widened for being estimated.
        let (as_is, widened) = (
            limits.farthest_as_is(3).unwrap(),
            limits.farthest(3).unwrap(),
        );
        assert!(as_is < widened);
        // z(1 - 0.01/11/3) = 3.42889 (scipy 1.17.1, stats.norm.ppf).
        assert!((as_is - 3.42889).abs() < 1e-4, "{as_is}");
    }

    #[test]
    fn limits_of_several_values_are_those_of_their_distributions() {
        // A million soundings widen by 1.28/sqrt(2e6), 0.9e-3, and twice that is allowed: the
        // quantiles themselves, share 0.01/11 (scipy 1.17.1).
        let far = Limits::new(1_000_000).unwrap();
        // z(1 - sqrt(2 share/(4 x 3))), the second of four.
        assert!((far.second(4).unwrap() - 2.24734).abs() < 4e-3);
        // sqrt(chi2.ppf(1 - share, 5)/5) and its product with sqrt(5).
        assert!((far.rms(5).unwrap() - 2.03640).abs() < 4e-3);
        assert!((far.root_sum(5).unwrap() - 4.55353).abs() < 9e-3);
        let words = far.from_words("own baseline");
        assert!(words.starts_with("own baseline, with assumed scatter counted as 4 more; 0.09 %"));
    }

    #[test]
    fn shrinking_weighs_by_degrees_of_freedom() {
        assert_eq!(shrunk(2.0, 0.0, 0.0, 4.0), 2.0);
        assert!((shrunk(2.0, 4.0, 4.0, 4.0) - 10f64.sqrt()).abs() < 1e-12);
    }
}
