//! Makes the demonstration recordings: an invented tool room with a few invented wheels, all
//! sound made up by [`crate::ring::synth`].
//!
//! The set is always the same. Each file says in its own header that it is made up.

pub(super) mod harrow_lane;

use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::ring::synth::{MadeTake, Scene, SceneError, TrueMode};
use crate::signal::clip::Clip;
use crate::units::RateOutOfRange;

/// Who and what is shown, for every place that shows the set.
pub const INVENTED: &str = "Invented: the Harrow Lane tool room and its wheels do not exist. \
     Made-up sound, computed by fourtap; not a recording of any wheel.";

/// What the tool must make of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MustGive {
    /// Every tap is a clear ring.
    ClearRing,
    /// Every tap rings, but not as the same wheel did before: only a comparison shows it.
    ChangedRing,
    /// Every tap is a dull thud.
    DullThud,
    /// No tap is a clear ring: this is no wheel.
    NoRing,
}

impl MustGive {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::ClearRing => "clear ring at every tap",
            Self::ChangedRing => "rings, but changed against the wheel's earlier files",
            Self::DullThud => "dull thud at every tap",
            Self::NoRing => "no clear ring: this is no wheel",
        }
    }
}

/// A file of the set that has been written.
#[derive(Debug, Clone, PartialEq)]
pub struct Made {
    /// Path below the folder of the set.
    pub file: PathBuf,
    /// Name of the invented wheel, if it is one.
    pub wheel: Option<&'static str>,
    /// What is heard in it.
    pub about: &'static str,
    /// What it must give.
    pub must_give: MustGive,
    /// Moments of the taps in seconds from the start.
    pub strikes_s: Vec<f64>,
    /// The true tones, amplitudes per tap of this file; empty when it is no wheel.
    pub truth: Vec<TrueMode>,
}

/// Why the set could not be made.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// A folder or file cannot be written.
    #[error("{} cannot be written ({why}); choose a folder you may write to", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
    /// A rate of the set is out of range: a fault of the program.
    #[error(transparent)]
    Rate(#[from] RateOutOfRange),
    /// The sound could not be computed: a fault of the program.
    #[error("{file}: {why}")]
    Scene {
        /// For which file.
        file: &'static str,
        /// Why.
        why: SceneError,
    },
    /// The sound could not be put into WAV form: a fault of the program.
    #[error("{file}: {why}")]
    Wav {
        /// For which file.
        file: &'static str,
        /// Why.
        why: hound::Error,
    },
}

/// Writes the whole set below `folder` (made when it is not there; files of the same names are
/// replaced) and calls `progress` after each file.
///
/// # Errors
/// [`DemoError`] when the folder cannot be written.
pub fn make_demo(folder: &Path, mut progress: impl FnMut(&Made)) -> Result<Vec<Made>, DemoError> {
    let mut all = Vec::new();
    each_made(|made, bytes| {
        write(&folder.join(&made.file), bytes)?;
        progress(&made);
        all.push(made);
        Ok(())
    })?;
    Ok(all)
}

/// Computes the set, file by file: what it is, and its bytes.
///
/// # Errors
/// [`DemoError`] of the program, and that of `each`, which ends it.
pub fn each_made(
    mut each: impl FnMut(Made, &[u8]) -> Result<(), DemoError>,
) -> Result<(), DemoError> {
    for plan in harrow_lane::plans()? {
        let take = plan.scene.play().map_err(|why| DemoError::Scene {
            file: plan.file,
            why,
        })?;
        for (file, clip, part) in plan.files(&take) {
            let bytes = wav_bytes(&clip, plan.bits, plan.about).map_err(|why| DemoError::Wav {
                file: plan.file,
                why,
            })?;
            let made = Made {
                file,
                wheel: plan.wheel,
                about: plan.about,
                must_give: plan.must_give,
                strikes_s: part.strikes_s,
                truth: part.truth,
            };
            each(made, &bytes)?;
        }
    }
    Ok(())
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), DemoError> {
    let failed = |why| DemoError::Write {
        path: path.to_path_buf(),
        why,
    };
    if let Some(parent) = path.parent() {
        fs::create_dir_all(parent).map_err(failed)?;
    }
    fs::write(path, bytes).map_err(failed)
}

/// WAV with a comment that says what it is.
pub(super) fn wav_bytes(clip: &Clip, bits: u16, about: &str) -> Result<Vec<u8>, hound::Error> {
    let spec = WavSpec {
        channels: 1,
        sample_rate: clip.rate().get(),
        bits_per_sample: bits,
        sample_format: SampleFormat::Int,
    };
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = WavWriter::new(&mut bytes, spec)?;
    let full = f64::from((1_u32 << (bits - 1)) - 1);
    for sample in clip.samples() {
        writer.write_sample((sample.clamp(-1.0, 1.0) * full).round() as i32)?;
    }
    writer.finalize()?;
    let mut bytes = bytes.into_inner();
    append_comment(&mut bytes, &format!("{INVENTED} {about}"));
    Ok(bytes)
}

/// Adds a comment chunk (`LIST`, `INFO`, `ICMT`) at the end of a RIFF file and corrects its size.
fn append_comment(bytes: &mut Vec<u8>, comment: &str) {
    let mut text = comment.as_bytes().to_vec();
    text.push(0);
    let text_size = text.len() as u32;
    if text.len() % 2 == 1 {
        text.push(0);
    }
    if bytes.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes.extend_from_slice(b"LIST");
    bytes.extend_from_slice(&(text.len() as u32 + 12).to_le_bytes());
    bytes.extend_from_slice(b"INFOICMT");
    bytes.extend_from_slice(&text_size.to_le_bytes());
    bytes.extend_from_slice(&text);
    let size = (bytes.len() as u32).saturating_sub(8).to_le_bytes();
    if let Some(field) = bytes.get_mut(4..8) {
        field.copy_from_slice(&size);
    }
}

/// One scene and the file, or folder of files, that it goes into.
struct Plan {
    /// Name of the file; of the folder when each tap gets its own file.
    file: &'static str,
    wheel: Option<&'static str>,
    about: &'static str,
    must_give: MustGive,
    bits: u16,
    file_per_tap: bool,
    scene: Scene,
}

/// Quiet before and length after a tap that gets its own file, in seconds.
const PER_TAP_S: (f64, f64) = (0.5, 0.8);

impl Plan {
    fn files(&self, take: &MadeTake) -> Vec<(PathBuf, Clip, Part)> {
        if !self.file_per_tap {
            let part = Part {
                strikes_s: take.strikes_s.clone(),
                truth: take.truth.clone(),
            };
            return vec![(PathBuf::from(self.file), take.clip.clone(), part)];
        }
        take.clip_per_tap(PER_TAP_S.0, PER_TAP_S.1)
            .into_iter()
            .enumerate()
            .map(|(k, clip)| {
                let truth = take.truth.iter().map(|mode| of_tap(mode, k)).collect();
                let start = take.clip.rate().samples(take.strikes_s[k] - PER_TAP_S.0);
                let strike_s = take.strikes_s[k] - take.clip.rate().seconds(start);
                let path = Path::new(self.file).join(format!("tap-{}.wav", k + 1));
                (
                    path,
                    clip,
                    Part {
                        strikes_s: vec![strike_s],
                        truth,
                    },
                )
            })
            .collect()
    }
}

/// What is true of one file.
struct Part {
    strikes_s: Vec<f64>,
    truth: Vec<TrueMode>,
}

fn of_tap(mode: &TrueMode, tap: usize) -> TrueMode {
    TrueMode {
        amplitudes: mode.amplitudes.get(tap).copied().into_iter().collect(),
        phases_rad: mode.phases_rad.get(tap).copied().into_iter().collect(),
        ..mode.clone()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn fixtures() -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/taps")
    }

    fn files_below(folder: &Path) -> Vec<PathBuf> {
        let mut all = Vec::new();
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                all.extend(files_below(&path));
            } else {
                all.push(path);
            }
        }
        all.sort();
        all
    }

    /// Writes the fixtures anew: `cargo test --lib make_demo -- --ignored`.
    #[test]
    #[ignore = "writes fixtures/taps"]
    fn write_fixtures() {
        make_demo(&fixtures(), |_| ()).unwrap();
    }

    #[test]
    fn fixtures_are_what_is_made_byte_for_byte() {
        let folder = tempfile::tempdir().unwrap();
        let mut seen = 0;
        let made = make_demo(folder.path(), |_| seen += 1).unwrap();
        assert_eq!(seen, made.len());
        for one in &made {
            let new = fs::read(folder.path().join(&one.file)).unwrap();
            let kept = fs::read(fixtures().join(&one.file)).unwrap();
            assert!(new == kept, "{} differs", one.file.display());
        }
        let kept = files_below(&fixtures());
        assert_eq!(kept.len(), made.len(), "a file too many: {kept:?}");
        let total: u64 = kept.iter().map(|p| fs::metadata(p).unwrap().len()).sum();
        assert!(total < 6_000_000, "{total} bytes");
    }

    #[test]
    fn the_fixtures_page_names_every_file_and_what_it_must_give() {
        let page = fs::read_to_string(fixtures().with_file_name("README.md")).unwrap();
        let folder = tempfile::tempdir().unwrap();
        for one in make_demo(folder.path(), |_| ()).unwrap() {
            let file = one.file.display().to_string().replace('\\', "/");
            let name = format!("`{file}`");
            let row = page.lines().find(|line| line.contains(&name));
            let row = row.unwrap();
            assert!(row.contains(one.must_give.words()), "{row}");
        }
    }

    #[test]
    fn files_carry_the_true_tones_and_say_that_they_are_made_up() {
        let folder = tempfile::tempdir().unwrap();
        for one in make_demo(folder.path(), |_| ()).unwrap() {
            let path = folder.path().join(&one.file);
            let bytes = fs::read(&path).unwrap();
            let claimed = u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize;
            assert_eq!(claimed + 8, bytes.len());
            let needle = INVENTED.as_bytes();
            assert!(bytes.windows(needle.len()).any(|w| w == needle));
            let mut reader = hound::WavReader::open(&path).unwrap();
            let spec = reader.spec();
            assert_eq!(spec.channels, 1);
            let full = f64::from(1_u32 << (spec.bits_per_sample - 1));
            let samples: Vec<f64> = reader
                .samples::<i32>()
                .map(|s| f64::from(s.unwrap()) / full)
                .collect();
            let rate = f64::from(spec.sample_rate);
            for (k, strike_s) in one.strikes_s.iter().enumerate() {
                let from = (strike_s * rate) as usize;
                let level = |a: usize, b: usize| {
                    samples[a..b].iter().map(|x| x * x).sum::<f64>() / (b - a) as f64
                };
                let before = level(from - from / 20, from - 20);
                let after = level(from, from + (0.005 * rate) as usize);
                // A tap, where the truth says, over what sounded before.
                assert!(
                    after > 10.0 * before,
                    "{} tap {k}: {after} {before}",
                    path.display()
                );
            }
            assert_eq!(one.truth.is_empty(), one.wheel.is_none());
            for mode in &one.truth {
                assert_eq!(mode.amplitudes.len(), one.strikes_s.len());
            }
        }
    }

    #[test]
    fn a_folder_that_cannot_be_written_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("in-the-way");
        fs::write(&file, b"x").unwrap();
        let error = make_demo(&file, |_| ()).unwrap_err().to_string();
        assert!(
            error.contains("in-the-way") && error.contains("cannot be written"),
            "{error}"
        );
    }
}
