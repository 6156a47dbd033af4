//! Scaled amplitude spectra: a sine of amplitude A shows A.
