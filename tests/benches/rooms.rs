//! What a room does to the modes: made-up wheels in made-up rooms, held against their truth.
//!
//! `cargo bench --bench rooms [-- wheels=8 from=0 bond=vitrified show]`; the table stands in
//! `docs/method.md`.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::time::Instant;

use fourtap::reading::baseline::{Sounded, build};
use fourtap::reading::compare::compare;
use fourtap::reading::matching::Line;
use fourtap::reading::{Damping, Reading};
use fourtap::ring::estimate::{Solved, solve, solve_in};
use fourtap::ring::listen::Listener;
use fourtap::ring::plate::Material;
use fourtap::ring::synth::{
    BondLoss, CrackFrom, Damage, Imperfection, MadeTake, Noise, Room, Scene, Source, Strike,
    WheelModel, turned_under_mic,
};
use fourtap::ring::take::TapTake;
use fourtap::units::SampleRate;

/// Sizes in m that no fixture has, and the stiffness and density drawn for them.
const SIZES_M: [[f64; 3]; 4] = [
    [0.150, 0.020, 0.020],
    [0.178, 0.025, 0.032],
    [0.250, 0.025, 0.0508],
    [0.125, 0.013, 0.020],
];

fn wheel(loss: BondLoss, seed: u64) -> WheelModel {
    let material = Material {
        youngs_pa: 30e9 + 4e9 * (seed % 6) as f64,
        density_kg_m3: 2100.0 + 50.0 * (seed % 5) as f64,
        poisson: 0.2,
    };
    WheelModel::sound(
        SIZES_M[(seed % 4) as usize],
        material,
        loss,
        Imperfection::usual(9000 + seed),
    )
}

/// Spots of the rule's turns in radians.
fn spots_rad() -> [f64; 4] {
    [-45.0f64, 45.0, -90.0, 0.0].map(f64::to_radians)
}

fn played(wheel: WheelModel, strikes: Vec<Strike>, room: Option<Room>, seed: u64) -> MadeTake {
    Scene {
        spacing_s: 1.2,
        tail_s: 1.2,
        room,
        noise: vec![
            Noise::White { rms_db: -80.0 },
            Noise::Pink { rms_db: -74.0 },
        ],
        seed,
        ..Scene::plain(
            SampleRate::new(48_000).unwrap(),
            Source::Wheel(wheel),
            strikes,
        )
    }
    .play()
    .unwrap()
}

/// `microphone`: 0 or 1, the second a few centimetres round the rim, with its own echo and noise.
fn made(loss: BondLoss, room: Option<Room>, seed: u64, microphone: u64) -> MadeTake {
    let offset = 0.3 + 0.1 * (seed % 7) as f64 + 0.25 * microphone as f64;
    let room = room.map(|r| Room {
        seed: r.seed + 5000 * microphone,
        ..r
    });
    let strikes = turned_under_mic(&spots_rad(), offset);
    played(
        wheel(loss, seed),
        strikes,
        room,
        500 + seed + 5000 * microphone,
    )
}

fn takes(made: &MadeTake) -> Vec<TapTake> {
    let mut listener = Listener::new(made.clip.rate());
    let mut out = listener.push(made.clip.samples(), 0);
    out.extend(listener.finish().0);
    out
}

#[derive(Default)]
struct Score {
    decay: Vec<f64>,
    freq: Vec<f64>,
    z: Vec<f64>,
    invented: usize,
    missed: usize,
    strong: usize,
    crowded: usize,
    solves: usize,
    lines: usize,
    fractions: Vec<f64>,
    eps: Vec<f64>,
    seconds: f64,
}

impl Score {
    fn add(&mut self, made: &MadeTake, solved: &Solved, taps: &[usize], seconds: f64) {
        self.solves += 1;
        self.seconds += seconds;
        self.lines += solved.modes.len() + solved.refused.len();
        self.crowded += usize::from(solved.crowded);
        self.eps.push(solved.room_misfit);
        self.fractions
            .extend(solved.ring_fractions.iter().flatten());
        let energy = |m: &fourtap::ring::synth::TrueMode| -> f64 {
            taps.iter().map(|t| m.amplitudes[*t].powi(2)).sum::<f64>() / m.decay_per_s
        };
        let reach = |d: f64| 0.75 * d / std::f64::consts::PI;
        for m in &solved.modes {
            let near = made
                .truth
                .iter()
                .filter(|t| {
                    (t.freq_hz - m.freq_hz).abs() < reach(t.decay_per_s.max(m.decay_per_s)).max(0.5)
                })
                .max_by(|a, b| {
                    let w = |t: &fourtap::ring::synth::TrueMode| {
                        energy(t) / (1.0 + ((t.freq_hz - m.freq_hz) / reach(t.decay_per_s)).powi(2))
                    };
                    w(a).total_cmp(&w(b))
                });
            match near {
                Some(t) => {
                    self.decay
                        .push(100.0 * (m.decay_per_s / t.decay_per_s - 1.0).abs());
                    self.freq.push(1e6 * (m.freq_hz / t.freq_hz - 1.0).abs());
                    self.z
                        .push((m.decay_per_s - t.decay_per_s) / m.decay_std_per_s);
                }
                None => self.invented += 1,
            }
        }
        // Missed: within 25 dB of the strongest and no accepted mode within two half-power widths.
        let top = made.truth.iter().map(&energy).fold(0.0, f64::max);
        for t in made
            .truth
            .iter()
            .filter(|t| energy(t) > top / 316.0 && t.freq_hz > 250.0)
        {
            self.strong += 1;
            let found = solved.modes.iter().any(|m| {
                (m.freq_hz - t.freq_hz).abs()
                    < (2.0 * t.decay_per_s / std::f64::consts::PI).max(2.0)
            });
            self.missed += usize::from(!found);
        }
    }

    fn print(&mut self, name: &str) {
        let q = |v: &mut Vec<f64>, p: f64| -> f64 {
            if v.is_empty() {
                return f64::NAN;
            }
            v.sort_by(f64::total_cmp);
            v[((v.len() - 1) as f64 * p) as usize]
        };
        let mut z: Vec<f64> = self.z.iter().map(|z| z.abs()).collect();
        println!(
            "{name:34} decay {:5.1} ({:5.1}) %  freq {:6.1} ({:6.0}) ppm |z| {:4.1} ({:4.1})  invented {:4.1}  missed {:3}/{:3}  lines {:4.1} crowded {:2}/{:2}  R {:.2} min {:.2}  eps {:.1e}  {:.2} s",
            q(&mut self.decay, 0.5),
            q(&mut self.decay, 0.9),
            q(&mut self.freq, 0.5),
            q(&mut self.freq, 0.9),
            q(&mut z, 0.5),
            q(&mut z, 0.9),
            self.invented as f64 / self.solves.max(1) as f64,
            self.missed,
            self.strong,
            self.lines as f64 / self.solves.max(1) as f64,
            self.crowded,
            self.solves,
            q(&mut self.fractions, 0.5),
            q(&mut self.fractions, 0.0),
            q(&mut self.eps, 0.5),
            self.seconds / self.solves.max(1) as f64,
        );
    }
}

/// Prints every line beside the nearest true tone.
fn show(made: &MadeTake, solved: &Solved) {
    println!(
        "echo {:?} eps {:.1e} R {:?}",
        solved.echo, solved.room_misfit, solved.ring_fractions
    );
    let all = solved
        .modes
        .iter()
        .map(|m| (m, ""))
        .chain(solved.refused.iter().map(|r| (&r.line, r.why.name())));
    for (m, why) in all {
        let near = made.truth.iter().min_by(|a, b| {
            (a.freq_hz - m.freq_hz)
                .abs()
                .total_cmp(&(b.freq_hz - m.freq_hz).abs())
        });
        if let Some(t) = near {
            println!(
                "  {:9.2} ± {:6.3} Hz  delta {:6.2} ± {:5.2}  {:5.1} dB {why:8} true {:9.2} Hz {:6.2}  {:?}",
                m.freq_hz,
                m.freq_std_hz,
                m.decay_per_s,
                m.decay_std_per_s,
                m.energy_db,
                t.freq_hz,
                t.decay_per_s,
                t.amplitudes
                    .iter()
                    .map(|a| (1e4 * a).round())
                    .collect::<Vec<_>>()
            );
        }
    }
    for t in &made.truth {
        println!(
            "      true {:9.2} Hz {:6.2}  {:?}",
            t.freq_hz,
            t.decay_per_s,
            t.amplitudes
                .iter()
                .map(|a| (1e4 * a).round())
                .collect::<Vec<_>>()
        );
    }
}

/// One sounding as a comparison takes it.
fn sounded(wheel: &WheelModel, room: Option<Room>, mic: f64, seed: u64) -> Option<Sounded> {
    let mut strikes = turned_under_mic(&spots_rad(), mic);
    // Another hand each day.
    for (k, strike) in strikes.iter_mut().enumerate() {
        strike.strength = 0.7 + 0.15 * ((seed + k as u64) % 4) as f64;
        strike.contact_s = 0.35e-3 + 0.05e-3 * (seed % 4) as f64;
    }
    let made = played(wheel.clone(), strikes, room, 900 + seed);
    let takes = takes(&made);
    if takes.len() != 4 {
        return None;
    }
    let solved = solve(&takes.iter().collect::<Vec<_>>());
    Some(Sounded {
        name: format!("day {seed}"),
        lines: solved.modes.iter().map(Line::from).collect(),
        room_misfit: solved.room_misfit,
        tap_ring_times_s: solved.ring_times_s.iter().flatten().map(|t| t.0).collect(),
        temp_c: None,
    })
}

/// Largest relative shift among the ten lowest tones.
fn shift_of(sound: &WheelModel, damaged: &WheelModel) -> f64 {
    let (a, b) = (
        sound.tones(20_000.0).unwrap(),
        damaged.tones(20_000.0).unwrap(),
    );
    a.iter()
        .zip(&b)
        .take(10)
        .map(|(a, b)| (b.freq_hz / a.freq_hz - 1.0).abs())
        .fold(0.0, f64::max)
}

/// Sound and cracked wheels against own baselines of three soundings, made in the same room and
/// in another: how many are not cleared.
fn readings(bond: &str, loss: BondLoss, damping: Damping, wheels: u64, from: u64) {
    let room = |t60_s: f64, over_db: f64, seed: u64| {
        (t60_s > 0.0).then_some(Room {
            t60_s,
            treble_share: 0.6,
            direct_over_tail_db: over_db,
            seed,
        })
    };
    for (t60_s, over_db) in [(0.0, 0.0), (0.4, 24.0), (0.4, 18.0), (0.4, 12.0)] {
        // Sound in the same room, in another; cracked in the same, in another: not cleared, all.
        let mut counts = [[0usize; 2]; 4];
        let mut no_baseline = 0;
        for seed in from..from + wheels {
            let sound = wheel(loss, seed);
            let own = room(t60_s, over_db, 300 + seed);
            let other = room(t60_s * 1.5, over_db - 3.0, 700 + seed);
            let days: Vec<Sounded> = (0..3)
                .filter_map(|day| sounded(&sound, own, 0.25 + 0.02 * day as f64, 10 * seed + day))
                .collect();
            let Ok(baseline) = build(&days, damping) else {
                no_baseline += 1;
                continue;
            };
            let mut share = 0.10;
            let cracked = loop {
                let cracked = sound.clone().with(Damage::Crack {
                    severity: share,
                    angle_rad: 0.7 + seed as f64,
                    from: CrackFrom::Rim,
                });
                if shift_of(&sound, &cracked) > 0.01 || share > 0.6 {
                    break cracked;
                }
                share += 0.01;
            };
            let cases = [
                (&sound, own),
                (&sound, other),
                (&cracked, own),
                (&cracked, other),
            ];
            for (k, (model, place)) in cases.into_iter().enumerate() {
                let Some(test) = sounded(model, place, 0.27, 10 * seed + 5 + k as u64) else {
                    continue;
                };
                counts[k][1] += 1;
                let comparison = compare(&baseline, &test).unwrap();
                let cleared = comparison.reading == Reading::ClearRing;
                counts[k][0] += usize::from(!cleared);
                if k < 2 && !cleared {
                    println!(
                        "    seed {seed} {:?} {:?}",
                        comparison.reading, comparison.changes
                    );
                }
            }
        }
        println!(
            "{bond} {t60_s} s {over_db} dB: not cleared: sound, same room {:?}, other room {:?}; cracked, same room {:?}, other room {:?}; no baseline {no_baseline}",
            counts[0], counts[1], counts[2], counts[3]
        );
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let number = |name: &str, or: u64| -> u64 {
        arguments
            .iter()
            .find_map(|a| a.strip_prefix(name).and_then(|v| v.parse().ok()))
            .unwrap_or(or)
    };
    let wheels = number("wheels=", 8);
    let from = number("from=", 0);
    let middling = BondLoss {
        q_at_1khz: 150.0,
        ..BondLoss::SILICATE
    };
    let only: Option<&str> = arguments.iter().find_map(|a| a.strip_prefix("bond="));
    for (bond, loss) in [
        ("vitrified", BondLoss::VITRIFIED),
        ("middling", middling),
        ("resinoid", BondLoss::RESINOID),
    ] {
        if only.is_some_and(|o| o != bond) {
            continue;
        }
        if arguments.iter().any(|a| a == "readings") {
            let damping = match bond {
                "resinoid" => Damping::High,
                _ => Damping::Low,
            };
            readings(bond, loss, damping, wheels, from);
            continue;
        }
        for (t60_s, over_db) in [
            (0.0, 0.0),
            (0.2, 12.0),
            (0.4, 20.0),
            (0.4, 12.0),
            (0.4, 6.0),
            (0.4, 0.0),
            (1.0, 12.0),
        ] {
            let mut one = Score::default();
            let mut four = Score::default();
            let mut without = Score::default();
            let mut clapped = Score::default();
            let mut both = Score::default();
            for seed in from..from + wheels {
                let room = (t60_s > 0.0).then_some(Room {
                    t60_s,
                    treble_share: 0.6,
                    direct_over_tail_db: over_db,
                    seed: 70 + seed,
                });
                let made_second = made(loss, room, seed, 1);
                let made = made(loss, room, seed, 0);
                let takes = takes(&made);
                let seconds: Vec<TapTake> = self::takes(&made_second)
                    .into_iter()
                    .map(|t| TapTake { microphone: 1, ..t })
                    .collect();
                if takes.len() != 4 {
                    println!("{bond} {t60_s} {over_db} seed {seed}: {} taps", takes.len());
                    continue;
                }
                let t0 = Instant::now();
                let solved = solve(&[&takes[1]]);
                one.add(&made, &solved, &[1], t0.elapsed().as_secs_f64());
                let t0 = Instant::now();
                let views: Vec<&TapTake> = takes.iter().collect();
                let solved = solve(&views);
                if arguments.iter().any(|a| a == "show") {
                    show(&made, &solved);
                }
                four.add(&made, &solved, &[0, 1, 2, 3], t0.elapsed().as_secs_f64());
                let score = |score: &mut Score, views: &[&TapTake], room| {
                    let t0 = Instant::now();
                    let solved = solve_in(views, room);
                    score.add(&made, &solved, &[0, 1, 2, 3], t0.elapsed().as_secs_f64());
                };
                score(
                    &mut without,
                    &views,
                    fourtap::ring::estimate::Room::Known(None),
                );
                if let Some(room) = room {
                    let per_s = fourtap::units::LN_1000 / room.t60_at(2000.0);
                    score(
                        &mut clapped,
                        &views,
                        fourtap::ring::estimate::Room::Decay(per_s),
                    );
                }
                let all: Vec<&TapTake> = takes.iter().chain(&seconds).collect();
                score(&mut both, &all, fourtap::ring::estimate::Room::Unknown);
            }
            one.print(&format!("{bond} {t60_s} s {over_db} dB one"));
            four.print(&format!("{bond} {t60_s} s {over_db} dB four"));
            without.print(&format!("{bond} {t60_s} s {over_db} dB no model"));
            clapped.print(&format!("{bond} {t60_s} s {over_db} dB clap"));
            both.print(&format!("{bond} {t60_s} s {over_db} dB two mics"));
        }
    }
}
