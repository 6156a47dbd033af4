//! Tapers and their gains.
//!
//! All are in the form that suits a DFT (period `len`, not symmetric): the
//! sample that would close the period is left out.

use std::f64::consts::PI;

/// Cosine coefficients of the five-term flat-top taper, `sum (-1)^k a_k cos(2 pi k n/N)`.
/// Common set with side lobes near -90 dB (D'Antona and Ferrero 2006, from memory).
const FLAT_TOP: [f64; 5] = [
    0.215_578_95,
    0.416_631_58,
    0.277_263_158,
    0.083_578_947,
    0.006_947_368,
];

/// A taper that a stretch of samples is multiplied with before its transform.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Window {
    /// No taper: every sample weighs 1. Side lobes fall slowly (-13 dB first).
    Rectangular,
    /// `0.5 (1 - cos(2 pi n/N))`. For steady tones and noise.
    Hann,
    /// Five-term flat-top: the height of a steady line is right within 0.01 dB wherever it
    /// falls between bins, at the price of a wide line (3.8 bins).
    FlatTop,
    /// `0.5 (1 + cos(pi n/N))`, from 1 at the first sample down to 0 behind the last. For a
    /// decay that starts with the stretch: full weight at the strike, no side lobes from the
    /// cut end. It does not start at 0, so a steady tone leaks as without a taper.
    FallingCosine,
}

impl Window {
    /// The `len` weights, each -0.001 to 1. Empty for `len` 0.
    pub fn weights(self, len: usize) -> Vec<f64> {
        let n = len as f64;
        (0..len).map(|i| self.weight(i as f64 / n)).collect()
    }

    /// The weight at the share `at` (0 to 1) of the length.
    fn weight(self, at: f64) -> f64 {
        match self {
            Self::Rectangular => 1.0,
            Self::Hann => 0.5 * (1.0 - (2.0 * PI * at).cos()),
            Self::FallingCosine => 0.5 * (1.0 + (PI * at).cos()),
            Self::FlatTop => FLAT_TOP
                .iter()
                .enumerate()
                .map(|(k, a)| {
                    let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
                    sign * a * (2.0 * PI * k as f64 * at).cos()
                })
                .sum(),
        }
    }
}

/// Mean of the weights: what a steady sine's line is scaled with. 0 for no weights.
pub fn coherent_gain(weights: &[f64]) -> f64 {
    if weights.is_empty() {
        return 0.0;
    }
    weights.iter().sum::<f64>() / weights.len() as f64
}

/// Equivalent noise bandwidth in bins of an unpadded transform, `N sum w^2 / (sum w)^2`
/// (Harris 1978): the width of the rectangle that passes as much white noise.
/// 0 when the weights sum to 0.
pub fn noise_bandwidth_bins(weights: &[f64]) -> f64 {
    let sum: f64 = weights.iter().sum();
    if sum == 0.0 {
        return 0.0;
    }
    let squares: f64 = weights.iter().map(|w| w * w).sum();
    weights.len() as f64 * squares / (sum * sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Textbook values: Harris 1978 for the rectangle (1.00) and Hann (gain 0.50, 1.50 bins),
    // from memory; 3.77 bins for the five-term flat-top (same coefficients, from memory;
    // scipy's numbers are in fixtures/reference). The half-cosine: means of 0.5 (1 + c) and
    // its square are 1/2 and 3/8, hence 0.5 and 1.5 bins for long windows.
    #[test]
    fn gains_match_textbook_values() {
        for (window, gain, bins, tolerance) in [
            (Window::Rectangular, 1.0, 1.0, 1e-12),
            (Window::Hann, 0.5, 1.5, 1e-12),
            (Window::FlatTop, 0.215_578_95, 3.770_2, 1e-4),
            (Window::FallingCosine, 0.5, 1.5, 1e-3),
        ] {
            let w = window.weights(4096);
            assert!((coherent_gain(&w) - gain).abs() < tolerance, "{window:?}");
            let enbw = noise_bandwidth_bins(&w);
            assert!((enbw - bins).abs() < tolerance, "{window:?} {enbw}");
        }
    }

    #[test]
    fn the_falling_taper_starts_at_one_and_falls() {
        let w = Window::FallingCosine.weights(100);
        assert_eq!(w[0], 1.0);
        assert!(w.windows(2).all(|p| p[1] < p[0]));
        assert!(w[99] < 3e-4 && w[99] > 0.0);
    }

    // Loss of a line half-way between two bins (Harris 1978, from memory): Hann 1.42 dB.
    #[test]
    fn hann_scallops_by_1_42_db() {
        let n = 1024;
        let w = Window::Hann.weights(n);
        let (mut re, mut im) = (0.0, 0.0);
        for (i, w) in w.iter().enumerate() {
            let phase = PI * i as f64 / n as f64;
            re += w * phase.cos();
            im += w * phase.sin();
        }
        let loss = -20.0 * (f64::hypot(re, im) / w.iter().sum::<f64>()).log10();
        assert!((loss - 1.42).abs() < 0.005, "{loss}");
    }

    #[test]
    fn tapers_are_whole_in_the_middle_and_next_to_nothing_at_the_ends() {
        for (window, first) in [(Window::Hann, 0.0), (Window::FlatTop, -0.000_42)] {
            let weights = window.weights(64);
            assert!(
                (weights[32] - 1.0).abs() < 1e-6,
                "{window:?} {}",
                weights[32]
            );
            assert!(
                (weights[0] - first).abs() < 1e-5,
                "{window:?} {}",
                weights[0]
            );
            assert!(weights[16] < weights[24] && weights[24] < weights[32]);
        }
    }

    #[test]
    fn no_weights_have_no_gain() {
        assert!(Window::Hann.weights(0).is_empty());
        assert_eq!(coherent_gain(&[]), 0.0);
        assert_eq!(noise_bandwidth_bins(&[]), 0.0);
    }
}
