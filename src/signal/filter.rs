//! Band filters.
