//! One pass over a recording that chooses the channel to listen to.
//!
//! No sample is kept: every channel has a histogram of the levels of its 10 ms stretches.

use crate::units::power_db;

/// Length of a stretch in seconds.
const HOP_S: f64 = 0.01;
/// The histogram runs from here, in dB re full scale, in steps of 1 dB.
const LOWEST_DB: f64 = -160.0;
const BINS: usize = 200;
/// A sample at or above this stands at the rail.
pub const RAIL: f64 = 0.9999;
/// Share of the sounding stretches that are quieter than the "quiet" level.
const QUIET_SHARE: f64 = 0.1;
/// The "loud" level is that of the third loudest stretch: a single click does not make it, and
/// three stretches are there in the shortest tap with its ring.
const LOUD_RANK: u64 = 3;

/// What one channel is like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelLevel {
    /// Greatest magnitude, full scale 1.
    pub peak: f64,
    /// Share (0 to 1) of samples with a magnitude of at least [`RAIL`].
    pub railed_share: f64,
    /// True if every sample is exactly 0.
    pub all_zero: bool,
    /// Level of the loud stretches over the quiet ones, in dB; stretches of exact zeros are
    /// left out. 0 for a channel that is too short or silent.
    pub loud_over_quiet_db: f64,
}

/// What one pass over a recording tells.
#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// Frames on the time axis: those that were read and those known to be lost.
    pub frames: u64,
    /// Frames among them that are known to be lost.
    pub lost: u64,
    /// Samples of all channels that were no numbers (NaN or infinity) and were taken as 0.
    pub no_numbers: u64,
    /// The channel to listen to, counted from 0.
    pub best: u32,
    /// Why that channel, in words that count channels from 1.
    pub why: String,
    /// One entry for each channel.
    pub channels: Vec<ChannelLevel>,
    /// Everything that was found wrong with the recording.
    pub damage: Vec<String>,
}

/// Collects the levels of one channel.
#[derive(Debug, Clone)]
struct Meter {
    peak: f64,
    railed: u64,
    hop_power: f64,
    fingerprint: u64,
    histogram: Vec<u32>,
}

/// Collects the levels of all channels.
#[derive(Debug)]
pub(crate) struct Meters {
    hop: usize,
    in_hop: usize,
    frames: u64,
    meters: Vec<Meter>,
}

impl Meters {
    pub(crate) fn new(rate_hz: f64, channels: u32) -> Self {
        let meter = Meter {
            peak: 0.0,
            railed: 0,
            hop_power: 0.0,
            fingerprint: 0,
            histogram: vec![0; BINS],
        };
        Self {
            hop: ((rate_hz * HOP_S).round() as usize).max(1),
            in_hop: 0,
            frames: 0,
            meters: vec![meter; channels as usize],
        }
    }

    /// Takes frames of all channels.
    pub(crate) fn take(&mut self, interleaved: &[f64]) {
        for frame in interleaved.chunks_exact(self.meters.len().max(1)) {
            for (meter, &x) in self.meters.iter_mut().zip(frame) {
                meter.take(x);
            }
            self.frames += 1;
            self.in_hop += 1;
            if self.in_hop == self.hop {
                self.in_hop = 0;
                for meter in &mut self.meters {
                    meter.end_hop(self.hop);
                }
            }
        }
    }

    /// Levels of all channels, the best of them and why.
    pub(crate) fn judge(&self) -> (Vec<ChannelLevel>, u32, String) {
        let levels: Vec<ChannelLevel> = self.meters.iter().map(|m| m.level(self.frames)).collect();
        let (best, why) = self.choose(&levels);
        (levels, best as u32, why)
    }

    fn choose(&self, levels: &[ChannelLevel]) -> (usize, String) {
        if levels.len() < 2 {
            let silent = levels.first().is_some_and(|l| l.all_zero);
            return (
                0,
                if silent {
                    "the only channel, digital silence"
                } else {
                    "the only channel"
                }
                .to_owned(),
            );
        }
        let mut best: Option<(usize, f64)> = None;
        for (i, level) in levels.iter().enumerate().filter(|(_, l)| !l.all_zero) {
            let score = score(level);
            if best.is_none_or(|(_, b)| score > b) {
                best = Some((i, score));
            }
        }
        let Some((best, _)) = best else {
            return (
                0,
                "every channel is digital silence; the first was taken".to_owned(),
            );
        };
        let twins: Vec<usize> = (0..levels.len())
            .filter(|&i| self.meters[i].fingerprint == self.meters[best].fingerprint)
            .collect();
        (best, tell(levels, best, &twins))
    }
}

/// Words for the choice; `twins` are the channels with the samples of the best, itself among them.
fn tell(levels: &[ChannelLevel], best: usize, twins: &[usize]) -> String {
    if twins.len() == levels.len() {
        return format!(
            "all {} channels are identical; the first was taken",
            levels.len()
        );
    }
    let mut why = format!(
        "channel {} of {}: its loud parts stand {:.0} dB over its quiet ones",
        best + 1,
        levels.len(),
        levels[best].loud_over_quiet_db
    );
    if twins.len() > 1 {
        why += &format!(
            ", identical with {} other, the first of them was taken",
            twins.len() - 1
        );
    }
    // Files of many channels would make an unreadable line.
    for (i, l) in levels
        .iter()
        .enumerate()
        .filter(|(i, _)| !twins.contains(i))
        .take(7)
    {
        why += &if l.all_zero {
            format!("; channel {} is digital silence", i + 1)
        } else if l.railed_share > 0.0 {
            format!(
                "; channel {} {:.0} dB, {:.3} % at the rail",
                i + 1,
                l.loud_over_quiet_db,
                100.0 * l.railed_share
            )
        } else {
            format!("; channel {} {:.0} dB", i + 1, l.loud_over_quiet_db)
        };
    }
    why
}

/// Rank of a channel in dB. Overdriven samples spoil both frequencies and decay, so they weigh
/// heavily: 3 dB at one in 100 000, 20 dB at one in 1000. (Own choice of numbers.)
fn score(level: &ChannelLevel) -> f64 {
    level.loud_over_quiet_db - power_db(1.0 + level.railed_share / 1e-5)
}

impl Meter {
    fn take(&mut self, x: f64) {
        let magnitude = x.abs();
        self.peak = self.peak.max(magnitude);
        self.railed += u64::from(magnitude >= RAIL);
        self.hop_power += x * x;
        // FNV-1a over whole words: equal channels have equal fingerprints. 0.0 and -0.0 differ in
        // bits but not in sound.
        let bits = if x == 0.0 { 0 } else { x.to_bits() };
        self.fingerprint = (self.fingerprint ^ bits)
            .wrapping_mul(0x0100_0000_01b3)
            .rotate_left(23);
    }

    fn end_hop(&mut self, hop: usize) {
        let power = std::mem::take(&mut self.hop_power) / hop as f64;
        if power > 0.0 {
            let bin = (power_db(power) - LOWEST_DB).clamp(0.0, (BINS - 1) as f64) as usize;
            self.histogram[bin] = self.histogram[bin].saturating_add(1);
        }
    }

    fn level(&self, frames: u64) -> ChannelLevel {
        ChannelLevel {
            peak: self.peak,
            railed_share: if frames == 0 {
                0.0
            } else {
                self.railed as f64 / frames as f64
            },
            all_zero: self.peak == 0.0,
            loud_over_quiet_db: self.loud_over_quiet_db(),
        }
    }

    fn loud_over_quiet_db(&self) -> f64 {
        let hops: u64 = self.histogram.iter().map(|&n| u64::from(n)).sum();
        let quiet_rank = (hops as f64 * QUIET_SHARE) as u64 + 1;
        let rank = |bins: &mut dyn Iterator<Item = (usize, &u32)>, wanted: u64| {
            let mut seen = 0;
            for (bin, &n) in bins {
                seen += u64::from(n);
                if seen >= wanted {
                    return Some(bin as f64);
                }
            }
            None
        };
        let quiet = rank(&mut self.histogram.iter().enumerate(), quiet_rank);
        let loud = rank(
            &mut self.histogram.iter().enumerate().rev(),
            LOUD_RANK.min(hops.max(1)),
        );
        match (loud, quiet) {
            (Some(loud), Some(quiet)) => (loud - quiet).max(0.0),
            _ => 0.0,
        }
    }
}
