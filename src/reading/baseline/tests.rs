//! What a baseline is made of, against values worked out by hand.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::f64::consts::SQRT_2;

use super::*;

/// `(nu0 s0^2 + n s^2) / (nu0 + n)`, written out anew.
fn drawn(assumed: f64, own: f64, dof: f64, prior: f64) -> f64 {
    ((prior * assumed.powi(2) + dof * own.powi(2)) / (prior + dof)).sqrt()
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * b.abs().max(1e-6)
}

fn line(freq_hz: f64) -> Line {
    Line {
        freq_hz,
        freq_std_hz: 0.001,
        decay_per_s: 7.0,
        decay_std_per_s: 0.1,
        energy_db: 50.0,
        split: 0.0,
    }
}

const TONES: [f64; 6] = [1000.0, 1700.0, 2300.0, 3900.0, 5200.0, 6600.0];

/// A sounding with each tone moved by `off` as a logarithm.
fn sounded(name: &str, off: impl Fn(usize) -> f64) -> Sounded {
    let lines = TONES
        .iter()
        .enumerate()
        .map(|(k, f)| line(f * off(k).exp()));
    Sounded {
        name: name.to_owned(),
        lines: lines.collect(),
        ..Sounded::default()
    }
}

#[test]
fn lines_that_count_are_strong_and_sharp() {
    let of = |energy_db: f64, decay_std_per_s: f64| {
        counts(&Line {
            energy_db,
            decay_std_per_s,
            ..line(1000.0)
        })
    };
    assert!(of(20.0, 0.1) && !of(19.9, 0.1));
    // 15 % of 7/s.
    assert!(of(50.0, 1.049) && !of(50.0, 1.051));
    let mixed = Sounded {
        lines: vec![
            line(3000.0),
            line(f64::NAN),
            Line {
                energy_db: 10.0,
                ..line(2000.0)
            },
            line(1000.0),
        ],
        ..Sounded::default()
    };
    let hz = |lines: Vec<Line>| lines.iter().map(|l| l.freq_hz).collect::<Vec<_>>();
    assert_eq!(hz(mixed.usable()), [1000.0, 2000.0, 3000.0]);
    assert_eq!(hz(mixed.counting()), [1000.0, 3000.0]);
}

#[test]
fn lone_near_neighbours_are_joined_to_one_line() {
    let freqs = |list: &[f64]| -> Vec<f64> {
        let lines: Vec<Line> = list.iter().map(|f| line(*f)).collect();
        joined(&lines).iter().map(|l| l.freq_hz).collect()
    };
    assert_eq!(freqs(&[1000.0, 1005.9, 2000.0]), [1002.95, 2000.0]);
    assert_eq!(freqs(&[1000.0, 1006.1, 2000.0]), [1000.0, 1006.1, 2000.0]);
    // Twice as far from the next line as from each other, on either side.
    assert_eq!(freqs(&[1000.0, 1002.0, 1006.1]), [1001.0, 1006.1]);
    assert_eq!(freqs(&[1000.0, 1002.0, 1005.9]), [1000.0, 1002.0, 1005.9]);
    assert_eq!(freqs(&[995.9, 1000.0, 1002.0]), [995.9, 1001.0]);
    assert_eq!(freqs(&[996.1, 1000.0, 1002.0]), [996.1, 1000.0, 1002.0]);
    assert_eq!(freqs(&[1000.0]), [1000.0]);
    assert!(freqs(&[]).is_empty());
}

// 40 and 50 dB: 1 part and 10 parts of 11.
#[test]
fn a_joined_line_weighs_its_two_by_their_energy() {
    let low = Line {
        energy_db: 40.0,
        freq_std_hz: 0.3,
        ..line(1000.0)
    };
    let high = Line {
        decay_per_s: 18.0,
        decay_std_per_s: 0.2,
        freq_std_hz: 0.4,
        ..line(1004.0)
    };
    let one = one_of(&low, &high);
    assert!(near(one.freq_hz, 1002.0) && near(one.freq_std_hz, 0.25));
    assert!(near(one.decay_per_s, (7.0 + 180.0) / 11.0));
    assert!(near(one.decay_std_per_s, 0.1f64.hypot(2.0) / 11.0));
    assert!(near(one.energy_db, 10.0 * 1.1e5f64.log10()));
    assert!(near(one.split, 1.004f64.ln()));
}

// Two soundings 0.1 % apart in all tones: half of it to either side, a deviation of 0.1 % / sqrt(2)
// of one degree of freedom, with the assumed one that counts for more.
#[test]
fn shifts_and_decays_of_whole_soundings_are_told_apart_from_single_tones() {
    let assumed = Assumed::of(Damping::Low);
    let mut warm = sounded("b", |_| 1e-3);
    for l in &mut warm.lines {
        l.decay_per_s *= 1.1;
    }
    let mut cold = sounded("a", |_| 0.0);
    let plain = build(&[cold.clone(), warm.clone()], Damping::Low).unwrap();
    assert_eq!(
        (plain.soundings, plain.temp_c, plain.footing),
        (2, None, Footing::OwnBaseline)
    );
    assert!(near(
        plain.shift_spread,
        drawn(assumed.shift, 1e-3 / SQRT_2, 1.0, assumed.prior)
    ));
    let decay = 1.1f64.ln() / SQRT_2;
    assert!(near(
        plain.decay_spread,
        drawn(assumed.decay, decay, 1.0, assumed.prior)
    ));
    assert_eq!(plain.lines.len(), TONES.len());
    for (l, f) in plain.lines.iter().zip(TONES) {
        assert!(near(l.place.ln_freq, f.ln() + 5e-4), "{f}");
        assert!(l.seen_spread.unwrap() < 1e-12);
        assert!(near(
            l.spread,
            drawn(
                drawn(assumed.tone, 0.0, 1.0, assumed.prior),
                0.0,
                1.0,
                assumed.prior
            )
        ));
        assert!(near(l.ln_decay, 7f64.ln() + 0.5 * 1.1f64.ln()));
        assert!(near(l.seen_decay_spread.unwrap(), decay));
        assert_eq!(
            (l.seen, l.place.always, l.place.regular, l.place.partner),
            (2, true, true, None)
        );
    }
    // The tones fall by 6e-5 per kelvin: 10 K warmer they should be 0.06 % lower, and are 0.1 %
    // higher, so 0.16 % are left.
    cold.temp_c = Some(15.0);
    warm.temp_c = Some(25.0);
    let logged = build(&[cold, warm], Damping::Low).unwrap();
    assert_eq!(logged.temp_c, Some(20.0));
    assert!(near(logged.shift_spread, plain.shift_spread));
    let left = 1.6e-3 / SQRT_2;
    assert!(near(
        logged.shift_spread_at_temp,
        drawn(assumed.shift_at_temp, left, 1.0, assumed.prior)
    ));
}

// One tone of six moves by 3e-4: it alone has that spread, and all together a sixth of its square.
#[test]
fn a_tone_that_scatters_has_its_own_spread() {
    let assumed = Assumed::of(Damping::Low);
    let second = sounded("b", |k| if k == 2 { 3e-4 } else { 0.0 });
    let base = build(&[sounded("a", |_| 0.0), second], Damping::Low).unwrap();
    let own = 3e-4 / SQRT_2;
    let pooled = drawn(assumed.tone, own / 6f64.sqrt(), 1.0, assumed.prior);
    for (k, l) in base.lines.iter().enumerate() {
        let of = if k == 2 { own } else { 0.0 };
        assert!((l.seen_spread.unwrap() - of).abs() < 1e-12, "{k}");
        assert!(near(l.spread, drawn(pooled, of, 1.0, assumed.prior)), "{k}");
    }
    // From one sounding no spread is seen.
    let one = build(&[sounded("a", |_| 0.0)], Damping::Low).unwrap();
    assert!(
        one.lines
            .iter()
            .all(|l| l.seen_spread.is_none() && l.seen_decay_spread.is_none())
    );
    assert!(near(one.lines[0].spread, assumed.tone));
    assert!(near(one.shift_spread, assumed.shift));
}

#[test]
fn what_is_seldom_or_faint_is_no_regular_line() {
    let seen_in = |soundings: usize, of: usize, energy_db: f64| {
        let all: Vec<Sounded> = (0..of)
            .map(|k| {
                let mut s = sounded("s", |_| 0.0);
                if k < soundings {
                    s.lines.push(Line {
                        energy_db,
                        ..line(8000.0)
                    });
                }
                s
            })
            .collect();
        let base = build(&all, Damping::Low).unwrap();
        let last = *base.lines.last().unwrap();
        assert!(near(last.place.ln_freq, 8000f64.ln()));
        (last.place.regular, last.place.always, last.seen)
    };
    assert_eq!(seen_in(1, 1, 50.0), (true, true, 1));
    assert_eq!(seen_in(1, 3, 50.0), (false, false, 1));
    assert_eq!(seen_in(2, 3, 50.0), (true, false, 2));
    assert_eq!(seen_in(3, 3, 50.0), (true, true, 3));
    assert_eq!(seen_in(3, 3, 19.0), (false, true, 3));
}

// A line is as strong as most of its soundings have it, and as fine as the finest.
#[test]
fn a_line_has_the_median_energy_and_the_best_resolution() {
    let all: Vec<Sounded> = [45.0, 60.0, 50.0]
        .iter()
        .map(|energy_db| {
            let mut s = sounded("s", |_| 0.0);
            s.lines[1].energy_db = *energy_db;
            s
        })
        .collect();
    let l = build(&all, Damping::Low).unwrap().lines[1];
    assert_eq!(l.place.energy_db, 50.0);
    assert!(near(l.place.weight, line(1700.0).weight()));
    assert!(near(l.resolution, all[1].lines[1].resolution()));
}

// Two lines 3e-4 apart run together from sounding to sounding; where half of the soundings see two
// there are two.
#[test]
fn two_lines_are_two_where_half_of_the_soundings_see_them() {
    let all = |double: usize, of: usize| {
        let soundings: Vec<Sounded> = (0..of)
            .map(|k| {
                let mut s = sounded("s", |_| 0.0);
                if k < double {
                    let half = 1e-5 * k as f64;
                    s.lines[2].freq_hz = 2300.0 * (-half).exp();
                    s.lines.push(line(2300.0 * (3e-4 + half).exp()));
                }
                s
            })
            .collect();
        build(&soundings, Damping::Low).unwrap()
    };
    let base = all(1, 3);
    assert_eq!(base.lines.len(), 6);
    let base = all(2, 4);
    assert_eq!(base.lines.len(), 7);
    let (low, high) = (base.lines[2], base.lines[3]);
    assert_eq!((low.place.partner, high.place.partner), (Some(3), Some(2)));
    assert!(near(high.place.ln_freq - low.place.ln_freq, 3.1e-4));
    // Seen apart in two of four, the group in all.
    assert!(low.place.always && high.place.always);
    let assumed = Assumed::of(Damping::Low);
    let seen = 2e-5 / SQRT_2;
    let pooled = drawn(assumed.split, seen, 3.0, assumed.prior);
    assert!(
        near(low.split_spread, drawn(pooled, seen, 1.0, assumed.prior)),
        "{}",
        low.split_spread
    );
}

#[test]
fn neighbours_far_from_all_others_are_a_pair() {
    let of = |at: f64, soundings: usize| {
        let all: Vec<Sounded> = (0..soundings)
            .map(|k| {
                let mut s = sounded("s", |_| 0.0);
                // Apart to both sides, so that only their distance changes.
                let half = 0.5e-4 * k as f64;
                s.lines[2].freq_hz = 2300.0 * (-half).exp();
                s.lines.push(line(2300.0 * (at + half).exp()));
                s
            })
            .collect();
        build(&all, Damping::Low).unwrap()
    };
    let wide = of(5.8e-3, 2);
    assert_eq!(
        (wide.lines[2].place.partner, wide.lines[3].place.partner),
        (Some(3), Some(2))
    );
    assert!(
        wide.lines
            .iter()
            .enumerate()
            .all(|(k, l)| l.place.partner.is_some() == (k == 2 || k == 3))
    );
    assert!(
        of(6.1e-3, 2)
            .lines
            .iter()
            .all(|l| l.place.partner.is_none())
    );
    let assumed = Assumed::of(Damping::Low);
    let seen = 1e-4 / SQRT_2;
    let pooled = drawn(assumed.split, seen, 1.0, assumed.prior);
    assert!(near(
        wide.lines[2].split_spread,
        drawn(pooled, seen, 1.0, assumed.prior)
    ));
    // What is too faint to be regular is no half of a pair.
    for faint in [2, 6] {
        let mut all = [sounded("s", |_| 0.0), sounded("t", |_| 0.0)];
        for s in &mut all {
            s.lines.push(line(2300.0 * 5.8e-3f64.exp()));
            s.lines[faint].energy_db = 19.0;
        }
        let base = build(&all, Damping::Low).unwrap();
        assert!(
            base.lines.iter().all(|l| l.place.partner.is_none()),
            "{faint}"
        );
    }
    // A third at less than twice their distance: no pair.
    let mut three = sounded("s", |_| 0.0);
    three.lines.push(line(2300.0 * 2e-3f64.exp()));
    three.lines.push(line(2300.0 * 5.9e-3f64.exp()));
    let base = build(&[three.clone()], Damping::Low).unwrap();
    assert!(base.lines.iter().all(|l| l.place.partner.is_none()));
    three.lines[7].freq_hz = 2300.0 * 6.1e-3f64.exp();
    let base = build(&[three], Damping::Low).unwrap();
    assert_eq!(
        base.lines
            .iter()
            .filter(|l| l.place.partner.is_some())
            .count(),
        2
    );
}

// Logarithms of decay rates 0, 1 and 5 have the mean 2: each sounding's own distance from it, of
// its lines the median.
#[test]
fn the_decays_of_a_sounding_are_those_of_its_own_lines() {
    let regular = |decays: [f64; 3]| {
        let values = decays.iter().zip(0..).map(|(ln_decay, sounding)| Pooled {
            x: 7.0,
            sounding,
            line: Line {
                decay_per_s: ln_decay.exp(),
                decay_std_per_s: 1e-3,
                ..line(1000.0)
            },
        });
        raw(values.collect(), 3, 3)
    };
    let found = session_decays(&[regular([0.0, 1.0, 5.0])], 3);
    for (a, b) in found.iter().zip([-2.0, -1.0, 3.0]) {
        assert!((a - b).abs() < 1e-12, "{found:?}");
    }
    let lines = [[0.0, 1.0, 5.0], [0.0, 0.0, 0.0], [1.0, -2.0, 1.0]].map(regular);
    let found = session_decays(&lines, 3);
    // Of -2, 0, 1; of -1, 0, -2; of 3, 0, 1.
    for (a, b) in found.iter().zip([0.0, -1.0, 1.0]) {
        assert!((a - b).abs() < 1e-12, "{found:?}");
    }
}

// Wheels of a group: pairs joined, their natural distances kept as a root mean square.
#[test]
fn a_group_knows_the_natural_pairs_of_its_wheels() {
    let wheels: Vec<Sounded> = [1e-3_f64, 2e-3, 0.0]
        .into_iter()
        .map(|split| {
            let mut s = sounded("w", |_| 0.0);
            if split > 0.0 {
                s.lines[3].freq_hz = 3900.0 * (-0.5 * split).exp();
                s.lines.push(line(3900.0 * (0.5 * split).exp()));
            }
            s
        })
        .collect();
    let base = build_group(Footing::SpecificationBaseline, &wheels, Damping::Low).unwrap();
    let assumed = Assumed::on(Footing::SpecificationBaseline, Damping::Low);
    assert_eq!(base.lines.len(), 6);
    let rms = (0.5 * (1e-6 + 4e-6f64)).sqrt();
    let wanted = drawn(assumed.hidden_split, rms, 2.0, assumed.prior);
    assert!((base.lines[3].natural_split / wanted - 1.0).abs() < 1e-6);
    assert!(near(base.lines[0].natural_split, assumed.hidden_split));
    assert!(near(
        base.shift_spread,
        drawn(assumed.shift, 0.0, 2.0, assumed.prior)
    ));
    let two = build_group(Footing::SpecificationBaseline, &wheels[..2], Damping::Low);
    assert_eq!(two, Err(Unfit::TooFewWheels { found: 2 }));
}

#[test]
fn other_wheels_are_assumed_to_differ_more_than_one_does() {
    for damping in [Damping::Low, Damping::High] {
        let own = Assumed::on(Footing::OwnBaseline, damping);
        assert_eq!(own, Assumed::of(damping));
        for footing in [Footing::SpecificationBaseline, Footing::LotPeers] {
            let other = Assumed::on(footing, damping);
            assert!(other.shift > own.shift && other.tone > own.tone && other.near > own.near);
            assert!(near(other.split, other.tone * SQRT_2));
        }
    }
}

/// What a second sounding, all tones moved by `off`, is refused with.
fn refused(second: Sounded) -> Option<(f64, f64, f64)> {
    match build(&[sounded("a", |_| 0.0), second], Damping::Low) {
        Ok(_) => None,
        Err(Unfit::Mixed {
            name,
            other,
            shared_percent,
            least_percent,
            shift_percent,
            most_shift_percent,
            apart_percent,
            most_apart_percent,
        }) => {
            let limits = [least_percent, most_shift_percent, most_apart_percent];
            for (limit, wanted) in limits.into_iter().zip([50.0, 0.6 * SQRT_2, 0.06 * SQRT_2]) {
                assert!(near(limit, wanted), "{limits:?}");
            }
            assert_eq!((name.as_str(), other.as_str()), ("b", "a"));
            Some((shared_percent, shift_percent, apart_percent))
        }
        Err(other) => panic!("{other}"),
    }
}

// Six standard deviations of a difference: 6 sqrt(2) 0.1 % = 0.849 %.
#[test]
fn a_sounding_that_is_shifted_too_far_is_another_wheel() {
    assert_eq!(refused(sounded("b", |_| 8.4e-3)), None);
    assert_eq!(refused(sounded("b", |_| -8.4e-3)), None);
    for off in [8.6e-3, -8.6e-3] {
        let (shared, shift, apart) = refused(sounded("b", |_| off)).unwrap();
        assert!(near(shared, 100.0) && near(shift, 100.0 * off) && apart < 1e-9);
    }
    // 40 K colder explain 0.24 %.
    let with = |off: f64, temp_c: f64| {
        let mut a = sounded("a", |_| 0.0);
        a.temp_c = Some(20.0);
        let mut b = sounded("b", |_| off);
        b.temp_c = Some(temp_c);
        build(&[a, b], Damping::Low).is_ok()
    };
    assert!(with(10.8e-3, -20.0) && !with(11.0e-3, -20.0));
    assert!(!with(10.8e-3, 20.0) && !with(8.4e-3, 60.0));
}

// Half of the tones up, half down by as much: no common shift, each that far for itself. The limit
// is 4 sqrt(2) 0.015 % = 0.0849 %.
#[test]
fn tones_that_go_their_own_ways_are_another_wheel() {
    let apart = |off: f64| sounded("b", move |k| if k % 2 == 0 { off } else { -off });
    assert_eq!(refused(apart(8.3e-4)), None);
    let (shared, shift, each) = refused(apart(8.7e-4)).unwrap();
    assert!(
        near(shared, 100.0) && shift.abs() < 1e-9 && near(each, 0.087),
        "{each}"
    );
}

// Lines of equal weight: of a and b together 12, in common 2 of each pair.
#[test]
fn soundings_share_half_of_their_weight_at_least() {
    let with = |common: usize| {
        let mut s = sounded("b", |_| 0.0);
        for (k, l) in s.lines.iter_mut().enumerate().skip(common) {
            l.freq_hz = 9000.0 + 700.0 * k as f64;
        }
        s
    };
    let fewer = refused(with(2)).unwrap();
    assert_eq!(fewer.0, 0.0, "fewer than three in common are none");
    // Four of six in common, and strangers: 8 of 12 parts and as many more.
    let beside = |strangers: u32| {
        let mut four = with(4);
        four.lines
            .extend((0..strangers).map(|k| line(10_000.0 + 900.0 * f64::from(k))));
        refused(four).map(|r| r.0)
    };
    assert_eq!((beside(0), beside(3)), (None, None));
    assert!(near(beside(5).unwrap(), 800.0 / 17.0));
}

#[test]
fn the_one_at_odds_with_most_is_named() {
    let all = [
        sounded("a", |_| 0.0),
        sounded("odd", |_| 2e-2),
        sounded("c", |_| 1e-4),
        sounded("d", |_| -1e-4),
    ];
    match build(&all, Damping::Low) {
        Err(Unfit::Mixed { name, .. }) => assert_eq!(name, "odd"),
        other => panic!("{other:?}"),
    }
    // The figures are those of the odd one and the first that it is at odds with.
    let two_kinds = [
        sounded("a", |_| 0.0),
        sounded("b", |_| 2e-2),
        sounded("odd", |_| -2e-2),
        sounded("like b", |_| 2e-2),
    ];
    match build(&two_kinds, Damping::Low) {
        Err(Unfit::Mixed { name, other, .. }) => {
            assert_eq!((name.as_str(), other.as_str()), ("odd", "a"));
        }
        other => panic!("{other:?}"),
    }
    assert_eq!(build(&[], Damping::Low), Err(Unfit::NoSounding));
    let mut few = sounded("few", |_| 0.0);
    few.lines.truncate(2);
    let wanted = Unfit::TooFewModes {
        name: "few".into(),
        found: 2,
        needed: 3,
    };
    assert_eq!(build(&[all[0].clone(), few], Damping::Low), Err(wanted));
}

// Logarithms: taps of 1 and e^2 s have the mean 1, of e and e the mean 1 too.
#[test]
fn ring_times_are_logarithms_of_soundings_and_of_taps() {
    let e = std::f64::consts::E;
    let with = |taps: &[f64]| {
        let mut s = sounded("s", |_| 0.0);
        s.tap_ring_times_s = taps.to_vec();
        s
    };
    let assumed = Assumed::of(Damping::Low);
    let base = build(
        &[with(&[1.0, e * e]), with(&[e, e, 0.0, f64::NAN])],
        Damping::Low,
    )
    .unwrap();
    let times = base.ring_times.unwrap();
    assert!(near(times.ln_mean, 1.0) && times.seen_spread.unwrap() < 1e-12);
    // Squares 1 + 1 + 0 + 0 over 1 + 1 degrees of freedom.
    assert!(near(
        times.tap_spread,
        drawn(assumed.tap_ring_time, 1.0, 2.0, assumed.prior)
    ));
    assert!(near(times.tap_dof, assumed.prior + 2.0));
    assert!(near(times.range_s.0, 1.0) && near(times.range_s.1, e * e));
    let apart = build(&[with(&[1.0]), with(&[e])], Damping::Low)
        .unwrap()
        .ring_times
        .unwrap();
    assert!(near(apart.seen_spread.unwrap(), 1.0 / SQRT_2));
    assert!(near(
        apart.spread,
        drawn(assumed.ring_time, 1.0 / SQRT_2, 1.0, assumed.prior)
    ));
    assert!(near(apart.tap_spread, assumed.tap_ring_time) && near(apart.tap_dof, assumed.prior));
    assert!(
        build(&[with(&[])], Damping::Low)
            .unwrap()
            .ring_times
            .is_none()
    );
}

#[test]
fn the_room_of_a_baseline_is_that_of_its_worst_sounding() {
    let with = |room_misfit: f64| Sounded {
        room_misfit,
        ..sounded("s", |_| 0.0)
    };
    let base = build(&[with(0.001), with(0.004), with(0.002)], Damping::High).unwrap();
    assert_eq!((base.room_misfit, base.damping), (0.004, Damping::High));
}

#[test]
fn medians_and_spreads_of_few_values() {
    assert_eq!(median(&mut []), None);
    assert_eq!(median(&mut [3.0]), Some(3.0));
    assert_eq!(median(&mut [3.0, 1.0]), Some(2.0));
    assert_eq!(median(&mut [9.0, 1.0, 4.0]), Some(4.0));
    assert_eq!(median(&mut [9.0, 1.0, 4.0, 2.0]), Some(3.0));
    assert_eq!((spread(&[]), spread(&[1.0])), (None, None));
    assert!(near(spread(&[1.0, 3.0]).unwrap(), SQRT_2));
    assert!(near(spread(&[1.0, 2.0, 6.0]).unwrap(), 7f64.sqrt()));
}
