use super::*;

// Faults that a test cannot bring about from outside when it runs with all rights.

#[test]
fn a_full_disk_is_named_and_undoes_the_step() {
    let mut store = Store::in_memory().unwrap();
    let pages = store.number("page_count").unwrap();
    store
        .db
        .pragma_update(None, "max_page_count", pages)
        .unwrap();
    let filled = store.write(|t, path| {
        let sql =
            "INSERT INTO sound_files VALUES (hex(randomblob(8)), hex(randomblob(2000)), '', 0, '')";
        for _ in 0..100 {
            t.execute(sql, [])
                .map_err(|e| StoreError::database(path, &e))?;
        }
        Ok(())
    });
    let error = filled.unwrap_err();
    assert!(matches!(error, StoreError::Full { .. }), "{error}");
    assert!(error.to_string().contains("make room"), "{error}");
    let left: i64 = store
        .db
        .query_row("SELECT count(*) FROM sound_files", [], |r| r.get(0))
        .unwrap();
    assert_eq!(left, 0);
}

#[test]
fn a_store_that_cannot_be_written_is_named() {
    let mut store = Store::in_memory().unwrap();
    store.db.pragma_update(None, "query_only", true).unwrap();
    let written = store.write(|t, path| {
        t.execute("DELETE FROM sound_files", [])
            .map_err(|e| StoreError::database(path, &e))
    });
    let error = written.unwrap_err();
    assert!(matches!(error, StoreError::ReadOnly { .. }), "{error}");
    assert!(error.to_string().contains("--store"), "{error}");
}

#[test]
fn faults_of_files_are_told_apart() {
    let error = |kind| StoreError::file(Path::new("x"), std::io::Error::from(kind));
    use std::io::ErrorKind::{NotFound, PermissionDenied, ReadOnlyFilesystem, StorageFull};
    assert!(matches!(error(StorageFull), StoreError::Full { .. }));
    assert!(matches!(
        error(PermissionDenied),
        StoreError::ReadOnly { .. }
    ));
    assert!(matches!(
        error(ReadOnlyFilesystem),
        StoreError::ReadOnly { .. }
    ));
    assert!(matches!(error(NotFound), StoreError::File { .. }));
}

#[test]
fn the_store_is_opened_as_promised() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    assert_eq!(store.number("synchronous").unwrap(), 2);
    assert_eq!(store.number("foreign_keys").unwrap(), 1);
    assert_eq!(store.number("busy_timeout").unwrap(), 5000);
    assert_eq!(store.number("user_version").unwrap(), SCHEMA.len() as i64);
    let journal: String = store
        .db
        .pragma_query_value(None, "journal_mode", |r| r.get(0))
        .unwrap();
    assert_eq!(journal, "wal");
    let lax: i64 = store
        .db
        .query_row(
            "SELECT count(*) FROM pragma_table_list WHERE schema = 'main' AND type = 'table' AND strict = 0 AND name NOT LIKE 'sqlite_%'",
            [],
            |r| r.get(0),
        )
        .unwrap();
    assert_eq!(lax, 0);
}

#[test]
fn the_folder_is_the_one_named() {
    let named = default_folder(Some(OsStr::new("/some/where"))).unwrap();
    assert_eq!(named, Path::new("/some/where"));
    if let Ok(folder) = default_folder(Some(OsStr::new(""))) {
        assert!(folder.ends_with("fourtap"), "{folder:?}");
    }
}

#[test]
fn the_kept_text_does_not_depend_on_the_order_of_fields() {
    let one: serde_json::Value =
        serde_json::from_str(r#"{"b":[{"d":1,"c":0.1}],"a":null}"#).unwrap();
    let two: serde_json::Value =
        serde_json::from_str(r#"{"a":null,"b":[{"c":0.1,"d":1}]}"#).unwrap();
    let text = canonical(&one, "a test").unwrap();
    assert_eq!(text, r#"{"a":null,"b":[{"c":0.1,"d":1}]}"#);
    assert_eq!(canonical(&two, "a test").unwrap(), text);
}
