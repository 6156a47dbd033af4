//! A finite stretch of one channel, kept together with its sample rate.

use crate::units::SampleRate;

/// Mono samples and their rate. Full scale is 1.0; samples may exceed it.
///
/// Rate and samples travel together and nothing in this crate resamples a clip
/// unasked.
#[derive(Debug, Clone, PartialEq)]
pub struct Clip {
    samples: Vec<f64>,
    rate: SampleRate,
}

impl Clip {
    /// Puts samples and their rate together. Samples that are not finite become 0.
    pub fn new(mut samples: Vec<f64>, rate: SampleRate) -> Self {
        for s in &mut samples {
            if !s.is_finite() {
                *s = 0.0;
            }
        }
        Self { samples, rate }
    }

    /// The samples.
    pub fn samples(&self) -> &[f64] {
        &self.samples
    }

    /// The sample rate.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.samples.len()
    }

    /// True when there is no sample.
    pub fn is_empty(&self) -> bool {
        self.samples.is_empty()
    }

    /// Length in seconds.
    pub fn duration_s(&self) -> f64 {
        self.rate.seconds(self.samples.len())
    }

    /// Largest magnitude, 0 for an empty clip.
    pub fn peak(&self) -> f64 {
        self.samples.iter().fold(0.0, |m: f64, s| m.max(s.abs()))
    }

    /// The samples from `start` up to but not including `end`, both clamped to the clip.
    pub fn slice(&self, start: usize, end: usize) -> &[f64] {
        let end = end.min(self.samples.len());
        &self.samples[start.min(end)..end]
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_clip_knows_its_length_and_its_peak() {
        let rate = SampleRate::new(8_000).unwrap();
        let clip = Clip::new(vec![0.1, -0.5, 0.25, 0.0], rate);
        assert_eq!((clip.len(), clip.is_empty(), clip.peak()), (4, false, 0.5));
        assert!((clip.duration_s() - 0.0005).abs() < 1e-15);
        let none = Clip::new(Vec::new(), rate);
        assert_eq!((none.len(), none.is_empty(), none.peak()), (0, true, 0.0));
        assert_eq!(none.duration_s(), 0.0);
        // Beyond the ends there is nothing.
        assert_eq!(clip.slice(1, 3), [-0.5, 0.25]);
        assert_eq!(clip.slice(3, 9), [0.0]);
        assert!(clip.slice(7, 9).is_empty() && clip.slice(3, 1).is_empty());
    }
}
