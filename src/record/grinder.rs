//! A grinder as it is kept.

use serde::{Deserialize, Serialize};

use super::wheel::MaxSpeed;
use super::wheel::size::Measure;

/// Name of the format, the value of `format`.
pub const FORMAT: &str = "fourtap.grinder";
/// Version of the format, the value of `version`.
pub const VERSION: u32 = 1;

/// A machine that wheels go on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GrinderRecord {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Its id, unique in the store without regard to case.
    pub id: String,
    /// What it is: right-angle, bench, surface ... as the user names it.
    pub kind: String,
    /// Speed of its spindle without load.
    pub rated_speed: MaxSpeed,
    /// Greatest diameter of a wheel it takes.
    pub max_diameter: Option<Measure>,
    /// Greatest thickness of a wheel it takes.
    pub max_thickness: Option<Measure>,
    /// Diameter of the spindle, or of the flange's seat, that the wheel sits on.
    pub spindle: Option<Measure>,
    /// Diameter of its flanges.
    pub flange: Option<Measure>,
    /// Greatest diameter of a wheel its guard is for; zero when it has no guard.
    pub guard: Option<Measure>,
    /// When it was taken out of use, RFC 3339.
    pub retired_at: Option<String>,
    /// When it was added, RFC 3339.
    pub added_at: String,
}
