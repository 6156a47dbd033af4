//! Recordings as files or from standard input.
