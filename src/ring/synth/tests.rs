//! Made-up recordings against their own truth.
#![allow(clippy::unwrap_used)]

use std::f64::consts::PI;

use nalgebra::{DMatrix, DVector};
use proptest::prelude::*;

use super::*;
use crate::ring::plate::Material;
use crate::units::{LN_1000, SampleRate, ring_time_s};

fn rate(hz: u32) -> SampleRate {
    SampleRate::new(hz).unwrap()
}

fn wheel(imperfection: Imperfection) -> WheelModel {
    let material = Material {
        youngs_pa: 45e9,
        density_kg_m3: 2300.0,
        poisson: 0.2,
    };
    WheelModel::sound(
        [0.2, 0.02, 0.032],
        material,
        BondLoss::VITRIFIED,
        imperfection,
    )
}

fn resin() -> WheelModel {
    let material = Material {
        youngs_pa: 25e9,
        density_kg_m3: 2500.0,
        poisson: 0.25,
    };
    WheelModel::sound(
        [0.125, 0.006, 0.02223],
        material,
        BondLoss::RESINOID,
        Imperfection::usual(3),
    )
}

fn crack(severity: f64, angle_rad: f64) -> Damage {
    Damage::Crack {
        severity,
        angle_rad,
        from: CrackFrom::Rim,
    }
}

fn spots(degrees: &[f64]) -> Vec<f64> {
    degrees.iter().map(|d| d.to_radians()).collect()
}

/// Sum of the true modes of all strikes up to `t`.
fn from_truth(take: &MadeTake, t: f64) -> f64 {
    let mut sum = 0.0;
    for mode in &take.truth {
        for (k, start) in take.strikes_s.iter().enumerate().filter(|(_, s)| **s <= t) {
            let after = t - start;
            let phase = 2.0 * PI * mode.freq_hz * after + mode.phases_rad[k];
            sum += mode.amplitudes[k] * (-mode.decay_per_s * after).exp() * phase.cos();
        }
    }
    sum
}

#[test]
fn after_each_contact_the_samples_are_the_truth() {
    for (hz, model) in [
        (48_000, wheel(Imperfection::usual(7))),
        (8_000, resin()),
        (96_000, resin()),
    ] {
        let mut strikes = turned_under_mic(&spots(&[0.0, 45.0, 90.0]), 0.3);
        strikes[1].contact_s = 1.7e-3;
        strikes[2].strength = 0.4;
        let mut scene = Scene::plain(rate(hz), Source::Wheel(model), strikes);
        scene.quiet_s = 0.123_456_7; // between samples
        scene.spacing_s = 0.2;
        scene.tail_s = 0.3;
        let take = scene.play().unwrap();
        let peak = take.clip.peak();
        assert!((peak - 10f64.powf(-0.3)).abs() < 1e-12);
        for (k, x) in take.clip.samples().iter().enumerate() {
            let t = k as f64 / f64::from(hz);
            let touching = take
                .strikes_s
                .iter()
                .zip(&scene.strikes)
                .any(|(s, strike)| t >= *s && t <= *s + strike.contact_s);
            if !touching {
                let off = (x - from_truth(&take, t)).abs();
                assert!(off < 1e-10 * peak, "{hz} Hz at {t}: {off:e}");
            }
        }
    }
}

#[test]
fn least_squares_finds_the_true_amplitudes() {
    let strikes = turned_under_mic(&spots(&[20.0]), 0.2);
    let scene = Scene::plain(
        rate(16_000),
        Source::Wheel(wheel(Imperfection::usual(5))),
        strikes,
    );
    let take = scene.play().unwrap();
    let first = rate(16_000).samples(take.strikes_s[0] + 1e-3);
    let window = take.clip.slice(first, first + 12_000);
    let column = |k: usize, i: usize| {
        let mode = &take.truth[k / 2];
        let t = (first + i) as f64 / 16e3 - take.strikes_s[0];
        let phase = 2.0 * PI * mode.freq_hz * t;
        let wave = if k.is_multiple_of(2) {
            phase.cos()
        } else {
            -phase.sin()
        };
        (-mode.decay_per_s * t).exp() * wave
    };
    let a = DMatrix::from_fn(window.len(), 2 * take.truth.len(), |i, k| column(k, i));
    let b = DVector::from_column_slice(window);
    let x = (a.transpose() * &a)
        .cholesky()
        .unwrap()
        .solve(&(a.transpose() * &b));
    assert!(take.truth.len() >= 7, "{}", take.truth.len());
    for (k, mode) in take.truth.iter().enumerate() {
        let (re, im) = (x[2 * k], x[2 * k + 1]);
        assert!((re.hypot(im) - mode.amplitudes[0]).abs() < 1e-6, "{mode:?}");
        if mode.amplitudes[0] > 1e-3 {
            assert!(
                (im.atan2(re) - mode.phases_rad[0]).sin().abs() < 1e-3,
                "{mode:?}"
            );
        }
    }
}

#[test]
fn energy_decays_as_stated() {
    let tone = DampedTone {
        freq_hz: 2500.0,
        decay_per_s: 12.0,
        amplitude: 0.5,
        phase_rad: 0.7,
    };
    let clip = damped_modes(rate(44_100), &[tone], 0.1, 44_100);
    let energy = |from: f64, to: f64| -> f64 {
        let r = clip.rate();
        clip.slice(r.samples(from), r.samples(to))
            .iter()
            .map(|x| x * x)
            .sum()
    };
    assert_eq!(energy(0.0, 0.0999), 0.0);
    let fell_db = 10.0 * (energy(0.2, 0.3) / energy(0.6, 0.7)).log10();
    assert!(
        (fell_db - 60.0 * 0.4 / ring_time_s(12.0)).abs() < 0.01,
        "{fell_db}"
    );
    let whole = energy(0.1, 1.1) / 44_100.0;
    // |C|^2 / (4 delta), but for what is left at the end.
    let expected = 0.25 / 48.0 * (1.0 - (-24.0_f64 * 0.9).exp());
    assert!((whole / expected - 1.0).abs() < 5e-3, "{whole} {expected}");
    let silent = DampedTone {
        freq_hz: 30_000.0,
        ..tone
    };
    assert_eq!(damped_modes(rate(44_100), &[silent], 0.1, 1000).peak(), 0.0);
}

#[test]
fn putty_on_the_rim_lowers_one_member_by_the_known_share() {
    // d ln f per mass share of the member with its antinode at the putty, recomputed from exact
    // mode shapes: n, bore ratio, slope. nu 0.25.
    let material = Material {
        youngs_pa: 45e9,
        density_kg_m3: 2300.0,
        poisson: 0.25,
    };
    for (n, bore, slope) in [
        (2, 0.0, -2.66),
        (2, 0.2, -2.51),
        (3, 0.0, -3.17),
        (3, 0.2, -3.04),
        (4, 0.2, -3.47),
    ] {
        let size = [0.2, 0.02, 0.2 * bore];
        let plain = WheelModel::sound(size, material, BondLoss::VITRIFIED, Imperfection::none());
        let angle_rad = 0.4;
        let stuck = plain.clone().with(Damage::Putty {
            mass_share: 1e-3,
            angle_rad,
        });
        let of = |model: &WheelModel, branch| {
            let tones = model.tones(20e3).unwrap();
            tones
                .into_iter()
                .find(|t| (t.n, t.s, t.branch) == (n, 0, branch))
                .unwrap()
        };
        let base = of(&plain, Branch::Lower).freq_hz;
        let lower = of(&stuck, Branch::Lower);
        let change = (lower.freq_hz / base).ln() / 1e-3;
        assert!(
            (change - slope).abs() < 0.015,
            "n {n} b/a {bore}: {change} {slope}"
        );
        assert!(lower.around(angle_rad).abs() > 0.999_999);
        let upper = of(&stuck, Branch::Upper);
        assert!((upper.freq_hz / base - 1.0).abs() < 1e-12);
        assert!(upper.around(angle_rad).abs() < 1e-6);
    }
}

#[test]
fn a_crack_lowers_and_dulls_the_member_that_bends_it() {
    let angle = 1.1;
    let sound = wheel(Imperfection::none()).tones(20e3).unwrap();
    for (k, tone) in sound
        .iter()
        .enumerate()
        .filter(|(_, t)| t.n >= 2 && t.s == 0)
    {
        let mut last = (tone.freq_hz, tone.loss);
        for severity in [0.05, 0.1, 0.2, 0.4, 0.6] {
            let cracked = wheel(Imperfection::none()).with(crack(severity, angle));
            let tones = cracked.tones(20e3).unwrap();
            let find = |branch| {
                tones
                    .iter()
                    .find(|t| (t.n, t.s, t.branch) == (tone.n, tone.s, branch))
                    .unwrap()
            };
            let (lower, upper) = (find(Branch::Lower), find(Branch::Upper));
            assert!(
                lower.freq_hz < last.0 && lower.loss > last.1,
                "{k} {severity}"
            );
            assert!(
                lower.around(angle).abs() > 1.0 - 1e-9,
                "antinode at the crack"
            );
            assert!(upper.around(angle).abs() < 1e-6, "node at the crack");
            let fell = (tone.freq_hz / lower.freq_hz).ln();
            let other = (tone.freq_hz / upper.freq_hz).ln();
            assert!(other >= 0.0 && other < 0.1 * fell, "{other} {fell}");
            assert!(upper.loss - tone.loss < 0.1 * (lower.loss - tone.loss));
            last = (lower.freq_hz, lower.loss);
        }
        // A quarter of the web through: a few per mille to a tenth, not more, not less.
        let quarter = wheel(Imperfection::none())
            .with(crack(0.25, angle))
            .tones(20e3)
            .unwrap();
        let lower = quarter.iter().find(|t| (t.n, t.s) == (tone.n, 0)).unwrap();
        let fell = 1.0 - lower.freq_hz / tone.freq_hz;
        assert!((2e-3..0.1).contains(&fell), "n {} {fell}", tone.n);
    }
}

/// T60 of the energy of a take, weighted by each true mode's energy.
fn ring_time(model: WheelModel) -> f64 {
    let scene = Scene::plain(
        rate(48_000),
        Source::Wheel(model),
        turned_under_mic(&[0.3], 0.1),
    );
    let take = scene.play().unwrap();
    let (mut sum, mut weights) = (0.0, 0.0);
    for mode in &take.truth {
        let energy = mode.amplitudes[0].powi(2) / (4.0 * mode.decay_per_s);
        sum += energy * ring_time_s(mode.decay_per_s);
        weights += energy;
    }
    sum / weights
}

#[test]
fn from_clear_ring_to_dead_thud() {
    let sound = ring_time(wheel(Imperfection::usual(1)));
    let small = ring_time(wheel(Imperfection::usual(1)).with(crack(0.2, 0.2)));
    let through = ring_time(wheel(Imperfection::usual(1)).with(crack(1.0, 0.2)));
    let dead = ring_time(wheel(Imperfection::usual(1)).with(Damage::Dead));
    let damp = ring_time(wheel(Imperfection::usual(1)).with(Damage::Damp { water_share: 0.05 }));
    let mut held = wheel(Imperfection::usual(1));
    held.holding = Holding::Flat;
    assert!(sound > 0.3, "{sound}");
    assert!(small < sound, "{small}");
    assert!(through < 0.01 && dead < 0.01, "{through} {dead}");
    assert!(damp < 0.3 * sound, "{damp}");
    assert!(ring_time(held) < 0.05);
    assert!(ring_time(resin()) < 0.1 * sound);
}

#[test]
fn natural_splits_stay_in_their_range_and_with_the_wheel() {
    for seed in 0..40 {
        let model = wheel(Imperfection::usual(seed));
        let tones = model.tones(20e3).unwrap();
        for lower in tones.iter().filter(|t| t.branch == Branch::Lower) {
            let upper = tones
                .iter()
                .find(|t| (t.n, t.s, t.branch) == (lower.n, lower.s, Branch::Upper));
            let Some(upper) = upper else { continue };
            let split = (upper.freq_hz / lower.freq_hz).ln();
            assert!((0.99e-4..1.01e-3).contains(&split), "{split}");
            let quarter_wave = PI / 2.0 / lower.n as f64;
            let apart = (upper.antinode_rad - lower.antinode_rad).abs();
            assert!((apart - quarter_wave).abs() < 1e-9, "{apart}");
        }
        // Another day: all tones by the same share, nothing else.
        let warm = WheelModel {
            warmer_k: 10.0,
            ..model
        };
        for (a, b) in tones.iter().zip(warm.tones(20e3).unwrap()) {
            assert!((b.freq_hz / a.freq_hz - (1.0 - 6e-4)).abs() < 1e-9);
            assert_eq!(a.antinode_rad, b.antinode_rad);
        }
    }
}

#[test]
fn quarter_turns_show_even_pairs_in_one_mix_only() {
    let model = wheel(Imperfection::none()).with(crack(0.3, 10f64.to_radians()));
    let quarter = turned_under_mic(&spots(&[0.0, 90.0, 180.0, 270.0]), 0.15);
    let scene = Scene::plain(rate(48_000), Source::Wheel(model.clone()), quarter);
    let take = scene.play().unwrap();
    for mode in take.truth.iter().filter(|m| m.n >= 2) {
        let a = &mode.amplitudes;
        let same = a.iter().all(|x| (x - a[0]).abs() < 1e-9 * (1.0 + a[0]));
        assert_eq!(same, mode.n % 2 == 0, "n {} {a:?}", mode.n);
        // For odd n a half turn changes the sign twice: nothing.
        assert!((a[0] - a[2]).abs() < 1e-9 && (a[1] - a[3]).abs() < 1e-9);
    }
    // The rule's turns (-90, -45, 0, 45) change the mix of n = 2.
    let rule = turned_under_mic(&spots(&[-90.0, -45.0, 0.0, 45.0]), 0.15);
    let take = Scene::plain(rate(48_000), Source::Wheel(model), rule)
        .play()
        .unwrap();
    let lower = take.truth.iter().find(|m| m.n == 2).unwrap();
    assert!((lower.amplitudes[0] - lower.amplitudes[1]).abs() > 0.1 * lower.amplitudes[0]);
}

#[test]
fn the_room_has_the_stated_energy_and_decay() {
    let room = Room {
        t60_s: 0.4,
        treble_share: 0.5,
        direct_over_tail_db: 12.0,
        seed: 9,
    };
    let tail = room.tail(rate(48_000));
    let energy: f64 = tail.iter().map(|x| x * x).sum();
    assert!((10.0 * energy.log10() + 12.0).abs() < 1e-6);
    assert!(tail[..96].iter().all(|x| *x == 0.0));
    assert!((room.t60_at(1000.0) - 0.4).abs() < 1e-12 && (room.t60_at(8000.0) - 0.2).abs() < 1e-12);
    // One octave at 1 kHz, by least squares on 20 ms levels of the first 0.3 s.
    let band = super::noise::shape(&tail, rate(48_000), |f| {
        f64::from(u8::from((800.0..1250.0).contains(&f)))
    });
    let levels: Vec<(f64, f64)> = (1..15)
        .map(|k| {
            let power: f64 = band[k * 960..(k + 1) * 960].iter().map(|x| x * x).sum();
            (k as f64 * 0.02, 10.0 * power.log10())
        })
        .collect();
    let mean = |of: &dyn Fn(&(f64, f64)) -> f64| levels.iter().map(of).sum::<f64>() / 14.0;
    let (t, l) = (mean(&|p| p.0), mean(&|p| p.1));
    let slope = levels.iter().map(|p| (p.0 - t) * (p.1 - l)).sum::<f64>()
        / levels.iter().map(|p| (p.0 - t).powi(2)).sum::<f64>();
    assert!((-60.0 / slope / 0.4 - 1.0).abs() < 0.2, "{}", -60.0 / slope);
}

#[test]
fn noises_have_the_stated_level() {
    for noise in [
        Noise::White { rms_db: -40.0 },
        Noise::Pink { rms_db: -40.0 },
        Noise::Hum {
            mains_hz: 50.0,
            harmonics: 30,
            rms_db: -40.0,
        },
        Noise::Tone {
            freq_hz: 1234.5,
            rms_db: -40.0,
        },
    ] {
        let mut scene = Scene::plain(rate(44_100), Source::Other(OtherSound::Clap), Vec::new());
        scene.noise = vec![noise];
        let take = scene.play().unwrap();
        let rms = super::noise::root_mean_square(take.clip.samples());
        assert!((20.0 * rms.log10() + 40.0).abs() < 0.1, "{noise:?} {rms}");
    }
}

/// Amplitude of a tone over a whole number of its periods (a bin of a transform).
fn amplitude(samples: &[f64], turns_per_sample: f64) -> f64 {
    let (re, im) = samples
        .iter()
        .zip(0..)
        .fold((0.0, 0.0), |(re, im), (x, n)| {
            let angle = 2.0 * PI * turns_per_sample * f64::from(n);
            (re + x * angle.cos(), im + x * angle.sin())
        });
    2.0 * f64::hypot(re, im) / samples.len() as f64
}

#[test]
fn harmonics_of_hum_fall_as_one_over_their_number() {
    let mut hum = vec![0.0; 8000];
    let noise = Noise::Hum {
        mains_hz: 50.0,
        harmonics: 5,
        rms_db: -20.0,
    };
    noise.add(&mut hum, rate(8000), &mut super::noise::seeded(1, 1));
    let of = |k: u32| amplitude(&hum, f64::from(k) * 50.0 / 8000.0);
    // All together 0.1 rms: a (1 + 1/4 + 1/9 + 1/16 + 1/25)^(1/2) / 2^(1/2).
    let first = 0.1 * (2.0f64 / (1.0 + 0.25 + 1.0 / 9.0 + 0.0625 + 0.04)).sqrt();
    for k in 1..=5 {
        assert!(
            (of(k) - first / f64::from(k)).abs() < 1e-6,
            "{k}: {}",
            of(k)
        );
    }
    assert!(of(6) < 1e-9);
}

// Power per octave of 1/f noise is the same in each, 0 below 20 Hz.
#[test]
fn pink_noise_has_the_same_power_in_each_octave() {
    let mut pink = vec![0.0; 1 << 16];
    let noise = Noise::Pink { rms_db: -20.0 };
    noise.add(&mut pink, rate(16_000), &mut super::noise::seeded(2, 1));
    let mut planner = realfft::RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(pink.len());
    let mut bins = forward.make_output_vec();
    forward.process(&mut pink.clone(), &mut bins).unwrap();
    let bin_hz = 16_000.0 / pink.len() as f64;
    let power = |low: f64, high: f64| -> f64 {
        let inside = bins.iter().enumerate().filter(|(k, _)| {
            let hz = *k as f64 * bin_hz;
            low <= hz && hz < high
        });
        inside.map(|b| b.1.norm_sqr()).sum()
    };
    assert!(power(0.0, 19.9) < 1e-9 * power(20.0, 40.0));
    // 80 bins in the lowest octave: their sum is known to 1/sqrt(80) = 11 %.
    let whole = power(20.0, 5120.0);
    for k in 0..8 {
        let low = 20.0 * f64::from(1 << k);
        let share = power(low, 2.0 * low) / whole;
        assert!((share * 8.0 - 1.0).abs() < 0.4, "{low} Hz: {share}");
    }
}

#[test]
fn claps_bangs_and_drums_sound_where_they_should() {
    let of = |sound: OtherSound, seed: u64| {
        sound.samples(rate(16_000), &mut super::noise::seeded(seed, 1))
    };
    let share = |x: &[f64], low: f64, high: f64| {
        let mut planner = realfft::RealFftPlanner::<f64>::new();
        let forward = planner.plan_fft_forward(x.len());
        let mut bins = forward.make_output_vec();
        forward.process(&mut x.to_vec(), &mut bins).unwrap();
        let hz = |k: usize| k as f64 * 16_000.0 / x.len() as f64;
        let power = |low: f64, high: f64| -> f64 {
            let inside = bins
                .iter()
                .enumerate()
                .filter(|(k, _)| (low..high).contains(&hz(*k)));
            inside.map(|b| b.1.norm_sqr()).sum()
        };
        power(low, high) / power(0.0, 1e9)
    };
    let loudest = |x: &[f64]| x.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    for seed in 1..6 {
        let clap = of(OtherSound::Clap, seed);
        assert!((loudest(&clap) - 1.0).abs() < 1e-12);
        // An octave and more about 1.6 kHz, gone after three bursts within 9 ms and their decay.
        assert!(
            share(&clap, 700.0, 3700.0) > 0.8,
            "{}",
            share(&clap, 700.0, 3700.0)
        );
        let energy = |x: &[f64]| x.iter().map(|v| v * v).sum::<f64>();
        assert!(energy(&clap[..300]) > 0.95 * energy(&clap));
        // The second and the third burst come in as the first dies: some share after 1 ms.
        assert!(energy(&clap[16..]) > 0.4 * energy(&clap));
        let bang = of(OtherSound::Bang, seed);
        assert!((loudest(&bang) - 1.0).abs() < 1e-12);
        assert!(share(&bang, 0.0, 500.0) > 0.9);
        let drum = of(OtherSound::Drum, seed);
        assert!((loudest(&drum) - 1.0).abs() < 1e-12);
        // The lowest tone, 140 to 180 Hz, outlasts the others; it has sunk to its place by then.
        let late = &drum[3200..];
        assert!(
            share(late, 135.0, 185.0) > 0.6,
            "{}",
            share(late, 135.0, 185.0)
        );
        // Early it stands up to 6 % higher: phases run ahead by 0.06 x 0.05 s of the tone in all.
        let at = |from: usize| {
            let some = &drum[from..from + 1600];
            (130..200).max_by(|a, b| {
                let of = |hz: &i32| amplitude(some, f64::from(*hz) / 16_000.0);
                of(a).total_cmp(&of(b))
            })
        };
        assert!(
            at(0).unwrap() > at(4800).unwrap(),
            "{:?} {:?}",
            at(0),
            at(4800)
        );
    }
}

// The amplitude of a mode at the microphone goes with the deflection where it is struck: over the
// angle as its nodal diameters make it, over the radius as its shape does.
#[test]
fn a_strike_excites_what_moves_under_it() {
    let model = wheel(Imperfection::usual(4));
    let tones = model.tones(9000.0).unwrap();
    let play = |strike: Strike| {
        let scene = Scene::plain(rate(48_000), Source::Wheel(model.clone()), vec![strike]);
        let take = scene.play().unwrap();
        let own: Vec<f64> = take.truth.iter().map(|m| m.amplitudes[0]).collect();
        // Against the tone of the wheel that is struck everywhere alike.
        let unit = take.truth.iter().position(|m| m.n == 0).unwrap();
        (
            own.iter().map(|a| a / own[unit]).collect::<Vec<f64>>(),
            take.truth,
        )
    };
    let strike = |spot_rad: f64, inset_m: f64| Strike {
        inset_m,
        mic_rad: 0.7,
        ..Strike::at(spot_rad)
    };
    let (rim, truth) = play(strike(0.4, 0.0));
    let (turned, _) = play(strike(0.9, 0.0));
    let (inner, _) = play(strike(0.4, 0.03));
    let single = tones.iter().find(|t| t.n == 0).unwrap();
    for ((mode, tone), k) in truth.iter().zip(&tones).zip(0..) {
        assert_eq!((mode.n, mode.s), (tone.n, tone.s));
        let around = |spot: f64| (tone.n as f64 * (spot - mode.antinode_rad)).cos();
        let angle = if tone.n == 0 {
            1.0
        } else {
            (around(0.9) / around(0.4)).abs()
        };
        assert!(
            (turned[k] / rim[k] - angle).abs() < 1e-9 * angle.max(1.0),
            "{}",
            tone.n
        );
        // 30 mm in on a radius of 100 mm.
        let depth = (tone.shape.deflection(0.7) / single.shape.deflection(0.7)).abs();
        assert!(
            (inner[k] / rim[k] - depth).abs() < 1e-9 * depth.max(1.0),
            "{}",
            tone.n
        );
    }
}

#[test]
fn bounces_and_limits_do_what_they_say() {
    let model = wheel(Imperfection::usual(2));
    let plain = Scene::plain(rate(48_000), Source::Wheel(model), vec![Strike::at(0.1)]);
    let one = plain.play().unwrap();
    let mut twice = plain.clone();
    twice.strikes[0].bounce = Some(Bounce {
        after_s: 0.03,
        level_db: -8.0,
    });
    let two = twice.play().unwrap();
    // Up to the second contact only the gain may differ.
    let second = rate(48_000).samples(0.53);
    let ratio = two.truth[0].amplitudes[0] / one.truth[0].amplitudes[0];
    for k in 0..second {
        assert!((two.clip.samples()[k] - ratio * one.clip.samples()[k]).abs() < 1e-12);
    }
    assert!(
        (two.clip.samples()[second + 48] - ratio * one.clip.samples()[second + 48]).abs() > 1e-3
    );
    let mut hot = plain.clone();
    hot.peak_db = 6.0;
    hot.clip_at = Some(1.0);
    let cut = hot.play().unwrap();
    assert_eq!(cut.clip.peak(), 1.0);
    assert!(cut.clip.samples().iter().filter(|x| x.abs() == 1.0).count() > 20);
}

#[test]
fn what_cannot_be_made_is_refused_with_the_figure() {
    let plain = Scene::plain(rate(48_000), Source::Wheel(resin()), vec![Strike::at(0.0)]);
    let long = Scene {
        tail_s: 1e9,
        ..plain.clone()
    };
    assert!(matches!(long.play(), Err(SceneError::Length { .. })));
    let odd = Scene {
        quiet_s: f64::NAN,
        ..plain.clone()
    };
    assert!(matches!(odd.play(), Err(SceneError::Length { .. })));
    let mut weak = plain.clone();
    weak.strikes[0].strength = -1.0;
    assert_eq!(
        weak.play().unwrap_err().to_string(),
        "strength of a tap of -1 cannot be used"
    );
    let mut deaf = resin();
    deaf.loss.q_at_1khz = f64::NAN;
    let deaf = Scene {
        source: Source::Wheel(deaf),
        ..plain.clone()
    };
    let error = deaf.play().unwrap_err().to_string();
    assert!(
        error.starts_with("quality factor of a bond of NaN"),
        "{error}"
    );
    let hall = Room {
        t60_s: 0.3,
        treble_share: 0.5,
        direct_over_tail_db: f64::NAN,
        seed: 1,
    };
    let hall = Scene {
        room: Some(hall),
        ..plain.clone()
    };
    assert!(matches!(hall.play(), Err(SceneError::Figure { .. })));
    let mut flat = resin();
    flat.thickness_m = 0.0;
    assert!(matches!(
        Scene {
            source: Source::Wheel(flat),
            ..plain
        }
        .play(),
        Err(SceneError::Plate(_))
    ));
}

#[test]
fn things_that_are_no_wheel_have_no_tones_and_die_soon() {
    for sound in [OtherSound::Clap, OtherSound::Drum, OtherSound::Bang] {
        let scene = Scene::plain(rate(48_000), Source::Other(sound), vec![Strike::at(0.0); 2]);
        let take = scene.play().unwrap();
        assert!(take.truth.is_empty());
        let strike = rate(48_000).samples(take.strikes_s[1]);
        let late = take.clip.slice(strike + 28_000, strike + 40_000);
        assert!(late.iter().all(|x| x.abs() < 1e-4), "{sound:?}");
        assert!(take.clip.peak() > 0.4);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(10))]

    #[test]
    fn same_scene_same_samples_and_no_tone_beyond_the_band(
        hz in 8_000u32..=192_000,
        seed in any::<u64>(),
        severity in 0.0..1.0f64,
        spot in -7.0..7.0f64,
    ) {
        let model = wheel(Imperfection::usual(seed)).with(crack(severity, spot));
        let mut scene = Scene::plain(rate(hz), Source::Wheel(model), vec![Strike::at(spot)]);
        scene.tail_s = 0.1;
        scene.noise = vec![Noise::White { rms_db: -60.0 }, Noise::Pink { rms_db: -70.0 }];
        scene.room = Some(Room { t60_s: 0.2, treble_share: 0.6, direct_over_tail_db: 15.0, seed });
        scene.seed = seed;
        let take = scene.play().unwrap();
        prop_assert_eq!(&take, &scene.play().unwrap());
        prop_assert!(take.clip.samples().iter().all(|x| x.is_finite() && x.abs() < 2.0));
        for mode in &take.truth {
            prop_assert!(mode.freq_hz < 0.45 * f64::from(hz));
            prop_assert!(mode.decay_per_s > 0.0 && LN_1000 / mode.decay_per_s < 20.0);
        }
    }
}
