//! Results into strings and pictures. Prints nothing and opens no file.

pub mod text;
pub mod picture;
pub mod png;
