//! The arguments.

use std::path::PathBuf;

use clap::{Parser, Subcommand, ValueEnum};

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
    Read(Box<Read>),
    /// Take a sounding at the microphone
    #[command(after_help = SOUND_HELP)]
    Sound(Box<Sound>),
    /// List the microphones and whether they deliver sound
    Mics {
        /// Print one JSON object per device
        #[arg(long)]
        json: bool,
    },
    /// The wheels of the shop: add, list, show with history, edit, mark as dropped, retire
    #[command(subcommand)]
    Wheel(Wheel),
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
    Baseline(Baseline),
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

/// Baselines.
#[derive(Subcommand)]
pub enum Baseline {
    /// Build the next version of a baseline of a wheel or specification; earlier versions stay
    Build {
        /// Id of the wheel, which must be in the store
        #[arg(long, value_name = "ID", required_unless_present = "specification")]
        wheel: Option<String>,
        /// Name of a specification: each sounding is of another wheel of this marking
        #[arg(long, value_name = "NAME", conflicts_with = "wheel")]
        specification: Option<String>,
        /// Bond of the wheels of the specification
        #[arg(long, requires = "specification", default_value = "unknown")]
        bond: String,
        /// Which file belongs to which wheel of the specification, as for read
        #[arg(long, value_name = "TABLE", requires = "specification", conflicts_with_all = ["files", "temp"])]
        wheels: Option<PathBuf>,
        /// Temperature of the wheel: one for all soundings or one for each, 18C,21C,70F
        #[arg(long, value_name = "TEMP", value_delimiter = ',', value_parser = fourtap::units::parse_temp_c, allow_hyphen_values = true)]
        temp: Vec<f64>,
        /// Where the taps fell
        #[arg(long, value_enum, default_value = "rule")]
        turn_plan: Plan,
        /// Recordings; each file, or each folder of one file per tap, is one sounding
        #[arg(required_unless_present = "wheels")]
        files: Vec<PathBuf>,
        /// Print the baseline as a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Show the newest baseline of a wheel or specification
    Show {
        /// Id of the wheel, or name of the specification
        name: String,
        /// NAME is a specification
        #[arg(long)]
        specification: bool,
        /// Draw its tones with their limits into this folder, as SVG and PNG; the folder is made
        #[arg(long, value_name = "DIR")]
        pictures: Option<PathBuf>,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Hold one baseline against another: how far the second differs from the first
    Compare {
        /// Wheel, or with --specification specification; NAME:2 is its version 2
        first: String,
        /// The same
        second: String,
        /// Both names are specifications
        #[arg(long)]
        specification: bool,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Take a version of a baseline out of use; it stays in the store
    Retire {
        /// Id of the wheel, or name of the specification
        name: String,
        /// NAME is a specification
        #[arg(long)]
        specification: bool,
        /// Its version; else the newest in use
        #[arg(long, value_name = "NUMBER")]
        baseline_version: Option<u32>,
        /// Why
        #[arg(long, value_name = "TEXT")]
        note: String,
    },
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

/// Arguments of `sound`.
#[derive(clap::Args)]
pub struct Sound {
    /// Id of the wheel, which must be in the store; its newest baseline is compared with
    #[arg(long, value_name = "ID")]
    pub wheel: Option<String>,
    /// The microphone: its name, a part of it, or its id; it is remembered
    #[arg(long, value_name = "NAME")]
    pub mic: Option<String>,
    /// Take the sound from a recording, played as if it came from a microphone
    #[arg(long, value_name = "FILE", conflicts_with = "mic")]
    pub from: Option<PathBuf>,
    /// Id of the grinder it is to go on: a misfit is said before the first tap
    #[arg(long, value_name = "ID", requires = "wheel")]
    pub grinder: Option<String>,
    /// Who takes the sounding
    #[arg(long, value_name = "NAME")]
    pub by: Option<String>,
    /// Answers before the first tap, KEY=yes or KEY=no: power (cut off), seen (no damage), dry;
    /// on a terminal what is not given here is asked
    #[arg(long, value_name = "KEY=WORD", value_delimiter = ',', value_parser = crate::fit::answer)]
    pub ready: Vec<(String, bool)>,
    /// Go on with the newest sounding that was stopped or cut off (of --wheel, if given); its
    /// wheel, turn plan and temperature stay
    #[arg(long, conflicts_with_all = ["turn_plan", "temp", "heard_after"])]
    pub resume: bool,
    /// Ask what the ear heard after the last tap, not after each
    #[arg(long)]
    pub heard_after: bool,
    /// Where the taps fall
    #[arg(long, value_enum, default_value = "rule")]
    pub turn_plan: Plan,
    /// Temperature of the wheel: 21C, 70F
    #[arg(long, value_name = "TEMP", value_parser = fourtap::units::parse_temp_c, allow_hyphen_values = true)]
    pub temp: Option<f64>,
    /// Recording of a hand clap in the same place: how long the room sounds on
    #[arg(long, value_name = "FILE")]
    pub clap: Option<PathBuf>,
    /// Write the sound into this folder and leave it there; the store keeps it in any case
    #[arg(long, value_name = "DIR")]
    pub keep: Option<PathBuf>,
    /// Lines instead of a screen, also on a terminal
    #[arg(long)]
    pub plain: bool,
    /// Print a JSON object at the end
    #[arg(long)]
    pub json: bool,
}

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
    Dropped(crate::wheel_state::Change),
    /// Say that a wheel was mounted on a grinder; says what speaks against it
    Mounted(crate::wheel_state::Mounted),
    /// Put a wheel back in store: taken off its grinder, or cleared
    InStore(crate::wheel_state::Change),
    /// Put a wheel aside until somebody, named and with a reason, puts it back
    SetAside(crate::wheel_state::Noted),
    /// Mark a wheel as tagged out: a tag on it says not to use it
    TagOut(crate::wheel_state::Noted),
    /// Take a wheel out of the stock: worn or given away; its history stays
    Retire(crate::wheel_state::Change),
    /// Say that a wheel was made unusable
    Destroyed(crate::wheel_state::Noted),
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

/// What need not be known of a wheel. With `edit`, an empty word takes the fact away.
#[derive(clap::Args)]
pub struct WheelFacts {
    /// Maximum operating speed as marked: 3350rpm, 35m/s or 6900sfpm
    #[arg(long, value_name = "SPEED")]
    pub max_speed: Option<String>,
    /// Its specification: wheels of one specification can share a baseline
    #[arg(long, value_name = "NAME")]
    pub specification: Option<String>,
    /// The lot it came with
    #[arg(long, value_name = "NAME")]
    pub lot: Option<String>,
    /// Its serial number
    #[arg(long, value_name = "TEXT")]
    pub serial: Option<String>,
    /// Its shape by number: 1 straight, 27 depressed centre and so on
    #[arg(long, value_name = "NUMBER")]
    pub shape: Option<String>,
    /// Its marking: "51 A 36 L 5 V 23"
    #[arg(long, value_name = "TEXT")]
    pub marking: Option<String>,
    /// Marked speed of the rim beside that in rpm: 35m/s or 6900sfpm
    #[arg(long, value_name = "SPEED")]
    pub rim_speed: Option<String>,
    /// What it is for, as the label says
    #[arg(long, value_name = "TEXT")]
    pub purpose: Option<String>,
    /// Month of manufacture: 2025-03
    #[arg(long, value_name = "MONTH")]
    pub made: Option<String>,
    /// Last month of use: 2028-03
    #[arg(long, value_name = "MONTH")]
    pub expires: Option<String>,
    /// Day on which it was received: 2025-04-01
    #[arg(long, value_name = "DAY")]
    pub received: Option<String>,
    /// Its mass: 1.4kg, 1400g, 3.1lb
    #[arg(long, value_name = "MASS")]
    pub mass: Option<String>,
}

impl WheelFacts {
    /// The label.
    pub fn label(&self) -> fourtap::record::wheel::label::LabelWritten {
        fourtap::record::wheel::label::LabelWritten {
            serial: self.serial.clone(),
            shape: self.shape.clone(),
            marking: self.marking.clone(),
            rim_speed: self.rim_speed.clone(),
            purpose: self.purpose.clone(),
            made: self.made.clone(),
            expires: self.expires.clone(),
            received: self.received.clone(),
            mass: self.mass.clone(),
        }
    }
}

/// Arguments of `read`.
#[derive(clap::Args)]
pub struct Read {
    /// Recordings, folders of recordings, or - for standard input
    ///
    /// Each recording is one sounding. A folder in which every recording holds at most one tap,
    /// and two or more hold one, is one sounding: one file per tap, in the order of the names.
    #[arg(required_unless_present_any = ["files_from", "wheels"])]
    pub files: Vec<PathBuf>,
    /// More recordings and folders from a list, one path a line; - is standard input
    #[arg(long, value_name = "LIST")]
    pub files_from: Option<PathBuf>,
    /// All recordings are taps of one sounding (one file per tap)
    #[arg(long, conflicts_with = "apart")]
    pub together: bool,
    /// Each recording is a sounding of its own, also in a folder with one file per tap
    #[arg(long)]
    pub apart: bool,
    /// Which file belongs to which wheel: a CSV table with the columns file and wheel, and if
    /// wanted session, spot_deg, heard and temp_c; files of one wheel and session are one sounding
    #[arg(
        long,
        value_name = "TABLE",
        conflicts_with_all = ["files", "files_from", "together", "apart", "wheel", "heard"]
    )]
    pub wheels: Option<PathBuf>,
    /// Id of the wheel: its newest baseline in the store is what the taps are held against
    #[arg(long, value_name = "ID")]
    pub wheel: Option<String>,
    /// Name of a specification: its baseline is what wheels without one of their own are held
    /// against
    #[arg(long, value_name = "NAME")]
    pub specification: Option<String>,
    /// Wheels with neither an own baseline nor one of their specification are held against the
    /// other wheels of this run: 4 or more of one lot, each sounding another wheel
    #[arg(long)]
    pub lot_peers: bool,
    /// Bond of wheels that the store does not know, for --lot-peers
    #[arg(long, requires = "lot_peers", default_value = "unknown")]
    pub bond: String,
    /// Measured size of the wheel, for the labels of its modes; else that of --wheel in the store
    #[arg(long, value_name = "SIZE", value_parser = fourtap::record::wheel::Size::parse, conflicts_with = "wheels")]
    pub size: Option<fourtap::record::wheel::Size>,
    /// Mass of the wheel, for its modulus of elasticity: 1.4kg, 1400g, 3.1lb
    #[arg(long, value_name = "MASS", value_parser = fourtap::units::parse_mass_kg, conflicts_with = "wheels")]
    pub mass: Option<f64>,
    /// Temperature of the wheel: 21C, 70F
    #[arg(long, value_name = "TEMP", value_parser = fourtap::units::parse_temp_c, allow_hyphen_values = true)]
    pub temp: Option<f64>,
    /// Recording of a hand clap in the same place: how long the room sounds on
    #[arg(long, value_name = "FILE")]
    pub clap: Option<PathBuf>,
    /// Where the taps fell
    #[arg(long, value_enum, default_value = "rule")]
    pub turn_plan: Plan,
    /// What the ear heard, tap by tap: ring, thud or unsure
    #[arg(long, value_enum, value_delimiter = ',')]
    pub heard: Vec<Word>,
    /// Draw each sounding into this folder, as SVG and PNG; the folder is made
    #[arg(long, value_name = "DIR")]
    pub pictures: Option<PathBuf>,
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
