//! Mutation tests of the program: `.ci/mutants` says how it is run.
//!
//! All mutants are planted in one copy of the source, each behind a switch, so that the program is
//! built once and not once a mutant: `plant` writes the copy, `hunt` asks each test which switches
//! it reaches and then turns on one after another and runs the tests that reach it.

mod hunt;
mod plant;

use std::path::PathBuf;
use std::process::ExitCode;

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = args.iter().map(String::as_str).collect();
    let done = match words.as_slice() {
        ["plant", root, tree, places @ ..] if !places.is_empty() => {
            plant::plant(&PathBuf::from(root), &PathBuf::from(tree), places)
        }
        ["hunt", tree, seconds, cap] => match (seconds.parse(), cap.parse()) {
            (Ok(seconds), Ok(cap)) => hunt::hunt(&PathBuf::from(tree), seconds, cap),
            _ => Err("the seconds are no numbers".into()),
        },
        _ => Err("mutants plant ROOT TREE PLACE...\nmutants hunt TREE SECONDS CAP".into()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}
