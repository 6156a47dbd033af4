//! The windows of the taps that are solved together.

use super::polish::Lines;
use crate::signal::noise_density::NoiseDensity;

/// The windows of the taps that are solved together, their noise, and the rate.
pub struct Windows<'a> {
    /// Samples from the window's start on, per tap.
    pub taps: Vec<&'a [f64]>,
    /// Samples from the strike to the window's start, per tap.
    pub lead: Vec<usize>,
    /// How many of the taps were heard by the same microphone as each.
    pub alike: Vec<usize>,
    /// The strike itself, until the free decay begins, per tap.
    pub strikes: Vec<&'a [f64]>,
    /// Noise per tap.
    pub noise: &'a [NoiseDensity],
    /// Sample rate in Hz.
    pub rate_hz: f64,
    /// Band in which modes are looked for, in Hz.
    pub band_hz: (f64, f64),
}

/// Windows shortened to seven time constants of the slowest line.
pub fn cut_windows<'a>(taps: &[&'a [f64]], lines: &Lines) -> Vec<&'a [f64]> {
    let slowest = lines
        .logs
        .iter()
        .map(|s| -s.re)
        .fold(f64::INFINITY, f64::min)
        .max(1e-7);
    let most = (7.0 / slowest) as usize;
    taps.iter()
        .map(|x| &x[..x.len().min(most.max(256))])
        .collect()
}

/// One over the mean noise of each tap.
pub fn weights(w: &Windows<'_>) -> Vec<f64> {
    w.noise
        .iter()
        .map(|s| 1.0 / s.mean(w.band_hz.0, w.band_hz.1.min(8_000.0)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::made::{lines, windows as made};
    use super::super::phasor::C64;
    use super::*;

    #[test]
    fn windows_end_after_seven_time_constants_of_the_slowest_line() {
        let one = [C64::new(1.0, 0.0)];
        let line = |d: f64| (C64::new(-d, 0.5), one.as_slice());
        let (long, short) = (vec![0.0; 9000], vec![0.0; 400]);
        let of = |of: &[(C64, &[C64])]| -> Vec<usize> {
            let cut = cut_windows(&[&long, &short], &lines(of));
            cut.iter().map(|x| x.len()).collect()
        };
        // An eighth of a hundredth is no rounded number.
        assert_eq!(of(&[line(0.03125), line(0.00125), line(0.5)]), [5600, 400]);
        assert_eq!(of(&[line(0.03125)]), [256, 256]);
        // What never dies, grows or is absent takes all there is.
        assert_eq!(of(&[line(0.0)]), [9000, 400]);
        assert_eq!(of(&[line(-0.1), line(0.5)]), [9000, 400]);
        assert_eq!(of(&[]), [256, 256]);
    }

    #[test]
    fn weights_are_one_over_the_noise() {
        let taps = [vec![0.0; 4], vec![0.0; 4]];
        let noise = [NoiseDensity::white(0.5), NoiseDensity::white(4.0)];
        let found = weights(&made(&taps, &noise, 48_000.0));
        assert!((found[0] - 2.0).abs() < 1e-12 && (found[1] - 0.25).abs() < 1e-12);
    }
}
