//! A recording played as a microphone would deliver it: in small pieces, by the clock.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use super::{AudioError, Chunk, Source};
use crate::units::SampleRate;

/// Length of a piece in seconds.
const PIECE_S: f64 = 0.02;

/// Plays a source in pieces of 20 ms.
#[derive(Debug)]
pub struct AsIfLive<S> {
    source: S,
    pieces: VecDeque<Chunk>,
    by_the_clock: bool,
    start: Option<Instant>,
    frames: u64,
}

impl<S: Source> AsIfLive<S> {
    /// Plays by the clock: a second of sound takes a second.
    pub fn new(source: S) -> Self {
        Self {
            source,
            pieces: VecDeque::new(),
            by_the_clock: true,
            start: None,
            frames: 0,
        }
    }

    /// The same pieces as fast as they are taken.
    pub fn at_once(source: S) -> Self {
        Self {
            by_the_clock: false,
            ..Self::new(source)
        }
    }
}

impl<S: Source> Source for AsIfLive<S> {
    fn rate(&self) -> SampleRate {
        self.source.rate()
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, AudioError> {
        if self.pieces.is_empty() {
            let Some(chunk) = self.source.next_chunk()? else {
                return Ok(None);
            };
            let len = self.rate().samples(PIECE_S).max(1);
            let pieces = chunk.samples.chunks(len).map(|samples| Chunk {
                samples: samples.to_vec(),
                lost_before: 0,
            });
            self.pieces.extend(pieces);
            if let Some(first) = self.pieces.front_mut() {
                first.lost_before = chunk.lost_before;
            }
        }
        let piece = self.pieces.pop_front().unwrap_or(Chunk {
            samples: Vec::new(),
            lost_before: 0,
        });
        self.frames += piece.samples.len() as u64;
        if self.by_the_clock {
            let start = *self.start.get_or_insert_with(Instant::now);
            let due = Duration::from_secs_f64(self.frames as f64 / self.rate().hz());
            std::thread::sleep(due.saturating_sub(start.elapsed()));
        }
        Ok(Some(piece))
    }
}
