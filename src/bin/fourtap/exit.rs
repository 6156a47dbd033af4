//! The table of exit codes; `docs/commands.md` holds the same.

use fourtap::reading::Outcome;

/// Wrong use; the argument parser ends with the same.
pub const USE: u8 = 2;
/// An input that cannot be read, or an output that cannot be written.
pub const INPUT: u8 = 3;
/// No device, or one that does not deliver.
pub const DEVICE: u8 = 4;
/// The store.
pub const STORE: u8 = 5;

/// The wheel does not fit the grinder.
pub const NO_FIT: u8 = 13;
/// Whether it fits is not known: figures or answers are missing.
pub const FIT_UNKNOWN: u8 = 14;

/// The code of an outcome.
pub fn of(outcome: Outcome) -> u8 {
    match outcome {
        Outcome::RingsClear => 0,
        Outcome::SoundsDead => 10,
        Outcome::SoundItAgain => 11,
        Outcome::RingsNotCompared => 12,
    }
}
