//! An unbroken stretch of the stream: its last seconds, the rises in it, and the take that is
//! open.

use std::collections::VecDeque;
use std::ops::Range;

use crate::ring::listen::bands_hz;
use crate::ring::listen::cut::{self, Ending, Open};
use crate::ring::listen::heard::Heard;
use crate::ring::listen::summary::Summary;
use crate::ring::listen::verify::{self, DEAD_HOPS, LOOK_AHEAD, LOOK_AHEAD_AT_START, Strike};
use crate::ring::take::TapTake;
use crate::signal::envelope::{BandLevels, Floor, Levels};
use crate::signal::filter::LANES;
use crate::units::SampleRate;

/// Hops that the search for rises stays behind: what it looks ahead.
const LAG: u64 = 12;
/// Further rises within so many hops are the same one.
const SAME_RISE: u64 = 12;
/// Most of the quiet before a strike that is kept, in seconds.
const QUIET_S: f64 = 0.6;
/// Longest decay that is kept, in hops.
const LONGEST: u64 = 8_000;
/// Shortest decay that is kept where nothing ends it, in hops.
const SHORTEST: u64 = 1_000;
/// So long at the level of the noise ends a take, in hops.
const CALM: u64 = 300;
/// Exact zeros for so long that cut off a sound are a dropout, in seconds.
const DROPOUT_S: f64 = 0.005;
/// Hops over which the level is compared with the noise.
const CALM_BLOCK: u64 = 50;

/// The last seconds of samples.
#[derive(Debug)]
struct History {
    samples: Vec<f64>,
    from: u64,
}

impl History {
    /// Forgets what is before the frame, now and then, so that the cost stays small.
    fn discard_before(&mut self, frame: u64) {
        let many = frame.saturating_sub(self.from) as usize;
        if many > self.samples.len() / 2 && many > 4096 {
            self.samples.drain(..many.min(self.samples.len()));
            self.from += many as u64;
        }
    }
}

/// See the module.
#[derive(Debug)]
pub(super) struct Stretch {
    rate: SampleRate,
    start: u64,
    /// Frames lost before the start and the level before that.
    gap: Option<(u64, Option<Levels>)>,
    history: History,
    levels: BandLevels,
    floor: Floor,
    /// Next hop to search for a rise.
    scan: u64,
    rises: VecDeque<u64>,
    last_rise: Option<u64>,
    start_open: bool,
    open: Option<Open>,
    last_strike: Option<Strike>,
    /// Smallest magnitude other than zero so far: the step of quantisation, if there is one.
    least: Option<f64>,
    zeros: u64,
    /// Runs of zeros that cut off a sound, as absolute frames.
    breaks: VecDeque<Range<u64>>,
}

impl Stretch {
    pub(super) fn new(rate: SampleRate, start: u64) -> Self {
        let hop_len = rate.samples(0.001).max(1);
        Self {
            rate,
            start,
            gap: None,
            history: History {
                samples: Vec::new(),
                from: start,
            },
            levels: BandLevels::new(&bands_hz(rate), rate.hz(), hop_len),
            floor: Floor::new(),
            scan: 0,
            rises: VecDeque::new(),
            last_rise: None,
            start_open: true,
            open: None,
            last_strike: None,
            least: None,
            zeros: 0,
            breaks: VecDeque::new(),
        }
    }

    /// The stretch that follows this one after a gap of `lost` frames.
    pub(super) fn resumed(&self, start: u64, lost: u64) -> Self {
        let end = self.levels.end();
        // The level of the last 25 ms, to tell a strike in the gap from a ring that goes on.
        let before = self.levels.mean(end.saturating_sub(25), end);
        Self {
            gap: Some((lost, before)),
            least: self.least,
            ..Self::new(self.rate, start)
        }
    }

    /// Adds samples.
    pub(super) fn push(&mut self, samples: &[f64], summary: &mut Summary) -> Vec<TapTake> {
        let mut takes = Vec::new();
        let mut rest = samples;
        while !rest.is_empty() {
            let (used, complete) = self.levels.push(rest);
            self.history.samples.extend_from_slice(&rest[..used]);
            self.see(&rest[..used]);
            rest = &rest[used..];
            if complete {
                if let Some(levels) = self.levels.hop(self.levels.end() - 1) {
                    let levels = *levels;
                    self.floor.push(&levels);
                }
                self.search(self.levels.end().saturating_sub(LAG));
                self.settle(false, summary, &mut takes);
                self.forget();
            }
        }
        takes
    }

    /// Ends the stretch; what is still open is closed.
    pub(super) fn end(&mut self, ending: Ending, summary: &mut Summary) -> Vec<TapTake> {
        let mut takes = Vec::new();
        self.search(self.levels.end());
        self.settle(true, summary, &mut takes);
        let end = self.history.from + self.history.samples.len() as u64;
        self.close(end, ending, summary, &mut takes);
        takes
    }

    /// Watches for the step of quantisation and for runs of zeros that cut off a sound.
    fn see(&mut self, samples: &[f64]) {
        let longest = (self.rate.samples(DROPOUT_S) as u64).max(2);
        let first = self.history.from + self.history.samples.len() as u64 - samples.len() as u64;
        for (frame, &x) in (first..).zip(samples) {
            if x != 0.0 {
                self.zeros = 0;
                if self.least.is_none_or(|least| x.abs() < least) {
                    self.least = Some(x.abs());
                }
                continue;
            }
            self.zeros += 1;
            if self.zeros > longest {
                if let Some(last) = self.breaks.back_mut()
                    && last.end == frame
                {
                    last.end = frame + 1;
                }
            } else if self.zeros == longest {
                let start = frame + 1 - self.zeros;
                if self.breaks_off(start) {
                    self.breaks.push_back(start..frame + 1);
                }
            }
        }
    }

    /// True when the sound just before `frame` does not end by itself: it is still well above
    /// the step of quantisation.
    fn breaks_off(&self, frame: u64) -> bool {
        let n = frame.saturating_sub(self.history.from) as usize;
        let before = &self.history.samples[n.saturating_sub(self.rate.samples(0.002))..n];
        before.iter().fold(0.0, |m: f64, s| m.max(s.abs())) > 8.0 * self.least.unwrap_or(0.0)
    }

    /// Some of the last sound.
    pub(super) fn tail(&self) -> Vec<f64> {
        let n = self.history.samples.len();
        self.history.samples[n.saturating_sub(16_384)..].to_vec()
    }

    fn frame(&self, hop: u64) -> u64 {
        self.start + hop * self.levels.hop_len() as u64
    }

    /// Looks for rises in the hops before `to`.
    fn search(&mut self, to: u64) {
        while self.scan < to {
            let hop = self.scan;
            self.scan += 1;
            if self.last_rise.is_some_and(|last| hop < last + SAME_RISE) || !self.rises_at(hop) {
                continue;
            }
            self.last_rise = Some(hop);
            self.rises.push_back(hop);
        }
    }

    /// True when a band rises at `hop`: three hops 9 dB above the 25 ms before (2 ms guard),
    /// 12 dB above the floor and 3 dB above the largest of the 40 ms before. The lowest
    /// band is slower and gets longer spans.
    fn rises_at(&self, hop: u64) -> bool {
        if hop < 5 {
            return false;
        }
        let mean = |from: u64, to: u64| self.levels.mean(from, to).unwrap_or([0.0; LANES]);
        let (now, before) = (mean(hop, hop + 3), mean(hop.saturating_sub(27), hop - 2));
        let floor = self.floor.get().copied().unwrap_or([0.0; LANES]);
        for lane in 1..self.levels.bands() {
            if now[lane] > 8.0 * before[lane] + floor[lane] && now[lane] > 12.0 * floor[lane] {
                let most = (hop.saturating_sub(40).max(self.levels.start())..hop - 4)
                    .map(|h| mean(h, h + 3)[lane])
                    .fold(0.0, f64::max);
                if now[lane] > 2.0 * most {
                    return true;
                }
            }
        }
        if hop < 20 {
            return false;
        }
        let (now, before) = (
            mean(hop, hop + 8)[0],
            mean(hop.saturating_sub(60), hop - 4)[0],
        );
        now > 16.0 * before && now > 24.0 * floor[0]
    }

    /// Judges the rises whose time has come, closes and opens takes.
    fn settle(&mut self, ended: bool, summary: &mut Summary, takes: &mut Vec<TapTake>) {
        let end = self.levels.end();
        if self.start_open {
            if !ended && end < LOOK_AHEAD_AT_START {
                return;
            }
            self.start_open = false;
            if self.start_rises() {
                self.judge(0, true, summary, takes);
            }
        }
        while let Some(&hop) = self.rises.front() {
            if !ended && end < hop + LOOK_AHEAD {
                break;
            }
            self.rises.pop_front();
            let dead = self
                .last_strike
                .as_ref()
                .is_some_and(|s| hop < s.hop + DEAD_HOPS);
            if !dead {
                self.judge(hop, false, summary, takes);
            }
        }
        self.walk(summary, takes);
    }

    /// At the start of a recording anything may be a strike; after a gap only what is louder
    /// than before it.
    fn start_rises(&self) -> bool {
        match self.gap {
            None => true,
            Some((_, None)) => true,
            Some((_, Some(before))) => self
                .levels
                .mean(2, 12)
                .is_some_and(|now| (1..LANES).any(|l| now[l] > 8.0 * before[l])),
        }
    }

    fn judge(&mut self, hop: u64, at_start: bool, summary: &mut Summary, takes: &mut Vec<TapTake>) {
        let later: Vec<u64> = self.rises.iter().copied().collect();
        let warm = at_start.then(|| self.warm_levels());
        let heard = Heard {
            rate: self.rate,
            levels: warm.as_ref().unwrap_or(&self.levels),
            samples: &self.history.samples,
            samples_from: self.history.from,
            origin: self.start,
            before_gap: self.gap.and_then(|g| g.1),
            later_rises: &later,
            step: self.least.unwrap_or(0.0),
            breaks: &self.breaks,
            last_strike: self.last_strike.as_ref().map(|s| s.hop),
        };
        match verify::judge(&heard, hop, at_start) {
            Ok(strike) => self.strike(strike, summary, takes),
            Err(why) if !at_start => summary.pass_over(self.frame(hop), why),
            // The mere start of a recording is no event.
            Err(_) => {}
        }
    }

    /// Levels of the start, with filters that have heard its mirror image before: what
    /// sounds already when a recording starts must not look like a strike.
    fn warm_levels(&self) -> BandLevels {
        let x = &self.history.samples;
        let mut levels =
            BandLevels::new(&bands_hz(self.rate), self.rate.hz(), self.levels.hop_len());
        let lead = self.rate.samples(0.040).min(x.len().saturating_sub(1));
        let mirror: Vec<f64> = (1..=lead).rev().map(|k| x[k]).collect();
        levels.warm(&mirror);
        let mut rest = &x[..x.len().min(self.rate.samples(0.8))];
        while !rest.is_empty() {
            let (used, _) = levels.push(rest);
            rest = &rest[used..];
        }
        levels
    }

    fn strike(&mut self, strike: Strike, summary: &mut Summary, takes: &mut Vec<TapTake>) {
        let previous = self.last_strike.as_ref().map(|s| s.at);
        let lead = self.rate.samples(0.010) as u64;
        self.close(
            strike.at.saturating_sub(lead),
            Ending::NextStrike { at: strike.at },
            summary,
            takes,
        );
        let quiet = self.rate.samples(QUIET_S) as u64;
        let mut quiet_from = strike.at.saturating_sub(quiet).max(self.history.from);
        if let Some(previous) = previous {
            // The strike before is no quiet, and the loud half of its ring is left out too.
            quiet_from = quiet_from.max(previous + (strike.at - previous) / 2);
        }
        let noise = self.noise_before(&strike, previous);
        self.open = Some(Open {
            strike: strike.clone(),
            quiet_from,
            noise,
            walked: strike.hop,
            calm: 0,
        });
        self.last_strike = Some(strike);
    }

    /// Level of the noise without earlier taps, as far as it can be told.
    fn noise_before(&self, strike: &Strike, previous: Option<u64>) -> Option<Levels> {
        let background = strike.background?;
        let second = self.rate.samples(1.0) as u64;
        if previous.is_some_and(|p| strike.at < p + second) {
            let floor = self.floor.get()?;
            return Some(std::array::from_fn(|l| background[l].min(2.0 * floor[l])));
        }
        self.levels
            .mean(strike.hop.saturating_sub(600), strike.hop.saturating_sub(4))
    }

    /// Follows the open take until it is calm or long enough.
    fn walk(&mut self, summary: &mut Summary, takes: &mut Vec<TapTake>) {
        let known = self
            .rises
            .front()
            .copied()
            .unwrap_or(self.scan)
            .min(self.levels.end().saturating_sub(LAG));
        loop {
            let Some(open) = self.open.as_mut() else {
                return;
            };
            let to = open.walked + CALM_BLOCK;
            if to > known {
                return;
            }
            let level = self.levels.mean(open.walked, to);
            let calm = match (level, open.noise) {
                (Some(level), Some(noise)) => (0..LANES).all(|l| level[l] <= 1.6 * noise[l]),
                _ => false,
            };
            open.calm = if calm { open.calm + CALM_BLOCK } else { 0 };
            open.walked = to;
            let length = to - open.strike.hop;
            let over = open.calm >= CALM && length >= SHORTEST;
            if over || length >= LONGEST {
                let end = self.frame(to);
                self.close(end, Ending::Silent, summary, takes);
                return;
            }
        }
    }

    fn close(&mut self, end: u64, ending: Ending, summary: &mut Summary, takes: &mut Vec<TapTake>) {
        let Some(open) = self.open.take() else {
            return;
        };
        let around = cut::Around {
            rate: self.rate,
            levels: &self.levels,
            origin: self.start,
            samples: &self.history.samples,
            samples_from: self.history.from,
            breaks: &self.breaks,
            lost_before: self.gap.map(|g| g.0),
            step: self.least.unwrap_or(0.0),
        };
        summary.found += 1;
        takes.push(cut::cut(&around, &open, end, ending));
    }

    /// Drops what no take can need any more.
    fn forget(&mut self) {
        let hop = self
            .rises
            .front()
            .copied()
            .unwrap_or(self.scan)
            .min(self.scan);
        let hop = if self.start_open { 0 } else { hop };
        let room = self.rate.samples(QUIET_S + 0.1) as u64;
        let mut frame = self.frame(hop).saturating_sub(room);
        let mut oldest = hop.saturating_sub(700);
        if let Some(open) = &self.open {
            frame = frame.min(open.quiet_from);
            oldest = oldest.min(open.strike.hop.saturating_sub(700));
        }
        self.history.discard_before(frame);
        self.levels.discard_before(oldest);
        while self
            .breaks
            .front()
            .is_some_and(|b| b.end < self.history.from)
        {
            self.breaks.pop_front();
        }
    }
}

#[cfg(test)]
mod tests;
