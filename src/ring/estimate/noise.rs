//! Noise density from a quiet stretch: the variance per sample that white noise of the same
//! local level would have.

use realfft::RealFftPlanner;

/// Smoothed noise density over frequency.
///
/// Hann periodograms of half-overlapping segments; on a coarse grid the 30 % quantile over
/// +-375 Hz, divided by the 30 % quantile that white noise of unit variance gives with as many
/// segments. Long segments and a low quantile step over hum combs and machine tones.
#[derive(Debug, Clone)]
pub struct NoiseDensity {
    step_hz: f64,
    values: Vec<f64>,
}

/// Smallest density: quantisation noise of a 24-bit recording.
const FLOOR: f64 = 1e-15;

impl NoiseDensity {
    /// From at least 64 samples of noise; shorter stretches give the floor everywhere.
    pub fn new(quiet: &[f64], rate_hz: f64) -> Self {
        let step_hz = (rate_hz / 2.0 / 64.0).min(47.0);
        let steps = (rate_hz / 2.0 / step_hz) as usize + 1;
        if quiet.len() < 64 {
            return Self {
                step_hz,
                values: vec![FLOOR; steps],
            };
        }
        let target = (rate_hz * 0.17) as usize;
        let mut len = 64;
        while len * 2 <= quiet.len() && len * 2 <= target.max(64) {
            len *= 2;
        }
        let (power, segments) = periodogram(quiet, len);
        let correction = white_quantile(segments);
        let bin_hz = rate_hz / len as f64;
        let values = (0..steps)
            .map(|k| {
                let f = k as f64 * step_hz;
                let reach = (375.0 / bin_hz).ceil().max(4.0);
                let centre = f / bin_hz;
                let from = (centre - reach).max(1.0) as usize;
                let to = ((centre + reach) as usize).min(power.len() - 2).max(from);
                let mut window: Vec<f64> = power[from.min(to)..=to].to_vec();
                let at = (window.len() - 1) * 3 / 10;
                let (_, v, _) = window.select_nth_unstable_by(at, f64::total_cmp);
                (*v / correction).max(FLOOR)
            })
            .collect();
        Self { step_hz, values }
    }

    /// Variance per sample at a frequency, linear between grid points.
    pub fn at(&self, freq_hz: f64) -> f64 {
        let x = (freq_hz / self.step_hz).max(0.0);
        let last = self.values.len() - 1;
        let k = (x as usize).min(last);
        let next = (k + 1).min(last);
        let part = (x - k as f64).clamp(0.0, 1.0);
        self.values[k] * (1.0 - part) + self.values[next] * part
    }

    /// Mean over a band.
    pub fn mean(&self, from_hz: f64, to_hz: f64) -> f64 {
        let count = 16;
        (0..=count)
            .map(|k| self.at(from_hz + (to_hz - from_hz) * f64::from(k) / f64::from(count)))
            .sum::<f64>()
            / f64::from(count + 1)
    }
}

/// Mean Hann periodogram scaled so that white noise of variance v gives v, and the number of
/// segments.
fn periodogram(x: &[f64], len: usize) -> (Vec<f64>, usize) {
    let window: Vec<f64> = (0..len)
        .map(|n| 0.5 - 0.5 * (std::f64::consts::TAU * (n as f64 + 0.5) / len as f64).cos())
        .collect();
    let gain: f64 = window.iter().map(|w| w * w).sum();
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(len);
    let mut input = fft.make_input_vec();
    let mut output = fft.make_output_vec();
    let mut power = vec![0.0; output.len()];
    let mut segments = 0;
    let mut from = 0;
    while from + len <= x.len() {
        for ((i, s), w) in input.iter_mut().zip(&x[from..from + len]).zip(&window) {
            *i = s * w;
        }
        if fft.process(&mut input, &mut output).is_err() {
            break;
        }
        for (p, o) in power.iter_mut().zip(&output) {
            *p += o.norm_sqr() / gain;
        }
        segments += 1;
        from += len / 2;
    }
    for p in &mut power {
        *p /= f64::from(segments.max(1));
    }
    (power, segments as usize)
}

/// 30 % quantile of the mean of `segments` Hann periodograms, half overlapped, of unit white
/// noise: a gamma law with the equivalent number of independent segments, by Wilson and
/// Hilferty's cube. Half-overlapped Hann segments are correlated by 1/36 in power
/// (Welch 1967), hence 0.947 of their number count.
fn white_quantile(segments: usize) -> f64 {
    if segments <= 1 {
        return -(0.7f64.ln());
    }
    let k = 1.0 + 0.947 * (segments as f64 - 1.0);
    let z30 = -0.524_400_5;
    let c = 1.0 / (9.0 * k);
    (1.0 - c + z30 * c.sqrt()).powi(3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn white_noise_gives_its_variance() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        for len in [1_000, 4_800, 28_800] {
            let x: Vec<f64> = (0..len)
                .map(|_| {
                    let v: f64 = StandardNormal.sample(&mut rng);
                    0.01 * v
                })
                .collect();
            let s = NoiseDensity::new(&x, 48_000.0).mean(1_000.0, 20_000.0);
            // The quantile over about 10 to 130 bins scatters by a few per cent once averaged.
            assert!((s / 1e-4 - 1.0).abs() < 0.15, "{len}: {s}");
        }
    }
}
