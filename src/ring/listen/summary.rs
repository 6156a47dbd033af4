//! What was heard in a whole recording.

use crate::ring::listen::heard::NotATap;
use crate::signal::fft::forward;

use crate::signal::overview::Overview;
use crate::units::{SampleRate, amplitude_db, power_db};

/// Below this level of the whole recording there is practically no sound, in dB of full scale.
const SILENCE_DB: f64 = -75.0;
/// Most sounds that are kept as passed over.
const MOST_PASSED: usize = 64;

/// A sudden sound that was not taken for a tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PassedOver {
    /// Time from the start of the recording in seconds.
    pub time_s: f64,
    /// Why it was passed over.
    pub why: NotATap,
}

/// Why a recording has no taps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoTaps {
    /// No sample.
    Empty,
    /// All samples are exactly zero, as from an input that is muted or not permitted.
    AllZero,
    /// Practically no sound.
    Silence {
        /// Largest sample in dB of full scale.
        peak_db: f64,
        /// Mean power in dB of full scale.
        level_db: f64,
    },
    /// Sound without any sudden rise.
    Steady {
        /// Mean power in dB of full scale.
        level_db: f64,
        /// Frequency of the strongest line at the end of the recording in Hz, if there is one.
        strongest_hz: Option<f64>,
    },
    /// Sudden sounds, but no tap among them.
    NotTaps {
        /// Number of sudden sounds.
        events: u64,
        /// Mean power in dB of full scale.
        level_db: f64,
        /// Why the last of them was none.
        last: NotATap,
    },
}

/// Figures of a whole recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Listened {
    /// Frames heard.
    pub frames: u64,
    /// Frames lost in the capture.
    pub lost: u64,
    /// Largest magnitude, full scale 1.0.
    pub peak: f64,
    /// Level that is exceeded nine tenths of the time, in dB of full scale (mean power of
    /// 10 ms without the mean); negative infinity for digital silence.
    pub background_db: f64,
    /// Number of taps.
    pub found: usize,
    /// Why there is no tap, when there is none.
    pub why_none: Option<NoTaps>,
    /// The last sudden sounds that were not taken for taps, at most 64.
    pub passed_over: Vec<PassedOver>,
    /// A picture of the whole.
    pub overview: Overview,
}

/// Gathers [`Listened`].
#[derive(Debug)]
pub(super) struct Summary {
    rate: SampleRate,
    frames: u64,
    lost: u64,
    peak: f64,
    /// Blocks of 10 ms by level in half dB from -200 dB on.
    histogram: Vec<u64>,
    block: usize,
    in_block: usize,
    sum: f64,
    sum_sq: f64,
    total: f64,
    events: u64,
    pub(super) found: usize,
    passed_over: std::collections::VecDeque<PassedOver>,
    overview: Overview,
}

impl Summary {
    const LOWEST_DB: f64 = -200.0;
    const BINS: usize = 600;

    pub(super) fn new(rate: SampleRate) -> Self {
        Self {
            rate,
            frames: 0,
            lost: 0,
            peak: 0.0,
            histogram: vec![0; Self::BINS],
            block: rate.samples(0.010).max(1),
            in_block: 0,
            sum: 0.0,
            sum_sq: 0.0,
            total: 0.0,
            events: 0,
            found: 0,
            passed_over: std::collections::VecDeque::new(),
            overview: Overview::new(),
        }
    }

    pub(super) fn hear(&mut self, samples: &[f64]) {
        self.frames += samples.len() as u64;
        self.overview.push(samples);
        let mut rest = samples;
        while !rest.is_empty() {
            let take = rest.len().min(self.block - self.in_block);
            for &x in &rest[..take] {
                self.peak = self.peak.max(x.abs());
                self.sum += x;
                self.sum_sq += x * x;
            }
            self.in_block += take;
            rest = &rest[take..];
            if self.in_block == self.block {
                self.close_block();
            }
        }
    }

    fn close_block(&mut self) {
        let n = self.in_block as f64;
        if n == 0.0 {
            return;
        }
        let mean = self.sum / n;
        let power = (self.sum_sq / n - mean * mean).max(0.0);
        self.total += power * n;
        let bin = 2.0 * (power_db(power) - Self::LOWEST_DB);
        let bin = if bin > 0.0 {
            (bin as usize).min(Self::BINS - 1)
        } else {
            0
        };
        self.histogram[bin] += 1;
        self.in_block = 0;
        self.sum = 0.0;
        self.sum_sq = 0.0;
    }

    pub(super) fn lose(&mut self, frames: u64) {
        self.lost += frames;
        self.overview.push_lost(frames);
    }

    pub(super) fn pass_over(&mut self, frame: u64, why: NotATap) {
        self.events += 1;
        if self.passed_over.len() == MOST_PASSED {
            self.passed_over.pop_front();
        }
        self.passed_over.push_back(PassedOver {
            time_s: frame as f64 / self.rate.hz(),
            why,
        });
    }

    fn background_db(&self) -> f64 {
        let blocks: u64 = self.histogram.iter().sum();
        let mut seen = 0;
        for (bin, many) in self.histogram.iter().enumerate() {
            seen += many;
            if seen * 10 >= blocks && seen > 0 {
                return match bin {
                    0 => f64::NEG_INFINITY,
                    _ => Self::LOWEST_DB + (bin as f64 + 0.5) / 2.0,
                };
            }
        }
        f64::NEG_INFINITY
    }

    fn why_none(&self, tail: &[f64]) -> Option<NoTaps> {
        let level_db = power_db(self.total / self.frames.max(1) as f64);
        if self.found > 0 {
            return None;
        }
        Some(if self.frames == 0 {
            NoTaps::Empty
        } else if self.peak == 0.0 {
            NoTaps::AllZero
        } else if level_db < SILENCE_DB && amplitude_db(self.peak) < SILENCE_DB + 20.0 {
            NoTaps::Silence {
                peak_db: amplitude_db(self.peak),
                level_db,
            }
        } else if let Some(last) = self.passed_over.back() {
            NoTaps::NotTaps {
                events: self.events,
                level_db,
                last: last.why,
            }
        } else {
            NoTaps::Steady {
                level_db,
                strongest_hz: strongest_hz(tail, self.rate),
            }
        })
    }

    /// Ends the recording; `tail` is some of its last sound.
    pub(super) fn finish(mut self, tail: &[f64]) -> Listened {
        self.close_block();
        Listened {
            frames: self.frames,
            lost: self.lost,
            peak: self.peak,
            background_db: self.background_db(),
            found: self.found,
            why_none: self.why_none(tail),
            passed_over: self.passed_over.into(),
            overview: self.overview,
        }
    }
}

/// Frequency of the strongest line in `x` if it stands 20 dB over the mean of the spectrum.
fn strongest_hz(x: &[f64], rate: SampleRate) -> Option<f64> {
    let n = x.len();
    if n < 256 {
        return None;
    }
    let mean = x.iter().sum::<f64>() / n as f64;
    let mut windowed: Vec<f64> = x
        .iter()
        .enumerate()
        .map(|(i, s)| {
            let w = 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / n as f64).cos();
            (s - mean) * w
        })
        .collect();
    let plan = forward(n);
    let mut spectrum = plan.make_output_vec();
    plan.process(&mut windowed, &mut spectrum).ok()?;
    let power: Vec<f64> = spectrum.iter().map(|c| c.norm_sqr()).collect();
    let average = power.iter().sum::<f64>() / power.len() as f64;
    let (bin, most) = power
        .iter()
        .enumerate()
        .skip(2)
        .max_by(|a, b| a.1.total_cmp(b.1))?;
    (*most > 100.0 * average).then(|| bin as f64 * rate.hz() / n as f64)
}
