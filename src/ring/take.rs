//! A tap as cut from a recording, before measurement.

use std::ops::Range;

use crate::ring::flaw::Flaw;
use crate::signal::clip::Clip;

/// One tap with the quiet before it and the decay after it.
///
/// All ranges are sample indices into `clip`.
#[derive(Debug, Clone, PartialEq)]
pub struct TapTake {
    /// From the start of the quiet stretch to the end of the decay.
    pub clip: Clip,
    /// Time of the strike from the start of the recording in seconds.
    pub time_s: f64,
    /// The strike.
    pub strike: usize,
    /// What sounded before: up to 0.6 s, ending 4 ms before the strike. Earlier taps may still
    /// ring in it. Empty when the recording starts with the strike.
    pub quiet: Range<usize>,
    /// The undisturbed decay: from the strike, or from the end of the last disturbance (clipped
    /// samples, second contact), to 10 ms before the next strike, to lost samples, to the end
    /// of the recording, or to the longest decay that is kept.
    /// The contact of the tap itself is *not* taken off here.
    pub decay: Range<usize>,
    /// Mean power of the first 20 ms above what sounded before, in dB of full scale
    /// (80 Hz to 16 kHz).
    pub level_db: f64,
    /// Share of the power from 5 to 50 ms that follows from its own past, 0 to 1: near 1 for
    /// tones, near 0 for noise.
    pub tonal_share: f64,
    /// Which microphone heard it, counted from 0. Taps that one microphone hears may have one and
    /// the same echo of the room, those of another have their own.
    pub microphone: u32,
    /// What was found wrong so far.
    pub flaws: Vec<Flaw>,
}
