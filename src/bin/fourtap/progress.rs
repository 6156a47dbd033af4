//! A counter on the terminal for runs that take longer.

use std::io::{IsTerminal as _, Write as _};
use std::time::{Duration, Instant};

/// Runs shorter than this are not counted.
const SILENT_FOR: Duration = Duration::from_secs(2);

/// How far a run is and how long it will take, on a terminal.
pub struct Progress {
    all: usize,
    what: &'static str,
    start: Instant,
    shown: bool,
    wanted: bool,
}

impl Progress {
    /// Of `all` things, named in the plural.
    pub fn new(all: usize, what: &'static str) -> Self {
        Self {
            all,
            what,
            start: Instant::now(),
            shown: false,
            wanted: all > 1 && std::io::stderr().is_terminal(),
        }
    }

    /// `worked`: how many of the `done` took time in this run.
    pub fn show(&mut self, done: usize, worked: usize) {
        let spent = self.start.elapsed();
        if !self.wanted || done >= self.all || worked == 0 || spent < SILENT_FOR {
            return;
        }
        let each = spent.as_secs_f64() / worked as f64;
        let left = Duration::from_secs_f64(each * (self.all - done) as f64).as_secs();
        let words = if left < 90 {
            format!("{left} s")
        } else {
            format!("{} min", left.div_ceil(60))
        };
        let _ = write!(
            std::io::stderr(),
            "{done} of {} {} are read, about {words} left",
            self.all,
            self.what
        );
        self.shown = true;
    }

    /// Takes it off the line, before anything else is written there.
    pub fn clear(&mut self) {
        if std::mem::take(&mut self.shown) {
            let _ = write!(std::io::stderr(), "\r\u{1b}[K");
        }
    }
}
