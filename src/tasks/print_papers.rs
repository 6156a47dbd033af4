//! Papers: the sheet of a sounding, and the tag of a wheel that sounds dead.

use crate::audio::Input;
use crate::record::fit::FitRecord;
use crate::record::mounting::MountingRecord;
use crate::record::sounding::{SoundingRecord, TapRecord};
use crate::record::wheel::WheelRecord;
use crate::report::paper::{Block, Paper, Sheet};
use crate::report::picture::{Face, face_picture};
use crate::report::text::{CAUTIONS, next_steps, outcome_of};
use crate::store::records::Kept;
use crate::store::{Store, StoreError};
use crate::tasks::draw_sounding::face_taps;
use crate::tasks::draw_sounding::spectrum_of;
use crate::tasks::read_soundings::{ReadSettings, read_and_show};

/// Why a paper cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum PaperError {
    /// A tag for a wheel that does not sound dead.
    #[error(
        "sounding {number} of the store reads \"{outcome}\", not \"sounds dead\": a tag is for wheels that sound dead; fourtap sheet {number} prints the sounding"
    )]
    NotDead {
        /// Number of the record.
        number: u64,
        /// Its outcome.
        outcome: String,
    },
    /// No sounding.
    #[error(
        "there is no sounding of the wheel \"{wheel}\" in the store: take one with fourtap sound --wheel {wheel}"
    )]
    NoSounding {
        /// The wheel.
        wheel: String,
    },
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The newest sounding of a wheel.
///
/// # Errors
/// [`PaperError::NoSounding`] when there is none.
pub fn newest_sounding(store: &Store, wheel: &str) -> Result<Kept<SoundingRecord>, PaperError> {
    let newest = store.all_kept::<SoundingRecord>(Some(wheel))?.pop();
    newest.ok_or_else(|| PaperError::NoSounding {
        wheel: wheel.to_owned(),
    })
}

/// One page of a sounding. The spectrum is drawn from the kept sound, as the present method sees
/// it; it is left out when the sound is gone.
///
/// # Errors
/// [`PaperError::Store`] when the store cannot be read.
pub fn sheet(store: &Store, kept: &Kept<SoundingRecord>) -> Result<Paper, PaperError> {
    let record = &kept.record;
    let mut blocks = vec![Block::Large(record.outcome.to_uppercase())];
    blocks.push(Block::Text(capital(&record.summary)));
    if record.taps.iter().all(|t| t.heard.is_none()) {
        blocks.push(Block::Text(
            "No ear's word stands beside these readings.".to_owned(),
        ));
    }
    let wheel = match &record.wheel {
        Some(id) => store.wheel(id)?,
        None => None,
    };
    blocks.push(Block::Facts(facts(kept, wheel.as_ref())));
    blocks.extend(pictures(store, record));
    blocks.push(Block::Heading("Taps".to_owned()));
    blocks.push(taps(record));
    let steps = outcome_of(&record.outcome).map_or(&[][..], next_steps);
    if !steps.is_empty() {
        blocks.push(Block::Heading("What to do".to_owned()));
        blocks.push(Block::List(steps.iter().map(|s| (*s).to_owned()).collect()));
    }
    if let Some(id) = &record.wheel {
        blocks.extend(fit_and_ticks(store, id)?);
    }
    if !record.warnings.is_empty() {
        blocks.push(Block::Heading("What was wrong with it".to_owned()));
        blocks.push(Block::List(
            record.warnings.iter().take(5).cloned().collect(),
        ));
    }
    blocks.push(cautions());
    blocks.push(Block::Small(identification(kept)));
    Ok(Paper {
        title: format!("Sounding {} of {}", kept.number, of(record)),
        sheet: Sheet::Page,
        blocks,
    })
}

/// A tag to tie on a wheel that sounds dead.
///
/// # Errors
/// [`PaperError::NotDead`] for any other outcome.
pub fn tag(kept: &Kept<SoundingRecord>) -> Result<Paper, PaperError> {
    let record = &kept.record;
    if record.outcome != "sounds dead" {
        return Err(PaperError::NotDead {
            number: kept.number,
            outcome: record.outcome.clone(),
        });
    }
    let heard: Vec<String> = record.taps.iter().map(word_of_ear).collect();
    let read: Vec<&str> = record.taps.iter().map(|t| t.reading.as_str()).collect();
    Ok(Paper {
        title: "Tag of a wheel".to_owned(),
        sheet: Sheet::Tag,
        blocks: vec![
            Block::Large("DO NOT USE".to_owned()),
            Block::Large("SOUNDS DEAD".to_owned()),
            Block::Facts(vec![
                (
                    "wheel".to_owned(),
                    record.wheel.clone().unwrap_or_else(|| "no id".to_owned()),
                ),
                ("ear".to_owned(), heard.join(", ")),
                ("readings".to_owned(), read.join(", ")),
                ("sounded".to_owned(), kept.at.clone()),
                ("by".to_owned(), who(record)),
                (
                    "record".to_owned(),
                    format!("{} {}", kept.number, short(&kept.hash)),
                ),
            ]),
            Block::Text(capital(&record.summary)),
            Block::Cautions(vec![
                "Keep it apart from wheels for use until a qualified person has decided. Follow \
                 local codes and the wheel maker's instructions."
                    .to_owned(),
            ]),
        ],
    })
}

fn of(record: &SoundingRecord) -> String {
    let wheel = record.wheel.as_ref();
    wheel.map_or("a wheel without an id".to_owned(), |w| format!("wheel {w}"))
}

fn who(record: &SoundingRecord) -> String {
    record.by.clone().unwrap_or_else(|| "not said".to_owned())
}

fn word_of_ear(tap: &TapRecord) -> String {
    tap.heard.clone().unwrap_or_else(|| "not asked".to_owned())
}

fn facts(kept: &Kept<SoundingRecord>, wheel: Option<&WheelRecord>) -> Vec<(String, String)> {
    let record = &kept.record;
    let mut facts = vec![
        (
            "wheel".to_owned(),
            record.wheel.clone().unwrap_or_else(|| "no id".to_owned()),
        ),
        ("sounded".to_owned(), kept.at.clone()),
        ("by".to_owned(), who(record)),
        ("turn plan".to_owned(), record.turn_plan.clone()),
        ("footing".to_owned(), record.footing.clone()),
    ];
    let temp = record
        .temp_c
        .map_or("not known".to_owned(), |t| format!("{t:.0} °C"));
    facts.push(("temperature".to_owned(), temp));
    if let Some(wheel) = wheel {
        facts.push(("size".to_owned(), wheel.size.written().to_owned()));
        facts.push(("bond".to_owned(), wheel.bond.name().to_owned()));
        let speed = wheel.max_speed.as_ref();
        let speed = speed.map_or("not known".to_owned(), |m| m.written.clone());
        facts.push(("maximum speed".to_owned(), speed));
        let optional = [
            ("marking", wheel.label.marking.clone()),
            ("lot", wheel.lot.clone()),
            ("state now", Some(wheel.state.words().to_owned())),
        ];
        let known = optional
            .into_iter()
            .filter_map(|(n, v)| Some((n.to_owned(), v?)));
        facts.extend(known);
    }
    let ready: Vec<String> = record
        .ready
        .iter()
        .map(|r| format!("{} {}", r.question, r.answer))
        .collect();
    let ready = if ready.is_empty() {
        "not asked".to_owned()
    } else {
        ready.join(", ")
    };
    facts.push(("before the first tap".to_owned(), ready));
    facts
}

fn taps(record: &SoundingRecord) -> Block {
    let head = ["tap", "spot", "the ear heard", "reads", "rings", "because"];
    let row = |(k, tap): (usize, &TapRecord)| {
        let spot = tap.spot_deg.map_or("-".to_owned(), |d| format!("{d:.0}°"));
        let rings = tap
            .ring_time_s
            .map_or("-".to_owned(), |t| format!("{t:.2} s"));
        vec![
            (k + 1).to_string(),
            spot,
            word_of_ear(tap),
            tap.reading.clone(),
            rings,
            tap.reasons.first().cloned().unwrap_or_default(),
        ]
    };
    Block::Table {
        head: head.map(str::to_owned).to_vec(),
        rows: record.taps.iter().enumerate().map(row).collect(),
    }
}

fn pictures(store: &Store, record: &SoundingRecord) -> Vec<Block> {
    let taps = face_taps(record);
    let subject = of(record);
    let face = face_picture(&Face {
        subject: &subject,
        hole_share: None,
        taps: &taps,
    });
    let mut blocks = Vec::new();
    if let Ok(svg) = face {
        blocks.push(Block::Picture {
            svg,
            alt: "The wheel's face with the tap spots; the table below says the same".to_owned(),
        });
    }
    if let Some(svg) = spectrum(store, record) {
        let tones: Vec<String> = record
            .modes
            .iter()
            .take(8)
            .map(|m| format!("{:.0} Hz", m.freq_hz))
            .collect();
        blocks.push(Block::Picture {
            svg,
            alt: format!("Spectrum with the tones {}", tones.join(", ")),
        });
    }
    blocks
}

/// Drawn from the kept sound; none when a part of it is gone.
fn spectrum(store: &Store, record: &SoundingRecord) -> Option<String> {
    let inputs: Option<Vec<Input>> = record
        .files
        .iter()
        .map(|f| Some(Input::Path(store.sound(&f.blake3).ok()??.path?)))
        .collect();
    let inputs = inputs.filter(|i| !i.is_empty())?;
    let settings = ReadSettings {
        wheel: record.wheel.clone(),
        ..ReadSettings::default()
    };
    let mut svg = None;
    read_and_show(&inputs, &settings, &mut |seen| svg = spectrum_of(seen).ok()).ok()?;
    svg
}

fn fit_and_ticks(store: &Store, wheel: &str) -> Result<Vec<Block>, PaperError> {
    let mut blocks = Vec::new();
    if let Some(fit) = store.all_kept::<FitRecord>(Some(wheel))?.pop() {
        blocks.push(Block::Heading("Fit".to_owned()));
        let grinder = fit.record.grinder.as_deref().unwrap_or("a grinder");
        let by = fit.record.by.as_deref().unwrap_or("nobody");
        let misfits = fit
            .record
            .rules
            .iter()
            .filter(|r| r.result == "does not fit");
        let why: Vec<String> = misfits
            .map(|r| format!("; {}: {}", r.rule, r.because))
            .collect();
        blocks.push(Block::Text(format!(
            "On {grinder}: {} (record {}, {}, answered by {by}){}",
            fit.record.result,
            fit.number,
            fit.at,
            why.concat()
        )));
    }
    if let Some(mounting) = store.all_kept::<MountingRecord>(Some(wheel))?.pop() {
        blocks.push(Block::Heading("On mounting".to_owned()));
        let steps = mounting.record.steps.iter();
        blocks.push(Block::Ticks(
            steps.map(|s| (s.ticked, s.what.clone())).collect(),
        ));
    }
    Ok(blocks)
}

fn cautions() -> Block {
    Block::Cautions(CAUTIONS.iter().map(|c| (*c).to_owned()).collect())
}

fn identification(kept: &Kept<SoundingRecord>) -> String {
    let made = &kept.record.made_by;
    let sounds: Vec<String> = kept.record.files.iter().map(|f| short(&f.blake3)).collect();
    format!(
        "Record {} of the store, hash {}; sound {}; {} {}, method {}.",
        kept.number,
        kept.hash,
        sounds.join(", "),
        made.program,
        made.version,
        made.method
    )
}

fn short(hash: &str) -> String {
    hash.chars().take(16).collect()
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(char::to_uppercase);
    first.map_or(String::new(), |f| {
        format!("{}{}.", f.collect::<String>(), letters.as_str())
    })
}
