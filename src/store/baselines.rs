//! Baselines in the store. A new one never replaces an old one: it gets the next version.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension as _, params};

use crate::record::baseline::{BaselineKind, BaselineRecord, FORMAT, VERSION};
use crate::record::sounding::SoundingRecord;
use crate::store::ids::id_in_store;
use crate::store::{Store, StoreError, canonical, check_format, read_record};

/// A baseline as it stands in the store.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptBaseline {
    /// The baseline.
    pub record: BaselineRecord,
    /// When it was retired and why; none while it is in use.
    pub retired: Option<(String, String)>,
}

/// A row: record, and time and reason of its retirement.
type Row = (String, Option<String>, Option<String>);

impl Store {
    /// Keeps a baseline with the soundings it was built from, as the next version of its wheel
    /// or specification; gives it back with that version. Older versions stay as they are.
    ///
    /// # Errors
    /// [`StoreError::NoWheel`] for a wheel that is not there.
    pub fn add_baseline(
        &mut self,
        baseline: &BaselineRecord,
        soundings: &[SoundingRecord],
    ) -> Result<BaselineRecord, StoreError> {
        let what = format!("the baseline of \"{}\"", baseline.of);
        let found = (baseline.format.as_str(), baseline.version);
        check_format(&what, found, (FORMAT, VERSION), "kept")?;
        let mut sources = Vec::with_capacity(soundings.len());
        for sounding in soundings {
            sources.push(canonical(sounding, &format!("a sounding of {what}"))?);
        }
        let mut kept = baseline.clone();
        self.write(|t, path| {
            let failed = |e: rusqlite::Error| StoreError::database(path, &e);
            if kept.kind == BaselineKind::Wheel {
                let id = id_in_store(t, &kept.of).map_err(failed)?;
                kept.of = id.ok_or_else(|| StoreError::NoWheel { id: kept.of.clone() })?;
            }
            let sql = "SELECT coalesce(max(version), 0) + 1 FROM baselines WHERE kind = ?1 AND name = ?2";
            kept.baseline_version = t
                .query_row(sql, [kept.kind.word(), &kept.of], |r| r.get(0))
                .map_err(failed)?;
            let text = canonical(&kept, &what)?;
            let hash = baseline_hash(&text, &sources);
            t.execute(
                "INSERT INTO baselines (kind, name, version, built_at, record, hash) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![kept.kind.word(), kept.of, kept.baseline_version, kept.built_at, text, hash],
            )
            .map_err(failed)?;
            let number = t.last_insert_rowid();
            for (position, source) in sources.iter().enumerate() {
                t.execute(
                    "INSERT INTO baseline_soundings (baseline, position, record) VALUES (?1, ?2, ?3)",
                    params![number, position as i64, source],
                )
                .map_err(failed)?;
            }
            Ok(())
        })?;
        Ok(kept)
    }

    /// The newest baseline in use of a wheel or specification; none when there is none, which
    /// is an ordinary state.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn baseline(
        &self,
        kind: BaselineKind,
        name: &str,
    ) -> Result<Option<BaselineRecord>, StoreError> {
        let all = self.baseline_versions(kind, name)?;
        let in_use = all.into_iter().rev().find(|b| b.retired.is_none());
        Ok(in_use.map(|b| b.record))
    }

    /// All versions of all baselines of a kind, by name and version.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn all_baselines(&self, kind: BaselineKind) -> Result<Vec<KeptBaseline>, StoreError> {
        let read = || -> rusqlite::Result<Vec<(String, Row)>> {
            let sql = "SELECT name, record, retired_at, retired_why FROM baselines WHERE kind = ?1 ORDER BY name, version";
            let mut statement = self.db.prepare(sql)?;
            let rows = statement.query_map([kind.word()], |r| {
                Ok((r.get(0)?, (r.get(1)?, r.get(2)?, r.get(3)?)))
            })?;
            rows.collect()
        };
        let rows = read().map_err(|e| self.failed(&e))?;
        rows.into_iter()
            .map(|(name, row)| kept_baseline(row, &name))
            .collect()
    }

    /// All versions of the baseline of a wheel or specification, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn baseline_versions(
        &self,
        kind: BaselineKind,
        name: &str,
    ) -> Result<Vec<KeptBaseline>, StoreError> {
        let read = || -> rusqlite::Result<Vec<Row>> {
            let sql = "SELECT record, retired_at, retired_why FROM baselines WHERE kind = ?1 AND name = ?2 ORDER BY version";
            let mut statement = self.db.prepare(sql)?;
            let rows = statement.query_map([kind.word(), name], |r| {
                Ok((r.get(0)?, r.get(1)?, r.get(2)?))
            })?;
            rows.collect()
        };
        let rows = read().map_err(|e| self.failed(&e))?;
        rows.into_iter()
            .map(|row| kept_baseline(row, name))
            .collect()
    }

    /// The soundings that a baseline was built from, whole and in order.
    ///
    /// # Errors
    /// [`StoreError::NoBaseline`] when there is no such version.
    pub fn baseline_soundings(
        &self,
        kind: BaselineKind,
        name: &str,
        version: u32,
    ) -> Result<Vec<SoundingRecord>, StoreError> {
        let sql = "SELECT number FROM baselines WHERE kind = ?1 AND name = ?2 AND version = ?3";
        let number: Option<i64> = self
            .db
            .query_row(sql, params![kind.word(), name, version], |r| r.get(0))
            .optional()
            .map_err(|e| self.failed(&e))?;
        let number = number.ok_or_else(|| no_baseline(name, version))?;
        let sql = "SELECT '', record FROM baseline_soundings WHERE baseline = ?1 ORDER BY position";
        let what = format!("a sounding of the baseline of \"{name}\"");
        let rows = self.texts(sql, [number])?;
        rows.iter()
            .map(|(_, text)| read_record(text, &what))
            .collect()
    }

    /// Hashes of the recordings that the baselines, retired ones included, were built from.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn sounds_of_baselines(&self) -> Result<BTreeSet<String>, StoreError> {
        let rows = self.texts("SELECT name, record FROM baselines", [])?;
        let mut hashes = BTreeSet::new();
        for (name, text) in rows {
            let what = format!("the baseline of \"{name}\"");
            let record: BaselineRecord = read_record(&text, &what)?;
            let recorded = record.soundings.into_iter().flat_map(|s| s.recorded);
            hashes.extend(recorded.map(|r| r.blake3));
        }
        Ok(hashes)
    }

    /// Takes a version out of use. It stays in the store, and its number is not used again.
    ///
    /// # Errors
    /// [`StoreError::NoBaseline`] when there is no such version in use.
    pub fn retire_baseline(
        &mut self,
        kind: BaselineKind,
        name: &str,
        version: u32,
        at: &str,
        why: &str,
    ) -> Result<(), StoreError> {
        self.write(|t, path| {
            let sql = "UPDATE baselines SET retired_at = ?4, retired_why = ?5 WHERE kind = ?1 AND name = ?2 AND version = ?3 AND retired_at IS NULL";
            let changed = t
                .execute(sql, params![kind.word(), name, version, at, why])
                .map_err(|e| StoreError::database(path, &e))?;
            if changed == 0 {
                return Err(no_baseline(name, version));
            }
            Ok(())
        })
    }
}

/// Hash of a baseline with its soundings. Each text is preceded by its length, so that no two
/// lists of texts give the same bytes.
pub(super) fn baseline_hash(record: &str, soundings: &[String]) -> String {
    let mut hasher = blake3::Hasher::new();
    for text in std::iter::once(record).chain(soundings.iter().map(String::as_str)) {
        hasher.update(&(text.len() as u64).to_le_bytes());
        hasher.update(text.as_bytes());
    }
    hasher.finalize().to_hex().to_string()
}

fn no_baseline(name: &str, version: u32) -> StoreError {
    StoreError::NoBaseline {
        name: name.to_owned(),
        version,
    }
}

fn kept_baseline((text, at, why): Row, name: &str) -> Result<KeptBaseline, StoreError> {
    let what = format!("the baseline of \"{name}\"");
    let record: BaselineRecord = read_record(&text, &what)?;
    let found = (record.format.as_str(), record.version);
    check_format(&what, found, (FORMAT, VERSION), "read")?;
    Ok(KeptBaseline {
        record,
        retired: at.map(|at| (at, why.unwrap_or_default())),
    })
}
