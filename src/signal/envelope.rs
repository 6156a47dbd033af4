//! Level over time.
