//! A kept sounding for eyes and ears: its pictures drawn and its taps cut from the kept sound, as
//! the present method sees them.

use crate::reading::turn_plan::TurnPlan;
use crate::record::sounding::SoundingRecord;
use crate::report::picture::{Laid, Overlay, PictureError, overlay_picture};
use crate::ring::take::TapTake;
use crate::ring::tap::BandDecay;
use crate::signal::clip::Clip;
use crate::store::Store;
use crate::store::records::Kept;
use crate::tasks::build_baseline::Behind;
use crate::tasks::draw_sounding::{decay, largest_lines, over_time, spectrum, waveform};
use crate::tasks::make_demo::wav_bytes;
use crate::tasks::read_soundings::{ReadSettings, Seen, Struck, read_and_show};
use crate::tasks::reread_sounding::{RereadError, kept_sounds};

/// Strikes of the kept record and of the present reading that lie closer than this are one, in
/// seconds.
const SAME_STRIKE_S: f64 = 0.05;
/// Sound before the strike that is played, in seconds.
const BEFORE_S: f64 = 0.05;

/// A tap to be looked at and heard.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ShownTap {
    /// Its decay, as SVG; none when the present method finds no tap here.
    pub decay: Option<String>,
    /// Its spectrum over time, as SVG.
    pub over_time: Option<String>,
    /// Its sound, as WAV.
    pub wav: Option<Vec<u8>>,
}

/// Decay of a band: its limits in Hz, and seconds with levels in dB below the start.
type Decay = ((f64, f64), Vec<(f64, f64)>);

/// A kept sounding to be looked at and heard.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ShownSounding {
    /// The spectrum of all taps, as SVG.
    pub spectrum: Option<String>,
    /// The waveform of each recording, as SVG.
    pub waveforms: Vec<String>,
    /// The taps, as many as the record has.
    pub taps: Vec<ShownTap>,
    lines: Vec<(f64, f64)>,
    decays: Vec<Decay>,
}

/// Draws it. The baseline is laid under the spectrum, the body gives the modes labels.
///
/// # Errors
/// [`RereadError`] when its sound is gone or cannot be read.
pub fn show_sounding(
    store: &Store,
    kept: &Kept<SoundingRecord>,
    behind: Behind,
) -> Result<ShownSounding, RereadError> {
    let record = &kept.record;
    let inputs = kept_sounds(store, kept)?;
    let settings = ReadSettings {
        wheel: record.wheel.clone(),
        turn_plan: TurnPlan::parse(&record.turn_plan).unwrap_or_default(),
        temp_c: record.temp_c,
        body: behind.body(),
        baseline: behind.baseline,
        ..ReadSettings::default()
    };
    let mut shown = ShownSounding::default();
    read_and_show(&inputs, &settings, &mut |seen| shown = drawn(seen, kept))?;
    Ok(shown)
}

fn drawn(seen: &Seen<'_>, kept: &Kept<SoundingRecord>) -> ShownSounding {
    let record = &kept.record;
    // Not the names of the files: in the store those are hashes.
    let wheel = record
        .wheel
        .as_ref()
        .map_or(String::new(), |w| format!("Wheel {w}, "));
    let subject = format!("{wheel}sounding {}", kept.number);
    let overviews = seen.overviews.iter().enumerate();
    let takes: Vec<&TapTake> = seen
        .struck
        .iter()
        .map(|s| &s.take)
        .filter(|t| !t.clip.is_empty())
        .collect();
    ShownSounding {
        spectrum: spectrum(seen, &subject).ok(),
        waveforms: overviews
            .filter_map(|(k, overview)| waveform(seen, k, overview, &subject).ok())
            .collect(),
        taps: record
            .taps
            .iter()
            .enumerate()
            .map(|(number, tap)| {
                let file = record.files.iter().position(|f| f.name == tap.file);
                let found = file.and_then(|file| at(seen, file, tap.time_s));
                let spot = tap
                    .spot_deg
                    .map_or(String::new(), |d| format!(" at {d:.0}°"));
                let of_tap = format!("{subject}, tap {}{spot}: {}", number + 1, tap.reading);
                found.map_or_else(ShownTap::default, |k| shown_tap(&seen.struck[k], &of_tap))
            })
            .collect(),
        lines: largest_lines(&takes),
        decays: seen
            .struck
            .first()
            .map_or(Vec::new(), |s| decays(&s.tap.bands)),
    }
}

/// The tap of the present reading in a file at a time.
fn at(seen: &Seen<'_>, file: usize, time_s: f64) -> Option<usize> {
    let name = &seen.record.files.get(file)?.name;
    let distance = |s: &Struck| (s.tap.time_s - time_s).abs();
    let near = seen
        .struck
        .iter()
        .enumerate()
        .filter(|(_, s)| s.file == *name && distance(s) < SAME_STRIKE_S);
    near.min_by(|a, b| distance(a.1).total_cmp(&distance(b.1)))
        .map(|(k, _)| k)
}

fn shown_tap(struck: &Struck, subject: &str) -> ShownTap {
    let take = &struck.take;
    if take.clip.is_empty() {
        return ShownTap::default();
    }
    let rate = take.clip.rate();
    let from = take.strike.saturating_sub(rate.samples(BEFORE_S));
    let clip = Clip::new(
        take.clip.slice(from, take.decay.end.max(from)).to_vec(),
        rate,
    );
    ShownTap {
        decay: decay(&struck.tap, subject).ok(),
        over_time: over_time(struck, subject).ok(),
        wav: wav_bytes(&clip, 16, "A tap of a kept sounding.").ok(),
    }
}

fn decays(bands: &[BandDecay]) -> Vec<Decay> {
    let mut held: Vec<&BandDecay> = bands.iter().filter(|b| b.ring_time_s.is_ok()).collect();
    held.sort_by_key(|b| std::cmp::Reverse(b.curve.len()));
    held.into_iter()
        .map(|b| (b.band_hz, b.curve.clone()))
        .collect()
}

/// Two soundings over each other, as SVG. `names` are for the key.
///
/// # Errors
/// [`PictureError`] when it cannot be drawn.
pub fn overlay(
    first: &ShownSounding,
    second: &ShownSounding,
    names: (&str, &str),
) -> Result<String, PictureError> {
    let same = |a: (f64, f64), b: (f64, f64)| (a.0 / b.0 - 1.0).abs() < 1e-6;
    let common = first.decays.iter().find_map(|a| {
        let b = second.decays.iter().find(|b| same(a.0, b.0))?;
        Some((a, b))
    });
    let laid = |shown: &'_ ShownSounding, decay: Option<&Decay>| {
        let decay = decay.map_or(Vec::new(), |d| d.1.clone());
        (shown.lines.clone(), decay)
    };
    let a = laid(first, common.map(|c| c.0));
    let b = laid(second, common.map(|c| c.1));
    overlay_picture(&Overlay {
        subject: "the largest of the taps at each frequency; the decay of the first tap",
        first: Laid {
            name: names.0,
            lines: &a.0,
            decay: &a.1,
        },
        second: Laid {
            name: names.1,
            lines: &b.0,
            decay: &b.1,
        },
        band_hz: common.map(|c| c.0.0),
    })
}
