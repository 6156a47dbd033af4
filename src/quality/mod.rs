//! Statistics of lots and of the measurement itself: sampling plans, odd wheels, shifts of a lot,
//! gauge studies, agreement of ears. Pure figures: no files, no words for people.

pub mod agreement;
pub mod gauge;
pub mod lot_figures;
pub mod sampling;
pub mod switching;
