//! Every format that is read: the samples come out as they went in.
#![allow(clippy::print_stdout)] // tells what was skipped for want of ffmpeg

use std::io::{Cursor, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use fourtap::audio::wav_out::{SampleKind, WavOut, write_mono};
use fourtap::audio::{Input, Recording, Source, recordings_in};
use fourtap::units::SampleRate;
use tempfile::TempDir;

/// A tap-like sound in steps of 1/32768: noise that decays, then a tone, all samples different.
pub fn steps_16(frames: usize) -> Vec<i16> {
    let mut state = 0x1234_5678u32;
    (0..frames)
        .map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = f64::from(state >> 8) / f64::from(1 << 23) - 1.0;
            let t = i as f64 / 48_000.0;
            (20_000.0 * (0.3 * noise + 0.7 * (4_000.0 * t).sin()) * (-3.0 * t).exp()) as i16
        })
        .collect()
}

pub fn open(path: &Path) -> Recording {
    Recording::open(&Input::Path(path.to_owned())).unwrap_or_else(|e| panic!("{e}"))
}

/// All samples of a channel and the frames lost before them.
pub fn play(recording: &Recording, channel: u32) -> (Vec<f64>, u64, Vec<String>) {
    let mut player = recording.play(channel).unwrap();
    let (mut all, mut lost) = (Vec::new(), 0);
    while let Some(chunk) = player.next_chunk().unwrap() {
        assert!(chunk.samples.len() <= 65_536);
        assert!(chunk.samples.iter().all(|x| x.is_finite()));
        lost += chunk.lost_before;
        all.extend(chunk.samples);
    }
    (all, lost, player.damage())
}

/// A WAV by hand: a `fmt ` body and data, with chunks between.
pub fn wav(fmt: &[u8], between: &[u8], data: &[u8]) -> Vec<u8> {
    wav_with_size(fmt, between, data, data.len() as u32)
}

pub fn wav_with_size(fmt: &[u8], between: &[u8], data: &[u8], size: u32) -> Vec<u8> {
    let mut w = b"RIFF".to_vec();
    let riff = 4 + 8 + fmt.len() + between.len() + 8 + data.len();
    w.extend((riff as u32).to_le_bytes());
    w.extend(b"WAVEfmt ");
    w.extend((fmt.len() as u32).to_le_bytes());
    w.extend(fmt);
    w.extend(between);
    w.extend(b"data");
    w.extend(size.to_le_bytes());
    w.extend(data);
    w
}

pub fn fmt(tag: u16, channels: u16, rate: u32, block: u16, bits: u16) -> Vec<u8> {
    let mut f = Vec::new();
    f.extend(tag.to_le_bytes());
    f.extend(channels.to_le_bytes());
    f.extend(rate.to_le_bytes());
    f.extend((rate.wrapping_mul(u32::from(block))).to_le_bytes());
    f.extend(block.to_le_bytes());
    f.extend(bits.to_le_bytes());
    f
}

fn extensible(sub: u16, channels: u16, rate: u32, block: u16, bits: u16, valid: u16) -> Vec<u8> {
    let mut f = fmt(0xFFFE, channels, rate, block, bits);
    f.extend(22u16.to_le_bytes());
    f.extend(valid.to_le_bytes());
    f.extend(0u32.to_le_bytes());
    f.extend(sub.to_le_bytes());
    f.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71]);
    f
}

pub fn from_bytes(bytes: &[u8]) -> Recording {
    Recording::from_reader("made.wav", Cursor::new(bytes)).unwrap_or_else(|e| panic!("{e}"))
}

fn expect_exact(bytes: &[u8], kind: &str, wanted: &[f64]) {
    let recording = from_bytes(bytes);
    assert_eq!(recording.kind, kind);
    assert!(!recording.lossy);
    assert_eq!(recording.damage, Vec::<String>::new(), "{kind}");
    assert_eq!(recording.frames, Some(wanted.len() as u64), "{kind}");
    let (samples, lost, damage) = play(&recording, 0);
    assert_eq!((lost, damage), (0, vec![]), "{kind}");
    assert!(
        samples == wanted,
        "{kind}: {:?} against {:?}",
        &samples[..4],
        &wanted[..4]
    );
}

#[test]
fn hand_made_wavs_of_every_layout_are_exact() {
    let s = steps_16(5000);
    let wide: Vec<i32> = s
        .iter()
        .enumerate()
        .map(|(i, &x)| i32::from(x) * 65_536 + (i as i32 * 37) % 65_536)
        .collect();
    let f64s = |n: u32| -> Vec<f64> {
        wide.iter()
            .map(|&w| f64::from(w >> (32 - n)) / 2f64.powi(n as i32 - 1))
            .collect()
    };
    let bytes = |n: usize| -> Vec<u8> {
        wide.iter()
            .flat_map(|w| w.to_le_bytes()[4 - n..].to_vec())
            .collect()
    };
    let eight: Vec<u8> = wide.iter().map(|w| ((w >> 24) + 128) as u8).collect();
    expect_exact(
        &wav(&fmt(1, 1, 48_000, 1, 8), &[], &eight),
        "WAV, 8-bit integer",
        &f64s(8),
    );
    for n in 2..=4u16 {
        let kind = format!("WAV, {}-bit integer", 8 * n);
        let (d, w) = (bytes(n.into()), f64s(u32::from(8 * n)));
        expect_exact(&wav(&fmt(1, 1, 44_100, n, 8 * n), &[], &d), &kind, &w);
        expect_exact(
            &wav(&extensible(1, 1, 96_000, n, 8 * n, 8 * n), &[], &d),
            &kind,
            &w,
        );
    }
    // 24 valid bits on top of 32, the standard's way, under both tags.
    let top: Vec<u8> = wide
        .iter()
        .flat_map(|w| (w & !0xFF).to_le_bytes())
        .collect();
    expect_exact(
        &wav(&extensible(1, 1, 48_000, 4, 32, 24), &[], &top),
        "WAV, 24-bit integer",
        &f64s(24),
    );
    expect_exact(
        &wav(&fmt(1, 1, 48_000, 4, 24), &[], &top),
        "WAV, 24-bit integer",
        &f64s(24),
    );
    // 24 bits at the bottom of 4 bytes, with the sign carried on and without.
    let low: Vec<u8> = wide.iter().flat_map(|w| (w >> 8).to_le_bytes()).collect();
    expect_exact(
        &wav(&fmt(1, 1, 48_000, 4, 24), &[], &low),
        "WAV, 24-bit integer",
        &f64s(24),
    );
    let low: Vec<u8> = wide
        .iter()
        .flat_map(|w| ((w >> 8) & 0xFF_FFFF).to_le_bytes())
        .collect();
    expect_exact(
        &wav(&fmt(1, 1, 48_000, 4, 24), &[], &low),
        "WAV, 24-bit integer",
        &f64s(24),
    );
    let floats: Vec<f32> = wide.iter().map(|&w| (f64::from(w) / 1e9) as f32).collect();
    let d: Vec<u8> = floats.iter().flat_map(|x| x.to_le_bytes()).collect();
    let w: Vec<f64> = floats.iter().map(|&x| f64::from(x)).collect();
    expect_exact(
        &wav(&fmt(3, 1, 192_000, 4, 32), &[], &d),
        "WAV, 32-bit float",
        &w,
    );
    expect_exact(
        &wav(&extensible(3, 1, 8_000, 4, 32, 32), &[], &d),
        "WAV, 32-bit float",
        &w,
    );
    let doubles: Vec<f64> = wide.iter().map(|&w| f64::from(w) / 3e9).collect();
    let d: Vec<u8> = doubles.iter().flat_map(|x| x.to_le_bytes()).collect();
    expect_exact(
        &wav(&fmt(3, 1, 48_000, 8, 64), &[], &d),
        "WAV, 64-bit float",
        &doubles,
    );
}

#[test]
fn odd_chunks_are_stepped_over_with_and_without_pad_byte() {
    let s = steps_16(1000);
    let d: Vec<u8> = s.iter().flat_map(|x| x.to_le_bytes()).collect();
    let w: Vec<f64> = s.iter().map(|&x| f64::from(x) / 32_768.0).collect();
    let f = fmt(1, 1, 48_000, 2, 16);
    for between in [
        &b"LIST\x05\0\0\0INFOx\0"[..],
        b"LIST\x05\0\0\0INFOx",
        b"JUNK\x03\0\0\0abcLIST\x01\0\0\0z\0",
        b"zzzz\x01\0\0\0d",
    ] {
        expect_exact(&wav(&f, between, &d), "WAV, 16-bit integer", &w);
    }
    // A chunk behind the sound is not taken for sound.
    let mut behind = wav(&f, &[], &d);
    behind.extend(b"LIST\x04\0\0\0INFO");
    expect_exact(&behind, "WAV, 16-bit integer", &w);
    // RF64 and BW64 keep the size in `ds64`.
    for name in [b"RF64", b"BW64"] {
        let mut long = name.to_vec();
        long.extend(u32::MAX.to_le_bytes());
        long.extend(b"WAVEds64\x1C\0\0\0");
        long.extend(0u64.to_le_bytes());
        long.extend((d.len() as u64).to_le_bytes());
        long.extend([0; 12]);
        long.extend(&wav_with_size(&f, &[], &d, u32::MAX)[12..]);
        long.extend(b"LIST\x04\0\0\0INFO");
        expect_exact(&long, "WAV, 16-bit integer", &w);
    }
}

#[test]
fn many_channels_are_kept_apart_and_the_chunks_stay_small() {
    for channels in [1u32, 2, 3, 8, 32] {
        let frames = 70_000usize;
        let d: Vec<u8> = (0..frames * channels as usize)
            .flat_map(|i| {
                ((i % channels as usize * 1000 + i / channels as usize % 997) as i16).to_le_bytes()
            })
            .collect();
        let r = from_bytes(&wav(
            &fmt(1, channels as u16, 48_000, 2 * channels as u16, 16),
            &[],
            &d,
        ));
        assert_eq!(r.channels, channels);
        for c in [0, channels - 1] {
            let (x, _, _) = play(&r, c);
            let wanted: Vec<f64> = (0..frames)
                .map(|i| (c as usize * 1000 + i % 997) as f64 / 32_768.0)
                .collect();
            assert!(x == wanted, "channel {c} of {channels}");
        }
    }
}

/// Greatest resident memory of this process up to now, in bytes; none where it cannot be asked.
fn peak_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace()
        .nth(1)?
        .parse::<u64>()
        .ok()
        .map(|kib| kib << 10)
}

/// Memory is counted for a whole process, so the long recording is read in one of its own.
const ALONE: &str = "FOURTAP_TEST_LONG_RECORDING";

#[test]
fn a_long_recording_is_read_in_little_memory() {
    if std::env::var_os(ALONE).is_some() {
        read_long_recording();
        return;
    }
    let name = "audio_formats::a_long_recording_is_read_in_little_memory";
    let done = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", name, "--nocapture"])
        .env(ALONE, "1")
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(
        done.status.success() && said.contains("1 passed"),
        "{said}{}",
        String::from_utf8_lossy(&done.stderr)
    );
}

/// Ten minutes of eight channels, 461 MB, nearly all of it a hole in the file.
fn read_long_recording() {
    let (seconds, rate, channels) = (600u64, 48_000u64, 8u64);
    let (frames, block) = (seconds * rate, 2 * channels);
    let dir = TempDir::new().unwrap();
    let path = dir.path().join("long.wav");
    let header = wav_with_size(
        &fmt(1, channels as u16, rate as u32, block as u16, 16),
        &[],
        &[],
        (frames * block) as u32,
    );
    let mut file = std::fs::File::create(&path).unwrap();
    file.write_all(&header).unwrap();
    // One step in the last frame of the sixth channel.
    let last = header.len() as u64 + (frames - 1) * block + 2 * 5;
    file.seek(SeekFrom::Start(last)).unwrap();
    file.write_all(&16_384i16.to_le_bytes()).unwrap();
    file.set_len(header.len() as u64 + frames * block).unwrap();
    drop(file);

    let before = peak_memory();
    let r = open(&path);
    assert_eq!((r.frames, r.damage.len()), (Some(frames), 0));
    let mut told = Vec::new();
    let s = r.survey_with_progress(&mut |done| told.push(done)).unwrap();
    assert!(told.is_sorted() && told[0] < 0.01 && told.ends_with(&[1.0]));
    assert_eq!((s.best, s.frames), (5, frames), "{}", s.why);
    let mut player = r.play(5).unwrap();
    let (mut at, mut end) = (0u64, 0.0);
    while let Some(chunk) = player.next_chunk().unwrap() {
        assert!(!chunk.samples.is_empty() && chunk.samples.len() <= 65_536);
        at += chunk.samples.len() as u64;
        end = *chunk.samples.last().unwrap();
    }
    assert_eq!((at, end), (frames, 0.5));
    let (Some(before), Some(after)) = (before, peak_memory()) else {
        println!("skipped: the memory of a process cannot be asked here");
        return;
    };
    // One block of the reader takes 65 536 frames of 8 channels: 4 MB as numbers, 1 MB as bytes.
    let most = 32 << 20;
    assert!(after - before < most, "{} bytes more", after - before);
}

#[test]
fn what_is_written_is_read_back_exactly() {
    let dir = TempDir::new().unwrap();
    let rate = SampleRate::new(44_100).unwrap();
    let s: Vec<f64> = steps_16(3000)
        .iter()
        .map(|&x| f64::from(x) / 32_768.0)
        .collect();
    for kind in [SampleKind::Int16, SampleKind::Int24, SampleKind::Float32] {
        let path = dir.path().join(format!("{kind:?}.wav"));
        let written = write_mono(&path, rate, &s, kind).unwrap();
        assert_eq!(
            (written.frames, written.clipped, written.no_numbers),
            (3000, 0, 0)
        );
        let r = open(&path);
        assert_eq!((r.rate, r.channels), (rate, 1));
        assert!(play(&r, 0).0 == s, "{kind:?}");
        let two = dir.path().join(format!("two {kind:?}.wav"));
        let mut out = WavOut::create(&two, rate, 2, kind).unwrap();
        for x in &s {
            out.write(&[*x, -x]).unwrap();
        }
        out.finish().unwrap();
        let r = open(&two);
        let negative: Vec<f64> = s.iter().map(|x| -x).collect();
        assert!(play(&r, 0).0 == s && play(&r, 1).0 == negative, "{kind:?}");
    }
    let path = dir.path().join("over.wav");
    let written = write_mono(
        &path,
        rate,
        &[1.5, -1.0, f64::NAN, -2.0, 0.5],
        SampleKind::Int16,
    )
    .unwrap();
    assert_eq!((written.clipped, written.no_numbers), (2, 1));
    assert_eq!(
        play(&open(&path), 0).0,
        [32_767.0 / 32_768.0, -1.0, 0.0, -1.0, 0.5]
    );
    // An unfinished file leaves nothing behind, not even under its temporary name.
    let before = std::fs::read_dir(dir.path()).unwrap().count();
    drop(WavOut::create(&dir.path().join("never.wav"), rate, 1, SampleKind::Int16).unwrap());
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), before);
    let error = write_mono(
        &dir.path().join("no/such/x.wav"),
        rate,
        &s,
        SampleKind::Int16,
    )
    .unwrap_err()
    .to_string();
    assert!(
        error.contains("x.wav") && error.contains("check that the folder is there"),
        "{error}"
    );
}

#[test]
fn a_stream_gives_the_same_as_the_file_and_cleans_up() {
    let dir = TempDir::new().unwrap();
    let path = dir.path().join("a.wav");
    let s: Vec<f64> = steps_16(9000)
        .iter()
        .map(|&x| f64::from(x) / 32_768.0)
        .collect();
    write_mono(
        &path,
        SampleRate::new(48_000).unwrap(),
        &s,
        SampleKind::Int16,
    )
    .unwrap();
    let bytes = std::fs::read(&path).unwrap();
    let file = open(&path);
    let stream = from_bytes(&bytes);
    assert_eq!(stream.blake3, file.blake3);
    assert_eq!(stream.blake3, blake3::hash(&bytes).to_hex().to_string());
    assert_eq!(std::fs::read(stream.path()).unwrap(), bytes);
    let spooled = stream.path().to_owned();
    let player = stream.play(0).unwrap();
    drop(stream);
    assert!(spooled.exists(), "a player still needs it");
    drop(player);
    assert!(!spooled.exists());
}

#[test]
fn a_folder_gives_its_recordings_in_natural_order() {
    let dir = TempDir::new().unwrap();
    for name in [
        "tap10.wav",
        "tap2.WAV",
        "Tap1.flac",
        "notes.txt",
        ".hidden.wav",
    ] {
        std::fs::write(dir.path().join(name), b"x").unwrap();
    }
    std::fs::create_dir(dir.path().join("more.wav")).unwrap();
    let (found, passed_over) = recordings_in(dir.path()).unwrap();
    let names = |v: &[PathBuf]| -> Vec<String> {
        v.iter()
            .map(|p| p.file_name().unwrap().to_string_lossy().into_owned())
            .collect()
    };
    assert_eq!(names(&found), ["Tap1.flac", "tap2.WAV", "tap10.wav"]);
    assert_eq!(
        names(&passed_over),
        [".hidden.wav", "more.wav", "notes.txt"]
    );
    let error = recordings_in(&dir.path().join("gone"))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("gone") && error.contains("no such folder"),
        "{error}"
    );
    let error = recordings_in(&dir.path().join("notes.txt"))
        .unwrap_err()
        .to_string();
    assert!(error.contains("is no folder"), "{error}");
}

/// Two channels of 16-bit samples.
fn stereo(left: &[f64], right: &[f64]) -> Recording {
    let d: Vec<u8> = left
        .iter()
        .zip(right)
        .flat_map(|(l, r)| {
            [l, r].map(|x| ((x * 32_768.0).clamp(-32_768.0, 32_767.0) as i16).to_le_bytes())
        })
        .flatten()
        .collect();
    from_bytes(&wav(&fmt(1, 2, 48_000, 4, 16), &[], &d))
}

#[test]
fn the_survey_takes_the_channel_that_hears_the_taps_best() {
    let noise: Vec<f64> = steps_16(96_000).iter().enumerate().map(|(i, &x)| if i % 2 == 0 { f64::from(x) } else { -f64::from(x) } / 1e8).collect();
    let tap = |gain: f64| -> Vec<f64> {
        (0..96_000)
            .map(|i| {
                let t = (i as f64 - 20_000.0) / 48_000.0;
                let ring = if t < 0.0 {
                    0.0
                } else {
                    gain * (-t / 0.05).exp() * (12_000.0 * t).sin()
                };
                ring + 1e-3 * noise[i].signum() * if i % 3 == 0 { 1.0 } else { -0.5 }
            })
            .collect()
    };
    let quiet = tap(0.02);
    let loud = tap(0.8);
    let s = stereo(&quiet, &loud).survey().unwrap();
    assert_eq!((s.best, s.frames, s.lost), (1, 96_000, 0), "{}", s.why);
    assert!(s.why.contains("channel 2 of 2"), "{}", s.why);
    assert!((s.channels[1].peak - 0.8).abs() < 0.05);
    assert!(s.channels[1].loud_over_quiet_db > s.channels[0].loud_over_quiet_db + 20.0);
    // Overdriven beyond use: the clean one wins although it is a little quieter.
    let s = stereo(&tap(0.5), &tap(40.0)).survey().unwrap();
    assert!(s.channels[1].railed_share > 1e-3);
    assert_eq!(s.best, 0, "{}", s.why);
    assert!(s.why.contains("at the rail"), "{}", s.why);
    let s = stereo(&vec![0.0; 96_000], &quiet).survey().unwrap();
    assert_eq!(s.best, 1);
    assert!(
        s.channels[0].all_zero && s.why.contains("channel 1 is digital silence"),
        "{}",
        s.why
    );
    let s = stereo(&loud, &loud).survey().unwrap();
    assert_eq!(s.best, 0);
    assert!(s.why.contains("identical"), "{}", s.why);
    let s = stereo(&[0.0; 960], &[0.0; 960]).survey().unwrap();
    assert!(
        s.why.contains("every channel is digital silence"),
        "{}",
        s.why
    );
}

/// True if ffmpeg made the file from the WAV.
pub fn ffmpeg(from: &Path, arguments: &[&str], to: &Path) -> bool {
    Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-y", "-i"])
        .arg(from)
        .args(arguments)
        .arg(to)
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success())
}

#[test]
fn lossless_formats_are_exact() {
    let dir = TempDir::new().unwrap();
    let from = dir.path().join("from.wav");
    let s: Vec<f64> = steps_16(100_001)
        .iter()
        .map(|&x| f64::from(x) / 32_768.0)
        .collect();
    let rate = SampleRate::new(44_100).unwrap();
    let mut out = WavOut::create(&from, rate, 2, SampleKind::Int24).unwrap();
    for x in &s {
        out.write(&[*x, x / 256.0]).unwrap();
    }
    out.finish().unwrap();
    let second: Vec<f64> = s.iter().map(|x| x / 256.0).collect();
    for (name, arguments, kind) in [
        (
            "a.flac",
            &["-c:a", "flac", "-sample_fmt", "s32"][..],
            "FLAC, 24-bit",
        ),
        (
            "a.m4a",
            &["-c:a", "alac", "-sample_fmt", "s32p"],
            "M4A, ALAC",
        ),
        (
            "b.caf",
            &["-c:a", "alac", "-sample_fmt", "s32p"],
            "CAF, ALAC",
        ),
        ("c.caf", &["-c:a", "pcm_s24be"], "CAF, integer"),
        ("a.aiff", &["-c:a", "pcm_s24be"], "AIFF, integer"),
        ("b.aiff", &["-c:a", "pcm_f32be"], "AIFF, float"),
        (
            "o.ogg",
            &["-c:a", "flac", "-sample_fmt", "s32"],
            "Ogg, FLAC",
        ),
        (
            "m.mka",
            &["-c:a", "flac", "-sample_fmt", "s32"],
            "Matroska, FLAC",
        ),
        (
            "rf64.wav",
            &["-c:a", "pcm_s24le", "-rf64", "always"],
            "WAV, 24-bit",
        ),
    ] {
        let path = dir.path().join(name);
        if !ffmpeg(&from, arguments, &path) {
            println!("skipped: ffmpeg cannot make {name}");
            continue;
        }
        let r = open(&path);
        assert!(r.kind.starts_with(kind), "{name}: {}", r.kind);
        assert!(!r.lossy, "{name}");
        assert_eq!((r.rate, r.channels), (rate, 2), "{name}");
        for (channel, wanted) in [(0, &s), (1, &second)] {
            let (x, lost, damage) = play(&r, channel);
            assert_eq!((x.len(), lost), (wanted.len(), 0), "{name} {damage:?}");
            assert!(&x == wanted, "{name} channel {channel}");
            assert_eq!(damage, Vec::<String>::new(), "{name}");
        }
    }
}

/// Greatest correlation of `b` with `a` over shifts up to 3000 samples, and the shift.
fn alike(a: &[f64], b: &[f64]) -> (f64, usize) {
    let n = 20_000;
    let energy = |x: &[f64]| x.iter().map(|v| v * v).sum::<f64>();
    (0..3000)
        .map(|shift| {
            let (x, y) = (&a[..n], &b[shift..shift + n]);
            let dot: f64 = x.iter().zip(y).map(|(p, q)| p * q).sum();
            (dot / (energy(x) * energy(y)).sqrt().max(1e-30), shift)
        })
        .fold(
            (0.0, 0),
            |best, now| if now.0 > best.0 { now } else { best },
        )
}

#[test]
fn lossy_formats_are_marked_and_sound_the_same() {
    let dir = TempDir::new().unwrap();
    let from = dir.path().join("from.wav");
    let s: Vec<f64> = (0..96_000)
        .map(|i| {
            let t = i as f64 / 48_000.0;
            0.5 * (-4.0 * t).exp() * ((9_000.0 * t).sin() + (14_000.0 * t * (1.0 + 0.1 * t)).sin())
        })
        .collect();
    write_mono(
        &from,
        SampleRate::new(48_000).unwrap(),
        &s,
        SampleKind::Int16,
    )
    .unwrap();
    for (name, arguments, kind, channel_length) in [
        ("a.mp3", &["-b:a", "192k"][..], "MP3", 2304),
        (
            "a.ogg",
            &["-c:a", "libvorbis", "-q:a", "6"],
            "Ogg, Vorbis",
            64,
        ),
        ("a.m4a", &["-c:a", "aac", "-b:a", "160k"], "M4A, AAC", 2048),
        ("a.aac", &["-c:a", "aac", "-b:a", "160k"], "AAC", 4096),
        ("a.3gp", &["-c:a", "aac", "-b:a", "160k"], "M4A, AAC", 2048),
        ("alaw.wav", &["-c:a", "pcm_alaw"], "WAV, A-law", 0),
        ("ulaw.wav", &["-c:a", "pcm_mulaw"], "WAV, mu-law", 0),
        ("ms.wav", &["-c:a", "adpcm_ms"], "WAV, MS ADPCM", 2048),
        (
            "ima.wav",
            &["-c:a", "adpcm_ima_wav"],
            "WAV, IMA ADPCM",
            2048,
        ),
    ] {
        let path = dir.path().join(name);
        if !ffmpeg(&from, arguments, &path) {
            println!("skipped: ffmpeg cannot make {name}");
            continue;
        }
        let r = open(&path);
        assert_eq!(r.kind, kind, "{name}");
        assert!(r.lossy, "{name}");
        assert_eq!((r.rate.get(), r.channels), (48_000, 1), "{name}");
        let (x, lost, damage) = play(&r, 0);
        assert_eq!((lost, damage), (0, vec![]), "{name}");
        assert!(
            x.len().abs_diff(s.len()) <= channel_length,
            "{name}: {} frames",
            x.len()
        );
        let (likeness, shift) = alike(&s, &x);
        assert!(likeness > 0.98, "{name}: {likeness} at {shift}");
        if name == "a.m4a" {
            // Its edit list tells how much at the start is the coder's own (ISO 14496-12, 8.6.6).
            assert_eq!(shift, 0, "{name}");
        }
    }
}
