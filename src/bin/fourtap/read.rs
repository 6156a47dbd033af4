//! `fourtap read`.

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::process::ExitCode;

use fourtap::reading::Heard;
use fourtap::reading::turn_plan::TurnPlan;
use fourtap::report::text::{TextStyle, sounding_text};
use fourtap::tasks::read_soundings::{ReadSettings, read_sounding, soundings_in};

use crate::args::{Plan, Read, Word};
use crate::baseline::behind;
use crate::exit;

/// Runs it: the worst outcome of all soundings is the exit code.
pub fn run(args: &Read, store: Option<&Path>) -> ExitCode {
    let behind = match behind(args.wheel.as_deref(), store) {
        Ok(behind) => behind,
        Err(code) => return code,
    };
    let settings = ReadSettings {
        wheel: args.wheel.clone(),
        baseline: behind.baseline,
        notes: behind.notes,
        temp_c: args.temp,
        for_baseline: None,
        turn_plan: match args.turn_plan {
            Plan::Rule => TurnPlan::Rule,
            Plan::Quarter => TurnPlan::Quarter,
            Plan::Spread => TurnPlan::Spread,
        },
        heard: args
            .heard
            .iter()
            .map(|w| match w {
                Word::Ring => Heard::Ring,
                Word::Thud => Heard::Thud,
                Word::Unsure => Heard::Unsure,
            })
            .collect(),
    };
    let named = match soundings_in(&args.files, args.together) {
        Ok(s) => s,
        Err(error) => {
            complain(&error.to_string());
            return ExitCode::from(exit::INPUT);
        }
    };
    for path in &named.passed_over {
        complain(&format!(
            "{}: passed over, its name is not that of a recording",
            path.display()
        ));
    }
    let (mut worst, mut failed) = (None, false);
    for inputs in &named.soundings {
        match read_sounding(inputs, &settings) {
            Ok(read) => {
                worst = Some(worst.map_or(read.outcome, |w| read.outcome.min(w)));
                if args.json {
                    match serde_json::to_string(&read.record) {
                        Ok(line) => say(&line),
                        Err(error) => complain(&error.to_string()),
                    }
                } else {
                    let colour =
                        std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none();
                    say(&sounding_text(
                        &read.record,
                        &TextStyle { colour, width: 80 },
                    ));
                }
            }
            Err(error) => {
                failed = true;
                complain(&error.to_string());
            }
        }
    }
    // A dead wheel must not hide behind a file that could not be read.
    match worst {
        Some(fourtap::reading::Outcome::SoundsDead) => {
            ExitCode::from(exit::of(fourtap::reading::Outcome::SoundsDead))
        }
        _ if failed => ExitCode::from(exit::INPUT),
        Some(outcome) => ExitCode::from(exit::of(outcome)),
        None => ExitCode::from(exit::INPUT),
    }
}

/// A line of data on standard output; a reader that has gone away is not an error.
pub fn say(line: &str) {
    let _ = writeln!(std::io::stdout(), "{line}");
}

/// A line of talk on standard error.
pub fn complain(line: &str) {
    let _ = writeln!(std::io::stderr(), "fourtap: {line}");
}
