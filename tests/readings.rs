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

#[test]
fn a_sound_wheel_in_shop_noise_rings_and_is_not_compared() {
    let (code, sounding) = read("hl1-shop-noise.wav");
    assert_eq!(code, Some(12));
    assert_eq!(sounding["format"], "fourtap.sounding");
    assert_eq!(sounding["outcome"], "rings, not compared");
    assert_eq!(sounding["taps"].as_array().unwrap().len(), 4);
}

#[test]
fn a_dead_wheel_sounds_dead() {
    let (code, sounding) = read("hl3-dead.wav");
    assert_eq!(code, Some(10));
    assert_eq!(sounding["outcome"], "sounds dead");
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
