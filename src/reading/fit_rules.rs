//! Does a wheel go on a grinder? Each rule with its figures and its source.
//!
//! A figure that is not known makes a rule `cannot tell`, never `fits`. Rules taken from memory,
//! not from a copy of their source, say so.

use std::f64::consts::PI;

/// Ours: diameters nearer than this, in mm, are one nominal size (22.23 and 7/8 in.).
const SAME_MM: f64 = 0.05;
/// Ours: a hole wider than the spindle by more than this, in mm, is loose. Holes are made wider
/// than the spindle by some tenths.
const LOOSE_MM: f64 = 0.4;
/// Flanges are at least this share of the wheel's diameter.
const FLANGE_SHARE: f64 = 1.0 / 3.0;
/// Labels are rounded up by as much as this (0.8 % at 350 mm and 80 m/s).
const LABEL_SHARE: f64 = 0.01;
/// Years that organic bonds for hand-held use keep.
const ORGANIC_YEARS: i32 = 3;

/// What is known of wheel and grinder; lengths in mm, speeds in rpm.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FitFigures {
    /// Marked maximum operating speed of the wheel.
    pub wheel_rpm: Option<f64>,
    /// Marked maximum speed of its rim in m/s, where the label has that as well.
    pub wheel_rim_m_per_s: Option<f64>,
    /// Diameter of the wheel.
    pub diameter_mm: f64,
    /// Thickness of the wheel.
    pub thickness_mm: f64,
    /// Hole of the wheel; 0 for none.
    pub hole_mm: f64,
    /// True for resinoid, rubber and shellac.
    pub is_organic: bool,
    /// True when the bond is known.
    pub is_bond_known: bool,
    /// Shape by its number (1 straight, 27 depressed centre ...).
    pub shape: Option<u32>,
    /// Year and month of manufacture.
    pub made: Option<(i32, u32)>,
    /// Last year and month of use.
    pub expires: Option<(i32, u32)>,
    /// Year and month today.
    pub today: (i32, u32),
    /// Speed of the spindle without load.
    pub grinder_rpm: Option<f64>,
    /// Greatest diameter that the grinder takes.
    pub max_diameter_mm: Option<f64>,
    /// Greatest thickness that the grinder takes.
    pub max_thickness_mm: Option<f64>,
    /// Spindle or seat.
    pub spindle_mm: Option<f64>,
    /// Flanges.
    pub flange_mm: Option<f64>,
    /// Greatest diameter that the guard is for; 0 without a guard.
    pub guard_mm: Option<f64>,
}

/// What a rule says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum FitResult {
    /// Against it.
    DoesNotFit,
    /// A figure is missing, or the rule needs a person who knows.
    CannotTell,
    /// A question for the eye that nobody has answered.
    NotAnswered,
    /// Nothing against it.
    Fits,
}

impl FitResult {
    /// The words for people and records.
    pub fn words(self) -> &'static str {
        match self {
            Self::DoesNotFit => "does not fit",
            Self::CannotTell => "cannot tell",
            Self::NotAnswered => "not answered",
            Self::Fits => "fits",
        }
    }
}

/// A rule with what came out.
#[derive(Debug, Clone, PartialEq)]
pub struct FitRule {
    /// Its short name.
    pub rule: &'static str,
    /// What it says.
    pub result: FitResult,
    /// The figures, or the question.
    pub because: String,
    /// Where it comes from.
    pub source: &'static str,
}

/// A question for the eye.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EyeQuestion {
    /// The word it is answered by.
    pub key: &'static str,
    /// The question; yes is right.
    pub question: &'static str,
    /// Where it comes from.
    pub source: &'static str,
}

/// What only the eye can answer.
pub const EYE_QUESTIONS: [EyeQuestion; 6] = [
    EyeQuestion {
        key: "power",
        question: "Is the grinder cut off from its power?",
        source: "common practice before any wheel is handled",
    },
    EyeQuestion {
        key: "seen",
        question: "Was the wheel looked at closely, with no crack, chip or other damage seen?",
        source: "29 CFR 1910.215(d)(1): all wheels are inspected closely before mounting",
    },
    EyeQuestion {
        key: "dry",
        question: "Is the wheel dry, clean and unwrapped, and was it stored dry, without frost or knocks?",
        source: "29 CFR 1910.215(d)(1)(i): dry and free of sawdust; storage: common practice",
    },
    EyeQuestion {
        key: "purpose",
        question: "Is the wheel meant for this work and this material, by its label?",
        source: "common practice; the maker's label and instructions decide",
    },
    EyeQuestion {
        key: "flanges",
        question: "Are both flanges of one diameter, flat, clean and undamaged, with blotters where the wheel wants them?",
        source: "29 CFR 1910.215(c) and 1910.243(c)(5)",
    },
    EyeQuestion {
        key: "guard",
        question: "Is the guard on, whole, and set between you and the wheel?",
        source: "29 CFR 1910.243(c)(3) and (4); clause numbers from memory",
    },
];

/// The rules, in the order of the job.
pub fn fit_rules(f: &FitFigures) -> Vec<FitRule> {
    vec![
        speed(f),
        rim_speed(f),
        within(
            "diameter",
            ("the wheel has", f.diameter_mm),
            ("the grinder takes", f.max_diameter_mm),
        ),
        within(
            "thickness",
            ("the wheel has", f.thickness_mm),
            ("the grinder takes", f.max_thickness_mm),
        ),
        arbor(f),
        flanges(f),
        guard(f),
        age(f),
    ]
}

/// The answers of the eye; a question without an answer is not answered.
pub fn eye_rules(answers: &[(String, bool)]) -> Vec<FitRule> {
    let rule = |q: &EyeQuestion| {
        let answer = answers.iter().rev().find(|a| a.0 == q.key).map(|a| a.1);
        let (result, word) = match answer {
            Some(true) => (FitResult::Fits, "yes"),
            Some(false) => (FitResult::DoesNotFit, "NO"),
            None => (FitResult::NotAnswered, "not answered"),
        };
        FitRule {
            rule: q.key,
            result,
            because: format!("{} {word}", q.question),
            source: q.source,
        }
    };
    EYE_QUESTIONS.iter().map(rule).collect()
}

/// The worst of the rules.
pub fn fit_result(rules: &[FitRule]) -> FitResult {
    let worst = rules.iter().map(|r| r.result).min();
    worst.unwrap_or(FitResult::CannotTell)
}

fn rule(name: &'static str, ok: Option<bool>, because: String, source: &'static str) -> FitRule {
    FitRule {
        rule: name,
        result: match ok {
            Some(true) => FitResult::Fits,
            Some(false) => FitResult::DoesNotFit,
            None => FitResult::CannotTell,
        },
        because,
        source,
    }
}

fn speed(f: &FitFigures) -> FitRule {
    let known = f.wheel_rpm.zip(f.grinder_rpm);
    let because = match known {
        Some((wheel, grinder)) => {
            format!("the grinder turns {grinder:.0} rpm, the wheel may turn {wheel:.0} rpm")
        }
        None => missing(&[
            (f.wheel_rpm.is_none(), "the wheel's marked speed"),
            (f.grinder_rpm.is_none(), "the grinder's speed"),
        ]),
    };
    rule(
        "speed",
        known.map(|(wheel, grinder)| grinder <= wheel),
        because,
        "29 CFR 1910.215(d)(1) and 1910.243(c)(5): spindle speed checked against the marked speed",
    )
}

/// Peripheral speed `pi D n / 60000` in m/s, D in mm and n in rpm.
fn rim_m_per_s(diameter_mm: f64, rpm: f64) -> f64 {
    PI * diameter_mm * rpm / 60_000.0
}

fn rim_speed(f: &FitFigures) -> FitRule {
    let source =
        "v = pi D n; labels are rounded up by as much as 0.8 %, so 1 % is allowed between them";
    let marked = f
        .wheel_rim_m_per_s
        .or(f.wheel_rpm.map(|n| rim_m_per_s(f.diameter_mm, n)));
    let (Some(marked), Some(grinder)) = (marked, f.grinder_rpm) else {
        let because = missing(&[
            (marked.is_none(), "the wheel's marked speed"),
            (f.grinder_rpm.is_none(), "the grinder's speed"),
        ]);
        return rule("rim speed", None, because, source);
    };
    let runs = rim_m_per_s(f.diameter_mm, grinder);
    // 1 sfpm is 0.00508 m/s exactly.
    let because = format!(
        "its rim would run {runs:.1} m/s ({:.0} sfpm), it may run {marked:.1} m/s ({:.0} sfpm)",
        runs / 0.00508,
        marked / 0.00508
    );
    let allowed = if f.wheel_rim_m_per_s.is_some() {
        marked * (1.0 + LABEL_SHARE)
    } else {
        marked
    };
    rule("rim speed", Some(runs <= allowed), because, source)
}

/// True when the two marks of a label, rpm and m/s, belong to one wheel of this diameter: within
/// 1 %, as labels are rounded.
pub fn marks_agree(diameter_mm: f64, rpm: f64, rim: f64) -> bool {
    (rim_m_per_s(diameter_mm, rpm) / rim - 1.0).abs() <= LABEL_SHARE
}

fn within(
    name: &'static str,
    (has, wheel_mm): (&str, f64),
    (takes, most_mm): (&str, Option<f64>),
) -> FitRule {
    let because = match most_mm {
        Some(most) => format!("{has} {} mm, {takes} {} mm", mm(wheel_mm), mm(most)),
        None => format!(
            "{has} {} mm; what the grinder takes is not known",
            mm(wheel_mm)
        ),
    };
    rule(
        name,
        most_mm.map(|most| wheel_mm <= most + SAME_MM),
        because,
        "the maker's plate and instructions of the machine; common practice",
    )
}

fn arbor(f: &FitFigures) -> FitRule {
    let source = "29 CFR 1910.243(c)(5): goes on freely; 1926.303(c)(8): not forced; how wide is loose: our own figure";
    let Some(spindle) = f.spindle_mm else {
        return rule(
            "arbor",
            None,
            format!(
                "the hole has {} mm; the spindle is not known",
                mm(f.hole_mm)
            ),
            source,
        );
    };
    if f.hole_mm == 0.0 {
        return rule(
            "arbor",
            None,
            "the wheel has no hole of a known size".to_owned(),
            source,
        );
    }
    let play = f.hole_mm - spindle;
    let (ok, word) = if play < -SAME_MM {
        (false, "would have to be forced")
    } else if play > LOOSE_MM {
        (
            false,
            "would sit loose; a bushing only as the wheel's maker allows it",
        )
    } else {
        (true, "goes on freely")
    };
    rule(
        "arbor",
        Some(ok),
        format!(
            "hole {} mm, spindle {} mm: it {word}",
            mm(f.hole_mm),
            mm(spindle)
        ),
        source,
    )
}

fn flanges(f: &FitFigures) -> FitRule {
    let source = "29 CFR 1910.215(c)(1), (c)(4): at least a third of the wheel's diameter; reinforced type 27 has a rule of its own";
    let least = f.diameter_mm * FLANGE_SHARE;
    let own_rule = f.shape.is_some_and(|s| matches!(s, 27..=29));
    match f.flange_mm {
        _ if own_rule => rule(
            "flanges",
            None,
            "wheels with a depressed centre want the flanges their maker names, not a third of the diameter".to_owned(),
            source,
        ),
        None => rule(
            "flanges",
            None,
            format!("they need {} mm or more; theirs is not known", mm(least)),
            source,
        ),
        Some(flange) => rule(
            "flanges",
            Some(flange >= least - SAME_MM),
            format!("they have {} mm, a third of the wheel is {} mm", mm(flange), mm(least)),
            source,
        ),
    }
}

fn guard(f: &FitFigures) -> FitRule {
    let source =
        "29 CFR 1910.243(c): a guard between operator and wheel; its size: the machine's maker";
    match f.guard_mm {
        None => rule(
            "guard size",
            None,
            "what the guard is for is not known".to_owned(),
            source,
        ),
        Some(0.0) => rule(
            "guard size",
            Some(false),
            "the grinder has no guard".to_owned(),
            source,
        ),
        Some(guard) => rule(
            "guard size",
            Some(f.diameter_mm <= guard + SAME_MM),
            format!(
                "the guard is for {} mm, the wheel has {} mm",
                mm(guard),
                mm(f.diameter_mm)
            ),
            source,
        ),
    }
}

fn age(f: &FitFigures) -> FitRule {
    let months = |(year, month): (i32, u32)| year * 12 + i32::try_from(month).unwrap_or(1) - 1;
    let today = months(f.today);
    if let Some(last) = f.expires {
        return rule(
            "age",
            Some(today <= months(last)),
            format!("to be used until {:04}-{:02}", last.0, last.1),
            "the label",
        );
    }
    let source = "organic bonds for hand-held use: three years from manufacture (EN 12413, from memory); vitrified bonds keep when stored dry (US trade association)";
    if !f.is_organic {
        let ok = f.is_bond_known.then_some(true);
        let because = if f.is_bond_known {
            "this bond keeps when it is stored dry".to_owned()
        } else {
            "the bond is not known".to_owned()
        };
        return rule("age", ok, because, source);
    }
    match f.made {
        None => rule(
            "age",
            None,
            "an organic bond ages, and neither its date of manufacture nor its last month of use is known".to_owned(),
            source,
        ),
        Some(made) => rule(
            "age",
            Some(today <= months(made) + 12 * ORGANIC_YEARS),
            format!("an organic bond, made {:04}-{:02}", made.0, made.1),
            source,
        ),
    }
}

fn mm(value: f64) -> String {
    let rounded = format!("{value:.2}");
    rounded
        .trim_end_matches('0')
        .trim_end_matches('.')
        .to_owned()
}

fn missing(what: &[(bool, &str)]) -> String {
    let names: Vec<&str> = what.iter().filter(|w| w.0).map(|w| w.1).collect();
    format!("not known: {}", names.join(", "))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
