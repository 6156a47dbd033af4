//! `fourtap gauge`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use fourtap::report::paper::html;
use fourtap::report::text::gauge::gauge_text;
use fourtap::tasks::print_gauge::gauge_paper;
use fourtap::tasks::study_gauge::{GaugeError, study_gauge};

use crate::exit;
use crate::papers::put;
use crate::store_place::look;
use crate::tell::{complain, say, say_json};

/// Arguments of `gauge`.
#[derive(clap::Args)]
pub struct Gauge {
    /// CSV table, one row a sounding: person, wheel, and of tone_hz, ring_time_s, decision, heard,
    /// reading and state (sound, damaged) what is there; a column sounding with the number of a
    /// kept sounding stands in for all but person and state
    table: PathBuf,
    /// Write the study here, as HTML that a browser prints on one page
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Print a JSON object
    #[arg(long)]
    json: bool,
}

/// Runs it.
pub fn run(args: &Gauge, place: Option<&Path>) -> ExitCode {
    let store = match look(place) {
        Ok(store) => store,
        Err(code) => return code,
    };
    match study_gauge(&args.table, store.as_ref()) {
        Ok(record) => {
            if let Some(path) = &args.output {
                let name = args.table.display().to_string();
                let page = html(&gauge_paper(&record, &name));
                if let Err(code) = put(path, &page) {
                    return code;
                }
            }
            if args.json {
                say_json(&record);
            } else {
                say(gauge_text(&record).trim_end());
            }
            ExitCode::SUCCESS
        }
        Err(error) => {
            complain(&error.to_string());
            ExitCode::from(match error {
                GaugeError::Store(_) => exit::STORE,
                GaugeError::Table { .. } => exit::INPUT,
            })
        }
    }
}
