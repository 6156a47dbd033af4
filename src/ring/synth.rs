//! Made-up rings and thuds with known modes.
