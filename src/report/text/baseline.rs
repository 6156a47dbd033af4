//! A baseline as text for the terminal.

use crate::record::baseline::{BaselineKind, BaselineMode, BaselineRecord};
use crate::record::baseline_difference::BaselineDifference;
use crate::report::text::TextStyle;
use crate::report::text::lines::{Lines, Paint};
use crate::report::text::words;
use crate::units::LN_1000;

/// Most modes in the list.
const MOST_MODES: usize = 24;

/// A baseline: what it was built from, its modes, how far they scatter, what to know of it.
/// `others` are the other versions in the store. Ends with a line break.
pub fn baseline_text(record: &BaselineRecord, others: &[u32], style: &TextStyle) -> String {
    let mut lines = Lines::new(style);
    let of = match record.kind {
        BaselineKind::Wheel => record.of.clone(),
        BaselineKind::Specification => format!("the specification {}", record.of),
    };
    lines.item("Baseline of", &of, Paint::Bold);
    let n = record.soundings.len();
    let many = if n == 1 { "" } else { "s" };
    let what = match record.kind {
        BaselineKind::Wheel => "sounding",
        BaselineKind::Specification => "wheel",
    };
    let made = format!(
        "version {}, {n} {what}{many}, built {}",
        record.baseline_version,
        crate::units::time_words(&record.built_at)
    );
    lines.item(" ", &made, Paint::Plain);
    if !others.is_empty() {
        let versions: Vec<String> = others.iter().map(u32::to_string).collect();
        let words = format!("other versions in the store: {}", versions.join(", "));
        lines.item(" ", &words, Paint::Plain);
    }
    lines.heading("Soundings");
    for (k, s) in record.soundings.iter().enumerate() {
        let names: Vec<&str> = s.recorded.iter().map(|r| r.name.as_str()).collect();
        let mut words = format!("{}: {} tones", names.join(", "), s.modes.len());
        if let Some(t) = s.ring_time_s {
            words.push_str(&format!(", rings {t:.2} s"));
        }
        if let Some(t) = s.temp_c {
            words.push_str(&format!(", {t:.0} C"));
        }
        lines.item(&format!("{}", k + 1), &words, Paint::Plain);
    }
    if let Some(statistics) = &record.statistics {
        lines.heading("Tones");
        for mode in statistics.modes.iter().take(MOST_MODES) {
            lines.item("-", &mode_words(mode, n), Paint::Plain);
        }
        if statistics.modes.len() > MOST_MODES {
            lines.text(&format!(
                "and {} more.",
                statistics.modes.len() - MOST_MODES
            ));
        }
    }
    if !record.notes.is_empty() {
        lines.heading("Mind");
        for note in &record.notes {
            lines.item("-", &words::sentence(note), Paint::Plain);
        }
    }
    lines.finish()
}

/// How far one baseline differs from another. Ends with a line break.
pub fn difference_text(difference: &BaselineDifference, style: &TextStyle) -> String {
    let mut lines = Lines::new(style);
    let of = |b: &crate::record::sounding::BaselineRef| format!("{}, version {}", b.of, b.version);
    let names = format!(
        "{} against {}",
        of(&difference.second),
        of(&difference.first)
    );
    lines.item("Baselines", &names, Paint::Bold);
    if difference.changes.is_empty() {
        lines.item("-", "Nothing is beyond a limit of the first.", Paint::Plain);
    }
    for words in &difference.changes {
        lines.item("-", &words::sentence(words), Paint::Plain);
    }
    for hint in &difference.hints {
        lines.item("?", &words::sentence(hint), Paint::Plain);
    }
    lines.heading("Figures");
    for e in &difference.evidence {
        lines.item("-", &words::evidence(e), Paint::Plain);
    }
    if !difference.tones.is_empty() {
        lines.heading("Tones");
    }
    for tone in difference.tones.iter().take(MOST_MODES) {
        let words = match (tone.second_hz, tone.beside_percent) {
            (Some(hz), Some(beside)) => format!(
                "{:.1} Hz: {hz:.1} Hz, {beside:+.3} % beside the others",
                tone.first_hz
            ),
            _ => format!("{:.1} Hz: not found", tone.first_hz),
        };
        lines.item("-", &words, Paint::Plain);
    }
    lines.finish()
}

fn mode_words(mode: &BaselineMode, soundings: usize) -> String {
    let mut words = format!(
        "{:.1} Hz, rings {:.2} s",
        mode.freq_hz,
        LN_1000 / mode.ln_decay_mean.exp()
    );
    if let Some(spread) = mode.freq_spread_hz {
        words.push_str(&format!(", scatter {spread:.2} Hz"));
    }
    if let Some(split) = mode.split_hz {
        words.push_str(&format!(", a pair {split:.2} Hz apart"));
    }
    if (mode.seen as usize) < soundings {
        words.push_str(&format!(", seen in {} of {soundings}", mode.seen));
    }
    words
}
