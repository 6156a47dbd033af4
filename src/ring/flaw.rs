//! Reasons not to trust a tap or a take, each with its figures.

/// Something wrong with one tap.
#[derive(Debug, Clone, PartialEq)]
pub enum Flaw {
    /// A second contact within 80 ms of the first.
    Bounce {
        /// Time from the first contact in ms.
        after_ms: f64,
        /// Strength relative to the first contact in dB.
        level_db: f64,
    },
    /// Samples at the rail.
    Clipped {
        /// Number of samples at the rail.
        samples: usize,
        /// Time from the strike to the last of them in ms.
        until_ms: f64,
    },
    /// Too little above the noise.
    Soft {
        /// Level of the strike over the noise in dB.
        over_noise_db: f64,
        /// What is needed in dB.
        needed_db: f64,
    },
    /// The next tap came before this one had been heard long enough.
    Overlap {
        /// Time to the next strike in ms.
        next_after_ms: f64,
    },
    /// Samples were lost in the capture inside the window of this tap.
    Gap {
        /// Where, in ms from the strike (negative: before it).
        at_ms: f64,
        /// How much was lost in ms.
        lost_ms: f64,
    },
    /// The recording ends before the decay could be followed.
    CutOff {
        /// Time from the strike to the end of the recording in ms.
        after_ms: f64,
    },
    /// No quiet stretch before the tap to learn the noise from.
    NoQuiet {
        /// Length of what there was in ms.
        quiet_ms: f64,
    },
    /// Less than 40 ms of clean decay are left.
    Short {
        /// What is left in ms.
        clean_ms: f64,
    },
    /// The room's echo, not the noise, limits what can be told.
    LiveRoom {
        /// Share of the strong modes' power that damped tones do not explain, in dB.
        misfit_db: f64,
    },
    /// Too many lines to be a wheel: the fit was stopped.
    Crowded {
        /// Number of lines at which the fit stopped.
        lines: usize,
    },
    /// The sound built up as from across the room rather than from a tap beside the microphone.
    Far {
        /// Energy of the first 5 ms relative to the next 45 ms, in dB.
        direct_db: f64,
    },
}

impl Flaw {
    /// Short name, as it stands in records.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Bounce { .. } => "bounce",
            Self::Clipped { .. } => "clipped",
            Self::Soft { .. } => "soft",
            Self::Overlap { .. } => "overlap",
            Self::Gap { .. } => "gap",
            Self::CutOff { .. } => "cut off",
            Self::NoQuiet { .. } => "no quiet",
            Self::Short { .. } => "short",
            Self::LiveRoom { .. } => "live room",
            Self::Crowded { .. } => "crowded",
            Self::Far { .. } => "far",
        }
    }

    /// The figures by name and unit, in a fixed order.
    pub fn figures(&self) -> Vec<(&'static str, f64)> {
        match *self {
            Self::Bounce { after_ms, level_db } => {
                vec![("after_ms", after_ms), ("level_db", level_db)]
            }
            Self::Clipped { samples, until_ms } => {
                vec![("samples", samples as f64), ("until_ms", until_ms)]
            }
            Self::Soft {
                over_noise_db,
                needed_db,
            } => vec![("over_noise_db", over_noise_db), ("needed_db", needed_db)],
            Self::Overlap { next_after_ms } => vec![("next_after_ms", next_after_ms)],
            Self::Gap { at_ms, lost_ms } => vec![("at_ms", at_ms), ("lost_ms", lost_ms)],
            Self::CutOff { after_ms } => vec![("after_ms", after_ms)],
            Self::NoQuiet { quiet_ms } => vec![("quiet_ms", quiet_ms)],
            Self::Short { clean_ms } => vec![("clean_ms", clean_ms)],
            Self::LiveRoom { misfit_db } => vec![("misfit_db", misfit_db)],
            Self::Crowded { lines } => vec![("lines", lines as f64)],
            Self::Far { direct_db } => vec![("direct_db", direct_db)],
        }
    }
}
