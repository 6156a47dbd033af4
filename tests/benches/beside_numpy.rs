//! The steps of a reading beside the same steps in numpy and scipy (`numpy_reading.py`), in one run
//! and on the same recording; and the memory of a reading. Needs `python3` with scipy.

#![allow(clippy::unwrap_used, clippy::print_stdout, missing_docs)]

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use fourtap::audio::wav_out::{SampleKind, write_mono};
use fourtap::audio::{Input, Recording, Source as _};
use fourtap::ring::estimate::{Room, solve, solve_in};
use fourtap::ring::listen::Listener;
use fourtap::ring::measure::measure;
use fourtap::ring::synth::{DampedTone, damped_modes};
use fourtap::ring::take::TapTake;
use fourtap::signal::clip::Clip;
use fourtap::tasks::read_soundings::{ReadSettings, read_sounding};
use fourtap::units::SampleRate;
use rand::SeedableRng as _;
use rand_distr::{Distribution as _, StandardNormal};
use realfft::RealFftPlanner;

/// Tones of the made-up wheel, single ones and pairs.
const TONES_HZ: [f64; 14] = [
    2166.0, 2168.5, 3300.0, 4950.0, 4958.0, 7223.0, 7226.0, 8200.0, 8210.0, 10100.0, 11850.0,
    11860.0, 14100.0, 14120.0,
];
/// The length of the recording in seconds: four taps with about one second of decay each.
const LENGTH_S: f64 = 4.5;

/// Four taps of tones that ring for 1 s at the lowest, in white noise of -60 dB.
fn recording() -> Clip {
    let rate = SampleRate::new(48_000).unwrap();
    let length = rate.samples(LENGTH_S);
    let mut sum = vec![0.0; length];
    for (tap, strike_s) in [0.5, 1.5, 2.5, 3.5].into_iter().enumerate() {
        let modes: Vec<DampedTone> = TONES_HZ
            .iter()
            .enumerate()
            .map(|(k, freq_hz)| DampedTone {
                freq_hz: *freq_hz,
                decay_per_s: 6.9 * freq_hz / TONES_HZ[0],
                amplitude: 0.2 * ((k + tap) as f64).cos() * TONES_HZ[0] / freq_hz,
                phase_rad: k as f64,
            })
            .collect();
        let tones = damped_modes(rate, &modes, strike_s, length);
        for (out, v) in sum.iter_mut().zip(tones.samples()) {
            *out += v;
        }
    }
    let loudest = sum.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
    for v in &mut sum {
        let noise: f64 = StandardNormal.sample(&mut rng);
        *v = 0.8 * *v / loudest + 1e-3 * noise;
    }
    Clip::new(sum, rate)
}

/// Seconds of the fastest of `times` runs.
fn fastest<T>(times: usize, mut job: impl FnMut() -> T) -> f64 {
    (0..times)
        .map(|_| {
            let begin = Instant::now();
            std::hint::black_box(job());
            begin.elapsed().as_secs_f64()
        })
        .fold(f64::INFINITY, f64::min)
}

fn takes(clip: &Clip) -> Vec<TapTake> {
    let mut listener = Listener::new(clip.rate());
    let mut takes = listener.push(clip.samples(), 0);
    takes.extend(listener.finish().0);
    takes
}

/// How many of the tones are among the found, within half of their half-power width, and how many
/// found are none of them.
fn right_and_wrong(found: &[f64]) -> (usize, usize) {
    let near = |a: f64, b: f64| (a - b).abs() < 0.5 * 6.9 * b / TONES_HZ[0] / std::f64::consts::PI;
    let right = TONES_HZ
        .iter()
        .filter(|t| found.iter().any(|f| near(*f, **t)));
    let wrong = found
        .iter()
        .filter(|f| !TONES_HZ.iter().any(|t| near(**f, *t)));
    (right.count(), wrong.count())
}

/// Largest memory of the built program while it reads the recording, in MB.
fn peak_mb(path: &Path) -> Option<f64> {
    let out = Command::new("/usr/bin/env")
        .args(["bash", "-c", "\"$0\" read --json \"$1\" >/dev/null & pid=$!; peak=0; while [ -e /proc/$pid/status ]; do now=$(awk '/VmHWM/{print $2}' /proc/$pid/status 2>/dev/null); [ -n \"$now\" ] && peak=$now; sleep 0.005; [ -n \"$now\" ] || break; done; echo $peak"])
        .arg(env!("CARGO_BIN_EXE_fourtap"))
        .arg(path)
        .output()
        .ok()?;
    let kb: f64 = String::from_utf8_lossy(&out.stdout).trim().parse().ok()?;
    Some(kb / 1024.0)
}

/// How the cost grows with the length of a recording and with the number of taps, as multiples of the
/// first of each.
fn growth(clip: &Clip, heard: &[TapTake]) {
    let line = |what: &str, of: Vec<(String, f64)>| {
        let first = of[0].1;
        let parts: Vec<String> = of
            .iter()
            .map(|(name, s)| format!("{name}: {:.2}", s / first))
            .collect();
        println!("{what} | {}", parts.join(", "));
    };
    let lengths = [1, 4, 16, 64].map(|times| {
        let long = Clip::new(clip.samples().repeat(times), clip.rate());
        (
            format!("{times} times as long"),
            fastest(3, || takes(&long)),
        )
    });
    line("hearing", lengths.to_vec());
    let many = [1, 2, 4, 8, 12].map(|taps| {
        let views: Vec<&TapTake> = heard.iter().cycle().take(taps).collect();
        (format!("{taps} taps"), fastest(3, || solve(&views)))
    });
    line("taps together", many.to_vec());
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("four-taps.wav");
    let clip = recording();
    write_mono(&path, clip.rate(), clip.samples(), SampleKind::Int16).unwrap();
    let mut whole = Vec::new();
    let mut player = Recording::open(&Input::Path(path.clone()))
        .unwrap()
        .play(0)
        .unwrap();
    while let Some(chunk) = player.next_chunk().unwrap() {
        whole.extend_from_slice(&chunk.samples);
    }
    let clip = Clip::new(whole, clip.rate());

    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(clip.samples().len());
    let look = fastest(20, || {
        let mut samples = clip.samples().to_vec();
        let mut spectrum = fft.make_output_vec();
        fft.process(&mut samples, &mut spectrum).unwrap();
        (takes(&clip), spectrum)
    });
    let heard = takes(&clip);
    assert_eq!(heard.len(), 4);
    let one = fastest(10, || measure(&heard[0]));
    let all: Vec<&TapTake> = heard.iter().collect();
    let together = fastest(5, || solve(&all));
    let chain = fastest(5, || {
        read_sounding(&[Input::Path(path.clone())], &ReadSettings::default()).unwrap()
    });
    let hz = |modes: &[fourtap::ring::mode::Mode]| -> Vec<f64> {
        modes.iter().map(|m| m.freq_hz).collect()
    };
    // Without what the script does not do: the room's echo, bands, flaws.
    let plain = Room::Known(None);
    let one_plain = fastest(10, || solve_in(&all[..1], plain));
    let together_plain = fastest(5, || solve_in(&all, plain));
    let own_one = right_and_wrong(&hz(&measure(&heard[0]).modes));
    let own_all = right_and_wrong(&hz(&solve(&all).modes));

    growth(&clip, &heard);

    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/benches/numpy_reading.py");
    let out = Command::new("python3")
        .arg(script)
        .arg(&path)
        // One core for both.
        .envs(["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"].map(|k| (k, "1")))
        .output();
    let told: Option<serde_json::Value> = out
        .ok()
        .filter(|o| o.status.success())
        .and_then(|o| serde_json::from_slice(&o.stdout).ok());
    let Some(told) = told else {
        println!("python3 with numpy and scipy is not here: nothing to compare with");
        return;
    };
    let theirs = |name: &str| told[name].as_f64().unwrap();
    let found = |name: &str| -> (usize, usize) {
        let list = told[name].as_array().unwrap();
        let hz: Vec<f64> = list.iter().filter_map(serde_json::Value::as_f64).collect();
        right_and_wrong(&hz)
    };
    let (their_one, their_all) = (found("one_tap_hz"), found("together_hz"));
    println!(
        "what | fourtap | its share of the sound | numpy {} | ratio",
        told["numpy"]
    );
    let line = |what: &str, own: f64, sound_s: f64, other: f64| {
        println!(
            "{what} | {:.1} ms | 1/{:.0} | {:.1} ms | {:.1}",
            own * 1e3,
            sound_s / own,
            other * 1e3,
            other / own
        );
    };
    let tap_s = clip.rate().seconds(heard[0].decay.len());
    line(
        "first look: taps and spectrum",
        look,
        LENGTH_S,
        theirs("first_look_s"),
    );
    line("one tap", one, tap_s, theirs("one_tap_s"));
    line(
        "four taps together",
        together,
        4.0 * tap_s,
        theirs("together_s"),
    );
    line(
        "one tap, the steps of both",
        one_plain,
        tap_s,
        theirs("one_tap_s"),
    );
    line(
        "four taps together, the steps of both",
        together_plain,
        4.0 * tap_s,
        theirs("together_s"),
    );
    line(
        "all of it",
        chain,
        LENGTH_S,
        theirs("first_look_s") + 4.0 * theirs("one_tap_s") + theirs("together_s"),
    );
    println!(
        "tones found of {}, and others: one tap {own_one:?}, numpy {their_one:?}; together {own_all:?}, numpy {their_all:?}",
        TONES_HZ.len()
    );
    if let Some(mb) = peak_mb(&path) {
        println!("largest memory of the program while it reads it: {mb:.0} MB");
    }
}
