//! How long the room sounds on, from a recording of a hand clap in it.

use crate::audio::{AudioError, Input, Recording, Source as _};
use crate::reading::Reading;
use crate::reading::rule::judge_alone;
use crate::ring::band_decay::band_decays;
use crate::ring::listen::Listener;
use crate::ring::measure::measure;
use crate::tasks::read_soundings::best_channel;

/// Bands whose decay counts, by their middle in Hz: where wheels ring.
const COUNTED_HZ: (f64, f64) = (400.0, 9_000.0);
/// Fewest decay times that make a figure.
const FEWEST: usize = 3;

/// Why a clap tells nothing.
#[derive(Debug, thiserror::Error)]
pub enum ClapError {
    /// The recording.
    #[error(transparent)]
    Audio(#[from] AudioError),
    /// No decay in it that can be measured.
    #[error(
        "{name}: there is no hand clap in it whose dying away can be measured; clap once or twice, loudly, with a second of quiet before and after each"
    )]
    NoDecay {
        /// Name of the recording.
        name: String,
    },
}

/// The room's decay time T60 in seconds: the median over octave bands from 500 Hz to 8 kHz and over
/// the claps, by backward integration.
///
/// # Errors
/// [`ClapError`] when it cannot be read or tells nothing.
pub fn room_time_s(input: &Input) -> Result<f64, ClapError> {
    let recording = Recording::open(input)?;
    let channel = best_channel(&recording, &mut Vec::new())?;
    let mut player = recording.play(channel)?;
    let mut listener = Listener::new(recording.rate);
    let mut takes = Vec::new();
    while let Some(chunk) = player.next_chunk()? {
        takes.extend(listener.push(&chunk.samples, chunk.lost_before));
    }
    takes.extend(listener.finish().0);
    let mut times_s: Vec<f64> = takes
        .iter()
        // The decay of a ring is not the room's.
        .filter(|t| judge_alone(&measure(t)).reading != Reading::ClearRing)
        .flat_map(band_decays)
        .filter(|b| {
            let middle_hz = (b.band_hz.0 * b.band_hz.1).sqrt();
            middle_hz > COUNTED_HZ.0 && middle_hz < COUNTED_HZ.1
        })
        .filter_map(|b| b.ring_time_s.ok())
        .collect();
    times_s.sort_by(f64::total_cmp);
    if times_s.len() < FEWEST {
        return Err(ClapError::NoDecay {
            name: recording.name.clone(),
        });
    }
    Ok(times_s[times_s.len() / 2])
}
