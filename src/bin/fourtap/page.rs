//! `fourtap page`.

use std::path::Path;
use std::process::ExitCode;
use std::sync::mpsc::channel;

use fourtap::page::{PageError, PageServer};

use crate::exit;
use crate::store_place::folder;
use crate::tell::{complain, say};

/// Arguments of `page`.
#[derive(clap::Args)]
pub struct PageAt {
    /// Port on this machine; 0 takes any that is free
    #[arg(long, value_name = "N", default_value_t = 4270)]
    port: u16,
}

/// Serves until it is interrupted.
pub fn run(args: &PageAt, place: Option<&Path>) -> ExitCode {
    let folder = match folder(place) {
        Ok(folder) => folder,
        Err(code) => return code,
    };
    let failed = |error: &PageError| {
        complain(&error.to_string());
        ExitCode::from(match error {
            PageError::Store(_) => exit::STORE,
            PageError::Port { .. } => exit::USE,
            PageError::Server(_) => exit::DEVICE,
        })
    };
    let server = match PageServer::bind(folder, args.port) {
        Ok(server) => server,
        Err(error) => return failed(&error),
    };
    let (stop, stopped) = channel();
    if let Err(error) = ctrlc::set_handler(move || {
        let _ = stop.send(());
    }) {
        complain(&format!("Ctrl-C ends at once: {error}"));
    }
    say(&server.address());
    complain("open this address in a browser on this machine; Ctrl-C ends");
    match server.serve(stopped) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => failed(&error),
    }
}
