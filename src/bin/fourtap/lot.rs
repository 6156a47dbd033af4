//! `fourtap lot`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use fourtap::quality::sampling::Inspection;
use fourtap::record::lot::LotReportRecord;
use fourtap::record::wheel::{Bond, Size};
use fourtap::report::paper::html;
use fourtap::report::text::lot_plan::lot_plan_text;
use fourtap::report::text::lot_report::lot_report_text;
use fourtap::store::{Store, StoreError};
use fourtap::tasks::clock::now;
use fourtap::tasks::decide_lot::{ReportError, lot_of};
use fourtap::tasks::keep_lots::{LotError, NewLot, add_lot};
use fourtap::tasks::lot_history::switching;
use fourtap::tasks::plan_lot::plan_lot;
use fourtap::tasks::print_lot::lot_paper;
use fourtap::tasks::read_lot::{LotEvent, lot_soundings, read_lot};
use fourtap::tasks::report_lot::report_lot;
use fourtap::tasks::wheels_table::read_table;

use crate::exit;
use crate::papers::{put, written};
use crate::plan::Plan;
use crate::progress::Progress;
use crate::store_place::{open, open_existing};
use crate::tell::{complain, say, say_json};

/// Lots of incoming wheels.
#[derive(clap::Subcommand)]
pub enum Lot {
    /// How many wheels of a lot to draw, and how many bad ones still let it be accepted
    ///
    /// Sampling does not replace the ring test of each wheel before it is mounted.
    Plan {
        /// Number of wheels in the lot
        #[arg(value_name = "NUMBER")]
        lot_size: u32,
        /// The plan.
        #[command(flatten)]
        plan: PlanOf,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Add a lot, or say anew how it is to be inspected
    Add {
        /// Its name
        lot: String,
        /// Number of wheels in it
        #[arg(long, value_name = "NUMBER")]
        number: u32,
        /// Size of its wheels: 200x20x32, 4-1/2x1/4x7/8in
        #[arg(long, value_parser = Size::parse)]
        size: Size,
        /// Bond of its wheels
        #[arg(long, value_parser = Bond::parse)]
        bond: Bond,
        /// Their specification: its baseline is what wheels and lot are held against
        #[arg(long, value_name = "NAME")]
        specification: Option<String>,
        /// What one wheel weighs, for those without a mass of their own (wheel edit --mass): 1.35kg
        #[arg(long, value_name = "MASS", value_parser = fourtap::units::parse_mass_kg)]
        mass: Option<f64>,
        /// The plan.
        #[command(flatten)]
        plan: PlanOf,
    },
    /// Read the wheels of a lot from recordings and keep each; a run that was broken off goes on
    ///
    /// Each folder within DIR is a wheel, and so is each recording directly in it.
    Read {
        /// Name of the lot, which must be in the store
        #[arg(long, value_name = "LOT")]
        lot: String,
        /// Folders of recordings
        #[arg(value_name = "DIR", required_unless_present = "wheels")]
        folders: Vec<PathBuf>,
        /// Where the id stands in the names of files, without ending: '{wheel}_*'
        #[arg(long, value_name = "PATTERN", value_parser = pattern)]
        name_pattern: Option<String>,
        /// Which file belongs to which wheel, as for read
        #[arg(long, value_name = "TABLE", conflicts_with_all = ["folders", "name_pattern"])]
        wheels: Option<PathBuf>,
        /// Where the taps fell
        #[arg(long, value_enum, default_value = "rule")]
        turn_plan: Plan,
        /// Print the report as a JSON object at the end
        #[arg(long)]
        json: bool,
    },
    /// Accept, hold or reject a lot, with all that led to it; live soundings of its wheels count
    Report {
        /// Its name
        lot: String,
        /// Write a table of all its wheels
        #[arg(long, value_name = "FILE")]
        csv: Option<PathBuf>,
        /// Write one JSON object a wheel
        #[arg(long, value_name = "FILE")]
        json_lines: Option<PathBuf>,
        /// Write the report with its charts here, as HTML, or as .pdf
        #[arg(short, long, value_name = "FILE")]
        output: Option<PathBuf>,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
}

fn pattern(text: &str) -> Result<String, String> {
    let once = text.matches("{wheel}").count() == 1;
    once.then(|| text.to_owned())
        .ok_or_else(|| "write {wheel} once where the id stands, * for anything else".to_owned())
}

/// What the plan is for.
#[derive(clap::Args)]
pub struct PlanOf {
    /// Inspection level: I, II, III, S-1, S-2, S-3 or S-4
    #[arg(long, default_value = "II")]
    pub level: String,
    /// Acceptance quality limit, percent nonconforming: 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5,
    /// 2.5, 4.0 or 6.5
    #[arg(long, value_name = "PERCENT", default_value = "0.65")]
    pub aql: String,
    /// normal, tightened or reduced
    #[arg(long, default_value = "normal", value_parser = inspection)]
    pub inspection: Inspection,
}

fn inspection(word: &str) -> Result<Inspection, String> {
    Inspection::parse(word).ok_or_else(|| "give normal, tightened or reduced".to_owned())
}

/// Runs it.
pub fn run(lot: &Lot, place: Option<&Path>) -> ExitCode {
    match lot {
        Lot::Add { .. } => add(lot, place).err().unwrap_or(ExitCode::SUCCESS),
        Lot::Read { .. } => read(lot, place).unwrap_or_else(|code| code),
        Lot::Report {
            lot,
            csv,
            json_lines,
            output,
            json,
        } => {
            let files = ReportFiles {
                csv: csv.as_deref(),
                json_lines: json_lines.as_deref(),
                html: output.as_deref(),
            };
            reported(lot, &files, *json, place).unwrap_or_else(|code| code)
        }
        Lot::Plan {
            lot_size,
            plan,
            json,
        } => match plan_lot(*lot_size, &plan.level, &plan.aql, plan.inspection) {
            Ok(record) => {
                if *json {
                    say_json(&record);
                } else {
                    say(lot_plan_text(&record).trim_end());
                }
                ExitCode::SUCCESS
            }
            Err(error) => {
                complain(&error.to_string());
                ExitCode::from(exit::USE)
            }
        },
    }
}

fn add(lot: &Lot, place: Option<&Path>) -> Result<(), ExitCode> {
    let Lot::Add {
        lot,
        number,
        size,
        bond,
        specification,
        mass,
        plan,
    } = lot
    else {
        return Ok(());
    };
    let new = NewLot {
        lot: lot.clone(),
        lot_size: *number,
        size: size.written().to_owned(),
        bond: bond.name().to_owned(),
        specification: specification.clone(),
        mass_kg: *mass,
        level: plan.level.clone(),
        aql: plan.aql.clone(),
        inspection: plan.inspection,
    };
    let mut store = open(place)?;
    let record = add_lot(&mut store, &new, &now()).map_err(|e| {
        complain(&e.to_string());
        ExitCode::from(match e {
            LotError::Store(_) => exit::STORE,
            _ => exit::USE,
        })
    })?;
    say(lot_plan_text(&record).trim_end());
    let switching = switching(&store, lot.trim()).map_err(|e| failed(&e))?;
    let (first, rest) = switching.words.split_at(1);
    say(&format!(
        "{}{rest}.\n    ({})",
        first.to_uppercase(),
        record.caution
    ));
    Ok(())
}

fn read(lot: &Lot, place: Option<&Path>) -> Result<ExitCode, ExitCode> {
    let Lot::Read {
        lot,
        folders,
        name_pattern,
        wheels,
        turn_plan,
        json,
    } = lot
    else {
        return Ok(ExitCode::SUCCESS);
    };
    let mut store = open_existing(place)?;
    let record = lot_of(&store, lot).map_err(|e| failed(&e))?;
    let unreadable = |words: String| {
        complain(&words);
        ExitCode::from(exit::INPUT)
    };
    let soundings = match wheels {
        Some(table) => read_table(table).map_err(|e| unreadable(e.to_string()))?,
        None => lot_soundings(folders, name_pattern.as_deref())
            .map_err(|e| unreadable(e.to_string()))?,
    };
    let (mut kept, mut before, mut bad) = (0, 0, 0);
    let mut progress = Progress::new(soundings.len(), "wheels");
    let done = read_lot(
        &mut store,
        &record,
        &soundings,
        turn_plan.turn_plan(),
        &now,
        &mut |done, event| {
            progress.clear();
            match event {
                LotEvent::Kept { wheel, outcome } => {
                    kept += 1;
                    complain(&format!("{wheel}: {outcome}, kept"));
                }
                LotEvent::Before { .. } => before += 1,
                LotEvent::Failed { wheel, why } => {
                    bad += 1;
                    complain(&format!("{wheel}: not read: {why}"));
                }
            }
            progress.show(done, kept);
            true
        },
    );
    progress.clear();
    done.map_err(|e| store_failed(&e))?;
    complain(&format!(
        "{kept} wheels read and kept, {before} had been read before, {bad} could not be read"
    ));
    let code = tell_report(&store, lot, *json)?;
    Ok(if bad > 0 && code == ExitCode::SUCCESS {
        ExitCode::from(exit::INPUT)
    } else {
        code
    })
}

/// Files that a report is written into.
struct ReportFiles<'a> {
    csv: Option<&'a Path>,
    json_lines: Option<&'a Path>,
    html: Option<&'a Path>,
}

fn reported(
    lot: &str,
    files: &ReportFiles<'_>,
    json: bool,
    place: Option<&Path>,
) -> Result<ExitCode, ExitCode> {
    let store = open_existing(place)?;
    let report = report_lot(&store, lot).map_err(|e| failed(&e))?;
    let unwritable = |path: &Path, why: &dyn std::fmt::Display| {
        complain(&format!(
            "{}: cannot be written: {why}; choose another place",
            path.display()
        ));
        ExitCode::from(exit::INPUT)
    };
    if let Some(path) = files.csv {
        write_csv(&report, path).map_err(|e| unwritable(path, &e))?;
    }
    if let Some(path) = files.json_lines {
        let lines: Vec<String> = report
            .wheels
            .iter()
            .filter_map(|w| serde_json::to_string(w).ok())
            .collect();
        written(path, &(lines.join("\n") + "\n")).map_err(|e| unwritable(path, &e))?;
    }
    if let Some(path) = files.html {
        let paper = lot_paper(&store, lot).map_err(|e| failed(&e))?;
        put(path, &html(&paper))?;
    }
    tell_report(&store, lot, json)
}

/// Prints the report; the exit code says accept (0), reject (10) or hold (11).
fn tell_report(store: &Store, lot: &str, json: bool) -> Result<ExitCode, ExitCode> {
    let report = report_lot(store, lot).map_err(|e| failed(&e))?;
    if json {
        say_json(&report);
    } else {
        say(lot_report_text(&report).trim_end());
    }
    use fourtap::reading::Outcome;
    Ok(match report.decision.as_str() {
        "accept" => ExitCode::SUCCESS,
        "reject" => ExitCode::from(exit::of(Outcome::SoundsDead)),
        _ => ExitCode::from(exit::of(Outcome::SoundItAgain)),
    })
}

fn write_csv(report: &LotReportRecord, path: &Path) -> Result<(), csv::Error> {
    let mut out = csv::Writer::from_path(path)?;
    out.write_record([
        "wheel",
        "sounding",
        "in_sample",
        "counts_as",
        "outcome",
        "footing",
        "against_peers",
        "tone_percent",
        "ring_time_s",
        "youngs_gpa",
        "because",
    ])?;
    let number = |v: Option<f64>| v.map_or(String::new(), |v| v.to_string());
    for w in &report.wheels {
        out.write_record([
            w.wheel.clone(),
            w.sounding.to_string(),
            w.in_sample.to_string(),
            w.counts_as.clone(),
            w.outcome.clone(),
            w.footing.clone(),
            w.peers
                .as_ref()
                .map_or(String::new(), |p| p.reading.clone()),
            number(w.tone_percent),
            number(w.ring_time_s),
            number(w.youngs_gpa),
            w.because.join("; "),
        ])?;
    }
    out.flush()?;
    Ok(())
}

fn failed(error: &ReportError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(exit::STORE)
}

fn store_failed(error: &StoreError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(exit::STORE)
}
