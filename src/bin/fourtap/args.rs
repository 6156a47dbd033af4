//! The arguments.

use std::path::PathBuf;

use clap::{Parser, Subcommand, ValueEnum};

/// Hears the taps of a ring test on an abrasive wheel and reads each as a clear ring or a dull
/// thud. An aid to your own ring test and inspection, never a replacement.
#[derive(Parser)]
#[command(name = "fourtap", version)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Subcommand)]
pub enum Command {
    /// Read recordings: taps, modes, readings and the outcome
    Read(Read),
    /// For a class: make recordings to demonstrate with
    #[command(subcommand)]
    Teach(Teach),
}

/// For a class.
#[derive(Subcommand)]
pub enum Teach {
    /// Write made-up recordings of sound and damaged wheels into a folder
    Make {
        /// The folder, made if it is not there
        folder: PathBuf,
    },
}

/// Arguments of `read`.
#[derive(clap::Args)]
pub struct Read {
    /// Recordings, folders of recordings, or - for standard input; each recording is one sounding
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// All recordings are taps of one sounding (one file per tap)
    #[arg(long)]
    pub together: bool,
    /// Id of the wheel, kept in the record
    #[arg(long, value_name = "ID")]
    pub wheel: Option<String>,
    /// Where the taps fell
    #[arg(long, value_enum, default_value = "rule")]
    pub turn_plan: Plan,
    /// What the ear heard, tap by tap: ring, thud or unsure
    #[arg(long, value_enum, value_delimiter = ',')]
    pub heard: Vec<Word>,
    /// Print one JSON object per sounding
    #[arg(long)]
    pub json: bool,
}

/// Turn plans by name.
#[derive(Clone, Copy, ValueEnum)]
pub enum Plan {
    /// 45 degrees each side of the vertical, turn by 45 degrees, repeat
    Rule,
    /// A quarter turn between taps
    Quarter,
    /// Steps of 112.5 degrees
    Spread,
}

/// What an ear can say.
#[derive(Clone, Copy, ValueEnum)]
pub enum Word {
    /// It rang
    Ring,
    /// It sounded dead
    Thud,
    /// Not sure
    Unsure,
}
