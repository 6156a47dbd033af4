//! The text of a gauge study.

use crate::record::gauge::{AgreementRecord, GaugeFigureRecord, GaugeRecord};

/// What the verdict means.
pub fn verdict_words(verdict: &str) -> &'static str {
    match verdict {
        "good enough" => "What it says of a wheel can be relied on as far as this study goes.",
        "usable with care" => "It tells wheels apart, but not finely; see what to improve.",
        "not good enough" => "Do not rest a decision on it before the points below are mended.",
        _ => "The table does not allow a verdict; see why below.",
    }
}

/// The study in lines.
pub fn gauge_text(record: &GaugeRecord) -> String {
    let mut out = format!(
        "The gauge is: {}. {}\n{} wheels, {} people ({}), {} rows.\n",
        record.verdict,
        verdict_words(&record.verdict),
        record.wheels,
        record.people.len(),
        record.people.join(", "),
        record.rows
    );
    for figure in &record.figures {
        out.push('\n');
        for line in figure_lines(figure) {
            out.push_str(&line);
            out.push('\n');
        }
    }
    if !record.agreements.is_empty() {
        out.push_str("\nAgreement (thud against ring; unsure and unclear count as thud):\n");
        for a in &record.agreements {
            out.push_str(&format!("  {}\n", agreement_line(a)));
        }
    }
    if !record.improve.is_empty() {
        out.push_str("\nWhat to improve:\n");
        for line in &record.improve {
            out.push_str(&format!("  - {line}\n"));
        }
    }
    for warning in &record.warnings {
        out.push_str(&format!("\nNot evaluated: {warning}\n"));
    }
    out
}

/// One figure in lines.
pub fn figure_lines(f: &GaugeFigureRecord) -> Vec<String> {
    let unit = &f.unit;
    let with = |v: f64| format!("{v:.4} {unit}").trim_end().to_owned();
    let (low, high) = f.repeatability_interval;
    vec![
        format!(
            "{}: {}; the gauge makes {:.1} % of the spread (10 % is good, over 30 % too much) and tells {} groups of wheels apart (5 are wanted).",
            f.figure, f.verdict, f.gauge_percent, f.categories
        ),
        format!(
            "  same person again {} (95 %: {} to {}), other people {}, both {}; wheels {}.",
            with(f.repeatability),
            with(low),
            with(high),
            with(f.reproducibility),
            with(f.gauge),
            with(f.wheels)
        ),
    ]
}

/// One agreement in a line.
pub fn agreement_line(a: &AgreementRecord) -> String {
    let mut line = format!(
        "{} and {}: agree in {:.0} % of {}",
        a.first,
        a.second,
        100.0 * a.agree,
        a.both_thud + a.first_only + a.second_only + a.both_ring
    );
    match (a.kappa, a.kappa_interval) {
        (Some(k), Some((low, high))) => {
            line.push_str(&format!(", kappa {k:.2} (95 %: {low:.2} to {high:.2})"));
        }
        _ => line.push_str(", no kappa as both always say the same"),
    }
    for (share, words) in [
        (a.misses, "damaged wheels passed"),
        (a.false_alarms, "sound wheels called damaged"),
    ] {
        if let Some(s) = share {
            line.push_str(&format!(
                "; {words}: {} of {} (95 %: {:.0} to {:.0} %)",
                s.hits,
                s.trials,
                100.0 * s.interval.0,
                100.0 * s.interval.1
            ));
        }
    }
    line
}
