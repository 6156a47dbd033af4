//! Many recordings in one run of the built program: time, how busy the cores are, and memory, beside
//! decoding the same files. `FOURTAP_SCALE=10000 cargo bench --bench scale` is the run of
//! docs/scale.md; without it 40 and 160 recordings are read.

#![allow(clippy::unwrap_used, clippy::print_stdout, missing_docs)]

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use fourtap::audio::wav_out::{SampleKind, write_mono};
use fourtap::audio::{Input, Recording, Source as _};
use fourtap::ring::plate::Material;
use fourtap::ring::synth::{
    BondLoss, Imperfection, Noise, Scene, Source as Struck, WheelModel, turned_under_mic,
};
use fourtap::units::SampleRate;
use rayon::prelude::*;

/// Recordings that are different; more are copies of them under other names.
const DIFFERENT: u64 = 40;

/// Four taps on a vitrified wheel of 200x20x32 mm, 4.5 s at 48 kHz, noise of -60 dB.
fn write_taps(path: &Path, seed: u64) {
    let material = Material {
        youngs_pa: 45e9,
        density_kg_m3: 2300.0,
        poisson: 0.2,
    };
    let size = [0.2, 0.02, 0.032];
    let wheel = WheelModel::sound(
        size,
        material,
        BondLoss::VITRIFIED,
        Imperfection::usual(seed),
    );
    let spots = [0.0, 90.0, 180.0, 270.0].map(f64::to_radians);
    let rate = SampleRate::new(48_000).unwrap();
    let scene = Scene {
        noise: vec![Noise::White { rms_db: -60.0 }],
        seed,
        ..Scene::plain(rate, Struck::Wheel(wheel), turned_under_mic(&spots, 0.1))
    };
    let clip = scene.play().unwrap().clip;
    write_mono(path, rate, clip.samples(), SampleKind::Int16).unwrap();
}

/// What a run took.
struct Run {
    wall_s: f64,
    cpu_s: f64,
    peak_mb: f64,
}

/// Processor time of the children that have ended, in seconds.
fn children_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after = stat.rsplit(')').next().unwrap_or("");
    let ticks = after.split_whitespace().skip(13).take(2);
    ticks.filter_map(|t| t.parse::<f64>().ok()).sum::<f64>() / 100.0
}

fn read_all(folder: &Path, many: usize) -> Run {
    let (begin, before) = (Instant::now(), children_s());
    let mut child = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(["read", "--json", "--apart"])
        .arg(folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let out = child.stdout.take().unwrap();
    let status = format!("/proc/{}/status", child.id());
    let watch = std::thread::spawn(move || {
        let mut peak: f64 = 0.0;
        while let Ok(text) = std::fs::read_to_string(&status) {
            let line = text.lines().find(|l| l.starts_with("VmHWM"));
            let Some(kb) = line.and_then(|l| l.split_whitespace().nth(1)) else {
                break;
            };
            peak = peak.max(kb.parse::<f64>().unwrap_or(0.0) / 1024.0);
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        peak
    });
    let lines = std::io::BufRead::lines(std::io::BufReader::new(out)).count();
    let _ = child.wait().unwrap();
    assert_eq!(lines, many, "one object a recording");
    Run {
        wall_s: begin.elapsed().as_secs_f64(),
        cpu_s: children_s() - before,
        peak_mb: watch.join().unwrap(),
    }
}

/// Seconds to open, hash and decode all files, one after the other.
fn decode_s(folder: &Path) -> f64 {
    let begin = Instant::now();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let mut player = Recording::open(&Input::Path(path))
            .unwrap()
            .play(0)
            .unwrap();
        while let Some(chunk) = player.next_chunk().unwrap() {
            std::hint::black_box(chunk);
        }
    }
    begin.elapsed().as_secs_f64()
}

fn main() {
    let asked = std::env::var("FOURTAP_SCALE")
        .ok()
        .and_then(|n| n.parse().ok());
    let sizes: Vec<usize> = asked.map_or(vec![40, 160], |n: usize| vec![n / 4, n]);
    let root = tempfile::tempdir().unwrap();
    let first = root.path().join("different");
    std::fs::create_dir(&first).unwrap();
    (0..DIFFERENT)
        .into_par_iter()
        .for_each(|k| write_taps(&first.join(format!("{k}.wav")), k));
    let cores = std::thread::available_parallelism().unwrap().get() as f64;
    println!("recordings | s a recording | cores busy | peak MB | re decoding on one core");
    for many in sizes {
        let folder = root.path().join(format!("many-{many}"));
        std::fs::create_dir(&folder).unwrap();
        for k in 0..many {
            let from = first.join(format!("{}.wav", k as u64 % DIFFERENT));
            std::fs::hard_link(from, folder.join(format!("{k:06}.wav"))).unwrap();
        }
        let run = read_all(&folder, many);
        let decode = decode_s(&folder);
        println!(
            "{many} | {:.3} | {:.0} % | {:.0} | {:.0}",
            run.wall_s / many as f64,
            100.0 * run.cpu_s / (run.wall_s * cores),
            run.peak_mb,
            run.cpu_s / decode
        );
    }
}
