//! `fourtap teach`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;
use fourtap::tasks::make_demo::make_demo;
use fourtap::tasks::teach_demo::make_page;

use crate::exit;
use crate::store_place::look;
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
}

/// Runs it.
pub fn run(teach: &Teach, store: Option<&Path>) -> ExitCode {
    match teach {
        Teach::Make { folder } => make(folder),
        Teach::Demo { folder } => demo(folder, store).unwrap_or_else(|code| code),
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
