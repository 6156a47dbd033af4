//! Confidence intervals of a proportion: how far the true share may lie from `hits` seen in
//! `trials`.
//!
//! Wilson's interval (E. B. Wilson, J. Amer. Statist. Assoc. 22 (1927) 209) holds the stated
//! confidence on average; that of Clopper and Pearson (Biometrika 26 (1934) 404) holds it at
//! least, always, and is wider.

use statrs::function::beta::inv_beta_reg;

use crate::reading::tolerance::{NoLimit, normal_quantile, probability};

/// A two-sided interval of a share, each end from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareInterval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Checks `hits` out of `trials` and the confidence.
fn share(hits: u32, trials: u32, confidence: f64) -> Result<(f64, f64, f64), NoLimit> {
    if trials == 0 {
        return Err(NoLimit::TooFew { n: 0, needed: 1 });
    }
    if hits > trials {
        return Err(NoLimit::OutOfRange);
    }
    Ok((f64::from(hits), f64::from(trials), probability(confidence)?))
}

/// Wilson's score interval, without continuity correction.
///
/// # Errors
/// [`NoLimit`] without trials, for more hits than trials, or a confidence that is no probability.
pub fn wilson(hits: u32, trials: u32, confidence: f64) -> Result<ShareInterval, NoLimit> {
    let (x, n, confidence) = share(hits, trials, confidence)?;
    let z = normal_quantile(0.5 + 0.5 * confidence);
    let p = x / n;
    let z2 = z * z / n;
    let middle = (p + 0.5 * z2) / (1.0 + z2);
    let half = z * ((p * (1.0 - p) + 0.25 * z2) / n).sqrt() / (1.0 + z2);
    Ok(ShareInterval {
        // At the ends rounding must not leave a share of 1e-17 where 0 is meant.
        low: if hits == 0 {
            0.0
        } else {
            (middle - half).max(0.0)
        },
        high: if hits == trials {
            1.0
        } else {
            (middle + half).min(1.0)
        },
    })
}

/// The exact interval of Clopper and Pearson.
///
/// # Errors
/// As [`wilson`].
pub fn clopper_pearson(hits: u32, trials: u32, confidence: f64) -> Result<ShareInterval, NoLimit> {
    let (x, n, confidence) = share(hits, trials, confidence)?;
    let tail = 0.5 * (1.0 - confidence);
    Ok(ShareInterval {
        low: if hits == 0 {
            0.0
        } else {
            inv_beta_reg(x, n - x + 1.0, tail)
        },
        high: if hits == trials {
            1.0
        } else {
            inv_beta_reg(x + 1.0, n - x, 1.0 - tail)
        },
    })
}

/// Exact one-sided upper limit of a share of which none was seen in `trials`:
/// `1 - (1 - confidence)^(1/trials)`. With 59 trials and no miss, 5 % may still be missed.
///
/// # Errors
/// As [`wilson`].
pub fn none_seen_upper(trials: u32, confidence: f64) -> Result<f64, NoLimit> {
    let (_, n, confidence) = share(0, trials, confidence)?;
    Ok(-((-confidence).ln_1p() / n).exp_m1())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    // 95 % intervals to four places. The first four rows are those of R. G. Newcombe,
    // Statistics in Medicine 17 (1998) 857; all were recomputed with scipy from the definitions.
    const TABLE: [(u32, u32, [f64; 4]); 10] = [
        (81, 263, [0.2553, 0.3662, 0.2527, 0.3676]),
        (15, 148, [0.0624, 0.1605, 0.0578, 0.1617]),
        (0, 20, [0.0, 0.1611, 0.0, 0.1684]),
        (1, 29, [0.0061, 0.1718, 0.0009, 0.1776]),
        (29, 29, [0.8830, 1.0, 0.8806, 1.0]),
        (20, 20, [0.8389, 1.0, 0.8316, 1.0]),
        (0, 50, [0.0, 0.0713, 0.0, 0.0711]),
        (1, 50, [0.0035, 0.1050, 0.0005, 0.1065]),
        (48, 50, [0.8654, 0.9890, 0.8629, 0.9951]),
        (4, 20, [0.0807, 0.4160, 0.0573, 0.4366]),
    ];

    #[test]
    fn intervals_agree_with_published_ones() {
        for (x, n, [wl, wh, cl, ch]) in TABLE {
            let w = wilson(x, n, 0.95).unwrap();
            let c = clopper_pearson(x, n, 0.95).unwrap();
            for (got, want) in [(w.low, wl), (w.high, wh), (c.low, cl), (c.high, ch)] {
                assert!((got - want).abs() < 5.1e-5, "{x}/{n}: {got} {want}");
            }
        }
    }

    #[test]
    fn no_miss_in_n_trials_still_leaves_room() {
        for (n, want) in [
            (10, 0.2589),
            (20, 0.1391),
            (30, 0.0950),
            (50, 0.0582),
            (59, 0.0495),
            (100, 0.0295),
            (299, 0.0100),
        ] {
            let got = none_seen_upper(n, 0.95).unwrap();
            assert!((got - want).abs() < 5.1e-5, "{n}: {got} {want}");
        }
    }

    #[test]
    fn the_exact_interval_is_the_exact_one_by_its_definition() {
        // Definition: at the ends the binomial tail beyond what was seen is (1 - confidence)/2.
        let tail = |x: u32, n: u32, p: f64| -> f64 {
            let mut term = (1.0 - p).powi(n as i32);
            let mut sum = term;
            for k in 0..x {
                term *= f64::from(n - k) / f64::from(k + 1) * p / (1.0 - p);
                sum += term;
            }
            sum
        };
        for (x, n) in [(3, 11), (4, 20), (48, 50), (1, 200)] {
            let c = clopper_pearson(x, n, 0.9).unwrap();
            assert!((tail(x, n, c.high) - 0.05).abs() < 1e-10);
            assert!((tail(x - 1, n, c.low) - 0.95).abs() < 1e-10);
        }
    }

    #[test]
    fn nonsense_is_refused() {
        assert!(wilson(1, 0, 0.95).is_err());
        assert!(wilson(3, 2, 0.95).is_err());
        assert!(clopper_pearson(1, 2, f64::NAN).is_err());
        assert!(none_seen_upper(5, 1.0).is_err());
    }
}
