//! `fourtap fit`.

use std::io::{IsTerminal as _, Write as _};
use std::path::Path;
use std::process::ExitCode;

use fourtap::reading::fit_rules::EYE_QUESTIONS;
use fourtap::record::fit::FitRecord;
use fourtap::record::grinder::GrinderRecord;
use fourtap::record::wheel::WheelRecord;
use fourtap::report::text::TextStyle;
use fourtap::report::text::fit::fit_text;
use fourtap::store::{Store, StoreError};
use fourtap::tasks::check_fit::{FitAsked, check_fit, is_question};
use fourtap::tasks::clock::now;
use fourtap::tasks::keep_wheels::{NewWheel, WheelError, describe_wheel};
use fourtap::tasks::wheel_states::{Standing, standing};

use crate::exit;
use crate::grinder::{Figures, failed};
use crate::store_place::open_existing;
use crate::tell::{complain, say, say_json};
use crate::wheel_facts::WheelFacts;

/// Arguments of `fit`.
#[derive(clap::Args)]
pub struct Fit {
    /// Id of the wheel in the store; else its figures are given on the line
    #[arg(long, value_name = "ID", conflicts_with_all = ["size", "bond"], required_unless_present = "size")]
    wheel: Option<String>,
    /// Size of the wheel: 200x20x32, 4-1/2x1/4x7/8in
    #[arg(long, value_name = "SIZE")]
    size: Option<String>,
    /// Bond of the wheel
    #[arg(long, value_name = "NAME", default_value = "unknown")]
    bond: String,
    /// What else the wheel's label says.
    #[command(flatten)]
    facts: WheelFacts,
    /// Id of the grinder in the store; else its figures are given on the line
    #[arg(
        long,
        value_name = "ID",
        conflicts_with = "speed",
        required_unless_present = "speed"
    )]
    grinder: Option<String>,
    /// The grinder's figures.
    #[command(flatten)]
    figures: Figures,
    /// Answers to what only the eye can tell, KEY=yes or KEY=no: power, seen, dry, purpose,
    /// flanges, guard; on a terminal what is not given here is asked
    #[arg(long, value_name = "KEY=WORD", value_delimiter = ',', value_parser = answer)]
    answer: Vec<(String, bool)>,
    /// Who answers
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Print a JSON object
    #[arg(long)]
    json: bool,
}

/// An answer to a question for the eye.
pub fn answer(text: &str) -> Result<(String, bool), String> {
    let (key, word) = text.split_once('=').unwrap_or((text, ""));
    if !is_question(key) {
        let keys: Vec<&str> = EYE_QUESTIONS.iter().map(|q| q.key).collect();
        return Err(format!(
            "there is no question \"{key}\": {}",
            keys.join(", ")
        ));
    }
    match word {
        "yes" => Ok((key.to_owned(), true)),
        "no" => Ok((key.to_owned(), false)),
        _ => Err(format!("answer {key}=yes or {key}=no")),
    }
}

/// Runs it; the result is the exit code.
pub fn run(fit: &Fit, place: Option<&Path>) -> ExitCode {
    match done(fit, place) {
        Ok(code) | Err(code) => code,
    }
}

fn done(args: &Fit, place: Option<&Path>) -> Result<ExitCode, ExitCode> {
    let needs_store = args.wheel.is_some() || args.grinder.is_some();
    let mut store = if needs_store {
        Some(open_existing(place)?)
    } else {
        None
    };
    let wheel = wheel_of(args, store.as_ref())?;
    let grinder = grinder_of(args, store.as_ref())?;
    let mut answers = args.answer.clone();
    let mut by = args.by.clone();
    if !answers.is_empty() && by.is_none() {
        complain("say with --by NAME who answered");
        return Err(ExitCode::from(exit::USE));
    }
    let at = now();
    let standing = match (&args.wheel, &store) {
        (Some(_), Some(store)) => standing(store, &wheel).map_err(|e| {
            complain(&e.to_string());
            ExitCode::from(exit::STORE)
        })?,
        _ => Standing::default(),
    };
    let asked = |answers: &[(String, bool)], by: Option<&str>| {
        check_fit(&FitAsked {
            wheel: &wheel,
            is_wheel_kept: args.wheel.is_some(),
            standing: &standing,
            grinder: &grinder,
            is_grinder_kept: args.grinder.is_some(),
            answers,
            by,
            at: &at,
        })
    };
    // A misfit is said before any question.
    let figures = asked(&answers, by.as_deref());
    let is_asking = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    if figures.result != "does not fit" && is_asking {
        ask(&mut answers, &mut by);
    }
    let fit = asked(&answers, by.as_deref());
    if args.json {
        say_json(&fit);
    } else {
        let colour = std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none();
        say(fit_text(&fit, &TextStyle { colour, width: 80 }).trim_end());
    }
    if let (Some(store), Some(_)) = (&mut store, &args.wheel) {
        keep(store, &fit)?;
    }
    Ok(ExitCode::from(code_of(&fit)))
}

/// The exit code of a fit.
fn code_of(fit: &FitRecord) -> u8 {
    match fit.result.as_str() {
        "fits" => 0,
        "does not fit" => exit::NO_FIT,
        _ => exit::FIT_UNKNOWN,
    }
}

fn keep(store: &mut Store, fit: &FitRecord) -> Result<(), ExitCode> {
    match store.keep(fit, &fit.at) {
        Ok(kept) => {
            complain(&format!("kept as record {} of the store", kept.number));
            Ok(())
        }
        Err(error) => {
            complain(&format!("NOT kept: {error}"));
            Err(ExitCode::from(exit::STORE))
        }
    }
}

fn wheel_of(args: &Fit, store: Option<&Store>) -> Result<WheelRecord, ExitCode> {
    if let (Some(id), Some(store)) = (&args.wheel, store) {
        let missing = || StoreError::NoWheel { id: id.clone() };
        let found = store.wheel(id).and_then(|w| w.ok_or_else(missing));
        return found.map_err(|e| {
            complain(&e.to_string());
            ExitCode::from(exit::STORE)
        });
    }
    let new = NewWheel {
        id: "the wheel".to_owned(),
        size: args.size.clone().unwrap_or_default(),
        bond: args.bond.clone(),
        max_speed: args.facts.max_speed.clone(),
        specification: args.facts.specification.clone(),
        lot: args.facts.lot.clone(),
        label: args.facts.label(),
    };
    describe_wheel(&new, "").map_err(|e: WheelError| {
        complain(&e.to_string());
        ExitCode::from(exit::USE)
    })
}

fn grinder_of(args: &Fit, store: Option<&Store>) -> Result<GrinderRecord, ExitCode> {
    if let (Some(id), Some(store)) = (&args.grinder, store) {
        return store.grinder(id).map_err(|e| failed(&e.into()));
    }
    let mut written = args.figures.written();
    written.kind.get_or_insert_with(|| "grinder".to_owned());
    written.described("the grinder", "").map_err(|e| failed(&e))
}

/// Asks those of these questions that are not answered yet.
pub fn ask_each(keys: &[&str], answers: &mut Vec<(String, bool)>) {
    for question in EYE_QUESTIONS.iter().filter(|q| keys.contains(&q.key)) {
        if answers.iter().any(|a| a.0 == question.key) {
            continue;
        }
        let words = format!("{} (y, n; Enter: not answered)", question.question);
        let Some(line) = ask_line(&words) else { return };
        match line.trim().to_lowercase().as_str() {
            "y" | "yes" => answers.push((question.key.to_owned(), true)),
            "n" | "no" => answers.push((question.key.to_owned(), false)),
            _ => {}
        }
    }
}

/// A line of the person; none when nothing more can be said.
fn ask_line(question: &str) -> Option<String> {
    let _ = write!(std::io::stderr(), "{question} ");
    let mut line = String::new();
    match std::io::stdin().read_line(&mut line) {
        Ok(0) | Err(_) => None,
        Ok(_) => Some(line),
    }
}

/// Asks what is not answered yet, and who answers.
fn ask(answers: &mut Vec<(String, bool)>, by: &mut Option<String>) {
    ask_each(&EYE_QUESTIONS.map(|q| q.key), answers);
    if by.is_none() && !answers.is_empty() {
        *by = ask_line("Who answered?")
            .map(|n| n.trim().to_owned())
            .filter(|n| !n.is_empty());
    }
}
