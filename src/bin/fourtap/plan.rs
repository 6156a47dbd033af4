//! Turn plans as they are named on the command line.

use clap::ValueEnum;
use fourtap::reading::turn_plan::TurnPlan;

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

impl Plan {
    /// The plan that is named.
    pub fn turn_plan(self) -> TurnPlan {
        match self {
            Plan::Rule => TurnPlan::Rule,
            Plan::Quarter => TurnPlan::Quarter,
            Plan::Spread => TurnPlan::Spread,
        }
    }
}
