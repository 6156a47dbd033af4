//! Octave and third-octave bands by Butterworth filters run backwards in time.

use std::f64::consts::PI;

use super::wide::widely;
use crate::signal::window::Window;
use crate::units::SampleRate;

/// Second-order sections of a band-pass: the low-pass prototype has three poles.
const SECTIONS: usize = 3;
/// Time in which the filter has settled, in reciprocals of its width: its own ring dies by 60 dB
/// in 4.9 of them.
const SETTLING_BANDWIDTHS: f64 = 6.0;

/// How wide the bands of a set are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum BandWidth {
    /// Edges at `2^(-1/2)` and `2^(1/2)` of the middle.
    Octave,
    /// Edges at `2^(-1/6)` and `2^(1/6)` of the middle.
    ThirdOctave,
}

impl BandWidth {
    /// Bands per octave.
    fn per_octave(self) -> i32 {
        match self {
            Self::Octave => 1,
            Self::ThirdOctave => 3,
        }
    }

    /// Lower and upper edges in Hz of the bands with middles `1000 2^(k/b)` Hz, from the one
    /// whose middle is nearest over `lowest_hz` (less a third of an octave step) up to the last
    /// whose upper edge is not over 0.45 of the rate.
    pub fn bands(self, lowest_hz: f64, rate: SampleRate) -> Vec<(f64, f64)> {
        let b = f64::from(self.per_octave());
        let half = (0.5 / b).exp2();
        let first = (b * (lowest_hz.max(1.0) / 1_000.0).log2() - 1.0 / 3.0).ceil() as i32;
        (first..)
            .map(|k| 1_000.0 * (f64::from(k) / b).exp2())
            .map(|middle| (middle / half, middle * half))
            .take_while(|edges| edges.1 <= 0.45 * rate.hz())
            .collect()
    }
}

/// One section `(b0 (1 - z^-2)) / (1 + a1 z^-1 + a2 z^-2)`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Section {
    gain: f64,
    a1: f64,
    a2: f64,
}

/// A Butterworth band-pass of six poles (three of the low-pass prototype), -3 dB at both
/// edges, made with the bilinear transform with both edges pre-warped. Gain 1 in the middle.
#[derive(Debug, Clone, PartialEq)]
pub struct BandPass {
    sections: [Section; SECTIONS],
    width_hz: f64,
}

impl BandPass {
    /// Designs the filter. None unless `0 < low_hz < high_hz < rate/2`.
    pub fn new(low_hz: f64, high_hz: f64, rate: SampleRate) -> Option<Self> {
        if !(low_hz > 0.0 && low_hz < high_hz && high_hz < 0.5 * rate.hz()) {
            return None;
        }
        // With s = (1 - z^-1)/(1 + z^-1) the edges sit at tan(pi f/fs) and the prototype's
        // s becomes (s^2 + m)/(w s), w the width and m the squared middle of the band.
        let low = (PI * low_hz / rate.hz()).tan();
        let high = (PI * high_hz / rate.hz()).tan();
        let (w, m) = (high - low, low * high);
        // Prototype poles: -1, and -1/2 +- i sqrt(3)/2. The real one becomes s^2 + w s + m.
        let mut sections = [section(w, m, w); SECTIONS];
        // A complex one p becomes s^2 - p w s + m, whose two roots each pair with the
        // conjugate root of the other complex pole.
        let (p_re, p_im) = (-0.5 * w, 0.75_f64.sqrt() * w);
        // Square root of (p w)^2 - 4 m.
        let (d_re, d_im) = (p_re * p_re - p_im * p_im - 4.0 * m, 2.0 * p_re * p_im);
        let size = d_re.hypot(d_im);
        let root_re = (0.5 * (size + d_re)).max(0.0).sqrt();
        let root_im = (0.5 * (size - d_re)).max(0.0).sqrt().copysign(d_im);
        for (section_at, sign) in [(1, 1.0), (2, -1.0)] {
            let re = 0.5 * (p_re + sign * root_re);
            let im = 0.5 * (p_im + sign * root_im);
            sections[section_at] = section(-2.0 * re, re * re + im * im, w);
        }
        Some(Self {
            sections,
            width_hz: high_hz - low_hz,
        })
    }

    /// Distance of the two edges in Hz.
    pub fn width_hz(&self) -> f64 {
        self.width_hz
    }

    /// Magnitude of the response at a frequency in Hz.
    pub fn gain_at(&self, freq_hz: f64, rate: SampleRate) -> f64 {
        let turn = 2.0 * PI * freq_hz / rate.hz();
        let (c1, s1) = (turn.cos(), turn.sin());
        let (c2, s2) = ((2.0 * turn).cos(), (2.0 * turn).sin());
        self.sections
            .iter()
            .map(|s| {
                let above = (1.0 - c2).hypot(s2);
                let below = (1.0 + s.a1 * c1 + s.a2 * c2).hypot(s.a1 * s1 + s.a2 * s2);
                s.gain * above / below
            })
            .product()
    }

    /// Filters from the last sample to the first.
    ///
    /// A sudden start rings out *before* it and a decay is followed as it happens, so that the
    /// filter's own decay matters only below a bandwidth times decay time of about 2
    /// (forwards: 10 or more). What rings out before the first sample is lost. Behind the
    /// end the signal is continued by turning it about its last sample, faded out, so that a slow
    /// drift cut off there does not ring like a strike.
    pub fn run_backwards(&self, samples: &[f64], rate: SampleRate) -> Vec<f64> {
        let mut out = Self::run_all_backwards(std::slice::from_ref(self), samples, rate);
        out.pop().unwrap_or_default()
    }

    /// [`Self::run_backwards`] of each filter, in their order: some of them run side by side.
    pub fn run_all_backwards(filters: &[Self], samples: &[f64], rate: SampleRate) -> Vec<Vec<f64>> {
        let mut out = Vec::with_capacity(filters.len());
        for some in filters.chunks(LANES) {
            let mut bank = Bank::new(some);
            let behind: Vec<Vec<f64>> = some.iter().map(|f| f.continued(samples, rate)).collect();
            let longest = behind.iter().map(Vec::len).max().unwrap_or(0);
            // A lane whose filter begins later hears silence until then.
            let beyond: Vec<[f64; LANES]> = (0..longest)
                .rev()
                .map(|n| {
                    std::array::from_fn(|lane| {
                        let sample = behind.get(lane).and_then(|b| b.get(n));
                        sample.copied().unwrap_or(0.0)
                    })
                })
                .collect();
            settle(&mut bank, &beyond);
            let mut bands = vec![vec![0.0; samples.len()]; LANES];
            if let [a, b, c, d] = bands.as_mut_slice() {
                run(&mut bank, samples, [a, b, c, d]);
            }
            bands.truncate(some.len());
            out.append(&mut bands);
        }
        out
    }

    /// What is put behind the end of the signal, in the order of time.
    fn continued(&self, samples: &[f64], rate: SampleRate) -> Vec<f64> {
        let Some(&last) = samples.last() else {
            return Vec::new();
        };
        let beyond = rate
            .samples(SETTLING_BANDWIDTHS / self.width_hz)
            .min(samples.len() - 1);
        let fade = Window::FallingCosine.weights(beyond);
        let turned = samples.iter().rev().skip(1).zip(&fade);
        turned
            .map(|(v, weight)| weight * (2.0 * last - v))
            .collect()
    }
}

/// The digital section of `width s / (s^2 + linear s + constant)`.
fn section(linear: f64, constant: f64, width: f64) -> Section {
    let a0 = 1.0 + linear + constant;
    Section {
        gain: width / a0,
        a1: 2.0 * (constant - 1.0) / a0,
        a2: (1.0 - linear + constant) / a0,
    }
}

/// Filters that run side by side, one in each lane.
const LANES: usize = 4;

/// The sections of [`LANES`] filters, each in the transposed direct form II.
#[derive(Clone)]
struct Bank {
    gain: [[f64; LANES]; SECTIONS],
    a1: [[f64; LANES]; SECTIONS],
    a2: [[f64; LANES]; SECTIONS],
    z1: [[f64; LANES]; SECTIONS],
    z2: [[f64; LANES]; SECTIONS],
}

impl Bank {
    /// At rest; lanes without a filter let nothing through.
    fn new(filters: &[BandPass]) -> Self {
        let none = [[0.0; LANES]; SECTIONS];
        let mut out = Self {
            gain: none,
            a1: none,
            a2: none,
            z1: none,
            z2: none,
        };
        for (lane, filter) in filters.iter().enumerate().take(LANES) {
            for (k, section) in filter.sections.iter().enumerate() {
                out.gain[k][lane] = section.gain;
                out.a1[k][lane] = section.a1;
                out.a2[k][lane] = section.a2;
            }
        }
        out
    }

    #[inline(always)]
    fn step(&mut self, mut v: [f64; LANES]) -> [f64; LANES] {
        for k in 0..SECTIONS {
            for (l, v) in v.iter_mut().enumerate() {
                let x = self.gain[k][l] * *v;
                *v = x + self.z1[k][l];
                self.z1[k][l] = self.z2[k][l] - self.a1[k][l] * *v;
                self.z2[k][l] = -x - self.a2[k][l] * *v;
            }
        }
        v
    }

    /// Numbers this small are silence and slow down some processors.
    #[inline(always)]
    fn flush(&mut self) {
        for z in self.z1.iter_mut().chain(&mut self.z2).flatten() {
            if z.abs() < 1e-200 {
                *z = 0.0;
            }
        }
    }
}

/// Samples between two looks for silence: even the widest band's state does not fall from 1e-200 to
/// the smallest number in so few.
const UNTIL_FLUSHED: usize = 64;

widely!(
    /// Runs a bank over what stands behind the end.
    fn settle(bank: &mut Bank, beyond: &[[f64; LANES]]) = settle_inlined
);

#[inline(always)]
fn settle_inlined(bank: &mut Bank, beyond: &[[f64; LANES]]) {
    for some in beyond.chunks(UNTIL_FLUSHED) {
        for sample in some {
            bank.step(*sample);
        }
        bank.flush();
    }
}

widely!(
    /// Runs a bank over the samples, last first.
    fn run(bank: &mut Bank, samples: &[f64], bands: [&mut [f64]; LANES]) = run_inlined
);

#[inline(always)]
fn run_inlined(bank: &mut Bank, samples: &[f64], bands: [&mut [f64]; LANES]) {
    let [a, b, c, d] = bands;
    let rows = samples.iter().zip(a).zip(b).zip(c).zip(d).rev();
    for (n, ((((sample, a), b), c), d)) in rows.enumerate() {
        [*a, *b, *c, *d] = bank.step([*sample; LANES]);
        if n % UNTIL_FLUSHED == 0 {
            bank.flush();
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn rate(hz: u32) -> SampleRate {
        SampleRate::new(hz).unwrap()
    }

    // The definition of the filter: |H| at the warped frequency is that of a third-order
    // Butterworth band-pass, 1/sqrt(1 + ((v^2 - m)/(w v))^6).
    #[test]
    fn the_response_is_butterworth() {
        for (hz, low, high) in [
            (48_000, 707.0, 1_414.0),
            (192_000, 222.7, 280.6),
            (8_000, 2_500.0, 3_600.0),
            (44_100, 11_314.0, 19_800.0),
        ] {
            let fs = f64::from(hz);
            let filter = BandPass::new(low, high, rate(hz)).unwrap();
            let (l, h) = ((PI * low / fs).tan(), (PI * high / fs).tan());
            for i in 1..100 {
                let f = 0.5 * fs * f64::from(i) / 100.0;
                let v = (PI * f / fs).tan();
                let truth = 1.0 / (1.0 + ((v * v - l * h) / ((h - l) * v)).powi(6)).sqrt();
                let gain = filter.gain_at(f, rate(hz));
                assert!(
                    (gain - truth).abs() < 1e-9 * truth + 1e-12,
                    "{hz} {f}: {gain} {truth}"
                );
            }
            assert!((filter.gain_at(low, rate(hz)) - 0.5_f64.sqrt()).abs() < 1e-9);
        }
    }

    #[test]
    fn a_run_passes_the_middle_and_stops_the_rest() {
        let filter = BandPass::new(707.1, 1_414.2, rate(48_000)).unwrap();
        for f in [300.0, 1_000.0, 4_000.0] {
            let x: Vec<f64> = (0..9_600)
                .map(|i| (2.0 * PI * f * f64::from(i) / 48_000.0).sin())
                .collect();
            let y = filter.run_backwards(&x, rate(48_000));
            let power = y[..4_800].iter().map(|v| v * v).sum::<f64>() / 4_800.0;
            let truth = 0.5 * filter.gain_at(f, rate(48_000)).powi(2);
            assert!((power / truth - 1.0).abs() < 1e-6, "{f}: {power} {truth}");
        }
    }

    // A constant that is cut off (a step of 0.5, which alone would give over 0.1).
    #[test]
    fn a_drift_does_not_ring_at_the_cut() {
        let filter = BandPass::new(176.8, 353.6, rate(44_100)).unwrap();
        let drift = vec![0.5; 20_000];
        let y = filter.run_backwards(&drift, rate(44_100));
        let worst = y.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        assert!(worst < 5e-4, "{worst}");
        assert!(filter.run_backwards(&[], rate(44_100)).is_empty());
        assert_eq!(filter.run_backwards(&[1.0], rate(44_100)).len(), 1);
    }

    /// A constant goes on as itself, faded; so many samples as the filter takes to settle, or all
    /// but the one it is turned about.
    #[test]
    fn a_signal_goes_on_turned_about_its_last_sample() {
        let band = BandPass::new(1000.0, 1100.0, rate(8_000)).unwrap();
        let beyond = (SETTLING_BANDWIDTHS / 100.0 * 8_000.0) as usize;
        for (len, expected) in [(2 * beyond, beyond), (50, 49), (1, 0), (0, 0)] {
            let more = band.continued(&vec![0.5; len], rate(8_000));
            assert_eq!(more.len(), expected);
            for (k, v) in more.iter().enumerate() {
                let fade = 0.25 * (1.0 + (PI * k as f64 / expected as f64).cos());
                assert!((v - fade).abs() < 1e-12, "{len} {k}");
            }
        }
        let ramp: Vec<f64> = (0..40).map(f64::from).collect();
        // Beyond 39 come 40, 41 and so on.
        let more = band.continued(&ramp, rate(8_000));
        let fade = 0.5 * (1.0 + (PI / 39.0).cos());
        assert!((more[0] - 40.0).abs() < 1e-12 && (more[1] / fade - 41.0).abs() < 1e-9);
    }

    #[test]
    fn bands_stay_inside_the_recording() {
        let bands = BandWidth::Octave.bands(250.0, rate(8_000));
        assert_eq!(bands.len(), 4);
        assert!((bands[0].0 - 176.8).abs() < 0.1 && (bands[3].1 - 2_828.4).abs() < 0.1);
        assert_eq!(BandWidth::Octave.bands(250.0, rate(48_000)).len(), 6);
        assert_eq!(BandWidth::ThirdOctave.bands(250.0, rate(48_000)).len(), 19);
        assert!(BandWidth::Octave.bands(1e9, rate(8_000)).is_empty());
        assert!(BandPass::new(100.0, 5_000.0, rate(8_000)).is_none());
        for (low_hz, high_hz) in [(0.0, 500.0), (-1.0, 500.0), (500.0, 500.0), (600.0, 500.0)] {
            assert!(BandPass::new(low_hz, high_hz, rate(8_000)).is_none());
        }
        assert!(BandPass::new(f64::NAN, 500.0, rate(8_000)).is_none());
    }
}
