//! A wheel as it is kept.
