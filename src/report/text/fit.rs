//! A fit, for people.

use super::TextStyle;
use super::lines::{Lines, Paint};
use crate::record::fit::FitRecord;

/// The result first and large, then rule by rule. Ends with a line break.
pub fn fit_text(fit: &FitRecord, style: &TextStyle) -> String {
    let mut lines = Lines::new(style);
    let paint = if fit.result == "does not fit" {
        Paint::Orange
    } else {
        Paint::Bold
    };
    let wheel = fit.wheel.as_deref().unwrap_or("the wheel");
    let grinder = fit.grinder.as_deref().unwrap_or("the grinder");
    lines.item(
        &fit.result.to_uppercase(),
        &format!("{wheel} on {grinder}"),
        paint,
    );
    if fit.result != "fits" {
        lines.text(match fit.result.as_str() {
            "does not fit" => "Do not mount it.",
            _ => "Figures or answers are missing: it is not shown to fit.",
        });
    }
    for rule in &fit.rules {
        let sign = match rule.result.as_str() {
            "fits" => "+",
            "does not fit" => "X",
            _ => "?",
        };
        let words = format!("{}: {} - {}", rule.rule, rule.result, rule.because);
        let paint = if sign == "X" {
            Paint::Orange
        } else {
            Paint::Plain
        };
        lines.item(&format!("  {sign}"), &words, paint);
        lines.item("   ", &format!("({})", rule.source), Paint::Plain);
    }
    for words in remedies(fit) {
        lines.text(&words);
    }
    let by = fit.by.as_deref().unwrap_or("nobody");
    lines.text(&format!(
        "What only the eye can tell was answered by {by}, {}.",
        crate::units::time_words(&fit.at)
    ));
    lines.text("An aid to your own inspection: local codes, the makers' instructions and a qualified person decide.");
    lines.finish()
}

/// How figures and answers that are missing are given.
fn remedies(fit: &FitRecord) -> Vec<String> {
    let of = |result: &str| -> Vec<&str> {
        let rules = fit.rules.iter().filter(|r| r.result == result);
        rules.map(|r| r.rule.as_str()).collect()
    };
    let mut out = Vec::new();
    let missing = of("cannot tell");
    if !missing.is_empty() {
        let edit = |what: &str, id: &Option<String>| {
            id.as_ref().map(|id| format!("fourtap {what} edit {id}"))
        };
        let commands: Vec<String> = [edit("grinder", &fit.grinder), edit("wheel", &fit.wheel)]
            .into_iter()
            .flatten()
            .collect();
        let how = match commands.as_slice() {
            [] => "give them on the line".to_owned(),
            some => format!("give what is missing with {}", some.join(" or ")),
        };
        out.push(format!("Figures for {}: {how}.", missing.join(", ")));
    }
    let open = of("not answered");
    if !open.is_empty() {
        let words: Vec<String> = open.iter().map(|k| format!("{k}=yes")).collect();
        out.push(format!(
            "Look, then answer with --answer {} (or =no).",
            words.join(",")
        ));
    }
    out
}
