//! Grinders in the store.

use rusqlite::{OptionalExtension as _, params};

use crate::record::grinder::{FORMAT, GrinderRecord, VERSION};
use crate::store::{Store, StoreError, canonical, check_format, read_record};

impl Store {
    /// Adds a grinder.
    ///
    /// # Errors
    /// [`StoreError::GrinderExists`] when its id is taken, in whatever case.
    pub fn add_grinder(&mut self, grinder: &GrinderRecord) -> Result<(), StoreError> {
        let text = text_of(grinder)?;
        self.write(|t, path| {
            let failed = |e: rusqlite::Error| StoreError::database(path, &e);
            let known: Option<String> = t
                .query_row(
                    "SELECT id FROM grinders WHERE id = ?1",
                    [&grinder.id],
                    |r| r.get(0),
                )
                .optional()
                .map_err(failed)?;
            if let Some(id) = known {
                return Err(StoreError::GrinderExists { id });
            }
            t.execute(
                "INSERT INTO grinders (id, added_at, record) VALUES (?1, ?2, ?3)",
                params![grinder.id, grinder.added_at, text],
            )
            .map_err(failed)?;
            t.execute(
                "INSERT INTO grinder_events (grinder, at, what) VALUES (?1, ?2, 'added')",
                params![grinder.id, grinder.added_at],
            )
            .map_err(failed)?;
            Ok(())
        })
    }

    /// Writes a grinder anew and remembers what changed, in words. Its id must be there.
    ///
    /// # Errors
    /// [`StoreError::NoGrinder`] when it is not there.
    pub fn change_grinder(
        &mut self,
        grinder: &GrinderRecord,
        at: &str,
        what: &str,
    ) -> Result<(), StoreError> {
        let text = text_of(grinder)?;
        self.write(|t, path| {
            let failed = |e: rusqlite::Error| StoreError::database(path, &e);
            let sql = "UPDATE grinders SET record = ?2 WHERE id = ?1";
            let changed = t.execute(sql, [&grinder.id, &text]).map_err(failed)?;
            if changed == 0 {
                return Err(StoreError::NoGrinder {
                    id: grinder.id.clone(),
                });
            }
            t.execute(
                "INSERT INTO grinder_events (grinder, at, what) VALUES (?1, ?2, ?3)",
                params![grinder.id, at, what],
            )
            .map_err(failed)?;
            Ok(())
        })
    }

    /// The grinder of an id, in whatever case.
    ///
    /// # Errors
    /// [`StoreError::NoGrinder`] when it is not there.
    pub fn grinder(&self, id: &str) -> Result<GrinderRecord, StoreError> {
        let sql = "SELECT record FROM grinders WHERE id = ?1";
        let text: Option<String> = self
            .db
            .query_row(sql, [id], |r| r.get(0))
            .optional()
            .map_err(|e| self.failed(&e))?;
        let text = text.ok_or_else(|| StoreError::NoGrinder { id: id.to_owned() })?;
        read_grinder(&text, id)
    }

    /// All grinders, by id.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn grinders(&self) -> Result<Vec<GrinderRecord>, StoreError> {
        let rows = self.texts("SELECT id, record FROM grinders ORDER BY id", [])?;
        rows.iter()
            .map(|(id, text)| read_grinder(text, id))
            .collect()
    }

    /// What happened to a grinder, oldest first: when, and what in words.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn grinder_events(&self, id: &str) -> Result<Vec<(String, String)>, StoreError> {
        self.texts(
            "SELECT at, what FROM grinder_events WHERE grinder = ?1 ORDER BY number",
            [id],
        )
    }
}

fn text_of(grinder: &GrinderRecord) -> Result<String, StoreError> {
    let what = format!("the grinder \"{}\"", grinder.id);
    let found = (grinder.format.as_str(), grinder.version);
    check_format(&what, found, (FORMAT, VERSION), "kept")?;
    canonical(grinder, &what)
}

fn read_grinder(text: &str, id: &str) -> Result<GrinderRecord, StoreError> {
    let what = format!("the grinder \"{id}\"");
    let grinder: GrinderRecord = read_record(text, &what)?;
    let found = (grinder.format.as_str(), grinder.version);
    check_format(&what, found, (FORMAT, VERSION), "read")?;
    Ok(grinder)
}
