//! The order of the layers, what the pure ones do without, and what lies at the top of the
//! repository. Sources are scanned as text, with comments and literals blanked out.

use std::path::{Path, PathBuf};

/// The layers in order; each uses only those in earlier groups, or itself.
const LAYERS: [&[&str]; 9] = [
    &["units"],
    &["signal"],
    &["ring"],
    &["reading"],
    &["quality"],
    &["record"],
    &["audio", "store", "report"],
    &["tasks"],
    &["page"],
];
/// The first group that may use files, the clock, the terminal and chance.
const FIRST_IMPURE: usize = 6;
/// What the layers before it do without.
const IMPURE: [&str; 16] = [
    "std::fs",
    "std::net",
    "std::process",
    "std::env",
    "SystemTime",
    "Instant::now",
    "std::time::Instant",
    "println!",
    "eprintln!",
    "print!",
    "eprint!",
    "dbg!",
    "std::io::stdout",
    "std::io::stderr",
    "thread_rng",
    "from_os_rng",
];
/// What may lie at the top besides names that start with a dot and what git ignores.
const TOP: [&str; 9] = [
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "src",
    "tests",
    "fixtures",
    "docs",
];
/// Folders at the top that git ignores and builds leave behind.
const IGNORED: [&str; 2] = ["target", "out"];

fn group(layer: &str) -> Option<usize> {
    LAYERS.iter().position(|names| names.contains(&layer))
}

/// The source with comments, strings and characters blanked out, line by line as before.
fn code_only(source: &str) -> String {
    let all: Vec<char> = source.chars().collect();
    let mut out = String::with_capacity(source.len());
    let blank = |out: &mut String, c: char| out.push(if c == '\n' { '\n' } else { ' ' });
    let mut i = 0;
    while i < all.len() {
        let rest = |n: usize| all.get(i + n).copied().unwrap_or('\0');
        let raw = rest(0) == 'r'
            && (rest(1) == '"' || rest(1) == '#')
            && !(i > 0 && (all[i - 1].is_alphanumeric() || all[i - 1] == '_') && all[i - 1] != 'b');
        let hashes = all[i + usize::from(raw)..]
            .iter()
            .take_while(|c| **c == '#')
            .count();
        let end = if rest(0) == '/' && rest(1) == '/' {
            all[i..].iter().position(|c| *c == '\n').map(|n| i + n)
        } else if rest(0) == '/' && rest(1) == '*' {
            Some(comment_end(&all, i))
        } else if raw && rest(1 + hashes) == '"' {
            Some(raw_end(&all, i + 2 + hashes, hashes))
        } else if rest(0) == '"' {
            Some(quoted_end(&all, i + 1, '"'))
        } else if rest(0) == '\'' && (rest(1) == '\\' || rest(2) == '\'') {
            Some(quoted_end(&all, i + 1, '\''))
        } else {
            out.push(all[i]);
            i += 1;
            continue;
        };
        let end = end.unwrap_or(all.len()).min(all.len());
        all[i..end].iter().for_each(|c| blank(&mut out, *c));
        i = end;
    }
    out
}

/// First place behind a block comment, which may hold others.
fn comment_end(all: &[char], start: usize) -> usize {
    let (mut deep, mut i) = (0, start);
    while i < all.len() {
        match (all[i], all.get(i + 1)) {
            ('/', Some('*')) => (deep, i) = (deep + 1, i + 2),
            ('*', Some('/')) => (deep, i) = (deep - 1, i + 2),
            _ => i += 1,
        }
        if deep == 0 {
            break;
        }
    }
    i
}

fn quoted_end(all: &[char], start: usize, quote: char) -> usize {
    let mut i = start;
    while i < all.len() && all[i] != quote {
        i += 1 + usize::from(all[i] == '\\');
    }
    i + 1
}

fn raw_end(all: &[char], start: usize, hashes: usize) -> usize {
    (start..all.len())
        .find(|&i| {
            all[i] == '"' && all[i + 1..].iter().take_while(|c| **c == '#').count() >= hashes
        })
        .map_or(all.len(), |i| i + 1 + hashes)
}

/// First names behind `crate::`, also those in braces, with the place of each.
fn crate_paths(code: &str, root: &str) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    let names_char = |c: char| c.is_alphanumeric() || c == '_';
    for (at, _) in code.match_indices(root) {
        if code[..at].ends_with(|c: char| names_char(c) || c == '$' || c == ':') {
            continue;
        }
        let after = code[at + root.len()..].trim_start();
        let Some(path) = after.strip_prefix("::").map(str::trim_start) else {
            continue;
        };
        let start = code.len() - path.len();
        if !path.starts_with('{') {
            let name: String = path.chars().take_while(|c| names_char(*c)).collect();
            found.push((at, name));
            continue;
        }
        // Names that open an item of the outermost braces.
        let (mut deep, mut opens) = (0, false);
        for (i, c) in path.char_indices() {
            match c {
                '{' => (deep, opens) = (deep + 1, deep == 0),
                '}' => deep -= 1,
                ',' => opens = deep == 1,
                c if c.is_whitespace() => {}
                c => {
                    if opens && names_char(c) {
                        let name = path[i..].chars().take_while(|c| names_char(*c)).collect();
                        found.push((start + i, name));
                    }
                    opens = false;
                }
            }
            if deep == 0 {
                break;
            }
        }
    }
    found
}

/// What is wrong in the file `path` (from `src/`), each with file and line.
fn faults(path: &str, source: &str) -> Vec<String> {
    let code = code_only(source);
    let line = |at: usize| 1 + code[..at].matches('\n').count();
    let own = path.split(['/', '.']).next().unwrap_or_default();
    if path == "lib.rs" || own == "bin" {
        return Vec::new();
    }
    let Some(mine) = group(own) else {
        return vec![format!("src/{path}: `{own}` is no layer")];
    };
    let mut wrong = Vec::new();
    for (at, name) in crate_paths(&code, "crate") {
        let fault = match group(&name) {
            Some(theirs) if theirs < mine || name == own => continue,
            Some(theirs) if theirs == mine => format!("`{own}` uses `{name}` beside it"),
            Some(_) => format!("`{own}` uses the later `{name}`"),
            None => format!("`crate::{name}` is no layer: name the layer it comes from"),
        };
        wrong.push(format!("src/{path}:{}: {fault}", line(at)));
    }
    for (at, name) in crate_paths(&code, "fourtap") {
        wrong.push(format!(
            "src/{path}:{}: say `crate::{name}`, not `fourtap::{name}`",
            line(at)
        ));
    }
    // `super` may not climb out of the layer by another road.
    let depth = path.trim_end_matches("/mod.rs").matches('/').count();
    let mut climbs = String::from("super");
    (0..depth).for_each(|_| climbs.push_str("::super"));
    for (at, _) in code.match_indices(&climbs) {
        if !code[..at].ends_with("::") && !in_inner_module(&code[..at]) {
            wrong.push(format!(
                "src/{path}:{}: `{climbs}` leaves the layer",
                line(at)
            ));
        }
    }
    if mine < FIRST_IMPURE {
        // `use std::{fs, time}` says the same as `use std::fs`.
        let std_names = crate_paths(&code, "std");
        let in_braces = |what: &str| {
            let inner = what.strip_prefix("std::")?;
            let found = std_names
                .iter()
                .find(|(at, name)| name == inner && !code[*at..].starts_with("std"))?;
            Some(found.0)
        };
        for what in IMPURE {
            let starts =
                |at: &usize| !code[..*at].ends_with(|c: char| c.is_alphanumeric() || c == '_');
            let places = code.match_indices(what).map(|(at, _)| at).filter(starts);
            for at in places.chain(in_braces(what)) {
                let no = format!("`{own}` has no files, clock, printing or unseeded chance");
                wrong.push(format!("src/{path}:{}: `{what}`: {no}", line(at)));
            }
        }
    }
    wrong
}

/// Whether braces of a `mod` stand open at the end of this code.
fn in_inner_module(before: &str) -> bool {
    let (mut open, mut head) = (Vec::new(), String::new());
    for c in before.chars() {
        match c {
            '{' => {
                let mut words = head.split_whitespace();
                open.push(words.any(|w| w == "mod"));
                head.clear();
            }
            '}' => {
                open.pop();
                head.clear();
            }
            ';' => head.clear(),
            c => head.push(c),
        }
    }
    open.contains(&true)
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

#[test]
fn layers_use_only_those_before_them() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&src, &mut files);
    files.sort();
    assert!(files.len() > 50, "only {} sources found", files.len());
    let (mut wrong, mut uses) = (Vec::new(), 0);
    for file in &files {
        let source = std::fs::read_to_string(file).unwrap();
        let parts: Vec<_> = file.strip_prefix(&src).unwrap().iter().collect();
        let path: Vec<_> = parts.iter().map(|p| p.to_string_lossy()).collect();
        uses += crate_paths(&code_only(&source), "crate").len();
        wrong.extend(faults(&path.join("/"), &source));
    }
    // A scanner that sees nothing would find nothing wrong.
    assert!(uses > 100, "only {uses} uses of other modules were seen");
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn every_layer_is_a_module_of_the_library() {
    let lib = include_str!("../src/lib.rs");
    for layer in LAYERS.concat() {
        assert!(lib.contains(&format!("pub mod {layer};")), "{layer}");
    }
    let declared = code_only(lib).matches("mod ").count();
    assert_eq!(declared, LAYERS.concat().len(), "src/lib.rs and LAYERS");
}

#[test]
fn nothing_else_lies_at_the_top() {
    let top = Path::new(env!("CARGO_MANIFEST_DIR"));
    let ignored = std::fs::read_to_string(top.join(".gitignore")).unwrap();
    for entry in std::fs::read_dir(top).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().into_owned();
        let git_ignores = IGNORED.contains(&name.as_str())
            && ignored.lines().any(|l| l.trim_matches('/') == name);
        assert!(
            name.starts_with('.') || TOP.contains(&name.as_str()) || git_ignores,
            "`{name}` lies at the top of the repository: move it below one of {TOP:?}"
        );
    }
}

#[test]
fn the_scanner_finds_made_up_faults() {
    // (file, source, line of the fault, word in it)
    let bad = [
        (
            "signal/a.rs",
            "\nuse crate::ring::Tap;\n",
            2,
            "later `ring`",
        ),
        (
            "ring/a/b.rs",
            "use crate::{\n  units,\n  record::{x, y},\n};",
            3,
            "`record`",
        ),
        ("ring.rs", "fn f() -> crate :: tasks::X {}", 1, "`tasks`"),
        (
            "audio/mod.rs",
            "pub(crate) use crate::store;",
            1,
            "beside it",
        ),
        (
            "reading/a.rs",
            "use fourtap::units::X;",
            1,
            "not `fourtap::units`",
        ),
        (
            "record/a.rs",
            "let c = '\"'; use crate::audio::X; // '\"'",
            1,
            "`audio`",
        ),
        ("units.rs", "let a = \"//\"; std::fs::read(a)", 1, "std::fs"),
        (
            "units.rs",
            "use std::{\n collections::A,\n fs};",
            3,
            "std::fs",
        ),
        ("ring/a.rs", "/* /* */ */\nprintln!(\"\")", 2, "println!"),
        (
            "ring/a.rs",
            "let t = std::time::Instant::now();",
            1,
            "Instant",
        ),
        (
            "ring/a.rs",
            "let r = r#\"\"//\"#; rand::thread_rng()",
            1,
            "thread_rng",
        ),
        (
            "signal/a.rs",
            "use super::super::ring::X;",
            1,
            "leaves the layer",
        ),
        ("ring.rs", "use super::tasks::X;", 1, "leaves the layer"),
        ("helpers/a.rs", "", 0, "no layer"),
        ("tasks/a.rs", "use crate::new_layer::X;", 1, "no layer"),
    ];
    for (path, source, line, word) in bad {
        let found = faults(path, source);
        let place = format!("src/{path}:{line}:");
        assert!(
            found
                .iter()
                .any(|f| f.contains(word) && (line == 0 || f.starts_with(&place))),
            "{path} {source:?}: {found:?}"
        );
    }
}

#[test]
fn the_scanner_passes_what_is_right() {
    let good = [
        (
            "tasks/a.rs",
            "use crate::{units::X, ring::{report, store}, audio::y};",
        ),
        (
            "ring/a.rs",
            "// crate::tasks\n/* std::fs */ let s = \"crate::store println!\";",
        ),
        (
            "ring/a.rs",
            "let s = r##\"crate::store\"# x\"##; let c = '\\''; crate::units::x()",
        ),
        (
            "ring/a.rs",
            "fn f<'a>(x: &'a str) -> &'a str { x } use crate::signal::x;",
        ),
        ("ring/mod.rs", "mod tests { use super::*; }"),
        (
            "ring/a/b.rs",
            "use super::super::tap; use std::{f64, ops::Range};",
        ),
        (
            "store/a.rs",
            "use std::fs; let t = std::time::SystemTime::now();",
        ),
        ("bin/fourtap/main.rs", "use fourtap::tasks; println!()"),
        (
            "signal/a.rs",
            "my_println!(); struct NotInstant; mycrate::ring::x()",
        ),
    ];
    for (path, source) in good {
        assert_eq!(faults(path, source), Vec::<String>::new(), "{source:?}");
    }
}
