//! Records out of one store and into another without loss, pruning of sound, and the picture of a
//! wheel's history; through the built program.

use std::path::Path;
use std::process::{Command, Stdio};

use fourtap::reading::turn_plan::TurnPlan;
use fourtap::record::ear_test::EarTestRecord;
use fourtap::record::wheel::WheelState;
use fourtap::store::Store;

fn run(store: &Path, args: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(args)
        .arg("--store")
        .arg(store)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

fn ok(store: &Path, args: &[&str]) -> String {
    let (code, out, err) = run(store, args);
    assert_eq!(code, 0, "{args:?}: {err}");
    out
}

/// A copy of the fixture of version 3 with its recording.
fn v3(folder: &Path) {
    let stores = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/stores");
    let name = "sound/80/80bbaccb45104fdf95fe30f3e5d1a84fda1c7676bd4d111e357daa318a45916a.wav";
    std::fs::create_dir_all(folder.join("sound/80")).unwrap();
    std::fs::copy(stores.join("v2").join(name), folder.join(name)).unwrap();
    std::fs::copy(stores.join("v3/fourtap.db"), folder.join("fourtap.db")).unwrap();
}

/// A store with every kind of record.
fn full(folder: &Path) {
    v3(folder);
    let mut store = Store::open(folder).unwrap();
    let ear: EarTestRecord = serde_json::from_value(serde_json::json!({
        "format": "fourtap.ear_test", "version": 1, "trainee": "Bo", "round": 1,
        "sounds": "made-up sound", "seed": 7, "procedure": "a test", "complete": false,
        "trials": [{"damaged": true, "crack": 0.1 + 0.2, "said": "thud", "plays": 1, "tool": "unclear"}],
        "threshold": null, "made_by": {"program": "fourtap", "version": "0.1.0", "method": "1"},
    }))
    .unwrap();
    store.keep(&ear, "2026-11-26T21:00:00Z").unwrap();
    drop(store);
    ok(folder, &["wheel", "edit", "HL-1", "--mass", "1.4kg"]);
    ok(
        folder,
        &[
            "wheel",
            "set-aside",
            "HL-1",
            "--note",
            "waits, “quoted”",
            "--by",
            "Ada",
        ],
    );
    ok(folder, &["grinder", "edit", "G-2", "--guard", "175"]);
    let retire = ["baseline", "retire", "HL-1", "--note", "too few"];
    ok(folder, &retire);
    let prune = [
        "records",
        "prune",
        "--before",
        "2030-01-01",
        "--dead-too",
        "--baselines-too",
    ];
    ok(
        folder,
        &[&prune[..], &["--yes", "--by", "Ada", "--note", "room"]].concat(),
    );
}

fn lines(store: &Path) -> Vec<String> {
    ok(store, &["records", "export"])
        .lines()
        .map(str::to_owned)
        .collect()
}

#[test]
fn all_records_go_out_and_come_back_without_loss() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let (one, two, three) = (at("one"), at("two"), at("three"));
    std::fs::create_dir_all(&one).unwrap();
    full(&one);
    let before = lines(&one);
    for kind in [
        "wheel",
        "grinder",
        "baseline",
        "sounding",
        "fit",
        "mounting",
        "lot",
        "ear_test",
        "wheel_state",
        "pruning",
    ] {
        let wanted = format!("\"kind\":\"fourtap.{kind}\"");
        assert!(before.iter().any(|l| l.contains(&wanted)), "{kind}");
    }
    let file = at("export.jsonl");
    std::fs::write(&file, before.join("\n") + "\n").unwrap();
    let file = file.to_str().unwrap();
    let verified: serde_json::Value =
        serde_json::from_str(&ok(&one, &["records", "verify", "--json"])).unwrap();
    let end = verified["end"].as_str().unwrap();

    // Into an empty store: the same lines, hashes included, and one record more that tells of it.
    ok(
        &two,
        &["records", "import", file, "--end", end, "--by", "Ada"],
    );
    let mut after = lines(&two);
    assert!(after.last().unwrap().contains("fourtap.import"));
    after.pop();
    assert_eq!(after, before);
    assert!(ok(&two, &["records", "verify"]).contains("are as they were kept"));
    let store = Store::open_existing(&two).unwrap();
    assert_eq!(
        store.wheel("HL-1").unwrap().unwrap().state,
        WheelState::SetAside
    );
    drop(store);
    // Once more: nothing is new, and nothing is kept.
    let again = ok(&two, &["records", "import", file]);
    assert!(again.contains("0 records"), "{again}");
    assert_eq!(lines(&two).len(), before.len() + 1);

    // Into a store that has records: new numbers, and where they came from stands in the chain.
    ok(
        &three,
        &[
            "wheel",
            "add",
            "HL-1",
            "--size",
            "100x10x16",
            "--bond",
            "metal",
        ],
    );
    let (code, _, err) = run(&three, &["records", "import", file]);
    assert!(
        code == 3 && err.contains("line 1: \"HL-1\" is in this store"),
        "{err}"
    );
    let other = at("other");
    ok(
        &other,
        &[
            "wheel",
            "add",
            "W-7",
            "--size",
            "200x20x32",
            "--bond",
            "vitrified",
        ],
    );
    ok(&other, &["wheel", "tag-out", "W-7", "--note", "chipped"]);
    ok(&other, &["records", "import", file]);
    assert_eq!(run(&other, &["records", "verify"]).0, 0);
    let mixed = Store::open_existing(&other).unwrap();
    let first = mixed.text_of_record(2).unwrap();
    let source = Store::open_existing(&one)
        .unwrap()
        .text_of_record(1)
        .unwrap();
    assert_eq!((first.text, first.at), (source.text, source.at));
    let wheel = fourtap::tasks::keep_wheels::show_wheel(&mixed, "HL-1").unwrap();
    // The change of state points at its record under its new number.
    let last = wheel.events.last().unwrap();
    let record = mixed.text_of_record(last.record.unwrap()).unwrap();
    assert_eq!(record.kind, "fourtap.wheel_state");
    assert_eq!(last.by.as_deref(), Some("Ada"));
    drop(mixed);
    let again = ok(&other, &["records", "import", file]);
    assert!(again.contains("0 records"), "{again}");

    // One wheel only.
    let part = ok(&one, &["records", "export", "--wheel", "HL-1"]);
    let path = at("part.jsonl");
    std::fs::write(&path, part).unwrap();
    let five = at("five");
    let (code, _, err) = run(&five, &["records", "import", path.to_str().unwrap()]);
    assert!(
        code == 3 && err.contains("is missing before it") && err.contains("--part"),
        "{err}"
    );
    ok(
        &five,
        &["records", "import", path.to_str().unwrap(), "--part"],
    );
    assert_eq!(run(&five, &["records", "verify"]).0, 0);
}

#[test]
fn a_damaged_or_altered_export_is_refused_by_its_line() {
    let folder = tempfile::tempdir().unwrap();
    let one = folder.path().join("one");
    std::fs::create_dir_all(&one).unwrap();
    full(&one);
    let whole = lines(&one);
    let file = folder.path().join("export.jsonl");
    let refused = |lines: &[String], line: usize, words: &str| {
        std::fs::write(&file, lines.join("\n") + "\n").unwrap();
        let into = folder.path().join("into");
        let (code, _, err) = run(&into, &["records", "import", file.to_str().unwrap()]);
        assert_eq!(code, 3, "{err}");
        assert!(
            err.contains(&format!("line {line}: ")),
            "line {line}: {err}"
        );
        assert!(
            err.contains(words) && err.contains("nothing was brought in"),
            "{err}"
        );
        // The store, if one was made, holds nothing.
        if into.exists() {
            assert!(ok(&into, &["records", "list"]).contains("No records"));
            assert!(ok(&into, &["wheel", "list"]).contains("no wheels"));
            std::fs::remove_dir_all(&into).unwrap();
        }
    };
    // Every line in turn: one digit or letter changed, the line cut, the line gone.
    for (k, line) in whole.iter().enumerate() {
        let mut changed = whole.clone();
        let at = line.rfind("fourtap\"").unwrap_or(line.len() - 20);
        let mut bytes = line.clone().into_bytes();
        bytes[at] = if bytes[at] == b'f' { b'g' } else { b'7' };
        changed[k] = String::from_utf8(bytes).unwrap();
        refused(&changed, k + 1, "");
        changed[k] = line[..line.len() / 2].to_owned();
        refused(&changed, k + 1, "no JSON");
        let is_record = !line.contains("\"check\"");
        if is_record && k + 1 < whole.len() {
            let mut gone = whole.clone();
            gone.remove(k);
            refused(&gone, k + 1, "is missing before it");
            let mut swapped = whole.clone();
            swapped.swap(k, k + 1);
            refused(&swapped, k + 1, "is missing before it");
        }
    }
    // A record without its wheel; an outcome made better.
    let wheel = whole
        .iter()
        .position(|l| l.contains("\"wheel\":\"HL-1\""))
        .unwrap();
    let mut gone = whole.clone();
    gone.remove(wheel);
    let record = gone
        .iter()
        .position(|l| l.contains("\"kind\":\"fourtap.sounding\""))
        .unwrap();
    refused(&gone, record + 1, "its wheel \"HL-1\"");
    let mut better = whole.clone();
    better[record + 1] = better[record + 1].replace("\"rings clear\"", "\"sounds dead\"");
    refused(&better, record + 2, "is not what was kept");
    // A cut end is seen where the end is known.
    let cut = whole[..whole.len() - 1].join("\n");
    std::fs::write(&file, cut).unwrap();
    let end = Store::open_existing(&one).unwrap().verify().unwrap().end;
    let into = folder.path().join("end");
    let import = ["records", "import", file.to_str().unwrap(), "--end", &end];
    let (code, _, err) = run(&into, &import);
    assert!(code == 3 && err.contains("a part is missing"), "{err}");
    std::fs::write(&file, [0xff, 0xfe, 0]).unwrap();
    assert_eq!(run(&into, &import).0, 3);
}

#[test]
fn pruning_takes_sound_only_and_asks_first() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    v3(store);
    let sound =
        store.join("sound/80/80bbaccb45104fdf95fe30f3e5d1a84fda1c7676bd4d111e357daa318a45916a.wav");
    let prune = |more: &[&str]| {
        ok(
            store,
            &[&["records", "prune", "--before", "2030-01-01"], more].concat(),
        )
    };
    // HL-1 is dropped: its sound stays unless told.
    let plan = prune(&["--yes"]);
    assert!(
        plan.contains("0 recordings") && plan.contains("--dead-too"),
        "{plan}"
    );
    let (_, out, err) = run(
        store,
        &["records", "prune", "--before", "2030-01-01", "--dead-too"],
    );
    assert!(
        out.contains("sounding 1") && err.contains("nothing was removed"),
        "{out}{err}"
    );
    assert!(sound.exists());
    let old = ok(
        store,
        &[
            "records",
            "prune",
            "--before",
            "2020-01-01",
            "--dead-too",
            "--yes",
        ],
    );
    assert!(old.contains("0 recordings") && sound.exists(), "{old}");
    assert_eq!(run(store, &["records", "prune", "--before", "soon"]).0, 2);
    let text = ok(store, &["records", "show", "1", "--json"]);
    prune(&["--dead-too", "--yes", "--by", "Ada"]);
    assert!(!sound.exists());
    assert_eq!(ok(store, &["records", "show", "1", "--json"]), text);
    let list = ok(store, &["records", "list"]);
    assert!(list.contains("audio of 1 recordings pruned"), "{list}");
    let verified = ok(store, &["records", "verify"]);
    assert!(
        verified.contains("was pruned on 20") && !verified.contains("WRONG"),
        "{verified}"
    );
    let (code, _, err) = run(store, &["records", "reread", "1"]);
    assert!(code == 3 && err.contains("pruned on 20"), "{err}");
    assert!(prune(&["--dead-too", "--yes"]).contains("0 recordings"));
}

#[test]
fn sound_of_baselines_and_of_dead_wheels_stays() {
    use fourtap::audio::Input;
    use fourtap::record::baseline::{BaselineKind, BaselineRecord, BaselineSounding};
    use fourtap::tasks::keep_sounding::keep_sounding;
    use fourtap::tasks::read_soundings::{ReadSettings, read_sounding};
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path();
    let at = "2026-01-02T03:04:05Z";
    for id in ["HL-1", "HL-3"] {
        ok(
            place,
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
    let mut store = Store::open(place).unwrap();
    let mut paths = Vec::new();
    for (id, file) in [
        ("HL-1", "hl1-monday.wav"),
        ("HL-1", "hl1-tuesday.wav"),
        ("HL-3", "hl3-dead.wav"),
    ] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("fixtures/taps")
            .join(file);
        let settings = ReadSettings {
            wheel: Some(id.to_owned()),
            turn_plan: TurnPlan::Quarter,
            ..ReadSettings::default()
        };
        let read = read_sounding(&[Input::Path(path.clone())], &settings)
            .unwrap()
            .record;
        keep_sounding(&mut store, &read, &[path], at).unwrap();
        if file == "hl1-monday.wav" {
            let taken = vec![BaselineSounding::of(&read, None)];
            let made_by = read.made_by.clone();
            let record = BaselineRecord::new(BaselineKind::Wheel, id, taken, made_by, at);
            store
                .add_baseline(&record, std::slice::from_ref(&read))
                .unwrap();
        }
        paths.push(
            store
                .sound(&read.files[0].blake3)
                .unwrap()
                .unwrap()
                .path
                .unwrap(),
        );
    }
    drop(store);
    let there = || -> Vec<bool> { paths.iter().map(|p| p.exists()).collect() };
    let prune = |more: &[&str]| {
        ok(
            place,
            &[
                &["records", "prune", "--before", "2026-02-01", "--yes"],
                more,
            ]
            .concat(),
        )
    };
    prune(&["--wheel", "HL-3"]);
    assert_eq!(there(), [true, true, true]);
    prune(&[]);
    assert_eq!(there(), [true, false, true]);
    prune(&["--baselines-too"]);
    assert_eq!(there(), [false, false, true]);
    prune(&["--dead-too"]);
    assert_eq!(there(), [false, false, false]);
    assert_eq!(run(place, &["records", "verify"]).0, 0);
    // Sound that is kept again for a new sounding, and then lost, is missing.
    let mut store = Store::open(place).unwrap();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/taps/hl3-dead.wav");
    let again = store
        .kept::<fourtap::record::sounding::SoundingRecord>(3)
        .unwrap()
        .record;
    keep_sounding(&mut store, &again, &[path], at).unwrap();
    drop(store);
    assert_eq!(run(place, &["records", "verify"]).0, 0);
    std::fs::remove_file(&paths[2]).unwrap();
    let (code, out, _) = run(place, &["records", "verify"]);
    assert!(code == 5 && out.contains("missing"), "{out}");

    // The picture of the history, while we have one.
    for file in ["trend.png", "trend.svg"] {
        let plot = place.join(file);
        ok(
            place,
            &["wheel", "show", "HL-1", "--plot", plot.to_str().unwrap()],
        );
        assert!(std::fs::metadata(&plot).unwrap().len() > 4000);
    }
    let svg = std::fs::read_to_string(place.join("trend.svg")).unwrap();
    assert!(
        svg.contains("ring time T60") && svg.contains("2 soundings"),
        "{}",
        &svg[..900]
    );
    assert_eq!(
        run(place, &["wheel", "show", "HL-1", "--plot", "x.gif"]).0,
        2
    );
}
