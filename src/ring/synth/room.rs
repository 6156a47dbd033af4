//! The echo of a room, as noise that dies away band by band.

use realfft::RealFftPlanner;

use super::noise::{gaussian, seeded, shape};
use crate::units::{LN_1000, SampleRate};

/// A room. The same seed is the same room with everything at the same place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    /// Decay time T60 at 1 kHz in seconds, 0.05 to 3.
    pub t60_s: f64,
    /// T60 at 8 kHz over that at 1 kHz (air and soft things), 0.2 to 1.
    pub treble_share: f64,
    /// Energy of the direct sound at 0.25 m over that of the tail in dB.
    pub direct_over_tail_db: f64,
    /// Which room.
    pub seed: u64,
}

/// Octave bands of the tail by centre in Hz.
const BANDS_HZ: [f64; 8] = [125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0];
/// First reflections come so late.
const FIRST_ECHO_S: f64 = 2e-3;

impl Room {
    /// Decay time in seconds at a frequency: a power law through the two given values.
    pub fn t60_at(&self, freq_hz: f64) -> f64 {
        let t60_s = self.t60_s.clamp(0.05, 3.0);
        let exponent = self.treble_share.clamp(0.2, 1.0).ln() / 8f64.ln();
        t60_s * (freq_hz.max(125.0) / 1000.0).powf(exponent)
    }

    /// Response to a unit impulse, without the direct sound.
    pub fn tail(&self, rate: SampleRate) -> Vec<f64> {
        let start = rate.samples(FIRST_ECHO_S);
        let count = rate.samples(1.1 * self.t60_at(125.0));
        let mut tail = vec![0.0; count];
        for (band, centre_hz) in BANDS_HZ.into_iter().enumerate() {
            let noise = gaussian(count, &mut seeded(self.seed, 2000 + band as u64));
            let part = shape(&noise, rate, |f| octave(f, centre_hz, band));
            let decay = LN_1000 / self.t60_at(centre_hz);
            for (k, (t, p)) in tail.iter_mut().zip(part).enumerate().skip(start) {
                *t += p * (-decay * rate.seconds(k)).exp();
            }
        }
        let energy: f64 = tail.iter().map(|t| t * t).sum();
        let gain = (10f64.powf(-self.direct_over_tail_db / 10.0) / energy.max(1e-300)).sqrt();
        tail.iter_mut().for_each(|t| *t *= gain);
        tail
    }
}

/// Gain of an octave band; neighbours add up to one in power. The outer bands run on.
fn octave(freq_hz: f64, centre_hz: f64, band: usize) -> f64 {
    let x = (freq_hz.max(1e-3) / centre_hz).log2();
    let open = (band == 0 && x < 0.0) || (band + 1 == BANDS_HZ.len() && x > 0.0);
    if open {
        1.0
    } else if x.abs() >= 1.0 {
        0.0
    } else {
        (std::f64::consts::FRAC_PI_2 * x).cos()
    }
}

/// Linear convolution, cut to the length of `dry`.
pub(super) fn convolve(dry: &[f64], response: &[f64]) -> Vec<f64> {
    if dry.is_empty() || response.is_empty() {
        return vec![0.0; dry.len()];
    }
    let length = (dry.len() + response.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(length);
    let back = planner.plan_fft_inverse(length);
    let spectrum_of = |x: &[f64]| {
        let mut padded = x.to_vec();
        padded.resize(length, 0.0);
        let mut spectrum = forward.make_output_vec();
        // Only fails on wrong lengths, which these are not.
        let _ = forward.process(&mut padded, &mut spectrum);
        spectrum
    };
    let mut product = spectrum_of(dry);
    for (p, r) in product.iter_mut().zip(spectrum_of(response)) {
        *p *= r / length as f64;
    }
    // The two real-valued bins are real but for rounding.
    if let Some(first) = product.first_mut() {
        first.im = 0.0;
    }
    if let Some(last) = product.last_mut() {
        last.im = 0.0;
    }
    let mut out = back.make_output_vec();
    let _ = back.process(&mut product, &mut out);
    out.truncate(dry.len());
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn octaves_add_up_to_one_in_power() {
        for k in 0..400 {
            let f = 20.0 * 2f64.powf(f64::from(k) / 40.0);
            let sum: f64 = BANDS_HZ
                .into_iter()
                .enumerate()
                .map(|(band, centre)| octave(f, centre, band).powi(2))
                .sum();
            assert!((sum - 1.0).abs() < 1e-12, "{f} Hz: {sum}");
        }
    }

    #[test]
    fn a_tail_is_a_tenth_longer_than_its_lowest_decay() {
        let rate = SampleRate::new(8000).unwrap_or_else(|_| unreachable!());
        for (t60_s, treble_share, samples) in [(0.4, 0.5, 7040), (0.001, 1.0, 440)] {
            let room = Room {
                t60_s,
                treble_share,
                direct_over_tail_db: 0.0,
                seed: 1,
            };
            assert_eq!(room.tail(rate).len(), samples);
        }
    }

    #[test]
    fn a_convolution_is_the_sum_of_its_definition() {
        let dry: Vec<f64> = (0..37).map(|n| f64::from(n * n % 11) - 5.0).collect();
        let response: Vec<f64> = (0..9).map(|n| f64::from(n * 7 % 5) - 2.0).collect();
        let wet = convolve(&dry, &response);
        assert_eq!(wet.len(), dry.len());
        for n in 0..dry.len() {
            let sum: f64 = (0..response.len().min(n + 1))
                .map(|k| response[k] * dry[n - k])
                .sum();
            assert!((wet[n] - sum).abs() < 1e-9, "{n}");
        }
        assert_eq!(convolve(&dry, &[]), vec![0.0; 37]);
        assert!(convolve(&[], &response).is_empty());
    }

    #[test]
    fn the_decay_time_goes_with_a_power_of_the_frequency() {
        let room = Room {
            t60_s: 0.4,
            treble_share: 0.5,
            direct_over_tail_db: 0.0,
            seed: 1,
        };
        for (hz, t60_s) in [
            (1000.0, 0.4),
            (8000.0, 0.2),
            (125.0, 0.8),
            (50.0, 0.8),
            (64_000.0, 0.1),
        ] {
            assert!((room.t60_at(hz) - t60_s).abs() < 1e-12, "{hz}");
        }
    }
}
