//! Where on the wheel the taps fall.
