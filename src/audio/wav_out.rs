//! Writes WAV files.
