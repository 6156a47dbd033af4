//! Made-up rings and thuds with known modes.
//!
//! A [`Scene`] is played into a [`MadeTake`]: samples together with what is true about them.
//! Everything random comes from seeds; the same scene gives the same samples.

mod damage;
mod noise;
mod other;
mod radiation;
mod room;
mod scene;
mod tap_pulse;
#[cfg(test)]
mod tests;
mod tones;
mod wheel;

pub use damage::{CrackFrom, Damage, Holding};
pub use noise::Noise;
pub use other::OtherSound;
pub use radiation::Radiation;
pub use room::Room;
pub use scene::{Bounce, MadeTake, Scene, SceneError, Source, Strike, TrueMode, turned_under_mic};
pub use tap_pulse::TapPulse;
pub use tones::{DampedTone, damped_modes};
pub use wheel::{BondLoss, Branch, Imperfection, WheelModel, WheelTone};
