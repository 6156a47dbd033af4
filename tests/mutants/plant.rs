//! Writes a copy of the source with mutants behind switches. What does not compile with its switch
//! (a type that knows `+` but not `-`) is taken out again.

use std::collections::{BTreeSet, HashSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use proc_macro2::LineColumn;
use serde_json::{Value, json};
use syn::spanned::Spanned as _;
use syn::visit::{self, Visit};
use syn::{BinOp, Expr, ReturnType, Stmt, Type, UnOp};

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// The switch board that the copy gets as a module of its own.
const BOARD: &str = r#"//! Switches of the planted mutants.
#![allow(missing_docs, clippy::all, clippy::restriction)]
use std::io::Write as _;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, AtomicU8, Ordering::Relaxed};
const ASK: u32 = u32::MAX;
const TRACE: u32 = u32::MAX - 1;
const OFF: u32 = u32::MAX - 2;
static ACTIVE: AtomicU32 = AtomicU32::new(ASK);
static SEEN: [AtomicU8; 65536] = [const { AtomicU8::new(0) }; 65536];
#[inline(always)]
pub fn on(n: u32) -> bool {
    let active = ACTIVE.load(Relaxed);
    if active < OFF { active == n } else { active != OFF && asked(n) }
}
#[cold]
fn asked(n: u32) -> bool {
    static TO: OnceLock<Option<std::fs::File>> = OnceLock::new();
    if ACTIVE.load(Relaxed) == ASK {
        let one = std::env::var("MUTANT").ok().and_then(|n| n.parse().ok());
        let traced = std::env::var_os("MUTANT_TRACE").is_some();
        ACTIVE.store(one.unwrap_or(if traced { TRACE } else { OFF }), Relaxed);
        return on(n);
    }
    let seen = &SEEN[n as usize];
    if seen.load(Relaxed) == 0 && seen.swap(1, Relaxed) == 0 {
        let file = TO.get_or_init(|| {
            let to = std::env::var_os("MUTANT_TRACE")?;
            std::fs::OpenOptions::new().create(true).append(true).open(to).ok()
        });
        if let Some(mut file) = file.as_ref() {
            let _ = file.write_all(&n.to_le_bytes());
        }
    }
    false
}
"#;

/// One mutant: where it is, what it does, and the pieces of text that plant it.
struct Mutant {
    file: PathBuf,
    lines: (usize, usize),
    function: String,
    what: String,
    /// Pieces put in: (place, rank, text, length of what it replaces). Of pieces at one place those of
    /// lower rank come first.
    pieces: Vec<(LineColumn, Piece, String, usize)>,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Piece {
    /// An end, by the length of what it ends: the inner, shorter, first.
    End(usize),
    Middle,
    /// A start: the outer, longer, first.
    Start(std::cmp::Reverse<usize>),
}

struct Finder<'a> {
    file: &'a Path,
    functions: Vec<String>,
    boundaries: bool,
    found: Vec<Mutant>,
}

impl Finder<'_> {
    fn note(
        &mut self,
        span: proc_macro2::Span,
        what: &str,
        pieces: Vec<(LineColumn, Piece, String, usize)>,
    ) {
        self.found.push(Mutant {
            file: self.file.to_path_buf(),
            lines: (span.start().line, span.end().line),
            function: self.functions.join("::"),
            what: what.to_owned(),
            pieces,
        });
    }

    /// `left op right` becomes `(match (left, right) { (a, b) => if on(N) { other } else { same } })`.
    fn operator(
        &mut self,
        whole: &syn::ExprBinary,
        by_reference: bool,
        what: &str,
        other: &str,
        same: &str,
    ) {
        let span = whole.span();
        let mark = if by_reference { "&(" } else { "(" };
        let length = size_of(span);
        self.note(
            span,
            what,
            vec![
                (span.start(), start(length), format!("(match ({mark}"), 0),
                (whole.op.span().start(), Piece::Middle, format!("), {mark}"), op_length(&whole.op)),
                (
                    span.end(),
                    Piece::End(length),
                    format!(")) {{ (a, b) => if crate::mutant::on(@) {{ {other} }} else {{ {same} }} }})"),
                    0,
                ),
            ],
        );
    }
}

fn start(length: usize) -> Piece {
    Piece::Start(std::cmp::Reverse(length))
}

fn size_of(span: proc_macro2::Span) -> usize {
    span.byte_range().len()
}

fn op_length(op: &BinOp) -> usize {
    let span = op.span();
    match op {
        BinOp::AddAssign(_)
        | BinOp::SubAssign(_)
        | BinOp::MulAssign(_)
        | BinOp::DivAssign(_)
        | BinOp::And(_)
        | BinOp::Or(_)
        | BinOp::Eq(_)
        | BinOp::Ne(_)
        | BinOp::Le(_)
        | BinOp::Ge(_) => 2,
        _ => span.byte_range().len().max(1),
    }
}

fn holds_let(expr: &Expr) -> bool {
    match expr {
        Expr::Let(_) => true,
        Expr::Binary(b) => holds_let(&b.left) || holds_let(&b.right),
        Expr::Paren(p) => holds_let(&p.expr),
        _ => false,
    }
}

fn for_tests_only(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|a| {
        a.path().is_ident("test")
            || (a.path().is_ident("cfg")
                && a.parse_args::<syn::Path>()
                    .is_ok_and(|p| p.is_ident("test")))
    })
}

/// What a function that gives this type may give instead.
fn instead(output: &ReturnType) -> Vec<String> {
    let ReturnType::Type(_, of) = output else {
        return vec![String::new()];
    };
    let Type::Path(path) = of.as_ref() else {
        return Vec::new();
    };
    let Some(last) = path.path.segments.last() else {
        return Vec::new();
    };
    let values: &[&str] = match last.ident.to_string().as_str() {
        "bool" => &["true", "false"],
        "f64" | "f32" => &["0.0", "1.0"],
        "usize" | "u32" | "u64" | "i32" | "i64" => &["0", "1"],
        "Option" => &["None"],
        "Vec" => &["Vec::new()"],
        "String" => &["String::new()"],
        _ => &[],
    };
    values.iter().map(|v| (*v).to_owned()).collect()
}

impl<'ast> Visit<'ast> for Finder<'_> {
    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        if !for_tests_only(&item.attrs) {
            visit::visit_item_mod(self, item);
        }
    }

    fn visit_item_impl(&mut self, item: &'ast syn::ItemImpl) {
        if !for_tests_only(&item.attrs) {
            visit::visit_item_impl(self, item);
        }
    }

    fn visit_item_const(&mut self, _: &'ast syn::ItemConst) {}
    fn visit_item_static(&mut self, _: &'ast syn::ItemStatic) {}
    fn visit_impl_item_const(&mut self, _: &'ast syn::ImplItemConst) {}
    fn visit_type(&mut self, _: &'ast Type) {}
    fn visit_pat(&mut self, _: &'ast syn::Pat) {}
    fn visit_attribute(&mut self, _: &'ast syn::Attribute) {}
    fn visit_expr_const(&mut self, _: &'ast syn::ExprConst) {}
    fn visit_expr_repeat(&mut self, item: &'ast syn::ExprRepeat) {
        self.visit_expr(&item.expr);
    }

    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        if item.sig.constness.is_none() && !for_tests_only(&item.attrs) {
            self.function(&item.sig, &item.block);
        }
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        if item.sig.constness.is_none() && !for_tests_only(&item.attrs) {
            self.function(&item.sig, &item.block);
        }
    }

    fn visit_expr_binary(&mut self, whole: &'ast syn::ExprBinary) {
        match whole.op {
            BinOp::Add(_) => self.operator(whole, false, "+ to -", "a - b", "a + b"),
            BinOp::Sub(_) => self.operator(whole, false, "- to +", "a + b", "a - b"),
            BinOp::Mul(_) => self.operator(whole, false, "* to /", "a / b", "a * b"),
            BinOp::Div(_) => self.operator(whole, false, "/ to *", "a * b", "a / b"),
            BinOp::Rem(_) => self.operator(whole, false, "% to /", "a / b", "a % b"),
            BinOp::Lt(_) if self.boundaries => {
                self.operator(whole, true, "< to <=", "a <= b", "a < b")
            }
            BinOp::Le(_) if self.boundaries => {
                self.operator(whole, true, "<= to <", "a < b", "a <= b")
            }
            BinOp::Gt(_) if self.boundaries => {
                self.operator(whole, true, "> to >=", "a >= b", "a > b")
            }
            BinOp::Ge(_) if self.boundaries => {
                self.operator(whole, true, ">= to >", "a > b", "a >= b")
            }
            BinOp::Lt(_) => self.operator(whole, true, "< to >=", "a >= b", "a < b"),
            BinOp::Le(_) => self.operator(whole, true, "<= to >", "a > b", "a <= b"),
            BinOp::Gt(_) => self.operator(whole, true, "> to <=", "a <= b", "a > b"),
            BinOp::Ge(_) => self.operator(whole, true, ">= to <", "a < b", "a >= b"),
            BinOp::Eq(_) => self.operator(whole, true, "== to !=", "a != b", "a == b"),
            BinOp::Ne(_) => self.operator(whole, true, "!= to ==", "a == b", "a != b"),
            BinOp::And(_) | BinOp::Or(_) if !holds_let(&whole.left) && !holds_let(&whole.right) => {
                let and = matches!(whole.op, BinOp::And(_));
                let span = whole.span();
                let length = size_of(span);
                let sign = if and { "!=" } else { "==" };
                self.note(
                    span,
                    if and { "&& to ||" } else { "|| to &&" },
                    vec![
                        (span.start(), start(length), "(match (".into(), 0),
                        (
                            whole.op.span().start(),
                            Piece::Middle,
                            format!(") {{ a => if a {sign} crate::mutant::on(@) {{ "),
                            2,
                        ),
                        (span.end(), Piece::End(length), " } else { a } })".into(), 0),
                    ],
                );
            }
            BinOp::AddAssign(_)
            | BinOp::SubAssign(_)
            | BinOp::MulAssign(_)
            | BinOp::DivAssign(_) => {
                let (what, other, same) = match whole.op {
                    BinOp::AddAssign(_) => ("+= to -=", "-=", "+="),
                    BinOp::SubAssign(_) => ("-= to +=", "+=", "-="),
                    BinOp::MulAssign(_) => ("*= to /=", "/=", "*="),
                    _ => ("/= to *=", "*=", "/="),
                };
                let span = whole.span();
                let length = size_of(span);
                self.note(
                    span,
                    what,
                    vec![
                        (span.start(), start(length), "{ let a = &mut (".into(), 0),
                        (whole.op.span().start(), Piece::Middle, "); let b = (".into(), 2),
                        (
                            span.end(),
                            Piece::End(length),
                            format!("); if crate::mutant::on(@) {{ *a {other} b }} else {{ *a {same} b }} }}"),
                            0,
                        ),
                    ],
                );
            }
            _ => {}
        }
        visit::visit_expr_binary(self, whole);
    }

    fn visit_expr_unary(&mut self, whole: &'ast syn::ExprUnary) {
        if matches!(whole.op, UnOp::Not(_)) {
            let span = whole.span();
            let length = size_of(span);
            self.note(
                span,
                "! taken away",
                vec![
                    (span.start(), start(length), "((".into(), 0),
                    (
                        span.end(),
                        Piece::End(length),
                        ") != crate::mutant::on(@))".into(),
                        0,
                    ),
                ],
            );
        }
        visit::visit_expr_unary(self, whole);
    }
}

impl Finder<'_> {
    fn function(&mut self, signature: &syn::Signature, block: &syn::Block) {
        self.functions.push(signature.ident.to_string());
        let opening = block.brace_token.span.open().span().end();
        let trivial = match block.stmts.as_slice() {
            [] => true,
            [Stmt::Expr(Expr::Lit(_) | Expr::Path(_), None)] => true,
            _ => false,
        };
        if !trivial && signature.asyncness.is_none() {
            for value in instead(&signature.output) {
                let text = format!(" if crate::mutant::on(@) {{ return {value}; }} ");
                let what = format!(
                    "gives {}",
                    if value.is_empty() {
                        "nothing done"
                    } else {
                        &value
                    }
                );
                self.note(
                    signature.ident.span(),
                    &what,
                    vec![(opening, Piece::Middle, text, 0)],
                );
            }
        }
        visit::visit_block(self, block);
        self.functions.pop();
    }
}

/// Plants mutants in `places` (files or folders below `root`) of a copy at `tree`, and lists them
/// in `tree/mutants.json`. A place that ends in `=` gets its comparisons moved by the equal case
/// instead of turned round.
pub fn plant(root: &Path, tree: &Path, places: &[&str]) -> Outcome<()> {
    let mut files: Vec<(PathBuf, bool)> = Vec::new();
    for place in places {
        let boundaries = place.ends_with('=');
        let place = place.trim_end_matches('=');
        let mut stack = vec![root.join(place)];
        while let Some(at) = stack.pop() {
            if at.is_dir() {
                for entry in fs::read_dir(&at)? {
                    stack.push(entry?.path());
                }
            } else if at.extension().is_some_and(|e| e == "rs") && !at.ends_with("tests.rs") {
                let name = at.strip_prefix(root)?.to_path_buf();
                match files.iter_mut().find(|(f, _)| *f == name) {
                    Some(known) => known.1 |= boundaries,
                    None => files.push((name, boundaries)),
                }
            }
        }
    }
    files.sort();
    let mut mutants = Vec::new();
    for (name, boundaries) in &files {
        let text = fs::read_to_string(root.join(name))?;
        let mut finder = Finder {
            file: name,
            functions: Vec::new(),
            boundaries: *boundaries,
            found: Vec::new(),
        };
        finder.visit_file(&syn::parse_file(&text)?);
        mutants.extend(finder.found);
    }
    copy(root, tree)?;
    let lib = tree.join("src/lib.rs");
    fs::write(
        &lib,
        format!(
            "{}\n#[doc(hidden)]\npub mod mutant;\n",
            fs::read_to_string(root.join("src/lib.rs"))?
        ),
    )?;
    fs::write(tree.join("src/mutant.rs"), BOARD)?;
    let manifest = fs::read_to_string(root.join("Cargo.toml"))?;
    let manifest: String = manifest
        .lines()
        .filter(|l| !l.contains("= \"deny\"") && !l.contains("= \"forbid\""))
        .map(|l| format!("{l}\n"))
        .collect();
    fs::write(tree.join("Cargo.toml"), manifest)?;
    let mut out: BTreeSet<usize> = BTreeSet::new();
    loop {
        write(root, tree, &files, &mutants, &out)?;
        let bad = wrong(tree, &files)?;
        if bad.is_empty() {
            break;
        }
        let before = out.len();
        for (file, from, to) in &bad {
            for (id, m) in mutants.iter().enumerate() {
                if m.file == *file && m.lines.0 <= *to && m.lines.1 >= *from {
                    out.insert(id);
                }
            }
        }
        eprintln!("{} errors, {} mutants taken out", bad.len(), out.len());
        if out.len() == before {
            return Err(format!("does not compile: {bad:?}").into());
        }
    }
    let listed: Vec<Value> = mutants
        .iter()
        .enumerate()
        .filter(|(id, _)| !out.contains(id))
        .map(|(id, m)| {
            json!({"id": id, "file": m.file, "line": m.lines.0, "function": m.function, "what": m.what})
        })
        .collect();
    eprintln!("{} mutants planted", listed.len());
    fs::write(
        tree.join("mutants.json"),
        serde_json::to_string_pretty(&listed)?,
    )?;
    Ok(())
}

/// Copies what git knows of, so that the tests find their fixtures.
fn copy(root: &Path, tree: &Path) -> Outcome<()> {
    let listed = Command::new("git")
        .arg("-C")
        .arg(root)
        .args(["ls-files", "-z"])
        .output()?;
    for name in String::from_utf8(listed.stdout)?
        .split('\0')
        .filter(|n| !n.is_empty())
    {
        let to = tree.join(name);
        if let Some(folder) = to.parent() {
            fs::create_dir_all(folder)?;
        }
        if root.join(name).is_file() {
            fs::copy(root.join(name), to)?;
        }
    }
    Ok(())
}

fn write(
    root: &Path,
    tree: &Path,
    files: &[(PathBuf, bool)],
    mutants: &[Mutant],
    out: &BTreeSet<usize>,
) -> Outcome<()> {
    for (name, _) in files {
        let text = fs::read_to_string(root.join(name))?;
        let starts: Vec<usize> = std::iter::once(0)
            .chain(text.match_indices('\n').map(|(at, _)| at + 1))
            .collect();
        let offset = |place: LineColumn| {
            let line = &text[starts[place.line - 1]..];
            starts[place.line - 1]
                + line
                    .char_indices()
                    .nth(place.column)
                    .map_or(line.len(), |(at, _)| at)
        };
        let mut pieces = Vec::new();
        for (id, m) in mutants.iter().enumerate() {
            if m.file == *name && !out.contains(&id) {
                for (place, rank, piece, length) in &m.pieces {
                    pieces.push((
                        offset(*place),
                        *rank,
                        id,
                        piece.replace('@', &id.to_string()),
                        *length,
                    ));
                }
            }
        }
        pieces.sort();
        let mut written = String::with_capacity(text.len() * 2);
        let mut at = 0;
        for (place, _, _, piece, length) in pieces {
            written.push_str(&text[at..place]);
            written.push_str(&piece);
            at = place + length;
        }
        written.push_str(&text[at..]);
        fs::write(tree.join(name), written)?;
    }
    Ok(())
}

/// The lines of planted files that the compiler refuses.
fn wrong(tree: &Path, files: &[(PathBuf, bool)]) -> Outcome<Vec<(PathBuf, usize, usize)>> {
    let said = Command::new("cargo")
        .current_dir(tree)
        .args(["check", "--locked", "--lib", "--message-format=json"])
        .output()?;
    let known: HashSet<&Path> = files.iter().map(|(f, _)| f.as_path()).collect();
    let mut bad = Vec::new();
    for line in String::from_utf8_lossy(&said.stdout).lines() {
        let Ok(value) = serde_json::from_str::<Value>(line) else {
            continue;
        };
        let message = &value["message"];
        if message["level"] != "error" {
            continue;
        }
        for span in message["spans"].as_array().into_iter().flatten() {
            let file = PathBuf::from(span["file_name"].as_str().unwrap_or_default());
            if known.contains(file.as_path()) {
                let line = |name: &str| span[name].as_u64().unwrap_or(0) as usize;
                bad.push((file, line("line_start"), line("line_end")));
            }
        }
    }
    if bad.is_empty() && !said.status.success() {
        return Err(String::from_utf8_lossy(&said.stderr).into_owned().into());
    }
    Ok(bad)
}
