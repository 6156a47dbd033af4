//! Broken, cut and wrong files: read as far as they go, or refused with file, place and remedy.
#![allow(clippy::print_stdout)] // tells what was skipped for want of ffmpeg

use std::io::Cursor;
use std::path::Path;

use fourtap::audio::wav_out::{SampleKind, write_mono};
use fourtap::audio::{AudioError, Input, Recording, Source};
use fourtap::units::SampleRate;
use proptest::prelude::*;
use tempfile::TempDir;

use crate::audio_formats::{ffmpeg, fmt, from_bytes, open, play, steps_16, wav, wav_with_size};

fn refusal(bytes: &[u8]) -> AudioError {
    match Recording::from_reader("bad.wav", Cursor::new(bytes)) {
        Err(e) => e,
        Ok(r) => panic!("was read: {r:?}"),
    }
}

/// Asserts that a refusal names the file and all of the words.
fn says(error: &AudioError, words: &[&str]) {
    let text = error.to_string();
    assert!(
        text.contains(&error.source_name) && !error.remedy.is_empty(),
        "{text}"
    );
    for word in words {
        assert!(text.contains(word), "`{word}` is not in: {text}");
    }
}

fn data_16(frames: usize) -> Vec<u8> {
    steps_16(frames)
        .iter()
        .flat_map(|x| x.to_le_bytes())
        .collect()
}

#[test]
fn wrong_paths_are_refused() {
    let dir = TempDir::new().unwrap();
    let refused = |path: &Path| Recording::open(&Input::Path(path.to_owned())).unwrap_err();
    says(
        &refused(&dir.path().join("gone.wav")),
        &["gone.wav", "no such file", "check the path"],
    );
    says(
        &refused(dir.path()),
        &["is a folder", "name a recording in it"],
    );
    let empty = dir.path().join("empty.wav");
    std::fs::write(&empty, b"").unwrap();
    says(
        &refused(&empty),
        &["empty.wav", "byte 0", "it is empty", "record it again"],
    );
}

#[test]
fn what_is_no_sound_is_refused() {
    says(
        &refusal("Wheel 12: clear ring, größer\r\n".as_bytes()),
        &["bad.wav", "byte 0", "text", "name a sound recording"],
    );
    says(
        &refusal(b"#!AMR\n\x3c\x91\x17"),
        &["AMR", "export it as WAV or FLAC"],
    );
    says(
        &refusal(b"OggS\0\x02\0\0\0\0\0\0\0\0abcd\0\0\0\0efgh\x01\x13OpusHead\x01\x01"),
        &["Opus", "export it as WAV or FLAC"],
    );
    says(&refusal(b"RIFX\x24\0\0\0WAVE"), &["RIFX", "export"]);
    says(
        &refusal(b"RIFF\x24\0\0\0AVI LIST"),
        &["not a WAV", "export"],
    );
    says(
        &refusal(b"riff\x2E\x91\xCF\x11\xA5\xD6\x28\xDB"),
        &["Wave64", "export"],
    );
    says(
        &refusal(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"),
        &["byte 0", "no sound format", "name a sound recording"],
    );
    says(&refusal(&[0; 4000]), &["name a sound recording"]);
}

/// Silence as MP3: MPEG 1 layer III, 128 kbit/s, 44.1 kHz, one channel, frames of 417 bytes.
fn mp3_silence(frames: usize) -> Vec<u8> {
    let mut frame = vec![0xFF, 0xFB, 0x90, 0xC4];
    frame.resize(417, 0);
    frame.repeat(frames)
}

#[test]
fn what_begins_like_wav_is_not_searched_for_mp3() {
    // Alone it is read...
    let read = from_bytes(&mp3_silence(20));
    assert!(read.kind.contains("MP3"), "{}", read.kind);
    // ... but not out of a file that says it is something else.
    for magic in [b"RF64", b"BW64"] {
        let mut file = wav(&fmt(0x11, 1, 44_100, 1, 4), &[], &mp3_silence(20));
        file[..4].copy_from_slice(magic);
        says(&refusal(&file), &["bad.wav", "header is damaged", "export"]);
    }
}

#[test]
fn wav_headers_that_make_no_sense_are_refused_with_the_byte() {
    let d = data_16(100);
    says(
        &refusal(&wav(&fmt(1, 0, 48_000, 2, 16), &[], &d)),
        &["byte 22", "0 channels", "export"],
    );
    for rate in [0, 1, 7_999, 192_001, 768_000, u32::MAX] {
        let e = refusal(&wav(&fmt(1, 1, rate, 2, 16), &[], &d));
        says(
            &e,
            &[
                "`fmt ` chunk",
                &rate.to_string(),
                "8000 to 192000",
                "record it at",
            ],
        );
    }
    says(
        &refusal(&wav(&fmt(1, 1, 48_000, 2, 0), &[], &d)),
        &["byte 34", "0 bits", "export"],
    );
    says(
        &refusal(&wav(&fmt(3, 1, 48_000, 2, 16), &[], &d)),
        &["byte 34", "16 bits (float)", "export"],
    );
    says(
        &refusal(&wav(&fmt(1, 1, 48_000, 8, 64), &[], &d)),
        &["64 bits (integer)", "export"],
    );
    says(
        &refusal(&wav(&fmt(0x161, 1, 48_000, 2, 16), &[], &d)),
        &["0x0161", "`fmt ` chunk", "export"],
    );
    says(
        &refusal(&wav(&[1, 0, 1, 0], &[], &d)),
        &["byte 20", "`fmt ` chunk", "16 are needed"],
    );
    says(
        &refusal(b"RIFF\x24\0\0\0WAVE"),
        &["byte 12", "no `fmt ` chunk"],
    );
    let whole = wav(&fmt(1, 1, 48_000, 2, 16), &[], &d);
    says(
        &refusal(&whole[..36]),
        &["byte 36", "no `data` chunk", "record it again"],
    );
    says(
        &refusal(&whole[..44]),
        &["byte 44", "not one frame", "record it again"],
    );
    says(&refusal(&whole[..45]), &["not one frame"]);
    let mut empty = wav(&fmt(1, 1, 48_000, 2, 16), &[], &[]);
    empty.extend(b"LIST\x04\0\0\0INFO");
    says(&refusal(&empty), &["not one frame"]);
}

#[test]
fn damaged_wavs_are_read_as_far_as_they_go() {
    let d = data_16(1000);
    let w: Vec<f64> = steps_16(1000)
        .iter()
        .map(|&x| f64::from(x) / 32_768.0)
        .collect();
    let f = fmt(1, 1, 48_000, 2, 16);
    let damaged = |bytes: &[u8], frames: usize, words: &[&str]| {
        let r = from_bytes(bytes);
        let (x, _, damage) = play(&r, 0);
        assert!(x == w[..frames], "{} frames", x.len());
        for word in words {
            assert!(damage.join("\n").contains(word), "{word}: {damage:?}");
        }
        assert_eq!(r.survey().unwrap().damage, damage);
    };
    // The recorder died and never filled in the size.
    damaged(
        &wav_with_size(&f, &[], &d, 0),
        1000,
        &["0 bytes of sound (byte 40)", "2000 bytes"],
    );
    // A program that writes to a pipe leaves the size open; whether all came cannot be told.
    for open in [u32::MAX, 0xFFFF_F800, 0x7FFF_FFFF, 0x8000_0000] {
        damaged(
            &wav_with_size(&f, &[], &d, open),
            1000,
            &["size of the sound open (byte 40)", "2000 bytes"],
        );
    }
    // A long recording copied in part is no open size.
    for long in [0x9000_0000, 0xFFFF_0000u32] {
        let announced = format!("announces {} frames, 1000 are there", long / 2);
        damaged(
            &wav_with_size(&f, &[], &d, long),
            1000,
            &["cut off", &announced, "byte 2044"],
        );
    }
    // Copied in part.
    let whole = wav(&f, &[], &d);
    damaged(
        &whole[..44 + 777],
        388,
        &["cut off", "1000 frames", "388 are there", "byte 821"],
    );
    // Half a frame at the end.
    damaged(
        &wav(&f, &[], &[&d[..], &[7]].concat()),
        1000,
        &["last 1 bytes"],
    );
    // A block size that does not fit.
    damaged(
        &wav(&fmt(1, 1, 48_000, 0, 16), &[], &d),
        1000,
        &["block size of 0 bytes (byte 32)"],
    );
    damaged(
        &wav(&fmt(1, 1, 48_000, 77, 16), &[], &d),
        1000,
        &["block size of 77"],
    );
}

#[test]
fn samples_that_are_no_numbers_become_zero_and_are_counted() {
    let values = [0.25f32, f32::NAN, f32::INFINITY, -0.5, f32::NEG_INFINITY];
    let d: Vec<u8> = values.iter().flat_map(|x| x.to_le_bytes()).collect();
    let r = from_bytes(&wav(&fmt(3, 1, 48_000, 4, 32), &[], &d));
    let (x, _, damage) = play(&r, 0);
    assert_eq!(x, [0.25, 0.0, 0.0, -0.5, 0.0]);
    assert!(
        damage[0].starts_with("3 samples are not numbers"),
        "{damage:?}"
    );
    assert_eq!(r.survey().unwrap().no_numbers, 3);
}

#[test]
fn a_channel_that_is_not_there_is_refused() {
    let r = from_bytes(&wav(&fmt(1, 2, 48_000, 4, 16), &[], &data_16(100)));
    says(&r.play(2).unwrap_err(), &["no channel 3", "from 1 to 2"]);
    says(&r.play(u32::MAX).unwrap_err(), &["from 1 to 2"]);
}

/// A file of ten seconds made by ffmpeg, or none without it.
fn made(dir: &TempDir, name: &str, arguments: &[&str]) -> Option<(Vec<u8>, usize)> {
    let from = dir.path().join("from.wav");
    let s: Vec<f64> = steps_16(48_000)
        .repeat(10)
        .iter()
        .map(|&x| f64::from(x) / 32_768.0)
        .collect();
    write_mono(
        &from,
        SampleRate::new(48_000).unwrap(),
        &s,
        SampleKind::Int16,
    )
    .unwrap();
    let to = dir.path().join(name);
    if !ffmpeg(&from, arguments, &to) {
        println!("skipped: ffmpeg cannot make {name}");
        return None;
    }
    Some((std::fs::read(&to).unwrap(), s.len()))
}

#[test]
fn an_m4a_that_was_cut_off_says_so() {
    let dir = TempDir::new().unwrap();
    let Some((bytes, _)) = made(&dir, "a.m4a", &["-c:a", "aac"]) else {
        return;
    };
    let cut = &bytes[..bytes.len() / 2];
    let place = format!("byte {}", cut.len());
    says(
        &refusal(cut),
        &["bad.wav", &place, "cut off", "`moov`", "record again"],
    );
}

#[test]
fn an_m4a_with_its_index_first_is_read_up_to_the_cut() {
    let dir = TempDir::new().unwrap();
    for (name, layout, share) in [
        ("first.m4a", "+faststart", 6),
        ("pieces.m4a", "+empty_moov+default_base_moof", 6),
        ("pieces.mp4", "+empty_moov+default_base_moof", 9),
    ] {
        let pieces = [
            "-c:a",
            "aac",
            "-frag_duration",
            "1000000",
            "-movflags",
            layout,
        ];
        let arguments = if layout == "+faststart" {
            &["-c:a", "aac", "-movflags", layout][..]
        } else {
            &pieces[..]
        };
        let Some((bytes, frames)) = made(&dir, name, arguments) else {
            continue;
        };
        let (clean, lost, damage) = play(&from_bytes(&bytes), 0);
        assert_eq!((lost, damage), (0, vec![]), "{name}");
        assert!(clean.len() >= frames, "{name}: {} frames", clean.len());
        // A tag that a player wrote behind the last box is no cut.
        let tagged = [&bytes[..], b"TAG", &[b' '; 125]].concat();
        assert_eq!(from_bytes(&tagged).damage, Vec::<String>::new(), "{name}");
        let cut = &bytes[..bytes.len() * share / 10];
        let r = from_bytes(cut);
        let there = format!("bytes, {} are there", cut.len());
        assert!(
            r.damage[0].starts_with("cut off") && r.damage[0].ends_with(&there),
            "{:?}",
            r.damage
        );
        let (x, _, damage) = play(&r, 0);
        // A packet has 1024 frames and its bytes vary; half a second is far more than that makes.
        let least = frames * share / 10 - 24_000;
        assert!(
            x.len() > least && x.len() < frames,
            "{name}: {} of {frames}",
            x.len()
        );
        assert!(x[..] == clean[..x.len()], "{name}");
        assert_eq!(damage[0], r.damage[0]);
        if layout == "+faststart" {
            let missing = format!("{} were found", x.len());
            assert!(damage.join("\n").contains(&missing), "{damage:?}");
        }
    }
}

#[test]
fn an_m4a_cut_within_its_index_says_so() {
    let dir = TempDir::new().unwrap();
    let arguments = ["-c:a", "aac", "-movflags", "+faststart"];
    let Some((bytes, _)) = made(&dir, "a.m4a", &arguments) else {
        return;
    };
    says(
        &refusal(&bytes[..200]),
        &["byte 200", "`moov`", "copy the whole file again"],
    );
}

#[test]
fn aac_beyond_the_plain_kind_is_named() {
    let dir = TempDir::new().unwrap();
    let Some((mut bytes, _)) = made(&dir, "a.m4a", &["-c:a", "aac"]) else {
        return;
    };
    // The decoder's configuration: five bytes that begin with the kind, here 2 (plain) at 48 kHz,
    // one channel. Written over: kind 5 (HE-AAC), 24 kHz raised to 48 kHz, plain AAC within.
    let plain = [0x05, 0x80, 0x80, 0x80, 5, 0x11, 0x88];
    let Some(at) = bytes.windows(7).position(|w| w == plain) else {
        println!("skipped: this ffmpeg writes the configuration otherwise");
        return;
    };
    bytes[at + 5..at + 10].copy_from_slice(&[0x2B, 0x09, 0x88, 0, 0]);
    says(
        &refusal(&bytes),
        &["sound track", "HE-AAC", "export it as WAV or FLAC"],
    );
}

/// A box of an MP4 file.
fn mp4_box(name: &[u8], body: &[u8]) -> Vec<u8> {
    let size = body.len() as u32 + 8;
    [&size.to_be_bytes()[..], name, body].concat()
}

#[test]
fn a_telephone_codec_without_a_decoder_is_named() {
    for (coding, word) in [
        (b"samr", "AMR"),
        (b"sawb", "AMR wideband"),
        (b"sqcp", "QCELP"),
    ] {
        let mut described = vec![0, 0, 0, 0, 0, 0, 0, 1];
        described.extend(mp4_box(coding, &[0; 28]));
        let table = mp4_box(b"stbl", &mp4_box(b"stsd", &described));
        let handler = mp4_box(b"hdlr", b"\0\0\0\0\0\0\0\0soun\0\0\0\0\0\0\0\0\0\0\0\0\0");
        let media = mp4_box(b"mdia", &[handler, mp4_box(b"minf", &table)].concat());
        let index = mp4_box(b"moov", &mp4_box(b"trak", &media));
        let file = [
            mp4_box(b"ftyp", b"3gp4\0\0\0\0"),
            index,
            mp4_box(b"mdat", &[0x3C; 64]),
        ];
        says(
            &refusal(&file.concat()),
            &[
                "sound track, byte 24",
                &format!("coded as {word} is"),
                "export it as WAV or FLAC",
            ],
        );
    }
}

#[test]
fn codecs_without_a_decoder_are_named() {
    let dir = TempDir::new().unwrap();
    for (name, arguments, word) in [
        ("a.opus", &["-c:a", "libopus"][..], "Opus"),
        ("a.webm", &["-c:a", "libopus"], "Opus"),
        ("a.mka", &["-c:a", "ac3"], "AC-3"),
        ("a.wma", &["-c:a", "wmav2"], "WMA"),
    ] {
        let Some((bytes, _)) = made(&dir, name, arguments) else {
            continue;
        };
        says(&refusal(&bytes), &[word, "export it as WAV or FLAC"]);
    }
}

#[test]
fn a_film_without_sound_is_refused() {
    let dir = TempDir::new().unwrap();
    let to = dir.path().join("film.mp4");
    let from = dir.path().join("from.wav");
    write_mono(
        &from,
        SampleRate::new(48_000).unwrap(),
        &[0.0; 4800],
        SampleKind::Int16,
    )
    .unwrap();
    let film = [
        "-f",
        "lavfi",
        "-i",
        "testsrc=size=64x64:rate=5:duration=1",
        "-map",
        "1:v",
        "-c:v",
        "mpeg4",
    ];
    if !ffmpeg(&from, &film, &to) {
        println!("skipped: ffmpeg cannot make a film");
        return;
    }
    let error = Recording::open(&Input::Path(to)).unwrap_err();
    says(
        &error,
        &[
            "film.mp4",
            "no sound track",
            "name a recording that has sound",
        ],
    );
}

#[test]
fn cut_and_flipped_flac_tells_what_is_missing_and_keeps_its_time() {
    let dir = TempDir::new().unwrap();
    let Some((bytes, frames)) = made(&dir, "a.flac", &["-c:a", "flac"]) else {
        return;
    };
    let (clean, _, _) = play(&from_bytes(&bytes), 0);
    assert_eq!(clean.len(), frames);
    let r = from_bytes(&bytes[..bytes.len() * 6 / 10]);
    let (x, _, damage) = play(&r, 0);
    assert!(x.len() < frames && x[..] == clean[..x.len()]);
    let missing = format!("announces {frames} frames, {} were found", x.len());
    assert!(damage.join("\n").contains(&missing), "{damage:?}");
    // Flip bits in the middle: what follows the gap stays at its time.
    let mut flipped = bytes.clone();
    let middle = flipped.len() / 2;
    for b in &mut flipped[middle..middle + 40] {
        *b ^= 0x5A;
    }
    let r = from_bytes(&flipped);
    let mut player = r.play(0).unwrap();
    let (mut at, mut lost) = (0usize, 0u64);
    while let Some(chunk) = player.next_chunk().unwrap() {
        at += chunk.lost_before as usize;
        lost += chunk.lost_before;
        assert!(
            chunk.samples[..] == clean[at..at + chunk.samples.len()],
            "at {at}, lost {lost}"
        );
        at += chunk.samples.len();
    }
    assert!(lost > 0, "{:?}", player.damage());
    assert_eq!(at, frames);
    assert!(
        player.damage().join("\n").contains("lost in the middle"),
        "{:?}",
        player.damage()
    );
    assert_eq!(r.survey().unwrap().lost, lost);
}

#[test]
fn flipped_lossy_files_are_read_on_and_warned_of() {
    let dir = TempDir::new().unwrap();
    for (name, arguments) in [
        ("a.mp3", &["-b:a", "128k"][..]),
        ("a.m4a", &["-c:a", "aac"]),
        ("a.ogg", &["-c:a", "libvorbis"]),
    ] {
        let Some((bytes, frames)) = made(&dir, name, arguments) else {
            continue;
        };
        let mut flipped = bytes.clone();
        let n = flipped.len();
        // Late enough to leave whole the first page of an Ogg, which its reader needs.
        for b in &mut flipped[n * 7 / 10..n * 8 / 10] {
            *b = b.wrapping_mul(31).wrapping_add(77);
        }
        let r = from_bytes(&flipped);
        let (x, lost, damage) = play(&r, 0);
        assert!(
            x.len() as u64 + lost <= frames as u64 + 4096,
            "{name}: {} + {lost}",
            x.len()
        );
        assert!(x.len() > frames / 2, "{name}: {}", x.len());
        assert!(!damage.is_empty(), "{name}: {} + {lost}", x.len());
    }
}

/// Opens, surveys and plays whatever bytes; only panics and endless work are wrong.
fn survives(bytes: &[u8]) {
    let Ok(r) = Recording::from_reader("any", Cursor::new(bytes)) else {
        return;
    };
    if let Ok(s) = r.survey() {
        assert!(s.best < r.channels && s.channels.len() == r.channels as usize);
        assert!(
            s.channels
                .iter()
                .all(|c| c.peak.is_finite() && c.loud_over_quiet_db.is_finite())
        );
    }
    if let Ok(mut p) = r.play(r.channels - 1) {
        while let Ok(Some(chunk)) = p.next_chunk() {
            assert!(chunk.samples.iter().all(|x| x.is_finite()));
        }
    }
}

/// One second of silence and one of a wave as FLAC by hand would need an encoder; the smallest
/// valid file has constant subframes, which are a few bytes each.
fn small_flac() -> Vec<u8> {
    let mut f = b"fLaC\x80\0\0\x22".to_vec();
    f.extend([0x10, 0, 0x10, 0, 0, 0, 0, 0, 0, 0]);
    // 48 kHz, 1 channel, 16 bits, 4096 frames, no MD5.
    f.extend([0x0B, 0xB8, 0x00, 0xF0, 0, 0, 0x10, 0]);
    f.extend([0; 16]);
    let mut frame = vec![0xFF, 0xF8, 0xCA, 0x08, 0];
    frame.push(crc(&frame, 8, 0x07) as u8);
    frame.extend([0, 0x12, 0x34]);
    let check = crc(&frame, 16, 0x8005);
    frame.extend(check.to_be_bytes());
    f.extend(frame);
    f
}

fn crc(bytes: &[u8], width: u32, polynomial: u16) -> u16 {
    let top = 1u32 << (width - 1);
    let mask = (1u32 << width) - 1;
    let sum = bytes.iter().fold(0u32, |mut sum, &b| {
        sum ^= u32::from(b) << (width - 8);
        for _ in 0..8 {
            sum = (if sum & top != 0 {
                (sum << 1) ^ u32::from(polynomial)
            } else {
                sum << 1
            }) & mask;
        }
        sum
    });
    sum as u16
}

#[test]
fn a_flac_made_by_hand_is_exact() {
    let r = from_bytes(&small_flac());
    let (x, _, damage) = play(&r, 0);
    assert_eq!(damage, Vec::<String>::new());
    assert!(
        x == vec![f64::from(0x1234) / 32_768.0; 4096],
        "{} frames, {:?}",
        x.len(),
        x.first()
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..3000)) {
        survives(&bytes);
    }

    #[test]
    fn random_bytes_behind_a_magic_never_panic(
        magic in proptest::sample::select(vec![
            &b"RIFF\x24\0\0\0WAVEfmt \x10\0\0\0"[..], b"RF64\xFF\xFF\xFF\xFFWAVEds64\x1C\0\0\0", b"fLaC\0\0\0\x22",
            b"OggS\0\x02", b"ID3\x03\0\0", b"\xFF\xFB\x90\x44", b"\0\0\0\x18ftypM4A ", b"FORM\0\0\x10\0AIFF", b"caff\0\x01\0\0", b"\x1A\x45\xDF\xA3",
        ]),
        bytes in proptest::collection::vec(any::<u8>(), 0..2000),
    ) {
        survives(&[magic, &bytes[..]].concat());
    }

    #[test]
    fn mutated_wav_headers_never_panic(
        at in proptest::collection::vec((0usize..64, any::<u8>()), 1..6),
        cut in 0usize..700,
    ) {
        let mut bytes = wav(&fmt(1, 2, 48_000, 4, 16), b"LIST\x05\0\0\0INFOx\0", &data_16(300));
        for (i, b) in at {
            bytes[i] = b;
        }
        survives(&bytes[..cut.min(bytes.len())]);
    }

    #[test]
    fn mutated_mp4_boxes_never_panic(
        at in proptest::collection::vec((8usize..150, any::<u8>()), 1..6),
        cut in 0usize..160,
    ) {
        let described = [&[0, 0, 0, 0, 0, 0, 0, 1][..], &mp4_box(b"mp4a", &[0; 28])].concat();
        let table = mp4_box(b"minf", &mp4_box(b"stbl", &mp4_box(b"stsd", &described)));
        let media = [mp4_box(b"hdlr", b"\0\0\0\0\0\0\0\0soun"), table].concat();
        let index = mp4_box(b"moov", &mp4_box(b"trak", &mp4_box(b"mdia", &media)));
        let mut bytes = [mp4_box(b"ftyp", b"M4A "), index, mp4_box(b"mdat", &[0x3C; 16])].concat();
        for (i, b) in at {
            if i < bytes.len() { bytes[i] = b; }
        }
        survives(&bytes[..cut.min(bytes.len())]);
    }

    #[test]
    fn mutated_flac_never_panics(at in proptest::collection::vec((4usize..53, any::<u8>()), 1..6), cut in 0usize..60) {
        let mut bytes = small_flac();
        for (i, b) in at {
            if i < bytes.len() { bytes[i] = b; }
        }
        let end = bytes.len() - cut.min(20);
        survives(&bytes[..end]);
    }
}

#[test]
fn an_error_reads_as_one_sentence() {
    let e = refusal(b"");
    assert_eq!(
        e.to_string(),
        "bad.wav: it is empty (byte 0); record it again and let the recorder finish the file"
    );
}

#[test]
fn opening_by_path_names_the_path_as_given() {
    let dir = TempDir::new().unwrap();
    let path = dir.path().join("w.wav");
    std::fs::write(&path, wav(&fmt(1, 1, 48_000, 2, 16), &[], &data_16(50))).unwrap();
    let r = open(&path);
    assert_eq!(
        (r.name.as_str(), r.path()),
        (path.to_str().unwrap(), path.as_path())
    );
}

/// Whole inputs of `.ci/fuzz audio`, one of which made a decoder of others panic.
#[test]
fn coded_recordings_that_broke_a_decoder_are_refused() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/broken/audio");
    let mut refused = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let bytes = std::fs::read(entry.unwrap().path()).unwrap();
        says(&refusal(&bytes), &[]);
        refused += 1;
    }
    assert!(refused > 0);
    // What panics inside is told as a refusal and not as a fault of the program.
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/broken/audio");
    let run = std::process::Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .arg("read")
        .arg("--apart")
        .arg(
            std::fs::read_dir(folder)
                .unwrap()
                .next()
                .unwrap()
                .unwrap()
                .path(),
        )
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&run.stderr).into_owned();
    assert_eq!(run.status.code(), Some(3), "{told}");
    assert!(!told.contains("panicked"), "{told}");
}

#[test]
fn what_the_fuzzer_found_worth_keeping_is_read_or_refused() {
    // Inputs by which `.ci/fuzz wav` reached new parts of the header reader; the target in
    // tests/fuzz/wav.rs puts the same magic before them.
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/broken/wav");
    let (mut read, mut refused) = (0, 0);
    for entry in std::fs::read_dir(folder).unwrap() {
        let bytes = std::fs::read(entry.unwrap().path()).unwrap();
        let Some((first, rest)) = bytes.split_first() else {
            continue;
        };
        let magic = [&b"RIFF"[..], b"RF64", b"BW64"][usize::from(first % 3)];
        let mut file = magic.to_vec();
        file.extend(rest.iter().take(4));
        file.resize(8, 0);
        file.extend(b"WAVE");
        file.extend(rest.iter().skip(4));
        let recording = match Recording::from_reader("any", Cursor::new(&file)) {
            Ok(recording) => recording,
            Err(error) => {
                says(&error, &[]);
                refused += 1;
                continue;
            }
        };
        read += 1;
        let mut frames = 0;
        if let Ok(mut player) = recording.play(0) {
            while let Ok(Some(chunk)) = player.next_chunk() {
                assert!(chunk.samples.iter().all(|x| x.is_finite()));
                frames += chunk.samples.len();
            }
        }
        assert!(frames <= 4 * file.len());
    }
    assert!(read + refused >= 100, "{read} read, {refused} refused");
}
