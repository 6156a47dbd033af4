//! `fourtap records`.

use std::path::Path;
use std::process::ExitCode;

use clap::{Subcommand, ValueEnum};
use fourtap::record::sounding::SoundingRecord;
use fourtap::report::text::{TextStyle, sounding_text};
use fourtap::store::records::KeptText;
use fourtap::store::{Store, StoreError};
use fourtap::tasks::reread_sounding::{RereadError, reread};
use fourtap::tasks::take_records_out::{csv_of_soundings, json_line, kind_words};

use crate::baseline::behind;
use crate::exit;
use crate::store_place::open_existing;
use crate::tell::{complain, said, say, say_json};

/// What the store keeps, in the order it was kept.
#[derive(Subcommand)]
pub enum Records {
    /// List the records, one a line
    List {
        /// Only those of this wheel
        #[arg(long, value_name = "ID")]
        wheel: Option<String>,
        /// Print one JSON object per record, with its hashes
        #[arg(long)]
        json: bool,
    },
    /// Show a record
    Show {
        /// Its number
        number: u64,
        /// Print it as it is kept, a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Check every record, baseline and recording against its hash; names the first that does
    /// not match
    Verify {
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Read a sounding again from its kept sound with the present method; rewrites nothing
    Reread {
        /// Its number
        number: u64,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Print all records for other programs
    Export {
        /// JSON lines: every record with its hashes; CSV: one row a tap of every sounding
        #[arg(long, value_enum, default_value = "json-lines")]
        format: Format,
        /// Only those of this wheel
        #[arg(long, value_name = "ID")]
        wheel: Option<String>,
    },
}

/// Formats of an export.
#[derive(Clone, Copy, ValueEnum)]
pub enum Format {
    /// One JSON object a line.
    JsonLines,
    /// A table.
    Csv,
}

/// Runs it.
pub fn run(records: &Records, place: Option<&Path>) -> ExitCode {
    match done(records, place) {
        Ok(code) | Err(code) => code,
    }
}

fn failed(error: &StoreError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(exit::STORE)
}

fn done(records: &Records, place: Option<&Path>) -> Result<ExitCode, ExitCode> {
    let store = open_existing(place)?;
    match records {
        Records::List { wheel, json } => {
            let texts = store.texts_of_records(None, wheel.as_deref());
            let texts = texts.map_err(|e| failed(&e))?;
            if texts.is_empty() && !*json {
                say("No records are kept.");
            }
            for kept in &texts {
                let line = if *json {
                    json_line(kept)
                } else {
                    one_line(kept)
                };
                if !said(&line) {
                    break;
                }
            }
        }
        Records::Show { number, json } => {
            let kept = store.text_of_record(*number).map_err(|e| failed(&e))?;
            show(&kept, *json);
        }
        Records::Verify { json } => return verify(&store, *json),
        Records::Reread { number, json } => return reread_one(&store, place, *number, *json),
        Records::Export { format, wheel } => {
            let texts = store.texts_of_records(None, wheel.as_deref());
            let texts = texts.map_err(|e| failed(&e))?;
            match format {
                Format::JsonLines => {
                    texts.iter().map(json_line).all(|line| said(&line));
                }
                Format::Csv => say(csv_of_soundings(&texts).trim_end()),
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn one_line(kept: &KeptText) -> String {
    let wheel = kept.wheel.as_deref().unwrap_or("-");
    format!(
        "{:>6}  {}  {:<14} {}",
        kept.number,
        kept.at,
        wheel,
        kind_words(kept)
    )
}

fn show(kept: &KeptText, json: bool) {
    if json {
        say(&kept.text);
        return;
    }
    say(&format!("Record {}, kept {}", kept.number, kept.at));
    say(&format!("hash {}", kept.hash));
    match serde_json::from_str::<SoundingRecord>(&kept.text) {
        Ok(record) if kept.kind == fourtap::record::sounding::FORMAT => {
            let style = TextStyle {
                colour: false,
                width: 80,
            };
            say(sounding_text(&record, &style).trim_end());
        }
        _ => say(&kept.text),
    }
}

fn verify(store: &Store, json: bool) -> Result<ExitCode, ExitCode> {
    let found = store.verify().map_err(|e| failed(&e))?;
    let sounds = store.verify_sounds().map_err(|e| failed(&e))?;
    let sounds: Vec<String> = sounds.iter().map(ToString::to_string).collect();
    let wrong: Vec<String> = found.wrong.iter().cloned().chain(sounds).collect();
    if json {
        say_json(&serde_json::json!({
            "format": "fourtap.verification",
            "version": 1,
            "records": found.records,
            "end": found.end,
            "wrong": wrong,
        }));
    } else {
        say(&format!("{} records are as they were kept", found.records));
        if !found.end.is_empty() {
            say(&format!("the last of them has the hash {}", found.end));
        }
        if wrong.is_empty() {
            say("all recordings are as they were kept");
        }
        for fault in &wrong {
            say(&format!("WRONG: {fault}"));
        }
    }
    Ok(if wrong.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(exit::STORE)
    })
}

fn reread_one(
    store: &Store,
    place: Option<&Path>,
    number: u64,
    json: bool,
) -> Result<ExitCode, ExitCode> {
    let kept = store
        .kept::<SoundingRecord>(number)
        .map_err(|e| failed(&e))?;
    let behind = behind(kept.record.wheel.as_deref(), None, place)?;
    let again = reread(store, &kept, behind.baseline, behind.at_best, behind.notes);
    let again = again.map_err(|e| {
        complain(&e.to_string());
        ExitCode::from(match e {
            RereadError::Store(_) => exit::STORE,
            _ => exit::INPUT,
        })
    })?;
    if json {
        say_json(&again);
    } else if again.changes.is_empty() {
        say(&format!(
            "Sounding {number} reads now as it read then: {}",
            again.outcome_now
        ));
    } else {
        say(&format!(
            "Sounding {number}, kept {} by method {}:",
            kept.at, kept.record.made_by.method
        ));
        for change in &again.changes {
            say(&format!(
                "- {}: {} then, {} now",
                change.what, change.then, change.now
            ));
        }
    }
    complain("nothing was rewritten");
    Ok(ExitCode::SUCCESS)
}
