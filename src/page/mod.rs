//! The bench page: a web page on this machine only, for people who do not live in a terminal. It
//! does what the commands do, through the same tasks, and shares the store with them.
//!
//! What a browser sends is untrusted: see `guard`. No path from a request reaches the file
//! system; what is shown is found by ids and numbers in the store.

mod after_view;
mod assets;
mod baseline_view;
mod bench;
mod ears;
mod fault;
mod file_names;
mod fit_view;
mod form;
mod frame;
mod gauge_view;
mod grinder_view;
mod guard;
mod home_view;
mod locks;
mod lot_job;
mod lot_view;
mod record_view;
mod server;
mod settings_view;
mod sound_view;
mod sounding_cache;
mod sounding_view;
mod specification_view;
mod state;
mod teach_view;
mod upload;
mod wheel_view;
mod words;

pub use server::{PageError, PageServer};
