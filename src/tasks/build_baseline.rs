//! Builds the baseline of a wheel.
