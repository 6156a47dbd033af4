//! Extremes of a long signal in bounded memory, for pictures.
