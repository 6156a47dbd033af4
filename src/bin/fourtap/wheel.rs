//! `fourtap wheel`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;
use fourtap::record::wheel::WheelState;
use fourtap::report::text::wheel::wheels_text;
use fourtap::report::text::wheel_modes::wheel_modes_text;
use fourtap::tasks::clock::now;
use fourtap::tasks::draw_trend::{TrendError, draw_trend};
use fourtap::tasks::expect_modes::{ExpectError, expected_modes};
use fourtap::tasks::keep_wheels::{
    NewWheel, WheelEdit, WheelError, add_wheel, edit_wheel, list_wheels, newest_of_each, show_wheel,
};

use crate::exit;
use crate::store_place::{open, open_existing};
use crate::tell::{PLAIN, complain, say, say_json};
use crate::wheel_facts::WheelFacts;
use crate::wheel_shown::{failed, show};
use crate::wheel_state::{Change, Mounted, Noted, change_state, mount, noted_state};

/// The wheels of the shop.
#[derive(Subcommand)]
pub enum Wheel {
    /// Add a wheel
    Add {
        /// Its id, as it is written on the wheel or its tag
        id: String,
        /// Diameter x thickness x hole, in mm unless a unit is given: 200x20x32, 4-1/2x1/4x7/8in
        #[arg(long)]
        size: String,
        /// What holds the grains: vitrified, silicate, resinoid, rubber, shellac, metal, unknown
        #[arg(long)]
        bond: String,
        /// More of it.
        #[command(flatten)]
        facts: WheelFacts,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// List all wheels
    List {
        /// Print one JSON object per wheel
        #[arg(long)]
        json: bool,
    },
    /// Show a wheel with its soundings, baselines and all that happened to it
    Show {
        /// Its id
        id: String,
        /// Draw tones, ring time and split from sounding to sounding into this file (.png, .svg)
        #[arg(long, value_name = "FILE")]
        plot: Option<PathBuf>,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Where the theory of the disc expects its modes, from its size and its bond's stiffness
    Modes {
        /// Its id
        id: String,
        /// Speed of sound in it, sqrt(E/density), in m/s; else the usual range of its bond
        #[arg(long, value_name = "M_S", value_parser = speed_m_s)]
        speed: Option<f64>,
        /// Poisson's ratio
        #[arg(long, value_name = "RATIO", default_value_t = 0.2, value_parser = poisson)]
        poisson: f64,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Correct what is known of a wheel; its history keeps what it was
    Edit {
        /// Its id
        id: String,
        /// Diameter x thickness x hole, in mm unless a unit is given
        #[arg(long)]
        size: Option<String>,
        /// What holds the grains
        #[arg(long)]
        bond: Option<String>,
        /// More of it.
        #[command(flatten)]
        facts: WheelFacts,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Mark a wheel as dropped: it asks for a new sounding before any use
    Dropped(Change),
    /// Say that a wheel was mounted on a grinder; says what speaks against it
    Mounted(Mounted),
    /// Put a wheel back in store: taken off its grinder, or cleared
    InStore(Change),
    /// Put a wheel aside until somebody, named and with a reason, puts it back
    SetAside(Noted),
    /// Mark a wheel as tagged out: a tag on it says not to use it
    TagOut(Noted),
    /// Take a wheel out of the stock: worn or given away; its history stays
    Retire(Change),
    /// Say that a wheel was made unusable
    Destroyed(Noted),
}

fn within(text: &str, low: f64, high: f64) -> Result<f64, String> {
    let value: Option<f64> = text.trim().parse().ok();
    value
        .filter(|v| (low..=high).contains(v))
        .ok_or_else(|| format!("give a number from {low} to {high}"))
}

fn speed_m_s(text: &str) -> Result<f64, String> {
    within(text, 300.0, 15_000.0)
}

fn poisson(text: &str) -> Result<f64, String> {
    within(text, 0.0, 0.45)
}

/// Runs it.
pub fn run(wheel: &Wheel, store: Option<&Path>) -> ExitCode {
    match done(wheel, store) {
        Ok(()) => ExitCode::SUCCESS,
        Err(code) => code,
    }
}

fn done(wheel: &Wheel, place: Option<&Path>) -> Result<(), ExitCode> {
    match wheel {
        Wheel::Add {
            id,
            size,
            bond,
            facts,
            json,
        } => {
            let new = NewWheel {
                id: id.clone(),
                size: size.clone(),
                bond: bond.clone(),
                max_speed: facts.max_speed.clone(),
                specification: facts.specification.clone(),
                lot: facts.lot.clone(),
                label: facts.label(),
            };
            // What cannot be read must not leave a new store behind.
            new.check().map_err(|e| failed(&e))?;
            let mut store = open(place)?;
            let kept = add_wheel(&mut store, &new, &now()).map_err(|e| failed(&e))?;
            for hint in &kept.hints {
                complain(&format!("{}: {}", kept.wheel.id, hint.sentence));
            }
            show(&store, &kept.wheel.id, *json)
        }
        Wheel::List { json } => {
            let store = open_existing(place)?;
            let wheels = list_wheels(&store).map_err(|e| failed(&e))?;
            if *json {
                wheels.iter().for_each(say_json);
            } else {
                let newest = newest_of_each(&store);
                let newest = newest.map_err(|e| failed(&WheelError::Store(e)))?;
                let of = |id: &str| Some(newest.get(&id.to_lowercase())?.1.clone());
                say(wheels_text(&wheels, of, &PLAIN).trim_end());
            }
            Ok(())
        }
        Wheel::Show { id, plot, json } => {
            let store = open_existing(place)?;
            if let Some(path) = plot {
                let shown = show_wheel(&store, id).map_err(|e| failed(&e))?;
                draw_trend(&shown, path).map_err(|e| {
                    complain(&e.to_string());
                    ExitCode::from(match e {
                        TrendError::Ending { .. } => exit::USE,
                        _ => exit::INPUT,
                    })
                })?;
            }
            show(&store, id, *json)
        }
        Wheel::Modes {
            id,
            speed,
            poisson,
            json,
        } => {
            let store = open_existing(place)?;
            let modes =
                expected_modes(&store, id, *speed, *poisson).map_err(|e| modes_failed(&e))?;
            if *json {
                say_json(&modes);
            } else {
                say(wheel_modes_text(&modes, &PLAIN).trim_end());
            }
            Ok(())
        }
        Wheel::Edit {
            id,
            size,
            bond,
            facts,
            json,
        } => {
            let edit = WheelEdit {
                size: size.clone(),
                bond: bond.clone(),
                max_speed: facts.max_speed.clone(),
                specification: facts.specification.clone(),
                lot: facts.lot.clone(),
                label: facts.label(),
            };
            let mut store = open_existing(place)?;
            edit_wheel(&mut store, id, &edit, &now()).map_err(|e| failed(&e))?;
            show(&store, id, *json)
        }
        Wheel::Dropped(change) => change_state(change, WheelState::Dropped, place),
        Wheel::Mounted(mounted) => mount(mounted, place),
        Wheel::InStore(change) => change_state(change, WheelState::InStore, place),
        Wheel::SetAside(noted) => noted_state(noted, WheelState::SetAside, place),
        Wheel::TagOut(noted) => noted_state(noted, WheelState::TaggedOut, place),
        Wheel::Retire(change) => change_state(change, WheelState::Retired, place),
        Wheel::Destroyed(noted) => noted_state(noted, WheelState::Destroyed, place),
    }
}

fn modes_failed(error: &ExpectError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(match error {
        ExpectError::Store(_) => exit::STORE,
        ExpectError::Plate { .. } => exit::USE,
    })
}
