//! One tap, measured.

use crate::ring::estimate::Echo;
use crate::ring::flaw::Flaw;
use crate::ring::mode::{Mode, RefusedLine};

/// Decay of one frequency band by backward integration.
#[derive(Debug, Clone, PartialEq)]
pub struct BandDecay {
    /// Lower and upper edge of the band in Hz.
    pub band_hz: (f64, f64),
    /// Decay time T60 in seconds extrapolated from the fitted range, or why there is none.
    pub ring_time_s: Result<f64, NoDecay>,
    /// Levels in dB (re the start of the curve) between which the line was fitted.
    pub fitted_db: (f64, f64),
    /// Times in seconds from the strike between which the line was fitted.
    pub fitted_s: (f64, f64),
    /// Level of the band at the strike over its own noise in dB.
    pub over_noise_db: f64,
    /// The decay curve for pictures: seconds from the strike, level in dB re its start.
    pub curve: Vec<(f64, f64)>,
}

/// Why a band has no decay time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoDecay {
    /// Not enough of the decay stands above the noise.
    Range {
        /// What there is in dB.
        range_db: f64,
        /// What is needed in dB.
        needed_db: f64,
    },
    /// The decay is as short as the band filter's own.
    FilterBound {
        /// Bandwidth times decay time.
        bandwidth_times_t60: f64,
    },
    /// A louder or longer tone of another band shows through the filter.
    Neighbour {
        /// Frequency of that tone in Hz.
        freq_hz: f64,
    },
    /// Tones beat in the band, or die at different rates, so that a straight line means nothing.
    Beating {
        /// Rms distance of the curve from the line in dB.
        rms_db: f64,
    },
}

/// A tap after measurement, before any judgement.
#[derive(Debug, Clone, PartialEq)]
pub struct Tap {
    /// Time of the strike from the start of its recording in seconds.
    pub time_s: f64,
    /// Level of the accepted modes' sum at the strike over the noise in 0.3 to 12 kHz, in dB;
    /// without modes that of the strike itself.
    pub over_noise_db: f64,
    /// Largest sample of the tap in dB below full scale.
    pub peak_db: f64,
    /// Energy-weighted decay time of the accepted modes in seconds with its standard
    /// deviation; none when nothing rings.
    pub ring_time_s: Option<(f64, f64)>,
    /// Share of the energy from 5 to 105 ms that the accepted modes explain, 0 to 1; none
    /// when it could not be measured.
    pub ring_fraction: Option<f64>,
    /// Share of unexplained power near the strong modes (0 = none), the measure of a live room.
    pub room_misfit: f64,
    /// The room's echo, where this tap shows one.
    pub echo: Option<Echo>,
    /// The accepted modes, by rising frequency.
    pub modes: Vec<Mode>,
    /// Lines that were fitted but not accepted.
    pub refused: Vec<RefusedLine>,
    /// Decay per band.
    pub bands: Vec<BandDecay>,
    /// What speaks against trusting this tap.
    pub flaws: Vec<Flaw>,
}
