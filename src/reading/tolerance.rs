//! Statistical tolerance factors.
