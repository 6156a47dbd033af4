//! Decay by backward integration with noise compensation.
