//! What is known around a rise of the sound, and what it was when it was not a tap.

use std::collections::VecDeque;
use std::ops::Range;

use crate::signal::envelope::{BandLevels, Levels};
use crate::units::SampleRate;

/// What a rise was when it was not a tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotATap {
    /// It built up over longer than a tap does.
    SlowRise {
        /// Time to half its power in ms.
        rise_ms: f64,
    },
    /// Nothing was left after some ms: a click or a splice.
    Click {
        /// Level after 5 ms relative to the start in dB.
        left_db: f64,
    },
    /// It grew again without a new strike, as a voice does after a plosive.
    RisesAgain {
        /// Later level relative to the start in dB.
        by_db: f64,
    },
    /// It went on at one level, as a machine or a signal tone.
    NoDecay {
        /// Level at the end of what was looked at, relative to the start, in dB.
        left_db: f64,
    },
    /// It was excited again and again, as a voice by its pulses.
    Driven {
        /// Power that went on being put in, relative to the start, in dB.
        going_on_db: f64,
        /// Number of single pulses that stood out.
        pulses: usize,
    },
    /// A short noise beside stronger swells of a voice.
    InSpeech {
        /// Level relative to the strongest swell near it in dB.
        below_db: f64,
    },
    /// A sound that goes on after a dropout.
    Resumes {
        /// Length of the dropout in ms.
        lost_ms: f64,
    },
    /// Too little above the noise.
    TooSoft {
        /// Level over the noise in dB.
        over_noise_db: f64,
    },
}

/// What is known around a rise.
pub(super) struct Heard<'a> {
    pub(super) rate: SampleRate,
    pub(super) levels: &'a BandLevels,
    /// Samples from the absolute frame `samples_from` on.
    pub(super) samples: &'a [f64],
    pub(super) samples_from: u64,
    /// Absolute frame of hop 0.
    pub(super) origin: u64,
    /// Levels before a gap that the recording resumes from, if any.
    pub(super) before_gap: Option<Levels>,
    /// Other rises after this one, in hops.
    pub(super) later_rises: &'a [u64],
    /// Step of quantisation as far as it is known.
    pub(super) step: f64,
    /// Runs of zeros that cut off a sound, as absolute frames.
    pub(super) breaks: &'a VecDeque<Range<u64>>,
    /// Hop of the last confirmed strike.
    pub(super) last_strike: Option<u64>,
}

impl Heard<'_> {
    pub(super) fn frame(&self, hop: u64) -> u64 {
        self.origin + hop * self.levels.hop_len() as u64
    }

    pub(super) fn hop(&self, frame: u64) -> u64 {
        frame.saturating_sub(self.origin) / self.levels.hop_len() as u64
    }

    pub(super) fn lanes(&self) -> usize {
        self.levels.bands()
    }
}
