//! `fourtap lot` from outside.

use std::path::Path;
use std::process::{Command, Output};

use fourtap::audio::wav_out::{SampleKind, write_mono};
use fourtap::record::lot::LotReportRecord;
use fourtap::record::lot_plan::{CAUTION, LotPlanRecord};
use fourtap::ring::plate::Material;
use fourtap::ring::synth::{
    BondLoss, CrackFrom, Damage, Imperfection, Noise, Scene, Source as Struck, WheelModel,
    turned_under_mic,
};
use fourtap::units::SampleRate;

fn lot(store: &Path, args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fourtap"));
    command.arg("--store").arg(store).arg("lot").args(args);
    command.output().unwrap()
}

#[test]
fn a_plan_says_on_every_line_what_sampling_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let out = lot(folder.path(), &["plan", "200", "--aql", "1.0"]);
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(out.status.success());
    let lines: Vec<&str> = text.lines().collect();
    assert!(lines.len() > 10);
    for pair in lines.chunks(2) {
        assert!(pair.len() == 2 && pair[1].contains(CAUTION), "{pair:?}");
    }
    assert!(text.contains("Draw 50 wheels") && text.contains("at most 1 bad, reject with 2"));
    let out = lot(
        folder.path(),
        &[
            "plan",
            "1000",
            "--aql",
            "1",
            "--inspection",
            "reduced",
            "--json",
        ],
    );
    let plan: LotPlanRecord = serde_json::from_slice(&out.stdout).unwrap();
    // MIL-STD-105E, letter J, reduced, AQL 1.0: 32, 1, 3.
    assert_eq!((plan.sample, plan.accept, plan.reject), (32, 1, 3));
    assert_eq!(plan.caution, CAUTION);
    // scipy.stats.hypergeom(1000, 50, 32).cdf(2)
    let c = plan.characteristic.iter().find(|c| c.bad == 50).unwrap();
    assert!((c.accepted - 0.788_077).abs() < 1e-6, "{}", c.accepted);
    for args in [
        &["plan", "1"][..],
        &["plan", "50", "--aql", "3"],
        &["plan", "50", "--level", "IV"],
        &["plan", "50", "--inspection", "lax"],
    ] {
        assert_eq!(lot(folder.path(), args).status.code(), Some(2), "{args:?}");
    }
}

fn fixture(name: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/taps")
        .join(name)
}

fn report(store: &Path, args: &[&str]) -> (LotReportRecord, Output) {
    let out = lot(store, args);
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    let record = serde_json::from_slice(&out.stdout);
    (
        record.unwrap_or_else(|e| panic!("{args:?}: {e}: {told}")),
        out,
    )
}

#[test]
fn a_lot_is_read_kept_gone_on_with_and_decided() {
    let folder = tempfile::tempdir().unwrap();
    let (store, takes) = (folder.path().join("store"), folder.path().join("takes"));
    std::fs::create_dir_all(takes.join("L-1")).unwrap();
    std::fs::copy(fixture("hl1-monday.wav"), takes.join("L-1/taps.wav")).unwrap();
    std::fs::write(takes.join("L-2.wav"), b"no sound at all").unwrap();
    let dir = takes.to_string_lossy().into_owned();
    let missing = lot(&store, &["report", "April"]);
    assert_eq!(missing.status.code(), Some(5));
    let added = lot(
        &store,
        &[
            "add",
            "April",
            "--number",
            "8",
            "--aql",
            "6.5",
            "--size",
            "200x20x32",
            "--bond",
            "vitrified",
        ],
    );
    assert!(
        added.status.success(),
        "{}",
        String::from_utf8_lossy(&added.stderr)
    );

    // One rings with nothing to compare, one file is broken: held, the fault told, the rest read.
    let (r, out) = report(&store, &["read", "--lot", "April", &dir, "--json"]);
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(
        told.contains("L-2: not read") && told.contains("1 wheels read and kept"),
        "{told}"
    );
    assert_eq!(
        (r.decision.as_str(), r.good, r.bad, r.unclear),
        ("hold", 0, 0, 1)
    );
    assert_eq!(out.status.code(), Some(11));

    // The broken one is replaced by a dead wheel; what was read is not read again.
    std::fs::copy(fixture("hl3-dead.wav"), takes.join("L-2.wav")).unwrap();
    let (r, out) = report(&store, &["read", "--lot", "April", &dir, "--json"]);
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(
        told.contains("1 wheels read and kept, 1 had been read before"),
        "{told}"
    );
    // Letter A, AQL 6.5: two wheels, accept 0, reject 1.
    assert_eq!((r.sample, r.accept, r.reject), (2, 0, 1));
    assert_eq!(
        (r.decision.as_str(), r.bad, r.unclear),
        ("reject", 1, 1),
        "{r:?}"
    );
    assert_eq!(out.status.code(), Some(10));
    assert_eq!(r.caution, CAUTION);

    let csv = folder.path().join("lot.csv");
    let (again, _) = report(
        &store,
        &["report", "April", "--csv", &csv.to_string_lossy(), "--json"],
    );
    assert_eq!(again, r);
    let table = std::fs::read_to_string(csv).unwrap();
    assert_eq!(table.lines().count(), 3);
    assert!(
        table.contains("L-2,") && table.contains(",bad,sounds dead,"),
        "{table}"
    );
    let (page, lines) = (
        folder.path().join("lot.html"),
        folder.path().join("lot.jsonl"),
    );
    let written = lot(
        &store,
        &[
            "report",
            "April",
            "-o",
            &page.to_string_lossy(),
            "--json-lines",
            &lines.to_string_lossy(),
        ],
    );
    assert_eq!(written.status.code(), Some(10));
    let page = std::fs::read_to_string(page).unwrap();
    // Self-contained: decision, caution, every wheel, charts inside, nothing from elsewhere.
    for words in [
        "REJECT",
        "L-1",
        "L-2",
        "sounds dead",
        "ampling does not replace",
    ] {
        assert!(page.contains(words), "{words}");
    }
    assert!(page.matches("<img class=\"chart\" alt=").count() >= 3 && !page.contains("src=\"http"));
    let wheels: Vec<serde_json::Value> = std::fs::read_to_string(lines)
        .unwrap()
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    assert_eq!(wheels.len(), 2);
    assert!(
        wheels
            .iter()
            .all(|w| w["in_sample"] == true && w["wheel"].is_string())
    );
    let text = String::from_utf8(lot(&store, &["report", "April"]).stdout).unwrap();
    assert!(
        text.starts_with("Lot April: REJECT") && text.contains(CAUTION),
        "{text}"
    );
}

#[test]
fn one_recording_for_two_wheels_is_no_good_wheel() {
    let folder = tempfile::tempdir().unwrap();
    let (store, takes) = (folder.path().join("store"), folder.path().join("takes"));
    std::fs::create_dir(&takes).unwrap();
    for wheel in ["L-1_a", "L-2_a"] {
        std::fs::copy(
            fixture("hl1-monday.wav"),
            takes.join(format!("{wheel}.wav")),
        )
        .unwrap();
    }
    let dir = takes.to_string_lossy().into_owned();
    let added = lot(
        &store,
        &[
            "add",
            "May",
            "--number",
            "9",
            "--aql",
            "6.5",
            "--size",
            "200x20x32",
            "--bond",
            "vitrified",
        ],
    );
    assert!(added.status.success());
    let args = [
        "read",
        "--lot",
        "May",
        &dir,
        "--name-pattern",
        "{wheel}_*",
        "--json",
    ];
    let (r, _) = report(&store, &args);
    let mut ids: Vec<&str> = r.wheels.iter().map(|w| w.wheel.as_str()).collect();
    ids.sort_unstable();
    assert_eq!(ids, ["L-1", "L-2"]);
    for w in &r.wheels {
        assert_eq!(w.counts_as, "unclear");
        assert!(
            w.because.iter().any(|b| b.contains("the same recording")),
            "{w:?}"
        );
    }
}

/// Four taps on a wheel of 200x20x32 mm, 4 s at 48 kHz, noise of -60 dB.
fn write_wheel(path: &Path, seed: u64, damage: Option<Damage>) {
    let material = Material {
        youngs_pa: 45e9 * (1.0 + 0.004 * (seed % 7) as f64),
        density_kg_m3: 2300.0,
        poisson: 0.2,
    };
    let size = [0.2, 0.02, 0.032];
    let mut wheel = WheelModel::sound(
        size,
        material,
        BondLoss::VITRIFIED,
        Imperfection::usual(seed),
    );
    if let Some(damage) = damage {
        wheel = wheel.with(damage);
    }
    let spots = [45.0, 135.0, 225.0, 315.0].map(f64::to_radians);
    let rate = SampleRate::new(48_000).unwrap();
    let scene = Scene {
        noise: vec![Noise::White { rms_db: -60.0 }],
        seed,
        ..Scene::plain(rate, Struck::Wheel(wheel), turned_under_mic(&spots, 0.1))
    };
    let clip = scene.play().unwrap().clip;
    write_mono(path, rate, clip.samples(), SampleKind::Int16).unwrap();
}

/// Adds a lot of 8 wheels of which 2 are drawn, reads what is in the folder, and reports.
fn added_and_read(store: &Path, name: &str, inspection: &str, takes: &Path) -> LotReportRecord {
    let words = format!(
        "add {name} --number 8 --aql 6.5 --size 200x20x32 --bond vitrified --mass 1.42kg --inspection {inspection}"
    );
    let args: Vec<&str> = words.split(' ').collect();
    let added = lot(store, &args);
    let told = String::from_utf8_lossy(&added.stderr).into_owned();
    assert!(added.status.success(), "{told}");
    let text = String::from_utf8(added.stdout).unwrap();
    assert!(text.contains("of its kind"), "{text}");
    report(
        store,
        &["read", "--lot", name, &takes.to_string_lossy(), "--json"],
    )
    .0
}

#[test]
fn without_a_baseline_the_other_wheels_of_the_lot_stand_behind_a_wheel() {
    let folder = tempfile::tempdir().unwrap();
    let (store, takes) = (folder.path().join("store"), folder.path().join("takes"));
    std::fs::create_dir(&takes).unwrap();
    for seed in 0..6 {
        write_wheel(&takes.join(format!("P-{seed}.wav")), seed, None);
    }
    let crack = Damage::Crack {
        from: CrackFrom::Rim,
        angle_rad: 0.4,
        severity: 0.4,
    };
    write_wheel(&takes.join("P-6.wav"), 6, Some(crack));
    let r = added_and_read(&store, "June", "normal", &takes);
    for w in &r.wheels {
        let peers = w
            .peers
            .as_ref()
            .map(|p| (p.wheels >= 3, p.reading.as_str()));
        if w.wheel == "P-6" {
            assert_ne!(w.counts_as, "good", "{w:?}");
            assert_ne!(peers, Some((true, "clear ring")), "{w:?}");
        } else {
            assert_eq!(w.footing, "lot peers", "{w:?}");
            assert_eq!(peers, Some((true, "clear ring")), "{w:?}");
            assert_eq!(w.counts_as, "good", "{w:?}");
        }
        // E of the made-up wheels is 45 to 46.1 GPa; their density gives 1.41 kg, so that the
        // mass given is right within 1 %.
        let youngs = w.youngs_gpa.unwrap();
        let made = w.wheel == "P-6" || (44.0..47.5).contains(&youngs);
        assert!(made, "{w:?}");
    }
    let told = r.because.join(" ");
    assert!(
        told.contains("held against other wheels of the lot"),
        "{told}"
    );
    assert_eq!(r.switching.asked, "normal");
}

#[test]
fn two_rejected_lots_tighten_the_third() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store");
    for name in ["A", "B"] {
        let takes = folder.path().join(name);
        std::fs::create_dir(&takes).unwrap();
        for wheel in 0..2 {
            let to = takes.join(format!("{name}{wheel}.wav"));
            std::fs::copy(fixture("hl3-dead.wav"), to).unwrap();
        }
        assert_eq!(
            added_and_read(&store, name, "normal", &takes).decision,
            "reject"
        );
    }
    let takes = folder.path().join("C");
    std::fs::create_dir(&takes).unwrap();
    for seed in 10..16 {
        write_wheel(&takes.join(format!("C-{seed}.wav")), seed, None);
    }
    // MIL-STD-105E, 4.7.1: two of five lots not accepted, tightened inspection.
    let r = added_and_read(&store, "C", "normal", &takes);
    assert_eq!((r.good, r.bad, r.unclear), (2, 0, 0), "{r:?}");
    assert_eq!(r.switching.asked, "tightened");
    assert_eq!(r.switching.past.len(), 2);
    assert_eq!(r.decision, "hold", "{:?}", r.because);
    let r = added_and_read(&store, "C", "tightened", &takes);
    assert_eq!(r.sample, 3, "letter A has no tightened plan with fewer");
    assert_eq!(r.decision, "accept", "{:?}", r.because);
}
