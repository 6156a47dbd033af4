//! All that a store knows, taken out and brought into another one.
//!
//! Into a store without records they come as they were: number, time, text and hashes are those of
//! the store they came from. Into any other store they are added at the end of its chain, and a
//! record of the import tells where each came from. All of it comes, or nothing.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{OptionalExtension as _, Transaction, params};

use crate::record::ChainRecord as _;
use crate::record::baseline::BaselineRecord;
use crate::record::grinder::GrinderRecord;
use crate::record::import::{FORMAT, ImportRecord, ImportedRecord, VERSION};
use crate::record::wheel::WheelRecord;
use crate::store::baselines::baseline_hash;
use crate::store::records::{KeptText, append, insert_as_it_was, record_hash};
use crate::store::wheels::WheelEvent;
use crate::store::{Store, StoreError, canonical, read_record};

/// A part of what a store knows.
#[derive(Debug, Clone, PartialEq)]
pub enum Carried {
    /// A wheel and what happened to it.
    Wheel(Box<WheelRecord>, Vec<WheelEvent>),
    /// A grinder and what happened to it: when, and what.
    Grinder(Box<GrinderRecord>, Vec<(String, String)>),
    /// A version of a baseline.
    Baseline(Box<CarriedBaseline>),
    /// A record of the chain.
    Record(KeptText),
}

/// A version of a baseline with all that belongs to it.
#[derive(Debug, Clone, PartialEq)]
pub struct CarriedBaseline {
    /// The baseline, one JSON object.
    pub record: String,
    /// The soundings it was built from, JSON objects.
    pub soundings: Vec<String>,
    /// Its hash.
    pub hash: String,
    /// When it was retired and why; none while it is in use.
    pub retired: Option<(String, String)>,
}

/// What came in.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct BroughtIn {
    /// Wheels that are new.
    pub wheels: usize,
    /// Grinders that are new.
    pub grinders: usize,
    /// Versions of baselines that are new.
    pub baselines: usize,
    /// Records that are new.
    pub records: usize,
    /// Things that were there already.
    pub there_already: usize,
    /// Hash of the last record that was read, empty without any.
    pub end: String,
    /// Number of the record of this import; none when nothing was new.
    pub number: Option<u64>,
}

/// Who brings in what.
#[derive(Debug, Clone, Copy)]
pub struct Import<'a> {
    /// Name of the file.
    pub source: &'a str,
    /// Who.
    pub by: Option<&'a str>,
    /// When, RFC 3339.
    pub at: &'a str,
    /// True when records may be missing between others, as in the export of one wheel.
    pub is_part: bool,
}

/// A row: record, hash, retired when and why, number.
type BaselineRow = (String, String, Option<String>, Option<String>, i64);

impl Store {
    /// All wheels, grinders and baselines, then all records; or with a wheel only what is of it.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn carried(&self, wheel: Option<&str>) -> Result<Vec<Carried>, StoreError> {
        let is_wanted = |id: &str| wheel.is_none_or(|w| w.eq_ignore_ascii_case(id));
        let mut all = Vec::new();
        for one in self.wheels()?.into_iter().filter(|w| is_wanted(&w.id)) {
            let events = self.wheel_events(&one.id)?;
            all.push(Carried::Wheel(Box::new(one), events));
        }
        if wheel.is_none() {
            for one in self.grinders()? {
                let events = self.grinder_events(&one.id)?;
                all.push(Carried::Grinder(Box::new(one), events));
            }
        }
        let sql = "SELECT record, hash, retired_at, retired_why, number FROM baselines WHERE ?1 IS NULL OR (kind = 'wheel' AND name = ?1) ORDER BY number";
        let rows = || -> rusqlite::Result<Vec<BaselineRow>> {
            let mut statement = self.db.prepare(sql)?;
            let rows = statement.query_map([wheel], |r| {
                Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?))
            })?;
            rows.collect()
        };
        for (record, hash, at, why, number) in rows().map_err(|e| self.failed(&e))? {
            let sql =
                "SELECT '', record FROM baseline_soundings WHERE baseline = ?1 ORDER BY position";
            let soundings = self.texts(sql, [number])?.into_iter().map(|s| s.1);
            all.push(Carried::Baseline(Box::new(CarriedBaseline {
                record,
                soundings: soundings.collect(),
                hash,
                retired: at.map(|at| (at, why.unwrap_or_default())),
            })));
        }
        let records = self.texts_of_records(None, wheel)?;
        all.extend(records.into_iter().map(Carried::Record));
        Ok(all)
    }

    /// Brings in what was taken out of another store. Each part comes with its place in the
    /// source (a line), for messages.
    ///
    /// # Errors
    /// [`StoreError::Refused`] with the place for what does not match its hash, does not follow
    /// the record before it, or stands against what is here; nothing is kept then.
    pub fn bring_in(
        &mut self,
        parts: &[(usize, Carried)],
        import: &Import<'_>,
    ) -> Result<BroughtIn, StoreError> {
        self.write(|t, path| {
            let mut work = BringIn {
                t,
                failed: &|e| StoreError::database(path, &e),
                done: BroughtIn::default(),
                numbers: BTreeMap::new(),
            };
            work.registers(parts)?;
            work.records(parts, import)?;
            work.events(parts)?;
            Ok(work.done)
        })
    }
}

/// An import that is going on.
struct BringIn<'a> {
    t: &'a Transaction<'a>,
    failed: &'a dyn Fn(rusqlite::Error) -> StoreError,
    done: BroughtIn,
    /// Numbers in this store by those in the source.
    numbers: BTreeMap<u64, u64>,
}

impl BringIn<'_> {
    fn registers(&mut self, parts: &[(usize, Carried)]) -> Result<(), StoreError> {
        for (line, part) in parts {
            match part {
                Carried::Wheel(wheel, _) => {
                    let text = canonical(&**wheel, "the wheel")?;
                    let row = ("wheels", wheel.id.as_str(), wheel.added_at.as_str());
                    let is_new = self.register::<WheelRecord>(*line, row, &text)?;
                    self.done.wheels += usize::from(is_new);
                }
                Carried::Grinder(grinder, _) => {
                    let text = canonical(&**grinder, "the grinder")?;
                    let row = ("grinders", grinder.id.as_str(), grinder.added_at.as_str());
                    let is_new = self.register::<GrinderRecord>(*line, row, &text)?;
                    self.done.grinders += usize::from(is_new);
                }
                Carried::Baseline(baseline) => self.baseline(*line, baseline)?,
                Carried::Record(_) => {}
            }
        }
        Ok(())
    }

    /// Adds a wheel or a grinder; false when the same is there.
    fn register<R>(
        &mut self,
        line: usize,
        (table, id, added_at): (&str, &str, &str),
        text: &str,
    ) -> Result<bool, StoreError>
    where
        R: serde::de::DeserializeOwned + PartialEq,
    {
        let sql = format!("SELECT record FROM {table} WHERE id = ?1");
        let there: Option<String> = self
            .t
            .query_row(&sql, [id], |r| r.get(0))
            .optional()
            .map_err(self.failed)?;
        if let Some(there) = there {
            if read_record::<R>(&there, id)? != read_record::<R>(text, id)? {
                return Err(StoreError::Refused {
                    line,
                    why: format!(
                        "\"{id}\" is in this store with other facts or in another state; bring the file into an empty store, or make both the same first"
                    ),
                });
            }
            self.done.there_already += 1;
            return Ok(false);
        }
        let sql = format!("INSERT INTO {table} (id, added_at, record) VALUES (?1, ?2, ?3)");
        let added = self.t.execute(&sql, [id, added_at, text]);
        added.map_err(self.failed)?;
        Ok(true)
    }

    fn baseline(&mut self, line: usize, carried: &CarriedBaseline) -> Result<(), StoreError> {
        let refused = |why: String| StoreError::Refused { line, why };
        if baseline_hash(&carried.record, &carried.soundings) != carried.hash {
            return Err(refused("this baseline is not what was kept".to_owned()));
        }
        let record: BaselineRecord =
            read_record(&carried.record, "the baseline").map_err(|e| refused(e.to_string()))?;
        let key = params![record.kind.word(), record.of, record.baseline_version];
        let sql = "SELECT hash FROM baselines WHERE kind = ?1 AND name = ?2 AND version = ?3";
        let there: Option<String> = self
            .t
            .query_row(sql, key, |r| r.get(0))
            .optional()
            .map_err(self.failed)?;
        let (at, why) = carried.retired.clone().unzip();
        match there {
            Some(hash) if hash == carried.hash => {
                let sql = "UPDATE baselines SET retired_at = ?2, retired_why = ?3 WHERE hash = ?1 AND retired_at IS NULL";
                let retired = self.t.execute(sql, params![hash, at, why]);
                retired.map_err(self.failed)?;
                self.done.there_already += 1;
                return Ok(());
            }
            Some(_) => {
                return Err(refused(format!(
                    "this store has another version {} of the baseline of \"{}\"; bring the file into an empty store",
                    record.baseline_version, record.of
                )));
            }
            None => {}
        }
        let row = params![
            record.kind.word(),
            record.of,
            record.baseline_version,
            record.built_at,
            carried.record,
            carried.hash,
            at,
            why
        ];
        let sql = "INSERT INTO baselines (kind, name, version, built_at, record, hash, retired_at, retired_why) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)";
        self.t.execute(sql, row).map_err(self.failed)?;
        let number = self.t.last_insert_rowid();
        for (position, text) in carried.soundings.iter().enumerate() {
            let sql =
                "INSERT INTO baseline_soundings (baseline, position, record) VALUES (?1, ?2, ?3)";
            let added = self.t.execute(sql, params![number, position as i64, text]);
            added.map_err(self.failed)?;
        }
        self.done.baselines += 1;
        Ok(())
    }

    fn records(
        &mut self,
        parts: &[(usize, Carried)],
        import: &Import<'_>,
    ) -> Result<(), StoreError> {
        let sql = "SELECT count FROM chain_end";
        let count: i64 = self
            .t
            .query_row(sql, [], |r| r.get(0))
            .map_err(self.failed)?;
        let as_it_was = count == 0 && !import.is_part;
        let known = self.known()?;
        let mut before: Option<&KeptText> = None;
        let mut came = Vec::new();
        for (line, part) in parts {
            let Carried::Record(record) = part else {
                continue;
            };
            let refused = |why: String| StoreError::Refused { line: *line, why };
            fault_between(before, record, import.is_part).map_err(refused)?;
            before = Some(record);
            if let Some(number) = known.get(&record.hash) {
                self.numbers.insert(record.number, *number);
                self.done.there_already += 1;
                continue;
            }
            if let Some(id) = &record.wheel {
                let sql = "SELECT count(*) FROM wheels WHERE id = ?1";
                let there: i64 = self
                    .t
                    .query_row(sql, [id], |r| r.get(0))
                    .map_err(self.failed)?;
                if there == 0 {
                    return Err(refused(format!(
                        "its wheel \"{id}\" is neither in this store nor in the file"
                    )));
                }
            }
            let number = if as_it_was {
                insert_as_it_was(self.t, record).map_err(self.failed)?;
                record.number
            } else {
                let (kind, wheel) = (record.kind.as_str(), record.wheel.as_deref());
                let link = append(self.t, &record.at, kind, wheel, &record.text);
                link.map_err(self.failed)?.number.unsigned_abs()
            };
            self.numbers.insert(record.number, number);
            came.push(ImportedRecord {
                number,
                from_number: record.number,
                from_hash: record.hash.clone(),
            });
        }
        self.done.end = before.map_or(String::new(), |r| r.hash.clone());
        self.done.records = came.len();
        let done = &self.done;
        if came.is_empty() && done.wheels + done.grinders + done.baselines == 0 {
            return Ok(());
        }
        let record = ImportRecord {
            format: FORMAT.to_owned(),
            version: VERSION,
            at: import.at.to_owned(),
            by: import.by.map(str::to_owned),
            source: import.source.to_owned(),
            end: self.done.end.clone(),
            records: came,
        };
        let text = canonical(&record, ImportRecord::NOUN)?;
        let link = append(self.t, import.at, FORMAT, None, &text).map_err(self.failed)?;
        self.done.number = Some(link.number.unsigned_abs());
        Ok(())
    }

    /// Numbers of the records that are here, by their hashes and by those they had elsewhere.
    fn known(&self) -> Result<BTreeMap<String, u64>, StoreError> {
        let read = || -> rusqlite::Result<Vec<(String, i64, Option<String>)>> {
            let sql =
                "SELECT hash, number, CASE kind WHEN 'fourtap.import' THEN record END FROM records";
            let mut statement = self.t.prepare(sql)?;
            let rows = statement.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?;
            rows.collect()
        };
        let mut known = BTreeMap::new();
        let mut elsewhere = Vec::new();
        for (hash, number, import) in read().map_err(self.failed)? {
            known.insert(hash, number.unsigned_abs());
            if let Some(text) = import {
                let import: ImportRecord = read_record(&text, ImportRecord::NOUN)?;
                elsewhere.extend(import.records);
            }
        }
        for one in elsewhere {
            known.entry(one.from_hash).or_insert(one.number);
        }
        Ok(known)
    }

    /// What happened to wheels and grinders, where it is not known yet.
    fn events(&mut self, parts: &[(usize, Carried)]) -> Result<(), StoreError> {
        for (_, part) in parts {
            match part {
                Carried::Wheel(wheel, events) => {
                    let mut seen = self.wheel_events_there(&wheel.id)?;
                    for event in events {
                        let number = event.record.and_then(|r| self.numbers.get(&r).copied());
                        if !seen.insert((event.at.clone(), event.state.clone(), event.note.clone()))
                        {
                            continue;
                        }
                        let row = params![
                            wheel.id,
                            event.at,
                            event.state,
                            event.note,
                            event.by,
                            event.grinder,
                            number.map(u64::cast_signed)
                        ];
                        let sql = "INSERT INTO wheel_events (wheel, at, state, note, said_by, grinder, record) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
                        self.t.execute(sql, row).map_err(self.failed)?;
                    }
                }
                Carried::Grinder(grinder, events) => {
                    for (at, what) in events {
                        let sql = "INSERT INTO grinder_events (grinder, at, what) SELECT ?1, ?2, ?3 WHERE NOT EXISTS (SELECT 1 FROM grinder_events WHERE grinder = ?1 AND at = ?2 AND what = ?3)";
                        let added = self.t.execute(sql, [&grinder.id, at, what]);
                        added.map_err(self.failed)?;
                    }
                }
                Carried::Baseline(_) | Carried::Record(_) => {}
            }
        }
        Ok(())
    }

    fn wheel_events_there(
        &self,
        id: &str,
    ) -> Result<BTreeSet<(String, String, Option<String>)>, StoreError> {
        let read = || -> rusqlite::Result<_> {
            let sql = "SELECT at, state, note FROM wheel_events WHERE wheel = ?1";
            let mut statement = self.t.prepare(sql)?;
            let rows = statement.query_map([id], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?;
            rows.collect()
        };
        read().map_err(self.failed)
    }
}

/// What is wrong with a record that was taken out, or with its place after the one before it.
fn fault_between(
    before: Option<&KeptText>,
    record: &KeptText,
    is_part: bool,
) -> Result<(), String> {
    let number = record.number;
    let signed = i64::try_from(number).map_err(|_| format!("there is no record {number}"))?;
    if record_hash(signed, &record.at, &record.text, &record.previous) != record.hash {
        return Err(format!("record {number} is not what was kept"));
    }
    let (expected, end) = before.map_or((1, ""), |b| (b.number + 1, b.hash.as_str()));
    if number == expected {
        if record.previous != end {
            return Err(format!("record {number} does not follow the one before it"));
        }
    } else if number < expected {
        return Err(format!(
            "record {number} stands after record {}",
            expected - 1
        ));
    } else if !is_part {
        return Err(format!(
            "record {expected} is missing before it; the export of one wheel is taken with --part"
        ));
    }
    Ok(())
}
