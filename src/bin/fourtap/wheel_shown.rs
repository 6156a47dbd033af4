//! A wheel with its history, as it is shown whenever something of it has changed.

use std::process::ExitCode;

use fourtap::report::text::wheel::wheel_text;
use fourtap::store::Store;
use fourtap::tasks::keep_wheels::{WheelError, show_wheel, wheel_history};

use crate::exit;
use crate::tell::{PLAIN, complain, say, say_json};

/// A wheel with its history.
///
/// # Errors
/// The exit code, after the error was told.
pub fn show(store: &Store, id: &str, json: bool) -> Result<(), ExitCode> {
    let shown = show_wheel(store, id).map_err(|e| failed(&e))?;
    let history = wheel_history(&shown);
    if json {
        say_json(&history);
    } else {
        say(wheel_text(&history, &PLAIN).trim_end());
    }
    Ok(())
}

/// Tells the error.
pub fn failed(error: &WheelError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(match error {
        WheelError::Store(_) => exit::STORE,
        _ => exit::USE,
    })
}
