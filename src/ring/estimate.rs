//! The modes of one or more taps.
