//! Lines to the user: data to standard output, talk to standard error.

use std::io::Write;

use fourtap::report::text::TextStyle;

/// Text without colours, of the width of a usual terminal.
pub const PLAIN: TextStyle = TextStyle {
    colour: false,
    width: 80,
};

/// A line of data on standard output; a reader that has gone away is not an error.
pub fn say(line: &str) {
    let _ = said(line);
}

/// As [`say`]; false when the reader has gone away.
pub fn said(line: &str) -> bool {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{line}").and_then(|()| out.flush()).is_ok()
}

/// A line of talk on standard error.
pub fn complain(line: &str) {
    let _ = writeln!(std::io::stderr(), "fourtap: {line}");
}

/// A record as a line of JSON on standard output.
pub fn say_json<T: serde::Serialize>(record: &T) {
    match serde_json::to_string(record) {
        Ok(line) => say(&line),
        Err(error) => complain(&error.to_string()),
    }
}
