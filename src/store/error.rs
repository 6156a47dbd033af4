//! What can go wrong with the store: the file, what happened, what to do.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

/// An error of the store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// No folder is named and the system names none.
    #[error(
        "no folder for the store: the system names no home folder; name one with --store DIR or FOURTAP_STORE"
    )]
    NoFolder,
    /// There is no store in the folder, and reading makes none.
    #[error(
        "there is no store in {path}: name its folder with --store or FOURTAP_STORE, or begin one with fourtap wheel add"
    )]
    NoStore {
        /// The folder.
        path: PathBuf,
    },
    /// The folder cannot be made or used.
    #[error("cannot use {path} as the store: {why}; choose another folder with --store")]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// Another program is writing.
    #[error(
        "the store in {path} is being written by another program: wait until it is done and try again"
    )]
    Locked {
        /// The database.
        path: PathBuf,
    },
    /// Writing is not allowed.
    #[error(
        "the store in {path} cannot be written: give yourself the right to write there, or choose another folder with --store"
    )]
    ReadOnly {
        /// The database.
        path: PathBuf,
    },
    /// No space left.
    #[error(
        "the disk with {path} is full: nothing was kept of this step; make room and do it again"
    )]
    Full {
        /// The database or sound file.
        path: PathBuf,
    },
    /// Something else lies there.
    #[error(
        "{path} is not a store of fourtap: move it away, or choose another folder with --store"
    )]
    NotAStore {
        /// The file.
        path: PathBuf,
    },
    /// Made by a newer program.
    #[error(
        "the store in {path} has schema version {found}, and this program knows up to {known}: use the newer fourtap that made it; nothing was changed"
    )]
    Newer {
        /// The database.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The newest version this program knows.
        known: i64,
    },
    /// The database is damaged.
    #[error(
        "the database {path} is damaged ({detail}): keep a copy of the folder, then bring back its last backup"
    )]
    Damaged {
        /// The database.
        path: PathBuf,
        /// What was found.
        detail: String,
    },
    /// The file system cannot do what the store needs.
    #[error(
        "{path} lies on a file system that cannot keep a write-ahead log (a network folder?): choose a local folder with --store"
    )]
    NoLog {
        /// The database.
        path: PathBuf,
    },
    /// Another error of the database.
    #[error(
        "the database {path} failed: {detail}; try again, and keep a copy of the folder if it stays so"
    )]
    Database {
        /// The database.
        path: PathBuf,
        /// What it said.
        detail: String,
    },
    /// The id is taken.
    #[error("there is already a wheel \"{id}\": choose another id, or use that wheel")]
    WheelExists {
        /// Id as it stands in the store.
        id: String,
    },
    /// No such wheel.
    #[error(
        "there is no wheel \"{id}\": add it first, like fourtap wheel add {id} --size 200x20x32 --bond vitrified"
    )]
    NoWheel {
        /// The id asked for.
        id: String,
    },
    /// Another program has changed the state of a wheel meanwhile.
    #[error(
        "the wheel \"{id}\" is {state} by now: look at it with fourtap wheel show {id} and try again"
    )]
    OtherState {
        /// Id as it stands in the store.
        id: String,
        /// Its state in words.
        state: &'static str,
    },
    /// The id is taken.
    #[error("there is already a grinder \"{id}\": choose another id, or use that grinder")]
    GrinderExists {
        /// Id as it stands in the store.
        id: String,
    },
    /// No such grinder.
    #[error(
        "there is no grinder \"{id}\": add it first, like fourtap grinder add {id} --kind bench --speed 2950rpm"
    )]
    NoGrinder {
        /// The id asked for.
        id: String,
    },
    /// A specification without a baseline.
    #[error(
        "there is no baseline of the specification \"{name}\" in use: build one with fourtap baseline build --specification {name} FILE…"
    )]
    NoBaselineOf {
        /// Name of the specification.
        name: String,
    },
    /// No such baseline.
    #[error(
        "there is no baseline of \"{name}\" with version {version}: look at its versions with fourtap baseline show"
    )]
    NoBaseline {
        /// Wheel or specification.
        name: String,
        /// The version asked for.
        version: u32,
    },
    /// No such record.
    #[error("there is no record number {number}: look at the list with fourtap records list")]
    NoRecord {
        /// The number asked for.
        number: u64,
    },
    /// A record of another kind than the one asked for.
    #[error(
        "record {number} is of the kind {kind}, and {wanted} was asked for: look at the list with fourtap records list"
    )]
    OtherKind {
        /// Its number.
        number: u64,
        /// Name of its format.
        kind: String,
        /// What was asked for.
        wanted: &'static str,
    },
    /// A record of an unknown format or version, or one that would not read back.
    #[error("{what} cannot be {done}: {why}")]
    Record {
        /// Which record.
        what: String,
        /// `kept` or `read`.
        done: &'static str,
        /// Why.
        why: String,
    },
    /// A recording is not where it should be.
    #[error(
        "the recording {name} is missing at {path}: bring it back from a backup of the store's folder"
    )]
    SoundMissing {
        /// Name it was kept under.
        name: String,
        /// Where it should be, or its hash.
        path: PathBuf,
    },
    /// A recording was removed to make room.
    #[error(
        "the audio of the recording {name} was pruned on {at}: its record stays, its sound is gone"
    )]
    SoundPruned {
        /// Name it was kept under.
        name: String,
        /// When, RFC 3339.
        at: String,
    },
    /// Something that was to be brought in from another store.
    #[error("line {line}: {why}")]
    Refused {
        /// Its line.
        line: usize,
        /// What is wrong with it.
        why: String,
    },
    /// A recording is not what was kept.
    #[error(
        "the recording {name} at {path} is not what was kept: its content has changed; bring it back from a backup of the store's folder"
    )]
    SoundChanged {
        /// Name it was kept under.
        name: String,
        /// Where it is.
        path: PathBuf,
    },
    /// A file operation failed.
    #[error("{path}: {source}; nothing was kept of this step")]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
}

impl StoreError {
    /// An error of the database at `path`, by its kind.
    pub(crate) fn database(path: &Path, error: &rusqlite::Error) -> Self {
        let path = path.to_owned();
        let detail = error.to_string();
        match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Locked { path },
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => Self::ReadOnly { path },
            Some(ErrorCode::DiskFull) => Self::Full { path },
            Some(ErrorCode::NotADatabase) => Self::NotAStore { path },
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged { path, detail },
            Some(ErrorCode::CannotOpen) => {
                hindrance(&path).unwrap_or(Self::Folder { path, why: detail })
            }
            // SQLite tells a full disk as an I/O error where it needs a file beside the database.
            Some(ErrorCode::SystemIoFailure) => {
                let detail = format!(
                    "{detail} (a full disk, a limit on the size of files, or a disk that fails)"
                );
                hindrance(&path).unwrap_or(Self::Database { path, detail })
            }
            _ => Self::Database { path, detail },
        }
    }

    /// An error of a file at `path`, by its kind.
    pub(crate) fn file(path: &Path, source: std::io::Error) -> Self {
        let path = path.to_owned();
        match source.kind() {
            std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => {
                Self::Full { path }
            }
            std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::ReadOnlyFilesystem => {
                Self::ReadOnly { path }
            }
            _ => Self::File { path, source },
        }
    }
}

/// What keeps a file from being written beside `path`, if it is a full disk or a folder that may
/// not be written.
fn hindrance(path: &Path) -> Option<StoreError> {
    let probe = tempfile::tempfile_in(path.parent()?)
        .and_then(|mut file| std::io::Write::write_all(&mut file, &[1; 65_536]));
    let error = StoreError::file(path, probe.err()?);
    matches!(error, StoreError::Full { .. } | StoreError::ReadOnly { .. }).then_some(error)
}
