//! Holds a wheel against a grinder.

use crate::reading::fit_rules::{
    EYE_QUESTIONS, FitFigures, FitResult, FitRule, eye_rules, fit_result, fit_rules,
};
use crate::record::fit::{FORMAT, FitRecord, FitRuleRecord, VERSION};
use crate::record::grinder::GrinderRecord;
use crate::record::wheel::label::month_of;
use crate::record::wheel::{Bond, Measure, Speed, WheelRecord};
use crate::tasks::wheel_states::{Standing, against_use};

/// A wheel, a grinder, and what the eye answered.
#[derive(Debug, Clone)]
pub struct FitAsked<'a> {
    /// The wheel.
    pub wheel: &'a WheelRecord,
    /// True when it is in the store, so that its id counts.
    pub is_wheel_kept: bool,
    /// What of its past stands against it: [`crate::tasks::wheel_states::standing`].
    pub standing: &'a Standing,
    /// The grinder.
    pub grinder: &'a GrinderRecord,
    /// True when it is in the store.
    pub is_grinder_kept: bool,
    /// Answers by the key of the question; yes is right.
    pub answers: &'a [(String, bool)],
    /// Who answered.
    pub by: Option<&'a str>,
    /// When, RFC 3339.
    pub at: &'a str,
}

/// The wheel against the grinder, misfits first.
pub fn check_fit(asked: &FitAsked<'_>) -> FitRecord {
    let (wheel, grinder) = (asked.wheel, asked.grinder);
    let mut rules = known_of_it(asked);
    rules.extend(fit_rules(&figures(wheel, grinder, asked.at)));
    rules.extend(eye_rules(asked.answers));
    let result = match fit_result(&rules) {
        FitResult::NotAnswered => FitResult::CannotTell,
        other => other,
    };
    // A stable sort: within a result the order of the job.
    rules.sort_by_key(|r| r.result != FitResult::DoesNotFit);
    FitRecord {
        format: FORMAT.to_owned(),
        version: VERSION,
        wheel: asked.is_wheel_kept.then(|| wheel.id.clone()),
        grinder: asked.is_grinder_kept.then(|| grinder.id.clone()),
        at: asked.at.to_owned(),
        by: asked.by.map(str::to_owned),
        result: result.words().to_owned(),
        rules: rules.into_iter().map(record_of).collect(),
    }
}

/// True for the key of a question to the eye.
pub fn is_question(key: &str) -> bool {
    EYE_QUESTIONS.iter().any(|q| q.key == key)
}

fn record_of(rule: FitRule) -> FitRuleRecord {
    FitRuleRecord {
        rule: rule.rule.to_owned(),
        result: rule.result.words().to_owned(),
        because: rule.because,
        source: rule.source.to_owned(),
    }
}

/// What stands against wheel or grinder before any figure.
fn known_of_it(asked: &FitAsked<'_>) -> Vec<FitRule> {
    let (wheel, grinder) = (asked.wheel, asked.grinder);
    let mut rules = Vec::new();
    let mut add = |rule, result, because: String| {
        rules.push(FitRule {
            rule,
            result,
            because,
            source: "what this store holds of it",
        });
    };
    let against = FitResult::DoesNotFit;
    if let Some(why) = against_use(wheel) {
        add("wheel", against, why.to_owned());
    }
    if let Some(dead) = &asked.standing.dead {
        add("sounding", against, dead.words());
    }
    if let Some(drop) = &asked.standing.drop {
        let result = match drop.answer {
            Some(_) => FitResult::Fits,
            None => against,
        };
        add("dropped", result, drop.words());
    }
    if let Some(on) = &wheel.grinder
        && !on.eq_ignore_ascii_case(&grinder.id)
    {
        let words = format!(
            "it is mounted on {on}: take it off there, and say so with fourtap wheel in-store {}",
            wheel.id
        );
        add("wheel", against, words);
    }
    if grinder.retired_at.is_some() {
        add("grinder", against, "the grinder is retired".to_owned());
    }
    rules
}

fn figures(wheel: &WheelRecord, grinder: &GrinderRecord, at: &str) -> FitFigures {
    let mm = |m: &Option<Measure>| m.as_ref().map(Measure::mm);
    let diameter_mm = wheel.size.diameter_mm();
    let rim = wheel.label.rim_speed.as_deref().map(Speed::parse);
    let month = |m: &Option<String>| m.as_deref().and_then(month_of);
    FitFigures {
        wheel_rpm: wheel.max_speed.as_ref().map(|m| m.rpm),
        wheel_rim_m_per_s: rim.and_then(Result::ok).map(|s| s.m_per_s(diameter_mm)),
        diameter_mm,
        thickness_mm: wheel.size.thickness_mm(),
        hole_mm: wheel.size.hole_mm(),
        is_organic: wheel.bond.is_organic(),
        is_bond_known: wheel.bond != Bond::Unknown,
        shape: wheel.label.shape,
        made: month(&wheel.label.made),
        expires: month(&wheel.label.expires),
        // A time of the clock always has a month; without one nothing old would be told.
        today: at.get(..10).and_then(month_of).unwrap_or((9999, 12)),
        grinder_rpm: Some(grinder.rated_speed.rpm),
        max_diameter_mm: mm(&grinder.max_diameter),
        max_thickness_mm: mm(&grinder.max_thickness),
        spindle_mm: mm(&grinder.spindle),
        flange_mm: mm(&grinder.flange),
        guard_mm: mm(&grinder.guard),
    }
}
