//! The sentences of a printed sounding.

use crate::reading::{Footing, Outcome};
use crate::record::sounding::{EvidenceRecord, FlawRecord, SoundingRecord};

/// Short cautions for every print.
pub const CAUTIONS: [&str; 4] = [
    "An aid to your own ring test and inspection: a clear ring does not show that a wheel is free \
     of defects.",
    "Never mount a wheel that is in doubt.",
    "Isolate the machine's power before you handle a wheel.",
    "Local codes and the instructions of the wheel's and the machine's maker come first; a \
     qualified person decides.",
];

/// What to do about an outcome that this version has no word for.
pub const UNKNOWN_STEPS: &[&str] =
    &["this version does not know this outcome: do not mount the wheel on the strength of it"];

/// What to do next after an outcome.
pub fn next_steps(outcome: Outcome) -> &'static [&'static str] {
    match outcome {
        Outcome::SoundsDead => &[
            "do not mount it",
            "mark it, set it aside and keep it apart from wheels in use",
            "a qualified person decides what becomes of it; no later ring takes this back by itself",
        ],
        Outcome::SoundItAgain => &[
            "do not mount it yet: nothing is decided",
            "wheel dry and clean, free on a finger or a pin, nothing touching it; a quiet \
             moment; a tap at every spot of the turn plan; then sound it again",
        ],
        Outcome::RingsNotCompared => &[
            "nothing stands behind it: it rang at every spot, but there is no earlier ring to hold \
             it against, and a small crack would not show",
            "your ear and your eye decide; if in doubt, do not mount it",
        ],
        Outcome::RingsClear => &[
            "the ring test is only one part: finish the inspection by eye, and check speed, arbor \
             hole, flanges, blotters and guard before mounting",
            "if it is dropped or knocked after this, sound it again",
        ],
    }
}

/// The outcome of its words, none for words of a newer version.
pub fn outcome_of(words: &str) -> Option<Outcome> {
    [
        Outcome::SoundsDead,
        Outcome::SoundItAgain,
        Outcome::RingsNotCompared,
        Outcome::RingsClear,
    ]
    .into_iter()
    .find(|o| o.words() == words)
}

/// What to change at the bench about a kind of flaw.
pub fn change_for(kind: &str) -> Option<&'static str> {
    Some(match kind {
        "bounce" => "let the tapper fall once and lift it off at once",
        "clipped" => "turn the microphone's level down, or move it further from the wheel",
        "soft" => "tap a little harder, bring the microphone nearer, or wait for less noise",
        "overlap" => "let each ring die away before the next tap: about two seconds",
        "gap" => "sound was lost on its way in: close other programs, or use another cable or port",
        "cut off" => "keep recording for two seconds after the last tap",
        "no quiet" => "leave a second of quiet before the first tap",
        "short" => "let the ring die away undisturbed: do not touch the wheel after the tap",
        "live room" => {
            "bring the microphone within a hand's width of the wheel, away from walls and sheet metal"
        }
        "crowded" => "keep other things from ringing along: one wheel, tapped with wood or plastic",
        "far" => "bring the microphone to the wheel, on the side of the tap",
        _ => return None,
    })
}

/// A flaw in words with its figures.
pub fn flaw(flaw: &FlawRecord) -> String {
    let figure = |name: &str| flaw.figures.get(name).copied().unwrap_or(f64::NAN);
    let ms = |name: &str| format!("{} ms", fixed(figure(name), 0));
    let db = |name: &str| format!("{} dB", fixed(figure(name), 0));
    match flaw.kind.as_str() {
        "bounce" => format!("the tapper touched again {} later", ms("after_ms")),
        "clipped" => format!(
            "too loud for the microphone's level: {} samples at the limit, the last {} after the strike",
            fixed(figure("samples"), 0),
            ms("until_ms")
        ),
        "soft" => format!(
            "only {} above the noise, {} are needed",
            db("over_noise_db"),
            db("needed_db")
        ),
        "overlap" => format!("the next tap came {} later, too soon", ms("next_after_ms")),
        "gap" => format!(
            "{} of sound are missing, {} from the strike",
            ms("lost_ms"),
            ms("at_ms")
        ),
        "cut off" => format!("the recording ends {} after the strike", ms("after_ms")),
        "no quiet" => format!("only {} of quiet before it", ms("quiet_ms")),
        "short" => format!("only {} of the decay are undisturbed", ms("clean_ms")),
        "live room" => format!(
            "the room's echo covers the decay: {} of the strong tones' power is not theirs",
            db("misfit_db")
        ),
        "crowded" => format!(
            "too many tones for one wheel: the fit stopped at {}",
            fixed(figure("lines"), 0)
        ),
        "far" => format!(
            "the sound came as from across the room: its first 5 ms stand at {} to the rest",
            db("direct_db")
        ),
        kind => {
            let figures: Vec<String> = flaw
                .figures
                .iter()
                .map(|(name, value)| format!("{} {}", name.replace('_', " "), trimmed(*value, 2)))
                .collect();
            format!("{kind} {}", figures.join(", "))
        }
    }
}

/// A figure with its limit. Where the limit comes from is `source`.
pub fn evidence(e: &EvidenceRecord) -> String {
    let with_unit = |value: f64| {
        let space = if e.unit.is_empty() { "" } else { " " };
        format!("{}{space}{}", significant(value), e.unit)
    };
    let mut words = format!("{} {}", e.figure, with_unit(e.value));
    if let Some(limit) = e.limit {
        words.push_str(&format!(", {} {}", e.limit_kind, with_unit(limit)));
    }
    words
}

/// Where a figure's limit comes from and what it was held against; empty when nothing is known.
pub fn source(e: &EvidenceRecord) -> String {
    match &e.against {
        Some(against) if !e.limit_from.contains(against.as_str()) => {
            let from = &e.limit_from;
            let between = if from.is_empty() { "" } else { "; " };
            format!("{from}{between}against {against}")
        }
        _ => e.limit_from.clone(),
    }
}

/// What the footing of a sounding means.
pub fn footing(record: &SoundingRecord) -> String {
    let of = record.baseline.as_ref().map_or(String::new(), |b| {
        let many = if b.soundings == 1 { "" } else { "s" };
        let own = record.footing == Footing::OwnBaseline.words();
        let what = if own { "sounding" } else { "wheel" };
        let version = match b.version {
            0 => String::new(),
            v => format!(", version {v}"),
        };
        format!(" ({}{version}, {} {what}{many})", b.of, b.soundings)
    });
    let is = |footing: Footing| record.footing == footing.words();
    if is(Footing::OwnBaseline) {
        format!("Held against earlier soundings of this same wheel{of}.")
    } else if is(Footing::SpecificationBaseline) {
        format!(
            "Held against other wheels of the same specification{of}, not against this wheel's own past: \
             what differs from wheel to wheel can hide a small change."
        )
    } else if is(Footing::LotPeers) {
        format!(
            "Held against the other wheels of its lot, read in the same run{of}: a fault that they all \
             share would not show."
        )
    } else if is(Footing::PhysicsOnly) {
        "Nothing to compare with: only whether it rings at all, not whether it rings as it used to. \
         A small crack would not show."
            .to_owned()
    } else {
        format!("Held against {}{of}.", record.footing)
    }
}

/// `tap 3`, `taps 1, 3 and 4`.
pub fn taps_named(numbers: &[usize]) -> String {
    let words: Vec<String> = numbers.iter().map(ToString::to_string).collect();
    match words.split_last() {
        None => "no tap".to_owned(),
        Some((last, [])) => format!("tap {last}"),
        Some((last, rest)) => format!("taps {} and {last}", rest.join(", ")),
    }
}

/// `the spot of tap 3`, `the spots of taps 1 and 3`.
pub fn spots_of_taps(numbers: &[usize]) -> String {
    let many = if numbers.len() > 1 { "s" } else { "" };
    format!("the spot{many} of {}", taps_named(numbers))
}

/// A sentence with a capital and a full stop.
pub fn sentence(words: &str) -> String {
    let words = words.trim();
    let mut letters = words.chars();
    let mut sentence: String = letters
        .next()
        .map_or(String::new(), |c| c.to_uppercase().collect());
    sentence.push_str(letters.as_str());
    if !sentence.is_empty() && !sentence.ends_with(['.', '!', '?']) {
        sentence.push('.');
    }
    sentence
}

/// A number with fixed decimals, `-` for what is not finite; very large ones in powers of ten.
pub fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        "-".to_owned()
    } else if value.abs() >= 1e7 {
        format!("{value:.1e}")
    } else {
        let text = format!("{value:.decimals$}");
        let zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
        if zero {
            text.trim_start_matches('-').to_owned()
        } else {
            text
        }
    }
}

/// The same without zeros at the end of the decimals.
pub fn trimmed(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if text.contains('.') && !text.contains('e') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// About three significant figures.
pub fn significant(value: f64) -> String {
    match value.abs() {
        v if v >= 100.0 => fixed(value, 0),
        v if v >= 10.0 => trimmed(value, 1),
        v if v >= 1.0 => trimmed(value, 2),
        v if v >= 0.01 || v == 0.0 => trimmed(value, 3),
        v if v.is_finite() => format!("{value:.1e}"),
        _ => "-".to_owned(),
    }
}

/// A decay time with its unit.
pub fn seconds(time_s: f64) -> String {
    let decimals = if time_s.abs() < 0.0995 { 3 } else { 2 };
    format!("{} s", fixed(time_s, decimals))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ring::flaw::Flaw;

    #[test]
    fn every_kind_of_flaw_has_words_and_a_remedy() {
        let all = [
            Flaw::Bounce {
                after_ms: 12.0,
                level_db: -8.0,
            },
            Flaw::Clipped {
                samples: 31,
                until_ms: 2.0,
            },
            Flaw::Soft {
                over_noise_db: 9.0,
                needed_db: 20.0,
            },
            Flaw::Overlap {
                next_after_ms: 300.0,
            },
            Flaw::Gap {
                at_ms: -3.0,
                lost_ms: 10.0,
            },
            Flaw::CutOff { after_ms: 180.0 },
            Flaw::NoQuiet { quiet_ms: 20.0 },
            Flaw::Short { clean_ms: 25.0 },
            Flaw::LiveRoom { misfit_db: -6.0 },
            Flaw::Crowded { lines: 64 },
            Flaw::Far { direct_db: -14.0 },
        ];
        for kind in all {
            let record = FlawRecord {
                kind: kind.kind().to_owned(),
                figures: kind
                    .figures()
                    .into_iter()
                    .map(|(name, value)| (name.to_owned(), value))
                    .collect(),
            };
            // A figure that is looked up under a wrong name would print as a dash.
            let words = flaw(&record);
            assert!(!words.contains(" - ") && !words.contains("- dB"), "{words}");
            assert!(
                !words.starts_with(kind.kind()),
                "no words for {}",
                kind.kind()
            );
            assert!(change_for(kind.kind()).is_some(), "{}", kind.kind());
        }
    }

    #[test]
    fn numbers_stay_short() {
        assert_eq!(significant(0.344_4), "0.344");
        assert_eq!(significant(2060.4), "2060");
        assert_eq!(significant(-0.000_12), "-1.2e-4");
        assert_eq!(significant(f64::NAN), "-");
        assert_eq!(fixed(-0.001, 2), "0.00");
        assert_eq!(trimmed(112.5, 1), "112.5");
        assert_eq!(trimmed(90.0, 1), "90");
        assert_eq!(fixed(1e300, 2), "1.0e300");
    }

    #[test]
    fn no_step_calls_a_wheel_safe() {
        for outcome in [
            Outcome::SoundsDead,
            Outcome::SoundItAgain,
            Outcome::RingsNotCompared,
            Outcome::RingsClear,
        ] {
            assert!(!next_steps(outcome).is_empty());
            for step in next_steps(outcome) {
                assert!(!step.contains("safe"), "{step}");
            }
        }
    }
}
