//! A sounding as text for the terminal: the outcome first, large and plain, then what it
//! stands on.
//!
//! Signs and words carry the meaning; colour only repeats it. Lines are never longer than
//! asked for, and control characters in names and sentences are taken out, so that a record
//! cannot play with the terminal.

pub mod baseline;
pub mod ear;
pub mod fit;
pub mod gauge;
mod lines;
pub mod lot_plan;
pub mod lot_report;
pub mod wheel;
pub mod wheel_modes;
mod words;

use crate::reading::{Heard, Outcome, Reading};
use crate::record::sounding::{EvidenceRecord, ModeRecord, SoundingRecord, TapRecord};
use lines::{Lines, Paint};

pub use words::{
    CAUTIONS, change_for, evidence as evidence_words, flaw as flaw_words, next_steps, outcome_of,
};

/// How text is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TextStyle {
    /// True for ANSI colours and bold. They never carry meaning alone.
    pub colour: bool,
    /// Columns of the terminal; less than 20 counts as 20.
    pub width: usize,
}

/// Most modes in the table.
const MOST_MODES: usize = 6;
/// Most figures that are listed.
const MOST_FIGURES: usize = 10;

/// A sounding for a person at the bench: outcome, what to do next, taps, strongest modes, the
/// figures with limits, what disturbed, what the outcome stands on, and the cautions.
///
/// Ends with a line break. Columns are counted with wide characters as two; what a terminal
/// does with combining marks is not known here.
pub fn sounding_text(record: &SoundingRecord, style: &TextStyle) -> String {
    let mut lines = Lines::new(style);
    head(&mut lines, record);
    steps(&mut lines, record);
    taps(&mut lines, record);
    modes(&mut lines, &record.modes);
    disc(&mut lines, record);
    figures(&mut lines, record);
    disturbances(&mut lines, record);
    footing(&mut lines, record);
    lines.heading("Mind");
    for caution in words::CAUTIONS {
        lines.item("-", caution, Paint::Plain);
    }
    lines.blank();
    let made = &record.made_by;
    lines.text(&format!(
        "{} {}, method {}",
        made.program, made.version, made.method
    ));
    lines.finish()
}

/// Sign of a reading, alike in shape to its mark in pictures.
fn sign(reading: &str) -> &'static str {
    match reading {
        r if r == Reading::ClearRing.words() => "O",
        r if r == Reading::DullThud.words() => "X",
        _ => "?",
    }
}

fn reading_paint(reading: &str) -> Paint {
    match reading {
        r if r == Reading::ClearRing.words() => Paint::Blue,
        r if r == Reading::DullThud.words() => Paint::Orange,
        _ => Paint::Plain,
    }
}

fn head(lines: &mut Lines, record: &SoundingRecord) {
    let (sign, paint) = match words::outcome_of(&record.outcome) {
        Some(Outcome::RingsClear) => ("(O)", Paint::Blue),
        Some(Outcome::RingsNotCompared) => ("(O?)", Paint::Blue),
        Some(Outcome::SoundsDead) => ("[X]", Paint::Orange),
        Some(Outcome::SoundItAgain) | None => ("<?>", Paint::Bold),
    };
    lines.rule('=', paint);
    lines.item(&format!(" {sign} "), &record.outcome.to_uppercase(), paint);
    lines.rule('=', paint);
    if let Some(wheel) = &record.wheel {
        lines.item("Wheel", wheel, Paint::Bold);
    }
    lines.text(&words::sentence(&record.summary));
    let unasked = tap_numbers(record, |t| t.heard.is_none());
    if !record.taps.is_empty() && !unasked.is_empty() {
        lines.text(&if unasked.len() == record.taps.len() {
            "No ear's word stands behind this: nobody was asked what the taps sounded like."
                .to_owned()
        } else {
            format!("The ear was not asked of {}.", words::taps_named(&unasked))
        });
    }
}

fn tap_numbers(record: &SoundingRecord, which: impl Fn(&TapRecord) -> bool) -> Vec<usize> {
    let numbered = record.taps.iter().enumerate();
    numbered
        .filter(|(_, tap)| which(tap))
        .map(|(i, _)| i + 1)
        .collect()
}

fn steps(lines: &mut Lines, record: &SoundingRecord) {
    lines.heading("What to do next");
    let outcome = words::outcome_of(&record.outcome);
    for step in outcome.map_or(words::UNKNOWN_STEPS, next_steps) {
        lines.item("-", step, Paint::Plain);
    }
    if outcome == Some(Outcome::SoundItAgain) {
        let kinds = record.taps.iter().flat_map(|t| &t.flaws);
        let mut told: Vec<&str> = Vec::new();
        for change in kinds.filter_map(|flaw| words::change_for(&flaw.kind)) {
            if !told.contains(&change) {
                told.push(change);
                lines.item("-", change, Paint::Plain);
            }
        }
        let unsure = tap_numbers(record, |t| t.heard.as_deref() == Some(Heard::Unsure.word()));
        if !unsure.is_empty() {
            let words = format!(
                "listen closely to {} again, or ask a second person to listen",
                words::spots_of_taps(&unsure)
            );
            lines.item("-", &words, Paint::Plain);
        }
    }
}

fn taps(lines: &mut Lines, record: &SoundingRecord) {
    lines.heading("Taps");
    if record.taps.is_empty() {
        lines.text("No tap was found.");
        return;
    }
    lines.row(
        &format!(
            "  {:>3} {:>9} {:>6}  {:<6} {:<10} {:>9} {:>6}",
            "tap", "time", "spot", "heard", "reading", "ring time", "rings"
        ),
        Paint::Plain,
    );
    for (i, tap) in record.taps.iter().enumerate() {
        let spot = tap
            .spot_deg
            .map_or("-".to_owned(), |d| format!("{}°", words::trimmed(d, 1)));
        let fraction = tap.ring_fraction.filter(|f| f.is_finite());
        let row = format!(
            "{} {:>3} {:>7} s {:>6}  {:<6} {:<10} {:>9} {:>6}",
            sign(&tap.reading),
            i + 1,
            words::fixed(tap.time_s, 2),
            spot,
            tap.heard.as_deref().unwrap_or("-"),
            tap.reading,
            tap.ring_time_s.map_or("-".to_owned(), words::seconds),
            fraction.map_or("-".to_owned(), |f| format!("{:.0} %", 100.0 * f)),
        );
        lines.row(&row, reading_paint(&tap.reading));
        if let Some(reason) = tap.reasons.first() {
            lines.item("     ", reason, Paint::Plain);
        }
    }
    lines.text("rings: the share of the early sound that the tones of the wheel explain");
}

fn modes(lines: &mut Lines, modes: &[ModeRecord]) {
    if modes.is_empty() {
        return;
    }
    let mut strongest: Vec<&ModeRecord> = modes.iter().collect();
    strongest.sort_by(|a, b| b.level_db.total_cmp(&a.level_db));
    strongest.truncate(MOST_MODES);
    strongest.sort_by(|a, b| a.freq_hz.total_cmp(&b.freq_hz));
    lines.heading(&if modes.len() > MOST_MODES {
        format!("The {MOST_MODES} strongest of {} modes", modes.len())
    } else {
        "Modes".to_owned()
    });
    lines.row(
        &format!(
            "  {:>9} {:>7} {:>11} {:>7} {:>9} {:>9}  {:<5}",
            "frequency", "std", "ring time", "std", "level", "resolved", "n, s"
        ),
        Paint::Plain,
    );
    for mode in strongest {
        let label = mode
            .label
            .map_or(String::new(), |(n, s)| format!("{n}, {s}"));
        let row = format!(
            "  {:>6} Hz {:>7} {:>11} {:>7} {:>6} dB {:>9}  {:<5}",
            words::fixed(mode.freq_hz, 0),
            words::fixed(mode.freq_std_hz, 2),
            words::seconds(mode.ring_time_s),
            words::fixed(mode.ring_time_std_s, 3),
            words::fixed(mode.level_db, 1),
            mode.resolution_hz.map_or("-".to_owned(), |hz| format!(
                "{} Hz",
                words::significant(hz)
            )),
            label
        );
        lines.row(row.trim_end(), Paint::Plain);
    }
}

/// Pairs, elastic values and hints.
fn disc(lines: &mut Lines, record: &SoundingRecord) {
    if !record.modes.is_empty() {
        lines.text(
            "resolved: two tones of like level closer than this would show as one; n, s: nodal \
             diameters and circles",
        );
    }
    for pair in record.pairs.iter().take(MOST_MODES) {
        let label = pair
            .label
            .map_or(String::new(), |(n, s)| format!(" ({n}, {s})"));
        let words = format!(
            "pair{label}: {} and {} Hz, {} Hz apart, std {}",
            words::fixed(pair.low_hz, 1),
            words::fixed(pair.high_hz, 1),
            words::fixed(pair.split_hz, 2),
            words::significant(pair.split_std_hz)
        );
        lines.item("-", &words, Paint::Plain);
    }
    if let Some(s) = &record.stiffness {
        let poisson = match (s.poisson, s.poisson_std) {
            (Some(value), Some(std)) => format!(
                "Poisson's ratio {}, std {}",
                words::fixed(value, 3),
                words::significant(std)
            ),
            _ => "Poisson's ratio taken as 0.2".to_owned(),
        };
        let words = format!(
            "dynamic modulus of elasticity {} GPa, std {}; {poisson}; density {} kg/m3",
            words::significant(s.youngs_gpa),
            words::significant(s.youngs_std_gpa),
            words::fixed(s.density_kg_m3, 0)
        );
        lines.item("-", &words, Paint::Plain);
    }
    for hint in &record.hints {
        lines.item("-", &format!("a hint, no finding: {hint}"), Paint::Plain);
    }
}

/// The figures that speak against a clear ring, then those of the whole wheel with a limit.
fn figures(lines: &mut Lines, record: &SoundingRecord) {
    let against = |e: &&EvidenceRecord| {
        e.speaks_for
            .as_deref()
            .is_some_and(|s| s != Reading::ClearRing.words())
    };
    let mut listed: Vec<(String, &EvidenceRecord)> = Vec::new();
    let wheel = record.evidence.iter();
    listed.extend(wheel.clone().filter(against).map(|e| (String::new(), e)));
    for (i, tap) in record.taps.iter().enumerate() {
        let of_tap = tap.evidence.iter().filter(against);
        listed.extend(of_tap.map(|e| (format!("tap {}: ", i + 1), e)));
    }
    let others = wheel.filter(|e| e.limit.is_some() && !against(e));
    listed.extend(others.map(|e| (String::new(), e)));
    if listed.is_empty() {
        return;
    }
    lines.heading("Figures and their limits");
    // What speaks for a thud must not drop off the end of the list.
    listed.sort_by_key(|(_, e)| match e.speaks_for.as_deref() {
        Some(s) if s == Reading::DullThud.words() => 0,
        Some(s) if s == Reading::Unclear.words() => 1,
        _ => 2,
    });
    // Most limits come from one place: it is told once, under a letter.
    let mut sources: Vec<String> = Vec::new();
    for (tap, evidence) in listed.iter().take(MOST_FIGURES) {
        let reading = evidence.speaks_for.as_deref();
        let paint = reading.map_or(Paint::Plain, reading_paint);
        let mut words = format!("{tap}{}", words::evidence(evidence));
        let source = words::source(evidence);
        if !source.is_empty() {
            let known = sources.iter().position(|s| *s == source);
            let place = known.unwrap_or_else(|| {
                sources.push(source);
                sources.len() - 1
            });
            words.push_str(&format!(" ({})", letter(place)));
        }
        lines.item(reading.map_or("-", sign), &words, paint);
    }
    if listed.len() > MOST_FIGURES {
        lines.text(&format!(
            "and {} more in the record",
            listed.len() - MOST_FIGURES
        ));
    }
    if !sources.is_empty() {
        lines.text("Where the limits come from:");
    }
    for (place, source) in sources.iter().enumerate() {
        lines.item("-", &format!("({}) {source}", letter(place)), Paint::Plain);
    }
}

/// a, b, c, ... of a source; MOST_FIGURES keeps it within the alphabet.
fn letter(place: usize) -> char {
    char::from(b'a' + (place % 26) as u8)
}

fn disturbances(lines: &mut Lines, record: &SoundingRecord) {
    let flaws: Vec<String> = record
        .taps
        .iter()
        .enumerate()
        .flat_map(|(i, tap)| {
            let of_tap = tap.flaws.iter();
            of_tap.map(move |flaw| format!("tap {}: {}", i + 1, words::flaw(flaw)))
        })
        .collect();
    if flaws.is_empty() && record.warnings.is_empty() {
        return;
    }
    lines.heading("What disturbed");
    for words in flaws.iter().chain(&record.warnings) {
        lines.item("!", words, Paint::Plain);
    }
}

fn footing(lines: &mut Lines, record: &SoundingRecord) {
    lines.heading(&format!("What this stands on: {}", record.footing));
    lines.text(&words::footing(record));
    for file in &record.files {
        let lossy = if file.lossy {
            "; its coding loses part of the sound, which blurs decays"
        } else {
            ""
        };
        let words = format!(
            "{}: {}, {} Hz, channel {} of {}, {} s{lossy}",
            file.name,
            file.kind,
            file.rate_hz,
            file.channel,
            file.channels,
            words::fixed(file.length_s, 1)
        );
        lines.item("-", &words, Paint::Plain);
    }
}
