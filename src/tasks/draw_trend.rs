//! Draws a wheel's history: its tones, ring time and split from sounding to sounding.

use std::path::{Path, PathBuf};

use crate::reading::matching::{Line, Place, common_shift};
use crate::reading::{Outcome, Reading};
use crate::record::sounding::SoundingRecord;
use crate::record::wheel::WheelState;
use crate::record::wheel_history::SoundingLine;
use crate::report::picture::{PictureError, Trend, TrendEvent, TrendPoint, trend_picture};
use crate::report::png::svg_to_png;
use crate::tasks::keep_wheels::WheelShown;

/// Most tones that are followed: more curves cannot be told apart.
const MOST_TONES: usize = 5;
/// Two tones of the first sounding nearer than this are one for the trend: a pair.
const NEAR: f64 = 0.006;
/// Farthest all tones may have moved together (temperature, damp, another microphone's clock).
const WIDEST_SHIFT: f64 = 0.05;
/// Farthest a tone may lie from its place after the common shift, and still be taken for it.
const REACH: f64 = 0.03;
/// As for the other pictures.
const PNG_SCALE: f32 = 2.0;

/// Why a trend could not be drawn or written.
#[derive(Debug, thiserror::Error)]
pub enum TrendError {
    /// The ending of the file.
    #[error("{}: give a file that ends in .png or .svg", path.display())]
    Ending {
        /// The file.
        path: PathBuf,
    },
    /// The drawing.
    #[error(transparent)]
    Picture(#[from] PictureError),
    /// The file.
    #[error("{} cannot be written ({why}); choose a folder you may write to with --plot", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
}

/// Draws the trend of a wheel into a file, as PNG or SVG by its ending.
///
/// # Errors
/// [`TrendError`].
pub fn draw_trend(shown: &WheelShown, path: &Path) -> Result<(), TrendError> {
    let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("");
    let is_png = match ending.to_lowercase().as_str() {
        "png" => true,
        "svg" => false,
        _ => {
            return Err(TrendError::Ending {
                path: path.to_owned(),
            });
        }
    };
    let svg = trend_of(shown)?;
    let bytes = if is_png {
        svg_to_png(&svg, PNG_SCALE)?
    } else {
        svg.into_bytes()
    };
    std::fs::write(path, bytes).map_err(|why| TrendError::Write {
        path: path.to_owned(),
        why,
    })
}

/// The trend of a wheel as SVG.
///
/// # Errors
/// [`PictureError`] when it cannot be drawn.
pub fn trend_of(shown: &WheelShown) -> Result<String, PictureError> {
    let wheel = &shown.wheel;
    // The first sounding with tones is what the others are followed from.
    let first = shown.soundings.iter().find(|s| !s.record.modes.is_empty());
    let places = first.map_or_else(Vec::new, |s| followed(&s.record));
    let tones_hz: Vec<f64> = places.iter().map(|p| p.ln_freq.exp()).collect();
    let pair = shown.soundings.iter().find_map(|s| lowest_pair(&s.record));
    let points: Vec<TrendPoint> = shown
        .soundings
        .iter()
        .map(|s| TrendPoint {
            number: s.number,
            day: s.at.get(..10).unwrap_or("").to_owned(),
            reading: shape(&s.record.outcome),
            tones_percent: changes(&s.record, &places),
            ring_time_s: SoundingLine::of(s.number, &s.at, &s.record).ring_time_s,
            split_percent: pair.and_then(|f| split_near(&s.record, f)),
        })
        .collect();
    let events: Vec<TrendEvent> = shown
        .events
        .iter()
        .skip(1)
        .filter(|e| !e.note.as_deref().is_some_and(|n| n.starts_with("edited: ")))
        .filter(|e| e.state != WheelState::InStore.words())
        .map(|e| {
            let is_before = |s: &u64| e.record.is_some_and(|r| *s < r);
            let numbers = shown.soundings.iter().map(|s| (s.number, s.at.as_str()));
            let after = numbers
                .filter(|(n, at)| is_before(n) || (e.record.is_none() && *at <= e.at.as_str()))
                .count();
            TrendEvent {
                after,
                is_against: e.state != WheelState::Mounted.words(),
                words: format!("{} {}", e.state, e.at.get(..10).unwrap_or("")),
            }
        })
        .collect();
    let subject = format!(
        "Wheel {}, {}, {}: {} soundings",
        wheel.id,
        wheel.size.written(),
        wheel.bond.name(),
        points.len()
    );
    trend_picture(&Trend {
        subject: &subject,
        tones_hz: &tones_hz,
        soundings: &points,
        events: &events,
    })
}

fn shape(outcome: &str) -> Option<Reading> {
    if outcome == Outcome::RingsClear.words() {
        Some(Reading::ClearRing)
    } else if outcome == Outcome::SoundsDead.words() {
        Some(Reading::DullThud)
    } else if outcome == Outcome::SoundItAgain.words() {
        Some(Reading::Unclear)
    } else {
        None
    }
}

fn lines(record: &SoundingRecord) -> Vec<Line> {
    let all = record.modes.iter().map(Line::from);
    all.filter(Line::is_usable).collect()
}

/// The strongest tones of a sounding, pairs as one, by rising frequency.
fn followed(record: &SoundingRecord) -> Vec<Place> {
    let mut all = lines(record);
    all.sort_by(|a, b| b.energy_db.total_cmp(&a.energy_db));
    let mut places: Vec<Place> = Vec::new();
    for line in &all {
        let x = line.ln_freq();
        if places.len() < MOST_TONES && places.iter().all(|p| (p.ln_freq - x).abs() > NEAR) {
            places.push(Place {
                ln_freq: centre(&all, x),
                weight: line.weight(),
                energy_db: line.energy_db,
                partner: None,
                regular: true,
                always: true,
            });
        }
    }
    places.sort_by(|a, b| a.ln_freq.total_cmp(&b.ln_freq));
    places
}

/// Mean of the logarithms of the lines at a place, so that the two of a pair are one.
fn centre(lines: &[Line], x: f64) -> f64 {
    let near: Vec<f64> = lines
        .iter()
        .map(Line::ln_freq)
        .filter(|f| (f - x).abs() <= NEAR)
        .collect();
    near.iter().sum::<f64>() / near.len().max(1) as f64
}

/// Change of each followed tone in percent.
fn changes(record: &SoundingRecord, places: &[Place]) -> Vec<Option<f64>> {
    let lines = lines(record);
    let shift = common_shift(&lines, places, WIDEST_SHIFT)
        .filter(|s| !s.at_limit)
        .map_or(0.0, |s| s.shift);
    places
        .iter()
        .map(|place| {
            let wanted = place.ln_freq + shift;
            let off = |l: &&Line| (l.ln_freq() - wanted).abs();
            let near = lines
                .iter()
                .filter(|l| off(l) <= REACH)
                .min_by(|a, b| off(a).total_cmp(&off(b)))?;
            let change = centre(&lines, near.ln_freq()) - place.ln_freq;
            Some(100.0 * change.exp_m1())
        })
        .collect()
}

/// Centre of the lowest pair in Hz.
fn lowest_pair(record: &SoundingRecord) -> Option<f64> {
    let centres = record.pairs.iter().map(|p| 0.5 * (p.low_hz + p.high_hz));
    centres.min_by(f64::total_cmp)
}

/// Split in percent of the pair near a frequency.
fn split_near(record: &SoundingRecord, freq_hz: f64) -> Option<f64> {
    let near = record.pairs.iter().min_by(|a, b| {
        let off = |low: f64| (low - freq_hz).abs();
        off(a.low_hz).total_cmp(&off(b.low_hz))
    })?;
    let centre = 0.5 * (near.low_hz + near.high_hz);
    ((centre / freq_hz).ln().abs() <= REACH).then(|| 100.0 * near.split_hz / centre)
}
