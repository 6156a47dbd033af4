//! Ids without regard to case.

use rusqlite::{OptionalExtension as _, Transaction};

/// The id of a wheel as it is written in the store; none when it is not there.
pub(super) fn id_in_store(t: &Transaction<'_>, id: &str) -> rusqlite::Result<Option<String>> {
    t.query_row("SELECT id FROM wheels WHERE id = ?1", [id], |r| r.get(0))
        .optional()
}
