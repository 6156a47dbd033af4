//! Rings and thuds that other people have recorded, read by the physics alone.
//!
//! `.ci/get-real-sounds` fetches them; where a package is absent its items are skipped, said
//! so, and counted. None of them is an abrasive wheel: a bell must not read as a thud and a
//! drum not as a ring, but no limit of the reading is set by them. The labels were given by
//! ear, spectrum and name of the file before the reading was tried on them.
//!
//! The decay times of the two rooms of the package acoustics are held to in `signals.rs`.

#![allow(clippy::print_stdout)] // the table, and what is skipped, seen with --nocapture

use std::io::Write;
use std::path::{Path, PathBuf};

use fourtap::audio::Input;
use fourtap::audio::wav_out::{SampleKind, write_mono};
use fourtap::record::sounding::{SoundingRecord, TapRecord};
use fourtap::tasks::read_soundings::{ReadSettings, read_sounding};
use fourtap::units::SampleRate;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use tempfile::TempDir;

use crate::audio_formats::{open, play};

/// What a struck thing is to a listener.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Label {
    /// Rings: no tap may read `dull thud`.
    Ring,
    /// Does not ring: no tap may read `clear ring`.
    Thud,
    /// Lasts long but is no ring: no tap may read `clear ring`.
    Trap,
}

/// When an item is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Set {
    /// In every run.
    Default,
    /// In the whole table only.
    More,
}

/// A package with the folder of its sounds.
struct Package {
    /// Name, version and licence.
    about: &'static str,
    folder: &'static str,
    items: &'static [(&'static str, Label, Set)],
}

const PACKAGES: [Package; 4] = [
    Package {
        about: "hydrogen-data 1.2.0~beta1+dfsg-1 (Debian), kit GMRockKit, GPL-2+",
        folder: "hydrogen-data/usr/share/hydrogen/data/drumkits/GMRockKit",
        items: &[
            ("Bell-Med.wav", Label::Ring, Set::Default),
            ("Bell-Soft.wav", Label::Ring, Set::More),
            ("Ride-Med.wav", Label::Ring, Set::More),
            ("SideStick-Med.wav", Label::Thud, Set::Default),
            ("HandClap.wav", Label::Thud, Set::Default),
            ("Kick-Med.wav", Label::Thud, Set::Default),
            ("Tom1-Med.wav", Label::Trap, Set::Default),
        ],
    },
    Package {
        about: "sonic-pi-samples 3.2.2~repack-8 (Debian), CC0",
        folder: "sonic-pi-samples/usr/share/sonic-pi/samples",
        items: &[
            ("perc_bell.flac", Label::Ring, Set::Default),
            ("drum_cowbell.flac", Label::Ring, Set::Default),
            ("perc_till.flac", Label::Ring, Set::More),
            ("elec_triangle.flac", Label::Ring, Set::Default),
            ("tabla_te1.flac", Label::Thud, Set::Default),
            ("tabla_re.flac", Label::Thud, Set::More),
            ("perc_impact1.flac", Label::Trap, Set::Default),
            ("perc_door.flac", Label::Trap, Set::More),
        ],
    },
    Package {
        about: "freepats 20060219-4 (Debian), GPL-2+ with an exception for compositions",
        folder: "freepats/usr/share/midi/freepats",
        items: &[
            ("Drum_000/081_Triangle_2_Open.pat", Label::Ring, Set::More),
            ("Drum_000/034_Metronome_Bell.pat", Label::Ring, Set::Default),
            ("Tone_000/014_Tubular_Bells.pat", Label::Ring, Set::More),
            ("Drum_000/077_Wood_Block_2_Low.pat", Label::Thud, Set::More),
        ],
    },
    Package {
        about: "sound-theme-freedesktop 0.8-2 (Debian), complete.oga CC BY 3.0",
        folder: "sound-theme-freedesktop/usr/share/sounds/freedesktop/stereo",
        items: &[("complete.oga", Label::Ring, Set::More)],
    },
];

/// Items that are read against their label, with the reason. Each must still be misread, so
/// that the list is shortened when the reading gets better.
const KNOWN_MISREAD: [(&str, How, &str); 0] = [];

/// How a recording is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum How {
    /// As the package has it: most start with the strike, with no quiet before it.
    AsItIs,
    /// After half a second of quiet, with noise of -80 dB re full scale under all of it (16 bit
    /// alone give -98 dB): what a microphone at the bench would have heard before the strike.
    AfterQuiet,
}

fn real_sounds() -> PathBuf {
    std::env::var_os("FOURTAP_REAL_SOUNDS")
        .map_or_else(|| PathBuf::from("target/real-sounds"), PathBuf::from)
}

/// Samples of the first sound in a patch of the Gravis Ultrasound format: 239 bytes of headers,
/// then a header of 96 bytes (size at 8, rate at 20, modes at 55: bit 0 for 16 bits, bit 1 for
/// unsigned), then PCM, little-endian.
fn patch(path: &Path) -> (Vec<f64>, u32) {
    let bytes = std::fs::read(path).unwrap();
    assert!(bytes.starts_with(b"GF1PATCH110"), "{}", path.display());
    let head = &bytes[239..239 + 96];
    let size = u32::from_le_bytes(head[8..12].try_into().unwrap()) as usize;
    let rate = u32::from(u16::from_le_bytes(head[20..22].try_into().unwrap()));
    assert_eq!(head[55] & 3, 1, "{} is not signed 16 bit", path.display());
    let pcm = bytes[335..335 + size].chunks_exact(2);
    let samples = pcm.map(|b| f64::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0);
    (samples.collect(), rate)
}

/// The samples of a recording that [`How::AfterQuiet`] adds to: the channel that is read.
fn samples_of(path: &Path) -> (Vec<f64>, u32) {
    if path.extension().is_some_and(|e| e == "pat") {
        return patch(path);
    }
    let recording = open(path);
    let best = recording.survey().unwrap().best;
    (play(&recording, best).0, recording.rate.get())
}

fn read(path: &Path, how: How, scratch: &TempDir) -> SoundingRecord {
    let mut given = path.to_owned();
    let is_patch = path.extension().is_some_and(|e| e == "pat");
    if is_patch || how == How::AfterQuiet {
        let (mut samples, rate) = samples_of(path);
        if how == How::AfterQuiet {
            let quiet = vec![0.0; rate as usize / 2];
            samples = [quiet, samples].concat();
            let mut dice = ChaCha8Rng::seed_from_u64(1);
            for s in &mut samples {
                *s += 1e-4 * Distribution::<f64>::sample(&StandardNormal, &mut dice);
            }
        }
        given = scratch.path().join("given.wav");
        let rate = SampleRate::new(rate).unwrap();
        write_mono(&given, rate, &samples, SampleKind::Float32).unwrap();
    }
    read_sounding(&[Input::Path(given)], &ReadSettings::default())
        .unwrap()
        .record
}

/// A line that shows without --nocapture too: a skipped check must not look like a passed one.
fn say(line: &str) {
    let _ = writeln!(std::io::stderr(), "{line}");
}

fn figure(tap: &TapRecord, name: &str) -> String {
    tap.evidence
        .iter()
        .find(|e| e.figure == name)
        .map_or("-".to_owned(), |e| format!("{:.2}", e.value))
}

/// Whether a reading says the opposite of the label.
fn is_against(label: Label, tap: &TapRecord) -> bool {
    let never = match label {
        Label::Ring => "dull thud",
        Label::Thud | Label::Trap => "clear ring",
    };
    tap.reading == never
}

/// Reads items and holds them to their labels; `all` takes those beside the default set too.
fn check(all: bool) {
    let scratch = TempDir::new().unwrap();
    let folder = real_sounds();
    let (mut read_items, mut skipped, mut faults) = (0, 0, Vec::new());
    println!("item | given | label | R | Q | tones | reading | why");
    for package in &PACKAGES {
        for (name, label, set) in package.items {
            if !all && *set == Set::More {
                continue;
            }
            let path = folder.join(package.folder).join(name);
            if !path.exists() {
                skipped += 1;
                say(&format!(
                    "skipped: {name}: .ci/get-real-sounds fetches {}",
                    package.about
                ));
                continue;
            }
            read_items += 1;
            let mut ways = vec![How::AsItIs];
            if all || *label != Label::Ring {
                ways.push(How::AfterQuiet);
            }
            for how in ways {
                let record = read(&path, how, &scratch);
                tell(name, how, *label, &record);
                assert_ne!(
                    record.outcome, "rings clear",
                    "{name}: nothing to compare with"
                );
                let against = record.taps.iter().any(|tap| is_against(*label, tap));
                let known = KNOWN_MISREAD.iter().find(|k| k.0 == *name && k.1 == how);
                match (against, known) {
                    (true, None) => faults.push(format!("{name} ({label:?}, {how:?}) is misread")),
                    (false, Some((_, _, why))) => faults.push(format!(
                        "{name} ({how:?}) is no longer misread: take it off the list ({why})"
                    )),
                    _ => {}
                }
            }
        }
    }
    say(&format!(
        "real sounds: {read_items} items read, {skipped} skipped"
    ));
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

/// Prints a row for each tap.
fn tell(name: &str, how: How, label: Label, record: &SoundingRecord) {
    for tap in &record.taps {
        println!(
            "{name} | {how:?} | {label:?} | {} | {} | {} | {} | {}",
            figure(tap, "ring fraction"),
            figure(tap, "quality factor"),
            figure(tap, "tones that ring"),
            tap.reading,
            tap.reasons.join("; ")
        );
    }
    if record.taps.is_empty() {
        println!(
            "{name} | {how:?} | {label:?} | | | | no tap | {:?}",
            record.warnings
        );
    }
}

#[test]
fn no_bell_is_a_thud_and_no_drum_a_ring() {
    check(false);
}

#[test]
#[ignore = "minutes: cargo test --release --test main real_sounds -- --ignored --nocapture"]
fn the_whole_table() {
    check(true);
}
