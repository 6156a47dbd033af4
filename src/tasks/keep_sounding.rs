//! Keeps a live sounding: its sound first, then its record.

use std::fs::File;
use std::path::PathBuf;

use crate::record::sounding::SoundingRecord;
use crate::store::records::Kept;
use crate::store::{Store, StoreError};

/// Keeps the takes (one for each of `record.files`, in their order), then the record. When this
/// returns, all of it is on the disk. `at` is RFC 3339.
///
/// # Errors
/// [`StoreError`] when a take cannot be read or is not the one of the record, when something
/// cannot be written, or for a wheel that is not in the store. The takes stay where they are.
pub fn keep_sounding(
    store: &mut Store,
    record: &SoundingRecord,
    takes: &[PathBuf],
    at: &str,
) -> Result<Kept<SoundingRecord>, StoreError> {
    for (file, take) in record.files.iter().zip(takes) {
        let content = File::open(take).map_err(|e| StoreError::file(take, e))?;
        let kept = store.keep_sound(&file.name, content, at)?;
        if kept.hash != file.blake3 {
            return Err(StoreError::SoundChanged {
                name: file.name.clone(),
                path: take.clone(),
            });
        }
    }
    store.keep(record, at)
}
