//! Cuts a take out of the stream and says what speaks against it.

use std::collections::VecDeque;
use std::ops::Range;

use crate::ring::flaw::Flaw;
use crate::ring::listen::clipping;
use crate::ring::listen::heard_power;
use crate::ring::listen::verify::Strike;
use crate::ring::take::TapTake;
use crate::signal::clip::Clip;
use crate::signal::envelope::{BandLevels, Levels};
use crate::signal::filter::LANES;
use crate::units::{SampleRate, power_db};

/// Quiet shorter than this is none, in seconds.
const LEAST_QUIET_S: f64 = 0.050;
/// Clean decay shorter than this cannot be measured, in seconds.
const LEAST_CLEAN_S: f64 = 0.040;
/// The strike must stand so far over the noise, in dB.
const LEAST_LEVEL_DB: f64 = 15.0;
/// A decay that ends sooner than this while it still rings is too short, in seconds.
const HEARD_ENOUGH_S: f64 = 0.250;
/// A recording that ends sooner than this after a strike cuts it off in any case, in seconds.
const CUT_OFF_S: f64 = 0.100;
/// A sound is put in at once by a tap beside the microphone; below this it was built up.
const FAR_DB: f64 = -6.0;
/// The same for tones, of which the predictor never follows all.
const FAR_TONAL_DB: f64 = -15.0;

/// What ended a take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Ending {
    /// The next strike, at this absolute frame.
    NextStrike {
        /// The frame.
        at: u64,
    },
    /// Lost samples.
    Gap {
        /// How many.
        lost: u64,
    },
    /// The end of the recording.
    Recording,
    /// It had died away, or the longest that is kept.
    Silent,
}

/// A take that is not complete yet.
#[derive(Debug)]
pub(super) struct Open {
    pub(super) strike: Strike,
    pub(super) quiet_from: u64,
    /// Level of the noise without other taps.
    pub(super) noise: Option<Levels>,
    pub(super) walked: u64,
    pub(super) calm: u64,
}

/// Where a take is cut from.
pub(super) struct Around<'a> {
    pub(super) rate: SampleRate,
    pub(super) levels: &'a BandLevels,
    pub(super) origin: u64,
    pub(super) samples: &'a [f64],
    pub(super) samples_from: u64,
    /// Runs of zeros that cut off a sound, as absolute frames.
    pub(super) breaks: &'a VecDeque<Range<u64>>,
    /// Frames lost just before the stretch, if it follows a gap.
    pub(super) lost_before: Option<u64>,
    pub(super) step: f64,
}

impl Around<'_> {
    fn ms(&self, frames: u64) -> f64 {
        frames as f64 / self.rate.hz() * 1e3
    }

    fn hop(&self, frame: u64) -> u64 {
        frame.saturating_sub(self.origin) / self.levels.hop_len() as u64
    }
}

/// Cuts the take that ends at the absolute frame `end`.
pub(super) fn cut(around: &Around<'_>, open: &Open, end: u64, ending: Ending) -> TapTake {
    let at = open.strike.at;
    let (end, ending) = before_dropout(around, at, end, ending);
    let last_break = around.breaks.iter().rfind(|b| b.end <= at);
    let from = open.quiet_from.max(last_break.map_or(0, |b| b.end)).min(at);
    let index =
        |frame: u64| (frame.saturating_sub(around.samples_from) as usize).min(around.samples.len());
    let end = end.max(at);
    let samples = around.samples[index(from)..index(end)].to_vec();
    let strike = ((at - from) as usize).min(samples.len());
    let quiet_end = strike.saturating_sub(around.rate.samples(0.004));
    let mut flaws = Vec::new();
    let noise = noise(around, open, end);
    let mut start = strike;
    if let Some(clipped) = clipped(around, &samples, strike) {
        flaws.push(Flaw::Clipped {
            samples: clipped.samples,
            until_ms: around.ms((clipped.last.saturating_sub(strike)) as u64),
        });
        start = start.max(clipped.last + 1);
    }
    start = start.max(bounces(around, open, strike, samples.len(), &mut flaws));
    let start = start.min(samples.len());
    if quiet_end < around.rate.samples(LEAST_QUIET_S) {
        flaws.push(Flaw::NoQuiet {
            quiet_ms: around.ms(quiet_end as u64),
        });
    }
    level(around, open, &noise, &mut flaws);
    ending_flaws(around, at, end, ending, &noise, &mut flaws);
    gap_before(around, at, &mut flaws);
    let contacts = &open.strike.contacts;
    let far_db = if contacts.follows < 0.5 {
        FAR_DB
    } else {
        FAR_TONAL_DB
    };
    if contacts.direct_db < far_db {
        flaws.push(Flaw::Far {
            direct_db: open.strike.contacts.direct_db,
        });
    }
    let clean = samples.len() - start;
    if clean < around.rate.samples(LEAST_CLEAN_S) {
        flaws.push(Flaw::Short {
            clean_ms: around.ms(clean as u64),
        });
    }
    TapTake {
        decay: start..samples.len(),
        quiet: 0..quiet_end,
        strike,
        time_s: at as f64 / around.rate.hz(),
        level_db: power_db(open.strike.power),
        tonal_share: open.strike.contacts.follows,
        clip: Clip::new(samples, around.rate),
        microphone: 0,
        flaws,
    }
}

/// Ends a take at the first dropout in it, if there is one. One that lasts to the end of the
/// recording cannot be told from the end of the recording.
fn before_dropout(around: &Around<'_>, at: u64, end: u64, ending: Ending) -> (u64, Ending) {
    let Some(lost) = around.breaks.iter().find(|b| b.start > at && b.start < end) else {
        return (end, ending);
    };
    let last = around.samples_from + around.samples.len() as u64;
    if ending == Ending::Recording && lost.end >= last {
        (lost.start, Ending::Recording)
    } else {
        let lost_frames = lost.end - lost.start;
        (lost.start, Ending::Gap { lost: lost_frames })
    }
}

/// Noise of this take: what was before it, else the lowest level in it.
fn noise(around: &Around<'_>, open: &Open, end: u64) -> Levels {
    if let Some(before) = open.noise.or(open.strike.background) {
        return before;
    }
    let mut lowest = [f64::INFINITY; LANES];
    let mut hop = open.strike.hop;
    while hop + 20 <= around.hop(end) {
        if let Some(m) = around.levels.mean(hop, hop + 20) {
            for (low, now) in lowest.iter_mut().zip(&m) {
                *low = low.min(*now);
            }
        }
        hop += 20;
    }
    lowest.map(|l| if l.is_finite() { l } else { 0.0 })
}

/// Clipping from 2 ms before the strike on.
fn clipped(around: &Around<'_>, samples: &[f64], strike: usize) -> Option<clipping::Clipped> {
    let from = strike.saturating_sub(around.rate.samples(0.002));
    clipping::find(&samples[from..], around.step).map(|c| clipping::Clipped {
        samples: c.samples,
        last: c.last + from,
    })
}

/// Adds the second contacts; returns the index 1 ms after the last of them (the contact itself
/// takes about so long), 0 when there is none.
fn bounces(
    around: &Around<'_>,
    open: &Open,
    strike: usize,
    len: usize,
    flaws: &mut Vec<Flaw>,
) -> usize {
    let mut start = 0;
    for contact in &open.strike.contacts.later {
        let at = strike + contact.after;
        if at >= len {
            continue;
        }
        flaws.push(Flaw::Bounce {
            after_ms: around.ms(contact.after as u64),
            level_db: contact.level_db,
        });
        start = at + around.rate.samples(0.001);
    }
    start
}

/// Level of the strike over the noise: the loudest 5 ms of its first 10 ms.
fn level(around: &Around<'_>, open: &Open, noise: &Levels, flaws: &mut Vec<Flaw>) {
    let hop = around.hop(open.strike.at);
    let over = (hop..hop + 6)
        .filter_map(|h| around.levels.mean(h, h + 5))
        .map(|m| over_noise_db(&m, noise))
        .fold(f64::NEG_INFINITY, f64::max);
    if over < LEAST_LEVEL_DB {
        flaws.push(Flaw::Soft {
            over_noise_db: over,
            needed_db: LEAST_LEVEL_DB,
        });
    }
}

fn ending_flaws(
    around: &Around<'_>,
    at: u64,
    end: u64,
    ending: Ending,
    noise: &Levels,
    flaws: &mut Vec<Flaw>,
) {
    let heard_s = (end - at) as f64 / around.rate.hz();
    let last = around.hop(end);
    let ringing_db = around
        .levels
        .mean(last.saturating_sub(10), last)
        .map_or(f64::NEG_INFINITY, |m| over_noise_db(&m, noise));
    match ending {
        Ending::NextStrike { at: next } => {
            let next_s = (next - at) as f64 / around.rate.hz();
            if next_s < HEARD_ENOUGH_S && ringing_db > 6.0 {
                flaws.push(Flaw::Overlap {
                    next_after_ms: around.ms(next - at),
                });
            }
        }
        Ending::Gap { lost } => {
            if heard_s < CUT_OFF_S || ringing_db > 6.0 {
                flaws.push(Flaw::Gap {
                    at_ms: around.ms(end - at),
                    lost_ms: around.ms(lost),
                });
            }
        }
        Ending::Recording => {
            if heard_s < CUT_OFF_S || (heard_s < HEARD_ENOUGH_S && ringing_db > 15.0) {
                flaws.push(Flaw::CutOff {
                    after_ms: around.ms(end - at),
                });
            }
        }
        Ending::Silent => {}
    }
}

/// A gap so shortly before the strike that it may have swallowed its beginning or all quiet.
fn gap_before(around: &Around<'_>, at: u64, flaws: &mut Vec<Flaw>) {
    let since_dropout = around
        .breaks
        .iter()
        .rfind(|b| b.end <= at)
        .map(|b| (at - b.end, b.end - b.start));
    let since_gap = around
        .lost_before
        .map(|lost| (at.saturating_sub(around.origin), lost));
    for (since, lost) in since_dropout.into_iter().chain(since_gap) {
        if (since as f64) < LEAST_QUIET_S * around.rate.hz() {
            flaws.push(Flaw::Gap {
                at_ms: -around.ms(since),
                lost_ms: around.ms(lost),
            });
        }
    }
}

/// Level over noise in dB, bands from 300 Hz on.
pub(super) fn over_noise_db(level: &Levels, noise: &Levels) -> f64 {
    let (level, noise) = (heard_power(level), heard_power(noise));
    if noise <= 0.0 {
        return f64::INFINITY;
    }
    crate::units::power_db(((level - noise) / noise).max(1e-3))
}

#[cfg(test)]
mod tests;
