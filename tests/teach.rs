//! The trainer's page and the ear test, from outside.

#![allow(clippy::print_stdout)] // tells when no browser is there

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use fourtap::tasks::read_soundings::{ReadSettings, read_sounding};
use fourtap::tasks::specimens::Subject;
use fourtap::tasks::teach_demo::{TeachDemo, make_page};

fn fourtap(args: &[&str], typed: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(args)
        .env_remove("FOURTAP_STORE")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A program that ends early does not read it all.
    let _ = child.stdin.take().unwrap().write_all(typed.as_bytes());
    child.wait_with_output().unwrap()
}

fn made(folder: &Path) -> TeachDemo {
    make_page(folder, None, |_| ()).unwrap()
}

/// What stands between every `open` and the next `close`.
fn all_between<'a>(text: &'a str, open: &str, close: &str) -> Vec<&'a str> {
    let parts = text.split(open).skip(1);
    parts.map(|p| p.split(close).next().unwrap()).collect()
}

/// The sounds are what they claim: fourtap reads from the files the tones that they were made
/// from. Every strong mode of what rings (within 30 dB of the strongest, and not one of a pair
/// closer than twice the claimed resolution) is found within four claimed standard deviations
/// and 0.1 % of its frequency.
#[test]
fn fourtap_reads_the_modes_that_the_sounds_were_made_from() {
    let folder = tempfile::tempdir().unwrap();
    let mut checked = 0;
    for exhibit in made(folder.path()).made {
        if !matches!(exhibit.subject, Subject::Growing | Subject::Tap) {
            continue;
        }
        let input = fourtap::audio::Input::Path(exhibit.file.clone());
        let read = read_sounding(&[input], &ReadSettings::default()).unwrap();
        let strongest = |modes: &[fourtap::ring::synth::TrueMode]| {
            modes.iter().fold(0.0_f64, |m, t| m.max(t.amplitudes[0]))
        };
        let most = strongest(&exhibit.truth);
        for mode in &exhibit.truth {
            // What lives shorter than 50 ms is gone before much is heard of it.
            let rings = 6.907_755 / mode.decay_per_s > 0.05;
            let alone = exhibit.truth.iter().all(|other| {
                std::ptr::eq(other, mode)
                    || other.amplitudes[0] < 0.03 * mode.amplitudes[0]
                    || (other.freq_hz - mode.freq_hz).abs() > 20.0
            });
            if !rings || !alone || mode.amplitudes[0] < 0.1 * most || read.record.modes.is_empty() {
                continue;
            }
            let off = read
                .record
                .modes
                .iter()
                .map(|m| (m.freq_hz / mode.freq_hz - 1.0).abs())
                .fold(f64::INFINITY, f64::min);
            assert!(
                off < 2e-3,
                "{}: {} Hz, off by {off}",
                exhibit.name,
                mode.freq_hz
            );
            checked += 1;
        }
    }
    assert!(checked >= 15, "only {checked} modes were checked");
}

/// From 0.25 s after the strike on the stripes of the ring are there and the thud has gone.
#[test]
fn a_ring_and_a_thud_are_told_apart_in_the_spectrum_over_time() {
    let folder = tempfile::tempdir().unwrap();
    made(folder.path());
    let late = |key: &str| {
        let mut reader = hound::WavReader::open(folder.path().join(format!("{key}.wav"))).unwrap();
        let samples: Vec<f64> = reader
            .samples::<i16>()
            .map(|s| f64::from(s.unwrap()))
            .collect();
        let energy = |from: usize, to: usize| samples[from..to].iter().map(|s| s * s).sum::<f64>();
        energy(19_200, 28_800) / energy(7_200, 16_800)
    };
    assert!(
        late("sound") > 100.0 * late("cracked"),
        "{} {}",
        late("sound"),
        late("cracked")
    );
}

#[test]
fn the_page_stands_alone_and_speaks_to_everyone() {
    let folder = tempfile::tempdir().unwrap();
    let demo = made(folder.path());
    let page = std::fs::read_to_string(&demo.page).unwrap();
    assert_eq!(page.matches("<audio ").count(), demo.made.len());
    assert_eq!(page.matches(">Made-up sound</p>").count(), demo.made.len());
    assert!(page.contains("Invented:") && !page.contains("autoplay") && !page.contains(".play()"));
    for source in all_between(&page, "src=\"", "\"") {
        assert!(
            source.starts_with("data:"),
            "{}",
            &source[..40.min(source.len())]
        );
    }
    for link in all_between(&page, "href=\"", "\"") {
        assert!(link.starts_with('#') || link.starts_with("data:"), "{link}");
    }
    for alt in all_between(&page, " alt=\"", "\"") {
        assert!(alt.len() > 10, "{alt}");
    }
    for name in all_between(&page, "aria-label=\"", "\"") {
        assert!(!name.is_empty());
    }
    assert_eq!(
        all_between(&page, "<img ", ">").len(),
        all_between(&page, " alt=\"", "\"").len()
    );
    assert!(page.contains("prefers-reduced-motion"));
    let quarter = page.split("Plan quarter:").nth(1).unwrap();
    let verdict = quarter.split("class=\"read\">").nth(1).unwrap();
    assert!(verdict.starts_with("No tap strikes the lowered tone"));
}

/// In a real browser the script runs: the dial is there and shows one of the series.
#[test]
fn the_page_works_in_a_browser() {
    let browser = ["chromium", "chromium-browser", "google-chrome"]
        .into_iter()
        .find(|name| {
            let found = Command::new(name).arg("--version").output();
            found.is_ok_and(|o| o.status.success())
        });
    let Some(browser) = browser else {
        println!("skipped, 1 test: no browser here");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let demo = made(folder.path());
    let profile = tempfile::tempdir().unwrap();
    let out = Command::new(browser)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
        ])
        .args([
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
        ])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(["--virtual-time-budget=3000", "--dump-dom"])
        .arg(format!("file://{}", demo.page.display()))
        .output()
        .unwrap();
    let dom = String::from_utf8_lossy(&out.stdout);
    assert!(dom.contains("id=\"dial-growing-cards\""), "the dial");
    assert!(dom.contains("aria-valuetext=\"No crack\""));
    assert_eq!(
        dom.matches("<article class=\"card\" hidden").count(),
        7,
        "one of eight is shown"
    );
    assert_eq!(dom.matches("data-plan=").count(), 3);
    assert!(!dom.contains("data-plan=\"rule\" hidden"));
}

/// Six sounds are answered, the rest is broken off; both rounds are kept and come out again.
#[test]
fn an_ear_test_is_blind_kept_and_counted() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (store, sounds) = (path("store"), path("sounds"));
    let ear = |typed: &str, seed: &str| {
        fourtap(
            &[
                "--store",
                &store,
                "teach",
                "ear",
                "--trainee",
                "Ann",
                "--trials",
                "6",
                "--seed",
                seed,
                "--sounds",
                &sounds,
                "--json",
            ],
            typed,
        )
    };
    // An answer before the sound was played counts for nothing.
    let first = ear(&"r\np\np\nt\n".repeat(6), "4");
    assert_eq!(
        first.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&first.stderr)
    );
    let record: serde_json::Value = serde_json::from_slice(&first.stdout).unwrap();
    assert_eq!(record["complete"], true);
    let trials = record["trials"].as_array().unwrap();
    assert_eq!(trials.len(), 6);
    assert!(
        trials
            .iter()
            .all(|t| t["said"] == "thud" && t["plays"] == 2)
    );
    assert_eq!(trials.iter().filter(|t| t["damaged"] == true).count(), 3);
    // Nothing on the way says what a sound is.
    let talk = String::from_utf8_lossy(&first.stderr).into_owned();
    let before_the_end = talk.split("sound 1 of 6").nth(1).unwrap();
    assert!(!before_the_end.contains("damaged") && !before_the_end.contains("crack"));
    let wav = std::fs::read(Path::new(&sounds).join("ear-test.wav")).unwrap();
    assert!(wav.windows(13).any(|w| w == b"Made-up sound"));

    let second = ear("p\nu\nq\n", "5");
    let record: serde_json::Value = serde_json::from_slice(&second.stdout).unwrap();
    assert_eq!(
        (record["round"].as_u64(), record["complete"].as_bool()),
        (Some(2), Some(false))
    );
    assert_eq!(record["trials"].as_array().unwrap().len(), 1);
    let results = fourtap(&["--store", &store, "teach", "results", "ann"], "");
    let text = String::from_utf8_lossy(&results.stdout).into_owned();
    assert!(
        text.contains("hits): 3 of") && text.contains("false alarms): 3 of"),
        "{text}"
    );
    assert!(
        text.contains("only the tool") && text.contains("Made-up sound"),
        "{text}"
    );
    let nobody = fourtap(&["--store", &store, "teach", "results", "Bo"], "");
    assert_eq!(nobody.status.code(), Some(5));
    let none = ear("q\n", "6");
    assert_eq!(
        (none.status.code(), none.stdout.len()),
        (Some(0), 0),
        "nothing answered, nothing kept"
    );
}
