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
                "{}, and its tones are where they were",
                comparison
                    .ring_words
                    .as_deref()
                    .unwrap_or("rings at every spot")
            ),
        ),
        (_, Reading::ClearRing) => (alone, why),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
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
