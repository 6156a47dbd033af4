//! Records taken out, verified and read again; sheets, tags and the list on mounting, through the
//! built program; the pages in a real browser where there is one.
#![allow(clippy::print_stdout)] // tells what was skipped and why

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use fourtap::audio::Input;
use fourtap::reading::Heard;
use fourtap::reading::turn_plan::TurnPlan;
use fourtap::store::Store;
use fourtap::tasks::keep_sounding::keep_sounding;
use fourtap::tasks::keep_wheels::{NewWheel, add_wheel};
use fourtap::tasks::read_soundings::{ReadSettings, read_sounding};

const AT: &str = "2026-11-26T07:30:00Z";

/// A store with two soundings of two wheels: HL-1 rings (record 1), HL-3 sounds dead (record 2).
fn store_in(folder: &Path) {
    let mut store = Store::open(folder).unwrap();
    for (id, file) in [("HL-1", "hl1-monday.wav"), ("HL-3", "hl3-dead.wav")] {
        let new = NewWheel {
            id: id.to_owned(),
            size: "200x20x32".to_owned(),
            bond: "vitrified".to_owned(),
            max_speed: Some("3350rpm".to_owned()),
            ..NewWheel::default()
        };
        add_wheel(&mut store, &new, AT).unwrap();
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("fixtures/taps")
            .join(file);
        let settings = ReadSettings {
            wheel: Some(id.to_owned()),
            turn_plan: TurnPlan::Quarter,
            heard: vec![Heard::Ring; 4],
            temp_c: Some(21.0),
            ..ReadSettings::default()
        };
        let mut read = read_sounding(&[Input::Path(path.clone())], &settings).unwrap();
        read.record.by = Some("R. <Moss>".to_owned());
        keep_sounding(&mut store, &read.record, &[path], AT).unwrap();
    }
}

fn run(store: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(args)
        .arg("--store")
        .arg(store)
        .output()
        .unwrap()
}

fn out(store: &Path, args: &[&str]) -> (i32, String, String) {
    let output = run(store, args);
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

#[test]
fn records_are_listed_verified_taken_out_and_read_again() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    store_in(store);
    let (code, list, _) = out(store, &["records", "list"]);
    assert_eq!(code, 0);
    let lines: Vec<&str> = list.lines().collect();
    assert_eq!(lines.len(), 2, "{list}");
    assert!(
        lines[0].contains("HL-1") && lines[1].contains("sounding: sounds dead"),
        "{list}"
    );
    let (_, shown, _) = out(store, &["records", "show", "2"]);
    assert!(shown.contains("SOUNDS DEAD"), "{shown}");

    let (code, table, _) = out(store, &["records", "export", "--format", "csv"]);
    assert_eq!(code, 0);
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let head: Vec<String> = rows.headers().unwrap().iter().map(str::to_owned).collect();
    assert_eq!(head, fourtap::tasks::take_records_out::COLUMNS);
    let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 8);
    assert_eq!(
        (&rows[0][2], &rows[0][3], &rows[0][12]),
        ("HL-1", "R. <Moss>", "ring")
    );
    let (_, jsonl, _) = out(store, &["records", "export", "--wheel", "HL-3"]);
    // The wheel, then its record.
    let lines: Vec<&str> = jsonl.lines().collect();
    assert!(
        lines.len() == 2 && lines[0].contains("fourtap.wheel"),
        "{jsonl}"
    );
    let line: serde_json::Value = serde_json::from_str(lines[1]).unwrap();
    assert_eq!(line["record"]["outcome"], "sounds dead");
    let kept = Store::open_existing(store)
        .unwrap()
        .text_of_record(2)
        .unwrap();
    assert_eq!(
        (line["hash"].as_str(), line["previous"].as_str()),
        (Some(&*kept.hash), Some(&*kept.previous))
    );

    // The same method reads the same.
    let (code, again, told) = out(store, &["records", "reread", "1", "--json"]);
    assert_eq!(code, 0, "{told}");
    let again: serde_json::Value = serde_json::from_str(&again).unwrap();
    assert_eq!(again["changes"], serde_json::json!([]), "{again}");
    assert!(told.contains("nothing was rewritten"));

    let (code, verified, _) = out(store, &["records", "verify"]);
    assert_eq!(code, 0, "{verified}");
    assert!(verified.contains(&kept.hash));
    // A recording that was changed behind the tool's back is named; so is a record.
    let sound = sound_of(store, 1);
    let mut bytes = std::fs::read(&sound).unwrap();
    let last = bytes.len() - 1;
    bytes[last] ^= 1;
    let mut rights = std::fs::metadata(&sound).unwrap().permissions();
    #[allow(clippy::permissions_set_readonly_false)] // a file of this test's own folder
    rights.set_readonly(false);
    std::fs::set_permissions(&sound, rights).unwrap();
    std::fs::write(&sound, bytes).unwrap();
    let (code, verified, _) = out(store, &["records", "verify"]);
    assert_eq!(code, 5);
    assert!(
        verified.contains("WRONG") && verified.contains("hl1-monday.wav"),
        "{verified}"
    );
    std::fs::remove_file(&sound).unwrap();
    let (code, _, told) = out(store, &["records", "reread", "1"]);
    assert_eq!(code, 3, "{told}");
    assert!(told.contains("hl1-monday.wav"), "{told}");
    let (code, _, told) = out(store, &["records", "show", "9"]);
    assert_eq!(code, 5, "{told}");
}

fn sound_of(store: &Path, number: u64) -> PathBuf {
    let store = Store::open_existing(store).unwrap();
    let kept = store
        .kept::<fourtap::record::sounding::SoundingRecord>(number)
        .unwrap();
    let sound = store.sound(&kept.record.files[0].blake3).unwrap().unwrap();
    sound.path.unwrap()
}

#[test]
fn the_list_on_mounting_says_what_speaks_against_it_and_keeps_the_ticks() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    store_in(store);
    let (code, list, _) = out(store, &["after", "--wheel", "HL-3"]);
    assert_eq!(code, 0);
    assert!(
        list.starts_with("DO NOT MOUNT HL-3") && list.contains("reads \"sounds dead\""),
        "{list}"
    );
    assert!(list.contains("[ ] run-up"), "{list}");
    let (code, _, told) = out(store, &["after", "--wheel", "HL-1", "--tick", "guard"]);
    assert_eq!(code, 2, "who ticks? {told}");
    let ticked = [
        "after",
        "--wheel",
        "HL-1",
        "--tick",
        "guard,turn",
        "--by",
        "R. Moss",
        "--json",
    ];
    let (code, record, told) = out(store, &ticked);
    assert_eq!(code, 0, "{told}");
    let record: serde_json::Value = serde_json::from_str(&record).unwrap();
    let steps = record["steps"].as_array().unwrap();
    let done: Vec<&str> = steps
        .iter()
        .filter(|s| s["ticked"] == true)
        .map(|s| s["key"].as_str().unwrap())
        .collect();
    assert_eq!(done, ["guard", "turn"]);
    assert!(told.contains("kept as record 3"), "{told}");
    let (_, list, _) = out(store, &["records", "list", "--wheel", "hl-1"]);
    assert!(list.contains("mounting: 2 of 8 ticked"), "{list}");
}

#[test]
fn a_sheet_and_a_tag_say_what_was_heard_and_print_on_one_page() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store");
    store_in(&store);
    let fit = [
        "fit",
        "--wheel",
        "HL-3",
        "--speed",
        "2950rpm",
        "--spindle",
        "32",
    ];
    // It sounded dead, so it fits nowhere.
    assert_eq!(out(&store, &fit).0, 13);
    let sheet = folder.path().join("sheet.html");
    let tag = folder.path().join("tag.html");
    let (code, _, told) = out(
        &store,
        &["sheet", "--wheel", "HL-3", "-o", sheet.to_str().unwrap()],
    );
    assert_eq!(code, 0, "{told}");
    let (code, _, told) = out(&store, &["tag", "2", "-o", tag.to_str().unwrap()]);
    assert_eq!(code, 0, "{told}");
    let (code, _, told) = out(&store, &["tag", "1"]);
    assert_eq!(code, 2, "{told}");
    assert!(told.contains("fourtap sheet 1"), "{told}");
    let (code, _, told) = out(&store, &["sheet", "--wheel", "HL-9"]);
    assert_eq!(code, 5, "{told}");

    let page = std::fs::read_to_string(&sheet).unwrap();
    for words in [
        "SOUNDS DEAD",
        "R. &lt;Moss&gt;",
        "dull thud",
        "3350rpm",
        "does not fit",
        "An aid to your own ring test",
    ] {
        assert!(page.contains(words), "{words}");
    }
    // The namespace of drawings is a name, not an address that is fetched.
    let elsewhere = page.replace("http://www.w3.org/", "");
    assert!(!page.contains("<script") && !elsewhere.contains("://"));
    let small = std::fs::read_to_string(&tag).unwrap();
    assert!(
        small.contains("DO NOT USE") && small.contains("HL-3"),
        "{small}"
    );
    for (page, name) in [(&sheet, "sheet"), (&tag, "tag")] {
        if let Some(pages) = pages_in_a_browser(page, folder.path(), name) {
            assert_eq!(pages, 1, "{name}");
        }
    }
}

#[test]
fn papers_come_as_pdf_where_a_browser_is_installed() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store");
    store_in(&store);
    let pdf = folder.path().join("sheet.pdf");
    let print = ["sheet", "--wheel", "HL-3", "-o", pdf.to_str().unwrap()];
    let (code, _, told) = out(&store, &print);
    if told.contains("no browser") {
        assert!(
            code == 3 && told.contains(".html") && !pdf.exists(),
            "{told}"
        );
        return;
    }
    assert_eq!(code, 0, "{told}");
    let bytes = std::fs::read(&pdf).unwrap();
    assert!(bytes.starts_with(b"%PDF") && bytes.len() > 5_000);
    // Without any browser on the way the reason and what to do are said, and nothing is written.
    let none = folder.path().join("none.pdf");
    let refused = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args([
            "sheet",
            "--wheel",
            "HL-3",
            "-o",
            none.to_str().unwrap(),
            "--store",
        ])
        .arg(&store)
        .env("PATH", folder.path())
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&refused.stderr).contains(".html") && !none.exists());
}

/// Pages of the PDF that Chromium prints; none where there is no Chromium.
fn pages_in_a_browser(page: &Path, folder: &Path, name: &str) -> Option<usize> {
    let pdf = folder.join(format!("{name}.pdf"));
    let printed = Command::new("chromium")
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
        .args(["--no-pdf-header-footer"])
        .arg(format!(
            "--user-data-dir={}",
            folder.join("profile").display()
        ))
        .arg(format!("--print-to-pdf={}", pdf.display()))
        .arg(page)
        .output();
    if printed.is_err() {
        println!("skipped: chromium is not installed, so that {name} was not printed");
        return None;
    }
    let bytes = std::fs::read(&pdf).unwrap();
    let text = String::from_utf8_lossy(&bytes);
    if let Ok(keep) = std::env::var("FOURTAP_KEEP_PAPERS") {
        std::fs::copy(&pdf, Path::new(&keep).join(format!("{name}.pdf"))).unwrap();
    }
    Some(text.matches("/Type /Page\n").count())
}
