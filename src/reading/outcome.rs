//! From the taps of a sounding to the outcome for the wheel.
