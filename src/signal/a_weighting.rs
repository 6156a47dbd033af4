//! How loud a short sound is taken to be: the largest A-weighted level with the time weighting
//! "fast" (IEC 61672-1).
//!
//! A stand-in for loudness that is common practice for short sounds; no model of hearing.

use realfft::RealFftPlanner;

use crate::signal::clip::Clip;

/// Time constant of the weighting "fast" in seconds.
const FAST_S: f64 = 0.125;

/// Gain of the A-weighting at a frequency in Hz, 1 at 1 kHz (IEC 61672-1, its analytical form).
pub fn a_gain(freq_hz: f64) -> f64 {
    let raw = |f: f64| {
        let f2 = f * f;
        let (low, high) = (20.598_997_f64.powi(2), 12_194.217_f64.powi(2));
        let (second, third) = (107.652_65_f64.powi(2), 737.862_23_f64.powi(2));
        high * f2 * f2 / ((f2 + low) * ((f2 + second) * (f2 + third)).sqrt() * (f2 + high))
    };
    raw(freq_hz.abs()) / raw(1000.0)
}

/// Largest A-weighted root mean square with the time weighting "fast", as a share of full scale;
/// 0 for silence.
pub fn loudest_fast(clip: &Clip) -> f64 {
    if clip.is_empty() {
        return 0.0;
    }
    let rate = clip.rate();
    // Room behind the sound, so that the filter does not come round to its start.
    let length = (clip.len() + rate.samples(0.2)).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(length);
    let back = planner.plan_fft_inverse(length);
    let mut samples = clip.samples().to_vec();
    samples.resize(length, 0.0);
    let mut spectrum = forward.make_output_vec();
    // Only fails on wrong lengths, which these are not.
    let _ = forward.process(&mut samples, &mut spectrum);
    for (bin, value) in spectrum.iter_mut().enumerate() {
        *value *= a_gain(bin as f64 * rate.hz() / length as f64) / length as f64;
    }
    if let Some(last) = spectrum.last_mut() {
        last.im = 0.0;
    }
    let _ = back.process(&mut spectrum, &mut samples);
    let keep = (-1.0 / (FAST_S * rate.hz())).exp();
    let (mut mean, mut most) = (0.0_f64, 0.0_f64);
    for s in &samples {
        mean = keep * mean + (1.0 - keep) * s * s;
        most = most.max(mean);
    }
    most.sqrt()
}

/// A steady sine of amplitude 1 at 1 kHz comes out near this: its root mean square.
pub const SINE: f64 = 0.5 * std::f64::consts::SQRT_2;

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::f64::consts::PI;

    use super::*;
    use crate::units::SampleRate;

    /// The table of IEC 61672-1 (rounded to 0.1 dB; from memory) at exact octave frequencies.
    #[test]
    fn gains_are_those_of_the_standard() {
        for (freq_hz, db) in [
            (31.62, -39.4),
            (63.1, -26.2),
            (125.9, -16.1),
            (251.2, -8.6),
            (501.2, -3.2),
            (1000.0, 0.0),
            (1995.3, 1.2),
            (3981.1, 1.0),
            (7943.3, -1.1),
            (15_848.9, -6.6),
        ] {
            let got = 20.0 * a_gain(freq_hz).log10();
            assert!((got - db).abs() < 0.06, "{freq_hz}: {got}");
        }
    }

    #[test]
    fn a_long_sine_has_its_root_mean_square_and_a_short_one_less() {
        let rate = SampleRate::new(48_000).unwrap();
        let sine = |seconds: f64| {
            let samples = (0..rate.samples(seconds))
                .map(|k| (2.0 * PI * 1000.0 * rate.seconds(k)).sin())
                .collect();
            loudest_fast(&Clip::new(samples, rate))
        };
        assert!((sine(1.5) / SINE - 1.0).abs() < 0.01);
        // IEC 61672-1, response to tone bursts: 200 ms -1.0 dB, 50 ms -4.8 dB, 10 ms -11.1 dB.
        for (seconds, db) in [(0.2, -1.0), (0.05, -4.8), (0.01, -11.1)] {
            let got = 20.0 * (sine(seconds) / SINE).log10();
            assert!((got - db).abs() < 0.3, "{seconds}: {got}");
        }
        assert_eq!(loudest_fast(&Clip::new(Vec::new(), rate)), 0.0);
    }
}
