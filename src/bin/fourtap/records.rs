//! `fourtap records`.

use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Subcommand, ValueEnum};
use fourtap::record::sounding::SoundingRecord;
use fourtap::report::text::{TextStyle, sounding_text};
use fourtap::store::carry_over::Import;
use fourtap::store::records::KeptText;
use fourtap::store::{Store, StoreError};
use fourtap::tasks::bring_records_in::{ImportError, bring_in, read_export};
use fourtap::tasks::clock::now;
use fourtap::tasks::prune_sounds::{PruneAsked, PrunePlan, plan_pruning, prune};
use fourtap::tasks::reread_sounding::{RereadError, reread};
use fourtap::tasks::take_records_out::{csv_of_soundings, export_lines, json_line, kind_words};

use crate::baseline::behind;
use crate::exit;
use crate::store_place::{open, open_existing};
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
    /// Bring in JSON lines that export took out of a store: all of them, or nothing
    Import {
        /// The file; - is standard input
        file: PathBuf,
        /// Records may be missing between others, as in the export of one wheel
        #[arg(long)]
        part: bool,
        /// The last record must have this hash: that of verify in the store they came from
        #[arg(long, value_name = "HASH")]
        end: Option<String>,
        /// Who brings them in
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Remove the sound of old soundings to make room; says what would go, and removes with --yes
    Prune {
        /// Only soundings kept before this day: 2026-01-31
        #[arg(long, value_name = "DAY", value_parser = day)]
        before: String,
        /// Only of this wheel
        #[arg(long, value_name = "ID")]
        wheel: Option<String>,
        /// Also of wheels that sounded dead, are tagged out, dropped or destroyed
        #[arg(long)]
        dead_too: bool,
        /// Also what a baseline was built from
        #[arg(long)]
        baselines_too: bool,
        /// Remove it
        #[arg(long)]
        yes: bool,
        /// Why
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
        /// Who does it
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
}

/// A day, as the time it starts in UTC.
fn day(text: &str) -> Result<String, String> {
    let day: jiff::civil::Date = text
        .parse()
        .map_err(|_| "give a day like 2026-01-31".to_owned())?;
    Ok(format!("{day}T00:00:00Z"))
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
    if let Records::Import {
        file,
        part,
        end,
        by,
        json,
    } = records
    {
        return import(file, *part, end.as_deref(), by.as_deref(), *json, place);
    }
    let mut store = open_existing(place)?;
    match records {
        Records::Import { .. } => {}
        Records::Prune {
            before,
            wheel,
            dead_too,
            baselines_too,
            yes,
            note,
            by,
            json,
        } => {
            let asked = PruneAsked {
                before: before.clone(),
                wheel: wheel.clone(),
                dead_too: *dead_too,
                baselines_too: *baselines_too,
            };
            let plan = plan_pruning(&store, &asked).map_err(|e| failed(&e))?;
            let kept = if *yes && !plan.recordings.is_empty() {
                let (by, note) = (by.as_deref(), note.as_deref());
                let kept = prune(&mut store, &plan, before, by, note, &now());
                Some(kept.map_err(|e| failed(&e))?.number)
            } else {
                None
            };
            tell_pruning(&plan, kept, *yes, *json);
        }
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
            let wheel = wheel.as_deref();
            match format {
                Format::JsonLines => {
                    let lines = export_lines(&store, wheel).map_err(|e| failed(&e))?;
                    lines.iter().all(|line| said(line));
                }
                Format::Csv => {
                    let texts = store.texts_of_records(None, wheel);
                    let texts = texts.map_err(|e| failed(&e))?;
                    say(csv_of_soundings(&texts).trim_end());
                }
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

fn tell_pruning(plan: &PrunePlan, kept: Option<u64>, yes: bool, json: bool) {
    if json {
        say_json(&serde_json::json!({
            "format": "fourtap.prune_plan",
            "version": 1,
            "recordings": plan.recordings,
            "bytes": plan.bytes(),
            "kept_of_dead": plan.kept_of_dead,
            "kept_of_baselines": plan.kept_of_baselines,
            "record": kept,
        }));
    } else {
        for one in &plan.recordings {
            let of: Vec<String> = one.soundings.iter().map(u64::to_string).collect();
            let mb = one.bytes as f64 / 1e6;
            say(&format!(
                "{} ({mb:.1} MB), sounding {}",
                one.name,
                of.join(", ")
            ));
        }
        let mb = plan.bytes() as f64 / 1e6;
        say(&format!("{} recordings, {mb:.1} MB", plan.recordings.len()));
        if plan.kept_of_dead > 0 {
            say(&format!(
                "{} of dead or marked wheels stay (--dead-too takes them along)",
                plan.kept_of_dead
            ));
        }
        if plan.kept_of_baselines > 0 {
            say(&format!(
                "{} of baselines stay (--baselines-too takes them along)",
                plan.kept_of_baselines
            ));
        }
    }
    complain(&match kept {
        Some(number) => format!(
            "their sound was removed, kept as record {number} of the store; all records stay"
        ),
        None if yes => "there is nothing to remove".to_owned(),
        None => "nothing was removed: --yes removes their sound; all records stay".to_owned(),
    });
}

fn import(
    file: &Path,
    is_part: bool,
    end: Option<&str>,
    by: Option<&str>,
    json: bool,
    place: Option<&Path>,
) -> Result<ExitCode, ExitCode> {
    let name = file.display().to_string();
    let unread = |why: String| {
        complain(&format!(
            "{name}: {why}; give a file that fourtap records export wrote"
        ));
        ExitCode::from(exit::INPUT)
    };
    let mut bytes = Vec::new();
    let read = if name == "-" {
        std::io::stdin().lock().read_to_end(&mut bytes)
    } else {
        std::fs::File::open(file).and_then(|mut f| f.read_to_end(&mut bytes))
    };
    read.map_err(|e| unread(e.to_string()))?;
    let text = String::from_utf8(bytes).map_err(|_| unread("it is no text".to_owned()))?;
    let told = |error: ImportError| {
        complain(&error.to_string());
        ExitCode::from(match error {
            ImportError::Store(_) => exit::STORE,
            _ => exit::INPUT,
        })
    };
    // What cannot be read must not leave a new store behind.
    let parts = read_export(&text, &name).map_err(told)?;
    if parts.is_empty() {
        return Err(unread("there is nothing in it".to_owned()));
    }
    let at = now();
    let import = Import {
        source: &name,
        by,
        at: &at,
        is_part,
    };
    let mut store = open(place)?;
    let done = bring_in(&mut store, &parts, &import, end).map_err(told)?;
    if json {
        say_json(&serde_json::json!({
            "format": "fourtap.brought_in",
            "version": 1,
            "wheels": done.wheels,
            "grinders": done.grinders,
            "baselines": done.baselines,
            "records": done.records,
            "there_already": done.there_already,
            "end": done.end,
            "record": done.number,
        }));
    } else {
        say(&format!(
            "brought in: {} wheels, {} grinders, {} baselines, {} records; there already: {}",
            done.wheels, done.grinders, done.baselines, done.records, done.there_already
        ));
        say(&format!(
            "the last record of the file has the hash {}",
            done.end
        ));
    }
    Ok(ExitCode::SUCCESS)
}

fn verify(store: &Store, json: bool) -> Result<ExitCode, ExitCode> {
    let found = store.verify().map_err(|e| failed(&e))?;
    let faults = store.sound_faults().map_err(|e| failed(&e))?;
    let is_pruned = |e: &&StoreError| matches!(e, StoreError::SoundPruned { .. });
    let (pruned, sounds): (Vec<_>, Vec<_>) = faults.iter().partition(is_pruned);
    let pruned: Vec<String> = pruned.iter().map(ToString::to_string).collect();
    let sounds: Vec<String> = sounds.iter().map(ToString::to_string).collect();
    let wrong: Vec<String> = found.wrong.iter().cloned().chain(sounds).collect();
    if json {
        say_json(&serde_json::json!({
            "format": "fourtap.verification",
            "version": 1,
            "records": found.records,
            "end": found.end,
            "wrong": wrong,
            "pruned": pruned,
        }));
    } else {
        say(&format!("{} records are as they were kept", found.records));
        if !found.end.is_empty() {
            say(&format!("the last of them has the hash {}", found.end));
        }
        if wrong.is_empty() {
            say("all recordings are as they were kept");
        }
        for line in &pruned {
            say(line);
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
