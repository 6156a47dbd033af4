//! Logs of live soundings that are under way or were broken off, beside their takes.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};

use crate::record::live_log::{FORMAT, LiveStep, VERSION};
use crate::store::StoreError;

/// The end of the name of a log.
const ENDING: &str = "live-log.jsonl";
/// A log longer than this was not written by us.
const MOST_BYTES: u64 = 4 << 20;

/// A log that is being written: one JSON object a line, on the disk when a step was added.
#[derive(Debug)]
pub struct LiveLog {
    path: PathBuf,
    file: File,
}

impl LiveLog {
    /// Begins the log that belongs to a take, in the same folder.
    ///
    /// # Errors
    /// [`StoreError`] when it is there already or cannot be made.
    pub fn begin(take: &Path) -> Result<Self, StoreError> {
        let path = take.with_extension(ENDING);
        let file = OpenOptions::new().append(true).create_new(true).open(&path);
        let file = file.map_err(|e| StoreError::file(&path, e))?;
        lock(&file, &path)?;
        Ok(Self { path, file })
    }

    /// Goes on with a log.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be opened, or another program is taking this sounding.
    pub fn go_on(path: &Path) -> Result<Self, StoreError> {
        let failed = |e| StoreError::file(path, e);
        let mut file = OpenOptions::new().append(true).open(path).map_err(failed)?;
        lock(&file, path)?;
        // A crash may have left half a line.
        file.write_all(b"\n").map_err(failed)?;
        Ok(Self {
            path: path.to_owned(),
            file,
        })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Adds a step.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be written.
    pub fn add(&mut self, step: &LiveStep) -> Result<(), StoreError> {
        let failed = |e| StoreError::file(&self.path, e);
        let mut line = serde_json::to_vec(step).map_err(|e| failed(e.into()))?;
        line.push(b'\n');
        self.file.write_all(&line).map_err(failed)?;
        self.file.sync_data().map_err(failed)
    }
}

/// True when a program is taking the sounding of this log just now.
pub fn is_under_way(path: &Path) -> bool {
    File::open(path).is_ok_and(|f| matches!(f.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

/// Held as long as the file is open: two programs do not go on with one sounding.
fn lock(file: &File, path: &Path) -> Result<(), StoreError> {
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => Err(StoreError::file(
            path,
            std::io::Error::other("another program is taking this sounding"),
        )),
        // Where a file system has no locks the log serves all the same.
        Ok(()) | Err(TryLockError::Error(_)) => Ok(()),
    }
}

/// The logs in a folder, oldest first by their names; none when there is no such folder.
pub fn live_logs(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut logs: Vec<PathBuf> = entries
        .map(|e| e.path())
        .filter(|p| p.to_string_lossy().ends_with(ENDING))
        .collect();
    logs.sort();
    logs
}

/// The steps of a log. Half a line at a break, as a crash leaves it, is left out.
///
/// # Errors
/// [`StoreError`] when it cannot be read, is too long, or does not begin as a log does.
pub fn read_live_log(path: &Path) -> Result<Vec<LiveStep>, StoreError> {
    let failed = |e| StoreError::file(path, e);
    let file = File::open(path).map_err(failed)?;
    if file.metadata().map_err(failed)?.len() > MOST_BYTES {
        return Err(failed(std::io::Error::other("it is too long for a log")));
    }
    let mut steps = Vec::new();
    for line in BufReader::new(file).split(b'\n') {
        let line = line.map_err(failed)?;
        steps.extend(serde_json::from_slice::<LiveStep>(&line).ok());
    }
    match steps.first() {
        Some(LiveStep::Begun {
            format, version, ..
        }) if format == FORMAT && *version <= VERSION => Ok(steps),
        _ => Err(failed(std::io::Error::other(
            "it does not begin as the log of a sounding of this version does",
        ))),
    }
}
