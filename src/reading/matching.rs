//! Matches the modes of a sounding with those of a baseline.
