//! `fourtap gauge` from outside, on tables.

use std::path::Path;
use std::process::{Command, Output};

use fourtap::record::gauge::GaugeRecord;

fn gauge(table: &Path, json: bool) -> Output {
    let store = table.with_file_name("none");
    let mut command = Command::new(env!("CARGO_BIN_EXE_fourtap"));
    command.args(["--store", &store.to_string_lossy(), "gauge"]);
    command.arg(table).args(json.then_some("--json"));
    command.output().unwrap()
}

fn study(rows: &str) -> (GaugeRecord, String) {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("study.csv");
    std::fs::write(&table, rows).unwrap();
    let out = gauge(&table, true);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let text = gauge(&table, false);
    (
        serde_json::from_slice(&out.stdout).unwrap(),
        String::from_utf8(text.stdout).unwrap(),
    )
}

#[test]
fn numbers_are_studied_and_told() {
    // Tone: wheels 10 Hz apart, people 0.1 Hz, repeats 0.02 Hz. Ring time: all of it is chance
    // of the same person, as large as the wheels' own.
    let mut rows = "wheel,person,repeat,tone_hz,ring_time_s\n".to_owned();
    for w in 0..6 {
        for (p, name) in ["Ida", "Jo", "Kit"].iter().enumerate() {
            for r in 0..3 {
                let tone = 800.0 + 10.0 * f64::from(w) + 0.1 * p as f64 + 0.02 * f64::from(r);
                let time = 1.0 + 0.2 * f64::from((7 * w + 5 * p as i32 + 3 * r) % 4);
                rows += &format!("W-{w},{name},{r},{tone},{time}\n");
            }
        }
    }
    let (record, text) = study(&rows);
    assert_eq!(
        (record.wheels, record.people.len(), record.rows),
        (6, 3, 54)
    );
    let [tone, time] = &record.figures[..] else {
        panic!("{record:?}")
    };
    assert_eq!(
        (tone.figure.as_str(), tone.verdict.as_str()),
        ("tone", "good enough")
    );
    assert!((tone.reproducibility - 0.1).abs() < 0.01, "{tone:?}");
    assert!(tone.gauge_percent < 2.0 && tone.categories > 50);
    assert_eq!(time.verdict, "not good enough");
    assert_eq!(record.verdict, "not good enough");
    assert!(
        record
            .improve
            .iter()
            .any(|i| i.starts_with("ring time: most of the spread"))
    );
    assert!(text.starts_with("The gauge is: not good enough."), "{text}");
}

#[test]
fn ears_are_held_against_each_other_the_tool_and_the_truth() {
    let mut rows = "wheel,person,heard,reading,state\n".to_owned();
    for w in 0..20 {
        let damaged = w % 4 == 0;
        let state = if damaged { "damaged" } else { "sound" };
        let reading = if damaged { "dull thud" } else { "clear ring" };
        // Ida hears all; Jo passes one damaged wheel and is unsure of one sound one.
        rows += &format!(
            "W-{w},Ida,{},{reading},{state}\n",
            if damaged { "thud" } else { "ring" }
        );
        let jo = match w {
            0 => "ring",
            1 => "unsure",
            _ if damaged => "thud",
            _ => "ring",
        };
        rows += &format!("W-{w},Jo,{jo},{reading},{state}\n");
    }
    let (record, text) = study(&rows);
    let of = |a: &str, b: &str| {
        let found = record
            .agreements
            .iter()
            .find(|x| x.first == a && x.second == b);
        found
            .unwrap_or_else(|| panic!("{a} and {b}: {record:?}"))
            .clone()
    };
    let ears = of("Ida", "Jo");
    assert_eq!(
        (
            ears.both_thud,
            ears.first_only,
            ears.second_only,
            ears.both_ring
        ),
        (4, 1, 1, 14)
    );
    // (0.9 - 0.625) / 0.375
    assert!((ears.kappa.unwrap() - 0.733_333).abs() < 1e-5);
    assert_eq!(of("Ida", "the tool").kappa, Some(1.0));
    let jo = of("the known state", "Jo");
    assert_eq!(jo.misses.map(|m| (m.hits, m.trials)), Some((1, 5)));
    assert_eq!(jo.false_alarms.map(|m| (m.hits, m.trials)), Some((1, 15)));
    assert_eq!(of("the known state", "the tool").misses.unwrap().trials, 10);
    assert_eq!(record.verdict, "not good enough");
    assert!(
        record
            .improve
            .iter()
            .any(|i| i.contains("Jo: passed 1 of 5 damaged wheels"))
    );
    assert!(text.contains("damaged wheels passed: 1 of 5"), "{text}");
}

#[test]
fn faults_of_the_table_are_named_with_their_line() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("study.csv");
    for (rows, words) in [
        ("wheel,tone_hz\nA,1\n", "no column person"),
        ("wheel,person,tone\n", "\"tone\" is not known"),
        ("wheel,person,tone_hz\nA,Ida,1\nA,Ida,x\n", "line 3"),
        ("wheel,person,heard\nA,Ida,bell\n", "ring, thud or unsure"),
        ("wheel,person,heard\n", "no rows"),
        ("sounding,person\n7,Ida\n", "--store"),
    ] {
        std::fs::write(&table, rows).unwrap();
        let out = gauge(&table, false);
        let told = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(3), "{rows}: {told}");
        assert!(
            told.contains(words) && told.contains("study.csv"),
            "{rows}: {told}"
        );
    }
    // An incomplete study gives no figure and says why, instead of a guess.
    std::fs::write(&table, "wheel,person,tone_hz\nA,Ida,1\nA,Ida,2\nB,Ida,3\n").unwrap();
    let out = gauge(&table, false);
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(text.starts_with("The gauge is: not decided"), "{text}");
}
