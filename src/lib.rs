//! fourtap hears the taps of a ring test on an abrasive wheel, measures what
//! rings in each, and reads it as a clear ring or a dull thud.

pub mod units;

pub mod signal;

pub mod ring;

pub mod reading;

pub mod quality;

pub mod record;

pub mod audio;

pub mod store;

pub mod report;

pub mod tasks;

#[cfg(feature = "page")]
pub mod page;
