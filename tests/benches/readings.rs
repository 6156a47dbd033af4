//! How often sound wheels are called back and damaged ones cleared, on each footing.
//!
//! `cargo bench --bench readings [-- wheels=60 from=0 show]`; the table stands in
//! `docs/method.md`. Soundings are drawn at the level of modes, not from sound: tones of made-up
//! wheels with the errors of the estimator in plain noise of three levels. Sizes and seeds are not
//! those that matching and limits were made on, nor is the crack: it takes stiffness away along
//! one radius, from each mode a share drawn at random, instead of one that follows from its
//! length.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::time::Instant;

use fourtap::reading::baseline::{Baseline, Sounded, build, build_group};
use fourtap::reading::compare::compare;
use fourtap::reading::intervals::clopper_pearson;
use fourtap::reading::matching::Line;
use fourtap::reading::turn_plan::TurnPlan;
use fourtap::reading::{Damping, Footing, Reading};
use fourtap::ring::estimate::HIGHEST_HZ;
use fourtap::ring::plate::Material;
use fourtap::ring::synth::{BondLoss, Damage, Imperfection, WheelModel, WheelTone};
use fourtap::units::LN_1000;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Diameter, thickness and bore in m: neither fixtures nor tests have them.
const SIZES_M: [[f64; 3]; 5] = [
    [0.190, 0.022, 0.0508],
    [0.254, 0.032, 0.0762],
    [0.330, 0.036, 0.1016],
    [0.140, 0.016, 0.025],
    [0.455, 0.045, 0.2032],
];
/// Variances of the noise per sample: -70, -60 and -50 dB re full scale.
const NOISES: [f64; 3] = [1e-7, 1e-6, 1e-5];

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A bond with what a day does to a sound wheel, as standard deviations of logarithms.
struct Bond {
    name: &'static str,
    loss: BondLoss,
    damping: Damping,
    youngs_pa: f64,
    day: [f64; 3],
}

fn bonds() -> [Bond; 3] {
    let q200 = BondLoss {
        q_at_1khz: 220.0,
        ..BondLoss::SILICATE
    };
    let bond = |name, loss, damping, youngs_pa, day| Bond {
        name,
        loss,
        damping,
        youngs_pa,
        day,
    };
    // All tones, each tone, all decays.
    [
        bond(
            "vitrified",
            BondLoss::VITRIFIED,
            Damping::Low,
            44e9,
            [1e-3, 1.5e-4, 0.12],
        ),
        bond(
            "silicate, Q 220",
            q200,
            Damping::Low,
            36e9,
            [1e-3, 1.5e-4, 0.12],
        ),
        bond(
            "resinoid",
            BondLoss::RESINOID,
            Damping::High,
            18e9,
            [8e-3, 3e-4, 0.12],
        ),
    ]
}

/// A wheel of a marking: wheels of one marking share size and material up to 1 % in stiffness.
fn wheel(bond: &Bond, marking: u64, number: u64) -> WheelModel {
    let mut rng = ChaCha8Rng::seed_from_u64(70_000 + marking);
    let youngs_pa = bond.youngs_pa * (0.08 * normal(&mut rng)).exp();
    let material = Material {
        youngs_pa,
        density_kg_m3: 2200.0,
        poisson: 0.2,
    };
    let seed = 7_000_000 + 1000 * marking + number;
    let size = SIZES_M[(marking % 5) as usize];
    WheelModel::sound(size, material, bond.loss, Imperfection::usual(seed))
}

/// Stiffness of this very wheel beside its marking's, as a shift of all tones.
fn own_shift(marking: u64, number: u64) -> f64 {
    let mut rng = ChaCha8Rng::seed_from_u64(90_000 + 1000 * marking + number);
    5e-3 * normal(&mut rng)
}

fn tones(wheel: &WheelModel) -> Vec<WheelTone> {
    wheel.tones(HIGHEST_HZ).unwrap()
}

/// A crack along one radius: each mode loses a share of its stiffness drawn at random up to
/// `most`, where it bends at the crack, and a tenth of that in the other member; losses rise.
fn crack(tones: &[WheelTone], most: f64, rng: &mut ChaCha8Rng) -> Vec<WheelTone> {
    let at = std::f64::consts::TAU * rng.random::<f64>();
    let mut out = tones.to_vec();
    let mut k = 0;
    while k < out.len() {
        let twin = (k + 1..out.len()).find(|&j| (out[j].n, out[j].s) == (out[k].n, out[k].s));
        let hit = most * rng.random::<f64>().powi(2);
        let n = out[k].n as f64;
        let Some(j) = twin else {
            if n == 0.0 {
                out[k].freq_hz *= 1.0 - 0.5 * hit;
            }
            k += 1;
            continue;
        };
        if j < k {
            k += 1;
            continue;
        }
        // The pair as a symmetric matrix over (cos n theta, sin n theta).
        let mut m = [[0.0; 2]; 2];
        let mut add = |angle: f64, value: f64| {
            let v = [(n * angle).cos(), (n * angle).sin()];
            for a in 0..2 {
                for b in 0..2 {
                    m[a][b] += value * v[a] * v[b];
                }
            }
        };
        let quarter = std::f64::consts::FRAC_PI_2 / n;
        add(out[k].antinode_rad, out[k].freq_hz.ln());
        add(out[j].antinode_rad, out[j].freq_hz.ln());
        add(at, -hit);
        add(at + quarter, -0.1 * hit);
        let middle = 0.5 * (m[0][0] + m[1][1]);
        let (c, s) = (0.5 * (m[0][0] - m[1][1]), m[0][1]);
        let up = 0.5 * s.atan2(c) / n;
        for (t, sign, angle) in [(k, -1.0, up + quarter), (j, 1.0, up)] {
            out[t].freq_hz = (middle + sign * c.hypot(s)).exp();
            out[t].antinode_rad = angle;
            out[t].loss += 0.05 * hit * (n * (angle - at)).cos().powi(2);
        }
        k += 1;
    }
    out
}

/// Largest relative change among the ten lowest tones.
fn largest_change(sound: &[WheelTone], now: &[WheelTone]) -> f64 {
    let change = |t: &WheelTone| {
        let same = |u: &&WheelTone| (u.n, u.s, u.branch) == (t.n, t.s, t.branch);
        now.iter()
            .find(same)
            .map(|u| (u.freq_hz / t.freq_hz).ln().abs())
    };
    sound.iter().take(10).filter_map(change).fold(0.0, f64::max)
}

/// Four taps at the rule's spots on one day; the errors are those of a lone line's bound, with
/// floors of 2 % and 20 ppm; pairs are seen as two from the distance that four taps were
/// measured to part.
fn day(tones: &[WheelTone], bond: &Bond, shift: f64, noise: f64, seed: u64) -> Sounded {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let rng = &mut rng;
    let [all, each, decays] = bond.day;
    let (all, damp) = (shift + all * normal(rng), decays * normal(rng));
    let taps: Vec<(f64, f64)> = TurnPlan::Rule
        .spots_deg()
        .iter()
        .map(|s| {
            (
                (s + 3.0 * normal(rng)).to_radians(),
                (0.2 * normal(rng)).exp(),
            )
        })
        .collect();
    let offset = 0.5 + 0.1 * normal(rng);
    let drawn: Vec<(WheelTone, Vec<f64>)> = tones
        .iter()
        .map(|t| {
            let mut t = t.clone();
            t.freq_hz *= (all + each * normal(rng)).exp();
            t.loss *= (damp + 0.3 * decays * normal(rng)).exp();
            // Struck and heard at an angle from the antinode; the tapper's contact is soft.
            let level = 0.02 / t.mass_share.max(0.02) / (1.0 + (t.freq_hz / 5000.0).powi(2));
            let heard = taps
                .iter()
                .map(|(at, force)| force * level * (t.around(*at) * t.around(at + offset)).abs())
                .collect();
            (t, heard)
        })
        .collect();
    let energy = |t: &WheelTone, a: &[f64]| {
        let squares: f64 = a.iter().map(|a| a * a).sum();
        squares * 48_000.0 / (4.0 * t.decay_per_s() * noise) + 1e-9
    };
    let mut lines = Vec::new();
    for (k, (t, a)) in drawn.iter().enumerate() {
        let h = energy(t, a);
        let twin = drawn
            .iter()
            .enumerate()
            .find(|(j, (u, _))| *j != k && (u.n, u.s) == (t.n, t.s));
        let Some((j, (u, b))) = twin else {
            lines.extend(measured(t.freq_hz, t.decay_per_s(), h, rng));
            continue;
        };
        let g = energy(u, b);
        let (h_db, g_db) = (10.0 * h.log10(), 10.0 * g.log10());
        let apart = (u.freq_hz - t.freq_hz).abs() * LN_1000 / t.decay_per_s();
        let fainter = 2f64.powf((h_db - g_db).abs() / 12.0);
        if apart >= 2.0 * 4f64.powf(-0.1 * (h_db.max(g_db) - 28.0)) * fainter {
            lines.extend(measured(t.freq_hz, t.decay_per_s(), h, rng));
        } else if k < j {
            let freq_hz = (h * t.freq_hz + g * u.freq_hz) / (h + g);
            lines.extend(measured(freq_hz, t.decay_per_s(), h + g, rng));
        }
    }
    let ring_time = |k: usize| {
        let (mut sum, mut weight) = (0.0, 0.0);
        for (t, a) in &drawn {
            let e = a[k].powi(2) / t.decay_per_s();
            sum += e * LN_1000 / t.decay_per_s();
            weight += e;
        }
        sum / weight
    };
    let tap_ring_times_s = (0..4)
        .map(|k| ring_time(k) * (0.05 * normal(rng)).exp())
        .collect();
    Sounded {
        name: format!("sounding {seed}"),
        lines,
        tap_ring_times_s,
        ..Sounded::default()
    }
}

fn measured(freq_hz: f64, decay_per_s: f64, h: f64, rng: &mut ChaCha8Rng) -> Option<Line> {
    let energy_db = 10.0 * h.log10();
    let seen =
        energy_db > 26.0 || (energy_db > 16.0 && rng.random::<f64>() < 0.1 * (energy_db - 16.0));
    let freq_std_hz = (decay_per_s / (std::f64::consts::PI * h.sqrt())).hypot(2e-5 * freq_hz);
    let decay_std_per_s = (2.0 / h.sqrt()).hypot(0.02) * decay_per_s;
    seen.then(|| Line {
        freq_hz: freq_hz + freq_std_hz * normal(rng),
        freq_std_hz,
        decay_per_s: (decay_per_s + decay_std_per_s * normal(rng)).max(0.3 * decay_per_s),
        decay_std_per_s,
        energy_db,
        split: 0.0,
    })
}

/// Classes of damage: sound, and by the largest change among the ten lowest tones.
const CLASSES: [&str; 6] = [
    "sound",
    "< 0.3 %",
    "0.3-1 %",
    "1-3 %",
    "> 3 %",
    "chip, damp",
];

#[derive(Default, Clone, Copy)]
struct Count([u32; 3]);

#[derive(Default)]
struct Row {
    classes: [Count; 6],
    no_baseline: u32,
}

impl Row {
    fn add(&mut self, class: usize, b: &Baseline, s: &Sounded, show: bool) {
        let c = compare(b, s).unwrap();
        if show && class == 0 && c.reading != Reading::ClearRing {
            println!("    {}: {}", s.name, c.changes.join("; "));
        }
        let k = match c.reading {
            Reading::ClearRing => 0,
            Reading::Unclear => 1,
            Reading::DullThud => 2,
        };
        self.classes[class].0[k] += 1;
    }

    /// Sound ones called back, then damaged ones read clear, each as a count and in per cent with
    /// the exact 95 % interval; last the share of damaged ones that read unclear.
    fn print(&self, name: &str) {
        let mut words = format!("| {name}");
        for (k, Count([clear, unclear, dull])) in self.classes.iter().enumerate() {
            let all = clear + unclear + dull;
            let asked = if k == 0 { unclear + dull } else { *clear };
            match clopper_pearson(asked, all, 0.95) {
                Ok(c) => words.push_str(&format!(
                    " | {asked}/{all}: {:.1} ({:.1}-{:.1})",
                    100.0 * f64::from(asked) / f64::from(all.max(1)),
                    100.0 * c.low,
                    100.0 * c.high
                )),
                Err(_) => words.push_str(" | none"),
            }
        }
        let sum = |of: fn(&Count) -> u32| self.classes[1..].iter().map(of).sum::<u32>();
        let unclear = sum(|c| c.0[1]);
        let all = sum(|c| c.0.iter().sum()).max(1);
        println!(
            "{words} | {:.0} % | {} |",
            100.0 * f64::from(unclear) / f64::from(all),
            self.no_baseline
        );
    }
}

/// Damaged soundings of a wheel with the class of each.
fn damaged(
    model: &WheelModel,
    sound: &[WheelTone],
    rng: &mut ChaCha8Rng,
) -> Vec<(usize, Vec<WheelTone>)> {
    let mut out = Vec::new();
    for most in [0.006, 0.02, 0.06, 0.15] {
        let now = crack(sound, most, rng);
        let class = match largest_change(sound, &now) {
            c if c < 0.003 => 1,
            c if c < 0.01 => 2,
            c if c < 0.03 => 3,
            _ => 4,
        };
        out.push((class, now));
    }
    let kind = if rng.random() {
        Damage::Chip {
            mass_share: 0.002 + 0.01 * rng.random::<f64>(),
            angle_rad: 6.0 * rng.random::<f64>(),
        }
    } else {
        Damage::Damp {
            water_share: 0.01 + 0.04 * rng.random::<f64>(),
        }
    };
    out.push((5, tones(&model.clone().with(kind))));
    out
}

fn main() {
    let given = |name: &str, default: u64| {
        let prefix = format!("{name}=");
        std::env::args()
            .find_map(|a| a.strip_prefix(&prefix)?.parse().ok())
            .unwrap_or(default)
    };
    let (wheels, from) = (given("wheels", 60), given("from", 0));
    let show = std::env::args().any(|a| a == "show");
    let start = Instant::now();
    println!(
        "| bond, noise, footing | {} called back | {} cleared | unclear, of damaged | no baseline |",
        CLASSES[0],
        CLASSES[1..].join(" cleared | ")
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for bond in bonds() {
        for noise in NOISES {
            let db = 10.0 * noise.log10();
            let mut rows: [Row; 4] = Default::default();
            for marking in from..from + wheels {
                let mut rng = ChaCha8Rng::seed_from_u64(31 + marking);
                let model = wheel(&bond, marking, 0);
                let sound = tones(&model);
                let base = 1_000_000 * (1 + marking);
                let own =
                    |t: &[WheelTone], d: u64| day(t, &bond, own_shift(marking, 0), noise, base + d);
                let others: Vec<Sounded> = (1..=6)
                    .map(|w| {
                        let t = tones(&wheel(&bond, marking, w));
                        day(&t, &bond, own_shift(marking, w), noise, base + 500 + w)
                    })
                    .collect();
                let before: Vec<Sounded> = (0..3).map(|d| own(&sound, d)).collect();
                let footings = [
                    build(&before[..1], bond.damping).ok(),
                    build(&before, bond.damping).ok(),
                    build_group(Footing::SpecificationBaseline, &others, bond.damping).ok(),
                    build_group(Footing::LotPeers, &others[..3], bond.damping).ok(),
                ];
                let mut tests: Vec<(usize, Sounded)> =
                    (0..4).map(|d| (0, own(&sound, 10 + d))).collect();
                for (k, (class, t)) in damaged(&model, &sound, &mut rng).iter().enumerate() {
                    tests.push((*class, own(t, 20 + k as u64)));
                }
                for (row, footing) in rows.iter_mut().zip(&footings) {
                    match footing {
                        None => row.no_baseline += 1,
                        Some(b) => tests.iter().for_each(|(c, s)| row.add(*c, b, s, show)),
                    }
                }
            }
            let names = ["own, 1", "own, 3", "specification, 6", "lot peers, 3"];
            for (row, name) in rows.iter().zip(names) {
                row.print(&format!("{}, {db:.0} dB, {name}", bond.name));
            }
        }
    }
    println!("{:.0} s", start.elapsed().as_secs_f64());
}
