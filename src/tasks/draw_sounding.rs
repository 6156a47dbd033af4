//! Draws a sounding into a folder: SVG and PNG of each picture.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};

use crate::reading::Reading;
use crate::reading::baseline::Baseline;
use crate::reading::compare::ComparedLine;
use crate::record::baseline::BaselineRecord;
use crate::record::sounding::{FileRecord, SoundingRecord};
use crate::report::picture::{
    BaselineMark, Decay, DecayBand, DecayFit, Face, FaceTap, ModeHeld, ModeMark, PictureError,
    RefusedMark, Spectrum, TapMark, TimeSpectrum, Waveform, decay_picture, face_picture,
    spectrum_picture, time_spectrum_picture, waveform_picture,
};
use crate::report::png::svg_to_png;
use crate::ring::take::TapTake;
use crate::ring::tap::{BandDecay, Tap};
use crate::signal::overview::Overview;
use crate::signal::spectrum::Analyzer;
use crate::signal::window::Window;
use crate::tasks::read_soundings::{Seen, Struck, band_record};
use crate::units::SampleRate;

/// Size of a PNG against that of its SVG: fit for a sheet of paper and for a dense screen.
const PNG_SCALE: f32 = 2.0;
/// Most recordings of a sounding whose waveforms are drawn.
const MOST_WAVEFORMS: usize = 12;
/// Quiet that is shown before a strike, in seconds.
const BEFORE_S: f64 = 0.1;
/// Most that is shown of the sound after a strike, in seconds.
const AFTER_S: f64 = 2.5;
/// The contact is over by then, in seconds after the strike.
const CONTACT_S: f64 = 0.003;
/// Longest stretch behind a spectrum, in seconds: lines 1 to 2 Hz wide.
const SPECTRUM_S: f64 = 1.0;

/// Why a picture could not be drawn or written.
#[derive(Debug, thiserror::Error)]
pub enum DrawError {
    /// The drawing.
    #[error("{name}: {why}")]
    Picture {
        /// Of which picture.
        name: String,
        /// Why.
        why: PictureError,
    },
    /// The file.
    #[error("{} cannot be written ({why}); choose a folder you may write to with --pictures", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
}

/// Makes the folder for pictures.
///
/// # Errors
/// [`DrawError::Write`] when it cannot be made.
pub fn make_folder(folder: &Path) -> Result<(), DrawError> {
    std::fs::create_dir_all(folder).map_err(|why| DrawError::Write {
        path: folder.to_owned(),
        why,
    })
}

/// Draws all pictures of a sounding into `folder`, which must be there, as
/// `NAME-waveform.svg`, `NAME-spectrum.svg`, `NAME-face.svg` and of each tap whose sound was
/// kept `NAME-tap-1-decay.svg` and `NAME-tap-1-over-time.svg`, each as `.png` too. A sounding of
/// several recordings has `NAME-waveform-1.svg` and so on. Files of these names are replaced,
/// each at one blow.
///
/// # Errors
/// [`DrawError`] at the first that cannot be drawn or written.
pub fn draw_sounding(seen: &Seen<'_>, folder: &Path, name: &str) -> Result<(), DrawError> {
    let keep = |what: &str, svg: Result<String, PictureError>| keep(folder, name, what, svg);
    let subject = subject(seen);
    for (k, overview) in seen.overviews.iter().enumerate().take(MOST_WAVEFORMS) {
        let what = if seen.overviews.len() == 1 {
            "waveform".to_owned()
        } else {
            format!("waveform-{}", k + 1)
        };
        let of_file = format!("{}{}", wheel(seen), base_name(&seen.record.files[k].name));
        keep(&what, waveform(seen, k, overview, &of_file))?;
    }
    keep("spectrum", spectrum(seen, &subject))?;
    keep("face", face(seen, &subject))?;
    for (k, struck) in seen.struck.iter().enumerate() {
        if struck.take.clip.is_empty() {
            continue;
        }
        let number = k + 1;
        let of_tap = tap_subject(seen, k);
        keep(&format!("tap-{number}-decay"), decay(&struck.tap, &of_tap))?;
        keep(
            &format!("tap-{number}-over-time"),
            over_time(struck, &of_tap),
        )?;
    }
    Ok(())
}

/// Draws the tones of a baseline with their limits into `folder`, which is made, as
/// `NAME-baseline.svg` and `.png`: the modes of its soundings at their levels, and how far each
/// tone may move beside the others.
///
/// # Errors
/// [`DrawError`] when it cannot be drawn or written.
pub fn draw_baseline(
    record: &BaselineRecord,
    ready: &Baseline,
    folder: &Path,
) -> Result<(), DrawError> {
    make_folder(folder)?;
    let modes: Vec<ModeMark> = record
        .soundings
        .iter()
        .flat_map(|s| &s.modes)
        .map(|m| ModeMark {
            freq_hz: m.freq_hz,
            amplitude: 10f64.powf(0.05 * m.level_db),
            ring_time_s: Some(m.ring_time_s),
            held: ModeHeld::NotCompared,
            label: None,
        })
        .collect();
    // A baseline has soundings, so it has limits.
    let marks: Vec<BaselineMark> = ready
        .bands()
        .unwrap_or_default()
        .iter()
        .map(|line| BaselineMark {
            freq_hz: line.freq_hz,
            limits_hz: line.limits_hz,
            found: true,
        })
        .collect();
    let subject = format!(
        "{}, version {}: modes of {} soundings, limits of each tone beside the others",
        record.of,
        record.baseline_version,
        record.soundings.len()
    );
    let svg = spectrum_picture(&Spectrum {
        subject: &subject,
        lines: &[],
        modes: &modes,
        baseline: &marks,
        refused: &[],
    });
    // An id may hold what a file's name may not.
    let safe = |c: char| {
        if c.is_alphanumeric() || "-_.".contains(c) {
            c
        } else {
            '_'
        }
    };
    let name: String = record.of.chars().map(safe).collect();
    keep(folder, &name, "baseline", svg)
}

/// The spectrum of a sounding as SVG.
///
/// # Errors
/// [`PictureError`] when it cannot be drawn.
pub fn spectrum_of(seen: &Seen<'_>) -> Result<String, PictureError> {
    spectrum(seen, &subject(seen))
}

fn base_name(file: &str) -> &str {
    Path::new(file)
        .file_name()
        .and_then(|n| n.to_str())
        .unwrap_or(file)
}

/// What a picture of the whole sounding is of.
fn subject(seen: &Seen<'_>) -> String {
    let files = &seen.record.files;
    let what = match files.as_slice() {
        [] => "no recording".to_owned(),
        [one] => base_name(&one.name).to_owned(),
        [first, rest @ ..] => format!(
            "{} to {}, {} recordings",
            base_name(&first.name),
            base_name(&rest[rest.len() - 1].name),
            files.len()
        ),
    };
    format!("{}{what}", wheel(seen))
}

fn wheel(seen: &Seen<'_>) -> String {
    let wheel = seen.record.wheel.as_ref();
    wheel.map_or(String::new(), |id| format!("Wheel {id}, "))
}

fn tap_subject(seen: &Seen<'_>, k: usize) -> String {
    let struck = &seen.struck[k];
    let spot = seen.record.taps[k].spot_deg.map_or(String::new(), |deg| {
        format!(" at {}°", (10.0 * deg).round() / 10.0)
    });
    format!(
        "{}{}, tap {}{spot}: {}",
        wheel(seen),
        base_name(&struck.file),
        k + 1,
        struck.judgement.reading.words()
    )
}

pub(super) fn waveform(
    seen: &Seen<'_>,
    file: usize,
    overview: &Overview,
    subject: &str,
) -> Result<String, PictureError> {
    let record: &FileRecord = &seen.record.files[file];
    let bucket_s = overview.bucket_len() as f64 / f64::from(record.rate_hz);
    let buckets: Vec<(f64, f64, f64)> = overview
        .buckets()
        .iter()
        .enumerate()
        .filter(|(_, b)| b.heard > 0)
        .map(|(k, b)| (k as f64 * bucket_s, b.min, b.max))
        .collect();
    let taps: Vec<TapMark> = seen
        .struck
        .iter()
        .enumerate()
        .filter(|(_, s)| s.file == record.name)
        .map(|(k, s)| TapMark {
            time_s: s.tap.time_s,
            number: k + 1,
            reading: Some(s.judgement.reading),
        })
        .collect();
    waveform_picture(&Waveform {
        subject,
        buckets: &buckets,
        taps: &taps,
    })
}

pub(super) fn spectrum(seen: &Seen<'_>, subject: &str) -> Result<String, PictureError> {
    let takes: Vec<&TapTake> = seen
        .struck
        .iter()
        .map(|s| &s.take)
        .filter(|t| !t.clip.is_empty())
        .collect();
    let modes: Vec<ModeMark> = seen
        .modes
        .iter()
        .zip(&seen.record.modes)
        .map(|(m, record)| ModeMark {
            freq_hz: m.freq_hz,
            amplitude: m.amplitude,
            ring_time_s: Some(m.ring_time_s()),
            label: record.label,
            held: held(m.freq_hz, seen),
        })
        .collect();
    let refused: Vec<RefusedMark> = seen
        .refused
        .iter()
        .map(|r| RefusedMark {
            freq_hz: r.line.freq_hz,
            why: r.why,
        })
        .collect();
    let subject = match takes.len() {
        0 | 1 => subject.to_owned(),
        n => format!("{subject}, the largest of {n} taps at each frequency"),
    };
    spectrum_picture(&Spectrum {
        subject: &subject,
        lines: &largest_lines(&takes),
        modes: &modes,
        baseline: &seen
            .beside
            .iter()
            .map(|line| BaselineMark {
                freq_hz: line.freq_hz,
                limits_hz: line.limits_hz,
                found: line.found_hz.is_some(),
            })
            .collect::<Vec<_>>(),
        refused: &refused,
    })
}

/// How a mode stands to the baseline: lines that the baseline does not have regularly, or that
/// are too faint to be compared, stand to nothing.
fn held(freq_hz: f64, seen: &Seen<'_>) -> ModeHeld {
    let own = |line: &&ComparedLine| {
        line.found_hz
            .is_some_and(|f| (f / freq_hz - 1.0).abs() < 1e-9)
    };
    match seen.beside.iter().find(own) {
        None => ModeHeld::NotCompared,
        Some(line) if line.is_within() => ModeHeld::Within,
        Some(_) => ModeHeld::Outside,
    }
}

/// Largest amplitude of the taps at each frequency in Hz, as a mode's amplitude is that of the
/// tap that struck it best. Taps at another rate than the first are left out.
pub(super) fn largest_lines(takes: &[&TapTake]) -> Vec<(f64, f64)> {
    let Some(first) = takes.first() else {
        return Vec::new();
    };
    let rate: SampleRate = first.clip.rate();
    let fft_len = rate.samples(SPECTRUM_S).next_power_of_two();
    let mut largest: Vec<(f64, f64)> = Vec::new();
    for take in takes.iter().filter(|t| t.clip.rate() == rate) {
        let start = (take.strike + rate.samples(CONTACT_S)).max(take.decay.start);
        let end = take.decay.end.min(start + rate.samples(SPECTRUM_S));
        let samples = take.clip.slice(start, end);
        if samples.is_empty() {
            continue;
        }
        // The decay starts with the stretch, so that the taper must not begin at zero.
        let mut analyzer = Analyzer::new(Window::FallingCosine, samples.len(), fft_len);
        let spectrum = analyzer.spectrum(samples, rate);
        for (bin, &amplitude) in spectrum.amplitudes().iter().enumerate() {
            match largest.get_mut(bin) {
                Some(line) => line.1 = line.1.max(amplitude),
                None => largest.push((spectrum.freq_of(bin as f64), amplitude)),
            }
        }
    }
    largest
}

fn face(seen: &Seen<'_>, subject: &str) -> Result<String, PictureError> {
    let taps: Vec<FaceTap> = seen
        .struck
        .iter()
        .zip(&seen.record.taps)
        .enumerate()
        .map(|(k, (struck, record))| FaceTap {
            number: k + 1,
            spot_deg: record.spot_deg,
            reading: Some(struck.judgement.reading),
            ring_time_s: record.ring_time_s,
        })
        .collect();
    face_picture(&Face {
        subject,
        hole_share: None,
        taps: &taps,
    })
}

pub(super) fn decay(tap: &Tap, subject: &str) -> Result<String, PictureError> {
    let bands: Vec<DecayBand<'_>> = tap.bands.iter().map(decay_band).collect();
    decay_picture(&Decay {
        subject,
        bands: &bands,
    })
}

fn decay_band(band: &BandDecay) -> DecayBand<'_> {
    DecayBand {
        band_hz: band.band_hz,
        curve: &band.curve,
        fit: match band.ring_time_s {
            Ok(ring_time_s) => Ok(DecayFit {
                fitted_s: band.fitted_s,
                fitted_db: line_db(band, ring_time_s),
                ring_time_s,
                ring_time_std_s: None,
            }),
            Err(_) => Err(band_record(band).why_none.unwrap_or_default()),
        },
    }
}

/// Levels of the fitted line at the ends of its range: a line of least squares goes through the
/// mean of its points, and falls by 60 dB in a ring time.
fn line_db(band: &BandDecay, ring_time_s: f64) -> (f64, f64) {
    let (from, to) = band.fitted_s;
    let points: Vec<&(f64, f64)> = band
        .curve
        .iter()
        .filter(|p| p.0 >= from && p.0 <= to)
        .collect();
    let n = points.len() as f64;
    if points.len() < 2 {
        return band.fitted_db;
    }
    let mean_s = points.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_db = points.iter().map(|p| p.1).sum::<f64>() / n;
    let at = |time_s: f64| mean_db - 60.0 / ring_time_s * (time_s - mean_s);
    (at(from), at(to))
}

pub(super) fn over_time(struck: &Struck, subject: &str) -> Result<String, PictureError> {
    let take = &struck.take;
    let rate = take.clip.rate();
    let from = take.strike.saturating_sub(rate.samples(BEFORE_S));
    let to = take.decay.end.min(take.strike + rate.samples(AFTER_S));
    let modes_hz: Vec<f64> = struck.tap.modes.iter().map(|m| m.freq_hz).collect();
    time_spectrum_picture(&TimeSpectrum {
        subject,
        samples: take.clip.slice(from, to.max(from)),
        rate,
        from_s: -rate.seconds(take.strike - from),
        modes_hz: &modes_hz,
    })
}

/// Writes a picture as SVG and PNG.
fn keep(
    folder: &Path,
    name: &str,
    what: &str,
    svg: Result<String, PictureError>,
) -> Result<(), DrawError> {
    let failed = |why| DrawError::Picture {
        name: format!("{name}-{what}"),
        why,
    };
    let svg = svg.map_err(failed)?;
    let png = svg_to_png(&svg, PNG_SCALE).map_err(failed)?;
    for (ending, bytes) in [("svg", svg.as_bytes()), ("png", png.as_slice())] {
        let path = folder.join(format!("{name}-{what}.{ending}"));
        write_whole(&path, folder, bytes).map_err(|why| DrawError::Write { path, why })?;
    }
    Ok(())
}

/// Writes a file beside its place and then moves it there, so that nobody sees half of it.
fn write_whole(path: &Path, folder: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".fourtap-");
    // A temporary file is private by itself; a picture is as readable as any other file.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.tempfile_in(folder)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|e| e.error)?;
    Ok(())
}

/// Names for files of their own: what cannot stand in a file name becomes `-`, and a name that
/// was there before (in whatever case) gets a number.
pub fn apart_names(names: &[String]) -> Vec<String> {
    let mut taken = BTreeSet::new();
    names
        .iter()
        .map(|name| {
            let plain: String = name
                .chars()
                .map(|c| match c {
                    '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|' => '-',
                    c if c.is_control() || c.is_whitespace() => '-',
                    c => c,
                })
                .take(80)
                .collect();
            let plain = plain.trim_matches(['.', '-']);
            let plain = if plain.is_empty() { "sounding" } else { plain };
            let mut own = plain.to_owned();
            let mut number = 2;
            while !taken.insert(own.to_lowercase()) {
                own = format!("{plain}-{number}");
                number += 1;
            }
            own
        })
        .collect()
}

/// The taps of a record as the face shows them.
pub fn face_taps(record: &SoundingRecord) -> Vec<FaceTap> {
    let readings = [Reading::ClearRing, Reading::DullThud, Reading::Unclear];
    record
        .taps
        .iter()
        .enumerate()
        .map(|(k, tap)| FaceTap {
            number: k + 1,
            spot_deg: tap.spot_deg,
            reading: readings.into_iter().find(|r| r.words() == tap.reading),
            ring_time_s: tap.ring_time_s,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::apart_names;

    #[test]
    fn no_two_soundings_share_a_name() {
        let names = ["a", "A", "a-2", "W 1/2", "", "..", "a"].map(str::to_owned);
        let own = apart_names(&names);
        let expected = [
            "a",
            "A-2",
            "a-2-2",
            "W-1-2",
            "sounding",
            "sounding-2",
            "a-3",
        ];
        assert_eq!(own, expected);
    }
}
