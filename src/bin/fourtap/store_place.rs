//! Where the store is, and the clock that its records are stamped with.

use std::path::Path;
use std::process::ExitCode;

use fourtap::store::{Store, StoreError, default_folder};

use crate::exit;
use crate::tell::complain;

/// The variable that names the folder when `--store` does not.
const VARIABLE: &str = "FOURTAP_STORE";

/// Opens the store in `named`, else in the folder of `FOURTAP_STORE`, else in the system's
/// folder for users' data, and makes it when it is not there.
///
/// # Errors
/// The exit code of the store, after the error was told.
pub fn open(named: Option<&Path>) -> Result<Store, ExitCode> {
    opened(named, Store::open)
}

/// As [`open`], but makes no store: for commands that only look.
///
/// # Errors
/// The exit code of the store, after the error was told.
pub fn open_existing(named: Option<&Path>) -> Result<Store, ExitCode> {
    opened(named, Store::open_existing)
}

/// As [`open_existing`]; none when there is no store, which is no error for the caller.
///
/// # Errors
/// The exit code of the store, after the error was told.
pub fn look(named: Option<&Path>) -> Result<Option<Store>, ExitCode> {
    opened(named, |folder| match Store::open_existing(folder) {
        Ok(store) => Ok(Some(store)),
        Err(StoreError::NoStore { .. }) => Ok(None),
        Err(error) => Err(error),
    })
}

/// The folder of the store, which need not be there.
///
/// # Errors
/// The exit code of the store, after the error was told.
#[cfg(feature = "page")]
pub fn folder(named: Option<&Path>) -> Result<std::path::PathBuf, ExitCode> {
    opened(named, |folder| Ok(folder.to_owned()))
}

fn opened<T>(
    named: Option<&Path>,
    how: impl FnOnce(&Path) -> Result<T, StoreError>,
) -> Result<T, ExitCode> {
    let folder = match named.filter(|f| !f.as_os_str().is_empty()) {
        Some(folder) => Ok(folder.to_owned()),
        None => default_folder(std::env::var_os(VARIABLE).as_deref()),
    };
    folder.and_then(|f| how(&f)).map_err(|error| {
        complain(&error.to_string());
        ExitCode::from(exit::STORE)
    })
}
