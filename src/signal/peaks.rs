//! Maxima of a spectrum: prominence, spacing in Hz, interpolation.
