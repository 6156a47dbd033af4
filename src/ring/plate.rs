//! Vibration of annular plates.
