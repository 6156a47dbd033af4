//! `fourtap lot`.

use std::path::Path;
use std::process::ExitCode;

use fourtap::quality::sampling::Inspection;
use fourtap::report::text::lot_plan::lot_plan_text;
use fourtap::tasks::plan_lot::plan_lot;

use crate::exit;
use crate::tell::{complain, say, say_json};

/// Lots of incoming wheels.
#[derive(clap::Subcommand)]
pub enum Lot {
    /// How many wheels of a lot to draw, and how many bad ones still let it be accepted
    ///
    /// Sampling does not replace the ring test of each wheel before it is mounted.
    Plan {
        /// Number of wheels in the lot
        #[arg(value_name = "NUMBER")]
        lot_size: u32,
        /// The plan.
        #[command(flatten)]
        plan: PlanOf,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
}

/// What the plan is for.
#[derive(clap::Args)]
pub struct PlanOf {
    /// Inspection level: I, II, III, S-1, S-2, S-3 or S-4
    #[arg(long, default_value = "II")]
    pub level: String,
    /// Acceptance quality limit, percent nonconforming: 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5,
    /// 2.5, 4.0 or 6.5
    #[arg(long, value_name = "PERCENT", default_value = "0.65")]
    pub aql: String,
    /// normal, tightened or reduced
    #[arg(long, default_value = "normal", value_parser = inspection)]
    pub inspection: Inspection,
}

fn inspection(word: &str) -> Result<Inspection, String> {
    Inspection::parse(word).ok_or_else(|| "give normal, tightened or reduced".to_owned())
}

/// Runs it.
pub fn run(lot: &Lot, _store: Option<&Path>) -> ExitCode {
    match lot {
        Lot::Plan {
            lot_size,
            plan,
            json,
        } => match plan_lot(*lot_size, &plan.level, &plan.aql, plan.inspection) {
            Ok(record) => {
                if *json {
                    say_json(&record);
                } else {
                    say(lot_plan_text(&record).trim_end());
                }
                ExitCode::SUCCESS
            }
            Err(error) => {
                complain(&error.to_string());
                ExitCode::from(exit::USE)
            }
        },
    }
}
