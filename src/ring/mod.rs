//! From a clip to measured taps: where they are, what rings in each, and what
//! speaks against trusting it. No judgement here: see [`crate::reading`].

pub mod band_decay;
pub mod estimate;
pub mod flaw;
pub mod label;
pub mod listen;
pub mod measure;
pub mod mode;
pub mod plate;
pub mod stiffness;
pub mod synth;
pub mod take;
pub mod tap;
