//! Recordings kept beside the database, named by their content.

use std::io::{Read, Write as _};
use std::path::{Path, PathBuf};

use rusqlite::{OptionalExtension as _, params};

use crate::record::ChainRecord as _;
use crate::record::pruning::PruningRecord;
use crate::record::sounding::SoundingRecord;
use crate::store::records::Kept;
use crate::store::{SoundPlace, Store, StoreError, sync_folder};

/// A recording that is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptSound {
    /// BLAKE3 hash of its bytes in hexadecimal.
    pub hash: String,
    /// Name it was first kept under.
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// Where it is; none in a store in memory.
    pub path: Option<PathBuf>,
}

/// A row: name, ending, length.
type Row = (String, String, i64);

impl Store {
    /// Keeps a recording: writes it beside its place, waits for the disk, then names it. What
    /// is already there with the same content is not written again; a damaged copy is repaired.
    ///
    /// # Errors
    /// [`StoreError`] when `content` cannot be read or the file cannot be written. A file
    /// without an entry in the database may stay behind; it does no harm.
    pub fn keep_sound(
        &mut self,
        name: &str,
        mut content: impl Read,
        at: &str,
    ) -> Result<KeptSound, StoreError> {
        let ending = ending_of(name);
        let (hash, bytes) = match &mut self.sound {
            SoundPlace::Folder(folder) => keep_file(folder, name, &ending, &mut content)?,
            SoundPlace::Memory(kept) => {
                let mut all = Vec::new();
                content
                    .read_to_end(&mut all)
                    .map_err(|e| StoreError::file(Path::new(name), e))?;
                let hash = blake3::hash(&all).to_hex().to_string();
                let bytes = all.len() as u64;
                kept.insert(hash.clone(), all);
                (hash, bytes)
            }
        };
        self.write(|t, path| {
            t.execute(
                "INSERT INTO sound_files (hash, name, ending, bytes, kept_at) VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT (hash) DO NOTHING",
                params![hash, name, ending, bytes.cast_signed(), at],
            )
            .map_err(|e| StoreError::database(path, &e))
        })?;
        let row = self.sound_row(&hash)?;
        let (name, ending, bytes) = row.unwrap_or((name.to_owned(), ending, bytes.cast_signed()));
        Ok(self.kept_sound(hash, (name, ending, bytes)))
    }

    /// What is known of a recording; none when it was never kept.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn sound(&self, hash: &str) -> Result<Option<KeptSound>, StoreError> {
        let row = self.sound_row(hash)?;
        Ok(row.map(|row| self.kept_sound(hash.to_owned(), row)))
    }

    /// The bytes of a recording, checked against its hash.
    ///
    /// # Errors
    /// [`StoreError::SoundMissing`], [`StoreError::SoundPruned`] and [`StoreError::SoundChanged`].
    pub fn sound_bytes(&self, hash: &str) -> Result<Vec<u8>, StoreError> {
        let missing = |name: &str, path: &Path| StoreError::SoundMissing {
            name: name.to_owned(),
            path: path.to_owned(),
        };
        let Some(kept) = self.sound(hash)? else {
            return Err(missing(hash, Path::new(hash)));
        };
        let path = kept.path.clone().unwrap_or_else(|| PathBuf::from(hash));
        let bytes = match &self.sound {
            SoundPlace::Memory(all) => all.get(hash).cloned(),
            SoundPlace::Folder(_) => match std::fs::read(&path) {
                Ok(bytes) => Some(bytes),
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => None,
                Err(e) => return Err(StoreError::file(&path, e)),
            },
        };
        let Some(bytes) = bytes else {
            return Err(match self.pruned_at(hash)? {
                Some(at) => StoreError::SoundPruned {
                    name: kept.name,
                    at,
                },
                None => missing(&kept.name, &path),
            });
        };
        if blake3::hash(&bytes).to_hex().as_str() != hash {
            return Err(StoreError::SoundChanged {
                name: kept.name,
                path,
            });
        }
        Ok(bytes)
    }

    /// Checks every recording that was kept; gives the faults, in the order of their hashes.
    /// What was pruned is no fault.
    ///
    /// # Errors
    /// [`StoreError`] when the database or a file cannot be read at all.
    pub fn verify_sounds(&self) -> Result<Vec<StoreError>, StoreError> {
        let mut found = self.sound_faults()?;
        found.retain(|e| !matches!(e, StoreError::SoundPruned { .. }));
        Ok(found)
    }

    /// Removes recordings, after the record of it is kept. Those that are gone already are no
    /// error.
    ///
    /// # Errors
    /// [`StoreError`] when the record cannot be kept (nothing is removed then) or a file cannot
    /// be removed.
    pub fn prune_sounds(
        &mut self,
        record: &PruningRecord,
    ) -> Result<Kept<PruningRecord>, StoreError> {
        let kept = self.keep(record, &record.at)?;
        for recording in &record.recordings {
            let Some(sound) = self.sound(&recording.blake3)? else {
                continue;
            };
            match &mut self.sound {
                SoundPlace::Memory(all) => {
                    all.remove(&recording.blake3);
                }
                SoundPlace::Folder(_) => {
                    let path = sound.path.unwrap_or_default();
                    match std::fs::remove_file(&path) {
                        Ok(()) => {}
                        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
                        Err(e) => return Err(StoreError::file(&path, e)),
                    }
                }
            }
        }
        Ok(kept)
    }

    /// When a recording was pruned; none when it was not, or was kept for a sounding since.
    fn pruned_at(&self, hash: &str) -> Result<Option<String>, StoreError> {
        let sql = "SELECT at FROM records AS p WHERE kind = ?1 AND instr(record, ?2) > 0 AND NOT EXISTS (SELECT 1 FROM records WHERE kind = ?3 AND number > p.number AND instr(record, ?2) > 0) ORDER BY number DESC LIMIT 1";
        self.db
            .query_row(
                sql,
                [PruningRecord::FORMAT, hash, SoundingRecord::FORMAT],
                |r| r.get(0),
            )
            .optional()
            .map_err(|e| self.failed(&e))
    }

    /// When a recording that is gone was pruned; none when it is there, or was not pruned.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub fn pruned_since(&self, hash: &str) -> Result<Option<String>, StoreError> {
        let path = self.sound(hash)?.and_then(|s| s.path);
        match path {
            Some(path) if !path.exists() => self.pruned_at(hash),
            _ => Ok(None),
        }
    }

    /// As [`Store::verify_sounds`], with what was pruned.
    ///
    /// # Errors
    /// As there.
    pub fn sound_faults(&self) -> Result<Vec<StoreError>, StoreError> {
        let mut faults = Vec::new();
        for (hash, _) in self.texts("SELECT hash, name FROM sound_files ORDER BY hash", [])? {
            match self.sound_bytes(&hash) {
                Ok(_) => {}
                Err(
                    e @ (StoreError::SoundMissing { .. }
                    | StoreError::SoundPruned { .. }
                    | StoreError::SoundChanged { .. }),
                ) => faults.push(e),
                Err(e) => return Err(e),
            }
        }
        Ok(faults)
    }

    fn sound_row(&self, hash: &str) -> Result<Option<Row>, StoreError> {
        let sql = "SELECT name, ending, bytes FROM sound_files WHERE hash = ?1";
        self.db
            .query_row(sql, [hash], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
            .optional()
            .map_err(|e| self.failed(&e))
    }

    fn kept_sound(&self, hash: String, (name, ending, bytes): Row) -> KeptSound {
        let path = match &self.sound {
            SoundPlace::Folder(folder) => Some(place_of(folder, &hash, &ending)),
            SoundPlace::Memory(_) => None,
        };
        KeptSound {
            hash,
            name,
            bytes: bytes.unsigned_abs(),
            path,
        }
    }
}

/// The ending of a name if it is a plain one, else `bin`.
fn ending_of(name: &str) -> String {
    let ending = Path::new(name).extension().and_then(|e| e.to_str());
    match ending {
        Some(e) if e.len() <= 8 && e.bytes().all(|b| b.is_ascii_alphanumeric()) => {
            e.to_ascii_lowercase()
        }
        _ => "bin".to_owned(),
    }
}

fn place_of(folder: &Path, hash: &str, ending: &str) -> PathBuf {
    let shelf = hash.get(..2).unwrap_or("00");
    folder.join(shelf).join(format!("{hash}.{ending}"))
}

/// Copies `content` to its place under `folder`; gives its hash and length.
fn keep_file(
    folder: &Path,
    name: &str,
    ending: &str,
    content: &mut impl Read,
) -> Result<(String, u64), StoreError> {
    std::fs::create_dir_all(folder).map_err(|e| StoreError::file(folder, e))?;
    let mut file = file_beside(folder).map_err(|e| StoreError::file(folder, e))?;
    let (hash, bytes) = copy_hashing(content, name, &mut file)?;
    let place = place_of(folder, &hash, ending);
    if place.is_file() && hash_of_file(&place).is_ok_and(|h| h == hash) {
        return Ok((hash, bytes));
    }
    let shelf = place.parent().unwrap_or(folder);
    std::fs::create_dir_all(shelf).map_err(|e| StoreError::file(shelf, e))?;
    let synced = file.as_file().sync_all();
    synced.map_err(|e| StoreError::file(&place, e))?;
    file.persist(&place)
        .map_err(|e| StoreError::file(&place, e.error))?;
    for folder in [shelf, folder] {
        sync_folder(folder).map_err(|e| StoreError::file(folder, e))?;
    }
    Ok((hash, bytes))
}

/// A file under a passing name, with the rights that any new file of this user gets.
fn file_beside(folder: &Path) -> std::io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".keeping-");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        // The system takes off what the user's mask forbids.
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

fn copy_hashing(
    content: &mut impl Read,
    name: &str,
    file: &mut tempfile::NamedTempFile,
) -> Result<(String, u64), StoreError> {
    let mut hasher = blake3::Hasher::new();
    let mut chunk = vec![0; 65_536];
    let mut bytes = 0;
    loop {
        let n = match content.read(&mut chunk) {
            Ok(0) => break,
            Ok(n) => n,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(StoreError::file(Path::new(name), e)),
        };
        hasher.update(&chunk[..n]);
        let written = file.write_all(&chunk[..n]);
        written.map_err(|e| StoreError::file(file.path(), e))?;
        bytes += n as u64;
    }
    Ok((hasher.finalize().to_hex().to_string(), bytes))
}

fn hash_of_file(path: &Path) -> std::io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    std::io::copy(&mut std::fs::File::open(path)?, &mut hasher)?;
    Ok(hasher.finalize().to_hex().to_string())
}
