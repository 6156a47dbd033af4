//! The table of exit codes; `docs/commands.md` holds the same.

use fourtap::reading::Outcome;

/// An input that cannot be read.
pub const INPUT: u8 = 3;

/// The code of an outcome.
pub fn of(outcome: Outcome) -> u8 {
    match outcome {
        Outcome::RingsClear => 0,
        Outcome::SoundsDead => 10,
        Outcome::SoundItAgain => 11,
        Outcome::RingsNotCompared => 12,
    }
}
