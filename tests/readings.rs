//! Readings of the made-up recordings in `fixtures/taps`, through the built program.

use std::process::Command;

fn read(file: &str) -> (Option<i32>, serde_json::Value) {
    let out = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(["read", "--json", "--turn-plan", "quarter"])
        .arg(format!("fixtures/taps/{file}"))
        .output()
        .unwrap();
    (
        out.status.code(),
        serde_json::from_slice(&out.stdout).unwrap(),
    )
}

/// What `fixtures/README.md` says is true of each recording, as far as the physics alone can
/// tell it. An organic bond does not reach the quality factor of a clear ring, so that nothing
/// but `sound it again` is left for HL-2.
#[test]
fn made_up_recordings_read_as_they_were_made() {
    let all = [
        ("hl1-monday.wav", "rings, not compared"),
        ("hl1-tuesday.wav", "rings, not compared"),
        ("hl1-friday.wav", "rings, not compared"),
        ("hl1-fine-crack.wav", "rings, not compared"),
        ("hl1-shop-noise.wav", "rings, not compared"),
        ("hl1-clipped.wav", "rings, not compared"),
        ("hl1-bounced.wav", "rings, not compared"),
        ("hl1-deep-crack.wav", "sounds dead"),
        ("hl2-resinoid.wav", "sound it again"),
        ("hl3-dead.wav", "sounds dead"),
        ("hl4-quarter-turns", "rings, not compared"),
    ];
    for (file, outcome) in all {
        let (code, sounding) = read(file);
        assert_eq!(sounding["format"], "fourtap.sounding");
        assert_eq!(sounding["outcome"], outcome, "{file}");
        assert_eq!(sounding["footing"], "physics only");
        let expected = match outcome {
            "sounds dead" => 10,
            "sound it again" => 11,
            _ => 12,
        };
        assert_eq!(code, Some(expected), "{file}");
        let taps = sounding["taps"].as_array().unwrap();
        assert_eq!(taps.len(), 4, "{file}");
        let dead = outcome == "sounds dead";
        for tap in taps {
            let never = if dead { "clear ring" } else { "dull thud" };
            assert_ne!(tap["reading"], never, "{file}");
        }
    }
}

#[test]
fn a_second_contact_and_clipping_are_named() {
    for (file, kind) in [
        ("hl1-bounced.wav", "bounce"),
        ("hl1-clipped.wav", "clipped"),
    ] {
        let (_, sounding) = read(file);
        for tap in sounding["taps"].as_array().unwrap() {
            let flaws = tap["flaws"].as_array().unwrap();
            assert!(flaws.iter().any(|f| f["kind"] == kind), "{file}: {flaws:?}");
        }
    }
}

/// The operator's way: a wheel, a baseline of two days, a third sound day, and two cracks.
#[test]
fn against_its_own_days_a_sound_day_is_clear_and_cracks_are_not() {
    let store = tempfile::TempDir::new().unwrap();
    let run = |arguments: &[&str]| {
        let out = Command::new(env!("CARGO_BIN_EXE_fourtap"))
            .arg("--store")
            .arg(store.path())
            .args(arguments)
            .output()
            .unwrap();
        (
            out.status.code(),
            String::from_utf8_lossy(&out.stdout).into_owned(),
        )
    };
    let wheel = [
        "wheel",
        "add",
        "HL-1",
        "--size",
        "200x20x32",
        "--bond",
        "vitrified",
    ];
    assert_eq!(run(&wheel).0, Some(0));
    let (monday, tuesday) = (
        "fixtures/taps/hl1-monday.wav",
        "fixtures/taps/hl1-tuesday.wav",
    );
    let built = run(&["baseline", "build", "--wheel", "HL-1", monday, tuesday]);
    assert_eq!(built.0, Some(0));
    for (file, code, outcome) in [
        ("friday", 0, "rings clear"),
        ("fine-crack", 10, "sounds dead"),
        ("deep-crack", 10, "sounds dead"),
    ] {
        let path = format!("fixtures/taps/hl1-{file}.wav");
        let (exit, json) = run(&["read", "--wheel", "HL-1", "--json", &path]);
        let sounding: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(sounding["outcome"], outcome, "{file}");
        assert_eq!(sounding["footing"], "own baseline");
        assert_eq!(sounding["baseline"]["soundings"], 2);
        assert_eq!(exit, Some(code), "{file}");
    }
}

#[test]
fn a_clap_is_no_clear_ring() {
    let (code, sounding) = read("clap-live-room.wav");
    assert_ne!(code, Some(12));
    for tap in sounding["taps"].as_array().unwrap() {
        assert_ne!(tap["reading"], "clear ring");
    }
}

#[test]
fn a_missing_file_is_named_with_a_remedy() {
    let out = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(["read", "no-such-recording.wav"])
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&out.stderr).contains("no-such-recording.wav"));
}
