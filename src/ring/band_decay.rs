//! Decay of each octave band of one tap.
//!
//! The coarse view beside the modes: one figure per band, whatever rings in it. Octaves,
//! because a wheel's modes lie some hundred Hz apart: narrower bands would be as short of
//! bandwidth as the decays are long, and hold no more than one mode anyhow. Bands are filtered
//! backwards in time, so that the filter's own decay matters only below a bandwidth times decay time
//! of 2. Where a band holds two tones that beat slowly, a line through the curve can be wrong
//! by a third, so there is none.

use crate::ring::mode::Mode;
use crate::ring::take::TapTake;
use crate::ring::tap::{BandDecay, NoDecay};
use crate::signal::decay::{Decay, DecayLine, LineRange, NoLine, Noise};
use crate::signal::octave::{BandPass, BandWidth};
use crate::units::SampleRate;

/// Middle of the lowest band in Hz.
const LOWEST_HZ: f64 = 250.0;
/// Least product of bandwidth and decay time that a backward run follows within 1 %
/// (computed for six-pole filters: 1.007 at 2, 1.17 at 1).
const LEAST_BANDWIDTH_TIMES_T60: f64 = 2.0;
/// Rms distance in dB of the curve from its line above which there is no line. Two equal tones
/// give 0.6 where their line is wrong by 2 %, 1.2 at 8 %, 1.3 to 2.1 at a third.
const MOST_RMS_DB: f64 = 1.0;
/// Decays that add up get slower, never faster: a second half of the line that is steeper
/// than the first by this share means tones that beat, ...
const LEAST_BEND: f64 = 0.05;
/// ... unless chance does as much. The slope of half a line scatters 2.8 times as much as that of
/// the whole, the ratio of two halves 4 times; three of those.
const BEND_STDS: f64 = 12.0;
/// Most that is put down to chance, and what is where chance is not known.
const MOST_CHANCE_BEND: f64 = 0.3;
/// Ranges tried, the longest first.
const RANGES: [LineRange; 3] = [LineRange::T30, LineRange::T20, LineRange::T10];
/// Shortest decay that is looked at, in seconds.
const SHORTEST_S: f64 = 0.04;
/// Averaging time of the level, in reciprocals of the bandwidth.
const SMOOTH_BANDWIDTHS: f64 = 1.0;
/// Least length of quiet that tells the noise of a band, in reciprocals of its width (its
/// mean square is then known within 20 %).
const QUIET_BANDWIDTHS: f64 = 20.0;
/// Points of a curve for pictures.
const CURVE_POINTS: usize = 200;

/// Decay of every octave band from 250 Hz up to 0.45 of the sample rate.
///
/// The noise is that of the quiet stretch, or of the end of the decay where that is less or where
/// no quiet is. The longest of the ranges -5 to -35, -25, -15 dB that stands 10 dB over the
/// noise is fitted. Where tones beat, or die so differently that the curve is bent by more than 1 dB rms,
/// there is no decay time. A band within 20 dB of a louder or longer-ringing neighbour also
/// shows that one (the filter is 18 dB down at the neighbour's middle): see
/// [`without_neighbours`]. Times count from the strike.
pub fn band_decays(take: &TapTake) -> Vec<BandDecay> {
    decays_in(take, BandWidth::Octave)
}

/// As [`band_decays`], in bands of the given width.
pub fn decays_in(take: &TapTake, width: BandWidth) -> Vec<BandDecay> {
    let rate = take.clip.rate();
    let (edges, filters): (Vec<(f64, f64)>, Vec<BandPass>) = width
        .bands(LOWEST_HZ, rate)
        .into_iter()
        .filter_map(|edges| Some((edges, BandPass::new(edges.0, edges.1, rate)?)))
        .unzip();
    let decay = take.clip.slice(take.decay.start, take.decay.end);
    let decays = BandPass::run_all_backwards(&filters, decay, rate);
    let noise = quiet_powers(take, &filters);
    edges
        .into_iter()
        .zip(&filters)
        .zip(decays.iter().zip(noise))
        .map(|((edges, filter), (samples, noise))| one_band(take, edges, filter, samples, noise))
        .collect()
}

fn one_band(
    take: &TapTake,
    band_hz: (f64, f64),
    filter: &BandPass,
    samples: &[f64],
    noise: Noise,
) -> BandDecay {
    let rate = take.clip.rate();
    let smooth_s = SMOOTH_BANDWIDTHS / filter.width_hz();
    let late_s = rate.seconds(take.decay.start) - rate.seconds(take.strike);
    let refused = |no: NoLine| BandDecay {
        band_hz,
        ring_time_s: Err(reason(no)),
        fitted_db: (0.0, 0.0),
        fitted_s: (0.0, 0.0),
        over_noise_db: match no {
            NoLine::Range { range_db, .. } => range_db,
            NoLine::NoDecay => 0.0,
        },
        curve: Vec::new(),
    };
    if samples.len() < rate.samples(SHORTEST_S) {
        return refused(NoLine::NoDecay);
    }
    let decay = match Decay::of(samples, rate, smooth_s, noise) {
        Ok(decay) => decay,
        Err(no) => return refused(no),
    };
    let mut band = match fitted(&decay, filter.width_hz()) {
        Ok((line, ring_time_s)) => BandDecay {
            ring_time_s,
            fitted_db: line.fitted_db,
            fitted_s: (line.fitted_s.0 + late_s, line.fitted_s.1 + late_s),
            ..refused(NoLine::NoDecay)
        },
        Err(no) => refused(no),
    };
    band.over_noise_db = decay.range_db();
    band.curve = decay.curve(CURVE_POINTS);
    for point in &mut band.curve {
        point.0 += late_s;
    }
    band
}

/// Takes back the decay times of bands in which, by the end of the fitted range, the modes of
/// other bands are louder through the filter's skirt than those of the band itself.
pub fn without_neighbours(
    mut bands: Vec<BandDecay>,
    modes: &[Mode],
    rate: SampleRate,
) -> Vec<BandDecay> {
    for band in &mut bands {
        let (low_hz, high_hz) = band.band_hz;
        let Some(filter) = BandPass::new(low_hz, high_hz, rate) else {
            continue;
        };
        let until_s = band.fitted_s.1;
        let power = |m: &Mode| {
            let left = m.amplitude * (-m.decay_per_s * until_s).exp();
            (left * filter.gain_at(m.freq_hz, rate)).powi(2)
        };
        let is_own = |m: &&Mode| m.freq_hz >= low_hz && m.freq_hz <= high_hz;
        let own: f64 = modes.iter().filter(is_own).map(power).sum();
        let loudest = modes
            .iter()
            .filter(|m| !is_own(m))
            .max_by(|a, b| power(a).total_cmp(&power(b)));
        if let (Some(other), Ok(_)) = (loudest, &band.ring_time_s)
            && power(other) > own
        {
            band.ring_time_s = Err(NoDecay::Neighbour {
                freq_hz: other.freq_hz,
            });
        }
    }
    bands
}

/// The line that tells the decay time, and the time or what speaks against it.
fn fitted(decay: &Decay, width_hz: f64) -> Result<(DecayLine, Result<f64, NoDecay>), NoLine> {
    let mut refusal = NoLine::NoDecay;
    for range in RANGES {
        match decay.line(range) {
            Ok(line) => return Ok((line, told(&line, width_hz))),
            Err(no) => refusal = no,
        }
    }
    // The last range tried is the shortest: it says what is needed at least.
    Err(refusal)
}

fn told(line: &DecayLine, width_hz: f64) -> Result<f64, NoDecay> {
    let bandwidth_times_t60 = width_hz * line.ring_time_s;
    if bandwidth_times_t60 < LEAST_BANDWIDTH_TIMES_T60 {
        return Err(NoDecay::FilterBound {
            bandwidth_times_t60,
        });
    }
    let chance = BEND_STDS * line.ring_time_std_s / line.ring_time_s;
    let most_bend = chance.clamp(LEAST_BEND, MOST_CHANCE_BEND);
    if line.rms_db > MOST_RMS_DB || line.bend - 1.0 > most_bend {
        return Err(NoDecay::Beating {
            rms_db: line.rms_db,
        });
    }
    Ok(line.ring_time_s)
}

fn reason(no: NoLine) -> NoDecay {
    match no {
        NoLine::Range {
            range_db,
            needed_db,
        } => NoDecay::Range {
            range_db,
            needed_db,
        },
        NoLine::NoDecay => NoDecay::Range {
            range_db: 0.0,
            needed_db: LineRange::T10.needs_db,
        },
    }
}

/// Mean square of the quiet stretch in each band; unknown where it is too short to tell.
fn quiet_powers(take: &TapTake, filters: &[BandPass]) -> Vec<Noise> {
    let rate = take.clip.rate();
    let quiet = take.clip.slice(take.quiet.start, take.quiet.end);
    let bands = BandPass::run_all_backwards(filters, quiet, rate);
    filters
        .iter()
        .zip(bands)
        .map(|(filter, band)| {
            if band.len() < rate.samples(QUIET_BANDWIDTHS / filter.width_hz()).max(1) {
                return Noise::Unknown;
            }
            Noise::Measured(band.iter().map(|v| v * v).sum::<f64>() / band.len() as f64)
        })
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;
    use crate::signal::clip::Clip;

    fn mode(freq_hz: f64, amplitude: f64, decay_per_s: f64) -> Mode {
        Mode {
            freq_std_hz: 0.1,
            decay_per_s,
            amplitude,
            tap_amplitudes: vec![amplitude],
            ..Mode::made_up(freq_hz)
        }
    }

    // The edge of the band is 3 dB down (Butterworth): a neighbour there that has sqrt(2) times the
    // amplitude of the band's own mode at the end of the fit is as loud through the filter.
    #[test]
    fn a_neighbour_counts_as_it_is_when_the_fit_ends() {
        let rate = SampleRate::new(48_000).unwrap();
        let band = BandDecay {
            band_hz: (707.0, 1414.0),
            ring_time_s: Ok(0.5),
            fitted_db: (-5.0, -25.0),
            fitted_s: (0.05, 0.2),
            over_noise_db: 40.0,
            curve: Vec::new(),
        };
        let refused = |modes: &[Mode]| {
            let out = without_neighbours(vec![band.clone()], modes, rate);
            matches!(out[0].ring_time_s, Err(NoDecay::Neighbour { freq_hz }) if freq_hz == 1414.1)
        };
        let own = mode(1000.0, 1.0, 10.0);
        assert!(refused(&[own.clone(), mode(1414.1, 1.43, 10.0)]));
        assert!(!refused(&[own.clone(), mode(1414.1, 1.39, 10.0)]));
        // It decays until 0.2 s: 10/s faster is e^2 less.
        let e2 = 2f64.exp();
        assert!(refused(&[own.clone(), mode(1414.1, 1.43 * e2, 20.0)]));
        assert!(!refused(&[own.clone(), mode(1414.1, 1.39 * e2, 20.0)]));
        // Two of the band's own add up in power; a tone on its edge is its own.
        assert!(!refused(&[
            own.clone(),
            own.clone(),
            mode(1414.1, 1.9, 10.0)
        ]));
        assert!(refused(&[own.clone(), own, mode(1414.1, 2.03, 10.0)]));
        assert!(!refused(&[mode(1414.0, 1.0, 10.0)]));
        assert!(refused(&[mode(1414.1, 1.0, 10.0)]));
        assert!(!refused(&[]));
    }

    fn take(samples: Vec<f64>, strike: usize, decay_from: usize) -> TapTake {
        let end = samples.len();
        TapTake {
            clip: Clip::new(samples, SampleRate::new(8000).unwrap()),
            time_s: 0.0,
            strike,
            quiet: 0..strike.saturating_sub(32),
            decay: decay_from..end,
            microphone: 0,
            flaws: Vec::new(),
            level_db: 40.0,
            tonal_share: 1.0,
        }
    }

    // White samples of +-a have the power a^2 in all of 4 kHz; 20 bandwidths of the octave at
    // 250 Hz (width 177 Hz) last 0.113 s, of the one at 1 kHz 0.028 s.
    #[test]
    fn the_quiet_tells_the_noise_where_it_is_long_enough() {
        let rate = SampleRate::new(8000).unwrap();
        let filters: Vec<BandPass> = [(177.0, 354.0), (707.0, 1414.0)]
            .into_iter()
            .map(|(low, high)| BandPass::new(low, high, rate).unwrap())
            .collect();
        let white = |n: u32| -> Vec<f64> {
            let mut state = 12_345_u32;
            let next = |_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                if state >> 31 == 0 { 0.1 } else { -0.1 }
            };
            (0..n).map(next).collect()
        };
        let of = |quiet: u32| {
            let samples = white(quiet + 32 + 400);
            quiet_powers(
                &take(samples, quiet as usize + 32, quiet as usize + 32),
                &filters,
            )
        };
        let long = of(8000);
        for (noise, width_hz) in long.iter().zip([177.0, 707.0]) {
            let Noise::Measured(power) = noise else {
                panic!("{noise:?}")
            };
            // 1 s of 177 Hz: known to 1/sqrt(177) = 8 %, and the skirts of six poles add 5 %.
            let share = power / (0.01 * width_hz / 4000.0);
            assert!((share - 1.05).abs() < 0.25, "{width_hz}: {share}");
        }
        assert!(matches!(of(500)[..], [Noise::Unknown, Noise::Measured(_)]));
        assert!(matches!(of(200)[..], [Noise::Unknown, Noise::Unknown]));
    }

    // 20 ms after the strike the decay begins; what is told counts from the strike.
    #[test]
    fn times_count_from_the_strike() {
        let rate = 8000.0;
        let samples: Vec<f64> = (0..6400)
            .map(|n| {
                let t = f64::from(n - 800) / rate;
                let tone = (-20.0 * t).exp() * (std::f64::consts::TAU * 1000.0 * t).sin();
                if n < 800 { 0.0 } else { tone }
            })
            .collect();
        let bands = band_decays(&take(samples, 800, 960));
        let band = bands
            .iter()
            .find(|b| b.band_hz.0 < 1000.0 && b.band_hz.1 > 1000.0)
            .unwrap();
        let ring_time_s = band.ring_time_s.unwrap();
        assert!(
            (ring_time_s / (6.9078 / 20.0) - 1.0).abs() < 0.02,
            "{ring_time_s}"
        );
        assert!((band.curve[0].0 - 0.02).abs() < 1e-9, "{:?}", band.curve[0]);
        // 5 dB below the start, 5/60 of the ring time later.
        let from_s = 0.02 + ring_time_s * 5.0 / 60.0;
        assert!(
            (band.fitted_s.0 - from_s).abs() < 0.005,
            "{:?}",
            band.fitted_s
        );
        // 8.69 dB x 20/s over the 0.68 s that are left, told by the first 1.4 ms.
        assert!(
            (band.over_noise_db - 118.1).abs() < 4.0,
            "{}",
            band.over_noise_db
        );
        // The longest range ends 30 dB further down.
        let to_s = from_s + ring_time_s * 0.5;
        assert!((band.fitted_s.1 - to_s).abs() < 0.01, "{:?}", band.fitted_s);
    }

    /// A line of 0.5 s with the given relative error, bend and distance from its curve.
    fn line(std: f64, bend: f64, rms_db: f64) -> DecayLine {
        DecayLine {
            ring_time_s: 0.5,
            ring_time_std_s: 0.5 * std,
            rms_db,
            bend,
            fitted_db: (-5.0, -35.0),
            fitted_s: (0.0, 0.3),
        }
    }

    #[test]
    fn a_line_is_told_unless_its_filter_its_bend_or_its_curve_speaks_against_it() {
        let straight = line(0.0, 1.0, 0.2);
        assert_eq!(told(&straight, 100.0), Ok(0.5));
        // A filter of 3.9 Hz rings for two thirds of that itself.
        let narrow = told(&straight, 3.9);
        assert!(matches!(
            narrow,
            Err(NoDecay::FilterBound { bandwidth_times_t60 }) if (bandwidth_times_t60 - 1.95).abs() < 1e-12
        ));
        assert_eq!(told(&straight, 4.1), Ok(0.5));
        assert_eq!(told(&line(0.0, 1.0, 0.99), 100.0), Ok(0.5));
        assert_eq!(
            told(&line(0.0, 1.0, 1.01), 100.0),
            Err(NoDecay::Beating { rms_db: 1.01 })
        );
        // A bend up to 5 %, to twelve deviations where those are more, to 30 % at most.
        for (std, most) in [
            (0.0, 0.05),
            (0.001, 0.05),
            (0.01, 0.12),
            (0.5, 0.3),
            (f64::INFINITY, 0.3),
        ] {
            assert_eq!(
                told(&line(std, 1.0 + 0.99 * most, 0.2), 100.0),
                Ok(0.5),
                "{std}"
            );
            let bent = told(&line(std, 1.0 + 1.01 * most, 0.2), 100.0);
            assert_eq!(bent, Err(NoDecay::Beating { rms_db: 0.2 }), "{std}");
        }
        // Slower at the end is no beat.
        assert_eq!(told(&line(0.0, 0.5, 0.2), 100.0), Ok(0.5));
    }
}
