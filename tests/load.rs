//! A day of soundings on one store, through the page and the commands at once. The usual run is
//! short; `FOURTAP_LOAD_WHEELS=1000 cargo test --release --test main load -- --nocapture` is the day
//! that docs/limits.md tells of.
#![cfg(all(feature = "page", target_os = "linux"))]
// What was measured is told.
#![allow(clippy::print_stdout)]

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use crate::page::{Served, fixture, fourtap};

/// Memory of a process in MB: now, as the system has it.
fn memory_mb(process: u32) -> f64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap();
    let line = status.lines().find(|l| l.starts_with("VmRSS")).unwrap();
    let kb: f64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    kb / 1024.0
}

/// The fastest: what else the machine does only makes times longer.
fn fastest(times: &[f64]) -> f64 {
    times.iter().copied().fold(f64::INFINITY, f64::min)
}

/// How long the views take that a person waits for, in seconds each.
fn views_s(page: &Served, wheel: &str) -> Vec<f64> {
    let views = [
        "/",
        "/wheels",
        "/records",
        &format!("/wheels/{wheel}"),
        "/wheels?q=L-1",
    ];
    let time = |view: &&str| {
        let begin = Instant::now();
        let (status, _) = page.get(view);
        assert_eq!(status, 200, "{view}");
        begin.elapsed().as_secs_f64()
    };
    views.iter().map(time).collect()
}

/// How long a command takes that knows nothing of the store, in seconds: what the machine has left
/// at this moment, beside what else it does.
fn yardstick_s(sound: &Path) -> f64 {
    let begin = Instant::now();
    let read = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(["read", "--heard", "ring,ring,ring,ring"])
        .arg(sound)
        .output()
        .unwrap();
    assert!(!read.stdout.is_empty(), "{read:?}");
    begin.elapsed().as_secs_f64()
}

fn add_by_command(store: &Path, id: &str) {
    let added = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args([
            "wheel",
            "add",
            id,
            "--size",
            "200x20x32",
            "--bond",
            "vitrified",
            "--store",
        ])
        .arg(store)
        .output()
        .unwrap();
    assert!(
        added.status.success(),
        "{}",
        String::from_utf8_lossy(&added.stderr)
    );
}

#[test]
fn a_day_of_soundings_leaves_page_and_memory_as_they_were() {
    let wheels = std::env::var("FOURTAP_LOAD_WHEELS")
        .ok()
        .and_then(|n| n.parse().ok());
    let wheels: usize = wheels.unwrap_or(12);
    let tenth = (wheels / 10).max(4);
    let store = tempfile::tempdir().unwrap();
    let page = Served::begins(store.path(), None);
    let file = fixture("fixtures/taps/hl1-monday.wav");
    let sound = std::fs::read(&file).unwrap();
    let (mut first, mut last, mut memory) = (Vec::new(), Vec::new(), Vec::new());
    let (mut answers, mut yardsticks) = ((Vec::new(), Vec::new()), (Vec::new(), Vec::new()));
    for k in 0..wheels {
        let id = format!("L-{k}");
        // By turns the wheel comes from a command and from the page.
        if k % 2 == 0 {
            add_by_command(store.path(), &id);
        } else {
            page.add_wheel(&id);
        }
        let begin = Instant::now();
        let path = format!("/recordings?name=taps.wav&wheel={id}&heard=ring,ring,ring,ring");
        let (status, answer) = page.post_bytes(&path, &sound);
        assert_eq!(status, 200, "{answer}");
        let took = begin.elapsed().as_secs_f64();
        let views = views_s(&page, &id);
        if k < tenth {
            answers.0.push(took);
            yardsticks.0.push(yardstick_s(&file));
            first.extend(views);
        } else if k >= wheels - tenth {
            answers.1.push(took);
            yardsticks.1.push(yardstick_s(&file));
            last.extend(views);
        }
        if k % tenth == tenth - 1 {
            memory.push(memory_mb(page.process()));
        }
    }
    let (first, last) = (fastest(&first), fastest(&last));
    let (read_first, read_last) = (fastest(&answers.0), fastest(&answers.1));
    // Never below 1: a machine that has become faster excuses nothing.
    let slower = (fastest(&yardsticks.1) / fastest(&yardsticks.0)).max(1.0);
    println!(
        "{wheels} wheels: a view {:.1} ms at first, {:.1} ms at last; a recording {read_first:.2} s, {read_last:.2} s; the machine {slower:.2} times slower at last; memory {memory:.0?} MB",
        1e3 * first,
        1e3 * last
    );
    // Twice as long, or 20 ms more on a machine that does other things, would be a leak of time.
    assert!(
        last < slower * (2.0 * first + 0.02),
        "views: {first} s, then {last} s on a machine {slower} times slower"
    );
    assert!(
        read_last < slower * (1.5 * read_first + 0.2),
        "readings: {read_first} s, then {read_last} s on a machine {slower} times slower"
    );
    // What is measured first includes what is only loaded once.
    let (early, late) = (memory[memory.len() / 3], memory[memory.len() - 1]);
    assert!(late < 1.25 * early + 16.0, "memory: {memory:?} MB");
    let listed = fourtap(store.path(), &["records", "list"]);
    assert_eq!(listed.lines().count(), wheels);
    assert!(
        fourtap(store.path(), &["records", "verify"])
            .contains("all recordings are as they were kept")
    );
}
