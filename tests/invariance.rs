//! What must not matter: which bytes come in, how loud the recording is, when the tap comes.

use std::io::Write;
use std::process::{Command, Stdio};

use fourtap::audio::Input;
use fourtap::reading::rule::judge_alone;
use fourtap::reading::{Judgement, Reading};
use fourtap::ring::listen::Listener;
use fourtap::ring::measure::measure;
use fourtap::ring::mode::Mode;
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
