//! `fourtap completions` and `fourtap manual`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::CommandFactory as _;

use crate::args::Args;
use crate::exit;
use crate::tell::complain;

/// Arguments of `completions`.
#[derive(clap::Args)]
pub struct Completions {
    /// The shell
    shell: clap_complete::Shell,
}

/// Arguments of `manual`.
#[derive(clap::Args)]
pub struct Manual {
    /// Folder for the pages, which is made when it is not there
    folder: PathBuf,
}

/// Prints the completions of a shell.
pub fn completions(args: &Completions) -> ExitCode {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Args::command(), "fourtap", &mut script);
    crate::tell::say(String::from_utf8_lossy(&script).trim_end());
    ExitCode::SUCCESS
}

/// Writes a manual page for each command.
pub fn manual(args: &Manual) -> ExitCode {
    match written(&args.folder) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&format!(
                "{}: the pages cannot be written: {error}; choose a folder you may write to",
                args.folder.display()
            ));
            ExitCode::from(exit::INPUT)
        }
    }
}

fn written(folder: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    clap_mangen::generate_to(Args::command().disable_help_subcommand(true), folder)
}
