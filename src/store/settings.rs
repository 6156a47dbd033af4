//! What is remembered from run to run beside the database, in `settings.json`: conveniences only,
//! no record.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::store::{Store, StoreError};

/// The file. What a later version adds is left out when this one writes.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Settings {
    /// Name of the microphone that was last asked for by name.
    #[serde(default)]
    microphone: Option<String>,
    /// Units that lengths and temperatures are shown in besides how they were written.
    #[serde(default)]
    units: ShownUnits,
    /// What was said last of the temperature.
    #[serde(default)]
    temperature: Option<SaidTemperature>,
}

/// Units that lengths and temperatures are shown in, whatever they were written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ShownUnits {
    /// Millimetres and degrees Celsius.
    #[default]
    Metric,
    /// Inches and degrees Fahrenheit.
    Inch,
}

/// What a person said of the temperature where wheels are sounded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SaidTemperature {
    /// In degrees Celsius; none when it was asked for and not known.
    pub temp_c: Option<f64>,
    /// When, RFC 3339.
    pub at: String,
}

impl Store {
    /// The microphone to use when none is named; none when none was remembered, or the file
    /// cannot be read.
    pub fn remembered_microphone(&self) -> Option<String> {
        self.settings().microphone
    }

    /// Remembers a microphone by its name.
    ///
    /// # Errors
    /// [`StoreError`] when the file cannot be written.
    pub fn remember_microphone(&self, name: &str) -> Result<(), StoreError> {
        self.remember(|s| s.microphone = Some(name.to_owned()))
    }

    /// The units to show.
    pub fn shown_units(&self) -> ShownUnits {
        self.settings().units
    }

    /// Remembers the units to show.
    ///
    /// # Errors
    /// [`StoreError`] when the file cannot be written.
    pub fn show_units(&self, units: ShownUnits) -> Result<(), StoreError> {
        self.remember(|s| s.units = units)
    }

    /// Goes back to the system's default.
    ///
    /// # Errors
    /// [`StoreError`] when the file cannot be written.
    pub fn forget_microphone(&self) -> Result<(), StoreError> {
        self.remember(|s| s.microphone = None)
    }

    /// What was said last of the temperature; none when nothing was, or the file cannot be read.
    pub fn remembered_temperature(&self) -> Option<SaidTemperature> {
        self.settings().temperature
    }

    /// Remembers what was said of the temperature.
    ///
    /// # Errors
    /// [`StoreError`] when the file cannot be written.
    pub fn remember_temperature(&self, said: SaidTemperature) -> Result<(), StoreError> {
        self.remember(|s| s.temperature = Some(said))
    }

    fn settings(&self) -> Settings {
        let text = self.settings_path().map(std::fs::read_to_string);
        let settings = text.and_then(|t| serde_json::from_str(&t.ok()?).ok());
        settings.unwrap_or_default()
    }

    fn remember(&self, change: impl FnOnce(&mut Settings)) -> Result<(), StoreError> {
        let Some(path) = self.settings_path() else {
            return Ok(());
        };
        let mut settings = self.settings();
        change(&mut settings);
        let text = serde_json::to_string(&settings).unwrap_or_default();
        std::fs::write(&path, text).map_err(|e| StoreError::file(&path, e))
    }

    fn settings_path(&self) -> Option<PathBuf> {
        Some(self.folder()?.join("settings.json"))
    }
}
