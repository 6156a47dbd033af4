//! A baseline as it is kept: what a wheel, or the wheels of a specification, showed when sound.
//!
//! The mode sets of its soundings are what it is made of; the statistics beside them are
//! derived, and can be derived anew by a later method.

use serde::{Deserialize, Serialize};

use crate::reading::baseline::{Baseline, Sounded, Unfit, build, build_group};
use crate::reading::{Damping, Footing, matching::Line};
use crate::record::sounding::{BaselineRef, MadeBy, ModeRecord, SoundingRecord};
use crate::record::wheel::Bond;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.baseline";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// A baseline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaselineRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format (not of the baseline).
    pub version: u32,
    /// Whether `of` is a wheel or a specification.
    pub kind: BaselineKind,
    /// Id of the wheel or name of the specification that it describes.
    pub of: String,
    /// Version of the baseline, counted from 1 for each wheel or specification; 0 until the
    /// store has given it one.
    pub baseline_version: u32,
    /// When it was built, RFC 3339.
    pub built_at: String,
    /// What made it.
    pub made_by: MadeBy,
    /// True when nothing stood behind its first sounding: it rang, and that is all that is
    /// known of it.
    pub unconfirmed: bool,
    /// Bond of the wheels of a specification, where known; that of a wheel stands with the wheel.
    #[serde(default)]
    pub bond: Option<Bond>,
    /// What the user should know of it, in sentences.
    pub notes: Vec<String>,
    /// The soundings that it is computed from.
    pub soundings: Vec<BaselineSounding>,
    /// What was computed from them.
    pub statistics: Option<BaselineStatistics>,
}

/// What a baseline describes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BaselineKind {
    /// One wheel.
    Wheel,
    /// The wheels of one specification.
    Specification,
}

impl BaselineKind {
    /// The word in records.
    pub fn word(self) -> &'static str {
        match self {
            Self::Wheel => "wheel",
            Self::Specification => "specification",
        }
    }
}

/// One sounding of a baseline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaselineSounding {
    /// The recordings it was read from.
    pub recorded: Vec<Recorded>,
    /// Wheel that was sounded, where known (for a specification: one of its wheels).
    pub wheel: Option<String>,
    /// Name of its turn plan.
    pub turn_plan: String,
    /// The modes of all its taps solved together.
    pub modes: Vec<ModeRecord>,
    /// Ring time of each tap that has one, in seconds.
    pub tap_ring_times_s: Vec<f64>,
    /// Geometric mean of them in seconds; none without any.
    pub ring_time_s: Option<f64>,
    /// Temperature of the wheel in degrees Celsius, where it was logged.
    pub temp_c: Option<f64>,
    /// Share of the strong tones' power that damped tones do not explain (the room's echo).
    #[serde(default)]
    pub room_misfit: Option<f64>,
}

/// A recording by name and content.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Recorded {
    /// Name as it was given.
    pub name: String,
    /// BLAKE3 hash of its bytes in hexadecimal.
    pub blake3: String,
}

/// What was computed from the soundings of a baseline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaselineStatistics {
    /// The modes, by rising frequency.
    pub modes: Vec<BaselineMode>,
    /// Mean of the natural logarithm of the ring time in seconds.
    pub ln_ring_time_mean: Option<f64>,
    /// Standard deviation of the same from sounding to sounding; none from one sounding.
    pub ln_ring_time_spread: Option<f64>,
    /// The assumptions that stand in for spreads which so few soundings cannot give.
    pub priors: Vec<Prior>,
}

/// One mode, or one pair seen as one line, of a baseline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaselineMode {
    /// Mean frequency in Hz; of a pair that of its centre.
    pub freq_hz: f64,
    /// Standard deviation of the frequency from sounding to sounding in Hz; none from one.
    pub freq_spread_hz: Option<f64>,
    /// Mean of the natural logarithm of the amplitude decay rate in 1/s.
    pub ln_decay_mean: f64,
    /// Standard deviation of the same; none from one sounding.
    pub ln_decay_spread: Option<f64>,
    /// Number of soundings that showed it.
    pub seen: u32,
    /// Distance of the pair's two frequencies in Hz, where two were told apart.
    pub split_hz: Option<f64>,
    /// Closest distance in Hz at which two would have been told apart.
    pub resolution_hz: Option<f64>,
}

/// An assumed standard deviation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    /// The figure it belongs to.
    pub figure: String,
    /// The standard deviation, in the unit of the figure.
    pub sigma: f64,
    /// How many soundings it counts for.
    pub weight: f64,
    /// Where it comes from.
    pub from: String,
}

impl BaselineRecord {
    /// A baseline of the soundings in `soundings` without statistics, to be given its version
    /// by the store.
    pub fn new(
        kind: BaselineKind,
        of: &str,
        soundings: Vec<BaselineSounding>,
        made_by: MadeBy,
        built_at: &str,
    ) -> Self {
        Self {
            format: FORMAT.to_owned(),
            version: VERSION,
            kind,
            of: of.to_owned(),
            baseline_version: 0,
            built_at: built_at.to_owned(),
            made_by,
            unconfirmed: false,
            bond: None,
            notes: Vec::new(),
            soundings,
            statistics: None,
        }
    }
}

impl BaselineSounding {
    /// What a baseline takes from a sounding.
    pub fn of(record: &SoundingRecord, temp_c: Option<f64>) -> Self {
        let tap_ring_times_s: Vec<f64> = record
            .taps
            .iter()
            .filter_map(|t| t.ring_time_s)
            .filter(|t| t.is_finite() && *t > 0.0)
            .collect();
        Self {
            recorded: record
                .files
                .iter()
                .map(|f| Recorded {
                    name: f.name.clone(),
                    blake3: f.blake3.clone(),
                })
                .collect(),
            wheel: record.wheel.clone(),
            turn_plan: record.turn_plan.clone(),
            modes: record.modes.clone(),
            ring_time_s: geometric_mean(&tap_ring_times_s),
            tap_ring_times_s,
            temp_c,
            room_misfit: record.room_misfit,
        }
    }

    /// What the statistics are taken from.
    pub fn sounded(&self) -> Sounded {
        let names: Vec<&str> = self.recorded.iter().map(|r| r.name.as_str()).collect();
        let name = match names.as_slice() {
            [first, _, ..] => format!("{first} and its like"),
            _ => names.concat(),
        };
        Sounded {
            name,
            lines: self.modes.iter().map(Line::from).collect(),
            room_misfit: self.room_misfit.unwrap_or(0.0),
            tap_ring_times_s: self.tap_ring_times_s.clone(),
            temp_c: self.temp_c,
        }
    }
}

impl BaselineStatistics {
    /// The statistics as they are kept.
    pub fn of(baseline: &Baseline) -> Self {
        let assumed = baseline.assumed();
        let prior = |figure: &str, sigma| Prior {
            figure: figure.to_owned(),
            sigma,
            weight: assumed.prior,
            from: "assumed, our own setting (docs/method.md)".to_owned(),
        };
        Self {
            modes: modes(baseline),
            ln_ring_time_mean: baseline.ring_times.map(|t| t.ln_mean),
            ln_ring_time_spread: baseline.ring_times.and_then(|t| t.seen_spread),
            priors: vec![
                prior("common shift, ln f", assumed.shift),
                prior(
                    "common shift, ln f, temperature known",
                    assumed.shift_at_temp,
                ),
                prior("single tone, ln f", assumed.tone),
                prior("split of a pair, relative", assumed.split),
                prior("decay rate, ln", assumed.decay),
                prior("ring time of a sounding, ln", assumed.ring_time),
                prior("ring time of a tap, ln", assumed.tap_ring_time),
            ],
        }
    }
}

/// Regular lines; those of a pair as one mode.
fn modes(baseline: &Baseline) -> Vec<BaselineMode> {
    let lines = &baseline.lines;
    let is_upper = |k: usize| lines[k].place.partner.is_some_and(|p| p < k);
    let regular = (0..lines.len()).filter(|&k| lines[k].place.regular && !is_upper(k));
    regular
        .map(|k| {
            let line = &lines[k];
            let low_hz = line.place.ln_freq.exp();
            let high = line.place.partner.and_then(|p| lines.get(p));
            let high_hz = high.map(|h| h.place.ln_freq.exp());
            let freq_hz = high_hz.map_or(low_hz, |h| 0.5 * (low_hz + h));
            BaselineMode {
                freq_hz,
                freq_spread_hz: line.seen_spread.map(|s| s * freq_hz),
                ln_decay_mean: high.map_or(line.ln_decay, |h| 0.5 * (line.ln_decay + h.ln_decay)),
                ln_decay_spread: line.seen_decay_spread,
                seen: high.map_or(line.seen, |h| line.seen.max(h.seen)),
                split_hz: high_hz.map(|h| h - low_hz),
                resolution_hz: Some(line.resolution * freq_hz),
            }
        })
        .collect()
}

impl BaselineRecord {
    /// The baseline to compare with, computed anew from its soundings.
    ///
    /// # Errors
    /// [`Unfit`] when this version of the method makes no baseline of them.
    pub fn compared(&self, damping: Damping) -> Result<Baseline, Unfit> {
        let soundings: Vec<Sounded> = self
            .soundings
            .iter()
            .map(BaselineSounding::sounded)
            .collect();
        match self.kind {
            BaselineKind::Wheel => build(&soundings, damping),
            BaselineKind::Specification => {
                build_group(Footing::SpecificationBaseline, &soundings, damping)
            }
        }
    }

    /// How it is named in a sounding that was held against it.
    pub fn reference(&self) -> BaselineRef {
        BaselineRef {
            of: self.of.clone(),
            version: self.baseline_version,
            soundings: self.soundings.len() as u32,
        }
    }
}

fn geometric_mean(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let sum: f64 = values.iter().map(|v| v.ln()).sum();
    Some((sum / values.len() as f64).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mean_ring_time_is_the_geometric_one() {
        assert_eq!(geometric_mean(&[]), None);
        let mean = geometric_mean(&[0.5, 2.0, 1.0]).unwrap_or(f64::NAN);
        assert!((mean - 1.0).abs() < 1e-12, "{mean}");
    }
}
