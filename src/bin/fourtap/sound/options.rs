//! What `fourtap sound` can be told.

use std::path::PathBuf;

use crate::plan::Plan;

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
