//! Band filters.
//!
//! [`BandBank`] splits a stream into bands, sample by sample, for levels over time.
//! [`decimate`] lowers the rate of a short stretch. Neither is meant for measuring decays:
//! they smear a strike by their own response.

use std::f64::consts::PI;

use super::wide::widely;

/// Most bands that a [`BandBank`] has. Fixed, so that all bands run in step and vectorise.
pub const LANES: usize = 6;

/// One second-order section per band, in transposed direct form II.
#[derive(Debug, Clone)]
struct Section {
    b0: [f64; LANES],
    b1: [f64; LANES],
    b2: [f64; LANES],
    a1: [f64; LANES],
    a2: [f64; LANES],
    s1: [f64; LANES],
    s2: [f64; LANES],
}

impl Section {
    /// A section that lets nothing through, so that unused lanes stay at zero.
    fn shut() -> Self {
        let z = [0.0; LANES];
        Self {
            b0: z,
            b1: z,
            b2: z,
            a1: z,
            a2: z,
            s1: z,
            s2: z,
        }
    }

    /// Sets one lane to a low or high pass by the bilinear transform of `1/(s^2 + s/q + 1)`.
    fn set(&mut self, lane: usize, high: bool, corner_hz: f64, rate_hz: f64, q: f64) {
        let k = (PI * corner_hz / rate_hz).tan();
        let norm = 1.0 / (1.0 + k / q + k * k);
        let b0 = if high { norm } else { k * k * norm };
        self.b0[lane] = b0;
        self.b1[lane] = if high { -2.0 * b0 } else { 2.0 * b0 };
        self.b2[lane] = b0;
        self.a1[lane] = 2.0 * (k * k - 1.0) * norm;
        self.a2[lane] = (1.0 - k / q + k * k) * norm;
    }

    #[inline(always)]
    fn step(&mut self, x: &mut [f64; LANES]) {
        for (l, value) in x.iter_mut().enumerate() {
            let y = self.b0[l] * *value + self.s1[l];
            self.s1[l] = self.b1[l] * *value - self.a1[l] * y + self.s2[l];
            self.s2[l] = self.b2[l] * *value - self.a2[l] * y;
            *value = y;
        }
    }

    /// Zeroes states that have died away: denormal numbers are very slow.
    fn flush(&mut self) {
        for s in self.s1.iter_mut().chain(self.s2.iter_mut()) {
            if s.abs() < 1e-150 {
                *s = 0.0;
            }
        }
    }
}

/// Quality factors of the two sections of a fourth-order Butterworth filter:
/// `1/(2 cos(pi/8))` and `1/(2 cos(3 pi/8))`.
const BUTTERWORTH_4: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_376_5];

/// Parallel band filters, each a fourth-order Butterworth high pass and low pass in a row.
///
/// Causal and recursive. Each band is 3 dB down at its edges; an octave below its lower edge
/// it is 24 dB down, two octaves 48 dB.
#[derive(Debug, Clone)]
pub struct BandBank {
    sections: [Section; 4],
    bands: usize,
    offset: Option<f64>,
}

impl BandBank {
    /// Filters for `bands_hz` (lower and upper edge, in Hz, below half of `rate_hz`). Bands beyond
    /// [`LANES`] are left out.
    pub fn new(bands_hz: &[(f64, f64)], rate_hz: f64) -> Self {
        let mut sections = std::array::from_fn(|_| Section::shut());
        let bands = bands_hz.len().min(LANES);
        for (lane, &(low, high)) in bands_hz.iter().take(LANES).enumerate() {
            for (i, &q) in BUTTERWORTH_4.iter().enumerate() {
                sections[i].set(lane, true, low, rate_hz, q);
                sections[2 + i].set(lane, false, high.min(0.49 * rate_hz), rate_hz, q);
            }
        }
        Self {
            sections,
            bands,
            offset: None,
        }
    }

    /// Number of bands.
    pub fn bands(&self) -> usize {
        self.bands
    }

    /// Adds the squared output of each band over `samples` to `energy`.
    ///
    /// The first sample ever seen is taken as the offset of the signal, so that a constant
    /// offset does not look like a step at the start.
    pub fn add_energy(&mut self, samples: &[f64], energy: &mut [f64; LANES]) {
        let Some(&first) = samples.first() else {
            return;
        };
        let offset = *self.offset.get_or_insert(first);
        add_energy(&mut self.sections, samples, offset, energy);
        for section in &mut self.sections {
            section.flush();
        }
    }
}

widely!(
    fn add_energy(
        sections: &mut [Section; 4],
        samples: &[f64],
        offset: f64,
        energy: &mut [f64; LANES]
    ) = add_energy_inlined
);

#[inline(always)]
fn add_energy_inlined(
    sections: &mut [Section; 4],
    samples: &[f64],
    offset: f64,
    energy: &mut [f64; LANES],
) {
    for sample in samples {
        let mut x = [sample - offset; LANES];
        for section in sections.iter_mut() {
            section.step(&mut x);
        }
        for (sum, x) in energy.iter_mut().zip(x) {
            *sum += x * x;
        }
    }
}

/// Lowers the rate by a whole factor with a symmetric (zero-phase) windowed-sinc low pass at
/// 0.45 of the new rate, 16 zero crossings a side. The ends are padded by zeros.
///
/// Output sample `m` stands at input sample `m * factor`. Not for measuring decays: the
/// response rings ahead of a strike by some samples of the new rate.
pub fn decimate(samples: &[f64], factor: usize) -> Vec<f64> {
    if factor <= 1 {
        return samples.to_vec();
    }
    let cut = 0.45 / factor as f64;
    let half = 8 * factor;
    let taps: Vec<f64> = (0..=2 * half)
        .map(|i| {
            let t = i as f64 - half as f64;
            let sinc = if t == 0.0 {
                2.0 * cut
            } else {
                (2.0 * PI * cut * t).sin() / (PI * t)
            };
            let hann = 0.5 + 0.5 * (PI * t / (half as f64 + 1.0)).cos();
            sinc * hann
        })
        .collect();
    (0..samples.len())
        .step_by(factor)
        .map(|centre| {
            let from = centre.saturating_sub(half);
            let to = (centre + half + 1).min(samples.len());
            let first_tap = from + half - centre;
            samples[from..to]
                .iter()
                .zip(&taps[first_tap..])
                .map(|(x, h)| x * h)
                .sum()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn band_gain_db(bank_hz: (f64, f64), tone_hz: f64, rate_hz: f64) -> f64 {
        let mut bank = BandBank::new(&[bank_hz], rate_hz);
        let n = rate_hz as usize;
        let tone: Vec<f64> = (0..n)
            .map(|i| (2.0 * PI * tone_hz * i as f64 / rate_hz).sin())
            .collect();
        let mut settle = [0.0; LANES];
        bank.add_energy(&tone[..n / 2], &mut settle);
        let mut energy = [0.0; LANES];
        bank.add_energy(&tone[n / 2..], &mut energy);
        10.0 * (energy[0] / (n - n / 2) as f64 / 0.5).log10()
    }

    // Definition of a fourth-order Butterworth filter: |H|^2 = 1/(1 + (f/fc)^8).
    #[test]
    fn bands_pass_their_middle_and_stop_hum() {
        assert!(band_gain_db((300.0, 1000.0), 550.0, 48_000.0).abs() < 0.2);
        assert!((band_gain_db((300.0, 1000.0), 300.0, 48_000.0) + 3.01).abs() < 0.1);
        let hum = band_gain_db((300.0, 1000.0), 50.0, 48_000.0);
        assert!((hum + 62.3).abs() < 0.5, "{hum}");
    }

    #[test]
    fn an_offset_is_no_step() {
        let mut bank = BandBank::new(&[(80.0, 300.0)], 48_000.0);
        let mut energy = [0.0; LANES];
        bank.add_energy(&vec![0.25; 4800], &mut energy);
        assert_eq!(energy, [0.0; LANES]);
    }

    /// An impulse shows the weights: a sinc of 0.45 of the new rate under a Hann window that
    /// would be 0 one sample beyond its ends.
    #[test]
    fn decimation_weighs_with_a_windowed_sinc() {
        for factor in [2, 3] {
            let half = 8 * factor as i32;
            let mut impulse = vec![0.0; 101];
            impulse[50] = 1.0;
            for (m, v) in decimate(&impulse, factor).into_iter().enumerate() {
                let t = 50 - (m * factor) as i32;
                let cut = 0.45 / factor as f64;
                let turn = 2.0 * PI * cut * f64::from(t);
                let sinc = if t == 0 { 1.0 } else { turn.sin() / turn };
                let hann = (0.5 * PI * f64::from(t) / f64::from(half + 1))
                    .cos()
                    .powi(2);
                let weight = if t.abs() <= half {
                    2.0 * cut * sinc * hann
                } else {
                    0.0
                };
                assert!((v - weight).abs() < 1e-12, "{factor} {t}: {v} {weight}");
            }
        }
        assert_eq!(decimate(&[1.0, 2.0], 1), [1.0, 2.0]);
    }

    #[test]
    fn decimation_keeps_a_low_tone_and_removes_a_high_one() {
        let tone = |hz: f64| -> Vec<f64> {
            (0..19_200)
                .map(|i| (2.0 * PI * hz * f64::from(i) / 192_000.0).sin())
                .collect()
        };
        let low = decimate(&tone(5_000.0), 4);
        let mid = &low[1000..3000];
        let power = mid.iter().map(|x| x * x).sum::<f64>() / mid.len() as f64;
        assert!((power - 0.5).abs() < 0.005, "{power}");
        let high = decimate(&tone(40_000.0), 4);
        let power = high[1000..3000].iter().map(|x| x * x).sum::<f64>() / 2000.0;
        assert!(power < 1e-5, "{power}");
    }
}
