//! Soundings in the store, chained: each carries the hash of the one before it.
//!
//! The hash of a sounding covers its number, time, record and the hash before it, so that a
//! change, a swap, an insertion or a removal made behind the tool's back is seen by
//! [`Store::verify`]. It is no signature: whoever rewrites every later hash and the end of the
//! chain as well is seen only by comparing with a hash that was printed before.

use rusqlite::{OptionalExtension as _, params};

use crate::record::sounding::{FORMAT, SoundingRecord, VERSION};
use crate::store::baselines::baseline_hash;
use crate::store::wheels::id_in_store;
use crate::store::{Store, StoreError, canonical, check_format, read_record};

/// A sounding as it stands in the store.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptSounding {
    /// Its number, counted from 1 through the whole store.
    pub number: u64,
    /// When it was kept, RFC 3339.
    pub at: String,
    /// The sounding.
    pub record: SoundingRecord,
    /// Hash of the one before it, empty for the first.
    pub previous: String,
    /// Its own hash.
    pub hash: String,
}

/// What [`Store::verify`] found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verification {
    /// Number of soundings that were found right before the first wrong one, or all.
    pub soundings: u64,
    /// Hash of the last of them; printed on a sheet, it anchors all before it.
    pub end: String,
    /// The first thing that does not match, in words; none when all is right.
    pub wrong: Option<String>,
}

/// A row as it is read: number, time, wheel, record, previous hash, hash.
type Row = (i64, String, Option<String>, String, String, String);

/// A baseline's row: number, wheel or specification, version, record, hash.
type BaselineRow = (i64, String, u32, String, String);

impl Store {
    /// Keeps a sounding at the end of the chain. When this returns, it is on the disk.
    ///
    /// # Errors
    /// [`StoreError::NoWheel`] for a wheel that is not there; [`StoreError::Record`] for a
    /// record that would not read back.
    pub fn add_sounding(
        &mut self,
        record: &SoundingRecord,
        at: &str,
    ) -> Result<KeptSounding, StoreError> {
        let what = "the sounding";
        let found = (record.format.as_str(), record.version);
        check_format(what, found, (FORMAT, VERSION), "kept")?;
        let text = canonical(record, what)?;
        let mut kept = KeptSounding {
            number: 0,
            at: at.to_owned(),
            record: record.clone(),
            previous: String::new(),
            hash: String::new(),
        };
        self.write(|t, path| {
            let failed = |e: rusqlite::Error| StoreError::database(path, &e);
            if let Some(id) = &record.wheel {
                let known = id_in_store(t, id).map_err(failed)?;
                known.ok_or_else(|| StoreError::NoWheel { id: id.clone() })?;
            }
            let (count, previous): (i64, String) = t
                .query_row("SELECT count, hash FROM chain_end", [], |r| {
                    Ok((r.get(0)?, r.get(1)?))
                })
                .map_err(failed)?;
            let number = count + 1;
            let hash = sounding_hash(number, at, &text, &previous);
            t.execute(
                "INSERT INTO soundings (number, at, wheel, record, previous, hash) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![number, at, record.wheel, text, previous, hash],
            )
            .map_err(failed)?;
            t.execute("UPDATE chain_end SET count = ?1, hash = ?2", params![number, hash])
                .map_err(failed)?;
            kept.number = number.unsigned_abs();
            kept.previous = previous;
            kept.hash = hash;
            Ok(())
        })?;
        Ok(kept)
    }

    /// The sounding of a number.
    ///
    /// # Errors
    /// [`StoreError::NoSounding`] when there is none.
    pub fn sounding(&self, number: u64) -> Result<KeptSounding, StoreError> {
        let missing = || StoreError::NoSounding { number };
        let wanted = i64::try_from(number).map_err(|_| missing())?;
        let sql =
            "SELECT number, at, wheel, record, previous, hash FROM soundings WHERE number = ?1";
        let row = self
            .db
            .query_row(sql, [wanted], read_row)
            .optional()
            .map_err(|e| self.failed(&e))?;
        kept_sounding(row.ok_or_else(missing)?)
    }

    /// The soundings of a wheel, or with none those of the whole store, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn soundings(&self, wheel: Option<&str>) -> Result<Vec<KeptSounding>, StoreError> {
        let sql = "SELECT number, at, wheel, record, previous, hash FROM soundings WHERE ?1 IS NULL OR wheel = ?1 ORDER BY number";
        let read = || -> rusqlite::Result<Vec<Row>> {
            let mut statement = self.db.prepare(sql)?;
            let rows = statement.query_map([wheel], read_row)?;
            rows.collect()
        };
        let rows = read().map_err(|e| self.failed(&e))?;
        rows.into_iter().map(kept_sounding).collect()
    }

    /// Checks the database, the chain of soundings from its start, and every baseline; names
    /// the first that does not match. Recordings: see [`Store::verify_sounds`].
    ///
    /// # Errors
    /// [`StoreError`] when the database cannot be read at all.
    pub fn verify(&self) -> Result<Verification, StoreError> {
        // One transaction, so that a sounding kept meanwhile is seen wholly or not at all.
        let reading = self
            .db
            .unchecked_transaction()
            .map_err(|e| self.failed(&e))?;
        let check: String = reading
            .query_row("PRAGMA quick_check(1)", [], |r| r.get(0))
            .map_err(|e| self.failed(&e))?;
        if check != "ok" {
            return Err(StoreError::Damaged {
                path: self.path.clone(),
                detail: check,
            });
        }
        let mut found = self.verify_chain().map_err(|e| self.failed(&e))?;
        if found.wrong.is_none() {
            found.wrong = self.verify_baselines()?;
        }
        Ok(found)
    }

    fn verify_chain(&self) -> rusqlite::Result<Verification> {
        let mut found = Verification {
            soundings: 0,
            end: String::new(),
            wrong: None,
        };
        let sql = "SELECT number, at, wheel, record, previous, hash FROM soundings ORDER BY number";
        let mut statement = self.db.prepare(sql)?;
        for row in statement.query_map([], read_row)? {
            let row = row?;
            let expected = found.soundings.cast_signed() + 1;
            found.wrong = fault_of(&row, expected, &found.end);
            if found.wrong.is_some() {
                return Ok(found);
            }
            found.soundings += 1;
            found.end = row.5;
        }
        let (count, end): (i64, String) =
            self.db
                .query_row("SELECT count, hash FROM chain_end", [], |r| {
                    Ok((r.get(0)?, r.get(1)?))
                })?;
        if count != found.soundings.cast_signed() || end != found.end {
            found.wrong = Some(format!(
                "the chain ends after sounding {}, but {count} were kept",
                found.soundings
            ));
        }
        Ok(found)
    }

    fn verify_baselines(&self) -> Result<Option<String>, StoreError> {
        let read = || -> rusqlite::Result<Vec<BaselineRow>> {
            let sql = "SELECT number, name, version, record, hash FROM baselines ORDER BY number";
            let mut statement = self.db.prepare(sql)?;
            let rows = statement.query_map([], |r| {
                Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?))
            })?;
            rows.collect()
        };
        for (number, name, version, record, hash) in read().map_err(|e| self.failed(&e))? {
            let sql =
                "SELECT '', record FROM baseline_soundings WHERE baseline = ?1 ORDER BY position";
            let sources = self.texts(sql, [number])?;
            let sources: Vec<String> = sources.into_iter().map(|s| s.1).collect();
            if baseline_hash(&record, &sources) != hash {
                return Ok(Some(format!(
                    "version {version} of the baseline of \"{name}\" is not what was kept"
                )));
            }
        }
        Ok(None)
    }
}

/// What is wrong with a link of the chain.
fn fault_of(row: &Row, expected: i64, end: &str) -> Option<String> {
    let (number, at, wheel, record, previous, hash) = row;
    if *number != expected {
        return Some(format!("sounding {expected} is missing"));
    }
    if previous != end {
        return Some(format!(
            "sounding {number} does not follow the one before it"
        ));
    }
    if sounding_hash(*number, at, record, previous) != *hash {
        return Some(format!("sounding {number} is not what was kept"));
    }
    // The wheel's column is a copy for searching; the record counts.
    let of_record = read_record::<SoundingRecord>(record, "the sounding")
        .ok()?
        .wheel;
    (of_record != *wheel).then(|| format!("sounding {number} is listed under another wheel"))
}

fn sounding_hash(number: i64, at: &str, record: &str, previous: &str) -> String {
    let mut hasher = blake3::Hasher::new();
    for part in [number.to_string().as_str(), at, record, previous] {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    hasher.finalize().to_hex().to_string()
}

fn read_row(r: &rusqlite::Row<'_>) -> rusqlite::Result<Row> {
    Ok((
        r.get(0)?,
        r.get(1)?,
        r.get(2)?,
        r.get(3)?,
        r.get(4)?,
        r.get(5)?,
    ))
}

fn kept_sounding((number, at, _, text, previous, hash): Row) -> Result<KeptSounding, StoreError> {
    let what = format!("sounding {number}");
    let record: SoundingRecord = read_record(&text, &what)?;
    let found = (record.format.as_str(), record.version);
    check_format(&what, found, (FORMAT, VERSION), "read")?;
    Ok(KeptSounding {
        number: number.unsigned_abs(),
        at,
        record,
        previous,
        hash,
    })
}
