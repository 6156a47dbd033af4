//! Plain signal mathematics. Nothing here knows about wheels, files or devices.

pub mod a_weighting;
pub mod clip;
pub mod decay;
pub mod envelope;
pub mod fft;
pub mod filter;
pub mod noise_density;
pub mod octave;
pub mod overview;
pub mod peaks;
pub mod spectrum;
pub mod wide;
pub mod window;
