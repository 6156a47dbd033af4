//! `fourtap wheel`.

use std::path::Path;
use std::process::ExitCode;

use fourtap::record::wheel::WheelState;
use fourtap::report::text::TextStyle;
use fourtap::report::text::wheel::{wheel_text, wheels_text};
use fourtap::report::text::wheel_modes::wheel_modes_text;
use fourtap::store::Store;
use fourtap::tasks::clock::now;
use fourtap::tasks::draw_trend::{TrendError, draw_trend};
use fourtap::tasks::expect_modes::{ExpectError, expected_modes};
use fourtap::tasks::keep_wheels::{
    NewWheel, WheelEdit, WheelError, add_wheel, edit_wheel, list_wheels, show_wheel, wheel_history,
};

use crate::args::Wheel;
use crate::exit;
use crate::store_place::{open, open_existing};
use crate::tell::{complain, say, say_json};
use crate::wheel_state::{change_state, mount, noted_state};

const STYLE: TextStyle = TextStyle {
    colour: false,
    width: 80,
};

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
            let wheels = list_wheels(&open_existing(place)?).map_err(|e| failed(&e))?;
            if *json {
                wheels.iter().for_each(say_json);
            } else {
                say(wheels_text(&wheels, &STYLE).trim_end());
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
                say(wheel_modes_text(&modes, &STYLE).trim_end());
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

/// A wheel with its history.
///
/// # Errors
/// The exit code, after the error was told.
pub fn show(store: &Store, id: &str, json: bool) -> Result<(), ExitCode> {
    let shown = show_wheel(store, id).map_err(|e| failed(&e))?;
    let history = wheel_history(&shown);
    if json {
        say_json(&history);
    } else {
        say(wheel_text(&history, &STYLE).trim_end());
    }
    Ok(())
}

fn modes_failed(error: &ExpectError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(match error {
        ExpectError::Store(_) => exit::STORE,
        ExpectError::Plate { .. } => exit::USE,
    })
}

fn failed(error: &WheelError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(match error {
        WheelError::Store(_) => exit::STORE,
        _ => exit::USE,
    })
}
