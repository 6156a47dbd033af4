//! Does something turn the level of the input up and down by itself? Automatic gain turns it down
//! at a tap and slowly up again after it, so that rings seem to last longer than they do.
//!
//! Seen in the quiet: after a tap it falls below what it was before, then creeps up. A machine
//! that is switched off makes it fall too, but not creep up again.

use crate::signal::filter::{BandBank, LANES};
use crate::units::{SampleRate, power_db};

/// Length of a block in seconds.
const BLOCK_S: f64 = 0.05;
/// The band that wheels ring in, in Hz.
const BAND_HZ: (f64, f64) = (300.0, 12_000.0);
/// Blocks of quiet before a tap that are needed: half a second.
const QUIET_BLOCKS: usize = 10;
/// A block so far over the quiet before it is a tap or another knock, in dB.
const KNOCK_DB: f64 = 20.0;
/// Ours: the quiet must fall so far, in dB. Steady noise varies by some tenths between blocks.
const FALL_DB: f64 = 6.0;
/// Ours: and creep up so far afterwards, in dB, ...
const CREEP_DB: f64 = 3.0;
/// ... over at least so many blocks, ...
const CREEP_BLOCKS: usize = 8;
/// ... with this share of the levels' variance on a straight line.
const STRAIGHT: f64 = 0.8;
/// Blocks that are looked at after a knock: 4 s.
const MOST_BLOCKS: usize = 80;

/// Automatic gain as it shows after a knock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GainSuspected {
    /// How far the quiet fell, in dB.
    pub fall_db: f64,
    /// How far it crept up again, in dB.
    pub creep_db: f64,
}

impl GainSuspected {
    /// What shows it, and what to do.
    pub fn sentence(&self) -> String {
        format!(
            "automatic gain is suspected: after a knock the quiet fell by {:.0} dB and crept up \
             again by {:.0} dB; decay times cannot be trusted with it, so switch automatic gain \
             and noise suppression off in the sound settings and sound it again",
            self.fall_db, self.creep_db
        )
    }
}

/// Listens to the quiet between taps.
#[derive(Debug)]
pub struct GainWatch {
    bank: BandBank,
    block: usize,
    in_block: usize,
    energy: [f64; LANES],
    /// Level of each block since the last knock, in dB.
    levels_db: Vec<f64>,
    /// The quiet before the last knock, in dB.
    before_db: Option<f64>,
}

impl GainWatch {
    /// Nothing was heard yet.
    pub fn new(rate: SampleRate) -> Self {
        let top = BAND_HZ.1.min(0.45 * rate.hz());
        Self {
            bank: BandBank::new(&[(BAND_HZ.0.min(0.5 * top), top)], rate.hz()),
            block: rate.samples(BLOCK_S).max(1),
            in_block: 0,
            energy: [0.0; LANES],
            levels_db: Vec::new(),
            before_db: None,
        }
    }

    /// Listens to more; gives what it finds after a knock.
    pub fn hear(&mut self, samples: &[f64]) -> Option<GainSuspected> {
        let mut found = None;
        let mut rest = samples;
        while !rest.is_empty() {
            let (now, later) = rest.split_at(rest.len().min(self.block - self.in_block));
            rest = later;
            self.bank.add_energy(now, &mut self.energy);
            self.in_block += now.len();
            if self.in_block == self.block {
                let level_db = power_db(self.energy[0] / self.block as f64);
                (self.in_block, self.energy) = (0, [0.0; LANES]);
                found = found.or(self.block_heard(level_db));
            }
        }
        found
    }

    fn block_heard(&mut self, level_db: f64) -> Option<GainSuspected> {
        let recent = &self.levels_db[self.levels_db.len().saturating_sub(QUIET_BLOCKS)..];
        let quiet_db = (recent.len() == QUIET_BLOCKS).then(|| median(recent));
        if level_db.is_finite() && quiet_db.is_some_and(|q| level_db > q + KNOCK_DB) {
            let found = self.looked_back();
            self.before_db = quiet_db;
            self.levels_db.clear();
            return found;
        }
        self.levels_db.push(level_db);
        if self.levels_db.len() == MOST_BLOCKS {
            let found = self.looked_back();
            // What lies further back says nothing of the next knock.
            self.levels_db.drain(..MOST_BLOCKS - QUIET_BLOCKS);
            self.before_db = None;
            return found;
        }
        None
    }

    /// The quiet since the last knock against the one before it.
    fn looked_back(&self) -> Option<GainSuspected> {
        let before_db = self.before_db?;
        let levels = &self.levels_db;
        if levels.iter().any(|l| !l.is_finite()) {
            return None;
        }
        // The lowest place, over some blocks: a single one may be chance.
        let mean = |k: usize| levels[k..k + 3].iter().sum::<f64>() / 3.0;
        let lowest =
            (0..levels.len().checked_sub(2)?).min_by(|a, b| mean(*a).total_cmp(&mean(*b)))?;
        let fall_db = before_db - mean(lowest);
        let creeping = levels.get(lowest..)?;
        if fall_db < FALL_DB || creeping.len() < CREEP_BLOCKS {
            return None;
        }
        let (rise_per_block, straight) = line(creeping);
        let creep_db = rise_per_block * (creeping.len() - 1) as f64;
        (creep_db >= CREEP_DB && straight >= STRAIGHT)
            .then_some(GainSuspected { fall_db, creep_db })
    }
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

/// Slope of the straight line through values at 0, 1, 2 …, and the share of their variance on it.
fn line(values: &[f64]) -> (f64, f64) {
    let count = values.len() as f64;
    let (mid_x, mid_y) = ((count - 1.0) / 2.0, values.iter().sum::<f64>() / count);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (k, y) in values.iter().enumerate() {
        let (dx, dy) = (k as f64 - mid_x, y - mid_y);
        xx += dx * dx;
        xy += dx * dy;
        yy += dy * dy;
    }
    if xx == 0.0 || yy == 0.0 {
        return (0.0, 0.0);
    }
    (xy / xx, xy * xy / (xx * yy))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use rand::SeedableRng as _;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution as _, StandardNormal};

    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    /// Hiss with four taps of a tone that rings 0.4 s, 2 s apart; `level` scales the hiss.
    fn taps(seed: u64, level: impl Fn(f64) -> f64) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let many = (10.0 * RATE_HZ) as usize;
        let samples = (0..many).map(|i| {
            let t = i as f64 / RATE_HZ;
            let since = (t - 1.5).rem_euclid(2.0);
            let ring = if (1.5..9.5).contains(&t) {
                0.3 * (-6.9 / 0.4 * since).exp() * (std::f64::consts::TAU * 2_100.0 * t).sin()
            } else {
                0.0
            };
            let hiss: f64 = StandardNormal.sample(&mut rng);
            ring + 3e-4 * level(t) * hiss
        });
        samples.collect()
    }

    /// A plain automatic gain: at once down to a set level, up again with a time constant.
    fn with_automatic_gain(samples: &[f64], release_s: f64) -> Vec<f64> {
        let (mut gain, up) = (30.0f64, (1.0 / (release_s * RATE_HZ)).exp());
        let out = samples.iter().map(|x| {
            gain = (gain * up).min(30.0);
            if (gain * x).abs() > 0.25 {
                gain = 0.25 / x.abs();
            }
            gain * x
        });
        out.collect()
    }

    fn found(samples: &[f64]) -> Option<GainSuspected> {
        let mut watch = GainWatch::new(SampleRate::new(48_000).unwrap());
        samples.chunks(480).find_map(|c| watch.hear(c))
    }

    #[test]
    fn automatic_gain_is_suspected() {
        for (seed, release_s) in [(1, 0.5), (2, 1.0), (3, 2.0)] {
            let found = found(&with_automatic_gain(&taps(seed, |_| 1.0), release_s));
            let found = found.unwrap();
            assert!(found.fall_db >= FALL_DB && found.creep_db >= CREEP_DB);
        }
    }

    #[test]
    fn a_plain_input_is_not_suspected() {
        for seed in 10..20 {
            assert_eq!(found(&taps(seed, |_| 1.0)), None, "{seed}");
        }
        // A machine is switched off, or on, in between.
        for at in [1.6, 2.7, 4.0] {
            for seed in 20..24 {
                let off = taps(seed, |t| if t < at { 10.0 } else { 1.0 });
                assert_eq!(found(&off), None, "off at {at} s");
                let on = taps(seed, |t| if t < at { 1.0 } else { 10.0 });
                assert_eq!(found(&on), None, "on at {at} s");
            }
        }
    }
}
