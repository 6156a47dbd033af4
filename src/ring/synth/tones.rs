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
