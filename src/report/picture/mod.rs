//! Pictures as SVG: a recording with its taps, spectrum, spectrum over time, decay, and
//! the wheel's face.
//!
//! Each picture takes plain numbers and returns a whole SVG file as a string, 900 px wide,
//! with its own title, axes with units, a description for screen readers and a line that
//! says what it is not. The same input gives the same bytes. Values that are not finite are
//! left out; an empty input gives a picture that says that there is nothing to show.
//! [`svg_to_png`](crate::report::png::svg_to_png) turns any of them into PNG.

mod axes;
mod canvas;
mod decay;
mod face;
mod gauge_people;
mod gauge_shares;
mod labels;
mod lot_charts;
mod overlay;
mod spectrum;
pub(in crate::report) mod style;
mod time_spectrum;
mod trend;
mod waveform;

pub use decay::{Decay, DecayBand, DecayFit, decay_picture};
pub use face::{Face, FaceTap, face_picture};
pub use gauge_people::{GaugePeople, PersonFindings, gauge_people};
pub use gauge_shares::{GaugeShares, gauge_shares};
pub use lot_charts::{
    ChartPoint, ControlChart, LotDistribution, ToneAndMass, control_chart, lot_distribution,
    tone_and_mass,
};
pub use overlay::{Laid, Overlay, overlay_picture};
pub use spectrum::{BaselineMark, ModeHeld, ModeMark, RefusedMark, Spectrum, spectrum_picture};
pub use time_spectrum::{TimeSpectrum, time_spectrum_picture};
pub use trend::{Trend, TrendEvent, TrendPoint, trend_picture};
pub use waveform::{TapMark, Waveform, waveform_picture};

/// Width of every picture in px as it stands in the SVG.
pub const WIDTH_PX: u32 = 900;

/// Why a picture could not be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PictureError {
    /// The built-in font could not be read: a broken build.
    #[error("the built-in font cannot be read; install the program again")]
    Font,
    /// The drawing itself failed.
    #[error("the picture cannot be drawn: {0}")]
    Draw(String),
    /// The SVG could not be read back.
    #[error("the picture is not a readable SVG: {0}")]
    Svg(String),
    /// The picture would be larger than is sensible.
    #[error(
        "the picture would be {width} x {height} px, more than {most} px on a side; use a smaller scale"
    )]
    TooLarge {
        /// Width asked for in px.
        width: u64,
        /// Height asked for in px.
        height: u64,
        /// Most px on a side.
        most: u64,
    },
    /// The PNG could not be written.
    #[error("the picture cannot be written as PNG: {0}")]
    Png(String),
}
