//! Makes the demonstration recordings: an invented tool room with a few invented wheels, all
//! sound made up by [`crate::ring::synth`].
//!
//! The set is always the same. Each file says in its own header that it is made up.

use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::ring::plate::Material;
use crate::ring::synth::{
    BondLoss, Bounce, CrackFrom, Damage, Imperfection, MadeTake, Noise, OtherSound, Room, Scene,
    SceneError, Source, Strike, TrueMode, WheelModel,
};
use crate::signal::clip::Clip;
use crate::units::{RateOutOfRange, SampleRate};

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
    for plan in plans()? {
        let take = plan.scene.play().map_err(|why| DemoError::Scene {
            file: plan.file,
            why,
        })?;
        for (file, clip, part) in plan.files(&take) {
            let bytes = wav_bytes(&clip, plan.bits, plan.about).map_err(|why| DemoError::Wav {
                file: plan.file,
                why,
            })?;
            write(&folder.join(&file), &bytes)?;
            let made = Made {
                file,
                wheel: plan.wheel,
                about: plan.about,
                must_give: plan.must_give,
                strikes_s: part.strikes_s,
                truth: part.truth,
            };
            progress(&made);
            all.push(made);
        }
    }
    Ok(all)
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
fn wav_bytes(clip: &Clip, bits: u16, about: &str) -> Result<Vec<u8>, hound::Error> {
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

/// The set in order.
fn plans() -> Result<Vec<Plan>, RateOutOfRange> {
    let usual = SampleRate::new(48_000)?;
    let mut plans = days_of_hl1(usual);
    plans.extend(trouble_with_hl1(usual));
    plans.extend(other_wheels(
        usual,
        SampleRate::new(96_000)?,
        SampleRate::new(44_100)?,
    ));
    plans.extend(no_wheels(usual));
    Ok(plans)
}

/// HL-1: 200x20x32, vitrified.
fn hl1() -> WheelModel {
    let material = Material {
        youngs_pa: 45e9,
        density_kg_m3: 2300.0,
        poisson: 0.2,
    };
    let size_m = [0.2, 0.02, 0.032];
    WheelModel::sound(
        size_m,
        material,
        BondLoss::VITRIFIED,
        Imperfection::usual(101),
    )
}

/// The tool room: 0.35 s at 1 kHz, direct sound 24 dB over the tail at 0.25 m.
fn tool_room() -> Room {
    Room {
        t60_s: 0.35,
        treble_share: 0.6,
        direct_over_tail_db: 24.0,
        seed: 77,
    }
}

/// Taps of the rule's turns: 45 degrees either side of the vertical, the wheel turned by 45
/// degrees, again; the microphone stays in the room at `mic_deg` from the top. Angles on the
/// wheel: -45, 45, -90, 0.
fn rule_turns(mic_deg: f64, strengths: [f64; 4], contact_s: f64) -> Vec<Strike> {
    [(-45.0, 0.0), (45.0, 0.0), (-45.0, 45.0), (45.0, 45.0)]
        .into_iter()
        .zip(strengths)
        .map(|((place_deg, turned_deg), strength)| Strike {
            mic_rad: f64::to_radians(mic_deg - turned_deg),
            strength,
            contact_s,
            ..Strike::at(f64::to_radians(place_deg - turned_deg))
        })
        .collect()
}

/// In the tool room with a little noise, taps 0.9 s apart.
fn scene(rate: SampleRate, model: WheelModel, strikes: Vec<Strike>, seed: u64) -> Scene {
    Scene {
        spacing_s: 0.9,
        tail_s: 0.9,
        peak_db: -8.0,
        distance_m: 0.2,
        room: Some(tool_room()),
        noise: vec![
            Noise::White { rms_db: -82.0 },
            Noise::Pink { rms_db: -74.0 },
        ],
        seed,
        ..Scene::plain(rate, Source::Wheel(model), strikes)
    }
}

fn plan(file: &'static str, about: &'static str, must_give: MustGive, scene: Scene) -> Plan {
    Plan {
        file,
        wheel: Some("HL-1"),
        about,
        must_give,
        bits: 16,
        file_per_tap: false,
        scene,
    }
}

fn days_of_hl1(rate: SampleRate) -> Vec<Plan> {
    let even = [1.0, 0.9, 1.05, 0.95];
    let monday = scene(rate, hl1(), rule_turns(20.0, even, 0.4e-3), 1);
    let warm = WheelModel {
        warmer_k: 4.0,
        ..hl1()
    };
    let tuesday = scene(
        rate,
        warm,
        rule_turns(20.0, [0.7, 1.0, 0.6, 0.9], 0.45e-3),
        2,
    );
    let cold = WheelModel {
        warmer_k: -6.0,
        ..hl1()
    };
    let friday = Scene {
        distance_m: 0.15,
        peak_db: -11.0,
        ..scene(
            rate,
            cold,
            rule_turns(-10.0, [1.0, 0.8, 0.9, 1.1], 0.35e-3),
            3,
        )
    };
    let crack = |severity| Damage::Crack {
        severity,
        angle_rad: f64::to_radians(100.0),
        from: CrackFrom::Rim,
    };
    let fine = scene(
        rate,
        hl1().with(crack(0.15)),
        rule_turns(20.0, even, 0.4e-3),
        4,
    );
    let deep = scene(
        rate,
        hl1().with(crack(0.95)),
        rule_turns(20.0, even, 0.4e-3),
        5,
    );
    use MustGive::{ChangedRing, ClearRing, DullThud};
    vec![
        plan(
            "hl1-monday.wav",
            "HL-1 as new, four taps by the rule's turns.",
            ClearRing,
            monday,
        ),
        plan(
            "hl1-tuesday.wav",
            "HL-1, 4 K warmer, softer and uneven taps.",
            ClearRing,
            tuesday,
        ),
        plan(
            "hl1-friday.wav",
            "HL-1, 6 K colder, microphone nearer and moved.",
            ClearRing,
            friday,
        ),
        plan(
            "hl1-fine-crack.wav",
            "HL-1 with a crack from the rim through 15 % of the web at 100 degrees.",
            ChangedRing,
            fine,
        ),
        plan(
            "hl1-deep-crack.wav",
            "HL-1 with a crack from the rim through 95 % of the web at 100 degrees.",
            DullThud,
            deep,
        ),
    ]
}

fn trouble_with_hl1(rate: SampleRate) -> Vec<Plan> {
    let even = [1.0, 0.9, 1.05, 0.95];
    let taps = || rule_turns(20.0, even, 0.4e-3);
    let mut noisy = scene(rate, hl1(), taps(), 6);
    noisy.noise = vec![
        Noise::Pink { rms_db: -52.0 },
        Noise::Hum {
            mains_hz: 50.0,
            harmonics: 24,
            rms_db: -50.0,
        },
        Noise::Tone {
            freq_hz: 1475.0,
            rms_db: -58.0,
        },
        Noise::Tone {
            freq_hz: 2950.0,
            rms_db: -66.0,
        },
    ];
    let hot = Scene {
        peak_db: 5.0,
        clip_at: Some(1.0),
        ..scene(rate, hl1(), taps(), 7)
    };
    let mut twice = scene(rate, hl1(), taps(), 8);
    for (strike, after_s) in twice.strikes.iter_mut().zip([0.024, 0.031, 0.028, 0.036]) {
        strike.bounce = Some(Bounce {
            after_s,
            level_db: -8.0,
        });
    }
    use MustGive::ClearRing;
    vec![
        plan(
            "hl1-shop-noise.wav",
            "HL-1 with shop noise: rumble, 50 Hz hum with harmonics, machine tones at 1475 and 2950 Hz.",
            ClearRing,
            noisy,
        ),
        plan(
            "hl1-clipped.wav",
            "HL-1, recorder set 5 dB too high.",
            ClearRing,
            hot,
        ),
        plan(
            "hl1-bounced.wav",
            "HL-1, the handle bounces at each tap.",
            ClearRing,
            twice,
        ),
    ]
}

fn other_wheels(usual: SampleRate, high: SampleRate, disc: SampleRate) -> Vec<Plan> {
    let resin = Material {
        youngs_pa: 25e9,
        density_kg_m3: 2500.0,
        poisson: 0.25,
    };
    let hl2 = WheelModel::sound(
        [0.125, 0.006, 0.022_23],
        resin,
        BondLoss::RESINOID,
        Imperfection::usual(102),
    );
    let short = |mut scene: Scene| {
        scene.spacing_s = 0.6;
        scene.tail_s = 0.6;
        scene
    };
    let mut fine = short(scene(usual, hl2, rule_turns(20.0, [1.0; 4], 0.4e-3), 9));
    fine.rate = high;
    for strike in &mut fine.strikes {
        strike.inset_m = 0.015;
    }
    let soft = Material {
        youngs_pa: 30e9,
        density_kg_m3: 2000.0,
        poisson: 0.2,
    };
    let size_m = [0.18, 0.013, 0.031_75];
    let surface =
        |seed| WheelModel::sound(size_m, soft, BondLoss::VITRIFIED, Imperfection::usual(seed));
    let dead = short(scene(
        usual,
        surface(103).with(Damage::Dead),
        rule_turns(20.0, [1.0; 4], 0.5e-3),
        10,
    ));
    let quarter: Vec<Strike> = [0.0, 90.0, 180.0, 270.0]
        .map(|deg| Strike {
            mic_rad: f64::to_radians(deg + 15.0),
            ..Strike::at(f64::to_radians(deg))
        })
        .to_vec();
    let one_by_one = Scene {
        rate: disc,
        spacing_s: 2.0,
        ..scene(usual, surface(104), quarter, 11)
    };
    vec![
        Plan {
            wheel: Some("HL-2"),
            bits: 24,
            ..plan(
                "hl2-resinoid.wav",
                "HL-2, a small sound resinoid wheel: short ring. 24 bit, 96 kHz.",
                MustGive::ClearRing,
                fine,
            )
        },
        Plan {
            wheel: Some("HL-3"),
            ..plan(
                "hl3-dead.wav",
                "HL-3, a wheel broken through.",
                MustGive::DullThud,
                dead,
            )
        },
        Plan {
            wheel: Some("HL-4"),
            file_per_tap: true,
            ..plan(
                "hl4-quarter-turns",
                "HL-4, a sound soft surface wheel, one file per tap by quarter turns. 44.1 kHz.",
                MustGive::ClearRing,
                one_by_one,
            )
        },
    ]
}

fn no_wheels(rate: SampleRate) -> Vec<Plan> {
    let hall = Room {
        t60_s: 0.7,
        treble_share: 0.5,
        direct_over_tail_db: 3.0,
        seed: 78,
    };
    let claps = Scene {
        source: Source::Other(OtherSound::Clap),
        room: Some(hall),
        spacing_s: 0.8,
        tail_s: 0.8,
        ..scene(rate, hl1(), vec![Strike::at(0.0); 3], 12)
    };
    vec![Plan {
        wheel: None,
        ..plan(
            "clap-live-room.wav",
            "Three claps in a live room.",
            MustGive::NoRing,
            claps,
        )
    }]
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
