//! Where a wheel stands: which changes are allowed, and what answers a drop; through the built
//! program.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use fourtap::record::fit::FitRecord;
use fourtap::record::wheel_history::WheelHistory;
use fourtap::record::wheel_state::WheelStateRecord;
use fourtap::store::Store;

fn taps(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/taps")
        .join(name)
}

/// Runs the program; exit code, standard output, standard error.
fn run(store: &Path, args: &[&str], input: &str) -> (i32, String, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(args)
        .arg("--store")
        .arg(store)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    stdin.write_all(input.as_bytes()).unwrap();
    drop(stdin);
    let output = child.wait_with_output().unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

fn shown(store: &Path, id: &str) -> WheelHistory {
    let (code, out, err) = run(store, &["wheel", "show", id, "--json"], "");
    assert_eq!(code, 0, "{err}");
    serde_json::from_str(&out).unwrap()
}

/// A store with W-1 (vitrified) and the grinder G-1.
fn begun(store: &Path) {
    let wheel = [
        "wheel",
        "add",
        "W-1",
        "--size",
        "200x20x32",
        "--bond",
        "vitrified",
    ];
    let wheel = [&wheel[..], &["--max-speed", "3350rpm"]].concat();
    assert_eq!(run(store, &wheel, "").0, 0);
    let grinder = [
        "grinder", "add", "G-1", "--kind", "bench", "--speed", "2950rpm",
    ];
    assert_eq!(run(store, &grinder, "").0, 0);
}

#[test]
fn a_wheel_in_doubt_comes_back_only_step_by_step_with_a_reason_and_a_name() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    begun(store);
    // What is done to W-1, the exit code, and what is said.
    let steps: [(&[&str], i32, &str); 17] = [
        (&["in-store", "W-1"], 2, "in store already"),
        (&["mounted", "W-1", "--grinder", "G-9"], 5, "no grinder"),
        (
            &["mounted", "W-1", "--grinder", "g-1", "--by", "Ada"],
            13,
            "no sounding of it is kept",
        ),
        (&["in-store", "W-1"], 0, ""),
        (&["set-aside", "W-1", "--note", "found in the yard"], 0, ""),
        (
            &["mounted", "W-1", "--grinder", "G-1"],
            2,
            "in-store W-1 --note",
        ),
        (&["in-store", "W-1", "--note", "looked at"], 2, "--by NAME"),
        (
            &["in-store", "W-1", "--note", "looked at", "--by", "Ada"],
            0,
            "",
        ),
        (&["tag-out", "W-1", "--note", "sounds dead"], 0, ""),
        (
            &["in-store", "W-1", "--note", "x", "--by", "Ada"],
            2,
            "set-aside",
        ),
        (&["set-aside", "W-1", "--note", "wrong tag"], 2, "--by NAME"),
        (&["destroyed", "W-1", "--note", "broken up"], 0, ""),
        (&["retire", "W-1"], 2, "nothing is left"),
        (&["mounted", "W-1", "--grinder", "G-1"], 2, "set-aside"),
        (&["dropped", "W-1"], 2, "--by NAME"),
        (
            &[
                "set-aside",
                "W-1",
                "--note",
                "another wheel it was",
                "--by",
                "Ada",
            ],
            0,
            "",
        ),
        (&["in-store", "W-1", "--note", "seen", "--by", "Bo"], 0, ""),
    ];
    for (step, code, words) in steps {
        let (found, _, err) = run(store, &[&["wheel"], step].concat(), "");
        assert_eq!(found, code, "{step:?}: {err}");
        assert!(err.contains(words), "{step:?}: {err}");
        let (_, list, _) = run(store, &["wheel", "list"], "");
        let state = shown(store, "W-1").wheel.state;
        assert!(list.contains(state.words()), "{list}");
        assert_eq!(
            state.words() == "mounted",
            shown(store, "W-1").wheel.grinder.is_some()
        );
    }
    let history = shown(store, "W-1");
    let states: Vec<&str> = history.events.iter().map(|e| e.state.as_str()).collect();
    let expected = [
        "in store",
        "mounted",
        "in store",
        "set aside",
        "in store",
        "tagged out",
        "destroyed",
        "set aside",
        "in store",
    ];
    assert_eq!(states, expected);
    assert_eq!(history.events[1].grinder.as_deref(), Some("G-1"));
    assert_eq!(history.events[8].by.as_deref(), Some("Bo"));
    // All of it stands in the chain.
    let kept = Store::open_existing(store).unwrap();
    let changes = kept.all_kept::<WheelStateRecord>(Some("W-1")).unwrap();
    let to: Vec<&str> = changes.iter().map(|c| c.record.to.words()).collect();
    assert_eq!(to, expected[1..]);
    assert!(!changes[0].record.against.is_empty());
    assert_eq!(changes[7].record.note.as_deref(), Some("seen"));
    assert_eq!(run(store, &["records", "verify"], "").0, 0);
}

/// A sounding of HL-1 from a recording as if live; its exit code.
fn sounded(store: &Path, recording: &Path) -> i32 {
    let recording = recording.to_str().unwrap();
    let live = [
        "sound",
        "--wheel",
        "HL-1",
        "--plain",
        "--turn-plan",
        "quarter",
        "--from",
        recording,
    ];
    run(store, &live, "r\nr\nr\nr\n").0
}

fn fit(store: &Path) -> FitRecord {
    let (_, out, err) = run(
        store,
        &["fit", "--wheel", "HL-1", "--grinder", "G-1", "--json"],
        "",
    );
    serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e}: {err}"))
}

fn dropped_rule(fit: &FitRecord) -> (&str, &str) {
    let rule = fit.rules.iter().find(|r| r.rule == "dropped").unwrap();
    (&rule.result, &rule.because)
}

#[test]
fn only_a_new_sounding_that_rings_clear_answers_a_drop() {
    let folder = tempfile::tempdir().unwrap();
    let store = &folder.path().join("store");
    begun(store);
    let add = [
        "wheel",
        "add",
        "HL-1",
        "--size",
        "200x20x32",
        "--bond",
        "vitrified",
    ];
    assert_eq!(run(store, &add, "").0, 0);
    let build = ["baseline", "build", "--wheel", "HL-1"];
    let days = ["hl1-monday.wav", "hl1-tuesday.wav"].map(taps);
    let days: Vec<&str> = days.iter().map(|p| p.to_str().unwrap()).collect();
    assert_eq!(run(store, &[&build[..], &days].concat(), "").0, 0);
    assert_eq!(sounded(store, &taps("hl1-friday.wav")), 0);
    assert!(fit(store).rules.iter().all(|r| r.rule != "dropped"));

    // From here on the sounding from before counts no more.
    assert_eq!(
        run(
            store,
            &["wheel", "dropped", "HL-1", "--note", "off the bench"],
            ""
        )
        .0,
        0
    );
    let open = fit(store);
    assert_eq!(open.result, "does not fit");
    assert_eq!(dropped_rule(&open).0, "does not fit");
    // Neither does an edit change it, nor putting it aside, nor the same recording once more.
    assert_eq!(
        run(store, &["wheel", "edit", "HL-1", "--lot", "L-7"], "").0,
        0
    );
    let back = ["wheel", "in-store", "HL-1"];
    let (code, _, err) = run(store, &back, "");
    assert!(
        code == 2 && err.contains("fourtap sound --wheel HL-1"),
        "{err}"
    );
    assert_eq!(
        run(
            store,
            &["wheel", "set-aside", "HL-1", "--note", "waits"],
            ""
        )
        .0,
        0
    );
    assert_eq!(sounded(store, &taps("hl1-friday.wav")), 0);
    assert_eq!(dropped_rule(&fit(store)).0, "does not fit");
    assert!(!shown(store, "HL-1").drop.unwrap().is_answered);
    let mount = ["wheel", "mounted", "HL-1", "--grinder", "G-1"];
    assert_eq!(run(store, &mount, "").0, 2);
    assert_eq!(
        run(store, &["wheel", "dropped", "HL-1", "--note", "again"], "").0,
        0
    );
    assert_eq!(run(store, &mount, "").0, 2);

    // Another recording of the good wheel.
    let mut bytes = std::fs::read(taps("hl1-friday.wav")).unwrap();
    let data = bytes.windows(4).position(|w| w == b"data").unwrap();
    bytes[data + 8] ^= 1;
    let new = folder.path().join("new.wav");
    std::fs::write(&new, bytes).unwrap();
    assert_eq!(sounded(store, &new), 0);
    let answered = fit(store);
    let (result, because) = dropped_rule(&answered);
    assert_eq!(result, "fits", "{because}");
    assert!(
        because.starts_with("dropped on 20") && because.ends_with("rings clear"),
        "{because}"
    );
    assert!(because.contains("sounded again on 20"), "{because}");
    let (_, list, _) = run(store, &["after", "--wheel", "HL-1", "--grinder", "G-1"], "");
    assert!(!list.contains("dropped"), "{list}");
    // Nothing of its past speaks against it now, but the grinder's figures are not all known.
    let (code, _, said) = run(store, &mount, "");
    assert!(code == 13 && !said.contains("dropped"), "{said}");

    // Nothing is forgotten.
    let history = shown(store, "HL-1");
    assert!(history.drop.unwrap().is_answered);
    assert_eq!(
        history
            .events
            .iter()
            .filter(|e| e.record.is_some() && e.state == "dropped")
            .count(),
        2
    );
    // A dead sounding after that takes the answer away.
    assert_eq!(sounded(store, &taps("hl1-deep-crack.wav")), 10);
    assert_eq!(dropped_rule(&fit(store)).0, "does not fit");
    assert_eq!(run(store, &["records", "verify"], "").0, 0);
}

#[test]
fn a_wheel_that_sounded_dead_goes_on_no_grinder_whatever_it_rings_later() {
    let folder = tempfile::tempdir().unwrap();
    let store = &folder.path().join("store");
    begun(store);
    let add = [
        "wheel",
        "add",
        "HL-1",
        "--size",
        "200x20x32",
        "--bond",
        "vitrified",
    ];
    assert_eq!(run(store, &add, "").0, 0);
    let build = ["baseline", "build", "--wheel", "HL-1"];
    let days = ["hl1-monday.wav", "hl1-tuesday.wav"].map(taps);
    let days: Vec<&str> = days.iter().map(|p| p.to_str().unwrap()).collect();
    assert_eq!(run(store, &[&build[..], &days].concat(), "").0, 0);
    // An ear hears one thud, and the next sounding rings clear.
    let friday = taps("hl1-friday.wav");
    let sound = ["sound", "--wheel", "HL-1", "--plain", "--from"];
    let sound = [&sound[..], &[friday.to_str().unwrap()]].concat();
    assert_eq!(run(store, &sound, "r\nr\nt\nr\n").0, 10);
    let dead = |fit: &FitRecord| {
        let rule = fit.rules.iter().find(|r| r.rule == "sounding");
        rule.map(|r| (r.result.clone(), r.because.clone()))
    };
    let (result, because) = dead(&fit(store)).unwrap();
    assert!(
        result == "does not fit" && because.contains("sounds dead"),
        "{because}"
    );
    let (code, _, told) = run(store, &sound, "r\nr\nr\nr\n");
    assert!(
        code == 0 && told.contains("no later ring takes that back"),
        "{told}"
    );
    assert_eq!(fit(store).result, "does not fit");
    let (_, list, _) = run(store, &["after", "--wheel", "HL-1"], "");
    assert!(
        list.contains("DO NOT MOUNT") && list.contains("sounds dead"),
        "{list}"
    );
    // Only a named person with a reason, step by step.
    for step in [
        &["wheel", "set-aside", "HL-1", "--note", "a hand lay on it"][..],
        &[
            "wheel",
            "in-store",
            "HL-1",
            "--note",
            "the hand lay on it",
            "--by",
            "Ada",
        ],
    ] {
        assert_eq!(run(store, step, "").0, 0, "{step:?}");
    }
    assert_eq!(dead(&fit(store)), None);
}
