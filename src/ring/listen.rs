//! Finds the taps in a stream of samples.
