//! The commands of `fourtap wheel` that change where a wheel stands.

use std::path::Path;
use std::process::ExitCode;

use clap::Args;
use fourtap::record::wheel::WheelState;
use fourtap::tasks::clock::now;
use fourtap::tasks::mount_wheel::mounting;
use fourtap::tasks::wheel_states::{StateAsked, StateError, change_state as change_in_store};

use crate::exit;
use crate::store_place::open_existing;
use crate::tell::complain;
use crate::wheel_shown::show;

/// A change that needs no words.
#[derive(Args)]
pub struct Change {
    /// Its id
    id: String,
    /// How it came about
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Who says so
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Print a JSON object
    #[arg(long)]
    json: bool,
}

/// A change that needs a reason.
#[derive(Args)]
pub struct Noted {
    /// Its id
    id: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    note: String,
    /// Who says so
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Print a JSON object
    #[arg(long)]
    json: bool,
}

/// A wheel on a grinder.
#[derive(Args)]
pub struct Mounted {
    /// Its id
    id: String,
    /// Id of the grinder
    #[arg(long, value_name = "ID")]
    grinder: String,
    /// What is to be said of it
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Who mounted it
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Print a JSON object
    #[arg(long)]
    json: bool,
}

/// Changes the state and shows the wheel.
pub fn change_state(change: &Change, to: WheelState, place: Option<&Path>) -> Result<(), ExitCode> {
    let asked = StateAsked {
        to,
        grinder: None,
        by: change.by.as_deref(),
        note: change.note.as_deref(),
        at: &now(),
        against: &[],
    };
    done(&change.id, &asked, change.json, place)
}

/// As [`change_state`], with a reason.
pub fn noted_state(noted: &Noted, to: WheelState, place: Option<&Path>) -> Result<(), ExitCode> {
    let asked = StateAsked {
        to,
        grinder: None,
        by: noted.by.as_deref(),
        note: Some(&noted.note),
        at: &now(),
        against: &[],
    };
    done(&noted.id, &asked, noted.json, place)
}

/// Keeps that a wheel was mounted, and says what speaks against it.
pub fn mount(mounted: &Mounted, place: Option<&Path>) -> Result<(), ExitCode> {
    let at = now();
    let store = open_existing(place)?;
    let (grinder, by) = (mounted.grinder.as_str(), mounted.by.as_deref());
    let found = store
        .grinder(grinder)
        .and_then(|_| mounting(&store, &mounted.id, Some(grinder), &[], by, &at));
    let against = found.map_err(|e| failed(&StateError::Store(e)))?.against;
    let asked = StateAsked {
        to: WheelState::Mounted,
        grinder: Some(grinder),
        by,
        note: mounted.note.as_deref(),
        at: &at,
        against: &against,
    };
    drop(store);
    done(&mounted.id, &asked, mounted.json, place)?;
    for why in &against {
        complain(&format!("TAKE IT OFF AGAIN: {why}"));
    }
    // It is kept that it was mounted; that all is well is not said.
    match against.as_slice() {
        [] => Ok(()),
        _ => Err(ExitCode::from(exit::NO_FIT)),
    }
}

fn done(
    id: &str,
    asked: &StateAsked<'_>,
    json: bool,
    place: Option<&Path>,
) -> Result<(), ExitCode> {
    let mut store = open_existing(place)?;
    change_in_store(&mut store, id, asked).map_err(|e| failed(&e))?;
    show(&store, id, json)
}

fn failed(error: &StateError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(match error {
        StateError::Store(_) => exit::STORE,
        _ => exit::USE,
    })
}
