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
    let by = fit.by.as_deref().unwrap_or("nobody");
    lines.text(&format!(
        "What only the eye can tell was answered by {by}, {}.",
        fit.at
    ));
    lines.text("An aid to your own inspection: local codes, the makers' instructions and a qualified person decide.");
    lines.finish()
}
