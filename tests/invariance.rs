//! What must not matter: which bytes come in, how loud the recording is, when the tap comes, its
//! sign, channel and rate, the order of the taps. And what must not help: noise.

use std::io::Write;
use std::process::{Command, Stdio};

use fourtap::audio::Input;
use fourtap::reading::rule::judge_alone;
use fourtap::reading::{Judgement, Reading};
use fourtap::ring::listen::Listener;
use fourtap::ring::measure::measure;
use fourtap::ring::mode::Mode;
use fourtap::ring::plate::Material;
use fourtap::ring::synth::{
    BondLoss, CrackFrom, Damage, Imperfection, Noise, Scene, Source as Struck, WheelModel,
    turned_under_mic,
};
use fourtap::ring::tap::Tap;
use fourtap::tasks::read_soundings::{ReadSettings, read_sounding};
use fourtap::units::{LN_1000, SampleRate};
use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use tempfile::TempDir;

use crate::audio_formats::{fmt, wav};

/// Names by which recordings are known.
const ENDINGS: [&str; 12] = [
    "wav", "flac", "mp3", "ogg", "oga", "m4a", "aac", "aiff", "caf", "mkv", "3gp", "txt",
];
/// First bytes of the formats, so that random bytes get past the door.
const MAGIC: [&[u8]; 9] = [
    b"",
    b"RIFF\x24\0\0\0WAVE",
    b"fLaC\0\0\0\x22",
    b"OggS\0\x02",
    b"ID3\x04\0\0\0\0\0\0\xff\xfb\x90\x64",
    b"\0\0\0\x18ftypM4A ",
    b"FORM\0\0\0\x40AIFF",
    b"caff\0\x01\0\0",
    b"\x1a\x45\xdf\xa3",
];

fn any_bytes() -> impl Strategy<Value = Vec<u8>> {
    let random = (
        proptest::sample::select(MAGIC.to_vec()),
        proptest::collection::vec(any::<u8>(), 0..1500),
    )
        .prop_map(|(magic, bytes)| [magic, &bytes].concat());
    // A good header before random samples: these reach the listener.
    let sound = (
        proptest::sample::select(vec![8_000_u32, 44_100, 192_000]),
        1_u16..4,
        proptest::collection::vec(any::<u8>(), 0..6000),
    )
        .prop_map(|(rate, channels, data)| {
            wav(&fmt(1, channels, rate, 2 * channels, 16), &[], &data)
        });
    prop_oneof![random, sound]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_file_is_read_or_refused(
        bytes in any_bytes(),
        ending in proptest::sample::select(ENDINGS.to_vec()),
    ) {
        let folder = TempDir::new().unwrap();
        let path = folder.path().join(format!("any.{ending}"));
        std::fs::write(&path, &bytes).unwrap();
        match read_sounding(&[Input::Path(path)], &ReadSettings::default()) {
            // Noise from nowhere may sound like anything, but never like a wheel that was compared.
            Ok(read) => prop_assert_ne!(read.record.outcome, "rings clear"),
            Err(error) => prop_assert!(!error.remedy.is_empty(), "{}", error),
        }
    }
}

proptest! {
    // Each case starts the program.
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_stream_is_read_or_refused(bytes in any_bytes()) {
        let mut program = Command::new(env!("CARGO_BIN_EXE_fourtap"))
            .args(["read", "--json", "-"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        // A program that refuses early closes the pipe.
        let _ = program.stdin.take().unwrap().write_all(&bytes);
        let out = program.wait_with_output().unwrap();
        let told = String::from_utf8_lossy(&out.stderr);
        prop_assert!(matches!(out.status.code(), Some(3 | 10 | 11 | 12)), "{:?} {}", out.status, told);
        prop_assert!(!told.contains("panicked"), "{}", told);
        prop_assert_eq!(out.stdout.is_empty(), out.status.code() == Some(3));
    }
}

const RATE: u32 = 48_000;

/// One tap after 0.5 s of noise of -70 dB: `tones` in Hz with T60 in s.
fn one_tap(tones: &[(f64, f64)], seed: u64) -> Vec<f64> {
    let mut dice = ChaCha8Rng::seed_from_u64(seed);
    let strike = f64::from(RATE / 2);
    (0..RATE * 3 / 2)
        .map(|i| {
            let t = (f64::from(i) - strike) / f64::from(RATE);
            let noise: f64 = dice.sample(StandardNormal);
            let ring: f64 = tones
                .iter()
                .filter(|_| t >= 0.0)
                .map(|(f, t60)| (-LN_1000 / t60 * t).exp() * (std::f64::consts::TAU * f * t).sin())
                .sum();
            3e-4 * noise + 0.2 * ring
        })
        .collect()
}

fn read(samples: &[f64]) -> Vec<(Tap, Judgement)> {
    let mut listener = Listener::new(SampleRate::new(RATE).unwrap());
    let mut takes = listener.push(samples, 0);
    takes.extend(listener.finish().0);
    let tap = |take| {
        let tap = measure(take);
        let judged = judge_alone(&tap);
        (tap, judged)
    };
    takes.iter().map(tap).collect()
}

/// Frequencies and decays of two readings of the same sound agree within `stds` of their own
/// standard deviations.
fn agree(a: &[Mode], b: &[Mode], stds: f64) -> Result<(), TestCaseError> {
    prop_assert_eq!(a.len(), b.len());
    for (a, b) in a.iter().zip(b) {
        prop_assert!(
            (a.freq_hz - b.freq_hz).abs() <= stds * a.freq_std_hz,
            "{a:?} {b:?}"
        );
        let far_s = (a.ring_time_s() - b.ring_time_s()).abs();
        prop_assert!(far_s <= stds * a.ring_time_std_s(), "{a:?} {b:?}");
    }
    Ok(())
}

fn tones() -> impl Strategy<Value = Vec<(f64, f64)>> {
    // At least 150 Hz apart: what is closer may be told apart or not by a hair.
    let tone = |k: u32| {
        (
            700.0 * f64::from(k)..700.0 * f64::from(k) + 550.0,
            0.15..1.2_f64,
        )
    };
    (tone(1), tone(2), tone(4), tone(6)).prop_map(|(a, b, c, d)| vec![a, b, c, d])
}

proptest! {
    // Each case measures a tap or two, which takes a second without optimization.
    #![proptest_config(ProptestConfig { cases: 8, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn loudness_does_not_matter(tones in tones(), seed in 0_u64..1000, gain in 0.01..2.0_f64) {
        let samples = one_tap(&tones, seed);
        let softer: Vec<f64> = samples.iter().map(|s| s * gain).collect();
        let (a, b) = (read(&samples), read(&softer));
        prop_assert_eq!((a.len(), b.len()), (1, 1));
        prop_assert_eq!(a[0].1.reading, b[0].1.reading);
        prop_assert_eq!(a[0].1.reading, Reading::ClearRing);
        prop_assert!((a[0].0.time_s - b[0].0.time_s).abs() < 1e-9);
        // All steps are relative: rounding only.
        agree(&a[0].0.modes, &b[0].0.modes, 0.01)?;
    }

    #[test]
    fn silence_before_does_not_matter(tones in tones(), seed in 0_u64..1000, before in 1_usize..100_000) {
        let samples = one_tap(&tones, seed);
        let later = [vec![0.0; before], samples.clone()].concat();
        let (a, b) = (read(&samples), read(&later));
        prop_assert_eq!((a.len(), b.len()), (1, 1));
        prop_assert_eq!(a[0].1.reading, b[0].1.reading);
        let shift_s = before as f64 / f64::from(RATE);
        // As in listening.rs: blocks of 1 ms fall otherwise.
        prop_assert!((b[0].0.time_s - shift_s - a[0].0.time_s).abs() < 1.5e-4);
        // The window may start some samples later and see other noise.
        let strong = |tap: &Tap| -> Vec<Mode> {
            tap.modes.iter().filter(|m| m.energy_db >= 40.0).cloned().collect()
        };
        agree(&strong(&a[0].0), &strong(&b[0].0), 1.0)?;
    }
}

proptest! {
    // Whole soundings of made-up wheels, from files, as a user reads them.
    #![proptest_config(ProptestConfig { cases: 3, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn sign_channel_order_and_rate_do_not_matter(seed in 0_u64..1000, crack in prop::sample::select(vec![0.0, 0.9])) {
        let clip = wheel_taps(seed, crack, -60.0);
        let one = outcome_of(std::slice::from_ref(&clip), RATE)?;
        prop_assert_eq!(one.1.len(), 4);
        let turned: Vec<f64> = clip.iter().map(|s| -s).collect();
        prop_assert_eq!(&outcome_of(&[turned], RATE)?, &one);
        // Which of two channels the wheel is on; the other hears it 12 dB softer.
        let softer: Vec<f64> = clip.iter().map(|s| 0.25 * s).collect();
        prop_assert_eq!(&outcome_of(&[clip.clone(), softer.clone()], RATE)?, &one);
        prop_assert_eq!(&outcome_of(&[softer, clip.clone()], RATE)?, &one);
        // The same sound at twice the rate, by the transform of the whole: nothing is added above.
        prop_assert_eq!(&outcome_of(&[twice_the_rate(&clip)], 2 * RATE)?, &one);
    }

    #[test]
    fn order_of_taps_does_not_matter(seed in 0_u64..1000, order in Just(vec![0, 1, 2, 3]).prop_shuffle()) {
        let taps = taps_apart(seed, 0.0);
        let folder = TempDir::new().unwrap();
        let spots = fourtap::reading::turn_plan::TurnPlan::Rule.spots_deg();
        let reading = |order: &[usize]| -> Result<Vec<String>, TestCaseError> {
            let inputs: Vec<Input> = order
                .iter()
                .map(|k| {
                    let path = folder.path().join(format!("tap-{k}.wav"));
                    write_channels(&path, std::slice::from_ref(&taps[*k]), RATE);
                    Input::Path(path)
                })
                .collect();
            let settings = ReadSettings {
                spots_deg: order.iter().map(|k| Some(spots[*k])).collect(),
                ..ReadSettings::default()
            };
            let record = read_sounding(&inputs, &settings).unwrap().record;
            let mut told: Vec<String> = record
                .taps
                .iter()
                .map(|t| format!("{:?} {}", t.spot_deg, t.reading))
                .collect();
            told.sort();
            told.push(record.outcome);
            Ok(told)
        };
        prop_assert_eq!(reading(&order)?, reading(&[0, 1, 2, 3])?);
    }

    #[test]
    fn more_noise_never_turns_a_thud_into_a_clear_ring(seed in 0_u64..1000, noise_db in -60.0..-20.0_f64) {
        let dead = wheel_taps(seed, 1.0, noise_db);
        let worse: Vec<f64> = {
            let mut dice = ChaCha8Rng::seed_from_u64(seed + 1);
            dead.iter().map(|s| s + 0.03 * dice.sample::<f64, _>(StandardNormal)).collect()
        };
        for clip in [dead, worse] {
            let (outcome, readings) = outcome_of(&[clip], RATE)?;
            prop_assert!(readings.iter().all(|r| r != "clear ring"), "{readings:?}");
            prop_assert!(!outcome.starts_with("rings"), "{outcome}");
        }
    }
}

/// Four taps of a made-up wheel, with a crack of this share of its web and noise of this level.
fn wheel_taps(seed: u64, crack: f64, noise_db: f64) -> Vec<f64> {
    wheel_scene(seed, crack, noise_db)
        .play()
        .unwrap()
        .clip
        .samples()
        .to_vec()
}

fn wheel_scene(seed: u64, crack: f64, noise_db: f64) -> Scene {
    let material = Material {
        youngs_pa: 45e9,
        density_kg_m3: 2300.0,
        poisson: 0.2,
    };
    let wheel = WheelModel::sound(
        [0.2, 0.02, 0.032],
        material,
        BondLoss::VITRIFIED,
        Imperfection::usual(seed),
    );
    let wheel = if crack > 0.0 {
        wheel.with(Damage::Crack {
            severity: crack,
            angle_rad: 0.4,
            from: CrackFrom::Rim,
        })
    } else {
        wheel
    };
    let spots = fourtap::reading::turn_plan::TurnPlan::Rule.spots_deg();
    let strikes = turned_under_mic(&spots.map(f64::to_radians), 0.1);
    Scene {
        noise: vec![Noise::White { rms_db: noise_db }],
        seed,
        ..Scene::plain(
            SampleRate::new(RATE).unwrap(),
            Struck::Wheel(wheel),
            strikes,
        )
    }
}

/// The taps of such a wheel, each with half a second of noise before it.
fn taps_apart(seed: u64, crack: f64) -> Vec<Vec<f64>> {
    let made = wheel_scene(seed, crack, -60.0).play().unwrap();
    let clips = made.clip_per_tap(0.4, 0.9);
    clips.iter().map(|c| c.samples().to_vec()).collect()
}

fn write_channels(path: &std::path::Path, channels: &[Vec<f64>], rate: u32) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for k in 0..channels[0].len() {
        for channel in channels {
            writer.write_sample(channel[k] as f32).unwrap();
        }
    }
    writer.finalize().unwrap();
}

/// The outcome and the readings of a recording with these channels.
fn outcome_of(channels: &[Vec<f64>], rate: u32) -> Result<(String, Vec<String>), TestCaseError> {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("taps.wav");
    write_channels(&path, channels, rate);
    let read = read_sounding(&[Input::Path(path)], &ReadSettings::default());
    let record = read.map_err(|e| TestCaseError::fail(e.to_string()))?.record;
    Ok((
        record.outcome,
        record.taps.into_iter().map(|t| t.reading).collect(),
    ))
}

/// The same sound with a sample between each two, by zeros above the old half of the rate.
fn twice_the_rate(samples: &[f64]) -> Vec<f64> {
    use rustfft::{FftPlanner, num_complex::Complex};
    let n = samples.len();
    let mut planner = FftPlanner::new();
    let mut line: Vec<Complex<f64>> = samples.iter().map(|s| Complex::new(*s, 0.0)).collect();
    planner.plan_fft_forward(n).process(&mut line);
    let mut wide = vec![Complex::new(0.0, 0.0); 2 * n];
    let half = n.div_ceil(2);
    wide[..half].copy_from_slice(&line[..half]);
    wide[2 * n - (n - half)..].copy_from_slice(&line[half..]);
    planner.plan_fft_inverse(2 * n).process(&mut wide);
    wide.iter().map(|c| c.re / n as f64).collect()
}
