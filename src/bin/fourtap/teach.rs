//! `fourtap teach`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;
use fourtap::report::paper::html;
use fourtap::report::text::ear::ear_results_text;
use fourtap::tasks::clock::now;
use fourtap::tasks::ear_test::kept_ear_tests;
use fourtap::tasks::make_demo::make_demo;
use fourtap::tasks::print_training::training_paper;
use fourtap::tasks::teach_demo::make_page;

use crate::ear::{self, Ear};
use crate::exit;
use crate::papers::put;
use crate::store_place::{look, open_existing};
use crate::tell::{complain, say};

/// For a class.
#[derive(Subcommand)]
pub enum Teach {
    /// Write made-up recordings of sound and damaged wheels into a folder
    Make {
        /// The folder, made if it is not there
        folder: PathBuf,
    },
    /// Write a page for the class into a folder: made-up rings and thuds with their pictures, and
    /// the newest soundings of the store, if there is one
    Demo {
        /// The folder, made if it is not there
        folder: PathBuf,
    },
    /// A blind ear test with made-up sound: ring or thud?
    #[command(after_help = ear::HELP)]
    Ear(Ear),
    /// Results of the ear tests that are kept: rounds, errors with intervals, ear against tool
    Results {
        /// Of this trainee only
        trainee: Option<String>,
        /// Write the trainee's record of training here, as HTML that a browser prints, or as .pdf
        #[arg(short, long, value_name = "FILE", requires = "trainee")]
        output: Option<PathBuf>,
        /// Print the kept rounds, one JSON object each
        #[arg(long)]
        json: bool,
    },
}

/// Runs it.
pub fn run(teach: &Teach, store: Option<&Path>) -> ExitCode {
    match teach {
        Teach::Make { folder } => make(folder),
        Teach::Demo { folder } => demo(folder, store).unwrap_or_else(|code| code),
        Teach::Ear(ear) => ear::run(ear, store).unwrap_or_else(|code| code),
        Teach::Results {
            trainee,
            output,
            json,
        } => {
            results(trainee.as_deref(), output.as_deref(), *json, store).unwrap_or_else(|code| code)
        }
    }
}

/// Writes the made-up recordings to demonstrate with.
fn make(folder: &Path) -> ExitCode {
    let made = make_demo(folder, |made| {
        say(&format!("{}: {}", made.file.display(), made.about))
    });
    match made {
        Ok(_) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&error.to_string());
            ExitCode::from(exit::INPUT)
        }
    }
}

fn demo(folder: &Path, place: Option<&Path>) -> Result<ExitCode, ExitCode> {
    let store = look(place)?;
    let made = make_page(folder, store.as_ref(), |name| {
        complain(&format!("made: {name}"))
    });
    let made = made.map_err(|error| {
        complain(&error.to_string());
        ExitCode::from(exit::INPUT)
    })?;
    for line in &made.left_out {
        complain(&format!("not shown: {line}"));
    }
    say(&format!(
        "{}: {} made-up sounds, {} soundings of this store; open it in a browser",
        made.page.display(),
        made.made.len(),
        made.own
    ));
    Ok(ExitCode::SUCCESS)
}

fn results(
    trainee: Option<&str>,
    output: Option<&Path>,
    json: bool,
    place: Option<&Path>,
) -> Result<ExitCode, ExitCode> {
    let kept = kept_ear_tests(&open_existing(place)?, trainee).map_err(|error| {
        complain(&error.to_string());
        ExitCode::from(exit::STORE)
    })?;
    if kept.is_empty() {
        complain(&match trainee {
            Some(name) => format!("no ear test of \"{name}\" is kept here"),
            None => "no ear test is kept here; take one with fourtap teach ear".to_owned(),
        });
        return Err(ExitCode::from(exit::STORE));
    }
    if let (Some(path), Some(paper)) = (output, training_paper(&kept, &now())) {
        put(path, &html(&paper))?;
    }
    let records: Vec<_> = kept.into_iter().map(|k| k.record).collect();
    if json {
        for record in &records {
            ear::say_json(record);
        }
    } else {
        say(ear_results_text(&records).trim_end());
    }
    Ok(ExitCode::SUCCESS)
}
