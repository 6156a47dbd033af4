//! The printed sounding: the four outcomes against `tests/snapshots`, widths, colours, and
//! records that play tricks. `FOURTAP_WRITE_SNAPSHOTS=1` writes the snapshots anew.

use std::collections::BTreeMap;
use std::path::PathBuf;

use fourtap::record::sounding::*;
use fourtap::report::text::{TextStyle, sounding_text};

fn mode(freq_hz: f64, ring_time_s: f64, level_db: f64, label: Option<(u32, u32)>) -> ModeRecord {
    ModeRecord {
        freq_hz,
        freq_std_hz: 0.04,
        ring_time_s,
        ring_time_std_s: 0.012,
        level_db,
        level_std_db: 0.2,
        phase_rad: 0.3,
        q: 800.0,
        energy_db: 41.0,
        fitted_s: (0.005, 0.6),
        label,
        pair: None,
        resolution_hz: Some(0.4),
    }
}

fn evidence(figure: &str, value: f64, limit: f64, kind: &str, speaks: &str) -> EvidenceRecord {
    EvidenceRecord {
        figure: figure.into(),
        value,
        unit: if figure.contains("shift") {
            "%".into()
        } else {
            String::new()
        },
        limit: Some(limit),
        limit_kind: kind.into(),
        limit_from: "spread of the baseline".into(),
        against: Some("own baseline, 4 soundings".into()),
        speaks_for: Some(speaks.into()),
    }
}

fn tap(time_s: f64, spot_deg: f64, heard: Option<&str>, reading: &str, reason: &str) -> TapRecord {
    let rings = reading == "clear ring";
    TapRecord {
        time_s,
        file: "taps.wav".into(),
        spot_deg: Some(spot_deg),
        heard: heard.map(Into::into),
        reading: reading.into(),
        reasons: vec![reason.into()],
        ring_time_s: rings.then_some(0.93),
        ring_time_std_s: rings.then_some(0.02),
        ring_fraction: Some(if rings { 0.91 } else { 0.12 }),
        over_noise_db: 42.0,
        peak_db: -8.0,
        flaws: vec![],
        modes: vec![],
        bands: vec![],
        evidence: vec![],
    }
}

/// A full quarter plan of clear rings against the wheel's own baseline.
fn clear() -> SoundingRecord {
    let reason = "rings 0.93 s where this wheel rang 0.85 to 1.10 s";
    SoundingRecord {
        format: FORMAT.into(),
        version: VERSION,
        by: None,
        ready: Vec::new(),
        files: vec![FileRecord {
            name: "taps.wav".into(),
            blake3: "00".into(),
            kind: "WAV, 24-bit integer".into(),
            lossy: false,
            rate_hz: 48_000,
            channels: 1,
            second_channel: None,
            channel: 1,
            length_s: 9.25,
            automatic_gain: false,
        }],
        wheel: Some("W-104".into()),
        outcome: "rings clear".into(),
        summary: "every spot of the quarter plan rings as this wheel rang before".into(),
        footing: "own baseline".into(),
        baseline: Some(BaselineRef {
            of: "W-104".into(),
            version: 2,
            soundings: 4,
        }),
        turn_plan: "quarter".into(),
        temp_c: None,
        room_misfit: None,
        room: None,
        taps: vec![
            tap(0.62, 0.0, Some("ring"), "clear ring", reason),
            tap(2.71, 90.0, Some("ring"), "clear ring", reason),
            tap(4.60, 180.0, Some("ring"), "clear ring", reason),
            tap(6.85, 270.0, Some("ring"), "clear ring", reason),
        ],
        modes: vec![
            mode(2060.31, 0.97, -19.2, Some((2, 0))),
            mode(2064.02, 0.94, -20.9, Some((2, 0))),
            mode(3420.0, 0.71, -24.4, None),
            mode(4735.4, 0.66, -21.4, Some((3, 0))),
            mode(6610.0, 0.42, -34.0, None),
            mode(8240.0, 0.38, -32.0, Some((4, 0))),
            mode(9870.0, 0.30, -38.4, None),
            mode(11900.0, 0.22, -41.9, None),
        ],
        pairs: vec![PairRecord {
            pair: 1,
            label: Some((2, 0)),
            low_hz: 2060.31,
            high_hz: 2064.02,
            split_hz: 3.71,
            split_std_hz: 0.06,
            fitting_orders: vec![2],
            antinode_deg: Some(31.0),
            antinode_std_deg: Some(9.0),
        }],
        unseen_orders: vec![2, 4, 6, 8],
        stiffness: Some(StiffnessRecord {
            youngs_gpa: 44.8,
            youngs_std_gpa: 1.5,
            poisson: Some(0.203),
            poisson_std: Some(0.009),
            density_kg_m3: 2290.0,
            mass_kg: 1.41,
            scatter: 0.0018,
            from_modes: vec![(2, 0), (3, 0), (4, 0)],
        }),
        hints: vec![
            "these tap spots strike both tones of every pair with 2, 4, 6 or 8 nodal diameters in one and the same mix: a change of one of the two may not show".into(),
        ],
        evidence: vec![evidence(
            "common shift",
            -0.04,
            0.3,
            "at most",
            "clear ring",
        )],
        warnings: vec![],
        made_by: MadeBy {
            program: "fourtap".into(),
            version: "0.1.0".into(),
            method: "1".into(),
        },
    }
}

fn dead() -> SoundingRecord {
    let mut record = clear();
    record.outcome = "sounds dead".into();
    record.summary = "tap 3 is a dull thud, and the ear heard a thud there too".into();
    record.taps[2] = tap(
        4.60,
        180.0,
        Some("thud"),
        "dull thud",
        "nothing rings: the tones explain 12 % of the sound where 60 % is the least of a ring",
    );
    record.taps[2].evidence = vec![evidence(
        "ring fraction",
        0.12,
        0.6,
        "at least",
        "dull thud",
    )];
    record.evidence = vec![evidence("common shift", -4.2, 0.3, "at most", "dull thud")];
    record
}

fn again() -> SoundingRecord {
    let mut record = clear();
    record.outcome = "sound it again".into();
    record.summary = "tap 2 cannot be told and the spot at 270 degrees was not tapped".into();
    record.taps.pop();
    record.taps[1] = tap(
        2.71,
        90.0,
        Some("unsure"),
        "unclear",
        "too loud for the microphone's level",
    );
    record.taps[1].flaws = vec![
        FlawRecord {
            kind: "clipped".into(),
            figures: BTreeMap::from([("samples".into(), 31.0), ("until_ms".into(), 2.4)]),
        },
        FlawRecord {
            kind: "bounce".into(),
            figures: BTreeMap::from([("after_ms".into(), 12.0), ("level_db".into(), -8.0)]),
        },
    ];
    record.warnings = vec!["the spot at 270 degrees was not tapped".into()];
    record
}

fn not_compared() -> SoundingRecord {
    let mut record = clear();
    record.outcome = "rings, not compared".into();
    record.summary = "it rings at every spot, with nothing to compare it with".into();
    record.footing = "physics only".into();
    record.baseline = None;
    record.evidence = vec![];
    record.files[0].lossy = true;
    record.files[0].kind = "M4A, AAC".into();
    for tap in &mut record.taps {
        tap.heard = None;
        tap.reasons = vec!["rings 0.93 s".into()];
    }
    record
}

fn all() -> [(&'static str, SoundingRecord); 4] {
    [
        ("rings-clear", clear()),
        ("sounds-dead", dead()),
        ("sound-it-again", again()),
        ("rings-not-compared", not_compared()),
    ]
}

fn plain(record: &SoundingRecord, width: usize) -> String {
    sounding_text(
        record,
        &TextStyle {
            colour: false,
            width,
        },
    )
}

fn without_ansi(text: &str) -> String {
    let mut parts = text.split('\u{1b}');
    let mut plain = parts.next().unwrap().to_owned();
    for part in parts {
        plain.push_str(part.split_once('m').unwrap().1);
    }
    plain
}

#[test]
fn the_four_outcomes_print_as_kept() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/snapshots");
    for (name, record) in all() {
        for width in [80, 60] {
            let text = plain(&record, width);
            let path = folder.join(format!("{name}-{width}.txt"));
            if std::env::var_os("FOURTAP_WRITE_SNAPSHOTS").is_some() {
                std::fs::write(&path, &text).unwrap();
            }
            let kept = std::fs::read_to_string(&path)
                .unwrap()
                .replace("\r\n", "\n");
            assert_eq!(text, kept, "{}", path.display());
        }
    }
}

#[test]
fn no_line_is_longer_than_asked_for() {
    for (name, mut record) in all() {
        record.warnings.push("a_path/without/any/space/".repeat(12));
        record.wheel = Some("W".repeat(300));
        record.taps[0].time_s = 1e300;
        record.taps[0].reasons = vec!["many words ".repeat(80)];
        for width in [20, 33, 40, 59, 60, 72, 80, 132] {
            for line in plain(&record, width).lines() {
                assert!(line.chars().count() <= width, "{name} at {width}: {line}");
            }
        }
    }
}

#[test]
fn colour_changes_nothing_but_colour() {
    for (name, record) in all() {
        let coloured = sounding_text(
            &record,
            &TextStyle {
                colour: true,
                width: 80,
            },
        );
        assert!(coloured.contains("\u{1b}["), "{name}");
        assert_eq!(without_ansi(&coloured), plain(&record, 80), "{name}");
        // Bold, bold blue, bold orange, and back: no red, no green.
        for code in coloured.split('\u{1b}').skip(1) {
            let code = code.split('m').next().unwrap();
            assert!(
                ["[0", "[1", "[1;38;5;33", "[1;38;5;208"].contains(&code),
                "{code}"
            );
        }
    }
}

#[test]
fn the_outcome_comes_first_and_says_what_to_do() {
    for (name, record) in all() {
        let text = plain(&record, 80);
        let second = text.lines().nth(1).unwrap();
        assert!(
            second.contains(&record.outcome.to_uppercase()),
            "{name}: {second}"
        );
        let ahead = text.find("What to do next").unwrap();
        assert!(ahead < text.find("\nTaps\n").unwrap(), "{name}");
        assert!(!text.to_lowercase().contains("safe"), "{name}");
        for tap in &record.taps {
            assert!(
                text.lines().any(
                    |l| l.contains(&tap.reading) && l.contains(&format!("{:.2} s", tap.time_s))
                ),
                "{name}"
            );
        }
    }
    assert!(plain(&dead(), 200).contains("do not mount it\n"));
    assert!(plain(&dead(), 200).contains("X tap 3: ring fraction 0.12, at least 0.6"));
    let again = plain(&again(), 200);
    assert!(
        again.contains("turn the microphone's level down")
            && again.contains("the spot of tap 2 again")
    );
    assert!(again.contains("31 samples at the limit"));
    assert!(plain(&not_compared(), 200).contains("No ear's word stands behind this"));
    assert!(!plain(&clear(), 200).contains("No ear's word"));
}

#[test]
fn odd_records_print() {
    let mut record = clear();
    record.outcome = "a word of tomorrow".into();
    record.summary = "\u{1b}[2Jgone".into();
    record.taps.clear();
    record.modes = vec![mode(f64::NAN, f64::INFINITY, f64::NEG_INFINITY, None)];
    record.evidence[0].value = f64::NAN;
    let text = plain(&record, 80);
    assert!(text.contains("A WORD OF TOMORROW") && text.contains("No tap was found."));
    assert!(text.contains("this version does not know this outcome"));
    assert!(!text.contains('\u{1b}') && !text.contains("NaN") && !text.contains("inf"));
}
