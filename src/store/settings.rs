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
}

impl Store {
    /// The microphone to use when none is named; none when none was remembered, or the file
    /// cannot be read.
    pub fn remembered_microphone(&self) -> Option<String> {
        let text = std::fs::read_to_string(self.settings_path()?).ok()?;
        serde_json::from_str::<Settings>(&text).ok()?.microphone
    }

    /// Remembers a microphone by its name.
    ///
    /// # Errors
    /// [`StoreError`] when the file cannot be written.
    pub fn remember_microphone(&self, name: &str) -> Result<(), StoreError> {
        let Some(path) = self.settings_path() else {
            return Ok(());
        };
        let settings = Settings {
            microphone: Some(name.to_owned()),
        };
        let text = serde_json::to_string(&settings).unwrap_or_default();
        std::fs::write(&path, text).map_err(|e| StoreError::file(&path, e))
    }

    fn settings_path(&self) -> Option<PathBuf> {
        Some(self.folder()?.join("settings.json"))
    }
}
