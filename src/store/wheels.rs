//! Wheels in the store.
