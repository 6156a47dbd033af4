//! How well an ear tells damaged wheels from sound ones: shares with intervals, and the
//! sensitivity and bias of signal detection theory.
//!
//! A damaged wheel is the signal, "thud" is the detection. Sensitivity `d' = z(H) - z(F)` and
//! bias `c = -(z(H) + z(F)) / 2`, z the normal quantile, H and F the shares of hits and false
//! alarms (D. M. Green and J. A. Swets, Signal Detection Theory and Psychophysics, 1966;
//! N. A. Macmillan and C. D. Creelman, Detection Theory). Shares of 0 and 1 have no quantile: half
//! a trial is added to the hits and false alarms and one to the trials of each kind, always
//! (log-linear correction: M. J. Hautus, Behavior Research Methods 27 (1995) 46). The standard
//! deviation of d' is that of G. Gourevitch and E. Galanter, Psychometrika 32 (1967) 25. (All
//! sources from memory.)

use crate::reading::intervals::{ShareInterval, clopper_pearson};
use crate::reading::tolerance::normal_quantile;

/// What an ear said of damaged and of sound wheels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct EarCounts {
    /// Damaged, said thud.
    pub hits: u32,
    /// Damaged, said ring: the dangerous mistake.
    pub misses: u32,
    /// Damaged, said unsure.
    pub unsure_of_damaged: u32,
    /// Sound, said thud.
    pub false_alarms: u32,
    /// Sound, said ring.
    pub right_rings: u32,
    /// Sound, said unsure.
    pub unsure_of_sound: u32,
}

impl EarCounts {
    /// Number of damaged wheels that were played.
    pub fn damaged(&self) -> u32 {
        self.hits + self.misses + self.unsure_of_damaged
    }

    /// Number of sound wheels that were played.
    pub fn sound(&self) -> u32 {
        self.false_alarms + self.right_rings + self.unsure_of_sound
    }

    /// Both together.
    pub fn with(&self, other: &Self) -> Self {
        Self {
            hits: self.hits + other.hits,
            misses: self.misses + other.misses,
            unsure_of_damaged: self.unsure_of_damaged + other.unsure_of_damaged,
            false_alarms: self.false_alarms + other.false_alarms,
            right_rings: self.right_rings + other.right_rings,
            unsure_of_sound: self.unsure_of_sound + other.unsure_of_sound,
        }
    }

    /// Share of the damaged wheels that were heard as a thud, with the exact 95 % interval of
    /// Clopper and Pearson; none without a damaged wheel.
    pub fn hit_share(&self) -> Option<(f64, ShareInterval)> {
        share(self.hits, self.damaged())
    }

    /// Share of the damaged wheels that were passed as a ring, likewise.
    pub fn miss_share(&self) -> Option<(f64, ShareInterval)> {
        share(self.misses, self.damaged())
    }

    /// Share of the sound wheels that were heard as a thud, likewise.
    pub fn false_alarm_share(&self) -> Option<(f64, ShareInterval)> {
        share(self.false_alarms, self.sound())
    }

    /// Sensitivity and bias; none when one kind of wheel was never played. An unsure ear counts
    /// as one that did not say thud.
    pub fn detection(&self) -> Option<Detection> {
        let (damaged, sound) = (f64::from(self.damaged()), f64::from(self.sound()));
        if damaged < 1.0 || sound < 1.0 {
            return None;
        }
        let hit = (f64::from(self.hits) + 0.5) / (damaged + 1.0);
        let alarm = (f64::from(self.false_alarms) + 0.5) / (sound + 1.0);
        Some(detection(hit, alarm, damaged + 1.0, sound + 1.0))
    }
}

/// Sensitivity and bias.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detection {
    /// Sensitivity d': 0 guesses, 1 hears something, 3 hardly errs.
    pub d_prime: f64,
    /// Its standard deviation.
    pub d_prime_std: f64,
    /// Bias c: below 0 says thud too readily (the cautious side), above 0 too rarely.
    pub bias_c: f64,
}

/// From shares strictly between 0 and 1 and the numbers of trials behind them.
fn detection(hit: f64, alarm: f64, damaged: f64, sound: f64) -> Detection {
    let (zh, zf) = (normal_quantile(hit), normal_quantile(alarm));
    let density = |z: f64| (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let part = |p: f64, z: f64, n: f64| p * (1.0 - p) / (n * density(z).powi(2));
    Detection {
        d_prime: zh - zf,
        d_prime_std: (part(hit, zh, damaged) + part(alarm, zf, sound)).sqrt(),
        bias_c: -0.5 * (zh + zf),
    }
}

fn share(hits: u32, trials: u32) -> Option<(f64, ShareInterval)> {
    let interval = clopper_pearson(hits, trials, 0.95).ok()?;
    Some((f64::from(hits) / f64::from(trials), interval))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// The worked example of H. Stanislaw and N. Todorov, Behavior Research Methods 31 (1999)
    /// 137 (from memory): H = 0.8 and F = 0.4 give d' = 1.095 and c = -0.294. The quantiles
    /// 0.8416 and -0.2533 stand in any table of the normal distribution.
    #[test]
    fn the_worked_example_of_the_literature_comes_out() {
        let d = detection(0.8, 0.4, 25.0, 25.0);
        assert!((d.d_prime - 1.095).abs() < 5e-4, "{d:?}");
        assert!((d.bias_c + 0.294).abs() < 5e-4, "{d:?}");
    }

    #[test]
    fn no_error_at_all_is_no_infinite_ear() {
        let perfect = EarCounts {
            hits: 10,
            right_rings: 10,
            ..EarCounts::default()
        };
        let d = perfect.detection().unwrap();
        // By hand: H = 10.5/11, F = 0.5/11, z(0.954545) = 1.6906.
        assert!((d.d_prime - 3.3812).abs() < 1e-3, "{d:?}");
        assert!(d.bias_c.abs() < 1e-12);
        let (share, interval) = perfect.hit_share().unwrap();
        assert_eq!(share, 1.0);
        // Ten of ten: 0.025^(1/10).
        assert!((interval.low - 0.691_5).abs() < 1e-3);
        assert_eq!(EarCounts::default().detection(), None);
        assert_eq!(EarCounts::default().hit_share(), None);
    }

    /// Half hits and half alarms: z is 0, its density 1/sqrt(2 pi), so each part of the variance is
    /// `pi / (2 n)`, n one more than were played (log-linear correction).
    #[test]
    fn the_sensitivity_is_as_unsure_as_the_numbers_make_it() {
        let counts = EarCounts {
            hits: 5,
            misses: 3,
            unsure_of_damaged: 2,
            false_alarms: 10,
            right_rings: 9,
            unsure_of_sound: 1,
        };
        let d = counts.detection().unwrap();
        let truth = (std::f64::consts::FRAC_PI_2 * (1.0 / 11.0 + 1.0 / 21.0)).sqrt();
        assert!(
            d.d_prime.abs() < 1e-12 && (d.d_prime_std - truth).abs() < 1e-9,
            "{d:?}"
        );
    }

    #[test]
    fn counts_add_up_each_for_itself() {
        let of = |k: u32| EarCounts {
            hits: k,
            misses: 2 * k,
            unsure_of_damaged: 3 * k,
            false_alarms: 4 * k,
            right_rings: 5 * k,
            unsure_of_sound: 6 * k,
        };
        assert_eq!(of(2).with(&of(5)), of(7));
        assert_eq!((of(7).damaged(), of(7).sound()), (42, 105));
    }

    #[test]
    fn misses_are_a_share_of_the_damaged_wheels() {
        let counts = EarCounts {
            hits: 6,
            misses: 2,
            right_rings: 20,
            ..EarCounts::default()
        };
        assert_eq!(counts.miss_share().map(|s| s.0), Some(0.25));
        assert_eq!(counts.false_alarm_share().map(|s| s.0), Some(0.0));
        // One kind of wheel only tells nothing of how the two are told apart.
        let no_sound_one = EarCounts {
            right_rings: 0,
            ..counts
        };
        assert_eq!(no_sound_one.detection(), None);
    }

    #[test]
    fn saying_thud_of_everything_is_bias_and_no_sensitivity() {
        let always = EarCounts {
            hits: 12,
            false_alarms: 12,
            ..EarCounts::default()
        };
        let d = always.detection().unwrap();
        assert!(d.d_prime.abs() < 1e-12 && d.bias_c < -1.0);
        let unsure = EarCounts {
            unsure_of_damaged: 12,
            unsure_of_sound: 12,
            ..EarCounts::default()
        };
        let d = unsure.detection().unwrap();
        assert!(d.d_prime.abs() < 1e-12 && d.bias_c > 1.0);
    }

    /// The stated standard deviation against a simulation with a fixed seed.
    #[test]
    fn the_standard_deviation_is_that_of_repeated_tests() {
        use rand::{Rng, SeedableRng};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let (mut sum, mut squares, mut stated) = (0.0, 0.0, 0.0);
        let runs = 4000;
        for _ in 0..runs {
            let mut of = |p: f64| (0..60).filter(|_| rng.random::<f64>() < p).count() as u32;
            let (hits, false_alarms) = (of(0.8), of(0.3));
            let counts = EarCounts {
                hits,
                misses: 60 - hits,
                false_alarms,
                right_rings: 60 - false_alarms,
                ..EarCounts::default()
            };
            let d = counts.detection().unwrap();
            sum += d.d_prime;
            squares += d.d_prime * d.d_prime;
            stated += d.d_prime_std;
        }
        let n = f64::from(runs);
        let std = (squares / n - (sum / n).powi(2)).sqrt();
        assert!(
            (stated / n / std - 1.0).abs() < 0.06,
            "{} {std}",
            stated / n
        );
        // True d' = 0.8416 + 0.5244; the correction pulls it a little towards 0.
        assert!((sum / n - 1.366).abs() < 0.03, "{}", sum / n);
    }
}
