//! The mode estimator against signals with known truth.

use fourtap::ring::estimate::solve;
use fourtap::ring::listen::Listener;
use fourtap::ring::synth::MadeTake;
use fourtap::ring::take::TapTake;
use fourtap::signal::clip::Clip;
use fourtap::units::{LN_1000, SampleRate};
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

/// A true mode: frequency in Hz, T60 in s, amplitude, phase.
#[derive(Clone, Copy)]
struct True {
    freq_hz: f64,
    t60_s: f64,
    amplitude: f64,
    phase: f64,
}

/// A take of damped tones in white noise, 0.5 s of quiet before the strike.
fn take(modes: &[True], rate: u32, noise_std: f64, length_s: f64, seed: u64) -> TapTake {
    let rate = SampleRate::new(rate).unwrap();
    let strike = rate.samples(0.5);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let end = strike + rate.samples(length_s);
    let x: Vec<f64> = (0..end)
        .map(|n| {
            let g: f64 = StandardNormal.sample(&mut rng);
            let mut v = noise_std * g;
            if n >= strike {
                let t = rate.seconds(n - strike);
                for m in modes {
                    v += m.amplitude
                        * (-LN_1000 / m.t60_s * t).exp()
                        * (std::f64::consts::TAU * m.freq_hz * t + m.phase).cos();
                }
            }
            v
        })
        .collect();
    TapTake {
        clip: Clip::new(x, rate),
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

/// The four taps of a made-up sounding.
fn four_takes(made: &MadeTake) -> Vec<TapTake> {
    let mut listener = Listener::new(made.clip.rate());
    let mut takes = listener.push(made.clip.samples(), 0);
    takes.extend(listener.finish().0);
    assert_eq!(takes.len(), 4);
    takes
}

/// A random wheel: `count` modes, T60 around `t60_s`, neighbours at least 12 half-widths apart.
fn wheel(count: usize, t60_s: f64, seed: u64) -> Vec<True> {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let mut out: Vec<True> = Vec::new();
    while out.len() < count {
        let m = True {
            freq_hz: 300.0 * (40f64).powf(rng.random::<f64>()),
            t60_s: t60_s * (2f64).powf(rng.random::<f64>() - 0.5),
            amplitude: 0.1 * (10f64).powf(-rng.random::<f64>()),
            phase: rng.random::<f64>() * std::f64::consts::TAU,
        };
        let apart = |o: &True| (o.freq_hz - m.freq_hz).abs() > 12.0 * 2.2 / m.t60_s.min(o.t60_s);
        if out.iter().all(apart) && m.freq_hz * m.t60_s > 40.0 {
            out.push(m);
        }
    }
    out
}

/// Errors over the Cramer-Rao bound of a lone damped tone: sd(delta) = 2 delta / sqrt(H),
/// sd(f) = delta / (pi sqrt(H)), H = A^2 fs / (4 delta s^2) at the window's start.
struct Score {
    decay: Vec<f64>,
    freq: Vec<f64>,
    stated: Vec<f64>,
    missed: usize,
    possible: usize,
    extra: usize,
}

fn score(t60_s: f64, noise_std: f64, rate: u32, seeds: std::ops::Range<u64>) -> Score {
    let mut s = Score {
        decay: vec![],
        freq: vec![],
        stated: vec![],
        missed: 0,
        possible: 0,
        extra: 0,
    };
    for seed in seeds {
        let truth = wheel(12, t60_s, seed);
        let solved = solve(&[&take(
            &truth,
            rate,
            noise_std,
            (1.5 * t60_s).clamp(0.3, 3.0),
            seed + 1000,
        )]);
        let mut used = vec![false; solved.modes.len()];
        for m in &truth {
            let delta = LN_1000 / m.t60_s;
            let start = m.amplitude * (-delta * 0.003).exp();
            let h = start * start * f64::from(rate) / (4.0 * delta * noise_std * noise_std);
            let near = solved
                .modes
                .iter()
                .enumerate()
                .filter(|(_, o)| (o.freq_hz - m.freq_hz).abs() < delta)
                .min_by(|a, b| {
                    (a.1.freq_hz - m.freq_hz)
                        .abs()
                        .total_cmp(&(b.1.freq_hz - m.freq_hz).abs())
                });
            let bound = 2.0 * delta / h.sqrt();
            let possible = bound < 0.15 * delta;
            s.possible += usize::from(possible);
            match near {
                Some((k, o)) => {
                    used[k] = true;
                    if possible {
                        s.decay.push((o.decay_per_s - delta) / bound);
                        s.freq.push(
                            (o.freq_hz - m.freq_hz) / (delta / (std::f64::consts::PI * h.sqrt())),
                        );
                        s.stated.push((o.decay_per_s - delta) / o.decay_std_per_s);
                    }
                }
                None => s.missed += usize::from(possible),
            }
        }
        s.extra += used.iter().filter(|u| !**u).count();
    }
    s
}

fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt()
}

/// Errors stay near the bound of a lone tone. 24 tones or more a case: the rms of a ratio then
/// scatters by about 15 %, so 1.5 is three standard deviations over 1.
#[test]
fn decays_and_frequencies_are_near_the_bound() {
    for (t60_s, rate, noise_std) in [
        (0.2, 44_100, 1e-3),
        (0.6, 48_000, 1e-4),
        (0.6, 48_000, 1e-2),
    ] {
        let s = score(t60_s, noise_std, rate, 0..3);
        assert!(
            s.possible >= 24,
            "{t60_s} {noise_std}: {} possible",
            s.possible
        );
        assert_eq!((s.missed, s.extra), (0, 0), "{t60_s} {noise_std}");
        assert!(
            rms(&s.decay) < 1.5,
            "{t60_s} {noise_std}: {}",
            rms(&s.decay)
        );
        assert!(rms(&s.freq) < 1.5, "{t60_s} {noise_std}: {}", rms(&s.freq));
        assert!(
            (0.6..1.5).contains(&rms(&s.stated)),
            "{t60_s} {noise_std}: {}",
            rms(&s.stated)
        );
    }
}

/// The skirt of an octave filter of three poles is 36 dB down two octaves below (its own
/// definition, IEC 61260 class filters are of that kind): of a tone 40 dB softer and four times
/// shorter the neighbour is all that is left at the end of the range, and must not pass for it.
#[test]
fn a_band_does_not_show_its_neighbours_decay_as_its_own() {
    let tone = |freq_hz, t60_s, amplitude| True {
        freq_hz,
        t60_s,
        amplitude,
        phase: 0.3,
    };
    let modes = [tone(2_000.0, 1.0, 0.3), tone(8_000.0, 0.25, 0.003)];
    let tap = fourtap::ring::measure::measure(&take(&modes, 48_000, 1e-6, 1.5, 5));
    let band = |freq_hz: f64| {
        let holds =
            |b: &&fourtap::ring::tap::BandDecay| b.band_hz.0 < freq_hz && b.band_hz.1 > freq_hz;
        tap.bands.iter().find(holds).unwrap()
    };
    let own = band(2_000.0).ring_time_s.unwrap();
    assert!((own - 1.0).abs() < 0.02, "{own}");
    match band(8_000.0).ring_time_s {
        Err(fourtap::ring::tap::NoDecay::Neighbour { freq_hz }) => {
            assert!((freq_hz - 2_000.0).abs() < 1.0, "{freq_hz}");
        }
        other => panic!("{other:?}"),
    }
}

/// A wheel in a room of 0.4 s whose echo is 24 dB below the direct sound: every tone within
/// 25 dB of the strongest is found within two half-power widths, and hardly a line stands
/// where no tone is. (Fitting the echo with further lines gave 20 of those a solve.)
/// Seven pairs of quality factor 45, half and once as far apart as they are wide, overlap from 600 Hz
/// to 3.5 kHz. They are no echo, and 40 dB and more over the noise each is to be found.
/// Two tones of one decay, two half-power widths apart, struck nearly in step: they die away together
/// as one fast line would, fall silent, and sound up once more. Energies 28 dB over the noise density
/// each, where a pair shows from 1.6 widths on.
#[test]
fn a_pair_struck_in_step_is_heard_to_sound_up_again() {
    let rate_hz = 48_000u32;
    let mut missed = Vec::new();
    for seed in 0..16u64 {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(8_100 + seed);
        let decay_per_s = LN_1000 / (0.2 * 6f64.powf(rng.random::<f64>()));
        let middle_hz = 1_000.0 * 8f64.powf(rng.random::<f64>());
        let half_width_hz = decay_per_s / std::f64::consts::TAU;
        let phase = std::f64::consts::TAU * rng.random::<f64>();
        let pair = [-1.0, 1.0].map(|side| True {
            freq_hz: middle_hz + 2.0 * side * half_width_hz,
            t60_s: LN_1000 / decay_per_s,
            amplitude: 0.1,
            phase: phase + side * 0.4 * rng.random::<f64>(),
        });
        // H = A^2 fs / (4 delta s^2) at 3 ms, where the decay is taken from.
        let at_start = 0.1 * (-0.003 * decay_per_s).exp();
        let density = at_start * at_start / (4.0 * decay_per_s * 10f64.powf(2.8));
        let noise_std = (density * f64::from(rate_hz)).sqrt();
        let length_s = (1.5 * LN_1000 / decay_per_s).max(0.4);
        let take = take(&pair, rate_hz, noise_std, length_s, 8_200 + seed);
        let modes = solve(&[&take]).modes;
        let is_near = |m: &&fourtap::ring::mode::Mode, t: &True| {
            (m.freq_hz - t.freq_hz).abs() < half_width_hz
        };
        if !pair.iter().all(|t| modes.iter().any(|m| is_near(&m, t))) {
            missed.push(seed);
        }
    }
    // Asked are 90 %: of 16 pairs with that chance more than three are missed once in 15 times.
    assert!(missed.len() <= 3, "missed: {missed:?}");
}

#[test]
fn pairs_of_a_damped_wheel_are_no_echo() {
    let tones_hz = [608.0, 985.0, 1366.0, 1708.0, 2282.0, 2604.0, 3276.0];
    let (mut missed, mut invented, mut far) = (0, 0, 0);
    for (seed, apart) in (0..4).flat_map(|seed| [(seed, 1.01), (seed, 1.02)]) {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(300 + seed);
        let mut modes = Vec::new();
        for freq_hz in tones_hz {
            for freq_hz in [freq_hz, apart * freq_hz] {
                modes.push(True {
                    freq_hz,
                    t60_s: 45.0 * LN_1000 / (std::f64::consts::PI * freq_hz),
                    amplitude: 0.05 + 0.1 * rng.random::<f64>(),
                    phase: rng.random::<f64>() * std::f64::consts::TAU,
                });
            }
        }
        let take = take(&modes, 48_000, 8e-4, 1.0, 500 + seed);
        let solved = solve(&[&take]);
        assert_eq!(solved.echo, None, "seed {seed}");
        let near = |m: &fourtap::ring::mode::Mode, t: &True| {
            (m.freq_hz - t.freq_hz).abs() < 0.2 * t.freq_hz / 45.0
        };
        for t in &modes {
            match solved.modes.iter().find(|m| near(m, t)) {
                // One in 16 000 is 4 of his own standard deviations off.
                Some(m) if (m.freq_hz - t.freq_hz).abs() > 4.0 * m.freq_std_hz => far += 1,
                Some(_) => {}
                None => missed += 1,
            }
        }
        let none = |m: &&fourtap::ring::mode::Mode| !modes.iter().any(|t| near(m, t));
        invented += solved.modes.iter().filter(none).count();
    }
    assert!(
        missed == 0 && invented == 0 && far <= 1,
        "of 112 tones {missed} missed, {far} far off, {invented} invented"
    );
}

#[test]
fn an_echo_is_not_taken_for_tones() {
    use fourtap::ring::plate::Material;
    use fourtap::ring::synth::{
        BondLoss, Imperfection, Noise, Room, Scene, Source, WheelModel, turned_under_mic,
    };
    let material = Material {
        youngs_pa: 38e9,
        density_kg_m3: 2250.0,
        poisson: 0.2,
    };
    let (mut invented, mut strong) = (0, 0);
    for seed in 0..3 {
        let wheel = WheelModel::sound(
            [0.16, 0.022, 0.025],
            material,
            BondLoss::VITRIFIED,
            Imperfection::usual(4400 + seed),
        );
        let spots = [-45.0f64, 45.0, -90.0, 0.0].map(f64::to_radians);
        let made = Scene {
            room: Some(Room {
                t60_s: 0.4,
                treble_share: 0.6,
                direct_over_tail_db: 24.0,
                seed: 4500 + seed,
            }),
            noise: vec![Noise::White { rms_db: -80.0 }],
            seed,
            ..Scene::plain(
                SampleRate::new(48_000).unwrap(),
                Source::Wheel(wheel),
                turned_under_mic(&spots, 0.4),
            )
        }
        .play()
        .unwrap();
        let solved = solve(&four_takes(&made).iter().collect::<Vec<_>>());
        assert!(!solved.crowded);
        assert!(solved.echo.is_some());
        let energy = |m: &fourtap::ring::synth::TrueMode| {
            m.amplitudes.iter().map(|a| a * a).sum::<f64>() / m.decay_per_s
        };
        let width_hz = |decay_per_s: f64| (2.0 * decay_per_s / std::f64::consts::PI).max(2.0);
        let top = made.truth.iter().map(energy).fold(0.0, f64::max);
        for tone in made.truth.iter().filter(|t| energy(t) > top / 316.0) {
            strong += 1;
            let near = |m: &&fourtap::ring::mode::Mode| {
                (m.freq_hz - tone.freq_hz).abs() < width_hz(tone.decay_per_s)
            };
            assert!(solved.modes.iter().any(|m| near(&m)), "{} Hz", tone.freq_hz);
        }
        invented += solved
            .modes
            .iter()
            .filter(|m| {
                made.truth
                    .iter()
                    .all(|t| (t.freq_hz - m.freq_hz).abs() > width_hz(m.decay_per_s))
            })
            .count();
    }
    assert!(strong >= 6, "{strong}");
    // The goal is one a solve at most (twice that much echo and more in the trial: 0.9).
    assert!(invented <= 3, "{invented}");
}

/// Two lines in place of one tone, each too loose to be accepted, would lose it: day 416 of wheel 41
/// once lost a tone of 55 dB so, and the wheel was called back for it.
#[test]
fn no_tone_of_a_sound_wheel_is_lost_between_two_lines() {
    use fourtap::ring::plate::Material;
    use fourtap::ring::synth::{
        BondLoss, Imperfection, Noise, Scene, Source, WheelModel, turned_under_mic,
    };
    let mut strong = 0;
    for (wheel, size_m, days) in [
        (41, [0.178, 0.025, 0.032], 410..418),
        (42, [0.250, 0.025, 0.0508], 420..424),
    ] {
        let material = Material {
            youngs_pa: 30e9 + 4e9 * f64::from(wheel % 6),
            density_kg_m3: 2100.0 + 50.0 * f64::from(wheel % 5),
            poisson: 0.2,
        };
        let loss = BondLoss {
            q_at_1khz: 150.0,
            ..BondLoss::SILICATE
        };
        let imperfection = Imperfection::usual(9_000 + wheel as u64);
        let sound = WheelModel::sound(size_m, material, loss, imperfection);
        for day in days {
            let spots = [-45.0f64, 45.0, -90.0, 0.0].map(f64::to_radians);
            let mut strikes = turned_under_mic(&spots, 0.27);
            for (k, strike) in strikes.iter_mut().enumerate() {
                strike.strength = 0.7 + 0.15 * ((day + k as u64) % 4) as f64;
                strike.contact_s = 0.35e-3 + 0.05e-3 * (day % 4) as f64;
            }
            let made = Scene {
                spacing_s: 1.2,
                tail_s: 1.2,
                noise: vec![
                    Noise::White { rms_db: -80.0 },
                    Noise::Pink { rms_db: -74.0 },
                ],
                seed: 900 + day,
                ..Scene::plain(
                    SampleRate::new(48_000).unwrap(),
                    Source::Wheel(sound.clone()),
                    strikes,
                )
            }
            .play()
            .unwrap();
            let modes = solve(&four_takes(&made).iter().collect::<Vec<_>>()).modes;
            let energy = |t: &fourtap::ring::synth::TrueMode| {
                t.amplitudes.iter().map(|a| a * a).sum::<f64>() / t.decay_per_s
            };
            let top = made.truth.iter().map(energy).fold(0.0, f64::max);
            for tone in made.truth.iter().filter(|t| energy(t) > top / 1000.0) {
                strong += 1;
                let half_width_hz = tone.decay_per_s / std::f64::consts::TAU;
                let found = modes
                    .iter()
                    .any(|m| (m.freq_hz - tone.freq_hz).abs() < half_width_hz);
                assert!(found, "wheel {wheel}, day {day}: {} Hz", tone.freq_hz);
            }
        }
    }
    assert!(strong > 40, "{strong}");
}
