//! Results into strings and pictures. Prints nothing and opens no file.

pub mod picture;
pub mod png;
pub mod teach_page;
pub mod text;
