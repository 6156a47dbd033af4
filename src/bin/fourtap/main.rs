//! The command line of fourtap: arguments in, a task run, text or JSON out.

mod after;
mod args;
mod baseline;
mod ear;
mod exit;
mod fit;
mod gauge;
mod grinder;
mod lot;
mod mics;
#[cfg(feature = "page")]
mod page;
mod papers;
mod plan;
mod progress;
mod read;
mod records;
mod shell;
mod sound;
mod store_place;
mod teach;
mod tell;
mod wheel;
mod wheel_facts;
mod wheel_shown;
mod wheel_state;

use std::process::ExitCode;

use clap::{CommandFactory as _, Parser as _};

fn main() -> ExitCode {
    // A decoder of others may panic at a damaged recording, which is then refused like any other.
    let tell = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if !fourtap::audio::is_guarded() {
            tell(panic);
        }
    }));
    let args = args::Args::parse();
    match &args.command {
        args::Command::Read(read) => read::run(read, args.store.as_deref()),
        args::Command::Sound(sound) => sound::run(sound, args.store.as_deref()),
        args::Command::Mics { json } => mics::run(*json),
        args::Command::Wheel(wheel) => wheel::run(wheel, args.store.as_deref()),
        args::Command::Grinder(grinder) => grinder::run(grinder, args.store.as_deref()),
        args::Command::Fit(fit) => fit::run(fit, args.store.as_deref()),
        args::Command::After(after) => after::run(after, args.store.as_deref()),
        args::Command::Records(records) => records::run(records, args.store.as_deref()),
        args::Command::Sheet(of) => papers::run(papers::Which::Sheet, of, args.store.as_deref()),
        args::Command::Tag(of) => papers::run(papers::Which::Tag, of, args.store.as_deref()),
        #[cfg(feature = "page")]
        args::Command::Page(at) => page::run(at, args.store.as_deref()),
        args::Command::Baseline(baseline) => baseline::run(baseline, args.store.as_deref()),
        args::Command::Lot(lot) => lot::run(lot, args.store.as_deref()),
        args::Command::Gauge(gauge) => gauge::run(gauge, args.store.as_deref()),
        args::Command::Completions(of) => shell::completions(of, args::Args::command()),
        args::Command::Manual(to) => shell::manual(to, args::Args::command()),
        args::Command::Teach(teach) => teach::run(teach, args.store.as_deref()),
    }
}
