//! The commands; the arguments of each stand with it.

use std::path::PathBuf;

use clap::{Parser, Subcommand};

/// Hears the taps of a ring test on an abrasive wheel and reads each as a clear ring or a dull
/// thud. An aid to your own ring test and inspection, never a replacement.
#[derive(Parser)]
#[command(name = "fourtap", version)]
pub struct Args {
    /// Folder of the store; else that of FOURTAP_STORE, else the system's folder for users' data
    #[arg(long, global = true, value_name = "DIR")]
    pub store: Option<PathBuf>,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Subcommand)]
pub enum Command {
    /// Read recordings: taps, modes, readings and the outcome
    #[command(after_help = READ_CODES)]
    Read(Box<crate::read::Read>),
    /// Take a sounding at the microphone
    #[command(after_help = SOUND_HELP)]
    Sound(Box<crate::sound::Sound>),
    /// List the microphones and whether they deliver sound
    Mics {
        /// Print one JSON object per device
        #[arg(long)]
        json: bool,
    },
    /// The wheels of the shop: add, list, show with history, edit, mark as dropped, retire
    #[command(subcommand)]
    Wheel(crate::wheel::Wheel),
    /// The grinders of the shop: add, list, show, edit, retire
    #[command(subcommand)]
    Grinder(crate::grinder::Grinder),
    /// Does this wheel go on this grinder? Each rule with its figures and its source
    #[command(after_help = FIT_CODES)]
    Fit(Box<crate::fit::Fit>),
    /// What remains to do on mounting a wheel, as a list to tick
    After(crate::after::After),
    /// What the store keeps: list, show, verify, read again, export
    #[command(subcommand)]
    Records(crate::records::Records),
    /// A page to print of a sounding
    Sheet(crate::papers::PaperOf),
    /// A tag to tie on a wheel that sounds dead
    Tag(crate::papers::PaperOf),
    /// The bench page: all of this in a browser on this machine
    #[cfg(feature = "page")]
    Page(crate::page::PageAt),
    /// What a wheel showed when it was good: build from recordings, show
    #[command(subcommand)]
    Baseline(crate::baseline::Baseline),
    /// Lots of incoming wheels: plan, read, accept or reject
    #[command(subcommand)]
    Lot(crate::lot::Lot),
    /// How good the measurement itself is, from a study of several people
    Gauge(crate::gauge::Gauge),
    /// For a class: a page of rings and thuds, recordings to demonstrate with
    #[command(subcommand)]
    Teach(crate::teach::Teach),
    /// Completions for a shell, on standard output
    Completions(crate::shell::Completions),
    /// Manual pages, written into a folder
    Manual(crate::shell::Manual),
}

const READ_CODES: &str = "\
Exit codes: 0 rings clear, 10 sounds dead, 11 sound it again, 12 rings, not compared,
2 wrong use, 3 an input cannot be read; of several soundings the worst outcome.";

const FIT_CODES: &str = "\
Exit codes: 0 fits, 13 does not fit, 14 cannot tell (figures or answers are missing),
2 wrong use, 5 the store.";

const SOUND_HELP: &str = "\
Keys (in plain mode a line each): r it rang, t it was a thud, u not sure; x strike the last spot
again, 1 to 4 strike that spot again, n that was no tap, p pause and go on, q stop and read what
is there. After a fault of the microphone: Enter tries again, m takes the next one
there is (in plain mode also m NAME, at any time).

Exit codes: 0 rings clear, 10 sounds dead, 11 sound it again, 12 rings, not compared,
2 wrong use, 3 the recording of --from cannot be read, 4 no microphone, 5 the store.";
