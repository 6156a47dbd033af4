//! How loud the noise is around each frequency, stepping over hum and machine tones.
//!
//! Hann periodograms of half-overlapping segments are averaged (Welch 1967); around
//! every grid frequency a low quantile of the bins is taken, once to find bins that stand out
//! as lines, once more without those; the result is divided by what the same steps give on
//! white noise of variance 1 in as many segments. A low quantile over long segments looks
//! between the teeth of a hum comb.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use statrs::distribution::{ContinuousCDF, Gamma};

use crate::signal::spectrum::Analyzer;
use crate::signal::window::Window;
use crate::units::SampleRate;

/// Shortest stretch that a density is made from, in samples.
pub const SHORTEST: usize = 256;

/// Least density, as variance per sample: -150 dB re full scale squared, just under the
/// rounding noise of 24-bit samples (1.2e-15) and 49 dB under that of 16-bit ones (7.8e-11).
/// Digital silence gets this, so that ratios over it stay finite.
pub const FLOOR_VARIANCE: f64 = 1e-15;

/// Share of the bins around a frequency that lie below the level taken.
const QUANTILE: f64 = 0.3;
/// Half of the span around a grid frequency that the quantile is taken over.
const HALF_SPAN_HZ: f64 = 375.0;
/// Distance of grid frequencies (not less than one bin).
const GRID_HZ: f64 = 47.0;
/// Length of a long segment: 8192 samples at 48 kHz, as near as a power of two comes.
const SEGMENT_S: f64 = 8192.0 / 48_000.0;
/// A bin is a line when noise alone would exceed it with this probability.
const LINE_CHANCE: f64 = 1e-3;
/// Bins on either side that a line spoils with the main lobe of the Hann taper.
const LINE_SKIRT: usize = 2;
/// Segments beyond this many change the calibration by less than its own scatter.
const CALIBRATION_SEGMENTS: usize = 64;
/// Standard error aimed at in the calibration.
const CALIBRATION_ERROR: f64 = 0.0025;
/// Entries kept in the memory of calibrations.
const CALIBRATION_KEPT: usize = 4096;

/// Noise over frequency as the variance per sample that white noise of the same local
/// level would have.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseDensity {
    grid_hz: f64,
    variances: Vec<f64>,
}

impl NoiseDensity {
    /// Measures the noise in a stretch that holds nothing else, from 0 Hz to half the rate.
    ///
    /// None for fewer than [`SHORTEST`] samples. The mean is removed first. Resolution: the span of
    /// +-375 Hz (or +-2 bins where that is more) is one value, so a slope inside it is
    /// smoothed: pink noise reads up to 1.5 dB low at 400 Hz, 0.3 dB from 1 kHz on. Nearer to
    /// 0 Hz or half the rate than 375 Hz the nearest full span is taken. A click in the stretch
    /// raises everything; a steady tone or a hum comb of 50 Hz raises its neighbourhood by less
    /// than 0.5 dB.
    pub fn of(quiet: &[f64], rate: SampleRate) -> Option<Self> {
        if quiet.len() < SHORTEST {
            return None;
        }
        let layout = Layout::new(quiet.len(), rate);
        let mean = quiet.iter().sum::<f64>() / quiet.len() as f64;
        let centred: Vec<f64> = quiet.iter().map(|v| v - mean).collect();
        let mut analyzer = Analyzer::new(Window::Hann, layout.segment, layout.segment);
        let power = mean_periodogram(&centred, &mut analyzer);
        let unit = calibration(layout.segments.min(CALIBRATION_SEGMENTS), layout.half_span);
        let variances = layout
            .quantiles(&power)
            .into_iter()
            .map(|q| (q / unit).max(FLOOR_VARIANCE))
            .collect();
        Some(Self {
            grid_hz: layout.grid_bins * rate.hz() / layout.segment as f64,
            variances,
        })
    }

    /// The same level at all frequencies (raised to [`FLOOR_VARIANCE`] where lower).
    pub fn white(variance: f64) -> Self {
        Self {
            grid_hz: 1.0,
            variances: vec![variance.max(FLOOR_VARIANCE)],
        }
    }

    /// Levels at 0, `grid_hz`, 2 `grid_hz` and so on, for tests.
    #[cfg(test)]
    pub fn made_up(grid_hz: f64, variances: Vec<f64>) -> Self {
        Self { grid_hz, variances }
    }

    /// Variance per sample around a frequency in Hz, at least [`FLOOR_VARIANCE`]; linear
    /// between grid points, constant beyond the ends.
    pub fn at(&self, freq_hz: f64) -> f64 {
        let last = self.variances.len().saturating_sub(1);
        // The cast sends NaN and negative numbers to 0.
        let place = (freq_hz / self.grid_hz).clamp(0.0, last as f64);
        let low = (place as usize).min(last);
        let share = if place.is_nan() {
            0.0
        } else {
            place - low as f64
        };
        let high = (low + 1).min(last);
        self.variances[low] * (1.0 - share) + self.variances[high] * share
    }

    /// Mean of [`NoiseDensity::at`] over a band in Hz, from 17 places.
    pub fn mean(&self, from_hz: f64, to_hz: f64) -> f64 {
        let places = 16;
        let at = |k: i32| from_hz + (to_hz - from_hz) * f64::from(k) / f64::from(places);
        (0..=places).map(|k| self.at(at(k))).sum::<f64>() / f64::from(places + 1)
    }

    /// The density in squared units per Hz, one-sided, around a frequency in Hz.
    pub fn per_hz(&self, freq_hz: f64, rate: SampleRate) -> f64 {
        self.at(freq_hz) / (0.5 * rate.hz())
    }
}

/// How a stretch is cut up and which bins go together.
struct Layout {
    segment: usize,
    segments: usize,
    /// Bins on either side of the middle one.
    half_span: usize,
    grid_bins: f64,
    line_over_quantile: f64,
}

impl Layout {
    fn new(len: usize, rate: SampleRate) -> Self {
        let wanted = (SEGMENT_S * rate.hz()).log2().round().exp2() as usize;
        let longest = 1_usize << len.ilog2();
        let segment = wanted.min(longest).max(SHORTEST);
        let bin_hz = rate.hz() / segment as f64;
        let half_span = ((HALF_SPAN_HZ / bin_hz).round() as usize).max(2);
        Self::of_shape(
            segment,
            2 * (len / segment) - 1 + usize::from(len % segment >= segment / 2),
            half_span,
            (GRID_HZ / bin_hz).max(1.0),
        )
    }

    fn of_shape(segment: usize, segments: usize, half_span: usize, grid_bins: f64) -> Self {
        let line_over_quantile = line_limit(segments);
        Self {
            segment,
            segments,
            half_span,
            grid_bins,
            line_over_quantile,
        }
    }

    /// The quantile at every grid frequency from 0 to half the rate.
    fn quantiles(&self, power: &[f64]) -> Vec<f64> {
        let points = ((power.len() - 1) as f64 / self.grid_bins).floor() as usize + 1;
        let mut work = Vec::new();
        let spans: Vec<(usize, usize)> = (0..points)
            .map(|g| self.span((g as f64 * self.grid_bins).round() as usize, power.len()))
            .collect();
        let first: Vec<f64> = spans
            .iter()
            .map(|&(low, high)| {
                work.clear();
                work.extend_from_slice(&power[low..high]);
                quantile(&mut work)
            })
            .collect();
        let lines = self.lines(power, &first);
        spans
            .iter()
            .zip(&first)
            .map(|(&(low, high), &plain)| {
                work.clear();
                work.extend((low..high).filter(|k| !lines[*k]).map(|k| power[k]));
                // With hardly a bin left the lines are the noise.
                if work.len() * 5 < high - low || work.len() < 3 {
                    plain
                } else {
                    quantile(&mut work)
                }
            })
            .collect()
    }

    /// Bins from which the quantile around `middle` is taken: always as many, moved inwards at
    /// the ends, without 0 Hz and half the rate (their chances are different).
    fn span(&self, middle: usize, bins: usize) -> (usize, usize) {
        let width = 2 * self.half_span + 1;
        let low = middle.saturating_sub(self.half_span).max(1);
        let high = (low + width).min(bins - 1).max(2);
        (high.saturating_sub(width).max(1), high)
    }

    /// Marks bins that stand out over the quantile around them, and the skirts of their maxima.
    fn lines(&self, power: &[f64], around: &[f64]) -> Vec<bool> {
        let over = |k: usize| {
            let g = ((k as f64 / self.grid_bins).round() as usize).min(around.len() - 1);
            power[k] > around[g] * self.line_over_quantile
        };
        let mut marked = vec![false; power.len()];
        for k in (0..power.len()).filter(|k| over(*k)) {
            // Only a maximum spoils its neighbours: marking around every bin of a main lobe
            // would leave nothing between the teeth of a comb.
            let highest = (k == 0 || power[k - 1] <= power[k])
                && power.get(k + 1).is_none_or(|next| *next <= power[k]);
            let skirt = if highest { LINE_SKIRT } else { 0 };
            let high = (k + skirt + 1).min(power.len());
            marked[k.saturating_sub(skirt)..high].fill(true);
        }
        marked
    }
}

/// How far over the low quantile of noise a bin must be to be a line. The averaged
/// periodogram of noise follows a gamma law; half-overlapping Hann segments have a
/// power correlation of 1/36 (Welch 1967), which takes a little off their number.
fn line_limit(segments: usize) -> f64 {
    let n = segments as f64;
    let shape = n / (1.0 + 2.0 / 36.0 * (n - 1.0) / n);
    // Where the law cannot be made (it can for every shape over 0): one segment's, -ln(p).
    Gamma::new(shape, shape).map_or(LINE_CHANCE.ln() / (1.0 - QUANTILE).ln(), |law| {
        law.inverse_cdf(1.0 - LINE_CHANCE) / law.inverse_cdf(QUANTILE)
    })
}

/// The quantile, between order statistics where it falls there. Reorders its input, which
/// is not empty.
fn quantile(values: &mut [f64]) -> f64 {
    let place = QUANTILE * (values.len() - 1) as f64;
    let index = place as usize;
    let (_, &mut low, rest) = values.select_nth_unstable_by(index, f64::total_cmp);
    let high = rest.iter().copied().fold(f64::INFINITY, f64::min);
    if high.is_finite() {
        low + (high - low) * (place - index as f64)
    } else {
        low
    }
}

/// Mean over half-overlapping segments of `|X|^2 / sum w^2`: variance per sample.
fn mean_periodogram(samples: &[f64], analyzer: &mut Analyzer) -> Vec<f64> {
    let segment = analyzer.window_len();
    let square_sum = analyzer.square_sum();
    let mut power = vec![0.0; segment / 2 + 1];
    let mut count = 0.0;
    let mut start = 0;
    while start + segment <= samples.len() {
        for (p, x) in power
            .iter_mut()
            .zip(analyzer.transform(&samples[start..start + segment]))
        {
            *p += x.norm_sqr();
        }
        count += 1.0;
        start += segment / 2;
    }
    for p in &mut power {
        *p /= square_sum * count;
    }
    power
}

/// Mean of the quantiles that the same steps give on white noise of variance 1.
///
/// It depends on the number of segments and on the bins under the quantile, hardly on the
/// length of a segment, so a short one stands in. The noise is seeded: always the same number. Results
/// are remembered, which changes the time taken and nothing else.
fn calibration(segments: usize, half_span: usize) -> f64 {
    static KNOWN: Mutex<BTreeMap<(usize, usize), f64>> = Mutex::new(BTreeMap::new());
    let key = (segments, half_span);
    let known = KNOWN
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
        .get(&key)
        .copied();
    known.unwrap_or_else(|| {
        let value = calibrate(segments, half_span);
        let mut memory = KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
        if memory.len() >= CALIBRATION_KEPT {
            memory.clear();
        }
        memory.insert(key, value);
        value
    })
}

fn calibrate(segments: usize, half_span: usize) -> f64 {
    let width = 2 * half_span + 1;
    let segment = (4 * width).next_power_of_two().max(SHORTEST);
    let grid_bins = (width as f64 / 6.0).max(1.0);
    let layout = Layout::of_shape(segment, segments, half_span, grid_bins);
    let mut analyzer = Analyzer::new(Window::Hann, segment, segment);
    let mut samples = vec![0.0; segment / 2 * (segments + 1)];
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    // A quantile of n averaged values scatters by about 1.3/sqrt(n) of itself; Hann makes 3
    // neighbouring bins count as 2, and a segment has segment/2/width separate spans.
    let per_run = (segment as f64 / 3.0) * segments as f64;
    let runs = ((1.3 / CALIBRATION_ERROR).powi(2) / per_run)
        .ceil()
        .max(4.0) as usize;
    let mut sum = 0.0;
    let mut count = 0.0;
    for _ in 0..runs {
        for s in &mut samples {
            *s = StandardNormal.sample(&mut rng);
        }
        for q in layout.quantiles(&mean_periodogram(&samples, &mut analyzer)) {
            sum += q;
            count += 1.0;
        }
    }
    sum / count
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn white(n: usize, seed: u64) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..n).map(|_| StandardNormal.sample(&mut rng)).collect()
    }

    fn rate(hz: u32) -> SampleRate {
        SampleRate::new(hz).unwrap()
    }

    /// Mean over frequencies in dB of the estimate over the true variance.
    fn mean_over(density: &NoiseDensity, truth: impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
        let steps = 200;
        (0..steps)
            .map(|i| {
                let f = from + (to - from) * f64::from(i) / f64::from(steps);
                density.at(f) / truth(f)
            })
            .sum::<f64>()
            / f64::from(steps)
    }

    #[test]
    fn white_noise_shows_its_variance_at_any_length_and_rate() {
        for (hz, n, rounds, tolerance) in [
            (48_000, 28_800, 20, 0.01),
            (48_000, 2_048, 100, 0.02),
            (48_000, 256, 800, 0.03),
            (44_100, 5_000, 60, 0.02),
            (8_000, 256, 800, 0.03),
            (8_000, 4_800, 60, 0.02),
            (192_000, 115_200, 8, 0.01),
            (192_000, 256, 800, 0.03),
            (48_000, 480_000, 2, 0.02),
        ] {
            let mean = (0..rounds)
                .map(|seed| {
                    let d = NoiseDensity::of(&white(n, seed), rate(hz)).unwrap();
                    mean_over(&d, |_| 1.0, 0.0, 0.5 * f64::from(hz))
                })
                .sum::<f64>()
                / rounds as f64;
            assert!(
                (mean - 1.0).abs() < tolerance,
                "{hz} Hz, {n} samples: {mean}"
            );
        }
    }

    /// Noise whose density falls as 1/f: white noise shaped in a transform of all of it.
    fn pink(n: usize, seed: u64) -> Vec<f64> {
        let mut planner = realfft::RealFftPlanner::<f64>::new();
        let forward = planner.plan_fft_forward(n);
        let mut x = white(n, seed);
        let mut bins = forward.make_output_vec();
        forward.process(&mut x, &mut bins).unwrap();
        for (k, b) in bins.iter_mut().enumerate() {
            let f = k as f64 * 48_000.0 / n as f64;
            *b *= if k == 0 {
                0.0
            } else {
                (1_000.0 / f).sqrt() / n as f64
            };
        }
        let last = bins.len() - 1;
        bins[last].im = 0.0;
        planner
            .plan_fft_inverse(n)
            .process(&mut bins, &mut x)
            .unwrap();
        x
    }

    #[test]
    fn pink_noise_shows_its_slope() {
        for (f, tolerance_db) in [
            (400.0, 1.5),
            (1_000.0, 0.4),
            (4_000.0, 0.3),
            (12_000.0, 0.3),
        ] {
            let mean = (0..20)
                .map(|seed| {
                    NoiseDensity::of(&pink(28_800, seed), rate(48_000))
                        .unwrap()
                        .at(f)
                })
                .sum::<f64>()
                / 20.0;
            let db = 10.0 * (mean / (1_000.0 / f)).log10();
            assert!(db.abs() < tolerance_db, "{f} Hz: {db} dB");
        }
    }

    // Hum at 50 Hz and all its harmonics to 3 kHz, each 20 dB over the noise in a bin, and a
    // machine tone 50 dB over it.
    #[test]
    fn hum_and_a_tone_are_stepped_over() {
        let n = 28_800;
        let mut ratios = [0.0; 4];
        let rounds = 10;
        for seed in 0..rounds {
            let plain = white(n, seed);
            let hummed: Vec<f64> = plain
                .iter()
                .enumerate()
                .map(|(i, v)| {
                    let turn = std::f64::consts::TAU * i as f64 / 48_000.0;
                    let comb: f64 = (1..=60)
                        .map(|h| 0.27 * (turn * 50.0 * f64::from(h) + f64::from(h * h)).sin())
                        .sum();
                    v + comb + 8.0 * (turn * 5_003.0).sin()
                })
                .collect();
            let density = NoiseDensity::of(&hummed, rate(48_000)).unwrap();
            for (ratio, (from, to)) in ratios.iter_mut().zip([
                (100.0, 600.0),
                (600.0, 2_500.0),
                (4_800.0, 5_200.0),
                (8_000.0, 20_000.0),
            ]) {
                *ratio += mean_over(&density, |_| 1.0, from, to) / rounds as f64;
            }
        }
        for ratio in ratios {
            assert!((10.0 * ratio.log10()).abs() < 0.5, "{ratios:?}");
        }
    }

    #[test]
    fn silence_has_the_floor_and_too_short_has_nothing() {
        let d = NoiseDensity::of(&[0.0; 4_000], rate(48_000)).unwrap();
        assert_eq!(d.at(1_000.0), FLOOR_VARIANCE);
        let d = NoiseDensity::of(&[0.5; 256], rate(8_000)).unwrap();
        assert_eq!(d.at(4_000.0), FLOOR_VARIANCE);
        assert_eq!(d.at(f64::NAN), FLOOR_VARIANCE);
        assert!(NoiseDensity::of(&[0.0; 255], rate(8_000)).is_none());
        assert_eq!(NoiseDensity::white(2.0).at(777.0), 2.0);
        let per_hz = NoiseDensity::white(2.0).per_hz(777.0, rate(8_000));
        assert!((per_hz - 2.0 / 4_000.0).abs() < 1e-15);
    }

    // SciPy 1.x, gamma.ppf(0.999, k) / gamma.ppf(0.3, k) with k = n / (1 + (2/36) (n - 1)/n); of one
    // segment ln(1000) / -ln(0.7).
    #[test]
    fn limits_of_lines_are_those_of_the_gamma_law() {
        for (segments, limit) in [
            (1, 19.367_088_707),
            (2, 8.645_767_423),
            (8, 3.187_241_899),
            (64, 1.554_537_018),
        ] {
            assert!(
                (line_limit(segments) / limit - 1.0).abs() < 1e-6,
                "{segments}"
            );
        }
    }

    // Linear between order statistics: type 7 of Hyndman and Fan 1996 (from memory).
    #[test]
    fn the_quantile_lies_between_order_statistics() {
        let mut tens: Vec<f64> = (0..=10).rev().map(f64::from).collect();
        assert!((quantile(&mut tens) - 3.0).abs() < 1e-12);
        assert!((quantile(&mut [5.0, 1.0]) - 2.2).abs() < 1e-12);
        assert!((quantile(&mut [4.0, 1.0, 2.0]) - 1.6).abs() < 1e-12);
        assert_eq!(quantile(&mut [7.0]), 7.0);
    }

    #[test]
    fn spans_hold_as_many_bins_everywhere_and_neither_end() {
        let layout = Layout::of_shape(256, 1, 5, 1.0);
        for middle in 0..129 {
            let (low, high) = layout.span(middle, 129);
            assert_eq!(high - low, 11, "{middle}");
            assert!(low >= 1 && high <= 128, "{middle}");
            if (6..=122).contains(&middle) {
                assert_eq!(low, middle - 5);
            }
        }
        // Fewer bins than a span: all but the ends.
        assert_eq!(Layout::of_shape(8, 1, 5, 1.0).span(2, 5), (1, 4));
    }

    #[test]
    fn segments_overlap_by_half_and_the_grid_keeps_its_distance() {
        for (len, hz, segment, segments, half_span, grid_bins) in [
            (28_800, 48_000, 8192, 6, 64, 8.021),
            (8_192, 48_000, 8192, 1, 64, 8.021),
            (12_288, 48_000, 8192, 2, 64, 8.021),
            (12_287, 48_000, 8192, 1, 64, 8.021),
            (256, 48_000, 256, 1, 2, 1.0),
            (300, 8_000, 256, 1, 12, 1.504),
            (192_000, 192_000, 32_768, 10, 64, 8.021),
        ] {
            let layout = Layout::new(len, rate(hz));
            let shape = (layout.segment, layout.segments, layout.half_span);
            assert_eq!(shape, (segment, segments, half_span), "{len} at {hz} Hz");
            assert!(
                (layout.grid_bins - grid_bins).abs() < 1e-3,
                "{len} at {hz} Hz"
            );
            let mut analyzer = Analyzer::new(Window::Hann, segment, segment);
            // As many as are counted are transformed: their mean is that of each when all are alike.
            let comb: Vec<f64> = (0..len)
                .map(|i| f64::from(u8::from(i % (segment / 2) == 7)))
                .collect();
            let all = mean_periodogram(&comb, &mut analyzer);
            let one = mean_periodogram(&comb[..segment], &mut analyzer);
            for (a, b) in all.iter().zip(&one) {
                assert!((a - b).abs() < 1e-9 * b.max(1e-9), "{len} at {hz} Hz");
            }
        }
    }

    // Bins are bounded by what their neighbours say: a maximum takes two on either side along, the
    // flank of one none.
    #[test]
    fn a_line_is_marked_with_its_skirts() {
        let layout = Layout::of_shape(256, 8, 5, 1.0);
        let around = [1.0; 129];
        let marked = |high: &[(usize, f64)]| -> Vec<usize> {
            let mut power = vec![1.0; 129];
            for (k, p) in high {
                power[*k] = *p;
            }
            let lines = layout.lines(&power, &around);
            (0..129).filter(|k| lines[*k]).collect()
        };
        assert_eq!(marked(&[(40, 4.0)]), [38, 39, 40, 41, 42]);
        assert_eq!(marked(&[(40, 3.1)]), Vec::<usize>::new());
        assert_eq!(
            marked(&[(40, 9.0), (41, 4.0), (42, 3.5), (43, 3.3)]),
            [38, 39, 40, 41, 42, 43]
        );
        assert_eq!(marked(&[(0, 4.0)]), [0, 1, 2]);
        assert_eq!(marked(&[(128, 4.0)]), [126, 127, 128]);
    }

    #[test]
    fn between_the_grid_the_density_is_a_line() {
        let density = NoiseDensity {
            grid_hz: 100.0,
            variances: vec![1.0, 2.0, 3.0, 4.0, 5.0],
        };
        for (hz, variance) in [
            (0.0, 1.0),
            (-5.0, 1.0),
            (25.0, 1.25),
            (350.0, 4.5),
            (400.0, 5.0),
            (900.0, 5.0),
        ] {
            assert!((density.at(hz) - variance).abs() < 1e-12, "{hz}");
        }
        assert!((density.mean(100.0, 300.0) - 3.0).abs() < 1e-12);
        assert!((density.mean(50.0, 150.0) - 2.0).abs() < 1e-12);
        assert!((density.mean(20.0, 20.0) - 1.2).abs() < 1e-12);
        assert!((density.mean(500.0, 700.0) - 5.0).abs() < 1e-12);
    }

    #[test]
    fn an_offset_is_no_noise() {
        let mut x = white(512, 3);
        // Pairs that cancel: no offset of its own.
        for k in (0..512).step_by(2) {
            x[k + 1] = -x[k];
        }
        let rate = SampleRate::new(48_000).unwrap();
        let alone = NoiseDensity::of(&x, rate).unwrap();
        let raised: Vec<f64> = x.iter().map(|v| v + 5.0).collect();
        let other = NoiseDensity::of(&raised, rate).unwrap();
        for (a, b) in alone.variances.iter().zip(&other.variances) {
            assert!((a / b - 1.0).abs() < 1e-9, "{a} {b}");
        }
    }

    #[test]
    fn the_grid_reaches_half_the_rate() {
        for (len, rate_hz) in [
            (256, 48_000),
            (512, 8_000),
            (20_000, 48_000),
            (9_000, 44_100),
        ] {
            let rate = SampleRate::new(rate_hz).unwrap();
            let density = NoiseDensity::of(&white(len, 4), rate).unwrap();
            let top_hz = (density.variances.len() - 1) as f64 * density.grid_hz;
            let half_hz = 0.5 * rate.hz();
            assert!(
                top_hz < half_hz * (1.0 + 1e-12),
                "{len} {rate_hz}: {top_hz}"
            );
            assert!(
                top_hz > half_hz - density.grid_hz,
                "{len} {rate_hz}: {top_hz}"
            );
        }
        let short = NoiseDensity::of(&white(256, 4), SampleRate::new(48_000).unwrap());
        assert_eq!(short.unwrap().variances.len(), 129);
    }

    /// A line at bin 20 spoils two bins on either side. Where fewer than three of the five around
    /// are left, it is counted as noise.
    #[test]
    fn lines_leave_at_least_three_bins() {
        let layout = Layout::of_shape(256, 1, 2, 1.0);
        let mut power: Vec<f64> = (0..129).map(f64::from).collect();
        power[20] = 1e6;
        let found = layout.quantiles(&power);
        // 0.3 of the way through the sorted: place 1.2 of five, 0.6 of three.
        for (at, expected) in [
            (16, 14.9),
            (17, 15.6),
            (19, 18.2),
            (21, 21.2),
            (23, 23.6),
            (26, 25.2),
        ] {
            assert!((found[at] - expected).abs() < 1e-9, "{at}: {}", found[at]);
        }
    }
}
