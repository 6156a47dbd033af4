//! Reading in rooms: what a clap tells of one, and what a second microphone adds.

use std::path::Path;

use fourtap::audio::Input;
use fourtap::audio::wav_out::{SampleKind, write_mono};
use fourtap::ring::estimate::solve;
use fourtap::ring::listen::Listener;
use fourtap::ring::plate::Material;
use fourtap::ring::synth::{
    BondLoss, Imperfection, MadeTake, Noise, OtherSound, Room, Scene, Source, Strike, WheelModel,
    turned_under_mic,
};
use fourtap::ring::take::TapTake;
use fourtap::tasks::read_soundings::{ReadSettings, read_sounding};
use fourtap::tasks::room_clap::room_time_s;
use fourtap::units::SampleRate;

const RATE_HZ: u32 = 48_000;

fn rate() -> SampleRate {
    SampleRate::new(RATE_HZ).unwrap()
}

fn room(t60_s: f64, direct_over_tail_db: f64, seed: u64) -> Room {
    Room {
        t60_s,
        treble_share: 0.7,
        direct_over_tail_db,
        seed,
    }
}

/// Two claps a step away from the microphone. The decay times of the made-up room fall from 500 Hz
/// to 8 kHz; the middle of the octaves is 2 kHz. A decay over 20 to 30 dB of noise in octave bands
/// scatters by some 10 % (the curve has 1000 x 0.4 s degrees of freedom and less), and the median is
/// one over five bands and two claps: 20 % are allowed.
#[test]
fn a_clap_tells_how_long_the_room_sounds_on() {
    let folder = tempfile::tempdir().unwrap();
    for (k, t60_s) in [0.3, 0.5, 0.9].into_iter().enumerate() {
        let here = room(t60_s, 6.0, 40 + k as u64);
        let scene = Scene {
            spacing_s: 1.8,
            tail_s: 1.8,
            distance_m: 1.0,
            room: Some(here),
            noise: vec![Noise::Pink { rms_db: -75.0 }],
            seed: k as u64,
            ..Scene::plain(
                rate(),
                Source::Other(OtherSound::Clap),
                vec![Strike::at(0.0), Strike::at(0.0)],
            )
        };
        let path = folder.path().join(format!("clap-{k}.wav"));
        let clip = scene.play().unwrap().clip;
        write_mono(&path, rate(), clip.samples(), SampleKind::Int16).unwrap();
        let found_s = room_time_s(&Input::Path(path)).unwrap();
        let truth_s = here.t60_at(2000.0);
        assert!(
            (found_s / truth_s - 1.0).abs() < 0.2,
            "{found_s} s, made with {truth_s} s"
        );
    }
    // A wheel is no clap.
    let wheel = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/taps/hl1-monday.wav");
    assert!(room_time_s(&Input::Path(wheel)).is_err());
    // A quiet recording tells nothing and says what to do.
    let path = folder.path().join("quiet.wav");
    write_mono(&path, rate(), &vec![1e-5; 48_000], SampleKind::Int16).unwrap();
    let told = room_time_s(&Input::Path(path)).unwrap_err().to_string();
    assert!(told.contains("clap once or twice"), "{told}");
}

/// What a microphone hears: four taps in a room of 0.4 s, 12 dB under the direct sound.
fn heard(seed: u64, microphone: u64) -> MadeTake {
    let room = room(0.4, 12.0, 900 + 2 * seed + microphone);
    tapped(BondLoss::VITRIFIED, Some(room), seed, microphone)
}

fn tapped(loss: BondLoss, room: Option<Room>, seed: u64, microphone: u64) -> MadeTake {
    let material = Material {
        youngs_pa: 38e9,
        density_kg_m3: 2200.0,
        poisson: 0.2,
    };
    let size = [0.2, 0.02, 0.032];
    let wheel = WheelModel::sound(size, material, loss, Imperfection::usual(60 + seed));
    let spots = [-45.0f64, 45.0, -90.0, 0.0].map(f64::to_radians);
    let strikes = turned_under_mic(&spots, 0.3 + 0.25 * microphone as f64);
    Scene {
        spacing_s: 1.2,
        tail_s: 1.2,
        room,
        noise: vec![Noise::White { rms_db: -75.0 }],
        seed: 500 + 2 * seed + microphone,
        ..Scene::plain(rate(), Source::Wheel(wheel), strikes)
    }
    .play()
    .unwrap()
}

/// The pairs of a damped wheel are no echo, and its echo is no pairs: with the direct sound 20 dB over
/// it, where a reading is still to be had, an echo is found for each of eight wheels, without a room
/// for none.
#[test]
fn a_damped_wheel_has_an_echo_in_a_room_and_none_without() {
    for seed in 0..8 {
        for here in [None, Some(room(0.4, 20.0, 700 + seed))] {
            let made = tapped(BondLoss::RESINOID, here, seed, 0);
            let mut listener = Listener::new(rate());
            let mut takes = listener.push(made.clip.samples(), 0);
            takes.extend(listener.finish().0);
            let views: Vec<&TapTake> = takes.iter().collect();
            let echo = solve(&views).echo;
            assert_eq!(echo.is_some(), here.is_some(), "seed {seed}: {echo:?}");
        }
    }
}

fn write_two(path: &Path, a: &[f64], b: &[f64]) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE_HZ,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut out = hound::WavWriter::create(path, spec).unwrap();
    for (a, b) in a.iter().zip(b) {
        for v in [a, b] {
            out.write_sample((v * 32_767.0).round() as i16).unwrap();
        }
    }
    out.finalize().unwrap();
}

/// Relative errors of the decays of all accepted modes, and how many modes are none of the wheel's.
fn errors(path: &Path, truth: &MadeTake) -> (Vec<f64>, usize, Option<u32>) {
    let read = read_sounding(&[Input::Path(path.to_owned())], &ReadSettings::default());
    let record = read.unwrap().record;
    assert_eq!(record.taps.len(), 4, "{:?}", record.warnings);
    let (mut errors, mut invented) = (Vec::new(), 0);
    for mode in &record.modes {
        let near = truth.truth.iter().min_by(|a, b| {
            let gap = |t: &&fourtap::ring::synth::TrueMode| (t.freq_hz - mode.freq_hz).abs();
            gap(a).total_cmp(&gap(b))
        });
        let near = near.unwrap();
        if (near.freq_hz - mode.freq_hz).abs() < 0.75 * near.decay_per_s / std::f64::consts::PI {
            let truth_s = 1000f64.ln() / near.decay_per_s;
            errors.push((mode.ring_time_s / truth_s - 1.0).abs());
        } else {
            invented += 1;
        }
    }
    (errors, invented, record.files[0].second_channel)
}

/// Over eight wheels the median error of the decays with a second microphone is smaller than with one
/// alone: its echo is another.
#[test]
fn a_second_microphone_helps() {
    let folder = tempfile::tempdir().unwrap();
    let (mut one, mut two) = (Vec::new(), Vec::new());
    for seed in 0..8 {
        let (a, b) = (heard(seed, 0), heard(seed, 1));
        let mono = folder.path().join("one.wav");
        write_mono(&mono, rate(), a.clip.samples(), SampleKind::Int16).unwrap();
        let both = folder.path().join("two.wav");
        write_two(&both, a.clip.samples(), b.clip.samples());
        let (alone, invented, second) = errors(&mono, &a);
        assert_eq!(second, None);
        let (together, more, second) = errors(&both, &a);
        assert!(second.is_some(), "seed {seed}");
        assert!(
            more <= invented + 1,
            "seed {seed}: {more} invented, alone {invented}"
        );
        one.extend(alone);
        two.extend(together);
    }
    let median = |v: &mut Vec<f64>| {
        v.sort_by(f64::total_cmp);
        v[v.len() / 2]
    };
    let (one, two) = (median(&mut one), median(&mut two));
    assert!(two < one, "two microphones {two}, one {one}");
}

/// The same sound in both channels is one microphone, however loud the copy.
#[test]
fn a_copy_is_no_second_microphone() {
    let folder = tempfile::tempdir().unwrap();
    let a = heard(3, 0);
    let softer: Vec<f64> = a.clip.samples().iter().map(|v| 0.6 * v).collect();
    for (name, copy) in [("same", a.clip.samples()), ("softer", &softer)] {
        let path = folder.path().join(format!("{name}.wav"));
        write_two(&path, a.clip.samples(), copy);
        assert_eq!(errors(&path, &a).2, None, "{name}");
    }
}

/// In a live room the first tap already says what to change, before the last spot is struck; once.
#[test]
fn a_live_sounding_says_what_the_room_does_while_it_can_be_helped() {
    use std::io::Write as _;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("room.wav");
    let a = heard(2, 0);
    write_mono(&path, rate(), a.clip.samples(), SampleKind::Int16).unwrap();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(["sound", "--plain", "--from"])
        .arg(&path)
        .arg("--store")
        .arg(folder.path().join("store"))
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let mut words = child.stdin.take().unwrap();
    words.write_all(b"r\nr\nr\nr\n").unwrap();
    drop(words);
    let out = child.wait_with_output().unwrap();
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    let advice = told.find("bring the microphone to").expect(&told);
    let last = told.rfind("heard the tap at spot").expect(&told);
    assert!(advice < last, "{told}");
    assert_eq!(told.matches("bring the microphone to").count(), 1, "{told}");
}
