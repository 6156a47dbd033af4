//! The register and the fit: rules against worked values and through the built program.

use std::path::Path;
use std::process::{Command, Output};

use fourtap::reading::fit_rules::{FitFigures, FitResult, eye_rules, fit_rules, marks_agree};
use proptest::prelude::*;

fn rule(figures: &FitFigures, name: &str) -> (FitResult, String) {
    let rules = fit_rules(figures);
    let found = rules.into_iter().find(|r| r.rule == name).unwrap();
    (found.result, found.because)
}

/// A vitrified wheel of 200x20x32 mm at 3350 rpm on a bench grinder that it fits.
fn fitting() -> FitFigures {
    FitFigures {
        wheel_rpm: Some(3350.0),
        diameter_mm: 200.0,
        thickness_mm: 20.0,
        hole_mm: 32.0,
        is_bond_known: true,
        today: (2026, 11),
        grinder_rpm: Some(2950.0),
        max_diameter_mm: Some(200.0),
        max_thickness_mm: Some(25.0),
        spindle_mm: Some(32.0),
        flange_mm: Some(70.0),
        guard_mm: Some(200.0),
        ..FitFigures::default()
    }
}

#[test]
fn a_wheel_that_fits_fits_by_every_rule() {
    for rule in fit_rules(&fitting()) {
        assert_eq!(
            rule.result,
            FitResult::Fits,
            "{}: {}",
            rule.rule,
            rule.because
        );
        assert!(!rule.source.is_empty());
    }
}

#[test]
fn an_organic_bond_lasts_three_years_to_the_month() {
    let mut figures = fitting();
    (figures.is_organic, figures.made) = (true, Some((2023, 11)));
    let (result, because) = rule(&figures, "age");
    assert_eq!(result, FitResult::Fits, "{because}");
}

#[test]
fn labels_and_flanges_are_rounded() {
    // 35 m/s on 200 mm are 3342 rpm, and 3350 stands on such labels: 0.2 % more.
    let mut figures = fitting();
    figures.wheel_rim_m_per_s = Some(35.0);
    figures.grinder_rpm = Some(3350.0);
    assert_eq!(rule(&figures, "rim speed").0, FitResult::Fits);
    figures.grinder_rpm = Some(3400.0);
    assert_eq!(rule(&figures, "rim speed").0, FitResult::DoesNotFit);
    // A third of 200 mm is 66.67 mm.
    figures.flange_mm = Some(66.66);
    assert_eq!(rule(&figures, "flanges").0, FitResult::Fits);
}

#[test]
fn each_misfit_is_found_by_its_rule() {
    let change = |f: fn(&mut FitFigures)| {
        let mut figures = fitting();
        f(&mut figures);
        figures
    };
    for (name, figures) in [
        ("speed", change(|f| f.grinder_rpm = Some(3351.0))),
        ("rim speed", change(|f| f.grinder_rpm = Some(3400.0))),
        ("diameter", change(|f| f.diameter_mm = 230.0)),
        ("thickness", change(|f| f.thickness_mm = 32.0)),
        ("arbor", change(|f| f.hole_mm = 31.75)),
        ("arbor", change(|f| f.hole_mm = 40.0)),
        // A wheel of 4 in. wants 1.33 in. (OSHA letter of 1 March 1992): of 200 mm 66.7 mm.
        ("flanges", change(|f| f.flange_mm = Some(66.0))),
        ("guard size", change(|f| f.guard_mm = Some(180.0))),
        ("guard size", change(|f| f.guard_mm = Some(0.0))),
        ("age", change(|f| f.expires = Some((2026, 10)))),
        (
            "age",
            change(|f| (f.is_organic, f.made) = (true, Some((2023, 10)))),
        ),
    ] {
        let (result, because) = rule(&figures, name);
        assert_eq!(result, FitResult::DoesNotFit, "{name}: {because}");
    }
}

#[test]
fn what_is_not_known_never_fits() {
    let bare = FitFigures {
        diameter_mm: 200.0,
        thickness_mm: 20.0,
        hole_mm: 32.0,
        today: (2026, 11),
        ..FitFigures::default()
    };
    for rule in fit_rules(&bare) {
        assert_eq!(rule.result, FitResult::CannotTell, "{}", rule.rule);
    }
    let rules = eye_rules(&[("seen".to_owned(), true), ("dry".to_owned(), false)]);
    let of = |key: &str| rules.iter().find(|r| r.rule == key).unwrap().result;
    assert_eq!(of("seen"), FitResult::Fits);
    assert_eq!(of("dry"), FitResult::DoesNotFit);
    assert_eq!(of("power"), FitResult::NotAnswered);
    // Depressed-centre wheels have a rule of their own (1910.215(c)(4)): not told by a third.
    let mut figures = fitting();
    (figures.shape, figures.flange_mm) = (Some(27), Some(40.0));
    assert_eq!(rule(&figures, "flanges").0, FitResult::CannotTell);
}

#[test]
fn speeds_are_those_of_the_tables() {
    // Worked values: pi D n / 60000 and pi D n / 12 (definitions; 6500 sfpm = 33.020 m/s).
    for (inches, rpm, sfpm, m_per_s) in
        [(6.0, 3450.0, "5419", "27.5"), (8.0, 3450.0, "7226", "36.7")]
    {
        let mut figures = fitting();
        figures.diameter_mm = inches * 25.4;
        figures.grinder_rpm = Some(rpm);
        let (_, because) = rule(&figures, "rim speed");
        assert!(
            because.contains(&format!("{m_per_s} m/s ({sfpm} sfpm)")),
            "{because}"
        );
    }
    // Label speeds at 80 m/s as they are usual (EN 12413 and the trade, from memory; 4365 and
    // 8730 from a US trade catalogue of 2019): rounded, but they belong together.
    for (diameter_mm, rpm) in [
        (100.0, 15_300.0),
        (115.0, 13_300.0),
        (125.0, 12_250.0),
        (125.0, 12_200.0),
        (180.0, 8_500.0),
        (230.0, 6_650.0),
        (300.0, 5_100.0),
        (350.0, 4_400.0),
        (400.0, 3_850.0),
    ] {
        assert!(marks_agree(diameter_mm, rpm, 80.0), "{diameter_mm}");
        assert!(!marks_agree(diameter_mm, rpm * 1.05, 80.0), "{diameter_mm}");
    }
}

proptest! {
    /// A faster grinder never fits where a slower one does not; a smaller wheel neither misfits
    /// where a larger one fits.
    #[test]
    fn slower_and_smaller_is_never_worse(
        rpm in 100.0..20_000.0f64, less in 0.0..1.0f64, diameter in 50.0..600.0f64,
    ) {
        let at = |rpm: f64, diameter_mm: f64, name: &str| {
            let mut f = fitting();
            (f.grinder_rpm, f.diameter_mm) = (Some(rpm), diameter_mm);
            rule(&f, name).0
        };
        for name in ["speed", "rim speed"] {
            prop_assert!(at(rpm * less, 200.0, name) >= at(rpm, 200.0, name));
        }
        for name in ["diameter", "guard size", "flanges"] {
            prop_assert!(at(2950.0, diameter * less, name) >= at(2950.0, diameter, name));
        }
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

fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

#[test]
fn the_fit_is_kept_with_who_answered_and_a_misfit_comes_first() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    let label = [
        "wheel",
        "add",
        "W-104",
        "--size",
        "200x20x32",
        "--bond",
        "vitrified",
        "--max-speed",
        "3350rpm",
        "--rim-speed",
        "35m/s",
        "--marking",
        "51 A 36 L 5 V 23",
        "--shape",
        "1",
        "--serial",
        "X 12",
        "--made",
        "2025-03",
        "--received",
        "2025-04-01",
        "--mass",
        "1.4kg",
    ];
    let added = run(store, &label);
    assert_eq!(
        code(&added),
        0,
        "{}",
        String::from_utf8_lossy(&added.stderr)
    );
    let shown = String::from_utf8(run(store, &["wheel", "show", "W-104"]).stdout).unwrap();
    assert!(shown.contains("grade L, structure 5, bond V"), "{shown}");
    let grinder = [
        "grinder",
        "add",
        "G-2",
        "--kind",
        "bench",
        "--speed",
        "2950rpm",
        "--max-diameter",
        "200",
        "--max-thickness",
        "1in",
        "--spindle",
        "32mm",
        "--flange",
        "70",
        "--guard",
        "8in",
    ];
    assert_eq!(code(&run(store, &grinder)), 0);
    let fit = ["fit", "--wheel", "W-104", "--grinder", "G-2"];
    let open = run(store, &fit);
    let text = String::from_utf8(open.stdout.clone()).unwrap();
    assert_eq!(code(&open), 14, "{text}");
    assert!(text.starts_with("CANNOT TELL"), "{text}");
    let answers = "power=yes,seen=yes,dry=yes,purpose=yes,flanges=yes,guard=yes";
    let answered = run(
        store,
        &[
            &fit[..],
            &["--answer", answers, "--by", "R. Moss", "--json"],
        ]
        .concat(),
    );
    assert_eq!(
        code(&answered),
        0,
        "{}",
        String::from_utf8_lossy(&answered.stdout)
    );
    let record: serde_json::Value = serde_json::from_slice(&answered.stdout).unwrap();
    assert_eq!(
        (&record["result"], &record["by"]),
        (&"fits".into(), &"R. Moss".into())
    );
    assert_eq!(
        code(&run(store, &[&fit[..], &["--answer", "seen=yes"]].concat())),
        2,
        "by whom?"
    );

    assert_eq!(
        code(&run(
            store,
            &["grinder", "edit", "G-2", "--speed", "3600rpm"]
        )),
        0
    );
    let misfit = run(store, &fit);
    let text = String::from_utf8(misfit.stdout.clone()).unwrap();
    assert_eq!(code(&misfit), 13, "{text}");
    assert!(text.starts_with("DOES NOT FIT"), "{text}");
    let first = text
        .lines()
        .find(|l| l.trim_start().starts_with(['X', '+', '?']))
        .unwrap();
    assert!(
        first.contains("speed: does not fit") && first.contains("3600"),
        "{text}"
    );
    let shown = String::from_utf8(run(store, &["grinder", "show", "G-2"]).stdout).unwrap();
    assert!(
        shown.contains("edited: speed 2950rpm to 3600rpm"),
        "{shown}"
    );

    let kept = fourtap::store::Store::open_existing(store).unwrap();
    let fits = kept
        .all_kept::<fourtap::record::fit::FitRecord>(Some("w-104"))
        .unwrap();
    let results: Vec<&str> = fits.iter().map(|f| f.record.result.as_str()).collect();
    assert_eq!(results, ["cannot tell", "fits", "does not fit"]);
    assert_eq!(kept.verify().unwrap().wrong, None);
    drop(kept);
    // A dropped wheel fits nothing before it is sounded again.
    assert_eq!(code(&run(store, &["wheel", "dropped", "W-104"])), 0);
    assert_eq!(
        code(&run(
            store,
            &["grinder", "edit", "G-2", "--speed", "2950rpm"]
        )),
        0
    );
    let dropped = run(
        store,
        &[&fit[..], &["--answer", answers, "--by", "R. Moss"]].concat(),
    );
    assert_eq!(code(&dropped), 13);
    assert!(String::from_utf8_lossy(&dropped.stdout).contains("it was dropped"));
}

#[test]
fn figures_on_the_line_need_no_store() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("none");
    let line = [
        "fit",
        "--size",
        "4-1/2x1/4x7/8in",
        "--bond",
        "resinoid",
        "--max-speed",
        "13300rpm",
        "--shape",
        "27",
        "--expires",
        "2099-01",
        "--speed",
        "11000rpm",
        "--spindle",
        "7/8in",
        "--max-diameter",
        "4-1/2in",
        "--max-thickness",
        "1/4in",
        "--guard",
        "115mm",
    ];
    let fit = run(&store, &line);
    assert_eq!(code(&fit), 14, "{}", String::from_utf8_lossy(&fit.stdout));
    assert!(!store.exists(), "nothing is kept");
    let text = String::from_utf8(fit.stdout).unwrap();
    assert!(
        text.contains("hole 22.23 mm, spindle 22.23 mm: it goes on freely"),
        "{text}"
    );
    let wrong = run(&store, &["fit", "--size", "200x20x32", "--speed", "30m/s"]);
    assert_eq!(code(&wrong), 2);
    let wrong = run(
        &store,
        &[
            "fit",
            "--size",
            "200x20x32",
            "--speed",
            "3000rpm",
            "--answer",
            "x=yes",
        ],
    );
    assert_eq!(code(&wrong), 2);
}

#[test]
fn a_label_that_contradicts_itself_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let add = |more: &[&str]| {
        let args = [
            "wheel",
            "add",
            "W-1",
            "--size",
            "200x20x32",
            "--bond",
            "vitrified",
        ];
        run(folder.path(), &[&args[..], more].concat())
    };
    for (more, words) in [
        (
            &["--max-speed", "3350rpm", "--rim-speed", "50m/s"][..],
            "35.1 m/s at its rim",
        ),
        (&["--marking", "A 36 L 5 BF"], "says the bond is resinoid"),
        (&["--rim-speed", "3000rpm"], "no speed of the rim"),
        (&["--made", "March"], "no month"),
        (&["--received", "2025-02-30"], "no day"),
        (&["--shape", "0"], "no shape number"),
        (&["--mass", "1.4"], "no mass"),
    ] {
        let refused = add(more);
        let told = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert_eq!(code(&refused), 2, "{told}");
        assert!(told.contains(words), "{told}");
    }
    assert!(
        !folder.path().join("fourtap.db").exists(),
        "no store is left behind"
    );
}
