//! What is put into a sound over time, seen by a short predictor.
//!
//! A predictor of 1.8 ms learnt after a rise takes away the colour of the sound, be it the
//! tones of a wheel or the formants of a voice, but not the pulses of a voice, which are
//! farther apart. After a tap nothing is put in any more; a voice or a machine goes on.

use crate::ring::listen::predictor;
use crate::units::power_db;

/// Length of the past that predicts, in hops of 1 ms.
const PAST_HOPS: f64 = 1.8;
/// Periods of a voice, in hops.
const PERIODS: (f64, f64) = (2.3, 14.0);

/// Powers relative to that of the strike (-1 to 4 ms).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Innovation {
    /// Before it, 20 to 2 ms; none when nothing was before.
    pub(super) before: Option<f64>,
    /// From 20 to 60 ms.
    pub(super) soon: f64,
    /// From 60 to 100 ms, as far as it was heard.
    pub(super) later: f64,
    /// Largest correlation of what is put in with itself one period later, -1 to 1.
    pub(super) pitch: f64,
}

impl Innovation {
    /// From `x` with the strike at index `strike`, `hop` samples to 1 ms.
    pub(super) fn of(x: &[f64], strike: usize, hop: usize) -> Option<Self> {
        let order = ((PAST_HOPS * hop as f64) as usize).max(24);
        let a = predictor::fit(x, order, strike + 2 * hop, x.len())?;
        let e = predictor::error(x, &a, 0, x.len());
        let power = |from: i64, to: i64| -> Option<f64> {
            let place = |k: i64| (strike as i64 + k * hop as i64).clamp(0, e.len() as i64) as usize;
            let part = &e[place(from)..place(to)];
            (part.len() >= hop).then(|| part.iter().map(|v| v * v).sum::<f64>() / part.len() as f64)
        };
        let main = power(-1, 4).or_else(|| power(0, 4))?;
        if main <= 0.0 {
            return None;
        }
        let pitch = [(6, 46), (30, 80)]
            .iter()
            .map(|&(from, to)| {
                let place = |k: usize| (strike + k * hop).min(e.len());
                periodicity(&e[place(from)..place(to)], hop)
            })
            .fold(0.0, f64::max);
        Some(Self {
            before: power(-20, -2).map(|p| p / main),
            soon: power(20, 60).unwrap_or(0.0) / main,
            later: power(60, 100).unwrap_or(0.0) / main,
            pitch,
        })
    }

    /// What was before, 0 when nothing was.
    pub(super) fn floor(&self) -> f64 {
        self.before.unwrap_or(0.0)
    }

    /// What goes on being put in, in dB of the strike, without what was there before.
    pub(super) fn going_on_db(&self) -> f64 {
        let over = |p: f64| p - 1.3 * self.floor();
        power_db(over(self.soon).max(1.5 * over(self.later)).max(1e-12))
    }
}

/// Largest normalised correlation of `e` with itself at the periods of a voice.
fn periodicity(e: &[f64], hop: usize) -> f64 {
    let first = (PERIODS.0 * hop as f64) as usize;
    let last = ((PERIODS.1 * hop as f64) as usize).min(e.len() * 2 / 5);
    // Energy of the first n samples.
    let mut so_far = vec![0.0];
    so_far.extend(e.iter().scan(0.0, |sum, v| {
        *sum += v * v;
        Some(*sum)
    }));
    let mut best = 0.0;
    for lag in first..last {
        let kept = e.len() - lag;
        let norm = (so_far[kept] * (so_far[e.len()] - so_far[lag])).sqrt();
        let common = predictor::dot(&e[..kept], &e[lag..]);
        if norm > 0.0 && common / norm > best {
            best = common / norm;
        }
    }
    best
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::listen::tests::signs;

    const HOP: usize = 16;
    const STRIKE: usize = 480;

    /// White noise whose amplitude in each hop after the strike is told.
    fn noise(many: i64, amplitude: impl Fn(i64) -> f64) -> Vec<f64> {
        let n = STRIKE + (many * HOP as i64) as usize;
        let sign = signs(n, 11);
        (0..n)
            .map(|i| sign[i] * amplitude((i as i64 - STRIKE as i64).div_euclid(HOP as i64)))
            .collect()
    }

    // White noise cannot be foretold, so that what is put in is all of it; by what the predictor
    // of 28 samples learns from the 32 loudest by chance it may be a fifth off.
    #[test]
    fn powers_are_those_put_in_before_soon_and_later() {
        let x = noise(120, |k| match k {
            ..-20 => 0.6,
            -20..-2 => 0.2,
            -2..-1 => 0.6,
            -1..2 => 1.0,
            2..4 => 0.3,
            4..20 => 0.25,
            20..60 => 0.1,
            60..100 => 0.3,
            _ => 0.25,
        });
        let told = Innovation::of(&x, STRIKE, HOP).unwrap();
        let main = (3.0 + 2.0 * 0.09) / 5.0;
        let near = |value: f64, truth: f64| {
            assert!(
                (value / truth - 1.0).abs() < 0.2,
                "{value} {truth}: {told:?}"
            );
        };
        near(told.before.unwrap(), 0.04 / main);
        near(told.soon, 0.01 / main);
        near(told.later, 0.09 / main);
        // Two stretches of 640 and 800 samples with 188 lags each: chance stays below 4/sqrt(n).
        assert!(told.pitch < 0.2, "{told:?}");
        assert_eq!(told.floor(), told.before.unwrap());
    }

    #[test]
    fn what_was_not_heard_a_whole_hop_long_is_nothing() {
        let x = noise(120, |k| if k < 4 { 1.0 } else { 0.5 });
        let until = |samples: usize| Innovation::of(&x[..STRIKE + samples], STRIKE, HOP).unwrap();
        assert!(until(61 * HOP).later > 0.1);
        assert_eq!(until(61 * HOP - 1).later, 0.0);
        assert!(until(21 * HOP).soon > 0.1);
        assert_eq!(until(21 * HOP - 1).soon, 0.0);
        // 3 ms before the strike hold one whole hop that is before it.
        let from = |samples: usize| Innovation::of(&x[STRIKE - samples..], samples, HOP).unwrap();
        assert!(from(3 * HOP).before.is_some());
        assert_eq!(from(3 * HOP - 1).before, None);
        assert_eq!(from(0).before, None);
        assert_eq!(from(0).floor(), 0.0);
    }

    // It learns from 2 ms on, from at least twice as many samples as it has.
    #[test]
    fn too_little_or_no_sound_at_the_strike_tells_nothing() {
        let x = noise(120, |_| 1.0);
        let after = 2 * HOP + 2 * 28;
        assert!(Innovation::of(&x[..STRIKE + after], STRIKE, HOP).is_some());
        assert!(Innovation::of(&x[..STRIKE + after - 1], STRIKE, HOP).is_none());
        let late = noise(120, |k| if k < 10 { 0.0 } else { 1.0 });
        assert!(Innovation::of(&late, STRIKE, HOP).is_none());
        // 1.8 of 8 samples are fewer than the least, 24.
        let x = &x[..STRIKE + 16 + 48];
        assert!(Innovation::of(x, STRIKE, 8).is_some());
        assert!(Innovation::of(&x[..x.len() - 1], STRIKE, 8).is_none());
    }

    #[test]
    fn what_goes_on_is_the_louder_of_soon_and_later_over_what_was_before() {
        for (before, soon, later, part) in [
            (Some(0.01), 0.05, 0.02, 0.037),
            (Some(0.01), 0.05, 0.04, 1.5 * 0.027),
            (None, 0.05, 0.02, 0.05),
            (Some(0.1), 0.05, 0.02, 1e-12),
        ] {
            let told = Innovation {
                before,
                soon,
                later,
                pitch: 0.0,
            };
            let db = told.going_on_db();
            assert!((db - power_db(part)).abs() < 1e-9, "{told:?}: {db}");
        }
    }

    // Pulses of 1 and 2, 30 samples apart, then nothing up to 100: at 30 they share 2, of the
    // energies 5 of the first 70 samples and 4 of the last 70.
    #[test]
    fn a_correlation_is_that_of_two_stretches_by_their_energies() {
        let mut e = vec![0.0; 100];
        e[5] = 1.0;
        e[35] = 2.0;
        assert!((periodicity(&e, 10) - 2.0 / 20f64.sqrt()).abs() < 1e-12);
        e[35] = -2.0;
        assert_eq!(periodicity(&e, 10), 0.0);
        assert_eq!(periodicity(&[0.0; 100], 10), 0.0);
        assert_eq!(periodicity(&[], 10), 0.0);
    }

    // r[n] + r[n-p] has the correlation 1/2 at p and none at 2p. Of at least 400 products of
    // signs chance makes 0.15 in 120 lags at most.
    #[test]
    fn periods_are_sought_from_2_3_to_14_ms_and_two_fifths_of_the_length() {
        let told = |n: usize, period: usize| {
            let r = signs(n + period, 13);
            let e: Vec<f64> = (0..n).map(|i| r[i] + r[i + period]).collect();
            periodicity(&e, 10)
        };
        for (n, period, heard) in [
            (1_000, 22, false),
            (1_000, 23, true),
            (1_000, 60, true),
            (1_000, 139, true),
            (1_000, 140, false),
            (1_000, 160, false),
            // Two fifths of 300 are 120.
            (300, 119, true),
            (300, 120, false),
        ] {
            let best = told(n, period);
            assert_eq!(best > 0.33, heard, "{n} {period}: {best}");
        }
    }

    // Pulses of a voice every 5 ms are not foretold by a past of 1.8 ms.
    #[test]
    fn pulses_have_a_pitch_in_either_stretch() {
        let mut x = vec![0.0; STRIKE + 1_920];
        let sign = signs(x.len(), 17);
        for i in 0..x.len() {
            let noise = 1e-2 * sign[i];
            let pulse = if i >= STRIKE && (i - STRIKE).is_multiple_of(80) {
                1.0
            } else {
                0.0
            };
            x[i] = noise + pulse;
        }
        let voice = Innovation::of(&x, STRIKE, HOP).unwrap();
        assert!(voice.pitch > 0.9, "{voice:?}");
        // Only in the second stretch, from 30 to 80 ms.
        for (i, v) in x.iter_mut().enumerate() {
            if i > STRIKE && i < STRIKE + 46 * HOP {
                *v = 1e-2 * sign[i];
            }
        }
        let voice = Innovation::of(&x, STRIKE, HOP).unwrap();
        assert!(voice.pitch > 0.5, "{voice:?}");
    }
}
