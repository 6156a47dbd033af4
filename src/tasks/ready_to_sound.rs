//! What is known and asked before the first tap: the wheel, whether it goes on the grinder, what
//! the eye answered, and what the taps are to be held against.

use crate::reading::Outcome;
use crate::reading::fit_rules::{EYE_QUESTIONS, EyeQuestion};
use crate::record::sounding::ReadyRecord;
use crate::store::{Store, StoreError};
use crate::tasks::build_baseline::{Behind, BuildError, behind_wheel};
use crate::tasks::check_fit::{FitAsked, check_fit};
use crate::tasks::clock::now;
use crate::tasks::wheel_states::standing;

/// The keys of what is asked before the first tap.
pub const READY: [&str; 3] = ["power", "seen", "dry"];

/// What to know and to do before the first tap.
#[derive(Debug, Default)]
pub struct ReadyToSound {
    /// Why the wheel does not go on the grinder, to be said first and large; empty when it does,
    /// or no grinder was named.
    pub misfit: Vec<String>,
    /// What else to know, in sentences.
    pub words: Vec<String>,
    /// What the taps are held against.
    pub behind: Behind,
}

/// The questions of [`READY`] in their words.
pub fn ready_questions() -> impl Iterator<Item = &'static EyeQuestion> {
    EYE_QUESTIONS.iter().filter(|q| READY.contains(&q.key))
}

/// Why a wheel of the store does not go on a grinder of it; empty when it does as far as the
/// figures tell. Questions to the eye are not asked here.
///
/// # Errors
/// [`StoreError`] when one of the two is not there.
pub fn misfit(store: &Store, wheel: &str, grinder: &str) -> Result<Vec<String>, StoreError> {
    let grinder = store.grinder(grinder)?;
    let missing = || StoreError::NoWheel {
        id: wheel.to_owned(),
    };
    let wheel = store.wheel(wheel)?.ok_or_else(missing)?;
    let standing = standing(store, &wheel)?;
    let fit = check_fit(&FitAsked {
        wheel: &wheel,
        is_wheel_kept: true,
        standing: &standing,
        grinder: &grinder,
        is_grinder_kept: true,
        answers: &[],
        by: None,
        at: &now(),
    });
    let against = fit.rules.iter().filter(|r| r.result == "does not fit");
    let mut words: Vec<String> = against
        .map(|r| format!("DOES NOT FIT {}: {}: {}", grinder.id, r.rule, r.because))
        .collect();
    if fit.result == "does not fit" {
        words.push("do not mount it on this grinder, whatever it rings".to_owned());
    }
    Ok(words)
}

/// What to know before the first tap of a wheel, with these answers of the eye.
///
/// # Errors
/// [`BuildError`] when the store cannot be read, or this version of the method makes no baseline
/// of what is kept.
pub fn ready_to_sound(
    store: Option<&Store>,
    wheel: Option<&str>,
    answers: &[(String, bool)],
) -> Result<ReadyToSound, BuildError> {
    let mut behind = behind_wheel(store, wheel, None)?;
    let mut words = Vec::new();
    if let Some(wheel) = &behind.wheel {
        let hints = wheel.rings_usefully();
        words.extend(
            hints
                .iter()
                .map(|h| format!("{} ({})", h.sentence, h.source)),
        );
    }
    if let (Some(store), Some(wheel)) = (store, &behind.wheel) {
        words.extend(standing(store, wheel)?.dead.map(|d| d.words()));
    }
    if answers.iter().any(|a| a.0 == "seen" && !a.1) {
        let why = "damage was seen on the wheel: whatever it rings, it is not to be used before a qualified person has decided";
        words.push(why.to_uppercase());
        let best = behind.at_best.as_ref().map(|b| b.0);
        if best.is_none_or(|b| b > Outcome::SoundItAgain) {
            behind.at_best = Some((Outcome::SoundItAgain, why.to_owned()));
        }
    }
    words.extend(behind.notes.iter().cloned());
    Ok(ReadyToSound {
        misfit: Vec::new(),
        words,
        behind,
    })
}

/// What was asked before the first tap, as it is kept.
pub fn ready_records(answers: &[(String, bool)]) -> Vec<ReadyRecord> {
    let record = |key: &&str| {
        let answer = answers.iter().rev().find(|a| a.0 == **key).map(|a| a.1);
        ReadyRecord {
            question: (*key).to_owned(),
            answer: match answer {
                Some(true) => "yes",
                Some(false) => "no",
                None => "not answered",
            }
            .to_owned(),
        }
    };
    READY.iter().map(record).collect()
}
