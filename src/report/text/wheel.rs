//! Wheels as text for the terminal.

use crate::record::wheel::marking::Marking;
use crate::record::wheel::{WheelRecord, WheelState};
use crate::record::wheel_history::WheelHistory;
use crate::report::text::TextStyle;
use crate::report::text::lines::{Lines, Paint, width_of};
use crate::report::text::words;
use crate::units::time_words;

/// What to do about a wheel's state, where something is to be done.
fn advice(state: WheelState) -> Option<&'static str> {
    match state {
        WheelState::InStore | WheelState::Mounted | WheelState::Dropped => None,
        WheelState::SetAside => Some("it is set aside: do not mount it"),
        WheelState::TaggedOut => Some("it is tagged out: do not mount it"),
        WheelState::Retired => Some("it is retired: do not mount it"),
        WheelState::Destroyed => Some("it is destroyed: do not mount it"),
    }
}

/// A wheel with its history: what it is, what speaks against sounding it, what happened to
/// it, its baselines, its soundings. Ends with a line break.
pub fn wheel_text(history: &WheelHistory, style: &TextStyle) -> String {
    let mut lines = Lines::new(style);
    let wheel = &history.wheel;
    lines.item("Wheel", &wheel.id, Paint::Bold);
    let d = &wheel.size;
    lines.item(" ", &format!("size {}", size_words(d)), Paint::Plain);
    lines.item(" ", &format!("bond {}", wheel.bond.name()), Paint::Plain);
    let speed = wheel.max_speed.as_ref().map_or_else(
        || "maximum speed not known".to_owned(),
        |m| {
            if m.written.to_lowercase().ends_with("rpm") {
                format!("maximum speed {}", m.written)
            } else {
                format!("maximum speed {} ({:.0} rpm)", m.written, m.rpm)
            }
        },
    );
    lines.item(" ", &speed, Paint::Plain);
    for (name, value) in [("specification", &wheel.specification), ("lot", &wheel.lot)] {
        if let Some(value) = value {
            lines.item(" ", &format!("{name} {value}"), Paint::Plain);
        }
    }
    for words in label(wheel) {
        lines.item(" ", &words, Paint::Plain);
    }
    let on = wheel.grinder.as_ref();
    let on = on.map_or(String::new(), |g| format!(" on {g}"));
    let state = format!("state {}{on}", wheel.state.words());
    lines.item(" ", &state, Paint::Bold);
    if let Some(drop) = &history.drop {
        let sign = if drop.is_answered { " " } else { "!" };
        lines.item(sign, &drop.sentence, Paint::Bold);
        if !drop.is_answered {
            lines.item("!", "do not mount a wheel in doubt", Paint::Bold);
        }
    }
    if let Some(dead) = &history.dead {
        lines.item("!", &dead.sentence, Paint::Bold);
        lines.item("!", "do not mount it", Paint::Bold);
    }
    if let Some(words) = advice(wheel.state) {
        lines.item("!", words, Paint::Bold);
    }
    for hint in &history.hints {
        lines.item("!", &hint.sentence, Paint::Plain);
        lines.item(" ", &format!("({})", hint.source), Paint::Plain);
    }
    soundings(&mut lines, history);
    baselines(&mut lines, history);
    lines.heading("What happened");
    for event in &history.events {
        let note = event
            .note
            .as_ref()
            .map_or(String::new(), |n| format!(": {n}"));
        let on = event.grinder.as_ref();
        let on = on.map_or(String::new(), |g| format!(" on {g}"));
        let by = event.by.as_ref();
        let by = by.map_or(String::new(), |b| format!(" by {b}"));
        let words = format!("{} {}{on}{by}{note}", time_words(&event.at), event.state);
        lines.item("-", &words, Paint::Plain);
    }
    lines.finish()
}

/// What the label says, line by line.
fn label(wheel: &WheelRecord) -> Vec<String> {
    let label = &wheel.label;
    let marking = label.marking.as_ref().map(|m| {
        let parts = Marking::parse(m).map_or_else(|e| e.to_string(), |p| p.words());
        format!("{m}: {parts}")
    });
    let facts = [
        ("serial number", label.serial.clone()),
        ("shape type", label.shape.map(|s| s.to_string())),
        ("marking", marking),
        ("rim speed", label.rim_speed.clone()),
        ("purpose", label.purpose.clone()),
        ("made", label.made.clone()),
        ("to be used until", label.expires.clone()),
        ("received", label.received.clone()),
        ("mass", label.mass_kg.map(|m| format!("{m} kg"))),
    ];
    let known = facts
        .into_iter()
        .filter_map(|(name, value)| Some(format!("{name} {}", value?)));
    known.collect()
}

fn size_words(size: &crate::record::wheel::Size) -> String {
    let written = size.written();
    if written
        .chars()
        .all(|c| c.is_ascii_digit() || c == 'x' || c == '.')
    {
        return format!("{written} mm");
    }
    format!(
        "{written} (diameter {} mm)",
        words::trimmed(size.diameter_mm(), 2)
    )
}

fn soundings(lines: &mut Lines, history: &WheelHistory) {
    lines.heading("Soundings");
    if history.soundings.is_empty() {
        lines.text("None are kept.");
        return;
    }
    let head = format!(
        "  {:>6}  {:<20} {:<19} {:>4} {:>9}",
        "number", "kept at", "outcome", "taps", "ring time"
    );
    lines.row(&head, Paint::Plain);
    for sounding in &history.soundings {
        let time = sounding.ring_time_s.map_or("-".to_owned(), words::seconds);
        let row = format!(
            "  {:>6}  {:<20} {:<19} {:>4} {:>9}",
            sounding.number,
            time_words(&sounding.at),
            sounding.outcome,
            sounding.taps,
            time
        );
        lines.row(&row, Paint::Plain);
        let words = format!("{}; {}", sounding.footing, sounding.summary);
        lines.item("         ", &words, Paint::Plain);
    }
}

fn baselines(lines: &mut Lines, history: &WheelHistory) {
    lines.heading("Baselines of its own");
    if history.baselines.is_empty() {
        lines.text("None.");
    }
    for baseline in &history.baselines {
        let mut words = format!(
            "version {}, of {} soundings, built {}",
            baseline.version,
            baseline.soundings,
            time_words(&baseline.built_at)
        );
        if baseline.unconfirmed {
            words.push_str(", nothing stood behind its first sounding");
        }
        if let Some(at) = &baseline.retired_at {
            let why = baseline.retired_why.as_deref().unwrap_or("no reason given");
            words.push_str(&format!(", retired {}: {why}", time_words(at)));
        }
        lines.item("-", &words, Paint::Plain);
    }
}

/// A table of wheels; `newest` gives the outcome of a wheel's newest sounding. Ends with a line break.
pub fn wheels_text(
    wheels: &[WheelRecord],
    newest: impl Fn(&str) -> Option<String>,
    style: &TextStyle,
) -> String {
    let mut lines = Lines::new(style);
    if wheels.is_empty() {
        lines.text("There are no wheels yet: add one with fourtap wheel add.");
        return lines.finish();
    }
    let column = |head: &str, cell: &dyn Fn(&WheelRecord) -> String| {
        let mut cells = vec![head.to_owned()];
        cells.extend(wheels.iter().map(cell));
        cells
    };
    let speed = |w: &WheelRecord| w.max_speed.as_ref().map(|m| m.written.clone());
    let or_none = |value: Option<String>| value.unwrap_or_else(|| "-".to_owned());
    let mut columns = vec![
        column("wheel", &|w| w.id.clone()),
        column("size", &|w| w.size.written().to_owned()),
        column("state", &|w| w.state.words().to_owned()),
        column("newest sounding", &|w| or_none(newest(&w.id))),
        column("lot", &|w| or_none(w.lot.clone())),
        column("bond", &|w| w.bond.name().to_owned()),
        column("max speed", &|w| or_none(speed(w))),
    ];
    let width = |cells: &Vec<String>| cells.iter().map(|c| width_of(c)).max().unwrap_or(0);
    // What does not fit beside the rest is left to the view of one wheel.
    while columns.len() > 4 && columns.iter().map(|c| width(c) + 2).sum::<usize>() > style.width + 2
    {
        columns.pop();
    }
    for row in 0..=wheels.len() {
        let mut line = String::new();
        for cells in &columns {
            let spare = width(cells) + 2 - width_of(&cells[row]);
            line.push_str(&cells[row]);
            line.extend(std::iter::repeat_n(' ', spare));
        }
        let paint = if row == 0 { Paint::Bold } else { Paint::Plain };
        lines.row(&line, paint);
    }
    lines.finish()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::record::wheel::{Bond, Size};

    #[test]
    fn a_table_of_wheels_keeps_its_columns() {
        let wheel = |id: &str, lot: &str| WheelRecord {
            lot: Some(lot.to_owned()),
            ..WheelRecord::new(
                id,
                Size::parse("200x20x32").unwrap(),
                Bond::Vitrified,
                None,
                "2026-01-02T03:04:05Z",
            )
        };
        let style = TextStyle {
            colour: false,
            width: 80,
        };
        let dead = |_: &str| Some("rings, not compared".to_owned());
        for lot in [
            "L-7",
            "a lot with a name that takes the place of other columns",
        ] {
            let wheels = [wheel("W-1", lot), wheel("W-1000", "L")];
            let text = wheels_text(&wheels, dead, &style);
            let rows: Vec<&str> = text.lines().collect();
            assert_eq!(rows.len(), 3, "{text}");
            for word in ["size", "state", "newest sounding"] {
                let at = rows[0].find(word).unwrap();
                assert!(
                    rows[1..]
                        .iter()
                        .all(|r| &r[at - 1..at] == " " && &r[at..=at] != " ")
                );
            }
            assert!(rows.iter().all(|r| r.len() <= 80), "{text}");
        }
    }
}
