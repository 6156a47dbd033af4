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
