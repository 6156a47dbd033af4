//! Makes the demonstration recordings.
