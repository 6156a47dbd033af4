//! From a tap and a baseline to a reading with its evidence.
