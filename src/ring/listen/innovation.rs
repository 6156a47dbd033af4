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
