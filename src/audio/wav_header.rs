//! Checks the header of a WAV file before it is decoded.
