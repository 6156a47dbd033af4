//! Results of ear tests in lines.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::reading::ear_score::EarCounts;
use crate::reading::intervals::ShareInterval;
use crate::record::ear_test::EarTestRecord;

/// What is said of every result.
pub const EAR_NOTE: &str = "Made-up sound: a good score here is no proof of a good ear at the wheel. \
     A heard thud is final, and a qualified person decides.";

/// One round in a few lines.
pub fn ear_round_text(record: &EarTestRecord) -> String {
    let mut out = format!(
        "{}, round {}: {} made-up sounds{}\n",
        record.trainee,
        record.round,
        record.trials.len(),
        if record.complete { "" } else { ", broken off" }
    );
    put_counts(&mut out, &record.counts());
    match record.threshold {
        Some(crack) => {
            let _ = writeln!(
                out,
                "  smallest crack heard in 70.7 % of its taps: {:.0} % of the web",
                100.0 * crack
            );
        }
        None => {
            out.push_str("  smallest crack heard: too few turns to tell; take a longer round\n")
        }
    }
    out
}

/// All rounds of the given records, trainee by trainee, how they went from round to round, and
/// ear against tool.
pub fn ear_results_text(records: &[EarTestRecord]) -> String {
    let mut by_name: BTreeMap<String, Vec<&EarTestRecord>> = BTreeMap::new();
    for record in records {
        let of = by_name.entry(record.trainee.to_lowercase()).or_default();
        of.push(record);
    }
    let mut out = String::new();
    for rounds in by_name.values() {
        let Some(first) = rounds.first() else {
            continue;
        };
        let _ = writeln!(out, "{}", first.trainee);
        out.push_str(
            "  round  sounds   hits  misses  false alarms     d'      c  smallest crack\n",
        );
        let mut all = EarCounts::default();
        for record in rounds {
            let counts = record.counts();
            all = all.with(&counts);
            let (d, c) = counts
                .detection()
                .map_or((f64::NAN, f64::NAN), |d| (d.d_prime, d.bias_c));
            let crack = record.threshold.map_or("–".to_owned(), |t| {
                format!("{:.0} % of the web", 100.0 * t)
            });
            let _ = writeln!(
                out,
                "  {:>5}  {:>6}  {:>5}  {:>6}  {:>12}  {d:>5.2}  {c:>5.2}  {crack}",
                record.round,
                record.trials.len(),
                counts.hits,
                counts.misses,
                counts.false_alarms,
            );
        }
        out.push_str("  all rounds\n");
        put_counts(&mut out, &all);
        put_beside_tool(&mut out, rounds);
        out.push('\n');
    }
    out.push_str(EAR_NOTE);
    out.push('\n');
    out
}

fn put_counts(out: &mut String, counts: &EarCounts) {
    for line in count_lines(counts) {
        let _ = writeln!(out, "  {line}");
    }
}

/// Hits, misses and false alarms with their intervals, and sensitivity and bias where they are
/// defined, each in a line.
pub fn count_lines(counts: &EarCounts) -> Vec<String> {
    let mut lines = Vec::new();
    for (words, count, of, share) in [
        (
            "damaged wheels heard as a thud (hits)",
            counts.hits,
            counts.damaged(),
            counts.hit_share(),
        ),
        (
            "damaged wheels passed as a ring (misses)",
            counts.misses,
            counts.damaged(),
            counts.miss_share(),
        ),
        (
            "sound wheels heard as a thud (false alarms)",
            counts.false_alarms,
            counts.sound(),
            counts.false_alarm_share(),
        ),
    ] {
        let share = share.map_or(String::new(), |(_, i): (f64, ShareInterval)| {
            format!("  (95 %: {:.0} to {:.0} %)", 100.0 * i.low, 100.0 * i.high)
        });
        lines.push(format!("{words}: {count} of {of}{share}"));
    }
    if let Some(d) = counts.detection() {
        let lean = match d.bias_c {
            c if c < -0.2 => "says thud readily, the cautious side",
            c if c > 0.2 => "says thud rarely: the dangerous side",
            _ => "no lean",
        };
        let half = 1.96 * d.d_prime_std;
        lines.push(format!(
            "sensitivity d' {:.2} (95 %: {:.2} to {:.2}), bias c {:.2} ({lean})",
            d.d_prime,
            d.d_prime - half,
            d.d_prime + half,
            d.bias_c
        ));
    }
    lines
}

/// By size of the crack in percent of the web: how often it was played, the ear heard it, the tool
/// did not pass it, only the tool, only the ear.
pub fn beside_tool_rows(rounds: &[&EarTestRecord]) -> Vec<(f64, [u32; 5])> {
    let mut rows: BTreeMap<u32, [u32; 5]> = BTreeMap::new();
    for trial in rounds.iter().flat_map(|r| &r.trials).filter(|t| t.damaged) {
        let row = rows
            .entry((1000.0 * trial.crack).round() as u32)
            .or_default();
        let (ear, tool) = (trial.said == "thud", trial.tool_heard());
        for (count, yes) in row
            .iter_mut()
            .zip([true, ear, tool, tool && !ear, ear && !tool])
        {
            *count += u32::from(yes);
        }
    }
    rows.into_iter()
        .map(|(crack, counts)| (f64::from(crack) / 10.0, counts))
        .collect()
}

fn put_beside_tool(out: &mut String, rounds: &[&EarTestRecord]) {
    let rows = beside_tool_rows(rounds);
    if rows.is_empty() {
        return;
    }
    out.push_str("  crack, % of the web  played  ear heard  tool did not pass  only the tool  only the ear\n");
    for (crack, [played, ear, tool, tool_only, ear_only]) in rows {
        let _ = writeln!(
            out,
            "  {crack:>19.0}  {played:>6}  {ear:>9}  {tool:>17}  {tool_only:>13}  {ear_only:>12}"
        );
    }
    out.push_str("  (the tool read each single tap with nothing to compare it with)\n");
}
