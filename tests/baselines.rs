//! Baselines and comparisons with them, on made-up wheels with known damage.

use std::ops::Range;
use std::path::Path;
use std::process::Command;

use fourtap::reading::baseline::{Baseline, Sounded, Unfit, build, build_group};
use fourtap::reading::compare::{Comparison, compare};
use fourtap::reading::intervals::wilson;
use fourtap::reading::limits::FALSE_ALARM;
use fourtap::reading::matching::Line;
use fourtap::reading::{Damping, Evidence, Footing, Reading};
use fourtap::ring::estimate::{HIGHEST_HZ, solve};
use fourtap::ring::plate::Material;
use fourtap::ring::synth::{
    BondLoss, Branch, CrackFrom, Damage, Imperfection, Noise, Scene, Source, Strike, TrueMode,
    WheelModel, WheelTone,
};
use fourtap::ring::take::TapTake;
use fourtap::tasks::lot_peers::{LotPeers, Peer};
use fourtap::units::{LN_1000, SampleRate};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Sizes in m (diameter, thickness, bore) and Young's modulus in Pa of wheels to test with.
/// Others were looked at while matching and limits were made: see docs/method.md.
const TEST_SIZES: [([f64; 3], f64); 5] = [
    ([0.205, 0.019, 0.0318], 43e9),
    ([0.225, 0.025, 0.060], 39e9),
    ([0.355, 0.038, 0.127], 47e9),
    ([0.175, 0.013, 0.020], 41e9),
    ([0.406, 0.040, 0.152], 45e9),
];

fn wheel(size: usize, bond: BondLoss, seed: u64) -> WheelModel {
    let (size_m, youngs_pa) = TEST_SIZES[size % TEST_SIZES.len()];
    let organic = bond.q_at_1khz < 100.0;
    let material = Material {
        youngs_pa: if organic { 0.4 * youngs_pa } else { youngs_pa },
        density_kg_m3: 2250.0,
        poisson: 0.2,
    };
    WheelModel::sound(size_m, material, bond, Imperfection::usual(seed))
}

/// Four taps at the rule's spots, each some 3 degrees and 20 % off, as a hand does it.
fn strikes(rng: &mut ChaCha8Rng) -> Vec<Strike> {
    let spots = fourtap::reading::turn_plan::TurnPlan::Rule.spots_deg();
    let tap = |spot: f64, rng: &mut ChaCha8Rng| {
        let at = (spot + 3.0 * normal(rng)).to_radians();
        Strike {
            strength: (0.2 * normal(rng)).exp(),
            ..Strike::at(at)
        }
    };
    spots.into_iter().map(|s| tap(s, rng)).collect()
}

fn rate() -> SampleRate {
    SampleRate::new(48_000).unwrap()
}

/// How far a day moves a sound wheel, as standard deviations of logarithms. Those of METHOD's
/// error model: all tones 1e-3, each 1.5e-4 (prior day-to-day scatter), decay 12 % together.
#[derive(Clone, Copy)]
struct DayScatter {
    shift: f64,
    tone: f64,
    decay: f64,
}

const VITRIFIED_DAY: DayScatter = DayScatter {
    shift: 1e-3,
    tone: 1.5e-4,
    decay: 0.12,
};

/// A sounding drawn at the level of modes: true tones and amplitudes of a made-up wheel, noise
/// 70 dB below full scale, errors of the Cramer-Rao bound of a lone line (sd(delta) =
/// 2 delta/sqrt(H), sd(f) = delta/(pi sqrt(H))) with floors of 2 % and 20 ppm, pairs seen as
/// two from the distance that four taps were measured to part (bandwidths u = 2 at 28 dB,
/// four times less per 10 dB), faint lines seen by chance.
fn drawn(wheel: &WheelModel, scatter: DayScatter, day: u64) -> Sounded {
    drawn_days(wheel, scatter, &[day]).remove(0)
}

/// Several such soundings of one wheel.
fn drawn_days(wheel: &WheelModel, scatter: DayScatter, days: &[u64]) -> Vec<Sounded> {
    let mut rngs: Vec<ChaCha8Rng> = days.iter().map(|d| ChaCha8Rng::seed_from_u64(*d)).collect();
    // The wheel's tones are the costly part: one scene holds the strikes of all days.
    let struck = rngs.iter_mut().flat_map(strikes).collect();
    let mut scene = Scene::plain(rate(), Source::Wheel(wheel.clone()), struck);
    (scene.quiet_s, scene.spacing_s, scene.tail_s) = (0.0, 0.002, 0.01);
    let truth = scene.play().unwrap().truth;
    let day = |(k, rng): (usize, &mut ChaCha8Rng)| {
        let of_day = |m: &TrueMode| TrueMode {
            amplitudes: m.amplitudes[4 * k..4 * k + 4].to_vec(),
            ..m.clone()
        };
        let own: Vec<TrueMode> = truth.iter().map(of_day).collect();
        one_day(&own, scatter, days[k], rng)
    };
    rngs.iter_mut().enumerate().map(day).collect()
}

fn one_day(truth: &[TrueMode], scatter: DayScatter, day: u64, rng: &mut ChaCha8Rng) -> Sounded {
    let shift = scatter.shift * normal(rng);
    let damp = scatter.decay * normal(rng);
    let moved: Vec<TrueMode> = truth
        .iter()
        .map(|m| TrueMode {
            freq_hz: m.freq_hz * (shift + scatter.tone * normal(rng)).exp(),
            decay_per_s: m.decay_per_s * (damp + 0.3 * scatter.decay * normal(rng)).exp(),
            ..m.clone()
        })
        .collect();
    let mut lines = Vec::new();
    // The estimator looks no higher.
    for m in moved.iter().filter(|m| m.freq_hz < HIGHEST_HZ) {
        let twin = moved
            .iter()
            .find(|t| (t.n, t.s) == (m.n, m.s) && t.branch != m.branch);
        let (h_db, twin_db) = (energy_db(m), twin.map_or(f64::MIN, energy_db));
        let seen_as_two = twin.is_none_or(|t| {
            let u = (t.freq_hz - m.freq_hz).abs() * LN_1000 / m.decay_per_s;
            let fainter = 2f64.powf((h_db - twin_db).abs() / 12.0);
            u >= 2.0 * 4f64.powf(-0.1 * (h_db.max(twin_db) - 28.0)) * fainter
        });
        if seen_as_two || twin_db == f64::MIN {
            lines.extend(measured(m, h_db, rng));
        } else if m.branch == Branch::Lower {
            let t = twin.unwrap();
            let (a, b) = (10f64.powf(0.1 * h_db), 10f64.powf(0.1 * twin_db));
            let one = TrueMode {
                freq_hz: (a * m.freq_hz + b * t.freq_hz) / (a + b),
                ..m.clone()
            };
            lines.extend(measured(&one, 10.0 * (a + b).log10(), rng));
        }
    }
    let taps = (0..4).map(|k| ring_time_s(&moved, k) * (0.05 * normal(rng)).exp());
    Sounded {
        name: format!("day {day}"),
        lines,
        tap_ring_times_s: taps.collect(),
        ..Sounded::default()
    }
}

fn energy_db(m: &TrueMode) -> f64 {
    let squares: f64 = m.amplitudes.iter().map(|a| a * a).sum();
    10.0 * (squares * 48_000.0 / (4.0 * m.decay_per_s * 1e-7)).log10()
}

fn measured(m: &TrueMode, h_db: f64, rng: &mut ChaCha8Rng) -> Option<Line> {
    let h = 10f64.powf(0.1 * h_db);
    let seen = h_db > 26.0 || (h_db > 16.0 && rng.random::<f64>() < 0.1 * (h_db - 16.0));
    let freq_std_hz = (m.decay_per_s / (std::f64::consts::PI * h.sqrt())).hypot(2e-5 * m.freq_hz);
    let decay_std_per_s = (2.0 / h.sqrt()).hypot(0.02) * m.decay_per_s;
    seen.then(|| Line {
        freq_hz: m.freq_hz + freq_std_hz * normal(rng),
        freq_std_hz,
        decay_per_s: (m.decay_per_s + decay_std_per_s * normal(rng)).max(0.3 * m.decay_per_s),
        decay_std_per_s,
        energy_db: h_db,
        split: 0.0,
    })
}

fn ring_time_s(modes: &[TrueMode], tap: usize) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for m in modes {
        let energy = m.amplitudes[tap].powi(2) / (4.0 * m.decay_per_s);
        sum += energy * LN_1000 / m.decay_per_s;
        weight += energy;
    }
    sum / weight
}

/// A sounding by way of sound: a recording is made and the taps are solved together.
fn solved(wheel: &WheelModel, scatter: DayScatter, day: u64) -> Sounded {
    let mut rng = ChaCha8Rng::seed_from_u64(day);
    let mut wheel = wheel.clone();
    wheel.warmer_k = scatter.shift * normal(&mut rng) / wheel.loss.tone_per_k;
    let mut scene = Scene::plain(rate(), Source::Wheel(wheel), strikes(&mut rng));
    scene.spacing_s = 1.5;
    scene.tail_s = 1.5;
    scene.seed = day;
    scene.noise = vec![Noise::Pink { rms_db: -70.0 }];
    let made = scene.play().unwrap();
    let takes: Vec<TapTake> = made
        .clip_per_tap(0.4, 1.4)
        .into_iter()
        .map(|clip| TapTake {
            time_s: 0.4,
            strike: rate().samples(0.4),
            quiet: 0..rate().samples(0.395),
            decay: rate().samples(0.4)..clip.len(),
            microphone: 0,
            flaws: Vec::new(),
            level_db: 50.0,
            tonal_share: 1.0,
            clip,
        })
        .collect();
    let views: Vec<&TapTake> = takes.iter().collect();
    let s = solve(&views);
    Sounded {
        name: format!("day {day}"),
        lines: s.modes.iter().map(Line::from).collect(),
        room_misfit: s.room_misfit,
        tap_ring_times_s: s.ring_times_s.iter().flatten().map(|t| t.0).collect(),
        temp_c: None,
    }
}

/// What came of `trials` wheels with a baseline of `n` soundings.
#[derive(Default, Debug)]
struct Count {
    clear: u32,
    unclear: u32,
    dull: u32,
    why: Vec<String>,
}

impl Count {
    fn add(&mut self, c: &Comparison) {
        self.why.extend(c.changes.first().cloned());
        match c.reading {
            Reading::ClearRing => self.clear += 1,
            Reading::Unclear => self.unclear += 1,
            Reading::DullThud => self.dull += 1,
        }
    }

    fn not_clear(&self) -> u32 {
        self.unclear + self.dull
    }

    fn all(&self) -> u32 {
        self.clear + self.not_clear()
    }
}

fn days(wheel: &WheelModel, scatter: DayScatter, n: u64, seed: u64) -> Vec<Sounded> {
    (0..n)
        .map(|d| drawn(wheel, scatter, seed * 100 + d))
        .collect()
}

fn damping(bond: BondLoss) -> Damping {
    if bond.q_at_1khz < 100.0 {
        Damping::High
    } else {
        Damping::Low
    }
}

/// A wheel of the test sizes with its baseline of `n` soundings.
fn with_baseline(n: u64, bond: BondLoss, scatter: DayScatter, seed: u64) -> (WheelModel, Baseline) {
    let w = wheel(seed as usize, bond, 40_000 + seed);
    let b = build(&days(&w, scatter, n, seed), damping(bond)).unwrap();
    (w, b)
}

/// False alarms of sound soundings, four each of 60 wheels. The stated rate must lie within
/// or above the 99 % interval of what was seen (the soundings of one wheel share a baseline, so
/// they are not quite independent: the interval is taken wide for that).
fn sound_soundings(n: u64, bond: BondLoss, scatter: DayScatter, seeds: Range<u64>) -> Count {
    let mut count = Count::default();
    for seed in seeds {
        let w = wheel(seed as usize, bond, 40_000 + seed);
        let numbers: Vec<u64> = (0..n + 4).map(|d| seed * 100 + d).collect();
        let all = drawn_days(&w, scatter, &numbers);
        let b = build(&all[..n as usize], damping(bond)).unwrap();
        for test in &all[n as usize..] {
            count.add(&compare(&b, test).unwrap());
        }
    }
    count
}

#[test]
fn sound_wheels_are_called_back_no_more_often_than_stated() {
    for n in [1, 2, 3, 5] {
        let count = sound_soundings(n, BondLoss::VITRIFIED, VITRIFIED_DAY, 0..50);
        let seen = wilson(count.not_clear(), count.all(), 0.99).unwrap();
        assert!(seen.low <= FALSE_ALARM, "{n} soundings: {count:?} {seen:?}");
    }
}

/// Largest relative change among the ten lowest tones.
fn largest_shift(sound: &WheelModel, damaged: &WheelModel) -> f64 {
    let tones = |w: &WheelModel| w.tones(20_000.0).unwrap();
    let (a, b) = (tones(sound), tones(damaged));
    let pair = a.iter().take(10).filter_map(|t| {
        let same = |u: &&WheelTone| (u.n, u.s, u.branch) == (t.n, t.s, t.branch);
        Some((b.iter().find(same)?.freq_hz / t.freq_hz).ln().abs())
    });
    pair.fold(0.0, f64::max)
}

/// Cracks from rim or bore anywhere that move one of the ten lowest tones by 1 % or more.
fn cracked(w: &WheelModel, rng: &mut ChaCha8Rng) -> WheelModel {
    loop {
        let crack = Damage::Crack {
            severity: 0.1 + 0.6 * rng.random::<f64>(),
            angle_rad: std::f64::consts::TAU * rng.random::<f64>(),
            from: if rng.random() {
                CrackFrom::Rim
            } else {
                CrackFrom::Bore
            },
        };
        let damaged = w.clone().with(crack);
        if largest_shift(w, &damaged) > 0.01 {
            return damaged;
        }
    }
}

#[test]
fn damage_that_moves_a_tone_by_one_per_cent_is_not_cleared() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut count = Count::default();
    for seed in 100..200 {
        let (w, b) = with_baseline(3, BondLoss::VITRIFIED, VITRIFIED_DAY, seed);
        let test = drawn(&cracked(&w, &mut rng), VITRIFIED_DAY, seed * 100 + 60);
        count.add(&compare(&b, &test).unwrap());
    }
    assert!(count.not_clear() >= 95, "{count:?}");
}

// Day-to-day scatter of resin as METHOD's error model has it, by temperature above all.
const RESINOID_DAY: DayScatter = DayScatter {
    shift: 8e-3,
    tone: 3e-4,
    decay: 0.12,
};

#[test]
fn resinoid_wheels_are_called_back_no_more_often_than_stated() {
    let count = sound_soundings(3, BondLoss::RESINOID, RESINOID_DAY, 300..350);
    let seen = wilson(count.not_clear(), count.all(), 0.99).unwrap();
    assert!(seen.low <= FALSE_ALARM, "{count:?} {seen:?}");
}

/// A quiet day for tests of single figures.
const STILL: DayScatter = DayScatter {
    shift: 2e-4,
    tone: 5e-5,
    decay: 0.03,
};

/// The sounding with all tones moved by `all`, and the nearest to `near_hz` by `one` more.
fn moved(mut s: Sounded, all: f64, near_hz: f64, one: f64) -> Sounded {
    let away = |l: &Line| (l.freq_hz - near_hz).abs();
    let nearest = (0..s.lines.len())
        .min_by(|&a, &b| away(&s.lines[a]).total_cmp(&away(&s.lines[b])))
        .unwrap();
    for (k, l) in s.lines.iter_mut().enumerate() {
        l.freq_hz *= (all + if k == nearest { one } else { 0.0 }).exp();
    }
    s
}

fn figure<'a>(c: &'a Comparison, name: &str) -> &'a Evidence {
    c.evidence.iter().find(|e| e.figure == name).unwrap()
}

#[test]
fn a_uniform_shift_and_a_local_one_are_told_apart() {
    let (w, b) = with_baseline(3, BondLoss::VITRIFIED, STILL, 7);
    let day = || drawn(&w, STILL, 799);
    let first_hz = b.lines[0].place.ln_freq.exp();
    let uniform = compare(&b, &moved(day(), -0.012, first_hz, 0.0)).unwrap();
    assert_eq!(uniform.reading, Reading::Unclear, "{uniform:?}");
    assert!(uniform.changes[0].contains("1.2"), "{:?}", uniform.changes);
    assert!(
        uniform.changes[0].contains("together"),
        "{:?}",
        uniform.changes
    );
    assert!(
        uniform.hints.iter().any(|h| h.contains("alike")),
        "{:?}",
        uniform.hints
    );
    assert!(
        !uniform.hints.iter().any(|h| h.contains("crack")),
        "{:?}",
        uniform.hints
    );
    let local = compare(&b, &moved(day(), 0.0, first_hz, -0.02)).unwrap();
    assert_eq!(local.reading, Reading::DullThud, "{local:?}");
    assert!(
        local.hints.iter().any(|h| h.contains("crack")),
        "{:?}",
        local.hints
    );
    assert_eq!(
        figure(&local, "common shift of all tones").speaks_for,
        Some(Reading::ClearRing)
    );
    assert!(
        local
            .changes
            .iter()
            .any(|c| c.contains("Hz") || c.contains("lowest"))
    );
}

#[test]
fn what_is_a_little_beyond_the_limit_is_unclear() {
    let (w, b) = with_baseline(3, BondLoss::VITRIFIED, STILL, 8);
    let test = drawn(&w, STILL, 899);
    let limit = figure(&compare(&b, &test).unwrap(), "common shift of all tones")
        .limit
        .unwrap();
    let shifted = |times: f64| {
        // The day's own shift is far below the limit.
        let c = compare(&b, &moved(test.clone(), -0.01 * limit * times, 1.0, 0.0)).unwrap();
        c.reading
    };
    assert_eq!(shifted(0.7), Reading::ClearRing);
    assert_eq!(shifted(1.4), Reading::Unclear);
    // Ring times: half as long speaks for more than one a little short.
    let low_s = figure(&compare(&b, &test).unwrap(), "ring time")
        .limit
        .unwrap();
    let times = b.ring_times.unwrap();
    let with_ring = |ring_s: f64| {
        let mut s = test.clone();
        s.tap_ring_times_s = vec![ring_s; 4];
        compare(&b, &s).unwrap().reading
    };
    let mean_s = times.ln_mean.exp();
    assert_eq!(with_ring(mean_s), Reading::ClearRing);
    assert_eq!(with_ring(0.9 * low_s), Reading::Unclear);
    assert_eq!(with_ring(0.9 * low_s * low_s / mean_s), Reading::DullThud);
}

#[test]
fn a_small_change_never_speaks_for_a_dull_thud() {
    let (w, b) = with_baseline(5, BondLoss::VITRIFIED, STILL, 9);
    let first_hz = b.lines[0].place.ln_freq.exp();
    let c = compare(&b, &moved(drawn(&w, STILL, 999), 0.0, first_hz, -0.0025)).unwrap();
    assert_eq!(c.reading, Reading::Unclear, "{c:?}");
}

#[test]
fn the_temperature_explains_a_shift() {
    let w = wheel(1, BondLoss::RESINOID, 77);
    let at = |day: u64, temp_c: f64| {
        let mut warm = w.clone();
        warm.warmer_k = temp_c - 20.0;
        let mut s = drawn(&warm, STILL, day);
        s.temp_c = Some(temp_c);
        s
    };
    let b = build(
        &[
            at(1, 19.0),
            at(2, 21.0),
            at(3, 20.0),
            at(4, 22.0),
            at(5, 18.0),
        ],
        Damping::High,
    );
    let b = b.unwrap();
    let shift = |s: &Sounded| {
        let c = compare(&b, s).unwrap();
        let e = figure(&c, "common shift of all tones");
        (e.value, e.limit.unwrap())
    };
    let warm = at(6, 32.0);
    let (known, known_limit) = shift(&warm);
    let unknown = Sounded {
        temp_c: None,
        ..warm
    };
    let (not_known, limit) = shift(&unknown);
    // 12 K of -6.5e-4 per kelvin (the bond's own figure in ring/synth).
    assert!((not_known - 0.78).abs() < 0.1, "{not_known}");
    assert!(
        known < 0.1 && known_limit < 0.5 * limit,
        "{known} {known_limit} {limit}"
    );
}

#[test]
fn another_wheel_is_not_compared() {
    let (_, b) = with_baseline(3, BondLoss::VITRIFIED, VITRIFIED_DAY, 11);
    let other = drawn(&wheel(13, BondLoss::VITRIFIED, 1), VITRIFIED_DAY, 5);
    let c = compare(&b, &other).unwrap();
    assert!(c.reading > Reading::ClearRing);
    let same_size = drawn(&wheel(11, BondLoss::VITRIFIED, 2), VITRIFIED_DAY, 6);
    assert!(compare(&b, &same_size).unwrap().reading > Reading::ClearRing);
    // Nothing rings at all.
    let none = compare(&b, &Sounded::default()).unwrap();
    assert!(!none.matches && none.reading == Reading::Unclear);
    assert!(
        none.changes[0].contains("not this wheel"),
        "{:?}",
        none.changes
    );
}

#[test]
fn soundings_that_do_not_go_together_are_refused_by_name() {
    let w = wheel(2, BondLoss::VITRIFIED, 21);
    let mut mixed = days(&w, VITRIFIED_DAY, 3, 21);
    mixed.push(drawn(&wheel(3, BondLoss::VITRIFIED, 22), VITRIFIED_DAY, 22));
    let error = build(&mixed, Damping::Low).unwrap_err();
    assert!(
        matches!(&error, Unfit::Mixed { name, .. } if name == "day 22"),
        "{error}"
    );
    // Another wheel of the same specification: about the same tones, but not the same.
    mixed[3] = drawn(&wheel(2, BondLoss::VITRIFIED, 23), VITRIFIED_DAY, 23);
    let error = build(&mixed, Damping::Low).unwrap_err();
    assert!(
        matches!(&error, Unfit::Mixed { name, .. } if name == "day 23"),
        "{error}"
    );
    assert!(error.to_string().contains('%'), "{error}");
    let mut few = days(&w, VITRIFIED_DAY, 2, 24);
    few[1].lines.truncate(2);
    let error = build(&few, Damping::Low).unwrap_err().to_string();
    assert!(
        error.contains(&few[1].name) && error.contains('2'),
        "{error}"
    );
    assert_eq!(build(&[], Damping::Low), Err(Unfit::NoSounding));
    // Figures that are no numbers are left out, not followed.
    few[1].lines.iter_mut().for_each(|l| l.freq_hz = f64::NAN);
    assert!(build(&few, Damping::Low).is_err());
}

#[test]
fn in_a_live_room_decays_and_new_lines_do_not_decide() {
    let (w, b) = with_baseline(3, BondLoss::VITRIFIED, STILL, 12);
    let mut test = drawn(&w, STILL, 1299);
    test.room_misfit = 0.05;
    test.tap_ring_times_s = vec![0.01; 4];
    test.lines.iter_mut().for_each(|l| l.decay_per_s *= 8.0);
    let c = compare(&b, &test).unwrap();
    for name in ["ring time", "damping of all tones"] {
        assert_eq!(figure(&c, name).speaks_for, None, "{name}");
    }
    let (quiet, room) = (
        drawn(&w, STILL, 1299),
        Sounded {
            room_misfit: 0.01,
            ..drawn(&w, STILL, 1299)
        },
    );
    let limit = |s: &Sounded| figure(&compare(&b, s).unwrap(), "lowest single tone").limit;
    assert!(limit(&room) > limit(&quiet));
}

/// The whole way: sound made, solved, compared; different wheels than above.
#[test]
fn by_way_of_sound_a_sound_day_is_clear_and_a_cracked_wheel_is_not() {
    let w = wheel(0, BondLoss::VITRIFIED, 50_001);
    let b = build(
        &[1, 2, 3].map(|d| solved(&w, VITRIFIED_DAY, 500 + d)),
        Damping::Low,
    )
    .unwrap();
    let sound = compare(&b, &solved(&w, VITRIFIED_DAY, 510)).unwrap();
    assert_eq!(sound.reading, Reading::ClearRing, "{sound:?}");
    let crack = Damage::Crack {
        severity: 0.27,
        angle_rad: 2.1,
        from: CrackFrom::Rim,
    };
    let dead = w.clone().with(crack);
    assert!(largest_shift(&w, &dead) > 0.005);
    let c = compare(&b, &solved(&dead, VITRIFIED_DAY, 511)).unwrap();
    assert!(c.reading > Reading::ClearRing, "{c:?}");
}

/// Writes a recording of one day, at half the usual rate: reading it takes a third of the time.
fn recorded(wheel: &WheelModel, day: u64, path: &Path) {
    let half = SampleRate::new(24_000).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(day);
    let mut wheel = wheel.clone();
    wheel.warmer_k = 3.0 * normal(&mut rng);
    let mut scene = Scene::plain(half, Source::Wheel(wheel), strikes(&mut rng));
    (scene.spacing_s, scene.tail_s, scene.seed) = (1.6, 1.6, day);
    scene.noise = vec![Noise::Pink { rms_db: -70.0 }];
    let clip = scene.play().unwrap().clip;
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: half.get(),
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut out = hound::WavWriter::create(path, spec).unwrap();
    for x in clip.samples() {
        out.write_sample((x * 8_388_607.0) as i32).unwrap();
    }
    out.finalize().unwrap();
}

fn fourtap(store: &Path, args: &[&str]) -> (Option<i32>, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .arg("--store")
        .arg(store)
        .args(args)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (out.status.code(), text(&out.stdout), text(&out.stderr))
}

/// Through files, the store and the built program: three days without room, a fourth, a crack.
#[test]
fn from_recordings_to_a_baseline_to_rings_clear() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store");
    let w = wheel(1, BondLoss::VITRIFIED, 60_003);
    let crack = Damage::Crack {
        severity: 0.33,
        angle_rad: 0.7,
        from: CrackFrom::Bore,
    };
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let files: Vec<String> = (1..=4).map(|d| path(&format!("day{d}.wav"))).collect();
    for (d, file) in files.iter().enumerate() {
        recorded(&w, 600 + d as u64, Path::new(file));
    }
    let (cracked_file, other_file) = (path("cracked.wav"), path("other.wav"));
    let dead = w.clone().with(crack);
    assert!(largest_shift(&w, &dead) > 0.01);
    recorded(&dead, 610, Path::new(&cracked_file));
    recorded(
        &wheel(2, BondLoss::VITRIFIED, 60_004),
        611,
        Path::new(&other_file),
    );
    let read = |file: &str| {
        let (code, out, err) = fourtap(&store, &["read", "--wheel", "W-1", "--json", file]);
        let json: serde_json::Value =
            serde_json::from_str(&out).unwrap_or_else(|_| panic!("{err}"));
        (code, json)
    };
    // A wheel that is not known: physics only, said, and no store is made.
    let (code, json) = read(&files[3]);
    assert_eq!(
        (code, json["footing"].as_str()),
        (Some(12), Some("physics only")),
        "{json}"
    );
    assert!(
        json["warnings"].to_string().contains("fourtap wheel add"),
        "{}",
        json["warnings"]
    );
    assert!(!store.exists());
    let build = |list: &[&String]| {
        let mut args = vec!["baseline", "build", "--wheel", "W-1", "--temp", "21C"];
        args.extend(list.iter().map(|s| s.as_str()));
        fourtap(&store, &args)
    };
    assert_eq!(build(&[&files[0]]).0, Some(5));
    let add = [
        "wheel",
        "add",
        "W-1",
        "--size",
        "225x25x60",
        "--bond",
        "vitrified",
    ];
    assert_eq!(fourtap(&store, &add).0, Some(0));
    let (code, _, err) = build(&[&files[0], &other_file]);
    assert!(
        code == Some(3) && err.contains("other.wav"),
        "{code:?} {err}"
    );
    let (code, _, err) = build(&[&files[0], &files[0]]);
    assert!(
        code == Some(3) && err.contains("same recording"),
        "{code:?} {err}"
    );
    let (code, out, err) = build(&[&files[0]]);
    assert_eq!(code, Some(0), "{err}");
    assert!(
        out.contains("version 1") && err.contains("one sounding"),
        "{out} {err}"
    );
    let (code, _, err) = build(&[&files[0], &files[1], &files[2]]);
    assert!(
        code == Some(0) && err.contains("version 2") && err.contains("version 1"),
        "{err}"
    );
    let (_, out, _) = fourtap(&store, &["baseline", "show", "w-1", "--json"]);
    let kept: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(kept["baseline_version"], 2);
    assert_eq!(kept["soundings"].as_array().unwrap().len(), 3);
    assert_eq!(kept["soundings"][0]["temp_c"], 21.0);
    assert!(kept["statistics"]["modes"].as_array().unwrap().len() >= 5);
    let (code, json) = read(&files[3]);
    assert_eq!(
        (code, &json["outcome"]),
        (Some(0), &"rings clear".into()),
        "{json}"
    );
    assert_eq!(json["footing"], "own baseline");
    assert_eq!(json["baseline"]["version"], 2);
    assert!(
        json["summary"]
            .as_str()
            .unwrap()
            .contains("where this wheel rang"),
        "{json}"
    );
    assert!(json["evidence"].as_array().unwrap().len() >= 8);
    let (code, json) = read(&cracked_file);
    assert!(
        matches!(code, Some(10 | 11)),
        "{code:?} {}",
        json["summary"]
    );
    let (code, _) = read(&other_file);
    assert!(matches!(code, Some(10 | 11)), "{code:?}");
}

/// One sounding each of wheels of one marking, which differ by their own imperfections.
fn group(n: u64, seed: u64) -> Vec<Sounded> {
    let of = |k: u64| {
        let w = wheel(seed as usize, BondLoss::VITRIFIED, 80_000 + 100 * seed + k);
        Sounded {
            name: format!("wheel {k}"),
            ..drawn(&w, VITRIFIED_DAY, 9_000 + 100 * seed + k)
        }
    };
    (1..=n).map(of).collect()
}

#[test]
fn a_wheel_is_held_against_others_of_its_specification() {
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let (mut sound, mut cracked_ones) = (Count::default(), Count::default());
    for seed in 0..30 {
        let b = build_group(
            Footing::SpecificationBaseline,
            &group(6, seed),
            Damping::Low,
        )
        .unwrap();
        let w = wheel(seed as usize, BondLoss::VITRIFIED, 80_000 + 100 * seed);
        let c = compare(&b, &drawn(&w, VITRIFIED_DAY, seed)).unwrap();
        assert!(
            c.evidence[0]
                .against
                .as_ref()
                .unwrap()
                .contains("specification baseline, 6 wheels")
        );
        sound.add(&c);
        let mut dead = cracked(&w, &mut rng);
        while largest_shift(&w, &dead) < 0.03 {
            dead = cracked(&w, &mut rng);
        }
        cracked_ones.add(&compare(&b, &drawn(&dead, VITRIFIED_DAY, 50 + seed)).unwrap());
    }
    // The stated rate is 1 %: of 30, four or more would have a chance of less than 1 in 10 000.
    assert!(sound.not_clear() <= 3, "{sound:?}");
    // The table of docs/method.md has some of ten missed for cracks over 3 %.
    assert!(cracked_ones.not_clear() >= 22, "{cracked_ones:?}");
}

#[test]
fn a_specification_needs_three_wheels_that_go_together() {
    let wheels = group(4, 41);
    let build = |w: &[Sounded]| build_group(Footing::SpecificationBaseline, w, Damping::Low);
    assert_eq!(build(&wheels[..2]), Err(Unfit::TooFewWheels { found: 2 }));
    let mut mixed = wheels.clone();
    mixed.push(Sounded {
        name: "of another size".to_owned(),
        ..drawn(&wheel(42, BondLoss::VITRIFIED, 1), VITRIFIED_DAY, 1)
    });
    let error = build(&mixed).unwrap_err();
    assert!(
        matches!(&error, Unfit::Mixed { name, .. } if name == "of another size"),
        "{error}"
    );
    // Few wheels widen the limits.
    let limit = |n| build(&group(n, 43)).unwrap().smallest_shown().unwrap();
    assert!(limit(3) > limit(8));
}

#[test]
fn lot_peers_are_the_others_and_leave_a_damaged_one_out() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let bad = cracked(&wheel(45, BondLoss::VITRIFIED, 80_000), &mut rng);
    let mut wheels = group(5, 45);
    wheels.push(Sounded {
        name: "bad".to_owned(),
        lines: drawn(&bad, VITRIFIED_DAY, 3)
            .lines
            .into_iter()
            .map(|l| Line {
                freq_hz: 1.05 * l.freq_hz,
                ..l
            })
            .enumerate()
            .map(|(k, l)| Line {
                freq_hz: l.freq_hz * (1.0 - 0.04 * (k % 2) as f64),
                ..l
            })
            .collect(),
        ..drawn(&bad, VITRIFIED_DAY, 3)
    });
    let all: Vec<Peer> = wheels
        .into_iter()
        .map(|sounded| Peer {
            wheel: sounded.name.clone(),
            lot: String::new(),
            damping: Damping::Low,
            sounded,
        })
        .collect();
    let mut peers = LotPeers::new(&all);
    let mut of = |wheel: &str, lot: &str| peers.of(wheel, lot).map(|p| p.baseline);
    // Its own sounding and the bad one are not among the peers of a good wheel.
    assert_eq!(of("WHEEL 1", "").unwrap().soundings, 4);
    let b = of("bad", "").unwrap();
    assert_eq!((b.soundings, b.footing), (5, Footing::LotPeers));
    assert!(compare(&b, &all[5].sounded).unwrap().reading > Reading::ClearRing);
    assert!(of("wheel 1", "another lot").is_none());
    assert!(LotPeers::new(&all[..3]).of("wheel 1", "").is_none());
}

#[test]
fn a_pair_that_parts_on_one_day_only_is_no_change() {
    let (w, b) = with_baseline(3, BondLoss::VITRIFIED, STILL, 46);
    let mut test = drawn(&w, STILL, 4699);
    let lone = b
        .lines
        .iter()
        .find(|l| l.place.regular && l.place.partner.is_none())
        .unwrap();
    let at_hz = lone.place.ln_freq.exp();
    let near = |l: &Line| (l.freq_hz / at_hz - 1.0).abs() < 1e-3;
    let k = test.lines.iter().position(near).unwrap();
    let one = test.lines[k];
    test.lines[k].freq_hz = one.freq_hz * (1.0 - 7e-4);
    test.lines.push(Line {
        freq_hz: one.freq_hz * (1.0 + 7e-4),
        ..one
    });
    assert_eq!(compare(&b, &test).unwrap().reading, Reading::ClearRing);
}

/// One spot that rings far shorter than the rest is a difference from spot to spot; by itself it never
/// speaks for a dull thud.
#[test]
fn a_spot_that_rings_shorter_than_the_others_is_told() {
    let (w, b) = with_baseline(4, BondLoss::VITRIFIED, STILL, 47);
    let name = "shortest ring of a spot, below the mean of all";
    let mut test = drawn(&w, STILL, 4799);
    let usual = test.tap_ring_times_s[0];
    test.tap_ring_times_s = vec![usual; 4];
    let figure = |c: &fourtap::reading::compare::Comparison| {
        let found = c.evidence.iter().find(|e| e.figure == name);
        found.map(|e| (e.value, e.limit, e.speaks_for)).unwrap()
    };
    let even = compare(&b, &test).unwrap();
    assert_eq!(even.reading, Reading::ClearRing);
    let (value, limit, speaks) = figure(&even);
    assert!(value.abs() < 1e-9 && limit.is_some());
    assert_eq!(speaks, Some(Reading::ClearRing));
    test.tap_ring_times_s[2] = 0.05 * usual;
    let odd = compare(&b, &test).unwrap();
    assert_eq!(figure(&odd).2, Some(Reading::Unclear));
    // Mean of the logarithms: three taps as usual, one at ln 0.05, so 1 - exp(0.75 ln 0.05).
    let truth = 100.0 * (1.0 - (0.75 * 0.05f64.ln()).exp());
    assert!((figure(&odd).0 - truth).abs() < 1e-6);
    assert!(odd.changes.iter().any(|c| c.contains("at one tap spot")));
    // Two taps have no spots to speak of.
    test.tap_ring_times_s.truncate(2);
    let few = compare(&b, &test).unwrap();
    assert!(few.evidence.iter().all(|e| e.figure != name));
}

/// Specification, lot, marks, comparing and retiring, by way of the built program.
#[test]
fn from_recordings_to_specification_and_lot() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store");
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let files: Vec<String> = (1..=4).map(|k| path(&format!("wheel{k}.wav"))).collect();
    for (k, file) in files.iter().enumerate() {
        let w = wheel(0, BondLoss::VITRIFIED, 61_000 + k as u64);
        recorded(&w, 700 + k as u64, Path::new(file));
    }
    let run = |args: &[&str]| {
        let with: Vec<&str> = args.to_vec();
        fourtap(&store, &with)
    };
    let json = |out: &str| -> Vec<serde_json::Value> {
        out.lines()
            .map(|l| serde_json::from_str(l).unwrap())
            .collect()
    };
    // Each against the other three; nothing is kept.
    let mut lot = vec!["read", "--lot-peers", "--json"];
    lot.extend(files.iter().map(String::as_str));
    let (code, out, err) = run(&lot);
    let read = json(&out);
    assert_eq!(
        code,
        Some(0),
        "{err} {:?}",
        read.iter()
            .map(|r| r["summary"].clone())
            .collect::<Vec<_>>()
    );
    assert!(
        read.iter()
            .all(|r| r["footing"] == "lot peers" && r["baseline"]["soundings"] == 3)
    );
    assert!(
        read[0]["warnings"]
            .to_string()
            .contains("3 other wheels stand behind this")
    );
    assert!(!store.exists());
    let mut spec = vec![
        "baseline",
        "build",
        "--specification",
        "A60",
        "--bond",
        "vitrified",
    ];
    spec.extend(files[..2].iter().map(String::as_str));
    spec.push(&files[2]);
    let (code, out, err) = run(&spec);
    assert!(
        code == Some(0) && out.contains("specification A60"),
        "{out} {err}"
    );
    let add = [
        "wheel",
        "add",
        "W-9",
        "--size",
        "205x19x32",
        "--bond",
        "vitrified",
        "--specification",
        "A60",
    ];
    assert_eq!(run(&add).0, Some(0));
    let (code, out, _) = run(&["read", "--wheel", "W-9", "--json", &files[3]]);
    let read = json(&out).remove(0);
    assert_eq!(
        (code, read["footing"].as_str()),
        (Some(0), Some("specification baseline")),
        "{read}"
    );
    // Its first own baseline is confirmed by it, and is used from then on.
    let build = [
        "baseline", "build", "--wheel", "W-9", "--json", "--temp", "18C", &files[3],
    ];
    let (code, out, err) = run(&build);
    let kept = json(&out).remove(0);
    assert_eq!(
        (code, &kept["unconfirmed"]),
        (Some(0), &false.into()),
        "{err}"
    );
    assert!(
        kept["notes"].to_string().contains("confirms"),
        "{}",
        kept["notes"]
    );
    let pictures = path("pictures");
    assert_eq!(
        run(&["baseline", "show", "W-9", "--pictures", &pictures]).0,
        Some(0)
    );
    assert!(Path::new(&pictures).join("W-9-baseline.png").is_file());
    let (code, out, err) = run(&[
        "baseline",
        "compare",
        "A60",
        "A60:1",
        "--specification",
        "--json",
    ]);
    let same = json(&out).remove(0);
    assert_eq!(
        (code, &same["reading"]),
        (Some(0), &"clear ring".into()),
        "{err}"
    );
    let (code, _, err) = run(&[
        "baseline", "build", "--wheel", "W-9", "--temp", "18C,20C", &files[3],
    ]);
    assert!(
        code == Some(3) && err.contains("2 temperatures for 1"),
        "{code:?} {err}"
    );
    // Dropped after its baseline: that is compared with, and none is built.
    std::thread::sleep(std::time::Duration::from_millis(1100));
    assert_eq!(run(&["wheel", "dropped", "W-9"]).0, Some(0));
    let (code, _, err) = run(&build);
    assert!(
        code == Some(3) && err.contains("dropped since"),
        "{code:?} {err}"
    );
    let retire = ["baseline", "retire", "W-9", "--note", "to try"];
    assert_eq!(run(&retire).0, Some(0));
    assert_eq!(run(&retire).0, Some(5));
    assert_eq!(run(&["wheel", "retire", "W-9"]).0, Some(0));
    let (code, out, _) = run(&["read", "--wheel", "W-9", "--json", &files[3]]);
    let read = json(&out).remove(0);
    assert_eq!(code, Some(11), "{read}");
    assert!(
        read["summary"].as_str().unwrap().contains("retired"),
        "{read}"
    );
}
