//! Wheels in the store.

use rusqlite::{OptionalExtension as _, Transaction, params};

use crate::record::ChainRecord as _;
use crate::record::wheel::{FORMAT, VERSION, WheelRecord, WheelState};
use crate::record::wheel_state::WheelStateRecord;
use crate::store::ids::id_in_store;
use crate::store::records::append;
use crate::store::{Store, StoreError, canonical, check_format, read_record};

/// Something that happened to a wheel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WheelEvent {
    /// When.
    pub at: String,
    /// The state it went into, in words; `in store` first, when it was added.
    pub state: String,
    /// What the person said of it.
    pub note: Option<String>,
    /// Who said so.
    pub by: Option<String>,
    /// The grinder it went on.
    pub grinder: Option<String>,
    /// Number of the record of the change; none of adding, of edits, and of changes made before
    /// they were recorded.
    pub record: Option<u64>,
}

impl Store {
    /// Adds a wheel.
    ///
    /// # Errors
    /// [`StoreError::WheelExists`] when its id is taken, in whatever case.
    pub fn add_wheel(&mut self, wheel: &WheelRecord) -> Result<(), StoreError> {
        let what = format!("the wheel \"{}\"", wheel.id);
        let found = (wheel.format.as_str(), wheel.version);
        check_format(&what, found, (FORMAT, VERSION), "kept")?;
        let text = canonical(wheel, &what)?;
        self.write(|t, path| {
            let failed = |e: rusqlite::Error| StoreError::database(path, &e);
            if let Some(id) = id_in_store(t, &wheel.id).map_err(failed)? {
                return Err(StoreError::WheelExists { id });
            }
            t.execute(
                "INSERT INTO wheels (id, added_at, record) VALUES (?1, ?2, ?3)",
                params![wheel.id, wheel.added_at, text],
            )
            .map_err(failed)?;
            add_event(t, &wheel.id, &wheel.added_at, wheel.state, None).map_err(failed)
        })
    }

    /// The wheel of an id, in whatever case.
    ///
    /// # Errors
    /// [`StoreError`] of the database; a wheel that is not there is `None`.
    pub fn wheel(&self, id: &str) -> Result<Option<WheelRecord>, StoreError> {
        let text: Option<String> = self
            .db
            .query_row("SELECT record FROM wheels WHERE id = ?1", [id], |r| {
                r.get(0)
            })
            .optional()
            .map_err(|e| self.failed(&e))?;
        text.map(|t| read_wheel(&t, id)).transpose()
    }

    /// All wheels, by id.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn wheels(&self) -> Result<Vec<WheelRecord>, StoreError> {
        let rows = self.texts("SELECT id, record FROM wheels ORDER BY id", [])?;
        rows.iter().map(|(id, text)| read_wheel(text, id)).collect()
    }

    /// Puts a wheel into another state, whatever that was before, and keeps a record of it.
    /// `at` is RFC 3339. Which changes are allowed is not asked here.
    ///
    /// # Errors
    /// [`StoreError::NoWheel`] when it is not there.
    pub fn set_wheel_state(
        &mut self,
        id: &str,
        state: WheelState,
        at: &str,
        note: Option<&str>,
    ) -> Result<WheelRecord, StoreError> {
        let missing = || StoreError::NoWheel { id: id.to_owned() };
        let wheel = self.wheel(id)?.ok_or_else(missing)?;
        let mut change = WheelStateRecord::new(&wheel.id, wheel.state, state, at);
        change.note = note.map(str::to_owned);
        self.change_wheel_state(&change)
    }

    /// Puts a wheel into another state and keeps the record of it, both or neither.
    ///
    /// # Errors
    /// [`StoreError::NoWheel`] when it is not there, [`StoreError::OtherState`] when it is not in
    /// the state `change.from` any more.
    pub fn change_wheel_state(
        &mut self,
        change: &WheelStateRecord,
    ) -> Result<WheelRecord, StoreError> {
        let id = change.wheel.as_str();
        let record = canonical(change, WheelStateRecord::NOUN)?;
        self.write(|t, path| {
            let failed = |e: rusqlite::Error| StoreError::database(path, &e);
            let text: Option<String> = t
                .query_row("SELECT record FROM wheels WHERE id = ?1", [id], |r| {
                    r.get(0)
                })
                .optional()
                .map_err(failed)?;
            let text = text.ok_or_else(|| StoreError::NoWheel { id: id.to_owned() })?;
            let mut wheel = read_wheel(&text, id)?;
            if wheel.state != change.from {
                return Err(StoreError::OtherState {
                    id: wheel.id,
                    state: wheel.state.words(),
                });
            }
            wheel.state = change.to;
            wheel.grinder.clone_from(&change.grinder);
            let text = canonical(&wheel, id)?;
            t.execute("UPDATE wheels SET record = ?2 WHERE id = ?1", [id, &text])
                .map_err(failed)?;
            let kind = WheelStateRecord::FORMAT;
            let link = append(t, &change.at, kind, Some(&wheel.id), &record).map_err(failed)?;
            t.execute(
                "INSERT INTO wheel_events (wheel, at, state, note, said_by, grinder, record) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                params![
                    wheel.id,
                    change.at,
                    change.to.words(),
                    change.note,
                    change.by,
                    change.grinder,
                    link.number
                ],
            )
            .map_err(failed)?;
            Ok(wheel)
        })
    }

    /// Writes a wheel anew, as it is now known, and remembers when and what changed (`note`).
    /// Id and time of adding stay as they are in the store.
    ///
    /// # Errors
    /// [`StoreError::NoWheel`] when it is not there.
    pub fn change_wheel(
        &mut self,
        wheel: &WheelRecord,
        at: &str,
        note: &str,
    ) -> Result<WheelRecord, StoreError> {
        self.write(|t, path| {
            let failed = |e: rusqlite::Error| StoreError::database(path, &e);
            let text: Option<String> = t
                .query_row(
                    "SELECT record FROM wheels WHERE id = ?1",
                    [&wheel.id],
                    |r| r.get(0),
                )
                .optional()
                .map_err(failed)?;
            let text = text.ok_or_else(|| StoreError::NoWheel {
                id: wheel.id.clone(),
            })?;
            let kept = read_wheel(&text, &wheel.id)?;
            let changed = WheelRecord {
                id: kept.id,
                added_at: kept.added_at,
                // The state has its own way in: another program may have set it meanwhile.
                state: kept.state,
                grinder: kept.grinder,
                ..wheel.clone()
            };
            let text = canonical(&changed, &changed.id)?;
            t.execute(
                "UPDATE wheels SET record = ?2 WHERE id = ?1",
                [&changed.id, &text],
            )
            .map_err(failed)?;
            add_event(t, &changed.id, at, changed.state, Some(note)).map_err(failed)?;
            Ok(changed)
        })
    }

    /// What happened to a wheel, oldest first; empty for a wheel that is not there.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn wheel_events(&self, id: &str) -> Result<Vec<WheelEvent>, StoreError> {
        let read = || -> rusqlite::Result<Vec<WheelEvent>> {
            let sql = "SELECT at, state, note, said_by, grinder, record FROM wheel_events WHERE wheel = ?1 ORDER BY number";
            let mut statement = self.db.prepare(sql)?;
            let rows = statement.query_map([id], |r| {
                Ok(WheelEvent {
                    at: r.get(0)?,
                    state: r.get(1)?,
                    note: r.get(2)?,
                    by: r.get(3)?,
                    grinder: r.get(4)?,
                    record: r.get::<_, Option<i64>>(5)?.map(i64::unsigned_abs),
                })
            })?;
            rows.collect()
        };
        read().map_err(|e| self.failed(&e))
    }

    /// Pairs of texts of a query.
    pub(super) fn texts(
        &self,
        sql: &str,
        params: impl rusqlite::Params,
    ) -> Result<Vec<(String, String)>, StoreError> {
        let read = || -> rusqlite::Result<Vec<(String, String)>> {
            let mut statement = self.db.prepare(sql)?;
            let rows = statement.query_map(params, |r| Ok((r.get(0)?, r.get(1)?)))?;
            rows.collect()
        };
        read().map_err(|e| self.failed(&e))
    }
}

fn add_event(
    t: &Transaction<'_>,
    id: &str,
    at: &str,
    state: WheelState,
    note: Option<&str>,
) -> rusqlite::Result<()> {
    t.execute(
        "INSERT INTO wheel_events (wheel, at, state, note) VALUES (?1, ?2, ?3, ?4)",
        params![id, at, state.words(), note],
    )?;
    Ok(())
}

fn read_wheel(text: &str, id: &str) -> Result<WheelRecord, StoreError> {
    let what = format!("the wheel \"{id}\"");
    let wheel: WheelRecord = read_record(text, &what)?;
    let found = (wheel.format.as_str(), wheel.version);
    check_format(&what, found, (FORMAT, VERSION), "read")?;
    Ok(wheel)
}
