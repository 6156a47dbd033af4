//! Exact damped tones, free or driven by a short contact.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use super::tap_pulse::TapPulse;
use crate::signal::clip::Clip;
use crate::units::SampleRate;

/// A damped tone `amplitude exp(-decay t) cos(2 pi f t + phase)` for t >= 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DampedTone {
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Amplitude decay rate in 1/s.
    pub decay_per_s: f64,
    /// Amplitude at t = 0 in full scale.
    pub amplitude: f64,
    /// Phase at t = 0 in radians.
    pub phase_rad: f64,
}

impl DampedTone {
    /// Complex amplitude at t = 0.
    pub fn complex(&self) -> Complex64 {
        Complex64::from_polar(self.amplitude, self.phase_rad)
    }

    /// Pole `-decay + 2 pi i f` in 1/s.
    pub fn pole(&self) -> Complex64 {
        Complex64::new(-self.decay_per_s, 2.0 * PI * self.freq_hz)
    }
}

/// The sum of damped tones that all start at `strike_s` (seconds, need not fall on a sample) and
/// of silence before it: `length` samples. Tones at or above half the rate would alias and are
/// left out; so is anything not finite.
pub fn damped_modes(rate: SampleRate, modes: &[DampedTone], strike_s: f64, length: usize) -> Clip {
    let mut samples = vec![0.0; length];
    for mode in modes.iter().filter(|m| m.freq_hz < 0.5 * rate.hz()) {
        add_decay(
            &mut samples,
            rate,
            strike_s,
            0.0,
            mode.complex(),
            mode.pole(),
        );
    }
    Clip::new(samples, rate)
}

/// Adds what a unit-area contact starting at `strike_s` makes a tone do whose response to a
/// unit impulse is `Re(weight exp(pole t))`. From the end of the contact on this is exactly
/// `Re(weight spectrum(pole) exp(pole (t - strike)))`.
pub(super) fn add_driven(
    samples: &mut [f64],
    rate: SampleRate,
    strike_s: f64,
    pulse: TapPulse,
    weight: Complex64,
    pole: Complex64,
) {
    let first = first_sample(rate, strike_s);
    for (k, sample) in samples.iter_mut().enumerate().skip(first) {
        let t = k as f64 / rate.hz() - strike_s;
        if t >= pulse.contact_s() {
            break;
        }
        *sample += (weight * pulse.spectrum_until(pole, t) * (pole * t).exp()).re;
    }
    let free = weight * pulse.spectrum(pole);
    add_decay(samples, rate, strike_s, pulse.contact_s(), free, pole);
}

/// Adds `Re(weight exp(pole (t - strike)))` from `delay_s` after the strike until it has fallen
/// to 1e-14 of what it was there.
fn add_decay(
    samples: &mut [f64],
    rate: SampleRate,
    strike_s: f64,
    delay_s: f64,
    weight: Complex64,
    pole: Complex64,
) {
    if !(weight.is_finite() && pole.is_finite() && strike_s.is_finite() && pole.re < 0.0) {
        return;
    }
    const STRIDE: usize = 128;
    let first = first_sample(rate, strike_s + delay_s);
    let last = first
        .saturating_add(rate.samples(32.0 / -pole.re) + 1)
        .min(samples.len());
    let step = (pole / rate.hz()).exp();
    let mut start = first;
    while start < last {
        // Anew from the exponential every so often, so that rounding does not pile up.
        let t = start as f64 / rate.hz() - strike_s;
        let mut value = weight * (pole * t).exp();
        let end = (start + STRIDE).min(last);
        for sample in &mut samples[start..end] {
            *sample += value.re;
            value *= step;
        }
        start = end;
    }
}

/// First sample at or after a time.
pub(super) fn first_sample(rate: SampleRate, time_s: f64) -> usize {
    (time_s * rate.hz() - 1e-9).ceil().max(0.0) as usize
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn rate(hz: u32) -> SampleRate {
        SampleRate::new(hz).unwrap()
    }

    /// `integral of force(u) Re(weight exp(pole (t - u))) du` by a sum.
    #[test]
    fn during_the_contact_a_tone_is_what_was_pressed_so_far() {
        let (strike_s, pulse) = (0.00103, TapPulse::new(2e-3));
        let weight = Complex64::new(0.7, -0.4);
        let pole = Complex64::new(-150.0, 2.0 * PI * 900.0);
        let mut samples = vec![0.0; 400];
        add_driven(&mut samples, rate(48_000), strike_s, pulse, weight, pole);
        for (k, v) in samples.iter().enumerate() {
            let t = k as f64 / 48_000.0 - strike_s;
            let steps = 4000;
            let h = t.clamp(0.0, 2e-3) / f64::from(steps);
            let sum: f64 = (0..steps)
                .map(|j| (f64::from(j) + 0.5) * h)
                .map(|u| pulse.force(u) * (weight * (pole * (t - u)).exp()).re * h)
                .sum();
            assert!((v - sum).abs() < 1e-6, "{k}: {v} {sum}");
        }
    }

    #[test]
    fn tones_that_are_no_tones_make_no_sound() {
        let good = DampedTone {
            freq_hz: 1000.0,
            decay_per_s: 20.0,
            amplitude: 0.5,
            phase_rad: 0.3,
        };
        let sounds = |tone: DampedTone, strike_s: f64| {
            let made = damped_modes(rate(8000), &[tone], strike_s, 500);
            assert!(made.samples().iter().all(|v| v.is_finite()));
            made.samples().iter().any(|v| *v != 0.0)
        };
        assert!(sounds(good, 0.001));
        for strange in [f64::NAN, f64::INFINITY] {
            assert!(!sounds(good, strange));
            assert!(!sounds(
                DampedTone {
                    amplitude: strange,
                    ..good
                },
                0.0
            ));
            assert!(!sounds(
                DampedTone {
                    freq_hz: strange,
                    ..good
                },
                0.0
            ));
            assert!(!sounds(
                DampedTone {
                    freq_hz: -strange,
                    ..good
                },
                0.0
            ));
            assert!(!sounds(
                DampedTone {
                    decay_per_s: strange,
                    ..good
                },
                0.0
            ));
        }
        for decay_per_s in [0.0, -3.0] {
            assert!(!sounds(
                DampedTone {
                    decay_per_s,
                    ..good
                },
                0.0
            ));
        }
        assert!(!sounds(
            DampedTone {
                freq_hz: 4000.0,
                ..good
            },
            0.0
        ));
    }

    /// e^-32 is 1.3e-14: 0.32 s at 100/s.
    #[test]
    fn a_tone_ends_when_it_has_died() {
        let tone = DampedTone {
            freq_hz: 777.0,
            decay_per_s: 100.0,
            amplitude: 1.0,
            phase_rad: 0.1,
        };
        let made = damped_modes(rate(8000), &[tone], 0.0, 5000);
        let last = made.samples().iter().rposition(|v| *v != 0.0);
        assert_eq!(last, Some(2560));
    }

    #[test]
    fn the_first_sample_is_the_next_one() {
        // In floating point 0.1 + 0.2 is more than 0.3.
        assert_eq!(first_sample(rate(48_000), 0.1 + 0.2), 14_400);
        assert_eq!(first_sample(rate(48_000), 14_400.01 / 48_000.0), 14_401);
        assert_eq!(first_sample(rate(48_000), -1.0), 0);
    }
}
