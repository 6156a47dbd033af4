//! Decay of each octave band of one tap.
//!
//! The coarse view beside the modes: one figure per band, whatever rings in it. Octaves,
//! because a wheel's modes lie some hundred Hz apart: narrower bands would be as short of
//! bandwidth as the decays are long, and hold no more than one mode anyhow. Bands are filtered
//! backwards in time, so that the filter's own decay matters only below a bandwidth times decay time
//! of 2. Where a band holds two tones that beat slowly, a line through the curve can be wrong
//! by a third, so there is none.

use crate::ring::take::TapTake;
use crate::ring::tap::{BandDecay, NoDecay};
use crate::signal::decay::{Decay, DecayLine, LineRange, NoLine, Noise};
use crate::signal::octave::{BandPass, BandWidth};

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
/// Below this bend the late part is a slower decay of its own.
const SLOWER_BEND: f64 = 0.8;
/// Ranges tried, the longest first, each with the later one that is fitted where a faster
/// decay (the strike itself, a heavily damped tone) covers the start.
const RANGES: [(LineRange, Option<LineRange>); 3] = [
    (
        LineRange::T30,
        Some(LineRange {
            from_db: -15.0,
            to_db: -35.0,
            needs_db: 45.0,
        }),
    ),
    (
        LineRange::T20,
        Some(LineRange {
            from_db: -12.0,
            to_db: -25.0,
            needs_db: 35.0,
        }),
    ),
    (LineRange::T10, None),
];
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
/// noise is fitted; where a faster decay covers its start, its later part. `fitted_db` says
/// which it was. Times count from the strike.
pub fn band_decays(take: &TapTake) -> Vec<BandDecay> {
    decays_in(take, BandWidth::Octave)
}

/// As [`band_decays`], in bands of the given width.
pub fn decays_in(take: &TapTake, width: BandWidth) -> Vec<BandDecay> {
    let rate = take.clip.rate();
    width
        .bands(LOWEST_HZ, rate)
        .into_iter()
        .filter_map(|edges| {
            BandPass::new(edges.0, edges.1, rate).map(|filter| one_band(take, edges, &filter))
        })
        .collect()
}

fn one_band(take: &TapTake, band_hz: (f64, f64), filter: &BandPass) -> BandDecay {
    let rate = take.clip.rate();
    let samples = filter.run_backwards(take.clip.slice(take.decay.start, take.decay.end), rate);
    let smooth_s = SMOOTH_BANDWIDTHS / filter.width_hz();
    let noise = quiet_power(take, filter).map_or(Noise::Unknown, Noise::Measured);
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
    let decay = match Decay::of(&samples, rate, smooth_s, noise) {
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

/// The line that tells the decay time, and the time or what speaks against it.
fn fitted(decay: &Decay, width_hz: f64) -> Result<(DecayLine, Result<f64, NoDecay>), NoLine> {
    let mut refusal = NoLine::NoDecay;
    for (range, later) in RANGES {
        let line = match decay.line(range) {
            Ok(line) => line,
            Err(no) => {
                refusal = no;
                continue;
            }
        };
        if is_straight(&line) {
            return Ok((line, told(&line, width_hz)));
        }
        if line.bend < SLOWER_BEND
            && let Some(late) = later.and_then(|range| decay.line(range).ok())
            && is_straight(&late)
        {
            return Ok((late, told(&late, width_hz)));
        }
        return Ok((
            line,
            Err(NoDecay::Beating {
                rms_db: line.rms_db,
            }),
        ));
    }
    // The last range tried is the shortest: it says what is needed at least.
    Err(refusal)
}

fn is_straight(line: &DecayLine) -> bool {
    let chance = BEND_STDS * line.ring_time_std_s / line.ring_time_s;
    line.rms_db <= MOST_RMS_DB && line.bend - 1.0 <= LEAST_BEND.max(chance)
}

fn told(line: &DecayLine, width_hz: f64) -> Result<f64, NoDecay> {
    let bandwidth_times_t60 = width_hz * line.ring_time_s;
    if bandwidth_times_t60 < LEAST_BANDWIDTH_TIMES_T60 {
        return Err(NoDecay::FilterBound {
            bandwidth_times_t60,
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

/// Mean square of the quiet stretch in the band; none where it is too short to tell.
fn quiet_power(take: &TapTake, filter: &BandPass) -> Option<f64> {
    let rate = take.clip.rate();
    let quiet = take.clip.slice(take.quiet.start, take.quiet.end);
    if quiet.len() < rate.samples(QUIET_BANDWIDTHS / filter.width_hz()).max(1) {
        return None;
    }
    let band = filter.run_backwards(quiet, rate);
    Some(band.iter().map(|v| v * v).sum::<f64>() / band.len() as f64)
}
