//! A gauge study as it is printed by `gauge --json`.

use serde::{Deserialize, Serialize};

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.gauge";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// How good the measurement is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GaugeRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Number of wheels.
    pub wheels: usize,
    /// The people.
    pub people: Vec<String>,
    /// Number of rows.
    pub rows: usize,
    /// `good enough`, `usable with care`, `not good enough` or `not decided`: the worst of all.
    pub verdict: String,
    /// What was measured as a number.
    pub figures: Vec<GaugeFigureRecord>,
    /// Who agrees with whom.
    pub agreements: Vec<AgreementRecord>,
    /// What to improve, in sentences, most important first.
    pub improve: Vec<String>,
    /// What could not be evaluated, and why.
    pub warnings: Vec<String>,
}

/// Repeatability and reproducibility of a figure, as standard deviations in its unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GaugeFigureRecord {
    /// `tone`, `ring time` or `decision`.
    pub figure: String,
    /// Unit of the standard deviations.
    pub unit: String,
    /// Number of repeats.
    pub repeats: usize,
    /// Repeatability: the same person, the same wheel.
    pub repeatability: f64,
    /// Its 95 % interval.
    pub repeatability_interval: (f64, f64),
    /// Reproducibility: other people.
    pub reproducibility: f64,
    /// Of this, people who differ from wheel to wheel.
    pub interaction: f64,
    /// Chance of so much interaction when there is none.
    pub interaction_p: f64,
    /// True when the interaction was taken together with the repeats.
    pub pooled: bool,
    /// Repeatability and reproducibility together.
    pub gauge: f64,
    /// Spread of the wheels.
    pub wheels: f64,
    /// All of it.
    pub total: f64,
    /// The gauge's share of the whole spread in percent.
    pub gauge_percent: f64,
    /// Groups of wheels that can be told apart.
    pub categories: u32,
    /// `good enough`, `usable with care` or `not good enough`.
    pub verdict: String,
    /// The wheels of the study, in the order of `by_person`.
    pub wheel_ids: Vec<String>,
    /// What each person found, in the order of the people.
    pub by_person: Vec<PersonFigureRecord>,
}

/// What one person found, wheel by wheel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PersonFigureRecord {
    /// Who.
    pub person: String,
    /// Mean of the repeats of each wheel.
    pub means: Vec<f64>,
    /// Smallest and largest of them.
    pub ranges: Vec<(f64, f64)>,
}

/// Agreement of two judges on thud or ring; unsure and unclear count as thud.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AgreementRecord {
    /// The first judge: a person, the tool, or the known state.
    pub first: String,
    /// The second.
    pub second: String,
    /// Both say thud.
    pub both_thud: u32,
    /// Only the first says thud.
    pub first_only: u32,
    /// Only the second says thud.
    pub second_only: u32,
    /// Both say ring.
    pub both_ring: u32,
    /// Share of cases in which they agree, 0 to 1.
    pub agree: f64,
    /// Cohen's kappa; null when both always say the same one word.
    pub kappa: Option<f64>,
    /// Its 95 % interval.
    pub kappa_interval: Option<(f64, f64)>,
    /// Against the known state: damaged wheels that were passed, of how many.
    pub misses: Option<ShareRecord>,
    /// Against the known state: sound wheels that were called damaged, of how many.
    pub false_alarms: Option<ShareRecord>,
}

/// So many of so many.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ShareRecord {
    /// How many.
    pub hits: u32,
    /// Of how many.
    pub trials: u32,
    /// Exact 95 % interval of the share (Clopper and Pearson), each end from 0 to 1.
    pub interval: (f64, f64),
}
