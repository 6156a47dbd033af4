//! Baselines in the store.
