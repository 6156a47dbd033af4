//! The documents say what the program does: their examples run, their tables match the source.

#![allow(clippy::print_stdout)] // tells which examples were not run

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use fourtap::record::sounding::SoundingRecord;
use tempfile::TempDir;

fn document(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// A command of a document.
#[derive(Debug, PartialEq)]
struct Example {
    /// Line of the document, counted from 1.
    line: usize,
    command: String,
    /// The exit code that a comment behind it or the next lines of text state.
    code: Option<i32>,
}

/// The number behind the words `exit code`.
fn stated_code(text: &str) -> Option<i32> {
    let after = text.split("exit code ").nth(1)?;
    let digits: String = after.chars().take_while(char::is_ascii_digit).collect();
    digits.parse().ok()
}

/// Commands of the `sh` blocks that run fourtap, each on its own, `cargo run … --` as `fourtap`.
fn examples(markdown: &str) -> Vec<Example> {
    let lines: Vec<&str> = markdown.lines().collect();
    let mut found: Vec<Example> = Vec::new();
    let mut i = 0;
    while i < lines.len() {
        i += 1;
        if lines[i - 1].trim() != "```sh" {
            continue;
        }
        let (first, mut joined) = (found.len(), String::new());
        while i < lines.len() && lines[i].trim() != "```" {
            let line = lines[i].trim();
            i += 1;
            if let Some(open) = line.strip_suffix('\\') {
                joined += open;
                continue;
            }
            joined += line;
            let (commands, comment) = joined.split_once(" #").unwrap_or((&joined, ""));
            for command in commands.split("&&").map(str::trim) {
                let command = match command.split_once(" -- ") {
                    Some((cargo, rest)) if cargo.starts_with("cargo run") => {
                        format!("fourtap {rest}")
                    }
                    _ => command.to_owned(),
                };
                if command.starts_with("fourtap ") {
                    let code = stated_code(comment);
                    found.push(Example {
                        line: i,
                        command,
                        code,
                    });
                }
            }
            joined.clear();
        }
        // What the paragraph behind the block states goes for its last command.
        let behind = lines[(i + 1).min(lines.len())..].iter();
        let text: Vec<&str> = behind
            .skip_while(|l| l.trim().is_empty())
            .take_while(|l| !l.trim().is_empty() && !l.starts_with(['#', '`']))
            .copied()
            .collect();
        if let Some(last) = found[first..].last_mut() {
            last.code = last.code.or_else(|| stated_code(&text.join(" ")));
        }
    }
    found
}

/// Why an example cannot run in a test.
fn cannot_run(command: &str) -> Option<&'static str> {
    let word = command.split_whitespace().nth(1)?;
    let has = |what: &str| command.contains(what);
    match word {
        "sound" if !has("--from") => Some("it needs a microphone"),
        "mics" => Some("it needs a sound system"),
        "page" => Some("it runs until it is stopped"),
        _ if has("…") || has("...") => Some("it is shortened"),
        _ => None,
    }
}

/// Runs the examples of a document one after another in a folder with the fixtures beside.
fn run_examples(name: &str) {
    let folder = TempDir::new().unwrap();
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
    #[cfg(unix)]
    std::os::unix::fs::symlink(fixtures, folder.path().join("fixtures")).unwrap();
    let program = Path::new(env!("CARGO_BIN_EXE_fourtap")).parent().unwrap();
    let old = std::env::var_os("PATH").unwrap_or_default();
    let places = std::iter::once(program.to_owned()).chain(std::env::split_paths(&old));
    let path = std::env::join_paths(places).unwrap();
    let table = exit_table(&document("docs/commands.md"));
    let (mut ran, mut skipped) = (0, 0);
    for example in examples(&document(name)) {
        let Example {
            line,
            command,
            code,
        } = &example;
        if let Some(why) = cannot_run(command) {
            println!("skipped: {name}:{line}: `{command}`: {why}");
            skipped += 1;
            continue;
        }
        let out = Command::new("sh")
            .args(["-c", command])
            .current_dir(folder.path())
            .env("PATH", &path)
            .env("HOME", folder.path())
            .env("FOURTAP_STORE", folder.path().join("store"))
            .output()
            .unwrap();
        ran += 1;
        let told = String::from_utf8_lossy(&out.stderr);
        let got = out.status.code().unwrap();
        match code {
            Some(code) => assert_eq!(got, *code, "{name}:{line}: `{command}`: {told}"),
            // Nothing stated: it must do its work, whatever the outcome.
            None => assert!(
                table.contains_key(&got) && (got == 0 || got >= 10),
                "{name}:{line}: `{command}` ends with {got}: {told}"
            ),
        }
    }
    println!("{name}: {ran} examples ran, {skipped} skipped");
}

#[test]
#[cfg(unix)]
fn examples_of_the_readme_run() {
    assert!(!examples(&document("README.md")).is_empty());
    run_examples("README.md");
}

#[test]
#[cfg(unix)]
fn examples_of_the_commands_run() {
    run_examples("docs/commands.md");
}

#[test]
#[cfg(unix)]
fn examples_of_the_other_documents_run() {
    for name in documents() {
        if !["README.md", "docs/commands.md", "DEVELOPERS.md"].contains(&name.as_str()) {
            run_examples(&name);
        }
    }
}

#[test]
fn examples_are_found_in_a_document() {
    let text = "# T\n\n```sh\napt-get update && cargo run --release -- read a.wav\n```\n\nIt has \
                exit code 12.\n\n```sh\nfourtap a \\\n  b  # exit code 3\ncargo test\n```\n\n\
                exit code 7\n\n```text\nfourtap c\n```\n";
    let wanted = |line, command: &str, code| Example {
        line,
        command: command.to_owned(),
        code,
    };
    assert_eq!(
        examples(text),
        [
            wanted(4, "fourtap read a.wav", Some(12)),
            wanted(11, "fourtap a b", Some(3)),
        ]
    );
}

/// Rows `| number | meaning |` of a document.
fn exit_table(markdown: &str) -> BTreeMap<i32, String> {
    let row = |line: &str| {
        let mut cells = line.strip_prefix('|')?.split('|');
        let code = cells.next()?.trim().parse().ok()?;
        Some((code, cells.next()?.trim().to_owned()))
    };
    markdown.lines().filter_map(row).collect()
}

#[test]
fn the_table_of_exit_codes_is_that_of_the_program() {
    let table = exit_table(&document("docs/commands.md"));
    let source = document("src/bin/fourtap/exit.rs");
    let mut codes = BTreeSet::from([2]); // wrong use: the argument parser's own
    for line in source.lines().map(str::trim) {
        let number = line
            .strip_prefix("pub const ")
            .and_then(|l| l.split(" = ").nth(1))
            .or_else(|| line.split("=> ").nth(1));
        if let Some(code) = number.and_then(|n| n.trim_end_matches([';', ',']).parse().ok()) {
            codes.insert(code);
        }
    }
    assert!(codes.len() > 4, "{codes:?}");
    assert_eq!(table.keys().copied().collect::<BTreeSet<i32>>(), codes);
    for (outcome, words) in [
        ("RingsClear", "rings clear"),
        ("SoundsDead", "sounds dead"),
        ("SoundItAgain", "sound it again"),
        ("RingsNotCompared", "rings, not compared"),
    ] {
        let arm = format!("Outcome::{outcome} => ");
        let line = source.lines().find_map(|l| l.trim().strip_prefix(&arm));
        let code: i32 = line.unwrap().trim_end_matches(',').parse().unwrap();
        assert!(table[&code].contains(words), "{code}: {}", table[&code]);
    }
    let wrong = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .arg("--no-such-option")
        .output()
        .unwrap();
    assert_eq!(wrong.status.code(), Some(2));
}

/// Public structs of a source that are saved, with the names of their fields.
fn structs(source: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut all = BTreeMap::new();
    let mut open: Option<(String, BTreeSet<String>)> = None;
    let mut saved = false;
    for line in source.lines() {
        if line.starts_with("#[derive(") {
            saved = line.contains("Serialize");
        } else if let Some(rest) = line.strip_prefix("pub struct ") {
            if let Some(name) = rest.strip_suffix(" {").filter(|_| saved) {
                open = Some((name.to_owned(), BTreeSet::new()));
            }
        } else if line == "}" {
            all.extend(open.take());
        } else if let (Some((_, fields)), Some(rest)) =
            (&mut open, line.trim().strip_prefix("pub "))
        {
            fields.insert(rest.split(':').next().unwrap().to_owned());
        }
    }
    all
}

/// Headings that name a struct in brackets, with the fields of the table below each.
fn described(markdown: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut all: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut at = None;
    for line in markdown.lines() {
        if line.starts_with('#') {
            let name = line.split("(`").nth(1).and_then(|l| l.split("`)").next());
            at = name.map(str::to_owned);
            if let Some(name) = &at {
                all.entry(name.clone()).or_default();
            }
        } else if let (Some(name), Some(row)) = (&at, line.strip_prefix("| `")) {
            let field = row.split('`').next().unwrap().to_owned();
            all.entry(name.clone()).or_default().insert(field);
        }
    }
    all
}

#[test]
fn every_field_of_the_records_is_described() {
    let told = described(&document("docs/record-format.md"));
    let mut all = BTreeMap::new();
    for file in [
        "sounding.rs",
        "ear_test.rs",
        "baseline.rs",
        "wheel.rs",
        "grinder.rs",
        "fit.rs",
        "mounting.rs",
        "wheel_state.rs",
        "pruning.rs",
        "import.rs",
        "lot.rs",
        "gauge.rs",
    ] {
        let found = structs(&document(&format!("src/record/{file}")));
        all.extend(found);
    }
    assert!(
        all.len() > 10 && all.values().all(|f| !f.is_empty()),
        "{all:?}"
    );
    for (name, fields) in &all {
        let Some(rows) = told.get(name) else {
            panic!("docs/record-format.md has no heading with (`{name}`)");
        };
        assert_eq!(rows, fields, "rows of {name}, fields in the source");
    }
    for name in told.keys() {
        assert!(all.contains_key(name), "there is no {name} in the source");
    }
}

#[test]
fn every_kind_of_flaw_is_described() {
    let text = document("docs/record-format.md");
    let source = document("src/ring/flaw.rs");
    let kinds = source.lines().filter_map(|l| {
        let kind = l.trim().split("=> \"").nth(1)?;
        kind.strip_suffix("\",")
    });
    let mut many = 0;
    for kind in kinds {
        many += 1;
        assert!(text.contains(&format!("| `{kind}` |")), "{kind}");
    }
    assert!(many > 5);
}

#[test]
fn the_example_record_is_one() {
    let text = document("docs/record-format.md");
    let example = text.split("```json\n").nth(1).unwrap();
    let json = example.split("\n```").next().unwrap();
    let record: SoundingRecord = serde_json::from_str(json).unwrap();
    assert_eq!(record.format, "fourtap.sounding");
    assert_eq!((record.taps.len(), record.taps[0].modes.len()), (1, 1));
}

/// All documents for people, as paths from the top.
fn documents() -> Vec<String> {
    let mut files = vec!["README.md".to_owned(), "DEVELOPERS.md".to_owned()];
    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs");
    for entry in std::fs::read_dir(docs).unwrap() {
        let name = entry.unwrap().file_name();
        let name = name.to_string_lossy();
        if name.ends_with(".md") {
            files.push(format!("docs/{name}"));
        }
    }
    files
}

#[test]
fn what_a_document_points_to_is_there() {
    let top = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut pointers = 0;
    for file in documents() {
        let folder = top.join(&file);
        let folder = folder.parent().unwrap();
        let text = document(&file);
        for target in text.split("](").skip(1).filter_map(|t| t.split(')').next()) {
            assert!(
                !target.starts_with("http"),
                "{file} points outside: {target}"
            );
            let path = target.split('#').next().unwrap();
            assert!(folder.join(path).exists(), "{file}: {target} is not there");
            pointers += 1;
        }
        // And files that are named in the running text.
        for word in text.split(|c: char| c.is_whitespace() || "()`,;".contains(c)) {
            let word = word.trim_end_matches(['.', ':']);
            let is_named =
                word.starts_with("docs/") || word.starts_with("tests/") || word.starts_with("src/");
            if is_named
                && word
                    .chars()
                    .all(|c| c.is_ascii_alphanumeric() || "/_-.".contains(c))
            {
                assert!(top.join(word).exists(), "{file}: {word} is not there");
            }
        }
    }
    assert!(pointers >= 5, "{pointers}");
}

#[test]
fn lines_of_documents_are_short() {
    let files = documents();
    for file in files {
        let mut in_code = false;
        for (i, line) in document(&file).lines().enumerate() {
            in_code ^= line.starts_with("```");
            // A row of a table and a line of code cannot be broken.
            let may = in_code || line.starts_with(['|', '`']);
            let len = line.chars().count();
            assert!(may || len <= 100, "{file}:{}: {len} columns", i + 1);
        }
    }
}

/// The tables of docs/method.md are what the benches printed (docs/figures), row by row.
#[test]
fn tables_hold_what_the_benches_printed() {
    let top = Path::new(env!("CARGO_MANIFEST_DIR"));
    let run = Command::new(top.join(".ci/tables")).arg("check").output();
    let run = run.unwrap();
    if run.status.code() == Some(127) {
        println!("skipped: .ci/tables needs python3");
        return;
    }
    let told = String::from_utf8_lossy(&run.stderr).into_owned();
    let differ = String::from_utf8_lossy(&run.stdout).into_owned();
    assert!(run.status.success(), "{differ}{told}");
    let rows: usize = told.split(' ').next().unwrap().parse().unwrap();
    assert!(rows >= 90, "{told}");
}
