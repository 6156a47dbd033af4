//! The built program from outside: exit codes as in `docs/commands.md`, and what is printed.

use std::path::Path;
use std::process::{Command, Output, Stdio};

const RINGS: &str = "fixtures/taps/hl1-shop-noise.wav";
const DEAD: &str = "fixtures/taps/hl3-dead.wav";
const TURNS: &str = "fixtures/taps/hl4-quarter-turns";

fn fourtap(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(args)
        .env_remove("FOURTAP_STORE")
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn code(out: &Output) -> i32 {
    out.status.code().unwrap()
}

fn err(out: &Output) -> String {
    String::from_utf8_lossy(&out.stderr).into_owned()
}

fn lines(out: &Output) -> Vec<serde_json::Value> {
    String::from_utf8_lossy(&out.stdout)
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect()
}

/// A recording of `taps` made-up taps: decaying tones over a little hiss, as in a quiet room.
fn write_taps(path: &Path, taps: usize) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    let mut hiss = 1u32;
    for i in 0..(44_100 * (2 * taps.max(1) + 1) / 2) {
        let t = i as f64 / 44_100.0;
        let since = (t - 0.5).rem_euclid(1.0);
        hiss = hiss.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let mut x = 1e-4 * (f64::from(hiss >> 16) / 32_768.0 - 1.0);
        if taps > 0 && t >= 0.5 {
            for (freq_hz, ring_time_s) in [(1_500.0, 0.5), (2_350.0, 0.4), (3_560.0, 0.35)] {
                let fall: f64 = -6.9078 * since / ring_time_s;
                x += 0.1 * fall.exp() * (std::f64::consts::TAU * freq_hz * since).sin();
            }
        }
        writer.write_sample((x * 32_767.0) as i16).unwrap();
    }
    writer.finalize().unwrap();
}

#[test]
fn the_worst_outcome_is_the_exit_code_and_a_dead_wheel_is_never_hidden() {
    let again = fourtap(&["read", "--heard", "ring,unsure,ring,ring", RINGS]);
    assert_eq!(code(&again), 11);
    assert_eq!(code(&fourtap(&["read", RINGS])), 12);
    let both = fourtap(&["read", "--json", RINGS, DEAD, "gone.wav"]);
    assert_eq!(code(&both), 10);
    assert!(err(&both).contains("gone.wav"));
    let names: Vec<_> = lines(&both)
        .iter()
        .map(|l| l["files"][0]["name"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(names, [RINGS, DEAD], "in the order of the arguments");
}

#[test]
fn wrong_use_is_told_apart_from_bad_input() {
    for wrong in [
        &["read"][..],
        &["read", "--together", "--apart", RINGS],
        &["read", "--heard", "bang", RINGS],
        &["read", "-", "-"],
        &["read", "--wheels", "t.csv", RINGS],
        &["nonsense"],
        &[
            "wheel",
            "add",
            "W",
            "--size",
            "200x20",
            "--bond",
            "vitrified",
        ],
        &["wheel", "add", "W", "--size", "200x20x32", "--bond", "glue"],
    ] {
        let out = fourtap(wrong);
        assert_eq!(code(&out), 2, "{wrong:?}: {}", err(&out));
        assert!(!err(&out).is_empty() && out.stdout.is_empty());
    }
    for input in [
        &["read", "gone"][..],
        &["read", "Cargo.toml"],
        &["read", "src"],
    ] {
        let out = fourtap(input);
        assert_eq!(code(&out), 3, "{input:?}: {}", err(&out));
    }
    assert_eq!(code(&fourtap(&["--help"])), 0);
    assert_eq!(code(&fourtap(&["--version"])), 0);
}

#[test]
fn a_folder_of_one_file_per_tap_is_one_sounding_unless_said_otherwise() {
    let out = fourtap(&["read", "--json", "--turn-plan", "quarter", TURNS]);
    let one = lines(&out);
    assert_eq!(one.len(), 1);
    assert_eq!(one[0]["files"].as_array().unwrap().len(), 4);
    let spots: Vec<f64> = one[0]["taps"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| t["spot_deg"].as_f64().unwrap())
        .collect();
    assert_eq!(spots, [0.0, 90.0, 180.0, 270.0]);
    assert!(err(&out).contains("taken as one sounding") && err(&out).contains("--apart"));
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (dir.path().join("a.wav"), dir.path().join("b.wav"));
    write_taps(&a, 1);
    write_taps(&b, 1);
    let apart = fourtap(&["read", "--json", "--apart", dir.path().to_str().unwrap()]);
    assert_eq!(lines(&apart).len(), 2);
    assert!(!err(&apart).contains("--together"), "{}", err(&apart));
    // Given one by one they are not joined, but it is said how.
    let (a, b) = (a.to_str().unwrap(), b.to_str().unwrap());
    let single = fourtap(&["read", "--json", a, b]);
    assert_eq!(lines(&single).len(), 2);
    assert!(err(&single).contains("--together"), "{}", err(&single));
    let joined = fourtap(&["read", "--json", "--together", a, b]);
    assert_eq!(lines(&joined).len(), 1);
}

#[test]
fn a_folder_with_more_taps_in_a_file_is_taken_apart_and_names_are_in_natural_order() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    write_taps(&at("tap10.wav"), 1);
    write_taps(&at("tap2.wav"), 1);
    write_taps(&at("tap1.wav"), 0);
    let folder = dir.path().to_str().unwrap();
    let joined = lines(&fourtap(&["read", "--json", folder]));
    assert_eq!(joined.len(), 1);
    let names: Vec<&str> = joined[0]["files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["name"].as_str().unwrap().rsplit('/').next().unwrap())
        .collect();
    assert_eq!(names, ["tap1.wav", "tap2.wav", "tap10.wav"]);
    assert_eq!(joined[0]["taps"].as_array().unwrap().len(), 2);
    write_taps(&at("tap3.wav"), 2);
    assert_eq!(lines(&fourtap(&["read", "--json", folder])).len(), 4);
    // One recording with one tap is no sounding of one file per tap.
    for gone in ["tap2.wav", "tap3.wav"] {
        std::fs::remove_file(at(gone)).unwrap();
    }
    assert_eq!(lines(&fourtap(&["read", "--json", folder])).len(), 2);
}

#[test]
fn a_table_says_which_file_belongs_to_which_wheel() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["a.wav", "b.wav", "c.wav", "d.wav", "e.wav"] {
        write_taps(&dir.path().join(name), 1);
    }
    let table = dir.path().join("wheels.csv");
    let read = |text: &str| {
        std::fs::write(&table, text).unwrap();
        fourtap(&["read", "--json", "--wheels", table.to_str().unwrap()])
    };
    let out = read(
        "file,wheel,spot_deg,heard\na.wav,W-1,270,ring\nb.wav,W-1,90,ring\nc.wav,w-1,0,thud\n\
         d.wav,W-1,180,ring\ne.wav,W-2,,\n",
    );
    assert_eq!(code(&out), 10, "a heard thud is final: {}", err(&out));
    let soundings = lines(&out);
    assert_eq!(soundings.len(), 2);
    assert_eq!(soundings[0]["wheel"], "W-1");
    assert_eq!(soundings[1]["wheel"], "W-2");
    let taps = soundings[0]["taps"].as_array().unwrap();
    let spots: Vec<f64> = taps
        .iter()
        .map(|t| t["spot_deg"].as_f64().unwrap())
        .collect();
    assert_eq!(spots, [0.0, 90.0, 180.0, 270.0]);
    assert_eq!(taps[0]["heard"], "thud");
    assert!(taps[0]["file"].as_str().unwrap().ends_with("c.wav"));
    assert!(soundings[1]["taps"][0]["spot_deg"].is_null());

    // An input that cannot be read stands before an outcome that is not dead.
    let one = dir.path().join("a.wav");
    let missing = fourtap(&["read", one.to_str().unwrap(), "gone.wav"]);
    assert_eq!(code(&missing), 3);
    assert!(!missing.stdout.is_empty());
    // The same spot four times is no turn plan, however it rings.
    let same = read("file;wheel;spot_deg\na.wav;W;0\nb.wav;W;2\nc.wav;W;0\nd.wav;W;358\n");
    assert_eq!(code(&same), 11, "{}", err(&same));
    // Sessions part soundings of one wheel.
    let sessions = read("file,wheel,session\na.wav,W,mon\nb.wav,W,tue\nc.wav,W,mon\n");
    let files: Vec<usize> = lines(&sessions)
        .iter()
        .map(|s| s["files"].as_array().unwrap().len())
        .collect();
    assert_eq!(files, [2, 1]);

    for (text, line, words) in [
        ("file,wheel\na.wav,W\ngone.wav,W\n", "line 3", "gone.wav"),
        ("file,wheel\na.wav,W\n./a.wav,V\n", "line 3", "line 2"),
        ("file,wheel,heard\na.wav,W,bang\n", "line 2", "heard"),
        (
            "file,wheel,heard\na.wav,W,ring\nb.wav,W,\n",
            "line 3",
            "heard",
        ),
        ("file,wheel,spot_deg\na.wav,W,north\n", "line 2", "spot_deg"),
        ("file,wheel\na.wav,\n", "line 2", "wheel"),
        ("file,wheel,head\na.wav,W,thud\n", "line 1", "head"),
        ("file,session\na.wav,1\n", "line 1", "wheel"),
        ("file,wheel\na.wav\n", "line 2", "fields"),
        ("file,wheel\n", "wheels.csv", "no rows"),
    ] {
        let out = read(text);
        assert_eq!(code(&out), 3, "{text}");
        let told = err(&out);
        assert!(
            told.contains(line) && told.contains(words),
            "{text}: {told}"
        );
    }
}

#[test]
fn a_list_of_files_is_read_in_its_order() {
    let dir = tempfile::tempdir().unwrap();
    let list = dir.path().join("list");
    std::fs::write(&list, format!("{DEAD}\r\n\n{RINGS}\n")).unwrap();
    let out = fourtap(&["read", "--json", "--files-from", list.to_str().unwrap()]);
    assert_eq!(code(&out), 10, "{}", err(&out));
    let names: Vec<_> = lines(&out)
        .iter()
        .map(|l| l["files"][0]["name"].clone())
        .collect();
    assert_eq!(names, [DEAD, RINGS]);
    let empty = fourtap(&["read", "--files-from", "-"]);
    assert_eq!(code(&empty), 3);
    assert!(err(&empty).contains("names no file"));
}

#[test]
fn pictures_are_drawn_and_no_two_soundings_share_a_file() {
    let dir = tempfile::tempdir().unwrap();
    for sub in ["x", "y"] {
        std::fs::create_dir(dir.path().join(sub)).unwrap();
        write_taps(&dir.path().join(sub).join("wheel.wav"), 1);
    }
    let pictures = dir.path().join("made/here");
    let path = |p: &Path| p.to_str().unwrap().to_owned();
    let out = fourtap(&[
        "read",
        "--json",
        "--pictures",
        &path(&pictures),
        &path(&dir.path().join("x/wheel.wav")),
        &path(&dir.path().join("y/wheel.wav")),
    ]);
    assert_eq!(lines(&out).len(), 2, "{}", err(&out));
    let mut names: Vec<String> = std::fs::read_dir(&pictures)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    let mut expected = Vec::new();
    for wheel in ["wheel", "wheel-2"] {
        for what in [
            "waveform",
            "spectrum",
            "face",
            "tap-1-decay",
            "tap-1-over-time",
        ] {
            expected.push(format!("{wheel}-{what}.png"));
            expected.push(format!("{wheel}-{what}.svg"));
        }
    }
    expected.sort();
    assert_eq!(names, expected);
    let png = std::fs::read(pictures.join("wheel-face.png")).unwrap();
    assert!(png.starts_with(b"\x89PNG"));
    let svg = std::fs::read_to_string(pictures.join("wheel-2-waveform.svg")).unwrap();
    assert!(svg.starts_with("<svg") && svg.contains("wheel.wav"));
    // A folder that cannot be made.
    let blocked = fourtap(&["read", "--pictures", "Cargo.toml/x", RINGS]);
    assert_eq!(code(&blocked), 3);
    assert!(err(&blocked).contains("--pictures"));
}

#[test]
fn wheels_are_kept_and_looking_makes_no_store() {
    let dir = tempfile::tempdir().unwrap();
    let store = dir.path().join("store");
    let at = store.to_str().unwrap();
    let run = |args: &[&str]| fourtap(&[&["--store", at], args].concat());
    for looking in [
        &["wheel", "list"][..],
        &["wheel", "show", "W-104"],
        &["wheel", "dropped", "W-104"],
        &["wheel", "edit", "W-104", "--lot", "L"],
    ] {
        let out = run(looking);
        assert_eq!(code(&out), 5, "{looking:?}");
        assert!(err(&out).contains("--store"), "{}", err(&out));
    }
    run(&["wheel", "add", "W", "--size", "1", "--bond", "vitrified"]);
    assert!(
        !store.exists(),
        "what cannot be read leaves no store behind"
    );

    let add = [
        "wheel",
        "add",
        "W-104",
        "--size",
        "200x20x32",
        "--bond",
        "vitrified",
    ];
    let out = run(&[&add[..], &["--max-speed", "3350rpm", "--json"]].concat());
    assert_eq!(code(&out), 0, "{}", err(&out));
    let wheel = &lines(&out)[0];
    assert_eq!(wheel["format"], "fourtap.wheel_history");
    assert_eq!(wheel["version"], 1);
    assert_eq!(wheel["wheel"]["max_speed"]["rpm"], 3350.0);
    assert_eq!(wheel["hints"].as_array().unwrap().len(), 0);
    assert_eq!(code(&run(&add)), 5, "the id is taken");

    let small = run(&[
        "wheel",
        "add",
        "r",
        "--size",
        "4x1/4x5/8in",
        "--bond",
        "resinoid",
    ]);
    assert_eq!(code(&small), 0);
    let said = err(&small);
    assert!(
        said.contains("do not ring as clearly") && said.contains("too small"),
        "{said}"
    );
    let text = String::from_utf8(small.stdout).unwrap();
    assert!(text.contains("101.6 mm"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");

    assert_eq!(
        code(&run(&[
            "wheel",
            "dropped",
            "W-104",
            "--note",
            "off the bench"
        ])),
        0
    );
    assert_eq!(
        code(&run(&["wheel", "edit", "w-104", "--size", "200x25x32"])),
        0
    );
    assert_eq!(
        code(&run(&["wheel", "edit", "W-104", "--size", "200x25x32"])),
        2
    );
    let shown = lines(&run(&["wheel", "show", "W-104", "--json"])).remove(0);
    assert_eq!(shown["wheel"]["state"], "dropped", "an edit lifts no mark");
    assert_eq!(shown["wheel"]["size"]["thickness_mm"], 25.0);
    let events = shown["events"].as_array().unwrap();
    assert_eq!(events.len(), 3);
    assert_eq!(events[1]["note"], "off the bench");
    assert!(
        events[2]["note"]
            .as_str()
            .unwrap()
            .contains("200x20x32 to 200x25x32")
    );
    let shown = run(&["wheel", "show", "W-104"]);
    let text = String::from_utf8(shown.stdout).unwrap();
    assert!(text.contains("sound it anew before"), "{text}");
    assert_eq!(code(&run(&["wheel", "retire", "r"])), 0);
    let list = lines(&run(&["wheel", "list", "--json"]));
    assert_eq!(list.len(), 2);
    assert!(list.iter().all(|w| w["format"] == "fourtap.wheel"));
    assert_eq!(code(&run(&["wheel", "show", "W-1"])), 5);
    // The environment names the store as well.
    let out = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(["wheel", "list", "--json"])
        .env("FOURTAP_STORE", &store)
        .output()
        .unwrap();
    assert_eq!(lines(&out).len(), 2);
}

#[test]
fn a_machine_without_a_microphone_is_told_what_to_do() {
    // No sound library configuration: no device, whatever this machine has.
    let out = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .arg("mics")
        .env("ALSA_CONFIG_PATH", "/nonexistent")
        .output()
        .unwrap();
    assert_eq!(code(&out), 4, "{}", err(&out));
    assert!(err(&out).contains("fourtap read"), "{}", err(&out));
}

#[test]
fn the_table_of_exit_codes_stands_in_the_documentation() {
    let docs = std::fs::read_to_string("docs/commands.md").unwrap();
    for (code, words) in [
        (0, "done"),
        (10, "sounds dead"),
        (11, "sound it again"),
        (12, "rings, not compared"),
        (2, "wrong use"),
        (3, "an input cannot be read"),
        (4, "no microphone"),
        (5, "the store"),
    ] {
        let row = format!("| {code} | {words}");
        assert!(docs.contains(&row), "{row}");
    }
}

// HL-1 is made up from a plate of 200x20x32 mm, E 45 GPa, nu 0.2, 2300 kg/m3, so 1.408 kg; its
// modes lie 0.2 % beside theory, which is some 0.4 % of E (and thickness tolerance is not at work).
#[test]
fn a_size_gives_labels_and_a_mass_the_modulus() {
    let args = ["--size", "200x20x32", "--mass", "1408g", "--json", RINGS];
    let out = fourtap(&[&["read"][..], &args].concat());
    assert_eq!(code(&out), 12, "{}", err(&out));
    let record = &lines(&out)[0];
    let labels: Vec<&serde_json::Value> = record["modes"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|m| !m["label"].is_null())
        .collect();
    assert!(labels.len() >= 4, "{labels:?}");
    assert!(
        labels
            .iter()
            .all(|m| m["resolution_hz"].as_f64().unwrap() > 0.0)
    );
    let youngs = record["stiffness"]["youngs_gpa"].as_f64().unwrap();
    assert!((youngs / 45.0 - 1.0).abs() < 0.015, "{youngs}");
    assert_eq!(record["unseen_orders"], serde_json::json!([4, 8]));
    for pair in record["pairs"].as_array().unwrap() {
        let number = pair["pair"].as_u64();
        let own = record["modes"].as_array().unwrap().iter();
        let own: Vec<_> = own.filter(|m| m["pair"].as_u64() == number).collect();
        assert_eq!(own.len(), 2, "{pair}");
        assert_eq!(own[0]["label"], own[1]["label"], "{pair}");
    }
    let plain = fourtap(&["read", "--mass", "1408g", "--json", RINGS]);
    let record = &lines(&plain)[0];
    assert!(record["stiffness"].is_null());
    let told = record["warnings"].to_string();
    assert!(told.contains("add --size"), "{told}");
    for wrong in [["--size", "200x20"], ["--mass", "1.4"]] {
        let out = fourtap(&[&["read"][..], &wrong, &[RINGS]].concat());
        assert_eq!(code(&out), 2, "{wrong:?}");
    }
}

// The wheel of the store: 200x25x32 mm, speed sqrt(45e9/2300) m/s, nu 0.2. Frequencies from three-
// dimensional elasticity, recomputed in Python: 2642.3, 4070.5, 5945.0, 9722.4 Hz.
#[test]
fn the_modes_of_a_wheel_in_the_store_are_expected() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = folder.path().join("store");
    let store = store.to_str().unwrap();
    let add = [
        "wheel",
        "add",
        "W-7",
        "--size",
        "200x25x32",
        "--bond",
        "vitrified",
    ];
    assert_eq!(code(&fourtap(&[&["--store", store][..], &add].concat())), 0);
    let modes = ["--store", store, "wheel", "modes", "W-7"];
    let exact = fourtap(&[&modes[..], &["--speed", "4423.2587", "--json"]].concat());
    let record = &lines(&exact)[0];
    assert_eq!(record["format"], "fourtap.wheel_modes");
    for (n, s, hz) in [
        (2, 0, 2642.3),
        (0, 1, 4070.5),
        (3, 0, 5945.0),
        (4, 0, 9722.4),
    ] {
        let all = record["modes"].as_array().unwrap().iter();
        let mode = all
            .into_iter()
            .find(|m| m["n"] == n && m["s"] == s)
            .unwrap();
        let got = mode["freq_hz"][0].as_f64().unwrap();
        // Printed to 0.1 Hz; the table is good to 1e-4.
        assert!((got / hz - 1.0).abs() < 2e-4, "({n}, {s}) {got}");
        assert_eq!(mode["is_pair"], n > 0);
    }
    let text = fourtap(&modes);
    let words = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(
        words.contains("2950 to 5500 m/s") && words.contains("2, 0"),
        "{words}"
    );
    let gone = fourtap(&["--store", store, "wheel", "modes", "W-8"]);
    assert_eq!(code(&gone), 5);
}
