//! `fourtap baseline`, and what `read` takes from it.

use std::path::Path;
use std::process::ExitCode;

use fourtap::reading::turn_plan::TurnPlan;
use fourtap::record::baseline::{BaselineKind, BaselineRecord};
use fourtap::report::text::TextStyle;
use fourtap::report::text::baseline::baseline_text;
use fourtap::store::Store;
use fourtap::tasks::build_baseline::{
    Behind, BuildError, BuildSettings, baseline_soundings, behind_wheel, build_baseline,
};

use crate::args::{Baseline, Plan};
use crate::exit;
use crate::read::{complain, say};
use crate::store_place::{look, now, open_existing};

const STYLE: TextStyle = TextStyle {
    colour: false,
    width: 80,
};

/// Runs it.
pub fn run(baseline: &Baseline, store: Option<&Path>) -> ExitCode {
    let done = match baseline {
        Baseline::Build {
            wheel,
            temp,
            turn_plan,
            files,
            json,
        } => {
            let settings = BuildSettings {
                wheel: wheel.clone(),
                turn_plan: match turn_plan {
                    Plan::Rule => TurnPlan::Rule,
                    Plan::Quarter => TurnPlan::Quarter,
                    Plan::Spread => TurnPlan::Spread,
                },
                temp_c: *temp,
                built_at: now(),
            };
            build(&settings, files, store, *json)
        }
        Baseline::Show { id, json } => show(id, store, *json),
    };
    done.err().unwrap_or(ExitCode::SUCCESS)
}

fn build(
    settings: &BuildSettings,
    files: &[std::path::PathBuf],
    place: Option<&Path>,
    json: bool,
) -> Result<(), ExitCode> {
    // The wheel must be there already, so a store is not made here.
    let mut store = open_existing(place)?;
    let soundings = baseline_soundings(files).map_err(|e| failed(&BuildError::Audio(e)))?;
    let built = build_baseline(&mut store, &soundings, settings).map_err(|e| failed(&e))?;
    for warning in &built.warnings {
        complain(warning);
    }
    let record = &built.record;
    complain(&match built.before {
        Some(before) => format!(
            "kept as version {} of the baseline of {}; it was version {before} before, which stays in the store",
            record.baseline_version, record.of
        ),
        None => format!(
            "kept as version {} of the baseline of {}",
            record.baseline_version, record.of
        ),
    });
    print(&store, record, json)
}

fn show(id: &str, place: Option<&Path>, json: bool) -> Result<(), ExitCode> {
    let store = open_existing(place)?;
    let told = |e: fourtap::store::StoreError| failed(&BuildError::Store(e));
    let wheel = store.wheel(id).map_err(told)?;
    let wheel =
        wheel.ok_or_else(|| told(fourtap::store::StoreError::NoWheel { id: id.to_owned() }))?;
    match store
        .baseline(BaselineKind::Wheel, &wheel.id)
        .map_err(told)?
    {
        Some(record) => print(&store, &record, json),
        None => {
            complain(&format!(
                "the wheel \"{}\" has no baseline in use: build one with fourtap baseline build --wheel {} FILE…",
                wheel.id, wheel.id
            ));
            Err(ExitCode::from(exit::STORE))
        }
    }
}

fn print(store: &Store, record: &BaselineRecord, json: bool) -> Result<(), ExitCode> {
    if json {
        return match serde_json::to_string(record) {
            Ok(line) => {
                say(&line);
                Ok(())
            }
            Err(error) => {
                complain(&error.to_string());
                Err(ExitCode::from(exit::STORE))
            }
        };
    }
    let versions = store.baseline_versions(record.kind, &record.of);
    let others: Vec<u32> = versions
        .map_err(|e| failed(&BuildError::Store(e)))?
        .iter()
        .map(|b| b.record.baseline_version)
        .filter(|v| *v != record.baseline_version)
        .collect();
    say(baseline_text(record, &others, &STYLE).trim_end());
    Ok(())
}

/// What stands behind a wheel that is about to be read; nothing without an id. Makes no store.
///
/// # Errors
/// The exit code, after the error was told.
pub fn behind(wheel: Option<&str>, place: Option<&Path>) -> Result<Behind, ExitCode> {
    let Some(id) = wheel else {
        return Ok(Behind::default());
    };
    let store = look(place)?;
    behind_wheel(store.as_ref(), id).map_err(|e| failed(&e))
}

fn failed(error: &BuildError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(match error {
        BuildError::Store(_) => exit::STORE,
        _ => exit::INPUT,
    })
}
