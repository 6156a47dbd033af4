//! Taps are found, placed and cut out of made-up scenes with known truth.

use std::f64::consts::{PI, TAU};

use fourtap::ring::flaw::Flaw;
use fourtap::ring::listen::{Listened, Listener, NoTaps, is_stray};
use fourtap::ring::take::TapTake;
use fourtap::units::{SampleRate, decay_per_s};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// A scene under construction.
struct Scene {
    rate: f64,
    x: Vec<f64>,
    dice: ChaCha8Rng,
}

/// Frequency in Hz, T60 in s, amplitude.
type Mode = (f64, f64, f64);

impl Scene {
    fn new(rate: u32, seconds: f64, seed: u64) -> Self {
        Self {
            rate: f64::from(rate),
            x: vec![0.0; (f64::from(rate) * seconds) as usize],
            dice: ChaCha8Rng::seed_from_u64(seed),
        }
    }

    fn normal(&mut self) -> f64 {
        self.dice.sample(StandardNormal)
    }

    /// A wheel from `low_hz` up: frequencies of irregular spacing, T60 around `t60`.
    fn wheel(&mut self, low_hz: f64, many: usize, t60: f64) -> Vec<Mode> {
        let mut freq = low_hz;
        let mut modes = Vec::new();
        for _ in 0..many {
            if freq > 0.4 * self.rate {
                break;
            }
            let spread = self.dice.random_range(0.5..1.5);
            let amp = self.dice.random_range(0.2..1.0);
            modes.push((freq, t60 * spread, amp));
            freq += low_hz * self.dice.random_range(0.15..1.1);
        }
        modes
    }

    /// Strikes `modes` at `at_s` by a half-sine force of `contact_s`; peak of the ring `gain`.
    fn strike(&mut self, at_s: f64, modes: &[Mode], contact_s: f64, gain: f64) {
        let start = (at_s * self.rate).ceil() as usize;
        let n = self.x.len().saturating_sub(start);
        let force: Vec<f64> = (0..(contact_s * self.rate) as usize + 2)
            .map(|i| {
                let t = (start + i) as f64 / self.rate - at_s;
                if t < contact_s { (PI * t / contact_s).sin() } else { 0.0 }
            })
            .collect();
        let mut ring = vec![0.0; n];
        for &(freq, t60, amp) in modes {
            let r = (-decay_per_s(t60) / self.rate).exp();
            let (w, mut y1, mut y2) = (TAU * freq / self.rate, 0.0, 0.0);
            for (i, out) in ring.iter_mut().enumerate() {
                let f = force.get(i).copied().unwrap_or(0.0);
                let y = 2.0 * r * w.cos() * y1 - r * r * y2 + w.sin() * f;
                y2 = y1;
                y1 = y;
                *out += amp * y;
            }
        }
        self.add(start, &ring, gain);
    }

    /// A dead tap: noise that dies away with `t60`.
    fn thud(&mut self, at_s: f64, t60: f64, gain: f64) {
        let start = (at_s * self.rate).ceil() as usize;
        let n = ((3.0 * t60 * self.rate) as usize).min(self.x.len().saturating_sub(start));
        let mut low = 0.0;
        let burst: Vec<f64> = (0..n)
            .map(|i| {
                let e = self.normal();
                low += 0.4 * (e - low);
                low * (-decay_per_s(t60) * i as f64 / self.rate).exp()
            })
            .collect();
        self.add(start, &burst, gain);
    }

    fn add(&mut self, start: usize, sound: &[f64], gain: f64) {
        let peak = sound.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        if peak > 0.0 {
            for (x, v) in self.x[start..].iter_mut().zip(sound) {
                *x += gain * v / peak;
            }
        }
    }

    /// Adds noise of the given rms (of its part from 300 Hz on, for hum and rumble).
    fn noise(&mut self, kind: Noise, rms: f64) {
        let (mut slow, mut mid) = (0.0, 0.0);
        let tones: Vec<(f64, f64, f64)> = (1..=24)
            .map(|k| (50.0 * f64::from(k), 1.0 / f64::from(k), self.dice.random_range(0.0..TAU)))
            .collect();
        let whine = self.dice.random_range(700.0..3000.0);
        for i in 0..self.x.len() {
            let t = i as f64 / self.rate;
            let e = self.normal();
            slow += 0.02 * (e - slow);
            mid += 0.2 * (e - mid);
            let tone = |f: f64| (TAU * f * t).sin();
            self.x[i] += rms
                * match kind {
                    Noise::White => e,
                    Noise::Pink => 3.0 * slow + 1.2 * mid + 0.3 * e,
                    Noise::Hum => {
                        0.1 * e
                            + 4.0
                                * tones
                                    .iter()
                                    .map(|&(f, a, p)| a * a * (TAU * f * t + p).sin())
                                    .sum::<f64>()
                    }
                    Noise::Machine => {
                        let turn = 1.0 + 0.3 * tone(24.7);
                        turn * (0.7 * e + mid) + 0.4 * tone(whine) + 0.3 * tone(2.03 * whine)
                    }
                };
        }
    }

    fn quantise(&mut self, bits: u32) {
        let full = f64::from(1_u32 << (bits - 1));
        for x in &mut self.x {
            *x = (*x * full).round().clamp(-full, full - 1.0) / full;
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Noise {
    White,
    Pink,
    Hum,
    Machine,
}

fn hear(rate: f64, x: &[f64]) -> (Vec<TapTake>, Listened) {
    let mut listener = Listener::new(SampleRate::new(rate as u32).unwrap());
    let mut takes = Vec::new();
    for chunk in x.chunks(4096) {
        takes.extend(listener.push(chunk, 0));
    }
    let (more, heard) = listener.finish();
    takes.extend(more);
    assert_eq!(heard.found, takes.len());
    (takes, heard)
}

fn kinds(take: &TapTake) -> Vec<&'static str> {
    take.flaws.iter().map(Flaw::kind).collect()
}

/// Holds takes against true times: errors in ms of those found, missed, extra.
fn compare(takes: &[TapTake], truth: &[f64]) -> (Vec<f64>, usize, usize) {
    let mut errors = Vec::new();
    let mut missed = 0;
    for &t in truth {
        let nearest = takes
            .iter()
            .map(|take| (take.time_s - t) * 1e3)
            .min_by(|a, b| a.abs().total_cmp(&b.abs()));
        match nearest {
            Some(e) if e.abs() < 20.0 => errors.push(e),
            _ => missed += 1,
        }
    }
    let extra = takes.len() - errors.len().min(takes.len());
    (errors, missed, extra)
}

const RATES: [u32; 6] = [8_000, 16_000, 44_100, 48_000, 96_000, 192_000];
const NOISES: [Noise; 4] = [Noise::White, Noise::Pink, Noise::Hum, Noise::Machine];

#[test]
fn taps_of_all_wheels_are_found_in_all_noises() {
    let (mut errors, mut missed, mut extra, mut total, mut false_flaws) = (vec![], 0, 0, 0, vec![]);
    for seed in 0..72_u64 {
        let rate = RATES[seed as usize % 6];
        let mut scene = Scene::new(rate, 0.5, seed);
        let kind = NOISES[(seed as usize / 6) % 4];
        let snr_db = [15.0, 25.0, 40.0, 60.0][(seed as usize / 5) % 4];
        let gain = 10f64.powf(scene.dice.random_range(-60.0..-1.0) / 20.0);
        let low = (100.0 * 60f64.powf(scene.dice.random_range(0.0..1.0))).min(0.25 * f64::from(rate));
        let t60 = 0.03 * 100f64.powf(scene.dice.random_range(0.0..1.0));
        let many = scene.dice.random_range(2..40);
        let modes = scene.wheel(low, many, t60);
        let mut truth = vec![];
        let mut at = scene.dice.random_range(0.2..0.9);
        for _ in 0..5 {
            truth.push(at);
            at += scene.dice.random_range(0.3..2.0);
        }
        scene.x = vec![0.0; (at * scene.rate) as usize];
        for &at in &truth {
            let contact = scene.dice.random_range(0.0002..0.0008);
            let strength = gain * 10f64.powf(scene.dice.random_range(-6.0..0.0) / 20.0);
            scene.strike(at, &modes, contact, strength);
        }
        let first = (truth[0] * scene.rate) as usize;
        let ten_ms = (0.01 * scene.rate) as usize;
        let power = scene.x[first..first + ten_ms].iter().map(|v| v * v).sum::<f64>() / ten_ms as f64;
        scene.noise(kind, (power / 10f64.powf(snr_db / 10.0)).sqrt());
        let (takes, heard) = hear(scene.rate, &scene.x);
        let (e, m, x) = compare(&takes, &truth);
        total += truth.len();
        if m + x > 0 || e.iter().any(|v| v.abs() > 1.0) {
            println!(
                "seed {seed} rate {rate} {kind:?} snr {snr_db} low {low:.0} t60 {t60:.3} modes {} missed {m} extra {x} errors {e:.2?}",
                modes.len()
            );
            for p in heard.passed_over.iter().filter(|p| truth.iter().any(|t| (p.time_s - t).abs() < 0.02)) {
                println!("      passed {p:?}");
            }
        }
        for take in &takes {
            let wrong = |k: &&str| ["bounce", "clipped", "gap", "far", "cut off", "no quiet"].contains(k);
            for k in kinds(take).into_iter().filter(|k| wrong(k)) {
                false_flaws.push(format!("{seed} {rate} {kind:?} snr {snr_db} low {low:.0} t60 {t60:.3} modes {}: {k} at {:.3} {:?}", modes.len(), take.time_s, take.flaws));
            }
        }
        errors.extend(e.iter().map(|v| v.abs()));
        missed += m;
        extra += x;
    }
    errors.sort_by(f64::total_cmp);
    println!(
        "{total} taps: missed {missed}, extra {extra}, error median {:.3} ms, 95 % {:.3} ms, largest {:.3} ms",
        errors[errors.len() / 2],
        errors[errors.len() * 95 / 100],
        errors[errors.len() - 1]
    );
    for f in &false_flaws {
        println!("false flaw {f}");
    }
    assert_eq!((missed, extra), (0, 0));
    assert!(errors[errors.len() - 1] <= 1.0);
    assert!(errors[errors.len() / 2] <= 0.1);
    assert!(false_flaws.is_empty());
}

#[test]
fn thuds_are_found() {
    for seed in 0..24_u64 {
        let rate = RATES[seed as usize % 6];
        let mut scene = Scene::new(rate, 4.0, 100 + seed);
        let t60 = 0.010 + 0.05 * (seed as f64 / 23.0);
        let truth = [0.5, 1.13, 1.61, 3.2];
        for at in truth {
            scene.thud(at, t60, 0.3);
        }
        let kind = NOISES[seed as usize % 4];
        scene.noise(kind, if seed % 2 == 0 { 0.001 } else { 0.01 });
        let (takes, heard) = hear(scene.rate, &scene.x);
        let (e, m, x) = compare(&takes, &truth);
        assert_eq!((m, x), (0, 0), "seed {seed} {rate} {kind:?} {t60} {:?}", heard.passed_over);
        assert!(e.iter().all(|v| v.abs() <= 1.0), "seed {seed} {e:?}");
    }
}
