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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::listen::tests::{rate, signs};

    fn listened(samples: &[f64]) -> Listened {
        let mut summary = Summary::new(rate());
        summary.hear(samples);
        summary.finish(samples)
    }

    fn tone(n: usize, w: f64, gain: f64) -> Vec<f64> {
        (0..n).map(|i| gain * (w * i as f64).sin()).collect()
    }

    // Signs of amplitude a have the power a^2 in each block of 80 samples, less the square of
    // their mean, about 1/80 of it: 0.05 dB. A level is told to a quarter of a dB.
    #[test]
    fn the_background_is_the_level_of_a_tenth_of_the_blocks() {
        for level_db in [-170.0, -60.3, -12.0, 0.0, 40.0] {
            let gain = 10f64.powf(level_db / 20.0);
            let x: Vec<f64> = signs(8_000, 1).iter().map(|s| gain * s).collect();
            let told = listened(&x).background_db;
            assert!((told - level_db).abs() < 0.6, "{level_db}: {told}");
        }
        // Ten of a hundred blocks are soft: that is a tenth. With nine it is the loud ones.
        for (soft, level_db) in [(10, -40.0), (9, 0.0)] {
            let x: Vec<f64> = (0..8_000)
                .map(|i| {
                    let sign = if i % 2 == 0 { 1.0 } else { -1.0 };
                    sign * if i < 80 * soft { 0.01 } else { 1.0 }
                })
                .collect();
            let told = listened(&x).background_db;
            assert!((told - level_db).abs() < 0.26, "{soft}: {told}");
        }
    }

    // 10 ms blocks whose level is at the middle of a bin of half a dB are told exactly.
    #[test]
    fn a_level_in_the_middle_of_its_bin_is_told_as_it_is() {
        let gain = 10f64.powf(-30.25 / 20.0);
        let x: Vec<f64> = (0..800)
            .map(|i| gain * if i % 2 == 0 { 1.0 } else { -1.0 })
            .collect();
        assert!((listened(&x).background_db + 30.25).abs() < 1e-9);
    }

    #[test]
    fn levels_end_at_100_db() {
        let x: Vec<f64> = (0..800)
            .map(|i| if i % 2 == 0 { 1e6 } else { -1e6 })
            .collect();
        assert!((listened(&x).background_db - 99.75).abs() < 1e-9);
    }

    #[test]
    fn an_offset_is_no_level() {
        let flat = listened(&[0.3; 800]);
        assert_eq!(flat.background_db, f64::NEG_INFINITY);
        assert!((flat.peak - 0.3).abs() < 1e-15);
        let x: Vec<f64> = (0..800)
            .map(|i| 0.3 + if i % 2 == 0 { 0.01 } else { -0.01 })
            .collect();
        let told = listened(&x);
        assert!((told.background_db + 40.0).abs() < 0.26, "{told:?}");
        assert!((told.peak - 0.31).abs() < 1e-12);
        let level = matches!(told.why_none, Some(NoTaps::Steady { level_db, .. })
            if (level_db + 40.0).abs() < 1e-6);
        assert!(level, "{told:?}");
        assert_eq!(listened(&[]).background_db, f64::NEG_INFINITY);
    }

    #[test]
    fn blocks_do_not_depend_on_the_pieces_and_the_last_may_be_short() {
        let x: Vec<f64> = signs(1_234, 2)
            .iter()
            .enumerate()
            .map(|(i, s)| s * (1.0 + i as f64) * 1e-4)
            .collect();
        let whole = listened(&x);
        assert_eq!(whole.frames, 1_234);
        for piece in [1, 7, 79, 80, 81, 500] {
            let mut summary = Summary::new(rate());
            for part in x.chunks(piece) {
                summary.hear(part);
            }
            assert_eq!(summary.histogram.iter().sum::<u64>(), 15);
            assert_eq!(summary.finish(&x), whole, "{piece}");
        }
        // The mean power is that of all samples but for the means of blocks: some hundredths.
        let power = x.iter().map(|v| v * v).sum::<f64>() / 1_234.0;
        let level = matches!(whole.why_none, Some(NoTaps::Steady { level_db, .. })
            if (level_db - power_db(power)).abs() < 0.2);
        assert!(level, "{whole:?}");
    }

    #[test]
    fn an_empty_a_muted_and_a_silent_recording_are_told_apart() {
        assert_eq!(listened(&[]).why_none, Some(NoTaps::Empty));
        assert_eq!(listened(&[0.0; 100]).why_none, Some(NoTaps::AllZero));
        let signs = |level_db: f64, peak_db: f64| {
            let (gain, peak) = (10f64.powf(level_db / 20.0), 10f64.powf(peak_db / 20.0));
            let mut x: Vec<f64> = (0..80_000)
                .map(|i| gain * if i % 2 == 0 { 1.0 } else { -1.0 })
                .collect();
            x[4_000] = peak;
            listened(&x).why_none.unwrap()
        };
        // One sample of 80,000 at -56 dB is -105 dB of the mean power.
        let silent = signs(-76.0, -56.0);
        let right = matches!(silent, NoTaps::Silence { peak_db, level_db }
            if (peak_db + 56.0).abs() < 1e-9 && (level_db + 76.0).abs() < 0.01);
        assert!(right, "{silent:?}");
        assert!(matches!(signs(-75.1, -55.1), NoTaps::Silence { .. }));
        assert!(matches!(signs(-74.9, -56.0), NoTaps::Steady { .. }));
        assert!(matches!(signs(-76.0, -54.9), NoTaps::Steady { .. }));
    }

    #[test]
    fn the_last_64_sounds_that_were_passed_over_are_kept_and_all_are_counted() {
        let mut summary = Summary::new(rate());
        summary.hear(&tone(800, 0.5, 0.5));
        for k in 0..70 {
            let rise_ms = k as f64;
            summary.pass_over(k * 4_000, NotATap::SlowRise { rise_ms });
        }
        let told = summary.finish(&[]);
        assert_eq!(told.passed_over.len(), 64);
        assert!((told.passed_over[0].time_s - 3.0).abs() < 1e-12);
        assert_eq!(told.passed_over[0].why, NotATap::SlowRise { rise_ms: 6.0 });
        let right = matches!(told.why_none, Some(NoTaps::NotTaps { events: 70, level_db, last })
            if last == NotATap::SlowRise { rise_ms: 69.0 } && (level_db + 9.03).abs() < 0.1);
        assert!(right, "{:?}", told.why_none);
    }

    #[test]
    fn where_a_tap_was_found_nothing_is_to_be_explained() {
        let mut summary = Summary::new(rate());
        summary.found = 1;
        summary.lose(5);
        summary.lose(7);
        let told = summary.finish(&[]);
        assert_eq!((told.found, told.lost, told.why_none), (1, 12, None));
    }

    // A line in the middle of a bin of 8000/1000 Hz is told as that bin.
    #[test]
    fn the_strongest_line_is_told_where_it_stands_20_db_over_the_mean() {
        let line = |bin: f64| tone(1_000, std::f64::consts::TAU * bin / 1_000.0, 0.3);
        for bin in [3.0, 50.0, 333.0] {
            let hz = strongest_hz(&line(bin), rate()).unwrap();
            assert!((hz - 8.0 * bin).abs() < 1e-9, "{bin}: {hz}");
        }
        // Offsets are taken off; below the third bin nothing is a line.
        let offset: Vec<f64> = line(50.0).iter().map(|v| v + 5.0).collect();
        assert_eq!(strongest_hz(&offset, rate()), Some(400.0));
        assert_eq!(strongest_hz(&signs(1_000, 3), rate()), None);
        let line = line(50.0);
        // Two thirds of a line's power in one of n/2 + 1 bins are 100 times the mean from some 300
        // samples on.
        assert_eq!(strongest_hz(&line[..320], rate()), Some(400.0));
        for few in [0, 1, 255] {
            assert_eq!(strongest_hz(&line[..few], rate()), None);
        }
    }

    // Of n bins, one line of a Hann window has 2/3 of its power in the middle one: with noise
    // whose spectrum is flat the line stands out by (2/3) S / (S + N) n over the mean.
    #[test]
    fn a_line_in_noise_needs_a_power_of_its_own() {
        let heard = |gain: f64| {
            let sign = signs(4_000, 5);
            let x: Vec<f64> = tone(4_000, std::f64::consts::TAU * 500.0 / 4_000.0, 1.0)
                .iter()
                .zip(&sign)
                .map(|(t, s)| gain * t + s)
                .collect();
            strongest_hz(&x, rate())
        };
        // Parts of the power of 0.11 and 0.045: 147 and 60 times the mean.
        assert_eq!(heard(0.5), Some(1_000.0));
        assert_eq!(heard(0.31), None);
    }

    #[test]
    fn a_window_keeps_a_line_between_bins_together() {
        // Halfway between two bins; a Hann window falls by 18 dB an octave, so that nearly all
        // of the power is in four bins and the strongest has 3/8 of it.
        let x = tone(1_000, std::f64::consts::TAU * 50.5 / 1_000.0, 0.3);
        let hz = strongest_hz(&x, rate()).unwrap();
        assert!((hz - 404.0).abs() <= 4.01, "{hz}");
    }
}
