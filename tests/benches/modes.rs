//! Errors of measured modes over what theory allows, on made-up damped tones with known truth.
//!
//! `cargo bench --bench modes [-- trials=12 only=bound|pairs|disturbed]`; the tables stand in
//! `docs/method.md`. Seeds start at 40 000: no test and no fixture uses them.
//!
//! The bound is that of Cramer and Rao for one damped tone in white noise of variance s2 (Fisher
//! information of an exponentially damped sinusoid, closed form for a long record): with
//! `H = A^2 fs / (4 delta s2)` at the start of the window, `sd(delta) = 2 delta/sqrt(H)` and
//! `sd(f) = delta/(pi sqrt(H))`; for each of a pair of equals k half-power widths apart
//! `1 + 1/k^2` times as much.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::f64::consts::{PI, TAU};

use fourtap::ring::estimate::solve;
use fourtap::ring::listen::Listener;
use fourtap::ring::mode::Mode;
use fourtap::ring::plate::Material;
use fourtap::ring::synth::{
    BondLoss, Bounce, DampedTone, Imperfection, MadeTake, Noise, Room, Scene, Source, Strike,
    WheelModel, damped_modes,
};
use fourtap::ring::take::TapTake;
use fourtap::signal::clip::Clip;
use fourtap::units::{LN_1000, SampleRate};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const RATES_HZ: [u32; 3] = [44_100, 48_000, 96_000];
const FIRST_SEED: u64 = 40_000;
/// The estimator gives no line of less than this quality factor, a setting of its own.
const LEAST_Q: f64 = 10.0;

/// Tones in white noise of standard deviation `noise`, half a second of quiet before.
fn take(tones: &[DampedTone], rate: SampleRate, noise: f64, length_s: f64, seed: u64) -> TapTake {
    let strike = rate.samples(0.5);
    let end = strike + rate.samples(length_s);
    let made = damped_modes(rate, tones, 0.5, end);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let samples = made
        .samples()
        .iter()
        .map(|x| {
            let g: f64 = StandardNormal.sample(&mut rng);
            x + noise * g
        })
        .collect();
    TapTake {
        clip: Clip::new(samples, rate),
        time_s: 0.5,
        strike,
        quiet: 0..strike - rate.samples(0.004),
        decay: strike..end,
        microphone: 0,
        flaws: Vec::new(),
        level_db: 40.0,
        tonal_share: 1.0,
    }
}

fn quantile(values: &[f64], p: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => f64::NAN,
        n => sorted[((n - 1) as f64 * p).round() as usize],
    }
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

/// Errors over the bound and over the stated deviation.
#[derive(Default, Clone)]
struct Tally {
    freq: Vec<f64>,
    decay: Vec<f64>,
    freq_z: Vec<f64>,
    decay_z: Vec<f64>,
    possible: usize,
    missed: usize,
    extra: usize,
    solves: usize,
}

impl Tally {
    fn join(&mut self, other: &Self) {
        self.freq.extend(&other.freq);
        self.decay.extend(&other.decay);
        self.freq_z.extend(&other.freq_z);
        self.decay_z.extend(&other.decay_z);
        self.possible += other.possible;
        self.missed += other.missed;
        self.extra += other.extra;
        self.solves += other.solves;
    }

    fn add(&mut self, tones: &[DampedTone], modes: &[Mode], rate: SampleRate, noise: f64) {
        self.solves += 1;
        let mut used = vec![false; modes.len()];
        for tone in tones {
            let delta = tone.decay_per_s;
            let near = (0..modes.len())
                .filter(|k| (modes[*k].freq_hz - tone.freq_hz).abs() < delta)
                .min_by(|a, b| {
                    let d = |k: &usize| (modes[*k].freq_hz - tone.freq_hz).abs();
                    d(a).total_cmp(&d(b))
                });
            let start_s = near.map_or(0.003, |k| modes[k].fitted_s.0);
            let a = tone.amplitude * (-delta * start_s).exp();
            let h = a * a * rate.hz() / (4.0 * delta * noise * noise);
            let possible = 2.0 / h.sqrt() < 0.15;
            self.possible += usize::from(possible);
            match near {
                Some(k) => {
                    used[k] = true;
                    if possible {
                        let m = &modes[k];
                        let (df, dd) = (m.freq_hz - tone.freq_hz, m.decay_per_s - delta);
                        self.freq.push(df / (delta / (PI * h.sqrt())));
                        self.decay.push(dd / (2.0 * delta / h.sqrt()));
                        self.freq_z.push(df / m.freq_std_hz);
                        self.decay_z.push(dd / m.decay_std_per_s);
                    }
                }
                None => self.missed += usize::from(possible),
            }
        }
        self.extra += used.iter().filter(|u| !**u).count();
    }

    /// Share within 1.96 stated standard deviations, frequencies and decays together, in %.
    fn covered(&self) -> f64 {
        let all = self.freq_z.iter().chain(&self.decay_z);
        let n = self.freq_z.len() + self.decay_z.len();
        100.0 * all.filter(|z| z.abs() < 1.96).count() as f64 / n.max(1) as f64
    }

    fn row(&self, name: &str) -> String {
        format!(
            "| {name} | {:.2} | {:.2} | {:.1} | {} of {} | {} in {} |",
            rms(&self.freq),
            rms(&self.decay),
            self.covered(),
            self.missed,
            self.possible,
            self.extra,
            self.solves
        )
    }
}

/// Four tones of one decay time and level, each in its own quarter (in octaves) of 0.3 to 12 kHz,
/// as far as they have the least quality factor.
fn four_tones(t60_s: f64, rng: &mut ChaCha8Rng) -> Vec<DampedTone> {
    let delta = LN_1000 / t60_s;
    let mut tones: Vec<DampedTone> = Vec::new();
    for quarter in 0..4 {
        let place = 0.25 * (f64::from(quarter) + rng.random::<f64>());
        let tone = DampedTone {
            freq_hz: 300.0 * 40f64.powf(place),
            decay_per_s: delta,
            amplitude: 0.1,
            phase_rad: TAU * rng.random::<f64>(),
        };
        let apart = tones
            .last()
            .is_none_or(|o| tone.freq_hz - o.freq_hz > 12.0 * delta / PI);
        if PI * tone.freq_hz / delta > LEAST_Q && apart {
            tones.push(tone);
        }
    }
    tones
}

fn bound(trials: u64) {
    println!("\nRMSE over the bound of one tone; SNR is peak power over the noise of the band\n");
    let head = "f | T60 | within 1.96 std, % | missed | invented, solves |";
    let times = [0.03, 0.1, 0.3, 1.0, 3.0];
    let snrs = [10, 20, 30, 40, 50, 60];
    let mut by_time = vec![Tally::default(); times.len()];
    let mut by_snr = vec![Tally::default(); snrs.len()];
    let mut by_rate = vec![Tally::default(); RATES_HZ.len()];
    let mut all = Tally::default();
    println!("| T60 s, SNR dB | {head}");
    println!("| --- | --- | --- | --- | --- | --- |");
    for (i, &t60_s) in times.iter().enumerate() {
        for (j, &snr_db) in snrs.iter().enumerate() {
            let mut cell = Tally::default();
            for trial in 0..trials {
                let seed = FIRST_SEED + 1000 * (10 * i + j) as u64 + trial;
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                let which = (trial % 3) as usize;
                let rate = SampleRate::new(RATES_HZ[which]).unwrap();
                let tones = four_tones(t60_s, &mut rng);
                let noise = 0.1 / (2.0 * 10f64.powf(0.1 * f64::from(snr_db))).sqrt();
                let length_s = (1.2 * t60_s).clamp(0.3, 3.0);
                let solved = solve(&[&take(&tones, rate, noise, length_s, seed + 500)]);
                let mut one = Tally::default();
                one.add(&tones, &solved.modes, rate, noise);
                cell.join(&one);
                by_rate[which].join(&one);
            }
            println!("{}", cell.row(&format!("{t60_s}, {snr_db}")));
            by_time[i].join(&cell);
            by_snr[j].join(&cell);
            all.join(&cell);
        }
    }
    println!("\n| all of | {head}");
    println!("| --- | --- | --- | --- | --- | --- |");
    for (tally, t60_s) in by_time.iter().zip(times) {
        println!("{}", tally.row(&format!("T60 {t60_s} s")));
    }
    for (tally, snr_db) in by_snr.iter().zip(snrs) {
        println!("{}", tally.row(&format!("SNR {snr_db} dB")));
    }
    for (tally, rate_hz) in by_rate.iter().zip(RATES_HZ) {
        println!("{}", tally.row(&format!("{rate_hz} Hz")));
    }
    println!("{}", all.row("all"));
    let median = |v: &[f64]| {
        let sizes: Vec<f64> = v.iter().map(|x| x.abs()).collect();
        quantile(&sizes, 0.5) / 0.6745
    };
    let beyond = all.freq.iter().chain(&all.decay).filter(|z| z.abs() > 5.0);
    println!(
        "median error over that of the bound: f {:.2}, T60 {:.2}; {} of {} errors beyond 5 bounds",
        median(&all.freq),
        median(&all.decay),
        beyond.count(),
        2 * all.freq.len()
    );
    // T60 falls as the decay rises; what is left of the mean is bias.
    let mean = all.decay.iter().sum::<f64>() / all.decay.len().max(1) as f64;
    println!("mean error of the decay rate over its bound: {mean:.2}");
}

/// Chance to see two lines in a pair of equals, by distance and energy; one tap.
fn pairs(trials: u64) {
    let rate = SampleRate::new(48_000).unwrap();
    let widths = [0.125, 0.25, 0.5, 1.0, 2.0, 4.0];
    println!(
        "\nPairs seen as two, % (and rms error of f over the bound of a pair); 0 wide: one tone\n"
    );
    println!(
        "| energy over noise density dB | one tone | 0.125 | 0.25 | 0.5 | 1 | 2 | 4 widths | the limit |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for (j, energy_db) in [28.0, 38.0, 48.0, 58.0, 68.0].into_iter().enumerate() {
        let mut row = format!("| {energy_db:.0} |");
        // What is stated with every mode, in half-power widths; tried more often.
        let limit = 0.9 * 2f64.powf(-(energy_db - 48.0) / 10.0) / (LN_1000 / PI);
        for (i, &k) in [0.0].iter().chain(&widths).chain([&limit]).enumerate() {
            let trials = if i > widths.len() { 6 * trials } else { trials };
            let (mut two, mut errors) = (0, Vec::new());
            for trial in 0..trials {
                let seed = FIRST_SEED + 500_000 + 1000 * (10 * i + j) as u64 + trial;
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                let delta = LN_1000 / (0.2 * 6f64.powf(rng.random::<f64>()));
                let freq_hz = 1000.0 * 8f64.powf(rng.random::<f64>());
                let mut tones = vec![];
                for side in [-0.5, 0.5] {
                    tones.push(DampedTone {
                        freq_hz: freq_hz + side * k * delta / PI,
                        decay_per_s: delta,
                        amplitude: 0.1,
                        phase_rad: TAU * rng.random::<f64>(),
                    });
                }
                if k == 0.0 {
                    tones.truncate(1);
                }
                let start = 0.1 * (-0.003 * delta).exp();
                let h = 10f64.powf(0.1 * energy_db);
                let noise = (start * start * rate.hz() / (4.0 * delta * h)).sqrt();
                let length_s = (1.5 * LN_1000 / delta).max(0.4);
                let modes = solve(&[&take(&tones, rate, noise, length_s, seed + 500)]).modes;
                let near: Vec<&Mode> = modes
                    .iter()
                    .filter(|m| (m.freq_hz - freq_hz).abs() < (0.5 * k + 2.0) * delta / PI)
                    .collect();
                if near.len() >= 2 {
                    two += 1;
                    if k > 0.0 && near.len() == 2 {
                        let bound = delta / (PI * h.sqrt()) * (1.0 + 1.0 / (k * k));
                        for (m, tone) in near.iter().zip(&tones) {
                            errors.push((m.freq_hz - tone.freq_hz) / bound);
                        }
                    }
                }
            }
            row.push_str(&format!(" {:.0}", 100.0 * f64::from(two) / trials as f64));
            if errors.len() >= 10 {
                row.push_str(&format!(" ({:.1})", rms(&errors)));
            }
            row.push_str(" |");
        }
        println!("{row}");
    }
}

/// Chance to see two lines in a pair in four taps that mix its tones each in its own way: as
/// `cos t` and `sin t`, t at random. The energy is the mean of each tone's in a tap.
fn pairs_in_four_taps(trials: u64) {
    let rate = SampleRate::new(48_000).unwrap();
    println!("\nPairs seen as two in four taps, %, over their split in half-power widths\n");
    println!("| taps, energy over noise density dB | one tone | half the target | the target |");
    println!("| --- | --- | --- | --- |");
    for (j, (energy_db, target)) in [(28.0, 2.0), (38.0, 0.5), (48.0, 0.125)]
        .into_iter()
        .enumerate()
    {
        // Targets are splits in Hz times T60.
        let target = target / (LN_1000 / PI);
        let mut row = format!("| four taps, {energy_db:.0} |");
        for (i, k) in [0.0, 0.5 * target, target].into_iter().enumerate() {
            let mut two = 0;
            for trial in 0..trials {
                let seed = FIRST_SEED + 600_000 + 1000 * (10 * i + j) as u64 + trial;
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                let delta = LN_1000 / (0.2 * 6f64.powf(rng.random::<f64>()));
                let freq_hz = 1000.0 * 8f64.powf(rng.random::<f64>());
                let start = 0.1 * (-0.003 * delta).exp();
                let h = 10f64.powf(0.1 * energy_db);
                let noise = (start * start * rate.hz() / (4.0 * delta * h)).sqrt();
                let length_s = (1.5 * LN_1000 / delta).max(0.4);
                let takes: Vec<TapTake> = (0..4)
                    .map(|tap| {
                        let (sine, cosine) = (TAU * rng.random::<f64>()).sin_cos();
                        let phase_rad = TAU * rng.random::<f64>();
                        let mut tones: Vec<DampedTone> = [(-0.5, cosine), (0.5, sine)]
                            .into_iter()
                            .map(|(side, share)| DampedTone {
                                freq_hz: freq_hz + side * k * delta / PI,
                                decay_per_s: delta,
                                amplitude: 0.1 * 2f64.sqrt() * share,
                                phase_rad,
                            })
                            .collect();
                        if i == 0 {
                            tones.truncate(1);
                        }
                        take(&tones, rate, noise, length_s, seed + 500 + 7000 * tap)
                    })
                    .collect();
                let modes = solve(&takes.iter().collect::<Vec<_>>()).modes;
                let near = modes
                    .iter()
                    .filter(|m| (m.freq_hz - freq_hz).abs() < (0.5 * k + 2.0) * delta / PI);
                two += u64::from(near.count() >= 2);
            }
            row.push_str(&format!(" {:.0}", 100.0 * two as f64 / trials as f64));
            if i > 0 {
                row.push_str(&format!(" ({k:.2})"));
            }
            row.push_str(" |");
        }
        println!("{row}");
    }
}

const SIZES_M: [[f64; 3]; 3] = [
    [0.190, 0.022, 0.032],
    [0.165, 0.016, 0.020],
    [0.240, 0.028, 0.0508],
];

fn scene(loss: BondLoss, seed: u64) -> Scene {
    let material = Material {
        youngs_pa: 32e9 + 5e9 * (seed % 4) as f64,
        density_kg_m3: 2200.0,
        poisson: 0.2,
    };
    let size = SIZES_M[(seed % 3) as usize];
    let wheel = WheelModel::sound(size, material, loss, Imperfection::usual(FIRST_SEED + seed));
    let strike = Strike {
        mic_rad: 0.5 + 0.1 * (seed % 5) as f64,
        ..Strike::at(0.3 + 0.2 * (seed % 7) as f64)
    };
    Scene {
        tail_s: 1.5,
        noise: vec![Noise::White { rms_db: -75.0 }],
        seed: FIRST_SEED + 700_000 + seed,
        ..Scene::plain(
            SampleRate::new(48_000).unwrap(),
            Source::Wheel(wheel),
            vec![strike],
        )
    }
}

fn first_take(made: &MadeTake) -> Option<TapTake> {
    let mut listener = Listener::new(made.clip.rate());
    let mut takes = listener.push(made.clip.samples(), 0);
    takes.extend(listener.finish().0);
    takes.into_iter().next()
}

/// A change to a scene that disturbs its tap.
type Disturb = fn(&mut Scene);

/// Errors of T60 in % of true tones within 25 dB of the strongest, one tap.
fn disturbed(trials: u64) {
    let cases: [(&str, Disturb); 5] = [
        ("nothing", |_| {}),
        ("clipped 12 dB", |s| {
            s.peak_db = 0.0;
            s.clip_at = Some(0.25);
        }),
        ("second contact after 12 ms, -6 dB", |s| {
            s.strikes[0].bounce = Some(Bounce {
                after_s: 0.012,
                level_db: -6.0,
            });
        }),
        ("hum, -30 dB", |s| {
            s.noise.push(Noise::Hum {
                mains_hz: 50.0,
                harmonics: 40,
                rms_db: -30.0,
            })
        }),
        ("room 0.4 s, direct 20 dB over it", |s| {
            s.room = Some(Room {
                t60_s: 0.4,
                treble_share: 0.6,
                direct_over_tail_db: 20.0,
                seed: 7 + s.seed,
            });
        }),
    ];
    println!("\nT60 of one tap, disturbed\n");
    println!(
        "| wheels | disturbed by | bias % | median error % | 90th percentile % | found | invented | flagged |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    for (bond, loss) in [
        ("vitrified", BondLoss::VITRIFIED),
        ("resinoid", BondLoss::RESINOID),
    ] {
        for (name, disturb) in cases {
            let (mut errors, mut strong, mut extra, mut flagged) = (Vec::new(), 0, 0, 0);
            for seed in 0..trials {
                let mut scene = scene(loss, seed);
                disturb(&mut scene);
                let made = scene.play().unwrap();
                let Some(take) = first_take(&made) else {
                    continue;
                };
                flagged += usize::from(!take.flaws.is_empty());
                let modes = solve(&[&take]).modes;
                let energy = |a: f64, d: f64| a * a / d;
                let of =
                    |t: &fourtap::ring::synth::TrueMode| energy(t.amplitudes[0], t.decay_per_s);
                let top = made.truth.iter().map(of).fold(0.0, f64::max);
                for t in &made.truth {
                    if of(t) < top / 316.0 || t.freq_hz < 250.0 {
                        continue;
                    }
                    strong += 1;
                    let width = t.decay_per_s / PI;
                    let near = modes
                        .iter()
                        .filter(|m| (m.freq_hz - t.freq_hz).abs() < 0.5 * width.max(1.0))
                        .min_by(|a, b| {
                            let d = |m: &Mode| (m.freq_hz - t.freq_hz).abs();
                            d(a).total_cmp(&d(b))
                        });
                    if let Some(m) = near {
                        errors.push(100.0 * (t.decay_per_s / m.decay_per_s - 1.0));
                    }
                }
                extra += modes
                    .iter()
                    .filter(|m| {
                        made.truth.iter().all(|t| {
                            let width = t.decay_per_s.max(m.decay_per_s) / PI;
                            (m.freq_hz - t.freq_hz).abs() > width.max(1.0)
                        })
                    })
                    .count();
            }
            let sizes: Vec<f64> = errors.iter().map(|e: &f64| e.abs()).collect();
            println!(
                "| {bond} | {name} | {:.2} | {:.2} | {:.1} | {} of {strong} | {extra} | {flagged} of {trials} |",
                quantile(&errors, 0.5),
                quantile(&sizes, 0.5),
                quantile(&sizes, 0.9),
                errors.len(),
            );
        }
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let of = |name: &str| arguments.iter().find_map(|a| a.strip_prefix(name));
    let trials: u64 = of("trials=").and_then(|v| v.parse().ok()).unwrap_or(12);
    let only = of("only=");
    let wanted = |part: &str| only.is_none_or(|o| o == part);
    if wanted("bound") {
        bound(trials);
    }
    if wanted("pairs") {
        pairs(2 * trials);
        pairs_in_four_taps(5 * trials);
    }
    if wanted("disturbed") {
        disturbed(trials);
    }
}
