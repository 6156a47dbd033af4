//! Sound in: recordings (and, with the feature `microphone`, devices) as streams of
//! samples that know their rate. No measurement here.

pub mod as_if_live;
pub mod coded;
pub mod folder;
#[cfg(feature = "microphone")]
pub mod microphone;
mod mp4_boxes;
pub mod recording;
#[cfg(feature = "microphone")]
pub mod speaker;
pub mod survey;
pub mod take_file;
pub mod wav_header;
pub mod wav_out;
pub mod wav_read;

pub use coded::is_guarded;
pub use folder::recordings_in;
pub use recording::{Input, Player, Recording};
pub use survey::{ChannelLevel, Survey};

use crate::units::SampleRate;

/// A stretch of one channel as it comes from a source.
#[derive(Debug, Clone, PartialEq)]
pub struct Chunk {
    /// Samples, full scale 1.0, always finite.
    pub samples: Vec<f64>,
    /// Frames known to be lost just before the first of these samples (0 = none). The time
    /// axis counts them: they are part of the recording that cannot be heard.
    pub lost_before: u64,
}

/// Whatever yields sound of one channel, piece by piece, until it ends.
///
/// Files and devices stand behind this trait alike, so that everything that
/// measures runs the same from either.
pub trait Source {
    /// Rate of the samples.
    fn rate(&self) -> SampleRate;

    /// The next stretch, or none at the end.
    ///
    /// # Errors
    /// [`AudioError`] when nothing more can be had from the source. What came before stays valid.
    fn next_chunk(&mut self) -> Result<Option<Chunk>, AudioError>;
}

/// A source that could not be opened or read: which, where, and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{source_name}: {what}{}; {remedy}", place.as_ref().map(|p| format!(" ({p})")).unwrap_or_default())]
pub struct AudioError {
    /// File name, `standard input` or device name.
    pub source_name: String,
    /// Place in it, where one is known: a byte offset, a time, a chunk.
    pub place: Option<String>,
    /// What is wrong.
    pub what: String,
    /// What the user can do.
    pub remedy: String,
}

impl AudioError {
    /// Puts a refusal together; `place` is none where the whole source is meant.
    pub fn new(
        source_name: &str,
        place: Option<String>,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self {
            source_name: source_name.to_owned(),
            place,
            what: what.into(),
            remedy: remedy.into(),
        }
    }
}

/// Most frames in one chunk of a file.
pub const MOST_FRAMES: usize = 65_536;

/// Decoded frames of all channels, as the readers hand them on.
#[derive(Debug, Default)]
pub(crate) struct Block {
    /// Frame after frame, `channels` samples each, all finite.
    pub(crate) interleaved: Vec<f64>,
    /// Frames known to be lost just before.
    pub(crate) lost_before: u64,
}

/// Replaces what is no number (NaN, infinity) by 0 and tells how many there were. A single one
/// would spoil every spectrum that it falls in.
pub(crate) fn zero_what_is_no_number(samples: &mut [f64]) -> u64 {
    let mut count = 0;
    for x in samples {
        if !x.is_finite() {
            *x = 0.0;
            count += 1;
        }
    }
    count
}
