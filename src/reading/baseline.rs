//! What a sound wheel shows, with its spread.
