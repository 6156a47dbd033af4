//! Makes the trainer's page: made-up sounds with their pictures, the shop's own soundings, and
//! the wheel that turns.

use std::f64::consts::PI;
use std::io::Cursor;
use std::path::{Path, PathBuf};

use crate::audio::{Recording, Source as _};
use crate::reading::rule::judge_alone;
use crate::reading::turn_plan::TurnPlan;
use crate::record::sounding::SoundingRecord;
use crate::report::picture::{
    PictureError, TapMark, TimeSpectrum, Waveform, time_spectrum_picture, waveform_picture,
};
use crate::report::teach_page::{Exhibit, Layout, Section, TurnShow, TurnStep, teach_page};
use crate::report::text::CAUTIONS;
use crate::ring::listen::Listener;
use crate::ring::measure::measure;
use crate::ring::synth::{SceneError, TrueMode};
use crate::ring::take::TapTake;
use crate::signal::clip::Clip;
use crate::store::Store;
use crate::store::records::Kept;
use crate::tasks::draw_sounding::decay;
use crate::tasks::in_order::in_order;
use crate::tasks::make_demo::{INVENTED, wav_bytes};
use crate::tasks::specimens::{QUIET_S, Specimen, Subject, specimens};
use crate::units::RateOutOfRange;

/// Name of the page in its folder.
pub const PAGE: &str = "ring-and-thud.html";
/// Most soundings of the shop that are shown of each outcome.
const MOST_OWN: usize = 3;
/// Place of the crack in the turning wheel, degrees from its mark: the worst for quarter turns.
const CRACK_DEG: f64 = 45.0;
/// Nodal diameters of the pair in the turning wheel.
const PAIR_N: f64 = 2.0;

/// Why the page could not be made.
#[derive(Debug, thiserror::Error)]
pub enum TeachError {
    /// A folder or file cannot be written.
    #[error("{} cannot be written ({why}); choose a folder you may write to", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
    /// A rate is out of range: a fault of the program.
    #[error(transparent)]
    Rate(#[from] RateOutOfRange),
    /// The sound could not be computed: a fault of the program.
    #[error("{name}: {why}")]
    Scene {
        /// Of which exhibit.
        name: String,
        /// Why.
        why: SceneError,
    },
    /// The sound could not be put into WAV form: a fault of the program.
    #[error(transparent)]
    Wav(#[from] hound::Error),
    /// A picture.
    #[error(transparent)]
    Picture(#[from] PictureError),
}

/// A made-up sound of the page.
#[derive(Debug, Clone, PartialEq)]
pub struct MadeExhibit {
    /// Its file in the folder.
    pub file: PathBuf,
    /// What it shows.
    pub subject: Subject,
    /// Its name.
    pub name: String,
    /// The tones it was made from.
    pub truth: Vec<TrueMode>,
}

/// What was made.
#[derive(Debug, Clone, PartialEq)]
pub struct TeachDemo {
    /// The page.
    pub page: PathBuf,
    /// The made-up sounds.
    pub made: Vec<MadeExhibit>,
    /// Number of the shop's own soundings on it.
    pub own: usize,
    /// What of the shop's own could not be shown, in sentences.
    pub left_out: Vec<String>,
}

/// Writes the page and each made-up sound as a WAV file into `folder`, which is made; files of the
/// same names are replaced. `store` gives the shop's own soundings. Calls `progress` with the
/// name of each exhibit that is done.
///
/// # Errors
/// [`TeachError`] when the folder cannot be written.
pub fn make_page(
    folder: &Path,
    store: Option<&Store>,
    mut progress: impl FnMut(&str),
) -> Result<TeachDemo, TeachError> {
    write(folder, None)?;
    let mut sections = sections();
    let mut made = Vec::new();
    let specimens = specimens()?;
    let mut fault = None;
    // Sound and pictures of each take most of the time: all cores work on them.
    in_order(
        &specimens,
        |_, specimen| made_up(specimen),
        |k, done| {
            let specimen = &specimens[k];
            let file = folder.join(format!("{}.wav", specimen.key));
            let shown = done.and_then(|(exhibit, truth)| {
                write(&file, Some(&exhibit.wav))?;
                Ok((exhibit, truth))
            });
            match shown {
                Ok((exhibit, truth)) => {
                    progress(&specimen.name);
                    made.push(MadeExhibit {
                        file,
                        subject: specimen.subject,
                        name: specimen.name.clone(),
                        truth,
                    });
                    let section = sections.iter_mut().find(|(s, _)| *s == specimen.subject);
                    if let Some((_, section)) = section {
                        section.exhibits.push(exhibit);
                    }
                    true
                }
                Err(error) => {
                    fault = Some(error);
                    false
                }
            }
        },
    );
    if let Some(error) = fault {
        return Err(error);
    }
    let mut sections: Vec<Section> = sections.into_iter().map(|(_, section)| section).collect();
    let mut left_out = Vec::new();
    let own = own_soundings(store, &mut left_out)?;
    let count = own.len();
    if count > 0 {
        sections.push(Section {
            id: "own",
            heading: "From our own shop",
            about: "The first tap of soundings that are kept here: recordings, not made up.",
            layout: Layout::Row,
            exhibits: own,
        });
    }
    let page = folder.join(PAGE);
    let html = teach_page(&sections, &turn_shows(), CRACK_DEG, INVENTED, &CAUTIONS);
    write(&page, Some(html.as_bytes()))?;
    Ok(TeachDemo {
        page,
        made,
        own: count,
        left_out,
    })
}

/// Writes a file, or makes a folder.
fn write(path: &Path, bytes: Option<&[u8]>) -> Result<(), TeachError> {
    let done = match bytes {
        Some(bytes) => std::fs::write(path, bytes),
        None => std::fs::create_dir_all(path),
    };
    done.map_err(|why| TeachError::Write {
        path: path.to_owned(),
        why,
    })
}

fn sections() -> Vec<(Subject, Section)> {
    let of = |subject, id, heading, about, layout| {
        let section = Section {
            id,
            heading,
            about,
            layout,
            exhibits: Vec::new(),
        };
        (subject, section)
    };
    vec![
        of(
            Subject::SideBySide,
            "beside",
            "A ring beside a thud",
            "The ring is a few steady tones that die away slowly: long level stripes in the spectrum over time. The thud is over at once.",
            Layout::Pair,
        ),
        of(
            Subject::Growing,
            "growing",
            "A crack that grows",
            "From none to through. A small crack still rings: by ear, with nothing to compare, it is easily missed.",
            Layout::Dial("How far the crack goes"),
        ),
        of(
            Subject::Bond,
            "bond",
            "What the bond does",
            "All of these are sound, of one size. Organic bonds damp; what does not ring when it is good cannot be judged by its ring.",
            Layout::Row,
        ),
        of(
            Subject::Damp,
            "damp",
            "What moisture does",
            "Wheels are sounded dry.",
            Layout::Row,
        ),
        of(
            Subject::Holding,
            "holding",
            "What holding does",
            "All of these are the same sound wheel.",
            Layout::Row,
        ),
        of(
            Subject::Place,
            "place",
            "Where to tap",
            "Taps go beside the vertical line, 45 degrees off it (29 CFR 1910.215(d)(1)).",
            Layout::Pair,
        ),
        of(
            Subject::Tap,
            "tap",
            "Handle, hand and distance",
            "All of these are the same sound wheel.",
            Layout::Row,
        ),
        of(
            Subject::Noise,
            "noise",
            "Noise and room",
            "Sound wheels where it is quiet.",
            Layout::Row,
        ),
    ]
}

fn made_up(specimen: &Specimen) -> Result<(Exhibit, Vec<TrueMode>), TeachError> {
    let take = specimen.scene.play().map_err(|why| TeachError::Scene {
        name: specimen.name.clone(),
        why,
    })?;
    let subject = format!("Made-up sound: {}", specimen.name);
    let mut exhibit = exhibit(&take.clip, &subject)?;
    exhibit.name = specimen.name.clone();
    exhibit.about = specimen.about.clone();
    exhibit.is_made_up = true;
    exhibit.wav = wav_bytes(&take.clip, 16, &specimen.about)?;
    Ok((exhibit, take.truth))
}

/// The loudest tap of a clip, cut out.
pub(super) fn only_tap(clip: &Clip) -> Option<TapTake> {
    let mut listener = Listener::new(clip.rate());
    let mut takes = listener.push(clip.samples(), 0);
    takes.extend(listener.finish().0);
    takes
        .into_iter()
        .max_by(|a, b| a.level_db.total_cmp(&b.level_db))
}

/// Pictures and reading of a clip with one tap.
fn exhibit(clip: &Clip, subject: &str) -> Result<Exhibit, TeachError> {
    let tap = only_tap(clip).map(|take| measure(&take));
    let judgement = tap.as_ref().map(judge_alone);
    let marks: Vec<TapMark> = tap
        .iter()
        .zip(&judgement)
        .map(|(tap, judged)| TapMark {
            time_s: tap.time_s,
            number: 1,
            reading: Some(judged.reading),
        })
        .collect();
    let bucket = (clip.len() / 1700).max(1);
    let buckets: Vec<(f64, f64, f64)> = clip
        .samples()
        .chunks(bucket)
        .enumerate()
        .map(|(k, samples)| {
            let low = samples.iter().fold(f64::INFINITY, |m, s| m.min(*s));
            let high = samples.iter().fold(f64::NEG_INFINITY, |m, s| m.max(*s));
            (clip.rate().seconds(k * bucket), low, high)
        })
        .collect();
    let modes_hz: Vec<f64> = tap
        .iter()
        .flat_map(|t| t.modes.iter().map(|m| m.freq_hz))
        .collect();
    let read = match (&judgement, &tap) {
        (Some(judged), Some(_)) => format!(
            "fourtap, without anything to compare with: {} ({}).",
            judged.reading.words(),
            judged.reasons.join("; ")
        ),
        _ => "fourtap hears no tap in it.".to_owned(),
    };
    Ok(Exhibit {
        name: String::new(),
        about: String::new(),
        read,
        is_made_up: false,
        wav: Vec::new(),
        waveform: waveform_picture(&Waveform {
            subject,
            buckets: &buckets,
            taps: &marks,
        })?,
        over_time: time_spectrum_picture(&TimeSpectrum {
            subject,
            samples: clip.samples(),
            rate: clip.rate(),
            from_s: -QUIET_S,
            modes_hz: &modes_hz,
        })?,
        decay: match &tap {
            Some(tap) => decay(tap, subject)?,
            None => crate::report::picture::decay_picture(&crate::report::picture::Decay {
                subject,
                bands: &[],
            })?,
        },
    })
}

/// The newest soundings of the store that ring and that are dead, with their first tap.
fn own_soundings(
    store: Option<&Store>,
    left_out: &mut Vec<String>,
) -> Result<Vec<Exhibit>, TeachError> {
    let Some(store) = store else {
        return Ok(Vec::new());
    };
    let all: Vec<Kept<SoundingRecord>> = match store.all_kept(None) {
        Ok(all) => all,
        Err(error) => {
            left_out.push(error.to_string());
            return Ok(Vec::new());
        }
    };
    let mut shown = Vec::new();
    for is_dead in [false, true] {
        let of_kind = all.iter().rev().filter(|k| {
            let outcome = k.record.outcome.as_str();
            (is_dead && outcome == "sounds dead") || (!is_dead && outcome.starts_with("rings"))
        });
        for kept in of_kind.take(MOST_OWN) {
            match first_tap(store, kept) {
                Ok(clip) => shown.push(own_exhibit(kept, &clip)?),
                Err(why) => left_out.push(format!("sounding {}: {why}", kept.number)),
            }
        }
    }
    Ok(shown)
}

fn own_exhibit(kept: &Kept<SoundingRecord>, clip: &Clip) -> Result<Exhibit, TeachError> {
    let wheel = kept.record.wheel.as_deref().unwrap_or("no wheel named");
    let name = format!("{wheel}, sounding {}", kept.number);
    let mut exhibit = exhibit(clip, &format!("Recording: {name}, tap 1"))?;
    exhibit.about = format!(
        "{}, {}: {}.",
        kept.at, kept.record.outcome, kept.record.summary
    );
    exhibit.wav = plain_wav(clip)?;
    exhibit.name = name;
    Ok(exhibit)
}

/// 16-bit WAV of a recording, without the label of made-up sound.
fn plain_wav(clip: &Clip) -> Result<Vec<u8>, hound::Error> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: clip.rate().get(),
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec)?;
    for sample in clip.samples() {
        writer.write_sample((sample.clamp(-1.0, 1.0) * 32_767.0).round() as i16)?;
    }
    writer.finalize()?;
    Ok(bytes.into_inner())
}

/// The sound about the first tap of a kept sounding.
fn first_tap(store: &Store, kept: &Kept<SoundingRecord>) -> Result<Clip, String> {
    let tap = kept.record.taps.first().ok_or("it has no tap")?;
    let file = kept.record.files.iter().find(|f| f.name == tap.file);
    let file = file.ok_or("its recording is not named")?;
    let bytes = store.sound_bytes(&file.blake3).map_err(|e| e.to_string())?;
    let recording = Recording::from_reader(&file.name, Cursor::new(bytes));
    let recording = recording.map_err(|e| e.to_string())?;
    let channel = file.channel.saturating_sub(1);
    let mut player = recording.play(channel).map_err(|e| e.to_string())?;
    let rate = player.rate();
    let from = rate.samples((tap.time_s - QUIET_S).max(0.0));
    let to = rate.samples(tap.time_s + 1.35);
    let mut samples: Vec<f64> = Vec::new();
    while let Some(chunk) = player.next_chunk().map_err(|e| e.to_string())? {
        samples.resize(samples.len() + chunk.lost_before as usize, 0.0);
        samples.extend(chunk.samples);
        if samples.len() >= to {
            break;
        }
    }
    let to = to.min(samples.len());
    let part = samples.get(from..to).ok_or("its recording is too short")?;
    Ok(Clip::new(part.to_vec(), rate))
}

/// The turn plans against the crack: strengths are those of a pair with two nodal diameters
/// whose lowered tone has an antinode at the crack.
fn turn_shows() -> Vec<TurnShow> {
    let strength = |spot_deg: f64, antinode_deg: f64| {
        (PAIR_N * (spot_deg - antinode_deg) * PI / 180.0)
            .cos()
            .abs()
    };
    TurnPlan::ALL
        .into_iter()
        .map(|plan| TurnShow {
            plan: plan.name(),
            words: match plan {
                TurnPlan::Rule => "45 degrees each side of the vertical, turn by 45 degrees, again",
                TurnPlan::Quarter => "a quarter turn between taps",
                TurnPlan::Spread => "steps of 112.5 degrees",
            },
            steps: plan
                .spots_deg()
                .into_iter()
                .enumerate()
                .map(|(k, spot_deg)| {
                    let place_deg = match plan {
                        TurnPlan::Rule if k % 2 == 0 => -45.0,
                        TurnPlan::Rule => 45.0,
                        _ => 0.0,
                    };
                    // The short way round, so that the wheel on the page does not spin back.
                    let turned = place_deg - spot_deg;
                    let turned_deg = if plan == TurnPlan::Rule {
                        (turned + 180.0_f64).rem_euclid(360.0) - 180.0
                    } else {
                        turned
                    };
                    TurnStep {
                        place_deg,
                        turned_deg,
                        spot_deg,
                        at_crack: strength(spot_deg, CRACK_DEG),
                        other: strength(spot_deg, CRACK_DEG + 45.0),
                    }
                })
                .collect(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two nodal diameters: quarter turns put all taps on still lines of a tone with its antinode at
    /// 45 degrees; the rule's turns and the spread do not.
    #[test]
    fn quarter_turns_miss_the_pair_and_the_rule_does_not() {
        for show in turn_shows() {
            let most = show.steps.iter().map(|s| s.at_crack).fold(0.0, f64::max);
            match show.plan {
                "quarter" => assert!(most < 1e-9, "{most}"),
                _ => assert!(most > 0.7, "{} {most}", show.plan),
            }
        }
    }
}
