//! Adds, lists and shows wheels.
