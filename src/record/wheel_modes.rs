//! Where theory expects the modes of a wheel, as `fourtap wheel modes --json` prints it.
//!
//! Fields may be added; those that stand here keep their name and meaning.

use serde::{Deserialize, Serialize};

use crate::record::sounding::MadeBy;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.wheel_modes";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// The modes of a flat disc of a wheel's size.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WheelModes {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Id of the wheel.
    pub wheel: String,
    /// Size as it was written.
    pub size: String,
    /// Name of the bond.
    pub bond: String,
    /// Lowest and highest speed of sound `sqrt(E/density)` in m/s; equal where one was given.
    pub speed_m_s: (f64, f64),
    /// True when the speed is that usual for the bond, an order of magnitude only.
    pub speed_assumed: bool,
    /// Poisson's ratio.
    pub poisson: f64,
    /// The modes by rising frequency.
    pub modes: Vec<ExpectedMode>,
    /// What made it.
    pub made_by: MadeBy,
}

/// A mode that theory expects.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExpectedMode {
    /// Nodal diameters.
    pub n: u32,
    /// Nodal circles.
    pub s: u32,
    /// Frequency number of the thick plate, `omega a^2 sqrt(12 (1 - nu^2) rho/E)/h`.
    pub lambda_squared: f64,
    /// Frequency over that of the lowest mode.
    pub ratio: f64,
    /// Lowest and highest frequency in Hz, for the two speeds.
    pub freq_hz: (f64, f64),
    /// True when it is a pair of two tones (every mode with a nodal diameter).
    pub is_pair: bool,
    /// Turn plans that strike both tones of the pair in one and the same mix at every tap.
    pub unseen_by: Vec<String>,
}
