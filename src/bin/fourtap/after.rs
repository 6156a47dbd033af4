//! `fourtap after`.

use std::path::Path;
use std::process::ExitCode;

use fourtap::record::mounting::MountingRecord;
use fourtap::tasks::clock::now;
use fourtap::tasks::mount_wheel::{STEPS, is_step, mounting};

use crate::exit;
use crate::store_place::open_existing;
use crate::tell::{complain, say, say_json};

/// Arguments of `after`.
#[derive(clap::Args)]
pub struct After {
    /// Id of the wheel, which must be in the store
    #[arg(long, value_name = "ID")]
    wheel: String,
    /// Id of the grinder
    #[arg(long, value_name = "ID")]
    grinder: Option<String>,
    /// What was done: power, surfaces, blotters, free, guard, turn, protection, run-up, or all
    #[arg(long, value_name = "KEY", value_delimiter = ',', value_parser = step, requires = "by")]
    tick: Vec<String>,
    /// Who ticks; the ticks are kept
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Print a JSON object
    #[arg(long)]
    json: bool,
}

fn step(text: &str) -> Result<String, String> {
    if is_step(text) {
        return Ok(text.to_owned());
    }
    let keys: Vec<&str> = STEPS.iter().map(|s| s.0).collect();
    Err(format!(
        "there is no step \"{text}\": {}, or all",
        keys.join(", ")
    ))
}

/// Shows the list; keeps it when something is ticked.
pub fn run(args: &After, place: Option<&Path>) -> ExitCode {
    match done(args, place) {
        Ok(()) => ExitCode::SUCCESS,
        Err(code) => code,
    }
}

fn done(args: &After, place: Option<&Path>) -> Result<(), ExitCode> {
    let mut store = open_existing(place)?;
    let failed = |e: fourtap::store::StoreError| {
        complain(&e.to_string());
        ExitCode::from(exit::STORE)
    };
    if let Some(grinder) = &args.grinder {
        store.grinder(grinder).map_err(failed)?;
    }
    let (grinder, by) = (args.grinder.as_deref(), args.by.as_deref());
    let record = mounting(&store, &args.wheel, grinder, &args.tick, by, &now());
    let record = record.map_err(failed)?;
    if args.json {
        say_json(&record);
    } else {
        show(&record);
    }
    if !args.tick.is_empty() {
        let kept = store.keep(&record, &record.at).map_err(failed)?;
        complain(&format!("kept as record {} of the store", kept.number));
    }
    Ok(())
}

fn show(record: &MountingRecord) {
    if !record.against.is_empty() {
        say(&format!("DO NOT MOUNT {}:", record.wheel));
        for why in &record.against {
            say(&format!("  X {why}"));
        }
    }
    say("On mounting:");
    for step in &record.steps {
        let tick = if step.ticked { "x" } else { " " };
        say(&format!("  [{tick}] {}: {}", step.key, step.what));
        say(&format!("      ({})", step.source));
    }
    say(
        "Local codes and the makers' instructions go before this list; a qualified person decides.",
    );
}
