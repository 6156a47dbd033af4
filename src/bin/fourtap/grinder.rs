//! `fourtap grinder`.

use std::path::Path;
use std::process::ExitCode;

use clap::Subcommand;
use fourtap::record::grinder::GrinderRecord;
use fourtap::store::Store;
use fourtap::tasks::clock::now;
use fourtap::tasks::keep_grinders::{
    GrinderError, GrinderWritten, add_grinder, edit_grinder, grinder_facts, retire_grinder,
};

use crate::exit;
use crate::store_place::{open, open_existing};
use crate::tell::{complain, say, say_json};

/// The grinders of the shop.
#[derive(Subcommand)]
pub enum Grinder {
    /// Add a grinder
    Add {
        /// Its id, as it is written on it
        id: String,
        /// Its figures.
        #[command(flatten)]
        figures: Figures,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// List all grinders
    List {
        /// Print one JSON object per grinder
        #[arg(long)]
        json: bool,
    },
    /// Show a grinder with all that happened to it
    Show {
        /// Its id
        id: String,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Correct what is known of a grinder; its history keeps what it was
    Edit {
        /// Its id
        id: String,
        /// Its figures.
        #[command(flatten)]
        figures: Figures,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Take a grinder out of use; its history stays
    Retire {
        /// Its id
        id: String,
        /// Why
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
    },
}

/// Figures of a grinder, from its plate and its instructions; mm unless a unit is given.
#[derive(clap::Args, Clone, Default)]
pub struct Figures {
    /// What it is: right-angle, bench, surface ...
    #[arg(long, value_name = "TEXT")]
    pub kind: Option<String>,
    /// Speed of its spindle without load: 2950rpm
    #[arg(long, value_name = "SPEED")]
    pub speed: Option<String>,
    /// Greatest diameter of a wheel it takes: 125, 5in
    #[arg(long, value_name = "LENGTH")]
    pub max_diameter: Option<String>,
    /// Greatest thickness of a wheel it takes
    #[arg(long, value_name = "LENGTH")]
    pub max_thickness: Option<String>,
    /// Diameter of the spindle or seat that the wheel sits on: 22.23, 7/8in
    #[arg(long, value_name = "LENGTH")]
    pub spindle: Option<String>,
    /// Diameter of its flanges
    #[arg(long, value_name = "LENGTH")]
    pub flange: Option<String>,
    /// Greatest diameter of a wheel that its guard is for; 0 when it has no guard
    #[arg(long, value_name = "LENGTH")]
    pub guard: Option<String>,
}

impl Figures {
    /// As the library takes them.
    pub fn written(&self) -> GrinderWritten {
        GrinderWritten {
            kind: self.kind.clone(),
            speed: self.speed.clone(),
            max_diameter: self.max_diameter.clone(),
            max_thickness: self.max_thickness.clone(),
            spindle: self.spindle.clone(),
            flange: self.flange.clone(),
            guard: self.guard.clone(),
        }
    }
}

/// Runs it.
pub fn run(grinder: &Grinder, place: Option<&Path>) -> ExitCode {
    match done(grinder, place) {
        Ok(()) => ExitCode::SUCCESS,
        Err(code) => code,
    }
}

fn done(grinder: &Grinder, place: Option<&Path>) -> Result<(), ExitCode> {
    match grinder {
        Grinder::Add { id, figures, json } => {
            let written = figures.written();
            // What cannot be read must not leave a new store behind.
            written.described(id, "").map_err(|e| failed(&e))?;
            let mut store = open(place)?;
            let added = add_grinder(&mut store, id, &written, &now());
            show(&store, &added.map_err(|e| failed(&e))?, *json)
        }
        Grinder::List { json } => {
            let store = open_existing(place)?;
            let grinders = store.grinders().map_err(|e| failed(&e.into()))?;
            if grinders.is_empty() && !*json {
                say("There are no grinders yet: add one with fourtap grinder add.");
            }
            for grinder in &grinders {
                if *json {
                    say_json(grinder);
                } else {
                    let retired = grinder.retired_at.as_ref().map_or("", |_| ", retired");
                    say(&format!(
                        "{:<14} {:<16} {}{retired}",
                        grinder.id, grinder.kind, grinder.rated_speed.written
                    ));
                }
            }
            Ok(())
        }
        Grinder::Show { id, json } => {
            let store = open_existing(place)?;
            let grinder = store.grinder(id).map_err(|e| failed(&e.into()))?;
            show(&store, &grinder, *json)
        }
        Grinder::Edit { id, figures, json } => {
            let mut store = open_existing(place)?;
            let edited = edit_grinder(&mut store, id, &figures.written(), &now());
            show(&store, &edited.map_err(|e| failed(&e))?, *json)
        }
        Grinder::Retire { id, note } => {
            let mut store = open_existing(place)?;
            let retired = retire_grinder(&mut store, id, &now(), note.as_deref());
            show(&store, &retired.map_err(|e| failed(&e))?, false)
        }
    }
}

fn show(store: &Store, grinder: &GrinderRecord, json: bool) -> Result<(), ExitCode> {
    if json {
        say_json(grinder);
        return Ok(());
    }
    say(&format!("Grinder {}", grinder.id));
    for (name, value) in grinder_facts(grinder) {
        say(&format!("  {name} {value}"));
    }
    let events = store
        .grinder_events(&grinder.id)
        .map_err(|e| failed(&e.into()))?;
    for (at, what) in events {
        say(&format!("- {at} {what}"));
    }
    Ok(())
}

/// Tells the error and gives its exit code.
pub fn failed(error: &GrinderError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(match error {
        GrinderError::Store(_) => exit::STORE,
        _ => exit::USE,
    })
}
