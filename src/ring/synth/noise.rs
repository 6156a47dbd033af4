//! What else sounds in a made-up recording, and the random numbers behind all of it.

use std::f64::consts::PI;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use realfft::RealFftPlanner;

use crate::units::SampleRate;

/// A random stream: the same for the same seed and stream, on every machine.
pub(super) fn seeded(seed: u64, stream: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(stream);
    rng
}

/// Steady sound under the taps. Levels are root mean square in dB re full scale (1.0).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Noise {
    /// Gaussian, even over frequency up to half the rate.
    White {
        /// Level.
        rms_db: f64,
    },
    /// Gaussian, power falling as 1/f from 20 Hz up.
    Pink {
        /// Level.
        rms_db: f64,
    },
    /// Mains hum with harmonics falling as 1/k.
    Hum {
        /// 50 or 60 Hz.
        mains_hz: f64,
        /// Number of harmonics, at most 200.
        harmonics: usize,
        /// Level of all together.
        rms_db: f64,
    },
    /// A steady tone of a machine.
    Tone {
        /// Frequency.
        freq_hz: f64,
        /// Level.
        rms_db: f64,
    },
}

impl Noise {
    /// Adds this noise to samples; `rng` decides shape and phases.
    pub(super) fn add(&self, samples: &mut [f64], rate: SampleRate, rng: &mut ChaCha8Rng) {
        let made = match *self {
            Self::White { rms_db } => scaled(gaussian(samples.len(), rng), 1.0, rms_db),
            Self::Pink { rms_db } => {
                let shaped = shape(&gaussian(samples.len(), rng), rate, |f| {
                    if f < 20.0 { 0.0 } else { (20.0 / f).sqrt() }
                });
                let rms = root_mean_square(&shaped);
                scaled(shaped, rms, rms_db)
            }
            Self::Hum {
                mains_hz,
                harmonics,
                rms_db,
            } => {
                let tones: Vec<(f64, f64)> = (1..=harmonics.min(200))
                    .map(|k| (mains_hz * k as f64, 1.0 / k as f64))
                    .collect();
                steady(samples.len(), rate, &tones, rms_db, rng)
            }
            Self::Tone { freq_hz, rms_db } => {
                steady(samples.len(), rate, &[(freq_hz, 1.0)], rms_db, rng)
            }
        };
        for (s, x) in samples.iter_mut().zip(made) {
            *s += x;
        }
    }
}

/// Unit-variance Gaussian samples.
pub(super) fn gaussian(count: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    StandardNormal.sample_iter(rng).take(count).collect()
}

pub(super) fn root_mean_square(samples: &[f64]) -> f64 {
    (samples.iter().map(|s| s * s).sum::<f64>() / samples.len().max(1) as f64).sqrt()
}

fn scaled(mut samples: Vec<f64>, rms: f64, rms_db: f64) -> Vec<f64> {
    let gain = if rms > 0.0 {
        10f64.powf(rms_db / 20.0) / rms
    } else {
        0.0
    };
    samples.iter_mut().for_each(|s| *s *= gain);
    samples
}

/// Sines with random phases; those at or above half the rate are left out.
fn steady(
    count: usize,
    rate: SampleRate,
    tones: &[(f64, f64)],
    rms_db: f64,
    rng: &mut ChaCha8Rng,
) -> Vec<f64> {
    let mut out = vec![0.0; count];
    let mut power = 0.0;
    for &(freq_hz, amplitude) in tones {
        let phase = rng.random::<f64>() * 2.0 * PI;
        if !(freq_hz > 0.0 && freq_hz < 0.5 * rate.hz()) {
            continue;
        }
        power += 0.5 * amplitude * amplitude;
        for (k, s) in out.iter_mut().enumerate() {
            let turns = (freq_hz / rate.hz() * k as f64).fract();
            *s += amplitude * (2.0 * PI * turns + phase).sin();
        }
    }
    scaled(out, power.sqrt(), rms_db)
}

/// Multiplies the spectrum of a signal by a real gain of frequency in Hz (round in time: the
/// signal is taken as periodic).
pub(super) fn shape(samples: &[f64], rate: SampleRate, gain: impl Fn(f64) -> f64) -> Vec<f64> {
    if samples.is_empty() {
        return Vec::new();
    }
    // A length without large prime factors.
    let length = samples.len().next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(length);
    let back = planner.plan_fft_inverse(length);
    let mut time = samples.to_vec();
    time.resize(length, 0.0);
    let mut spectrum = forward.make_output_vec();
    if forward.process(&mut time, &mut spectrum).is_err() {
        return samples.to_vec();
    }
    for (k, bin) in spectrum.iter_mut().enumerate() {
        *bin *= gain(k as f64 * rate.hz() / length as f64) / length as f64;
    }
    if back.process(&mut spectrum, &mut time).is_err() {
        return samples.to_vec();
    }
    time.truncate(samples.len());
    time
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn made(noise: Noise, seed: u64) -> Vec<f64> {
        let mut samples = vec![0.0; 800];
        noise.add(
            &mut samples,
            SampleRate::new(8000).unwrap(),
            &mut seeded(seed, 1),
        );
        samples
    }

    #[test]
    fn tones_beyond_half_the_rate_are_left_out() {
        let tone = |freq_hz: f64| {
            made(
                Noise::Tone {
                    freq_hz,
                    rms_db: -6.0,
                },
                1,
            )
        };
        assert!(tone(3999.0).iter().any(|v| *v != 0.0));
        for freq_hz in [4000.0, 5000.0, 0.0, -300.0, f64::NAN] {
            assert!(tone(freq_hz).iter().all(|v| *v == 0.0), "{freq_hz}");
        }
    }

    /// A quarter of all phases in each quarter: 100 of 400, five deviations of 8.7.
    #[test]
    fn phases_are_spread_all_round() {
        let mut quarters = [0; 4];
        for seed in 0..400 {
            // A period of 8 samples: the third is a quarter later.
            let x = made(
                Noise::Tone {
                    freq_hz: 1000.0,
                    rms_db: 0.0,
                },
                seed,
            );
            quarters[2 * usize::from(x[0] > 0.0) + usize::from(x[2] > 0.0)] += 1;
        }
        assert!(
            quarters.iter().all(|q| (56..145).contains(q)),
            "{quarters:?}"
        );
    }

    #[test]
    fn a_gain_over_frequency_is_applied_as_it_is_given() {
        let rate = SampleRate::new(8000).unwrap();
        let tone = |hz: f64| -> Vec<f64> {
            (0..1024)
                .map(|k| (2.0 * PI * hz * f64::from(k) / 8000.0).sin())
                .collect()
        };
        // Whole periods in 1024 samples.
        let (low, high) = (tone(500.0), tone(2000.0));
        let both: Vec<f64> = low.iter().zip(&high).map(|(a, b)| a + b).collect();
        let shaped = shape(&both, rate, |f| if f < 1000.0 { 0.5 } else { 3.0 });
        for ((s, l), h) in shaped.iter().zip(&low).zip(&high) {
            assert!((s - 0.5 * l - 3.0 * h).abs() < 1e-9);
        }
        assert!(shape(&[], rate, |_| 1.0).is_empty());
    }
}
