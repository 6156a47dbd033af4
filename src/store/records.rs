//! Records in the store, chained: each carries the hash of the one before it.
//!
//! Soundings, fits, ticks, ear tests, lots and studies stand in one chain, in the order they were
//! kept. The hash of a record covers its number, time, text and the hash before it, so that a
//! change, a swap, an insertion or a removal made behind the tool's back is seen by
//! [`Store::verify`]. It is no signature: whoever rewrites every later hash and the end of the
//! chain as well is seen only by comparing with a hash that was printed before.

use rusqlite::{OptionalExtension as _, Transaction, params};
use serde::Deserialize;

use crate::record::ChainRecord;
use crate::store::baselines::baseline_hash;
use crate::store::ids::id_in_store;
use crate::store::{Store, StoreError, canonical, check_format, read_record};

/// A record as it stands in the store.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept<R> {
    /// Its number, counted from 1 through the whole store.
    pub number: u64,
    /// When it was kept, RFC 3339.
    pub at: String,
    /// The record.
    pub record: R,
    /// Hash of the one before it, empty for the first.
    pub previous: String,
    /// Its own hash.
    pub hash: String,
}

/// A record of any kind, as text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptText {
    /// Its number, counted from 1 through the whole store.
    pub number: u64,
    /// When it was kept, RFC 3339.
    pub at: String,
    /// Name of its format.
    pub kind: String,
    /// The wheel it is of, if any.
    pub wheel: Option<String>,
    /// The record, one JSON object.
    pub text: String,
    /// Hash of the one before it, empty for the first.
    pub previous: String,
    /// Its own hash.
    pub hash: String,
}

/// What [`Store::verify`] found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verification {
    /// Number of records that were found right before the first wrong one, or all.
    pub records: u64,
    /// Hash of the last of them; printed on a sheet, it anchors all before it.
    pub end: String,
    /// The first thing that does not match, in words; none when all is right.
    pub wrong: Option<String>,
}

/// What each kind of record says of itself.
#[derive(Deserialize)]
struct Heading {
    format: String,
    #[serde(default)]
    wheel: Option<String>,
}

/// A baseline's row: number, wheel or specification, version, record, hash.
type BaselineRow = (i64, String, u32, String, String);

/// The columns of [`KeptText`], in its order.
const COLUMNS: &str = "number, at, kind, wheel, record, previous, hash";

impl Store {
    /// Keeps a record at the end of the chain. When this returns, it is on the disk.
    ///
    /// # Errors
    /// [`StoreError::NoWheel`] for a wheel that is not there; [`StoreError::Record`] for a
    /// record that would not read back.
    pub fn keep<R: ChainRecord>(&mut self, record: &R, at: &str) -> Result<Kept<R>, StoreError> {
        let known = (R::FORMAT, R::VERSION);
        check_format(R::NOUN, record.stated(), known, "kept")?;
        let text = canonical(record, R::NOUN)?;
        let mut kept = Kept {
            number: 0,
            at: at.to_owned(),
            record: record.clone(),
            previous: String::new(),
            hash: String::new(),
        };
        self.write(|t, path| {
            let failed = |e: rusqlite::Error| StoreError::database(path, &e);
            if let Some(id) = record.wheel() {
                let known = id_in_store(t, id).map_err(failed)?;
                known.ok_or_else(|| StoreError::NoWheel { id: id.to_owned() })?;
            }
            let link = append(t, at, R::FORMAT, record.wheel(), &text).map_err(failed)?;
            kept.number = link.number.unsigned_abs();
            kept.previous = link.previous;
            kept.hash = link.hash;
            Ok(())
        })?;
        Ok(kept)
    }

    /// The record of a number, of any kind.
    ///
    /// # Errors
    /// [`StoreError::NoRecord`] when there is none.
    pub fn text_of_record(&self, number: u64) -> Result<KeptText, StoreError> {
        let missing = || StoreError::NoRecord { number };
        let wanted = i64::try_from(number).map_err(|_| missing())?;
        let sql = format!("SELECT {COLUMNS} FROM records WHERE number = ?1");
        let row = self.db.query_row(&sql, [wanted], read_row).optional();
        row.map_err(|e| self.failed(&e))?.ok_or_else(missing)
    }

    /// The record of a number, which must be of the kind `R`.
    ///
    /// # Errors
    /// [`StoreError::NoRecord`] when there is none, [`StoreError::Record`] when it is of another
    /// kind.
    pub fn kept<R: ChainRecord>(&self, number: u64) -> Result<Kept<R>, StoreError> {
        typed(self.text_of_record(number)?)
    }

    /// The records of the kind `R`, of one wheel or with none of all, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn all_kept<R: ChainRecord>(
        &self,
        wheel: Option<&str>,
    ) -> Result<Vec<Kept<R>>, StoreError> {
        let texts = self.texts_of_records(Some(R::FORMAT), wheel)?;
        texts.into_iter().map(typed).collect()
    }

    /// The records of a kind (the name of its format), of one wheel, or with none of all, oldest
    /// first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn texts_of_records(
        &self,
        kind: Option<&str>,
        wheel: Option<&str>,
    ) -> Result<Vec<KeptText>, StoreError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM records WHERE (?1 IS NULL OR kind = ?1) AND (?2 IS NULL OR wheel = ?2) ORDER BY number"
        );
        let read = || -> rusqlite::Result<Vec<KeptText>> {
            let mut statement = self.db.prepare(&sql)?;
            let rows = statement.query_map([kind, wheel], read_row)?;
            rows.collect()
        };
        read().map_err(|e| self.failed(&e))
    }

    /// The newest records of a kind, or with none of all, newest first: at most `most`, without the
    /// first `skip`.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn newest_texts(
        &self,
        kind: Option<&str>,
        skip: u64,
        most: u64,
    ) -> Result<Vec<KeptText>, StoreError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM records WHERE (?1 IS NULL OR kind = ?1) ORDER BY number DESC LIMIT ?2 OFFSET ?3"
        );
        let signed = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
        let read = || -> rusqlite::Result<Vec<KeptText>> {
            let mut statement = self.db.prepare(&sql)?;
            let rows = statement.query_map(params![kind, signed(most), signed(skip)], read_row)?;
            rows.collect()
        };
        read().map_err(|e| self.failed(&e))
    }

    /// The newest records of the kind `R`, newest first, at most `most`.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn newest_kept<R: ChainRecord>(&self, most: u64) -> Result<Vec<Kept<R>>, StoreError> {
        let texts = self.newest_texts(Some(R::FORMAT), 0, most)?;
        texts.into_iter().map(typed).collect()
    }

    /// Number and outcome of the newest sounding of each wheel that has one, without reading the
    /// records whole.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn newest_outcomes(&self) -> Result<Vec<(String, u64, String)>, StoreError> {
        let sql = "SELECT wheel, number, json_extract(record, '$.outcome') FROM records \
                   WHERE number IN (SELECT max(number) FROM records \
                   WHERE kind = ?1 AND wheel IS NOT NULL GROUP BY wheel)";
        let read = || -> rusqlite::Result<Vec<(String, u64, String)>> {
            let mut statement = self.db.prepare(sql)?;
            let rows = statement.query_map([crate::record::sounding::FORMAT], |r| {
                Ok((r.get(0)?, r.get::<_, i64>(1)?.cast_unsigned(), r.get(2)?))
            })?;
            rows.collect()
        };
        read().map_err(|e| self.failed(&e))
    }

    /// How many records there are.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn number_of_records(&self) -> Result<u64, StoreError> {
        let count = self
            .db
            .query_row("SELECT count FROM chain_end", [], |r| r.get::<_, i64>(0));
        count.map(i64::cast_unsigned).map_err(|e| self.failed(&e))
    }

    /// Checks the database, the chain of records from its start, and every baseline; names
    /// the first that does not match. Recordings: see [`Store::verify_sounds`].
    ///
    /// # Errors
    /// [`StoreError`] when the database cannot be read at all.
    pub fn verify(&self) -> Result<Verification, StoreError> {
        // One transaction, so that a record kept meanwhile is seen wholly or not at all.
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
            records: 0,
            end: String::new(),
            wrong: None,
        };
        let sql = format!("SELECT {COLUMNS} FROM records ORDER BY number");
        let mut statement = self.db.prepare(&sql)?;
        for row in statement.query_map([], read_row)? {
            let row = row?;
            found.wrong = fault_of(&row, found.records + 1, &found.end);
            if found.wrong.is_some() {
                return Ok(found);
            }
            found.records += 1;
            found.end = row.hash;
        }
        let (count, end): (i64, String) =
            self.db
                .query_row("SELECT count, hash FROM chain_end", [], |r| {
                    Ok((r.get(0)?, r.get(1)?))
                })?;
        if count != found.records.cast_signed() || end != found.end {
            found.wrong = Some(format!(
                "the chain ends after record {}, but {count} were kept",
                found.records
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

/// A link that was added to the chain.
pub(super) struct Link {
    pub(super) number: i64,
    pub(super) previous: String,
    pub(super) hash: String,
}

/// Adds a record at the end of the chain.
pub(super) fn append(
    t: &Transaction<'_>,
    at: &str,
    kind: &str,
    wheel: Option<&str>,
    text: &str,
) -> rusqlite::Result<Link> {
    let sql = "SELECT count, hash FROM chain_end";
    let (count, previous): (i64, String) = t.query_row(sql, [], |r| Ok((r.get(0)?, r.get(1)?)))?;
    let number = count + 1;
    let hash = record_hash(number, at, text, &previous);
    let sql = format!("INSERT INTO records ({COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)");
    t.execute(&sql, params![number, at, kind, wheel, text, previous, hash])?;
    let sql = "UPDATE chain_end SET count = ?1, hash = ?2";
    t.execute(sql, params![number, hash])?;
    Ok(Link {
        number,
        previous,
        hash,
    })
}

/// Puts a record of another store at the end of a chain that it continues, as it was there.
pub(super) fn insert_as_it_was(t: &Transaction<'_>, kept: &KeptText) -> rusqlite::Result<()> {
    let number = kept.number.cast_signed();
    let sql = format!("INSERT INTO records ({COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)");
    let row = params![
        number,
        kept.at,
        kept.kind,
        kept.wheel,
        kept.text,
        kept.previous,
        kept.hash
    ];
    t.execute(&sql, row)?;
    let sql = "UPDATE chain_end SET count = ?1, hash = ?2";
    t.execute(sql, params![number, kept.hash])?;
    Ok(())
}

/// What is wrong with a link of the chain.
fn fault_of(row: &KeptText, expected: u64, end: &str) -> Option<String> {
    let number = row.number;
    if number != expected {
        return Some(format!("record {expected} is missing"));
    }
    if row.previous != end {
        return Some(format!("record {number} does not follow the one before it"));
    }
    let hash = record_hash(number.cast_signed(), &row.at, &row.text, &row.previous);
    if hash != row.hash {
        return Some(format!("record {number} is not what was kept"));
    }
    // The columns of wheel and kind are copies for searching; the record counts.
    let heading: Heading = read_record(&row.text, "the record").ok()?;
    if heading.format != row.kind {
        return Some(format!("record {number} is listed as another kind"));
    }
    (heading.wheel != row.wheel).then(|| format!("record {number} is listed under another wheel"))
}

pub(super) fn record_hash(number: i64, at: &str, record: &str, previous: &str) -> String {
    let mut hasher = blake3::Hasher::new();
    for part in [number.to_string().as_str(), at, record, previous] {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    hasher.finalize().to_hex().to_string()
}

fn read_row(r: &rusqlite::Row<'_>) -> rusqlite::Result<KeptText> {
    let number: i64 = r.get(0)?;
    Ok(KeptText {
        number: number.unsigned_abs(),
        at: r.get(1)?,
        kind: r.get(2)?,
        wheel: r.get(3)?,
        text: r.get(4)?,
        previous: r.get(5)?,
        hash: r.get(6)?,
    })
}

fn typed<R: ChainRecord>(kept: KeptText) -> Result<Kept<R>, StoreError> {
    let what = format!("record {}", kept.number);
    let heading: Heading = read_record(&kept.text, &what)?;
    if heading.format != R::FORMAT {
        return Err(StoreError::OtherKind {
            number: kept.number,
            kind: heading.format,
            wanted: R::NOUN,
        });
    }
    let record: R = read_record(&kept.text, &what)?;
    check_format(&what, record.stated(), (R::FORMAT, R::VERSION), "read")?;
    Ok(Kept {
        number: kept.number,
        at: kept.at,
        record,
        previous: kept.previous,
        hash: kept.hash,
    })
}
