use super::*;

/// A made-up wheel of 125 x 6 mm that fits its grinder by every rule.
fn fitting() -> FitFigures {
    FitFigures {
        wheel_rpm: Some(12_000.0),
        diameter_mm: 125.0,
        thickness_mm: 6.0,
        hole_mm: 22.23,
        is_organic: true,
        is_bond_known: true,
        shape: Some(1),
        made: Some((2023, 12)),
        today: (2026, 11),
        grinder_rpm: Some(11_000.0),
        max_diameter_mm: Some(125.0),
        max_thickness_mm: Some(6.0),
        spindle_mm: Some(22.2),
        flange_mm: Some(42.0),
        guard_mm: Some(125.0),
        ..FitFigures::default()
    }
}

/// Result and reason of a rule, some figures changed.
fn of(name: &str, change: impl FnOnce(&mut FitFigures)) -> (FitResult, String) {
    let mut figures = fitting();
    change(&mut figures);
    let rules = fit_rules(&figures);
    let one = rules.into_iter().find(|r| r.rule == name).unwrap();
    (one.result, one.because)
}

fn fits(name: &str, change: impl FnOnce(&mut FitFigures)) -> bool {
    let (result, why) = of(name, change);
    assert_ne!(result, FitResult::CannotTell, "{name}: {why}");
    result == FitResult::Fits
}

#[test]
fn all_rules_are_asked_and_the_worst_counts() {
    let rules = fit_rules(&fitting());
    let names: Vec<_> = rules.iter().map(|r| r.rule).collect();
    assert_eq!(
        names,
        [
            "speed",
            "rim speed",
            "diameter",
            "thickness",
            "arbor",
            "flanges",
            "guard size",
            "age"
        ]
    );
    assert!(
        rules.iter().all(|r| r.result == FitResult::Fits),
        "{rules:?}"
    );
    assert!(rules.iter().all(|r| !r.source.is_empty()));
    assert_eq!(fit_result(&rules), FitResult::Fits);
    assert_eq!(fit_result(&[]), FitResult::CannotTell);
    use FitResult::{CannotTell, DoesNotFit, Fits, NotAnswered};
    let worst = |of: &[FitResult]| {
        let with = |r: &FitResult| FitRule {
            result: *r,
            ..rules[0].clone()
        };
        fit_result(&of.iter().map(with).collect::<Vec<_>>())
    };
    assert_eq!(worst(&[Fits, NotAnswered, Fits]), NotAnswered);
    assert_eq!(worst(&[NotAnswered, CannotTell]), CannotTell);
    assert_eq!(worst(&[CannotTell, DoesNotFit, Fits]), DoesNotFit);
}

#[test]
fn a_grinder_may_turn_as_fast_as_the_wheel_and_no_faster() {
    let at = |rpm: f64| fits("speed", |f| f.grinder_rpm = Some(rpm));
    assert!(at(12_000.0) && !at(12_000.1));
    let rim = |rpm: f64| fits("rim speed", |f| f.grinder_rpm = Some(rpm));
    assert!(rim(12_000.0) && !rim(12_000.1));
    let (result, why) = of("speed", |f| f.grinder_rpm = None);
    assert_eq!(
        (result, why.as_str()),
        (FitResult::CannotTell, "not known: the grinder's speed")
    );
    let (result, why) = of("rim speed", |f| (f.wheel_rpm, f.grinder_rpm) = (None, None));
    let both = "not known: the wheel's marked speed, the grinder's speed";
    assert_eq!((result, why.as_str()), (FitResult::CannotTell, both));
    let (result, why) = of("speed", |f| f.wheel_rpm = None);
    assert_eq!(result, FitResult::CannotTell);
    assert_eq!(why, "not known: the wheel's marked speed");
}

// A rim of 60000/pi mm at 1 rpm runs 60 m/min x 1000/60, that is 1000 mm/s: 1 m/s.
#[test]
fn a_marked_rim_speed_is_allowed_one_per_cent() {
    let diameter_mm = 60_000.0 / std::f64::consts::PI / 1000.0;
    assert!((rim_m_per_s(diameter_mm, 80_000.0) - 80.0).abs() < 1e-9);
    let at = |rpm: f64| {
        fits("rim speed", |f| {
            f.diameter_mm = diameter_mm;
            f.wheel_rim_m_per_s = Some(80.0);
            f.grinder_rpm = Some(rpm);
        })
    };
    assert!(at(80_790.0) && !at(80_810.0));
    // 1 sfpm is 0.3048 m in 60 s: 5.08 mm/s.
    let (_, why) = of("rim speed", |f| {
        f.diameter_mm = diameter_mm;
        f.wheel_rim_m_per_s = Some(50.8);
        f.grinder_rpm = Some(25_400.0);
    });
    assert_eq!(
        why,
        "its rim would run 25.4 m/s (5000 sfpm), it may run 50.8 m/s (10000 sfpm)"
    );
    assert!(marks_agree(diameter_mm, 80_790.0, 80.0) && !marks_agree(diameter_mm, 80_810.0, 80.0));
    assert!(marks_agree(diameter_mm, 79_210.0, 80.0) && !marks_agree(diameter_mm, 79_190.0, 80.0));
}

#[test]
fn sizes_are_nominal_to_a_twentieth_of_a_millimetre() {
    let wide = |d: f64| fits("diameter", |f| f.max_diameter_mm = Some(125.0 + d));
    assert!(wide(-0.049) && !wide(-0.051) && wide(9.0));
    let thick = |d: f64| fits("thickness", |f| f.max_thickness_mm = Some(6.0 + d));
    assert!(thick(-0.049) && !thick(-0.051));
    let guard = |d: f64| fits("guard size", |f| f.guard_mm = Some(125.0 + d));
    assert!(guard(-0.049) && !guard(-0.051) && guard(5.0) && !guard(-125.0));
    let none = of("guard size", |f| f.guard_mm = Some(0.0));
    assert_eq!(none.1, "the grinder has no guard");
    for name in ["diameter", "thickness", "guard size"] {
        let unknown = of(name, |f| {
            (f.max_diameter_mm, f.max_thickness_mm, f.guard_mm) = (None, None, None);
        });
        assert_eq!(unknown.0, FitResult::CannotTell, "{name}");
    }
    let (_, why) = of("diameter", |f| f.max_diameter_mm = Some(115.5));
    assert_eq!(why, "the wheel has 125 mm, the grinder takes 115.5 mm");
}

#[test]
fn a_hole_is_neither_tight_nor_loose() {
    let at = |play: f64| {
        of("arbor", |f| {
            (f.spindle_mm, f.hole_mm) = (Some(20.0), 20.0 + play)
        })
    };
    for (play, word) in [
        (-0.051, "would have to be forced"),
        (-0.049, "goes on freely"),
        (0.0, "goes on freely"),
        (0.399, "goes on freely"),
        (0.401, "would sit loose"),
    ] {
        let (result, why) = at(play);
        assert!(why.contains(word), "{play}: {why}");
        assert_eq!(
            result == FitResult::Fits,
            word == "goes on freely",
            "{play}"
        );
    }
    assert_eq!(of("arbor", |f| f.hole_mm = 0.0).0, FitResult::CannotTell);
    assert_eq!(
        of("arbor", |f| f.spindle_mm = None).0,
        FitResult::CannotTell
    );
}

#[test]
fn flanges_have_a_third_of_the_wheel() {
    let at = |flange: f64| {
        fits("flanges", |f| {
            (f.diameter_mm, f.flange_mm) = (150.0, Some(flange))
        })
    };
    assert!(at(49.96) && !at(49.94) && at(60.0));
    let why = of("flanges", |f| (f.diameter_mm, f.flange_mm) = (150.0, None)).1;
    assert_eq!(why, "they need 50 mm or more; theirs is not known");
    // Depressed centres have a rule of their own.
    for (shape, told) in [
        (26, true),
        (27, false),
        (28, false),
        (29, false),
        (30, true),
    ] {
        let result = of("flanges", |f| f.shape = Some(shape)).0;
        assert_eq!(result != FitResult::CannotTell, told, "{shape}");
    }
    assert!(fits("flanges", |f| f.shape = None));
}

#[test]
fn an_organic_bond_keeps_three_years_to_the_month() {
    let made = |year, month| fits("age", |f| f.made = Some((year, month)));
    assert!(made(2023, 11) && !made(2023, 10) && !made(2022, 12) && made(2024, 1));
    let until = |year, month| fits("age", |f| f.expires = Some((year, month)));
    assert!(until(2026, 11) && !until(2026, 10) && until(2027, 1) && !until(2025, 12));
    // The label's last month comes before any other rule.
    assert!(fits("age", |f| (f.made, f.expires) =
        (Some((2000, 1)), Some((2026, 12)))));
    assert_eq!(of("age", |f| f.made = None).0, FitResult::CannotTell);
    let vitrified = |known| {
        of("age", |f| {
            (f.is_organic, f.is_bond_known, f.made) = (false, known, Some((1990, 1)))
        })
        .0
    };
    assert_eq!(vitrified(true), FitResult::Fits);
    assert_eq!(vitrified(false), FitResult::CannotTell);
}

#[test]
fn the_last_answer_of_the_eye_counts() {
    let answer = |key: &str, yes| (key.to_owned(), yes);
    let rules = eye_rules(&[
        answer("dry", true),
        answer("seen", true),
        answer("seen", false),
        answer("other", false),
    ]);
    assert_eq!(rules.len(), EYE_QUESTIONS.len());
    for r in &rules {
        let (result, word) = match r.rule {
            "dry" => (FitResult::Fits, "? yes"),
            "seen" => (FitResult::DoesNotFit, "? NO"),
            _ => (FitResult::NotAnswered, "? not answered"),
        };
        assert!(r.result == result && r.because.ends_with(word), "{r:?}");
    }
}

#[test]
fn millimetres_have_no_idle_noughts() {
    for (value, text) in [(100.0, "100"), (22.23, "22.23"), (0.5, "0.5"), (3.999, "4")] {
        assert_eq!(mm(value), text);
    }
}
