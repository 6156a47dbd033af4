//! What is kept between runs: one folder with an embedded database and the recordings beside it.
//!
//! ```text
//! DIR/fourtap.db                        wheels, grinders, baselines, records
//! DIR/settings.json                     the microphone last asked for
//! DIR/takes/                            soundings that are being taken, or were cut off
//! DIR/sound/<first two>/<hash>.<ending> recordings, named by their BLAKE3 hash
//! ```
//!
//! What a function here has returned `Ok` for is on the disk. The store has no clock: times are
//! handed in. Back up by copying the folder while no fourtap runs.

pub mod baselines;
pub mod carry_over;
pub mod error;
pub mod grinders;
mod ids;
pub mod live_logs;
pub mod records;
pub mod settings;
pub mod sound_files;
pub mod wheels;

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use etcetera::BaseStrategy as _;
use rusqlite::{Connection, Transaction, TransactionBehavior};

pub use error::StoreError;

/// Name of the database in its folder.
const DATABASE: &str = "fourtap.db";
/// Length of the header of a database in bytes.
const SMALLEST_DATABASE: u64 = 100;
/// Marks the database as ours: "4tap".
const APPLICATION: i32 = 0x3474_6170;
/// The schema, one script per version.
const SCHEMA: [&str; 4] = [
    include_str!("schema/0001-start.sql"),
    include_str!("schema/0002-records.sql"),
    include_str!("schema/0003-grinders.sql"),
    include_str!("schema/0004-states.sql"),
];
/// How long to wait for another program that writes.
const PATIENCE: Duration = Duration::from_millis(5000);

/// The store.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    /// The database file, for messages.
    path: PathBuf,
    sound: SoundPlace,
}

/// Where recordings go.
#[derive(Debug)]
enum SoundPlace {
    Folder(PathBuf),
    Memory(BTreeMap<String, Vec<u8>>),
}

/// The folder of the store when none is named on the command line: `named` (the value of
/// `FOURTAP_STORE`) unless empty, else `fourtap` in the system's folder for users' data.
///
/// # Errors
/// [`StoreError::NoFolder`] when neither exists.
pub fn default_folder(named: Option<&OsStr>) -> Result<PathBuf, StoreError> {
    if let Some(folder) = named.filter(|f| !f.is_empty()) {
        return Ok(PathBuf::from(folder));
    }
    let system = etcetera::base_strategy::choose_native_strategy();
    let system = system.map_err(|_| StoreError::NoFolder)?;
    Ok(system.data_dir().join("fourtap"))
}

impl Store {
    /// Opens the store in `folder`, making both when they are not there, and brings an older
    /// one up to date.
    ///
    /// # Errors
    /// [`StoreError`]; a store of a newer program, a file that is no store and a damaged one
    /// are refused and left as they are.
    pub fn open(folder: &Path) -> Result<Self, StoreError> {
        Self::open_waiting(folder, PATIENCE)
    }

    /// Opens the store in `folder` as [`Store::open`] does, but makes none: for reading.
    ///
    /// # Errors
    /// [`StoreError::NoStore`] when there is none; the rest as [`Store::open`].
    pub fn open_existing(folder: &Path) -> Result<Self, StoreError> {
        // What is left of a store goes to `open`, which tells the loss.
        if !folder.join(DATABASE).exists() && !folder.join("sound").is_dir() {
            return Err(StoreError::NoStore {
                path: folder.to_owned(),
            });
        }
        Self::open(folder)
    }

    /// [`Store::open`], but gives up on a locked database after `patience`.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open_waiting(folder: &Path, patience: Duration) -> Result<Self, StoreError> {
        std::fs::create_dir_all(folder).map_err(|e| StoreError::Folder {
            path: folder.to_owned(),
            why: e.to_string(),
        })?;
        let path = folder.join(DATABASE);
        check_remains(folder, &path)?;
        let db = Connection::open(&path).map_err(|e| StoreError::database(&path, &e))?;
        let sound = SoundPlace::Folder(folder.join("sound"));
        Self::prepared(Self { db, path, sound }, patience)
    }

    /// A store that is gone when it is dropped.
    ///
    /// # Errors
    /// [`StoreError`] when there is no memory.
    pub fn in_memory() -> Result<Self, StoreError> {
        let path = PathBuf::from(":memory:");
        let db = Connection::open_in_memory().map_err(|e| StoreError::database(&path, &e))?;
        let sound = SoundPlace::Memory(BTreeMap::new());
        Self::prepared(Self { db, path, sound }, PATIENCE)
    }

    /// The folder, none for a store in memory.
    pub fn folder(&self) -> Option<&Path> {
        match &self.sound {
            SoundPlace::Folder(_) => self.path.parent(),
            SoundPlace::Memory(_) => None,
        }
    }

    fn prepared(mut store: Self, patience: Duration) -> Result<Self, StoreError> {
        let wait = store.db.busy_timeout(patience);
        wait.map_err(|e| store.failed(&e))?;
        // Whose file it is comes first: nothing is written into a stranger's.
        store.check_owner()?;
        store.set_pragmas()?;
        store.migrate()?;
        Ok(store)
    }

    fn check_owner(&self) -> Result<(), StoreError> {
        let version = self.number("user_version")?;
        let known = SCHEMA.len() as i64;
        let tables: i64 = self
            .db
            .query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))
            .map_err(|e| self.failed(&e))?;
        let ours = self.number("application_id")? == i64::from(APPLICATION);
        if !ours && (tables > 0 || version != 0) {
            return Err(StoreError::NotAStore {
                path: self.path.clone(),
            });
        }
        if version > known {
            return Err(StoreError::Newer {
                path: self.path.clone(),
                found: version,
                known,
            });
        }
        Ok(())
    }

    fn number(&self, pragma: &str) -> Result<i64, StoreError> {
        self.db
            .pragma_query_value(None, pragma, |r| r.get(0))
            .map_err(|e| self.failed(&e))
    }

    fn set_pragmas(&self) -> Result<(), StoreError> {
        let set = || -> rusqlite::Result<String> {
            self.db.pragma_update(None, "synchronous", "FULL")?;
            self.db.pragma_update(None, "foreign_keys", true)?;
            self.db
                .pragma_update_and_check(None, "journal_mode", "WAL", |r| r.get(0))
        };
        let journal = set().map_err(|e| self.failed(&e))?;
        let in_file = matches!(self.sound, SoundPlace::Folder(_));
        if in_file && !journal.eq_ignore_ascii_case("wal") {
            return Err(StoreError::NoLog {
                path: self.path.clone(),
            });
        }
        Ok(())
    }

    /// Applies the scripts that this database has not seen, each in a transaction of its own.
    fn migrate(&mut self) -> Result<(), StoreError> {
        for (i, script) in SCHEMA.iter().enumerate() {
            let to = i as i64 + 1;
            self.write(|t, path| {
                // Asked inside the transaction: another program may just have done it.
                let at: i64 = t
                    .pragma_query_value(None, "user_version", |r| r.get(0))
                    .map_err(|e| StoreError::database(path, &e))?;
                if at >= to {
                    return Ok(());
                }
                t.execute_batch(script)
                    .and_then(|()| t.pragma_update(None, "application_id", APPLICATION))
                    .and_then(|()| t.pragma_update(None, "user_version", to))
                    .map_err(|e| StoreError::database(path, &e))
            })?;
        }
        Ok(())
    }

    /// Runs `work` in one transaction that holds the right to write from its start; an error
    /// undoes all of it.
    fn write<T>(
        &mut self,
        work: impl FnOnce(&Transaction<'_>, &Path) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let path = self.path.clone();
        let failed = |e: rusqlite::Error| StoreError::database(&path, &e);
        let transaction = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(failed)?;
        let done = work(&transaction, &path)?;
        transaction.commit().map_err(failed)?;
        Ok(done)
    }

    fn failed(&self, error: &rusqlite::Error) -> StoreError {
        StoreError::database(&self.path, error)
    }
}

/// Refuses what is left of a store that had a database: to begin a new one there would pass
/// over the loss in silence. (SQLite takes a file of a few bytes for an empty database.)
fn check_remains(folder: &Path, path: &Path) -> Result<(), StoreError> {
    // Recordings are looked for first: whoever makes a store writes its database before them.
    let recordings = folder.join("sound").is_dir();
    let length = std::fs::metadata(path).map_or(0, |m| m.len());
    let detail = if length > 0 && length < SMALLEST_DATABASE {
        format!("it has only {length} bytes")
    } else if length == 0 && recordings {
        "it is missing or empty, though recordings lie beside it".to_owned()
    } else {
        return Ok(());
    };
    Err(StoreError::Damaged {
        path: path.to_owned(),
        detail,
    })
}

/// A record as the text that is kept and hashed: JSON with sorted keys and no blanks.
///
/// Refuses a record that would not read back as the same kind (a figure that is not finite
/// becomes null in JSON, and no reader takes null for a number).
fn canonical<T>(record: &T, what: &str) -> Result<String, StoreError>
where
    T: serde::Serialize + serde::de::DeserializeOwned,
{
    let refused = |why: serde_json::Error| StoreError::Record {
        what: what.to_owned(),
        done: "kept",
        why: why.to_string(),
    };
    let mut value = serde_json::to_value(record).map_err(refused)?;
    value.sort_all_objects();
    let text = value.to_string();
    read_record::<T>(&text, what).map_err(|e| match e {
        StoreError::Record { what, why, .. } => StoreError::Record {
            what,
            done: "kept",
            why: format!("it would not read back ({why})"),
        },
        other => other,
    })?;
    Ok(text)
}

fn read_record<T: serde::de::DeserializeOwned>(text: &str, what: &str) -> Result<T, StoreError> {
    serde_json::from_str(text).map_err(|e| StoreError::Record {
        what: what.to_owned(),
        done: "read",
        why: e.to_string(),
    })
}

/// Refuses a record whose format or version this program does not write.
fn check_format(
    what: &str,
    found: (&str, u32),
    known: (&str, u32),
    done: &'static str,
) -> Result<(), StoreError> {
    let why = if found.0 != known.0 {
        format!("its format is \"{}\", not \"{}\"", found.0, known.0)
    } else if found.1 > known.1 || found.1 == 0 {
        format!(
            "its format version is {}, and this program knows up to {}: use a newer fourtap",
            found.1, known.1
        )
    } else {
        return Ok(());
    };
    Err(StoreError::Record {
        what: what.to_owned(),
        done,
        why,
    })
}

/// Waits until a new name in `folder` is on the disk.
#[cfg(unix)]
fn sync_folder(folder: &Path) -> std::io::Result<()> {
    std::fs::File::open(folder)?.sync_all()
}

/// Folders cannot be synchronised here; the system does so by itself.
#[cfg(not(unix))]
fn sync_folder(_folder: &Path) -> std::io::Result<()> {
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
