//! From the taps of a sounding to the outcome for the wheel: worst wins.

use crate::reading::compare::Comparison;
use crate::reading::{Heard, Outcome, Reading};

/// The outcome on physics alone, and the sentence that goes with it.
///
/// `needed` is the number of taps of the turn plan. Any heard thud or dull thud gives
/// `sounds dead`; anything missing, too many, unclear or unsure gives `sound it again`.
pub fn outcome_alone(
    readings: &[Reading],
    heard: &[Option<Heard>],
    needed: usize,
) -> (Outcome, String) {
    let count = |r: Reading| readings.iter().filter(|x| **x == r).count();
    let thuds_heard = heard.iter().filter(|h| **h == Some(Heard::Thud)).count();
    let dull = count(Reading::DullThud);
    if thuds_heard > 0 {
        return (
            Outcome::SoundsDead,
            format!(
                "the ear heard {thuds_heard} of {} taps as a thud, and that is final",
                heard.len()
            ),
        );
    }
    if dull > 0 {
        return (
            Outcome::SoundsDead,
            format!("{dull} of {} taps read as a dull thud", readings.len()),
        );
    }
    if readings.len() != needed {
        return (
            Outcome::SoundItAgain,
            format!(
                "{} taps were heard and the turn plan has {needed}",
                readings.len()
            ),
        );
    }
    let unclear = count(Reading::Unclear);
    if unclear > 0 {
        return (
            Outcome::SoundItAgain,
            format!("{unclear} of {needed} taps could not be read"),
        );
    }
    if heard.contains(&Some(Heard::Unsure)) {
        return (
            Outcome::SoundItAgain,
            "the ear was not sure of a tap".to_owned(),
        );
    }
    (
        Outcome::RingsNotCompared,
        "rings at every spot, but there is nothing to compare it with: a small crack would not show, ear and eye decide".to_owned(),
    )
}

/// The outcome against a baseline: as [`outcome_alone`], and worst wins between that and the
/// comparison. Only a full turn plan of clear rings with a comparison that is clear as well
/// gives `rings clear`.
pub fn outcome_compared(
    readings: &[Reading],
    heard: &[Option<Heard>],
    needed: usize,
    comparison: &Comparison,
) -> (Outcome, String) {
    let (alone, why) = outcome_alone(readings, heard, needed);
    let changed = || match comparison.changes.as_slice() {
        [] => why.clone(),
        [one] => one.clone(),
        [one, two, ..] => format!("{one}; {two}"),
    };
    match (alone, comparison.reading) {
        (Outcome::SoundsDead, _) => (alone, why),
        (_, Reading::DullThud) => (Outcome::SoundsDead, changed()),
        (_, Reading::Unclear) => (Outcome::SoundItAgain, changed()),
        (Outcome::RingsNotCompared, Reading::ClearRing) => (
            Outcome::RingsClear,
            format!(
                "{}, and its tones are where they were{}",
                comparison
                    .ring_words
                    .as_deref()
                    .unwrap_or("rings at every spot"),
                not_heard(comparison)
            ),
        ),
        (_, Reading::ClearRing) => (alone, why),
    }
}

/// What a clear ring leaves open of the baseline's tones.
fn not_heard(comparison: &Comparison) -> String {
    let all = comparison.lines.len();
    match comparison
        .lines
        .iter()
        .filter(|l| l.found_hz.is_none())
        .count()
    {
        0 => String::new(),
        1 => format!(", save one of {all} that was not heard"),
        lost => format!(", save {lost} of {all} that were not heard"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::compare::ComparedLine;
    use Reading::{ClearRing, DullThud, Unclear};

    #[test]
    fn a_comparison_clears_only_a_full_plan_of_clear_rings() {
        let compared = |reading| Comparison {
            reading,
            changes: vec!["its lowest tone is 4 % lower".to_owned()],
            hints: Vec::new(),
            evidence: Vec::new(),
            ring_words: None,
            lines: Vec::new(),
            matches: true,
        };
        let (four, ring) = ([ClearRing; 4], [Some(Heard::Ring); 4]);
        let of = |r: &[Reading], h: &[Option<Heard>], c| outcome_compared(r, h, 4, &compared(c));
        assert_eq!(of(&four, &ring, ClearRing).0, Outcome::RingsClear);
        assert_eq!(of(&four, &ring, Unclear).0, Outcome::SoundItAgain);
        let (outcome, summary) = of(&four, &ring, DullThud);
        assert_eq!(outcome, Outcome::SoundsDead);
        assert_eq!(summary, "its lowest tone is 4 % lower");
        assert_eq!(
            of(&four[..3], &ring[..3], ClearRing).0,
            Outcome::SoundItAgain
        );
        let thud = [Some(Heard::Ring), Some(Heard::Thud), None, None];
        assert_eq!(of(&four, &thud, ClearRing).0, Outcome::SoundsDead);
    }

    #[test]
    fn a_clear_ring_says_which_tones_were_not_heard() {
        let with = |found: &[bool]| {
            let line = |is_there: &bool| ComparedLine {
                freq_hz: 1000.0,
                limits_hz: (999.0, 1001.0),
                found_hz: is_there.then_some(1000.1),
            };
            let comparison = Comparison {
                reading: ClearRing,
                changes: Vec::new(),
                hints: Vec::new(),
                evidence: Vec::new(),
                ring_words: None,
                lines: found.iter().map(line).collect(),
                matches: true,
            };
            outcome_compared(&[ClearRing; 4], &[Some(Heard::Ring); 4], 4, &comparison).1
        };
        let all = "rings at every spot, and its tones are where they were";
        assert_eq!(with(&[true, true, true]), all);
        let one = with(&[true, false, true]);
        assert_eq!(one, format!("{all}, save one of 3 that was not heard"));
        let two = with(&[true, false, true, false]);
        assert_eq!(two, format!("{all}, save 2 of 4 that were not heard"));
    }

    #[test]
    fn worst_wins_and_the_ear_is_final() {
        let four = [ClearRing; 4];
        let none = [None; 4];
        assert_eq!(outcome_alone(&four, &none, 4).0, Outcome::RingsNotCompared);
        assert_eq!(
            outcome_alone(&four[..3], &none[..3], 4).0,
            Outcome::SoundItAgain
        );
        assert_eq!(
            outcome_alone(&[ClearRing, Unclear, ClearRing, ClearRing], &none, 4).0,
            Outcome::SoundItAgain
        );
        assert_eq!(
            outcome_alone(&[Unclear, DullThud, ClearRing, ClearRing], &none, 4).0,
            Outcome::SoundsDead
        );
        let mut heard = [Some(Heard::Ring); 4];
        heard[2] = Some(Heard::Thud);
        assert_eq!(outcome_alone(&four, &heard, 4).0, Outcome::SoundsDead);
        heard[2] = Some(Heard::Unsure);
        assert_eq!(outcome_alone(&four, &heard, 4).0, Outcome::SoundItAgain);
    }
}
