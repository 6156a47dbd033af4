//! `fourtap sheet` and `fourtap tag`.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use fourtap::record::sounding::SoundingRecord;
use fourtap::report::paper::html;
use fourtap::store::records::Kept;
use fourtap::tasks::print_papers::{PaperError, newest_sounding, sheet, tag};
use fourtap::tasks::print_pdf::{PdfError, print_pdf};

use crate::exit;
use crate::store_place::open_existing;
use crate::tell::{complain, say};

/// Arguments of `sheet` and `tag`.
#[derive(clap::Args)]
pub struct PaperOf {
    /// Number of the sounding in the store
    #[arg(required_unless_present = "wheel")]
    number: Option<u64>,
    /// The newest sounding of this wheel
    #[arg(long, value_name = "ID", conflicts_with = "number")]
    wheel: Option<String>,
    /// Write it here, as HTML that a browser prints on one page, or as .pdf by a browser that is
    /// installed; else to standard output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// Which paper.
#[derive(Clone, Copy)]
pub enum Which {
    /// The sheet of a sounding.
    Sheet,
    /// The tag of a wheel that sounds dead.
    Tag,
}

/// Makes it.
pub fn run(which: Which, args: &PaperOf, place: Option<&Path>) -> ExitCode {
    match done(which, args, place) {
        Ok(()) => ExitCode::SUCCESS,
        Err(code) => code,
    }
}

fn done(which: Which, args: &PaperOf, place: Option<&Path>) -> Result<(), ExitCode> {
    let store = open_existing(place)?;
    let failed = |e: PaperError| {
        complain(&e.to_string());
        ExitCode::from(match e {
            PaperError::NotDead { .. } => exit::USE,
            _ => exit::STORE,
        })
    };
    let kept: Kept<SoundingRecord> = match (args.number, &args.wheel) {
        (Some(number), _) => store.kept(number).map_err(|e| failed(e.into()))?,
        (None, Some(wheel)) => newest_sounding(&store, wheel).map_err(failed)?,
        (None, None) => return Err(ExitCode::from(exit::USE)),
    };
    let paper = match which {
        Which::Sheet => sheet(&store, &kept),
        Which::Tag => tag(&kept),
    };
    let page = html(&paper.map_err(failed)?);
    let Some(path) = &args.output else {
        say(page.trim_end());
        return Ok(());
    };
    put(path, &page)
}

/// Writes a page: as PDF when the name ends so, else as HTML.
///
/// # Errors
/// The exit code, after the error was told.
pub fn put(path: &Path, page: &str) -> Result<(), ExitCode> {
    let failed = |e: &dyn std::fmt::Display| {
        complain(&format!(
            "{}: cannot be written: {e}; check the folder and its rights",
            path.display()
        ));
        ExitCode::from(exit::INPUT)
    };
    let ending = path.extension().map(|e| e.to_ascii_lowercase());
    if ending.is_some_and(|e| e == "pdf") {
        print_pdf(page, path).map_err(|e| match e {
            PdfError::File(e) => failed(&e),
            other => {
                complain(&other.to_string());
                ExitCode::from(exit::INPUT)
            }
        })?;
        complain(&format!("{} is written", path.display()));
        return Ok(());
    }
    written(path, page).map_err(|e| failed(&e))?;
    complain(&format!(
        "{} is written; print it from a browser",
        path.display()
    ));
    Ok(())
}

/// Written beside its place and put there at one blow.
///
/// # Errors
/// What the system said.
pub fn written(path: &Path, page: &str) -> std::io::Result<()> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    let mut file = tempfile::NamedTempFile::new_in(folder.unwrap_or(Path::new(".")))?;
    file.write_all(page.as_bytes())?;
    file.as_file().sync_all()?;
    file.persist(path)?;
    Ok(())
}
