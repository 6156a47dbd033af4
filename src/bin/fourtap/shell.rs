//! `fourtap completions` and `fourtap manual`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

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

/// Prints the completions of a shell for this command.
pub fn completions(args: &Completions, mut command: clap::Command) -> ExitCode {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut command, "fourtap", &mut script);
    crate::tell::say(String::from_utf8_lossy(&script).trim_end());
    ExitCode::SUCCESS
}

/// Writes a manual page for each command.
pub fn manual(args: &Manual, command: clap::Command) -> ExitCode {
    match written(&args.folder, command) {
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

fn written(folder: &Path, command: clap::Command) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    clap_mangen::generate_to(command.disable_help_subcommand(true), folder)
}
