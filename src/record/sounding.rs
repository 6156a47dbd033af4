//! One sounding as it is printed by `--json` and kept in the store.
//!
//! Fields may be added; those that stand here keep their name and meaning.
//! `null` where a figure is unknown.

use serde::{Deserialize, Serialize};

use crate::reading::matching::Line;
use crate::record::ChainRecord;
use crate::units::LN_1000;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.sounding";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// A sounding: one ring test of one wheel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SoundingRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Who took it, where it was said.
    #[serde(default)]
    pub by: Option<String>,
    /// What was asked before the first tap; empty when nothing was.
    #[serde(default)]
    pub ready: Vec<ReadyRecord>,
    /// The recordings it was read from.
    pub files: Vec<FileRecord>,
    /// Id of the wheel, where one was given.
    pub wheel: Option<String>,
    /// `rings clear`, `rings, not compared`, `sounds dead` or `sound it again`.
    pub outcome: String,
    /// The outcome in one plain sentence.
    pub summary: String,
    /// `own baseline`, `specification baseline`, `lot peers` or `physics only`.
    pub footing: String,
    /// What stands behind the footing.
    pub baseline: Option<BaselineRef>,
    /// Name of the turn plan: `rule`, `quarter` or `spread`.
    pub turn_plan: String,
    /// Temperature of the wheel in degrees Celsius, where it was logged.
    #[serde(default)]
    pub temp_c: Option<f64>,
    /// Energy of the room's echo over that of the direct sound; where no echo shows, the share of
    /// the strong modes' power that damped tones do not explain. None without taps.
    #[serde(default)]
    pub room_misfit: Option<f64>,
    /// The room's echo as the taps together show it; none where it does not show.
    #[serde(default)]
    pub room: Option<RoomRecord>,
    /// The taps in the order they were struck.
    pub taps: Vec<TapRecord>,
    /// The modes of all taps solved together.
    pub modes: Vec<ModeRecord>,
    /// Pairs among `modes`: two tones that would be one in a perfect disc.
    #[serde(default)]
    pub pairs: Vec<PairRecord>,
    /// Numbers of nodal diameters up to 8 whose pairs the taps struck in one and the same mix, so
    /// that a change of one of the two may not show.
    #[serde(default)]
    pub unseen_orders: Vec<u32>,
    /// Elastic values of the wheel, where its mass was given and modes have labels.
    #[serde(default)]
    pub stiffness: Option<StiffnessRecord>,
    /// What the levels tap by tap hint at, in sentences: no measurements.
    #[serde(default)]
    pub hints: Vec<String>,
    /// The figures of the wheel as a whole that led to the outcome.
    pub evidence: Vec<EvidenceRecord>,
    /// What was wrong with the recordings or the circumstances, in sentences.
    pub warnings: Vec<String>,
    /// What made this record.
    pub made_by: MadeBy,
}

impl ChainRecord for SoundingRecord {
    const FORMAT: &'static str = FORMAT;
    const VERSION: u32 = VERSION;
    const NOUN: &'static str = "the sounding";

    fn stated(&self) -> (&str, u32) {
        (&self.format, self.version)
    }

    fn wheel(&self) -> Option<&str> {
        self.wheel.as_deref()
    }
}

/// A recording behind a sounding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FileRecord {
    /// Path as it was given, `-` for standard input.
    pub name: String,
    /// BLAKE3 hash of the file's bytes in hexadecimal.
    pub blake3: String,
    /// Container and coding, for example `WAV, 24-bit integer`.
    pub kind: String,
    /// True when the coding loses part of the sound (MP3, AAC, Vorbis), which blurs decays.
    pub lossy: bool,
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Number of channels.
    pub channels: u32,
    /// The channel that was read, counted from 1.
    pub channel: u32,
    /// Another channel that was solved together with it as a second microphone, counted from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second_channel: Option<u32>,
    /// Length in seconds.
    pub length_s: f64,
    /// True when something seems to have turned its level up and down by itself: the quiet fell at
    /// a knock and crept up again. Decay times are then not to be trusted.
    #[serde(default)]
    pub automatic_gain: bool,
}

/// A question before the first tap.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadyRecord {
    /// Its short name: `power`, `seen` or `dry`.
    pub question: String,
    /// `yes`, `no` or `not answered`.
    pub answer: String,
}

/// The room's echo.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RoomRecord {
    /// Energy of the direct sound over that of the echo in dB.
    pub direct_over_echo_db: f64,
    /// Decay time T60 of the echo in seconds, one of 0.2, 0.4 and 0.8.
    pub echo_ring_time_s: f64,
}

/// The baseline that a sounding was held against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaselineRef {
    /// Id of the wheel or specification it describes; `this run` for the other wheels of a run.
    pub of: String,
    /// Its version, counted from 1; 0 for the other wheels of a run, which are not kept.
    pub version: u32,
    /// Number of soundings it was built from; one each of as many wheels, but for a wheel's own.
    pub soundings: u32,
}

/// One tap.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TapRecord {
    /// Time of the strike in seconds from the start of its file.
    pub time_s: f64,
    /// Name of its file.
    pub file: String,
    /// Tap spot: angle from the wheel's mark in degrees, where known.
    pub spot_deg: Option<f64>,
    /// What the ear heard: `ring`, `thud`, `unsure`, or null when it was not asked.
    pub heard: Option<String>,
    /// `clear ring`, `dull thud` or `unclear`.
    pub reading: String,
    /// Why, in sentences.
    pub reasons: Vec<String>,
    /// Energy-weighted decay time T60 of its modes in seconds.
    pub ring_time_s: Option<f64>,
    /// Standard deviation of the ring time in seconds.
    pub ring_time_std_s: Option<f64>,
    /// Share of the early energy that the modes explain, 0 to 1.
    pub ring_fraction: Option<f64>,
    /// Level over the noise in dB.
    pub over_noise_db: f64,
    /// Largest sample in dB below full scale.
    pub peak_db: f64,
    /// What speaks against trusting this tap.
    pub flaws: Vec<FlawRecord>,
    /// Its modes.
    pub modes: Vec<ModeRecord>,
    /// Decay per band by backward integration.
    pub bands: Vec<BandRecord>,
    /// The figures that led to the reading.
    pub evidence: Vec<EvidenceRecord>,
}

/// One mode.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModeRecord {
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Standard deviation of the frequency in Hz.
    pub freq_std_hz: f64,
    /// Decay time T60 in seconds.
    pub ring_time_s: f64,
    /// Standard deviation of the decay time in seconds.
    pub ring_time_std_s: f64,
    /// Amplitude at the strike in dB re a full-scale sine.
    pub level_db: f64,
    /// Standard deviation of the level in dB.
    pub level_std_db: f64,
    /// Phase at the strike in radians.
    pub phase_rad: f64,
    /// Quality factor.
    pub q: f64,
    /// Energy over noise density in dB.
    pub energy_db: f64,
    /// Seconds from the strike between which it was fitted.
    pub fitted_s: (f64, f64),
    /// Nodal diameters and nodal circles, where known.
    pub label: Option<(u32, u32)>,
    /// Number of the pair it belongs to, where known.
    pub pair: Option<u32>,
    /// A second tone of like level closer than this in Hz could not be told apart.
    #[serde(default)]
    pub resolution_hz: Option<f64>,
}

/// Two tones of one pair.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PairRecord {
    /// Its number, as it stands in `pair` of its modes.
    pub pair: u32,
    /// Nodal diameters and nodal circles, where known.
    pub label: Option<(u32, u32)>,
    /// Frequency of the lower tone in Hz.
    pub low_hz: f64,
    /// Frequency of the upper tone in Hz.
    pub high_hz: f64,
    /// Their distance in Hz.
    pub split_hz: f64,
    /// Standard deviation of the distance in Hz.
    pub split_std_hz: f64,
    /// Numbers of nodal diameters (of the label, else of 2 to 6) that the levels tap by tap fit.
    pub fitting_orders: Vec<u32>,
    /// A hint: angle of an antinode of the lower tone in degrees from the wheel's mark; it repeats
    /// every 180 degrees over the number of nodal diameters.
    pub antinode_deg: Option<f64>,
    /// Standard deviation of that angle in degrees.
    pub antinode_std_deg: Option<f64>,
}

/// Elastic values of a wheel from its labelled modes, mass and size.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StiffnessRecord {
    /// Dynamic modulus of elasticity in GPa.
    pub youngs_gpa: f64,
    /// Its standard deviation in GPa, from the modes and the assumed tolerances of size and mass.
    pub youngs_std_gpa: f64,
    /// Poisson's ratio; null where the modes do not tell it and 0.2 was assumed.
    pub poisson: Option<f64>,
    /// Its standard deviation.
    pub poisson_std: Option<f64>,
    /// Density in kg/m3 from mass and size.
    pub density_kg_m3: f64,
    /// Mass in kg as it was given.
    pub mass_kg: f64,
    /// Relative scatter (root mean square) of the modes around those of the fitted plate.
    pub scatter: f64,
    /// The modes that were used: nodal diameters, nodal circles.
    pub from_modes: Vec<(u32, u32)>,
}

impl From<&ModeRecord> for Line {
    fn from(m: &ModeRecord) -> Self {
        Self {
            freq_hz: m.freq_hz,
            freq_std_hz: m.freq_std_hz,
            decay_per_s: LN_1000 / m.ring_time_s,
            decay_std_per_s: LN_1000 * m.ring_time_std_s / (m.ring_time_s * m.ring_time_s),
            energy_db: m.energy_db,
            split: 0.0,
        }
    }
}

/// Decay of one band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BandRecord {
    /// Lower edge in Hz.
    pub from_hz: f64,
    /// Upper edge in Hz.
    pub to_hz: f64,
    /// Decay time T60 in seconds.
    pub ring_time_s: Option<f64>,
    /// Why there is none.
    pub why_none: Option<String>,
    /// Levels in dB between which the line was fitted.
    pub fitted_db: (f64, f64),
}

/// Something wrong with a tap: its kind, and its figures beside it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FlawRecord {
    /// Kind of the flaw.
    pub kind: String,
    /// Its figures, each with its unit in the name.
    #[serde(flatten)]
    pub figures: std::collections::BTreeMap<String, f64>,
}

/// One figure with its limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EvidenceRecord {
    /// What it is.
    pub figure: String,
    /// Its value.
    pub value: f64,
    /// Unit of value and limit.
    pub unit: String,
    /// The limit, where there is one.
    pub limit: Option<f64>,
    /// `at most` or `at least`.
    pub limit_kind: String,
    /// Where the limit comes from.
    pub limit_from: String,
    /// What the value was held against, for example `own baseline, 4 soundings`.
    pub against: Option<String>,
    /// What the figure speaks for on its own: `clear ring`, `unclear`, `dull thud` or null.
    pub speaks_for: Option<String>,
}

/// What made a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MadeBy {
    /// Name of the program.
    pub program: String,
    /// Version of the program.
    pub version: String,
    /// Version of the method.
    pub method: String,
}
