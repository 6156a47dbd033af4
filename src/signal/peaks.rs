//! Maxima of a spectrum: prominence, spacing in Hz, interpolation.

use std::collections::BTreeSet;

use crate::signal::spectrum::Spectrum;
use crate::units::amplitude_db;

/// Amplitudes below this share of the largest (-240 dB) count as this, so that silence
/// between two lines gives a finite prominence.
const FLOOR_SHARE: f64 = 1e-12;

/// What a maximum must be to be a peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeakRules {
    /// Least prominence in dB (0 keeps every local maximum). Prominence is the height over
    /// the higher of the two lowest points that lie between the peak and the next strictly
    /// higher point, or the spectrum's end, on either side.
    pub min_prominence_db: f64,
    /// Peaks nearer than this to a higher kept peak are dropped. Of two equally high ones
    /// the lower in frequency is kept. Distances are those of bins, not of interpolated peaks.
    pub min_spacing_hz: f64,
    /// Lowest and highest frequency of a peak's bin in Hz, both included. Prominence is
    /// still judged over the whole spectrum.
    pub band_hz: (f64, f64),
}

/// A maximum of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Interpolated frequency in Hz.
    pub freq_hz: f64,
    /// Interpolated amplitude.
    pub amplitude: f64,
    /// Prominence of the bin in dB, 0 to 240.
    pub prominence_db: f64,
    /// The bin of the maximum; the middle one (rounded down) of a flat top.
    pub bin: usize,
}

/// Peaks of a spectrum by rising frequency. Prominence is asked first, spacing among those
/// that have it. Takes O(n log n) for n bins whatever their shape.
pub fn find_peaks(spectrum: &Spectrum, rules: &PeakRules) -> Vec<Peak> {
    let amplitudes = spectrum.amplitudes();
    let floor = FLOOR_SHARE * amplitudes.iter().fold(0.0, |m: f64, a| m.max(*a));
    let bases = higher_bases(amplitudes);
    let candidates: Vec<Peak> = local_maxima(amplitudes)
        .into_iter()
        .filter_map(|bin| {
            let at_hz = spectrum.freq_of(bin as f64);
            let prominence_db = amplitude_db(amplitudes[bin].max(floor) / bases[bin].max(floor));
            let in_band = at_hz >= rules.band_hz.0 && at_hz <= rules.band_hz.1;
            (in_band && prominence_db >= rules.min_prominence_db).then(|| {
                let (freq_hz, amplitude) = spectrum.interpolated_peak(bin);
                Peak {
                    freq_hz,
                    amplitude,
                    prominence_db,
                    bin,
                }
            })
        })
        .collect();
    let heights: Vec<(usize, f64)> = candidates
        .iter()
        .map(|p| (p.bin, amplitudes[p.bin]))
        .collect();
    let kept = spaced(&heights, rules.min_spacing_hz / spectrum.bin_hz());
    candidates
        .into_iter()
        .filter(|p| kept.contains(&p.bin))
        .collect()
}

/// Indices of local maxima by rising index: points, or flat tops, with lower points on both
/// sides; of a flat top the middle, rounded down. The two ends are never maxima.
pub fn local_maxima(values: &[f64]) -> Vec<usize> {
    let mut found = Vec::new();
    let mut i = 1;
    while i + 1 < values.len() {
        if values[i - 1] < values[i] {
            let mut end = i + 1;
            while end + 1 < values.len() && values[end] == values[i] {
                end += 1;
            }
            if values[end] < values[i] {
                found.push((i + end - 1) / 2);
            }
            i = end;
        } else {
            i += 1;
        }
    }
    found
}

/// For every point the higher of its two bases: the lowest value between it and the next
/// strictly higher point (or the end) on either side. `values[i] - bases[i]` is the
/// prominence of a local maximum.
pub fn higher_bases(values: &[f64]) -> Vec<f64> {
    let mut bases = vec![f64::NEG_INFINITY; values.len()];
    lowest_since_higher(values, 0..values.len(), &mut bases);
    lowest_since_higher(values, (0..values.len()).rev(), &mut bases);
    bases
}

/// Walks in the given order and raises each base to the lowest value since the last strictly
/// higher point. The stack holds the points that are still a bound for later ones, each
/// with the lowest value since its own bound, so every point is pushed and popped once.
fn lowest_since_higher(values: &[f64], order: impl Iterator<Item = usize>, bases: &mut [f64]) {
    let mut stack: Vec<(f64, f64)> = Vec::new();
    for i in order {
        let mut lowest = values[i];
        while let Some(&(height, low)) = stack.last()
            && height <= values[i]
        {
            lowest = lowest.min(low);
            stack.pop();
        }
        stack.push((values[i], lowest));
        bases[i] = bases[i].max(lowest);
    }
}

/// Of (bin, height) pairs the bins that stay when, from the highest down, each one nearer
/// than `spacing_bins` to a kept one is dropped; of equals the lower bin goes first.
fn spaced(heights: &[(usize, f64)], spacing_bins: f64) -> BTreeSet<usize> {
    let mut order = heights.to_vec();
    order.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let mut kept = BTreeSet::new();
    for (bin, _) in order {
        let below = kept.range(..bin).next_back();
        let above = kept.range(bin + 1..).next();
        let near = |other: &usize| (bin.abs_diff(*other) as f64) < spacing_bins;
        if !below.is_some_and(near) && !above.is_some_and(near) {
            kept.insert(bin);
        }
    }
    kept
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::signal::window::Window;
    use crate::units::SampleRate;

    /// Prominence by its definition, quadratic.
    fn base_by_definition(values: &[f64], i: usize) -> f64 {
        let left = values[..=i].iter().rev().take_while(|v| **v <= values[i]);
        let right = values[i..].iter().take_while(|v| **v <= values[i]);
        let low = |it: &mut dyn Iterator<Item = &f64>| it.fold(f64::INFINITY, |m, v| m.min(*v));
        low(&mut left.into_iter()).max(low(&mut right.into_iter()))
    }

    #[test]
    fn bases_match_the_definition_on_rough_ground() {
        let mut state = 1u64;
        for round in 0..50 {
            let values: Vec<f64> = (0..200)
                .map(|_| {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1);
                    // Few levels, so that ties are common.
                    ((state >> 33) % (3 + round)) as f64
                })
                .collect();
            let bases = higher_bases(&values);
            for i in local_maxima(&values) {
                assert_eq!(bases[i], base_by_definition(&values, i), "{round} {i}");
            }
        }
    }

    #[test]
    fn flat_tops_give_their_middle_and_ends_are_none() {
        assert_eq!(
            local_maxima(&[0.0, 1.0, 1.0, 0.0, 2.0, 2.0, 2.0, 1.0]),
            vec![1, 5]
        );
        assert_eq!(
            local_maxima(&[3.0, 1.0, 1.0, 2.0, 2.0]),
            Vec::<usize>::new()
        );
        assert_eq!(local_maxima(&[1.0, 2.0, 2.0, 3.0, 1.0]), vec![3]);
        assert!(local_maxima(&[]).is_empty() && local_maxima(&[1.0, 1.0]).is_empty());
    }

    #[test]
    fn spacing_keeps_the_higher_and_of_equals_the_lower_in_frequency() {
        let kept = |spacing| {
            spaced(
                &[(10, 1.0), (13, 2.0), (16, 1.5), (30, 1.0), (32, 1.0)],
                spacing,
            )
            .into_iter()
            .collect::<Vec<_>>()
        };
        assert_eq!(kept(0.0), vec![10, 13, 16, 30, 32]);
        assert_eq!(kept(3.0), vec![10, 13, 16, 30]);
        assert_eq!(kept(3.5), vec![13, 30]);
        assert_eq!(kept(f64::NAN), vec![10, 13, 16, 30, 32]);
    }

    // Two dying tones (T60 0.5 s), the second 34 dB weaker and on the skirt of the first.
    #[test]
    fn two_tones_are_found_and_their_skirts_are_not() {
        let rate = SampleRate::new(48_000).unwrap();
        let x: Vec<f64> = (0..24_000)
            .map(|i| {
                let t = f64::from(i) / 48_000.0;
                let turn = std::f64::consts::TAU * t;
                let tones = 0.5 * (turn * 1_234.0).sin() + 0.01 * (turn * 1_500.0).sin();
                tones * (-13.8 * t).exp()
            })
            .collect();
        let s = Spectrum::of(&x, rate, Window::FallingCosine, 65_536);
        let rules = PeakRules {
            min_prominence_db: 3.0,
            min_spacing_hz: 5.0,
            band_hz: (200.0, 20e3),
        };
        let peaks = find_peaks(&s, &rules);
        assert_eq!(peaks.len(), 2, "{peaks:?}");
        assert!((peaks[0].freq_hz - 1_234.0).abs() < 0.05, "{peaks:?}");
        assert!((peaks[1].freq_hz - 1_500.0).abs() < 1.5, "{peaks:?}");
        assert!(
            peaks[0].prominence_db > 40.0 && peaks[1].prominence_db < 20.0,
            "{peaks:?}"
        );
        let narrow = PeakRules {
            band_hz: (1_400.0, 1_600.0),
            ..rules
        };
        assert_eq!(find_peaks(&s, &narrow), vec![peaks[1]]);
        let high = PeakRules {
            min_prominence_db: 20.0,
            ..rules
        };
        assert_eq!(find_peaks(&s, &high), vec![peaks[0]]);
    }

    /// Two sines of whole periods, far above rounding: each stands out by all that is told, however
    /// soft, and spacing is in Hz whatever a bin is.
    #[test]
    fn prominence_and_spacing_know_their_units() {
        for (rate_hz, gain) in [(8_000, 1.0), (8_000, 1e-3), (48_000, 1e3)] {
            let rate = SampleRate::new(rate_hz).unwrap();
            let bin_hz = f64::from(rate_hz) / 4096.0;
            let x: Vec<f64> = (0..4096)
                .map(|n| {
                    let turn = std::f64::consts::TAU * f64::from(n) / 4096.0;
                    gain * ((turn * 500.0).sin() + 0.9 * (turn * 530.0).sin())
                })
                .collect();
            let s = Spectrum::of(&x, rate, Window::Rectangular, 4096);
            let peaks = |min_spacing_hz: f64| {
                let rules = PeakRules {
                    min_prominence_db: 200.0,
                    min_spacing_hz,
                    band_hz: (0.0, 0.5 * rate.hz()),
                };
                find_peaks(&s, &rules)
            };
            let both = peaks(29.0 * bin_hz);
            assert_eq!(both.iter().map(|p| p.bin).collect::<Vec<_>>(), [500, 530]);
            assert!(
                both.iter()
                    .all(|p| (239.0..240.1).contains(&p.prominence_db)),
                "{both:?}"
            );
            let one = peaks(31.0 * bin_hz);
            assert_eq!(one.iter().map(|p| p.bin).collect::<Vec<_>>(), [500]);
        }
    }

    #[test]
    fn silence_has_no_peaks() {
        let s = Spectrum::of(
            &[0.0; 100],
            SampleRate::new(8_000).unwrap(),
            Window::Hann,
            0,
        );
        let rules = PeakRules {
            min_prominence_db: 0.0,
            min_spacing_hz: 0.0,
            band_hz: (0.0, 4e3),
        };
        assert!(find_peaks(&s, &rules).is_empty());
    }
}
