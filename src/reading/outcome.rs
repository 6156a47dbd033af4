//! From the taps of a sounding to the outcome for the wheel: worst wins.

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

#[cfg(test)]
mod tests {
    use super::*;
    use Reading::{ClearRing, DullThud, Unclear};

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
