//! The level of what comes in, for eyes: now, the largest of the last seconds, and the last
//! seconds as a row of peaks.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use crate::audio::Chunk;
use crate::units::{SampleRate, amplitude_db};

/// How long a peak is held.
const HOLD: Duration = Duration::from_secs(2);
/// Peaks a second in the row.
const PEAKS_PER_S: f64 = 40.0;
/// Peaks in the row: four seconds, in which a tap and its ring have room.
pub const PEAKS: usize = 160;

/// Largest sample now, of the last seconds, and of each fortieth of the last four seconds.
#[derive(Debug, Default)]
pub struct LevelMeter {
    now: f64,
    held: f64,
    since: Option<Instant>,
    /// Samples of a peak.
    stride: usize,
    in_peak: usize,
    peak: f64,
    row: VecDeque<f64>,
}

impl LevelMeter {
    /// A meter for this rate.
    pub fn new(rate: SampleRate) -> Self {
        Self {
            stride: rate.samples(1.0 / PEAKS_PER_S).max(1),
            ..Self::default()
        }
    }

    /// Takes in more sound.
    pub fn hear(&mut self, chunk: &Chunk) {
        self.now = chunk.samples.iter().fold(0.0, |m: f64, x| m.max(x.abs()));
        if self.now >= self.held || self.since.is_none_or(|s| s.elapsed() > HOLD) {
            (self.held, self.since) = (self.now, Some(Instant::now()));
        }
        for x in &chunk.samples {
            self.peak = self.peak.max(x.abs());
            self.in_peak += 1;
            if self.in_peak >= self.stride {
                self.row.push_back(std::mem::take(&mut self.peak));
                self.in_peak = 0;
                if self.row.len() > PEAKS {
                    self.row.pop_front();
                }
            }
        }
    }

    /// Largest sample now and of the last two seconds, in dB of full scale.
    pub fn level_db(&self) -> (f64, f64) {
        (amplitude_db(self.now), amplitude_db(self.held))
    }

    /// The largest samples of each fortieth of a second, full scale 1.0, oldest first, at most
    /// [`PEAKS`].
    pub fn row(&self) -> impl Iterator<Item = f64> {
        self.row.iter().copied()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_row_holds_the_last_seconds_and_no_more() {
        let mut meter = LevelMeter::new(SampleRate::new(8000).unwrap());
        let chunk = |value: f64, many: usize| Chunk {
            samples: vec![value; many],
            lost_before: 0,
        };
        meter.hear(&chunk(0.5, 200));
        meter.hear(&chunk(-0.25, 399));
        assert_eq!(meter.row().collect::<Vec<_>>(), [0.5, 0.25]);
        meter.hear(&chunk(0.1, 8 * 8000));
        assert_eq!(meter.row().count(), PEAKS);
        assert!(meter.row().all(|p| p == 0.1));
        // Held for two seconds, whatever comes after.
        assert!((meter.level_db().1 - amplitude_db(0.5)).abs() < 1e-12);
    }
}
