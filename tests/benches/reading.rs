//! How long it takes to read made-up recordings, beside yardsticks of the same length.
//!
//! `cargo bench` prints the times; docs/method.md keeps them as ratios. On a shared machine
//! compare the fastest of each.

#![allow(clippy::unwrap_used, missing_docs)]

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use divan::{Bencher, black_box};
use fourtap::audio::wav_out::{SampleKind, write_mono};
use fourtap::audio::{Input, Recording, Source};
use fourtap::ring::listen::Listener;
use fourtap::ring::measure::measure;
use fourtap::ring::plate::Material;
use fourtap::ring::synth::{
    BondLoss, Imperfection, Noise, Scene, Source as Struck, WheelModel, turned_under_mic,
};
use fourtap::ring::take::TapTake;
use fourtap::signal::clip::Clip;
use fourtap::tasks::read_soundings::{ReadSettings, read_sounding};
use fourtap::units::SampleRate;
use rayon::prelude::*;
use realfft::RealFftPlanner;
use tempfile::TempDir;

/// Recordings in the folder.
const MANY: u64 = 200;

fn main() {
    divan::main();
}

/// Four taps on a vitrified wheel of 200x20x32 mm, 4.5 s at 48 kHz, noise of -60 dB.
fn four_taps(seed: u64) -> Clip {
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
    let spots = [0.0, 90.0, 180.0, 270.0].map(f64::to_radians);
    let strikes = turned_under_mic(&spots, 0.1);
    let scene = Scene {
        noise: vec![Noise::White { rms_db: -60.0 }],
        seed,
        ..Scene::plain(
            SampleRate::new(48_000).unwrap(),
            Struck::Wheel(wheel),
            strikes,
        )
    };
    scene.play().unwrap().clip
}

fn write(clip: &Clip, path: &Path) {
    write_mono(path, clip.rate(), clip.samples(), SampleKind::Int24).unwrap();
}

fn takes(clip: &Clip) -> Vec<TapTake> {
    let mut listener = Listener::new(clip.rate());
    let mut takes = listener.push(clip.samples(), 0);
    takes.extend(listener.finish().0);
    assert_eq!(takes.len(), 4);
    takes
}

fn read(path: &Path) {
    let read = read_sounding(&[Input::Path(path.to_owned())], &ReadSettings::default()).unwrap();
    assert_eq!(read.record.taps.len(), 4);
    black_box(read);
}

/// A folder of recordings, made once.
static FOLDER: LazyLock<(TempDir, Vec<PathBuf>)> = LazyLock::new(|| {
    let folder = TempDir::new().unwrap();
    let paths: Vec<PathBuf> = (0..MANY)
        .map(|k| folder.path().join(format!("{k:03}.wav")))
        .collect();
    paths
        .par_iter()
        .enumerate()
        .for_each(|(k, path)| write(&four_taps(k as u64), path));
    (folder, paths)
});

#[divan::bench(sample_count = 5, sample_size = 1)]
fn one_tap_measured(bencher: Bencher) {
    let takes = takes(&four_taps(0));
    bencher.bench_local(|| measure(black_box(&takes[0])));
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn four_taps_heard_only(bencher: Bencher) {
    let clip = four_taps(0);
    bencher.bench_local(|| takes(black_box(&clip)));
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn four_taps_read(bencher: Bencher) {
    let path = &FOLDER.1[0];
    bencher.bench_local(|| read(path));
}

#[divan::bench(sample_count = 1, sample_size = 1)]
fn folder_of_200_read_on_all_cores(bencher: Bencher) {
    let paths = &FOLDER.1;
    bencher.bench_local(|| paths.par_iter().for_each(|path| read(path)));
}

/// Yardstick: one real FFT over the whole recording, the plan made before.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn yardstick_fft_of_the_recording(bencher: Bencher) {
    let clip = four_taps(0);
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(clip.samples().len());
    let mut spectrum = fft.make_output_vec();
    bencher.bench_local(|| {
        let mut samples = clip.samples().to_vec();
        fft.process(&mut samples, &mut spectrum).unwrap();
        black_box(&spectrum);
    });
}

/// Yardstick: the recording opened and all its samples decoded.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn yardstick_decode_of_the_recording(bencher: Bencher) {
    let path = &FOLDER.1[0];
    bencher.bench_local(|| {
        let recording = Recording::open(&Input::Path(path.clone())).unwrap();
        let mut player = recording.play(0).unwrap();
        while let Some(chunk) = player.next_chunk().unwrap() {
            black_box(chunk);
        }
    });
}
