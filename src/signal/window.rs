//! Tapers and their gains.
