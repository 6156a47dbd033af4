//! Kept means durable: the built program killed at random moments, two at once, full disks,
//! folders that cannot be written, stores of other versions.
//!
//! `FOURTAP_KILLS` sets how often the program is killed; docs/limits.md tells of a long run.
#![allow(clippy::print_stdout)] // tells what was skipped and why

use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use fourtap::record::sounding::SoundingRecord;
use fourtap::store::Store;
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

fn program(store: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fourtap"));
    command.args(args).arg("--store").arg(store);
    command
}

fn run(store: &Path, args: &[&str]) -> Output {
    program(store, args).stdin(Stdio::null()).output().unwrap()
}

fn ok(store: &Path, args: &[&str]) -> String {
    let output = run(store, args);
    let err = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{args:?}: {err}");
    String::from_utf8(output.stdout).unwrap()
}

/// An error of the store: exit code 5, these words on standard error, no panic.
fn refused(output: &Output, words: &str) {
    let err = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(5), "{err}");
    assert!(err.contains(words) && !err.contains("panicked"), "{err}");
}

fn add(store: &Path, id: &str) {
    ok(
        store,
        &[
            "wheel",
            "add",
            id,
            "--size",
            "200x20x32",
            "--bond",
            "vitrified",
        ],
    );
}

fn taps(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/taps")
        .join(name)
}

/// Starts it, kills it after `wait` (none: lets it end), and gives what it had said by then.
fn killed(mut command: Command, input: &str, wait: Option<Duration>) -> (bool, String) {
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A program that is gone before it reads is no fault here.
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    if let Some(wait) = wait {
        std::thread::sleep(wait);
        let _ = child.kill();
    }
    let mut said = String::new();
    child
        .stdout
        .take()
        .unwrap()
        .read_to_string(&mut said)
        .unwrap();
    child
        .stderr
        .take()
        .unwrap()
        .read_to_string(&mut said)
        .unwrap();
    (child.wait().unwrap().success(), said)
}

#[test]
fn killed_at_any_moment_nothing_that_was_said_to_be_kept_is_lost() {
    let rounds: usize = std::env::var("FOURTAP_KILLS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(24);
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    add(store, "W-1");
    let mut chance = ChaCha8Rng::seed_from_u64(20_261_126);
    let mut said_kept = Vec::new();
    let mut soundings = 0;
    let (mut cut, mut whole) = (0, 0);
    // How long it takes when it is left alone.
    let start = Instant::now();
    ok(store, &["wheel", "dropped", "W-1", "--note", "first"]);
    let usual = start.elapsed();
    let recording = taps("hl3-dead.wav");
    for round in 0..rounds {
        let note = format!("round {round};");
        // Every twelfth round a whole sounding, killed somewhere in its last part.
        if round % 12 == 7 {
            let recording = recording.to_str().unwrap();
            let args = ["sound", "--wheel", "W-1", "--plain", "--from", recording];
            let wait = Duration::from_millis(chance.random_range(500..9000));
            let (_, said) = killed(program(store, &args), "t\nt\nt\nt\n", Some(wait));
            soundings += usize::from(said.contains("kept as sounding"));
        } else {
            let wait = usual.mul_f64(chance.random_range(0.0..1.3));
            let args = ["wheel", "dropped", "W-1", "--note", &note];
            let (_, said) = killed(program(store, &args), "", Some(wait));
            if said.contains(&note) {
                said_kept.push(note);
                whole += 1;
            } else {
                cut += 1;
            }
        }
        let opened = Store::open(store).unwrap();
        let found = opened.verify().unwrap();
        assert_eq!(found.wrong, None, "round {round}");
        let events = opened.wheel_events("W-1").unwrap();
        for note in &said_kept {
            let there = events.iter().any(|e| e.note.as_deref() == Some(note));
            assert!(
                there,
                "{note} was said to be kept and is gone in round {round}"
            );
        }
        // An event and its record stand both there or not at all.
        let changes = events.iter().filter(|e| e.record.is_some()).count();
        let kept = opened.all_kept::<SoundingRecord>(None).unwrap().len();
        assert_eq!(found.records as usize, changes + kept, "round {round}");
        assert!(kept >= soundings, "round {round}");
    }
    println!("killed {rounds} times: {whole} had said that it was kept, {cut} had not");
    ok(store, &["records", "verify"]);
    // And it goes on.
    ok(store, &["wheel", "set-aside", "W-1", "--note", "last"]);
}

#[test]
fn an_import_that_is_killed_came_in_wholly_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("source");
    add(&source, "W-1");
    for k in 0..20 {
        let mut store = Store::open(&source).unwrap();
        let state = fourtap::record::wheel::WheelState::Dropped;
        store
            .set_wheel_state("W-1", state, "2026-01-02T03:04:05Z", Some(&k.to_string()))
            .unwrap();
    }
    let file = folder.path().join("export.jsonl");
    std::fs::write(&file, ok(&source, &["records", "export"])).unwrap();
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    for round in 0..8 {
        let into = folder.path().join(format!("into {round}"));
        let args = ["records", "import", file.to_str().unwrap()];
        let wait = Duration::from_micros(chance.random_range(2_000..60_000));
        let (_, said) = killed(program(&into, &args), "", Some(wait));
        if !into.join("fourtap.db").exists() {
            assert!(!said.contains("brought in"));
            continue;
        }
        let store = Store::open(&into).unwrap();
        let found = store.verify().unwrap();
        assert_eq!(found.wrong, None);
        assert!(
            found.records == 0 || found.records == 21,
            "{}",
            found.records
        );
        assert!(!said.contains("brought in") || found.records == 21);
        assert_eq!(
            store.wheels().unwrap().len(),
            usize::from(found.records > 0)
        );
    }
}

#[test]
fn two_at_once_keep_all_of_both() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    add(store, "W-1");
    std::thread::scope(|scope| {
        for who in ["Ada", "Bo"] {
            scope.spawn(move || {
                for k in 0..12 {
                    let note = format!("{who} {k}");
                    let args = ["wheel", "dropped", "W-1", "--note", &note, "--by", who];
                    // Where the other was quicker, it is said, and nothing was kept: once more.
                    let again = |output: &Output| {
                        let err = String::from_utf8_lossy(&output.stderr);
                        output.status.code() == Some(5) && err.contains("try again")
                    };
                    let mut output = run(store, &args);
                    for _ in 0..50 {
                        if !again(&output) {
                            break;
                        }
                        output = run(store, &args);
                    }
                    assert_eq!(output.status.code(), Some(0), "{output:?}");
                }
            });
        }
    });
    let opened = Store::open(store).unwrap();
    let events = opened.wheel_events("W-1").unwrap();
    assert_eq!(events.iter().filter(|e| e.record.is_some()).count(), 24);
    assert_eq!(opened.verify().unwrap().records, 24);
    ok(store, &["records", "verify"]);
}

/// Runs it with files of at most so many blocks of 512 bytes; the signal of the limit is ignored,
/// so that writing fails as on a full disk.
fn limited(store: &Path, blocks: u64, args: &[&str]) -> Output {
    let words = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$@\"");
    Command::new("sh")
        .args(["-c", &words, "sh", env!("CARGO_BIN_EXE_fourtap")])
        .args(args)
        .arg("--store")
        .arg(store)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

#[test]
fn a_file_that_cannot_grow_loses_nothing_that_was_there() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    add(store, "W-1");
    let before = ok(store, &["wheel", "show", "W-1", "--json"]);
    // As long as one argument may be.
    let note = "n".repeat(120_000);
    for blocks in [0, 8, 64, 200] {
        let output = limited(store, blocks, &["wheel", "dropped", "W-1", "--note", &note]);
        let err = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(5), "{blocks}: {err}");
        assert!(
            err.contains("full") || err.contains("cannot be written"),
            "{err}"
        );
        assert_eq!(ok(store, &["wheel", "show", "W-1", "--json"]), before);
    }
    ok(store, &["records", "verify"]);
    ok(store, &["wheel", "dropped", "W-1", "--note", "with room"]);
}

/// A file system of its own in memory, for as long as it lives; none where that is not allowed.
struct Mount(PathBuf);

impl Mount {
    fn new(folder: &Path, options: &str) -> Option<Self> {
        std::fs::create_dir_all(folder).unwrap();
        let done = Command::new("mount")
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(folder)
            .output();
        if done.is_ok_and(|o| o.status.success()) {
            return Some(Self(folder.to_owned()));
        }
        println!("skipped: no file system can be mounted here");
        None
    }

    fn make_read_only(&self) {
        let done = Command::new("mount")
            .args(["-o", "remount,ro"])
            .arg(&self.0)
            .status()
            .unwrap();
        assert!(done.success());
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_is_named_and_nothing_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let Some(mount) = Mount::new(&folder.path().join("disk"), "size=2m") else {
        return;
    };
    let store = &mount.0.join("store");
    add(store, "W-1");
    ok(store, &["wheel", "dropped", "W-1", "--note", "before"]);
    let before = ok(store, &["records", "list", "--json"]);
    let mut filler = std::fs::File::create(mount.0.join("filler")).unwrap();
    while filler.write_all(&[7; 4096]).is_ok() {}
    drop(filler);
    let note = "n".repeat(100_000);
    refused(
        &run(store, &["wheel", "dropped", "W-1", "--note", &note]),
        "full",
    );
    // A sounding says that it was not kept, and where its sound lies.
    let recording = taps("hl3-dead.wav");
    let args = [
        "sound",
        "--wheel",
        "W-1",
        "--plain",
        "--from",
        recording.to_str().unwrap(),
    ];
    let (is_well, said) = killed(program(store, &args), "t\nt\nt\nt\n", None);
    assert!(!is_well && !said.contains("panicked"), "{said}");
    assert!(!said.contains("kept as sounding"), "{said}");
    std::fs::remove_file(mount.0.join("filler")).unwrap();
    assert_eq!(ok(store, &["records", "list", "--json"]), before);
    ok(store, &["records", "verify"]);
    ok(store, &["wheel", "dropped", "W-1", "--note", "with room"]);
}

#[test]
fn a_folder_that_may_not_be_written_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let Some(mount) = Mount::new(&folder.path().join("disk"), "size=4m") else {
        return;
    };
    let store = &mount.0.join("store");
    add(store, "W-1");
    mount.make_read_only();
    refused(
        &run(store, &["wheel", "dropped", "W-1"]),
        "cannot be written",
    );
    // It may still be looked at, or it is said why not.
    let list = run(store, &["wheel", "list"]);
    if list.status.code() != Some(0) {
        refused(&list, "cannot be written");
    }
    let output = run(
        &mount.0.join("new"),
        &[
            "wheel",
            "add",
            "W-2",
            "--size",
            "200x20x32",
            "--bond",
            "metal",
        ],
    );
    refused(&output, "--store");
}

#[test]
fn a_store_of_a_newer_program_is_left_alone_by_every_command() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    add(store, "W-1");
    let db = rusqlite::Connection::open(store.join("fourtap.db")).unwrap();
    db.pragma_update(None, "user_version", 99).unwrap();
    db.pragma_update(None, "wal_checkpoint", "TRUNCATE")
        .unwrap();
    drop(db);
    let bytes = std::fs::read(store.join("fourtap.db")).unwrap();
    let recording = taps("hl3-dead.wav");
    let recording = recording.to_str().unwrap();
    let commands: [&[&str]; 7] = [
        &["wheel", "list"],
        &["wheel", "dropped", "W-1"],
        &["records", "verify"],
        &["records", "export"],
        &["fit", "--wheel", "W-1", "--grinder", "G-1"],
        &["read", "--wheel", "W-1", recording],
        &["sound", "--wheel", "W-1", "--plain", "--from", recording],
    ];
    for args in commands {
        refused(&run(store, args), "use the newer fourtap that made it");
    }
    assert_eq!(std::fs::read(store.join("fourtap.db")).unwrap(), bytes);
}
