//! What happened in a live sounding, step by step, as it is written while the sounding goes on.
//! With its takes the log leads to the same sounding again, so that one that was stopped, or cut
//! off by a crash, can be gone on with.

use serde::{Deserialize, Serialize};

/// Name of the format, the value of `format` of the first step.
pub const FORMAT: &str = "fourtap.live-log";
/// Version of the format.
pub const VERSION: u32 = 1;

/// One step. Frames are counted from the start of the part they fall in, lost ones included.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "step", rename_all = "kebab-case")]
pub enum LiveStep {
    /// The sounding began. Always the first step.
    Begun {
        /// Always [`FORMAT`].
        format: String,
        /// Version of the format.
        version: u32,
        /// When, RFC 3339.
        at: String,
        /// Id of the wheel.
        wheel: Option<String>,
        /// Name of the turn plan.
        turn_plan: String,
        /// Temperature of the wheel in degrees Celsius.
        temp_c: Option<f64>,
        /// True when the ear is asked after the last tap.
        ear_asked_afterwards: bool,
    },
    /// Sound comes from here on from another source.
    Part {
        /// Name of the file of its take, in the folder of the log.
        take: String,
    },
    /// Frames were lost, or passed over in a pause; the take holds zeros for them.
    Lost {
        /// Frames of the part before them.
        at_frame: u64,
        /// How many.
        frames: u64,
    },
    /// The ear's word for the tap that was asked about.
    Heard {
        /// Frames of the part that had been heard.
        at_frame: u64,
        /// `ring`, `thud` or `unsure`.
        heard: String,
    },
    /// A spot was struck again by wish.
    Redone {
        /// Frames of the part that had been heard.
        at_frame: u64,
        /// The spot in the turn plan, counted from 0.
        spot: usize,
    },
    /// The last tap was none.
    NoTap {
        /// Frames of the part that had been heard.
        at_frame: u64,
    },
    /// A sentence for the warnings of the record.
    Note {
        /// The sentence.
        sentence: String,
    },
    /// It was stopped before all spots were struck, and kept like that.
    Kept {
        /// Number of the record in the store.
        number: u64,
    },
}
