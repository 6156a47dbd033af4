//! Finds the taps in a stream of samples and cuts them out with what speaks against them.
//!
//! Levels in 1 ms hops of five bands show sudden rises; each is then judged by its shape in
//! time and by what of it follows from its own past (see `verify`). Only the last seconds of
//! the stream are kept, whatever its length.

mod clipping;
mod contacts;
mod cut;
mod heard;
mod innovation;
mod nature;
mod predictor;
mod shape;
mod stretch;
mod strike;
mod summary;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
mod verify;

pub use heard::NotATap;
pub use summary::{Listened, NoTaps, PassedOver};

use crate::ring::listen::cut::Ending;
use crate::ring::listen::stretch::Stretch;
use crate::ring::listen::summary::Summary;
use crate::ring::take::TapTake;
use crate::signal::envelope::Levels;
use crate::signal::filter::LANES;
use crate::units::SampleRate;

/// Hears the taps in a stream of mono samples.
///
/// Takes come out when they are complete: about 0.3 s after the next strike, or when their
/// sound has died away, or 8 s after the strike. The result does not depend on how the
/// stream is cut into pieces.
#[derive(Debug)]
pub struct Listener {
    stretch: Stretch,
    summary: Summary,
    /// Frames on the time axis so far, lost ones included.
    clock: u64,
    done: Vec<TapTake>,
}

impl Listener {
    /// Ready for the first sample.
    pub fn new(rate: SampleRate) -> Self {
        Self {
            stretch: Stretch::new(rate, 0),
            summary: Summary::new(rate),
            clock: 0,
            done: Vec::new(),
        }
    }

    /// Adds samples (full scale 1.0; what is not finite counts as 0), before which
    /// `lost_before` frames were lost. Returns the takes that became complete, in order.
    pub fn push(&mut self, samples: &[f64], lost_before: u64) -> Vec<TapTake> {
        if lost_before > 0 {
            self.lose(lost_before);
        }
        let mut clean;
        let samples = if samples.iter().all(|s| s.is_finite()) {
            samples
        } else {
            clean = samples.to_vec();
            for s in clean.iter_mut().filter(|s| !s.is_finite()) {
                *s = 0.0;
            }
            &clean
        };
        self.summary.hear(samples);
        self.clock += samples.len() as u64;
        let takes = self.stretch.push(samples, &mut self.summary);
        self.done.extend(takes);
        std::mem::take(&mut self.done)
    }

    fn lose(&mut self, frames: u64) {
        self.summary.lose(frames);
        self.clock += frames;
        let takes = self
            .stretch
            .end(Ending::Gap { lost: frames }, &mut self.summary);
        self.done.extend(takes);
        self.stretch = self.stretch.resumed(self.clock, frames);
    }

    /// Ends the recording: the takes that were still open, and what was heard in all.
    pub fn finish(mut self) -> (Vec<TapTake>, Listened) {
        let takes = self.stretch.end(Ending::Recording, &mut self.summary);
        self.done.extend(takes);
        let tail = self.stretch.tail();
        (self.done, self.summary.finish(&tail))
    }
}

/// The bands that are listened to, in Hz, for a rate: 80 Hz to 16 kHz or 0.45 of the rate.
fn bands_hz(rate: SampleRate) -> Vec<(f64, f64)> {
    let top = (0.45 * rate.hz()).min(16_000.0);
    let mut bands = Vec::new();
    let edges: [f64; 6] = [80.0, 300.0, 1_000.0, 3_000.0, 8_000.0, 16_000.0];
    for pair in edges.windows(2) {
        let (low, high) = (pair[0], pair[1].min(top));
        if low * 1.5 <= high {
            bands.push((low, high));
        } else if let Some(last) = bands.last_mut() {
            let last: &mut (f64, f64) = last;
            last.1 = top.max(last.1);
        }
    }
    bands
}

/// Sum of the bands from 300 Hz on.
fn heard_power(levels: &Levels) -> f64 {
    levels[1..LANES].iter().sum()
}

/// Softer than the strongest tap by this much is a stray sound if nothing in it rings.
const STRAY_DB: f64 = 20.0;

/// True when `take` is more likely a bang elsewhere than a tap of the wheel: at least 20 dB
/// softer than the strongest of `others` and either without a tone of its own or built up as
/// from across the room. For the caller to use once all takes are there.
pub fn is_stray(take: &TapTake, others: &[TapTake]) -> bool {
    let strongest = others
        .iter()
        .map(|t| t.level_db)
        .fold(f64::NEG_INFINITY, f64::max);
    let far = take
        .flaws
        .iter()
        .any(|f| matches!(f, crate::ring::flaw::Flaw::Far { .. }));
    take.level_db <= strongest - STRAY_DB && (take.tonal_share < 0.5 || far)
}
