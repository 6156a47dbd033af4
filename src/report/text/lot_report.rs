//! The text and the table of a lot's report.

use crate::record::lot::{LotReportRecord, LotWheelRecord};

/// Most wheels that are listed.
const MOST_WHEELS: usize = 40;

/// The report in lines.
pub fn lot_report_text(r: &LotReportRecord) -> String {
    let mut out = format!("Lot {}: {}\n", r.lot.lot, r.decision.to_uppercase());
    for why in &r.because {
        out.push_str(&format!("  - {why}\n"));
    }
    out.push_str(&format!("  - {}\n", r.caution));
    if !r.shifts.is_empty() {
        out.push_str("\nThe lot as a whole:\n");
    }
    for s in &r.shifts {
        match (s.percent, s.interval) {
            (Some(p), Some((low, high))) => out.push_str(&format!(
                "  {}: {p:+.2} % against {} ({low:+.2} to {high:+.2} %)",
                s.figure, s.against
            )),
            _ => out.push_str(&format!("  {}: compared with {}", s.figure, s.against)),
        }
        out.push_str(&format!(
            ", spread within the lot {:.2} %, {} wheels\n",
            s.spread_percent, s.wheels
        ));
    }
    if r.shifts.iter().any(|s| s.percent.is_some()) {
        out.push_str("  (the intervals hold together with 95 %)\n");
    }
    out.push_str(&format!("\nOdd wheels: {}.\n\n", r.odd_rule));
    for w in r.wheels.iter().take(MOST_WHEELS) {
        out.push_str(&wheel_line(w));
    }
    if r.wheels.len() > MOST_WHEELS {
        let more = r.wheels.len() - MOST_WHEELS;
        out.push_str(&format!("  and {more} more; --csv lists all\n"));
    }
    out
}

fn wheel_line(w: &LotWheelRecord) -> String {
    let mut line = format!(
        "  {}{}: {} ({}, {})",
        w.wheel,
        if w.in_sample { " (sample)" } else { "" },
        w.counts_as,
        w.outcome,
        w.footing
    );
    if let Some(tone) = w.tone_percent {
        line.push_str(&format!(", tones {tone:+.2} %"));
    }
    if let Some(time) = w.ring_time_s {
        line.push_str(&format!(", rings {time:.2} s"));
    }
    for why in &w.because {
        line.push_str(&format!("; {why}"));
    }
    line.push('\n');
    line
}
