//! Whether a wheel goes on a grinder, as it is kept and printed.

use serde::{Deserialize, Serialize};

use crate::record::ChainRecord;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.fit";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// A wheel held against a grinder, rule by rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Id of the wheel; none when its figures were given on the line.
    pub wheel: Option<String>,
    /// Id of the grinder; none when its figures were given on the line.
    pub grinder: Option<String>,
    /// When, RFC 3339.
    pub at: String,
    /// Who answered what only the eye can tell; none when nobody did.
    pub by: Option<String>,
    /// `fits`, `does not fit` or `cannot tell`.
    pub result: String,
    /// The rules, misfits first.
    pub rules: Vec<FitRuleRecord>,
}

/// One rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FitRuleRecord {
    /// Its short name.
    pub rule: String,
    /// `fits`, `does not fit`, `cannot tell` or `not answered`.
    pub result: String,
    /// The figures that led to it, or the question, in a sentence.
    pub because: String,
    /// Where the rule comes from.
    pub source: String,
}

impl ChainRecord for FitRecord {
    const FORMAT: &'static str = FORMAT;
    const VERSION: u32 = VERSION;
    const NOUN: &'static str = "the fit";

    fn stated(&self) -> (&str, u32) {
        (&self.format, self.version)
    }

    fn wheel(&self) -> Option<&str> {
        self.wheel.as_deref()
    }
}
