//! Reads recordings into soundings.
