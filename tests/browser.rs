//! The bench page in a real browser: Chromium, driven by a script in `tests/browser`. Skipped, with
//! the reason, where Node, Chromium or the parts that `.ci/get-browser-parts` fetches are not there.
#![cfg(feature = "page")]
// What is skipped is told.
#![allow(clippy::print_stdout)]

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use fourtap::audio::{Input, Recording, Source as _};

use crate::virtual_mic::VirtualMic;

/// Where Playwright and axe are.
fn parts() -> Option<PathBuf> {
    let named = std::env::var_os("FOURTAP_BROWSER_PARTS").map(PathBuf::from);
    let usual = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/browser-parts");
    let folder = named.unwrap_or(usual);
    folder
        .join("node_modules/playwright-core")
        .is_dir()
        .then_some(folder)
}

fn program(names: &[&str]) -> Option<String> {
    let runs = |name: &&&str| {
        let out = Command::new(name)
            .arg("--version")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status();
        out.is_ok_and(|s| s.success())
    };
    names.iter().find(runs).map(|n| (*n).to_owned())
}

fn taps() -> Vec<f64> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/taps/hl1-monday.wav");
    let mut player = Recording::open(&Input::Path(path))
        .unwrap()
        .play(0)
        .unwrap();
    let mut all = Vec::new();
    while let Some(chunk) = player.next_chunk().unwrap() {
        all.extend(chunk.samples);
    }
    all
}

/// Runs the script; gives the folder with the pictures, or the reason why it cannot be run.
fn run(how: &str) -> Result<PathBuf, String> {
    let parts = parts().ok_or("no parts for the browser: run .ci/get-browser-parts")?;
    let node = program(&["node", "nodejs"]).ok_or("no Node")?;
    let chromium =
        program(&["chromium", "chromium-browser", "google-chrome"]).ok_or("no Chromium")?;
    let mic = VirtualMic::on_a_pipe(taps(), false)?;
    let store = tempfile::tempdir().unwrap();
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("browser");
    std::fs::create_dir_all(&folder).unwrap();
    let mut page = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(["page", "--port", "0", "--store"])
        .arg(store.path())
        .envs(mic.environment())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut address = String::new();
    let mut out = BufReader::new(page.stdout.take().unwrap());
    out.read_line(&mut address).unwrap();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let which = Command::new("sh")
        .args(["-c", &format!("command -v {chromium}")])
        .output()
        .unwrap();
    let mut script = Command::new(node)
        .arg(root.join("tests/browser/sounding.mjs"))
        .arg(address.trim())
        .arg(&folder)
        .arg(how)
        .arg(root.join("fixtures/taps/hl1-tuesday.wav"))
        .env("FOURTAP_BROWSER_PARTS", &parts)
        .env("CHROMIUM", String::from_utf8_lossy(&which.stdout).trim())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let lines = BufReader::new(script.stdout.take().unwrap()).lines();
    let (mut told, mut is_done) = (Vec::new(), false);
    for line in lines.map_while(Result::ok) {
        match line.as_str() {
            "PLAY" => mic.play(),
            "DONE" => is_done = true,
            _ => told.push(line),
        }
    }
    let status = script.wait().unwrap();
    let _ = page.kill();
    let _ = page.wait();
    assert!(
        status.success() && is_done && told.is_empty(),
        "{}",
        told.join("\n")
    );
    Ok(folder)
}

#[test]
fn a_wheel_is_sounded_by_mouse_and_all_views_are_sound() {
    match run("mouse") {
        Ok(folder) => {
            let pdf = std::fs::read(folder.join("mouse-sheet.pdf")).unwrap();
            assert!(pdf.starts_with(b"%PDF"));
            let pages = String::from_utf8_lossy(&pdf)
                .matches("/Type /Page\n")
                .count();
            assert!(pages <= 1, "the sheet prints on {pages} pages");
        }
        Err(why) => println!("skipped: {why}"),
    }
}

#[test]
fn a_wheel_is_sounded_by_keyboard_alone() {
    if let Err(why) = run("keyboard") {
        println!("skipped: {why}");
    }
}
