//! `fourtap baseline`, and what `read` takes from it.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;
use fourtap::reading::turn_plan::TurnPlan;
use fourtap::record::baseline::{BaselineKind, BaselineRecord};
use fourtap::record::wheel::Bond;
use fourtap::report::text::baseline::{baseline_text, difference_text};
use fourtap::store::Store;
use fourtap::tasks::build_baseline::{
    Behind, BuildError, BuildOf, BuildSettings, BuildSounding, baseline_soundings, behind_wheel,
    build_baseline,
};
use fourtap::tasks::clock::now;
use fourtap::tasks::compare_baselines::compare_baselines;
use fourtap::tasks::draw_sounding::draw_baseline;
use fourtap::tasks::find_baseline::{NotFound, baseline_of, written_baseline};
use fourtap::tasks::wheels_table::read_table;

use crate::exit;
use crate::plan::Plan;
use crate::store_place::{look, open, open_existing};
use crate::tell::{PLAIN, complain, say};

/// Baselines.
#[derive(Subcommand)]
pub enum Baseline {
    /// Build the next version of a baseline of a wheel or specification; earlier versions stay
    Build {
        /// Id of the wheel, which must be in the store
        #[arg(long, value_name = "ID", required_unless_present = "specification")]
        wheel: Option<String>,
        /// Name of a specification: each sounding is of another wheel of this marking
        #[arg(long, value_name = "NAME", conflicts_with = "wheel")]
        specification: Option<String>,
        /// Bond of the wheels of the specification
        #[arg(long, requires = "specification", default_value = "unknown")]
        bond: String,
        /// Which file belongs to which wheel of the specification, as for read
        #[arg(long, value_name = "TABLE", requires = "specification", conflicts_with_all = ["files", "temp"])]
        wheels: Option<PathBuf>,
        /// Temperature of the wheel: one for all soundings or one for each, 18C,21C,70F
        #[arg(long, value_name = "TEMP", value_delimiter = ',', value_parser = fourtap::units::parse_temp_c, allow_hyphen_values = true)]
        temp: Vec<f64>,
        /// Where the taps fell
        #[arg(long, value_enum, default_value = "rule")]
        turn_plan: Plan,
        /// Recordings; each file, or each folder of one file per tap, is one sounding
        #[arg(required_unless_present = "wheels")]
        files: Vec<PathBuf>,
        /// Print the baseline as a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Show the newest baseline of a wheel or specification
    Show {
        /// Id of the wheel, or name of the specification
        name: String,
        /// NAME is a specification
        #[arg(long)]
        specification: bool,
        /// Draw its tones with their limits into this folder, as SVG and PNG; the folder is made
        #[arg(long, value_name = "DIR")]
        pictures: Option<PathBuf>,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Hold one baseline against another: how far the second differs from the first
    Compare {
        /// Wheel, or with --specification specification; NAME:2 is its version 2
        first: String,
        /// The same
        second: String,
        /// Both names are specifications
        #[arg(long)]
        specification: bool,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Take a version of a baseline out of use; it stays in the store
    Retire {
        /// Id of the wheel, or name of the specification
        name: String,
        /// NAME is a specification
        #[arg(long)]
        specification: bool,
        /// Its version; else the newest in use
        #[arg(long, value_name = "NUMBER")]
        baseline_version: Option<u32>,
        /// Why
        #[arg(long, value_name = "TEXT")]
        note: String,
    },
}

/// Runs it.
pub fn run(baseline: &Baseline, store: Option<&Path>) -> ExitCode {
    let done = match baseline {
        Baseline::Build { .. } => build(baseline, store),
        Baseline::Show {
            name,
            specification,
            pictures,
            json,
        } => show(
            kind(*specification),
            name,
            pictures.as_deref(),
            store,
            *json,
        ),
        Baseline::Compare {
            first,
            second,
            specification,
            json,
        } => compared(kind(*specification), [first, second], store, *json),
        Baseline::Retire {
            name,
            specification,
            baseline_version,
            note,
        } => retire(kind(*specification), name, *baseline_version, note, store),
    };
    done.err().unwrap_or(ExitCode::SUCCESS)
}

fn kind(specification: bool) -> BaselineKind {
    if specification {
        BaselineKind::Specification
    } else {
        BaselineKind::Wheel
    }
}

fn build(args: &Baseline, place: Option<&Path>) -> Result<(), ExitCode> {
    let Baseline::Build {
        wheel,
        specification,
        bond,
        wheels,
        temp,
        turn_plan,
        files,
        json,
    } = args
    else {
        return Ok(());
    };
    let wrong = |words: &str, code: u8| {
        complain(words);
        ExitCode::from(code)
    };
    let bond = Bond::parse(bond).map_err(|e| wrong(&e.to_string(), exit::USE))?;
    let of = match (wheel, specification) {
        (Some(id), _) => BuildOf::Wheel(id.clone()),
        (None, Some(name)) => BuildOf::Specification {
            name: name.clone(),
            bond,
        },
        (None, None) => return Err(wrong("name a wheel or a specification", exit::USE)),
    };
    let settings = BuildSettings {
        turn_plan: match turn_plan {
            Plan::Rule => TurnPlan::Rule,
            Plan::Quarter => TurnPlan::Quarter,
            Plan::Spread => TurnPlan::Spread,
        },
        built_at: now(),
        of,
    };
    let soundings = match wheels {
        Some(table) => read_table(table)
            .map_err(|e| wrong(&e.to_string(), exit::INPUT))?
            .into_iter()
            .map(|row| BuildSounding {
                inputs: row.inputs,
                wheel: Some(row.wheel),
                temp_c: row.temp_c,
                spots_deg: row.spots_deg,
            })
            .collect(),
        None => baseline_soundings(files, temp).map_err(|e| failed(&e))?,
    };
    // A wheel must be there already, so no store is made for it; a specification may be first.
    let mut store = match &settings.of {
        BuildOf::Wheel(_) => open_existing(place)?,
        BuildOf::Specification { .. } => open(place)?,
    };
    let built = build_baseline(&mut store, &soundings, &settings).map_err(|e| failed(&e))?;
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
    print(&store, record, *json)
}

fn kept(
    store: &Store,
    kind: BaselineKind,
    name: &str,
    version: Option<u32>,
) -> Result<(BaselineRecord, Bond), ExitCode> {
    baseline_of(store, kind, name, version).map_err(|e| missing(&e))
}

fn missing(error: &NotFound) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(exit::STORE)
}

fn show(
    kind: BaselineKind,
    name: &str,
    pictures: Option<&Path>,
    place: Option<&Path>,
    json: bool,
) -> Result<(), ExitCode> {
    let store = open_existing(place)?;
    let (record, bond) = kept(&store, kind, name, None)?;
    if let Some(folder) = pictures {
        let ready = record
            .compared(bond.damping())
            .map_err(|e| failed(&BuildError::Unfit(e)))?;
        draw_baseline(&record, &ready, folder).map_err(|e| {
            complain(&e.to_string());
            ExitCode::from(exit::INPUT)
        })?;
    }
    print(&store, &record, json)
}

fn compared(
    kind: BaselineKind,
    names: [&String; 2],
    place: Option<&Path>,
    json: bool,
) -> Result<(), ExitCode> {
    let store = open_existing(place)?;
    let one = |written: &String| written_baseline(&store, kind, written).map_err(|e| missing(&e));
    let ((first, bond), (second, _)) = (one(names[0])?, one(names[1])?);
    let difference = compare_baselines(&first, &second, bond.damping()).map_err(|e| failed(&e))?;
    if json {
        return match serde_json::to_string(&difference) {
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
    say(difference_text(&difference, &PLAIN).trim_end());
    Ok(())
}

fn retire(
    kind: BaselineKind,
    name: &str,
    version: Option<u32>,
    note: &str,
    place: Option<&Path>,
) -> Result<(), ExitCode> {
    let mut store = open_existing(place)?;
    let (record, _) = kept(&store, kind, name, version)?;
    let version = record.baseline_version;
    store
        .retire_baseline(kind, &record.of, version, &now(), note)
        .map_err(|e| failed(&BuildError::Store(e)))?;
    let left = store
        .baseline(kind, &record.of)
        .map_err(|e| failed(&BuildError::Store(e)))?;
    complain(&match left {
        Some(next) => format!(
            "version {version} of the baseline of {} is out of use; version {} is in use now",
            record.of, next.baseline_version
        ),
        None => format!(
            "version {version} of the baseline of {} is out of use, and none is in use now",
            record.of
        ),
    });
    Ok(())
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
    say(baseline_text(record, &others, &PLAIN).trim_end());
    Ok(())
}

/// What stands behind a wheel that is about to be read; nothing without an id and a
/// specification. Makes no store.
///
/// # Errors
/// The exit code, after the error was told.
pub fn behind(
    wheel: Option<&str>,
    specification: Option<&str>,
    place: Option<&Path>,
) -> Result<Behind, ExitCode> {
    if wheel.is_none() && specification.is_none() {
        return Ok(Behind::default());
    }
    let store = look(place)?;
    behind_wheel(store.as_ref(), wheel, specification).map_err(|e| failed(&e))
}

fn failed(error: &BuildError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(match error {
        BuildError::Store(_) => exit::STORE,
        _ => exit::INPUT,
    })
}
