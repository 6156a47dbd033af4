#![allow(clippy::unwrap_used)]

use super::*;
use crate::ring::listen::tests::{self, Scene, levels_in_hops_of, ring, signs};
use crate::signal::envelope::BandLevels;

/// All three bands of 8 kHz, over nothing.
fn shape(levels: &BandLevels) -> Shape<'_> {
    Shape {
        levels,
        background: [0.0; LANES],
        use_lane: [true, true, true, false, false, false],
    }
}

/// What counts as 1 in all that follows, so that nothing hangs on powers of 1.
const ONE: f64 = 0.01;

/// Levels of the three bands, so many hops each.
fn levels(parts: &[(usize, [f64; 3])]) -> BandLevels {
    let parts: Vec<(usize, [f64; 3])> = parts
        .iter()
        .map(|&(n, powers)| (n, powers.map(|p| ONE * p)))
        .collect();
    tests::levels(&parts)
}

/// Levels of the second band alone.
fn mid(parts: &[(usize, f64)]) -> BandLevels {
    let parts: Vec<(usize, [f64; 3])> = parts.iter().map(|&(n, p)| (n, [0.0, p, 0.0])).collect();
    levels(&parts)
}

fn from_db(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

fn contacts(follows: f64) -> Contacts {
    Contacts {
        later: Vec::new(),
        pulses: 0,
        follows,
        direct_db: 0.0,
        going_on_db: 0.0,
        innovation: None,
    }
}

fn about(db: f64, truth: f64) -> bool {
    (db - truth).abs() < 1e-6
}

#[test]
fn a_rise_is_looked_at_for_260_ms_or_700_at_the_start_or_until_the_next() {
    let scene = Scene::new(mid(&[(2_000, 1.0)]));
    let until = |impacts: &[u64], at_start| window(&scene.heard(), impacts, 100, at_start);
    assert_eq!(until(&[], false), 360);
    assert_eq!(until(&[], true), 800);
    // The next impact counts from 120 ms on and is left out with the 6 ms before it.
    assert_eq!(until(&[219], false), 360);
    assert_eq!(until(&[219, 220, 240], false), 214);
    assert_eq!(until(&[500], true), 494);
    let short = Scene::new(mid(&[(300, 1.0)]));
    assert_eq!(window(&short.heard(), &[], 100, false), 300);
}

#[test]
fn the_foot_is_where_it_first_gets_to_3_percent_of_the_next_12_ms() {
    let at = |soft: f64| {
        let known = mid(&[(103, 0.0), (2, soft), (10, 1.0)]);
        foot(&shape(&known), 100)
    };
    assert_eq!(at(0.031), 103);
    assert_eq!(at(0.029), 105);
    // What is 12 ms away does not count.
    let far = mid(&[(102, 0.0), (10, 0.02), (5, 1.0)]);
    assert_eq!(foot(&shape(&far), 100), 102);
    assert_eq!(foot(&shape(&far), 101), 112);
    assert_eq!(foot(&shape(&mid(&[(200, 0.0)])), 100), 100);
}

#[test]
fn the_level_before_is_that_of_25_ms_that_end_2_ms_before() {
    let before = |at: usize| {
        let mut scene = Scene::new(mid(&[(at, 0.0), (1, 25.0), (60, 0.0)]));
        scene.before_gap = Some([7.0; LANES]);
        let start = background(&scene.heard(), 100, true);
        assert_eq!(start, Some([7.0; LANES]));
        background(&scene.heard(), 100, false).unwrap()[1]
    };
    for (at, mean) in [(72, 0.0), (73, 1.0), (97, 1.0), (98, 0.0)] {
        assert!((before(at) - ONE * mean).abs() < 1e-12, "{at}");
    }
}

#[test]
fn a_band_has_risen_when_three_hops_within_ten_are_five_times_louder() {
    let risen = |parts: &[(usize, [f64; 3])], background: f64| {
        let scene = Scene::new(levels(parts));
        let known = [ONE * background; LANES];
        risen_lanes(&scene.heard(), 100, &known)
    };
    let flat = |level: f64| risen(&[(100, [0.0; 3]), (40, [0.0, level, 6.0])], 1.0);
    assert_eq!(flat(5.1), [false, true, true, false, false, false]);
    assert_eq!(flat(4.9), [false, false, true, false, false, false]);
    // One hop of 15.5 among others of nothing is a mean of 5.2 in three: from 100 to 111.
    let pulse = |at: usize| risen(&[(at, [0.0; 3]), (1, [15.5; 3]), (40, [0.0; 3])], 1.0)[0];
    assert!(!pulse(99) && pulse(100) && pulse(111) && !pulse(112));
    // Over nothing anything has risen, but nothing has not.
    let over_nothing = risen(&[(100, [0.0; 3]), (40, [0.0, 1e-9, 0.0])], 0.0);
    assert_eq!(over_nothing, [false, true, false, false, false, false]);
}

#[test]
fn what_comes_after_a_dropout_must_be_four_times_louder_than_before_it() {
    // 100 ms are lost from hop 100 to 200; the hops beside what is compared are loud.
    let check = |after: f64, at: u64| {
        let mut scene = Scene::new(mid(&[
            (79, 1.0),
            (1, 50.0),
            (20, 1.0),
            (101, 90.0),
            (10, after),
            (30, 90.0),
        ]));
        scene.breaks.push_back(800..1_600);
        check_resumption(&shape(&scene.levels), &scene.heard(), at)
    };
    assert_eq!(check(4.1, 1_600), Ok(()));
    assert_eq!(check(3.9, 1_600), Err(NotATap::Resumes { lost_ms: 100.0 }));
    // A strike within 4 ms of its end, on either side.
    assert!(check(3.9, 1_568).is_err() && check(3.9, 1_632).is_err());
    assert!(check(3.9, 1_567).is_ok() && check(3.9, 1_633).is_ok());
}

#[test]
fn a_rise_takes_10_ms_at_most_and_16_where_it_is_low() {
    // 0.3 and then all: three hops of which one is loud hold 0.53, from 2 hops before on.
    let check = |quiet: f64, loud_from: usize, only_low: bool| {
        let known = mid(&[(100 + loud_from, quiet), (100, 1.0)]);
        check_rise(&shape(&known), 100, only_low)
    };
    assert_eq!(check(0.3, 12, false), Ok(()));
    assert_eq!(
        check(0.3, 13, false),
        Err(NotATap::SlowRise { rise_ms: 11.0 })
    );
    assert_eq!(check(0.3, 18, true), Ok(()));
    assert_eq!(
        check(0.3, 19, true),
        Err(NotATap::SlowRise { rise_ms: 17.0 })
    );
    // With two fifths from the first it is no rise any more.
    assert_eq!(check(0.41, 30, false), Ok(()));
    assert_eq!(
        check(0.39, 30, false),
        Err(NotATap::SlowRise { rise_ms: 28.0 })
    );
    // 50 ms and the three hops of the last are looked at.
    assert_eq!(check(0.1, 52, false), Ok(()));
    assert_eq!(
        check(0.1, 51, false),
        Err(NotATap::SlowRise { rise_ms: 49.0 })
    );
}

#[test]
fn a_rise_must_stand_over_the_noise_longer_than_by_chance() {
    let check = |parts: &[(usize, f64)], only_low: bool| {
        let mut all = vec![(100, 1.0)];
        all.extend(parts);
        let scene = Scene::new(mid(&all));
        check_strength(&scene.heard(), 100, &[ONE; LANES], only_low)
    };
    assert_eq!(check(&[(10, 4.55), (90, 0.0)], false), Ok(()));
    let refused = check(&[(10, 4.45), (90, 99.0)], false).unwrap_err();
    let right = matches!(refused, NotATap::TooSoft { over_noise_db }
        if about(over_noise_db, 10.0 * 4.45f64.log10()));
    assert!(right, "{refused:?}");
    assert_eq!(check(&[(4, 8.05), (90, 0.0)], false), Ok(()));
    assert!(check(&[(4, 7.95), (90, 0.0)], false).is_err());
    assert!(check(&[(3, 9.0), (90, 0.0)], false).is_err());
    assert_eq!(check(&[(30, 12.1), (90, 0.0)], true), Ok(()));
    assert!(check(&[(30, 11.9), (90, 99.0)], true).is_err());
    assert!(check(&[(20, 16.0), (90, 0.0)], true).is_err());
    // Over nothing all is much, and nothing is nothing.
    let scene = Scene::new(mid(&[(100, 0.0), (50, 1e-20)]));
    assert!(check_strength(&scene.heard(), 100, &[0.0; LANES], false).is_ok());
    assert!(check_strength(&scene.heard(), 200, &[ONE; LANES], false).is_ok());
    assert!(check_strength(&scene.heard(), 50, &[0.0; LANES], false).is_err());
}

// After 3 hops, or 40 samples where that is longer: 3 of 14 samples and more, 4 of 11, 5 of 8.
#[test]
fn a_click_leaves_less_than_a_3000th_after_3_ms_from_1_khz_on() {
    let quiet = [0.0; 3];
    for (hop_len, wait) in [(48, 3), (14, 3), (13, 4), (11, 4), (8, 5)] {
        for gain in [1.0, 1e-6, 1e3] {
            let crisp = |left: f64| {
                let known = levels_in_hops_of(
                    hop_len,
                    &[
                        (100, quiet),
                        (3, [0.0, 0.0, gain]),
                        // What filters ring on with meanwhile does not count.
                        (wait - 3, [0.0, 0.0, 0.01 * gain]),
                        (3, [0.0, 0.0, left * gain]),
                        (9, quiet),
                    ],
                );
                check_persistence(&shape(&known), 100, false)
            };
            assert_eq!(crisp(0.000_31), Ok(()), "{hop_len}");
            let refused = crisp(0.000_29).unwrap_err();
            let right = matches!(refused, NotATap::Click { left_db }
                if about(left_db, 10.0 * 0.000_29f64.log10()));
            assert!(right, "{hop_len}: {refused:?}");
        }
    }
    let check = |parts: &[(usize, [f64; 3])]| {
        let known = levels(parts);
        check_persistence(&shape(&known), 100, false)
    };
    // With less than 3 % from 1 kHz on, the bands below decide: there nothing is left here.
    for gain in [1.0, 1e-6, 1e3] {
        let share = |high: f64| {
            let (both, on) = ([0.0, gain, high * gain], [0.0, 0.0, high * gain]);
            check(&[(100, [0.0; 3]), (3, both), (20, on)])
        };
        assert_eq!(share(0.031_5), Ok(()));
        let refused = share(0.001).unwrap_err();
        let right = matches!(refused, NotATap::Click { left_db }
            if about(left_db, from_then(0.001)));
        assert!(right, "{refused:?}");
    }
}

/// What is left of 1 and `high` together when `high` alone goes on, in dB.
fn from_then(high: f64) -> f64 {
    power_db(high / (1.0 + high))
}

#[test]
fn a_click_of_low_bands_leaves_less_than_a_400th_after_6_ms() {
    let check = |left: [f64; 3], only_low: bool| {
        let start = [left[0].max(0.5), 1.0, 0.0];
        let known = levels(&[
            (100, [0.0; 3]),
            (3, start),
            (3, [0.1, 0.1, 0.0]),
            (5, left),
            (20, [0.0; 3]),
        ]);
        check_persistence(&shape(&known), 100, only_low)
    };
    assert_eq!(check([0.0, 0.002_6, 0.0], false), Ok(()));
    let refused = check([0.0, 0.002_4, 0.0], false).unwrap_err();
    let right = matches!(refused, NotATap::Click { left_db }
        if about(left_db, 10.0 * 0.002_4f64.log10()));
    assert!(right, "{refused:?}");
    // The lowest band counts only where it is all there is.
    assert!(check([0.1, 0.0, 0.0], false).is_err());
    assert_eq!(check([0.1, 0.0, 0.0], true), Ok(()));
}

/// What [`check_later`] says to a second band that is 1 for 20 hops and then `later` for 20 hops
/// from 100 hops after the rise on.
fn later(later: f64, impacts: &[u64], nature: Nature, start: Start) -> Result<(), NotATap> {
    let known = mid(&[(100, 0.0), (20, 1.0), (80, 0.01), (20, later), (200, 0.01)]);
    check_later(&shape(&known), impacts, 100, 360, nature, start)
}

#[test]
fn nothing_gets_louder_than_its_start_by_3_db() {
    use Nature::{Driven, Noise, Struck};
    for (limit, impacts, nature, start) in [
        (2.0, &[][..], Struck, Start::Earlier),
        (2.0, &[], Struck, Start::Clear),
        (2.0, &[], Driven, Start::Clear),
        // Noise fluctuates, more so where little is known.
        (4.0, &[], Noise, Start::Earlier),
        (12.0, &[], Noise, Start::Clear),
        (2.0, &[], Noise, Start::Unclear),
        // A second contact from 5 to 119 ms may be louder, if the beginning was seen.
        (2.0, &[104], Struck, Start::Earlier),
        (8.0, &[105], Struck, Start::Earlier),
        (8.0, &[219], Noise, Start::Clear),
        (2.0, &[220], Struck, Start::Earlier),
        (2.0, &[150], Struck, Start::Unclear),
    ] {
        assert_eq!(
            later(0.99 * limit, impacts, nature, start),
            Ok(()),
            "{limit} {impacts:?}"
        );
        let refused = later(1.01 * limit, impacts, nature, start).unwrap_err();
        let right = matches!(refused, NotATap::RisesAgain { by_db }
            if about(by_db, power_db(1.01 * limit)));
        assert!(right, "{limit} {impacts:?}: {refused:?}");
    }
}

#[test]
fn what_gets_louder_is_looked_for_from_12_ms_after_the_rise_to_the_end() {
    let check = |from: usize, until: u64| {
        let known = mid(&[
            (100, 0.0),
            (10, 1.0),
            (from - 10, 0.01),
            (10, 3.0),
            (300, 0.0),
        ]);
        check_later(
            &shape(&known),
            &[],
            100,
            until,
            Nature::Struck,
            Start::Earlier,
        )
    };
    // Ten hops of 3 that begin 100 hops after the rise; seven of them are 2.1.
    assert!(check(100, 208).is_err());
    assert_eq!(check(100, 207), Ok(()));
    // What is within 12 ms of the rise is its own.
    let early = mid(&[(100, 0.0), (5, 1.0), (5, 1.0), (8, 3.0), (300, 0.0)]);
    let refused = check_later(
        &shape(&early),
        &[],
        100,
        300,
        Nature::Struck,
        Start::Earlier,
    );
    assert_eq!(refused, Ok(()));
}

#[test]
fn the_lowest_band_may_take_20_ms_and_soft_ones_may_do_as_they_like() {
    let check = |parts: &[(usize, [f64; 3])]| {
        let known = levels(parts);
        check_later(
            &shape(&known),
            &[],
            100,
            360,
            Nature::Struck,
            Start::Earlier,
        )
    };
    let slow = |loud_from: usize| {
        check(&[
            (100, [0.0; 3]),
            (loud_from, [0.2, 0.0, 0.0]),
            (20, [1.0, 0.0, 0.0]),
            (300, [0.0; 3]),
        ])
    };
    assert_eq!(slow(18), Ok(()), "five of ten hops lie in the first 20 ms");
    assert!(slow(26).is_err());
    // It grows by 6 dB, but to less than half of what all was.
    let soft = |later: f64| {
        check(&[
            (100, [0.0; 3]),
            (20, [0.1, 0.9, 0.0]),
            (80, [0.1, 0.01, 0.0]),
            (20, [later, 0.0, 0.0]),
            (200, [0.0; 3]),
        ])
    };
    assert_eq!(soft(0.49), Ok(()));
    assert!(soft(0.51).is_err());
}

/// What [`check_decay`] says to 1 for 100 hops and then `db` up to `span`, and 1 again after it.
fn decays(db: f64, span: usize, follows: f64, at_start: bool) -> Result<(), NotATap> {
    let known = mid(&[
        (100, 0.0),
        (span / 2, 1.0),
        (span - span / 2, from_db(db)),
        (100, 1.0),
    ]);
    let until = 100 + span as u64;
    check_decay(&shape(&known), &contacts(follows), 100, until, at_start)
}

// Tones lose 0.3 dB, and 1.5 dB more for each 260 ms over the first 130; at the start of a
// recording 3 dB in 500 ms. Noise loses 3 dB, at the start 6.
#[test]
fn the_level_at_the_end_has_fallen() {
    for (span, follows, at_start, allowed_db) in [
        (260, 0.81, false, -1.05),
        (130, 0.81, false, -0.3),
        (100, 0.81, false, -0.3),
        (520, 0.81, false, -2.55),
        (250, 0.81, true, -1.5),
        (500, 0.81, true, -3.0),
        (700, 0.81, true, -3.0),
        (260, 0.79, false, -3.0),
        (100, 0.79, false, -3.0),
        (260, 0.79, true, -6.0),
    ] {
        let at = |db: f64| decays(db, span, follows, at_start);
        assert_eq!(at(allowed_db - 0.02), Ok(()), "{span} {follows} {at_start}");
        let refused = at(allowed_db + 0.02).unwrap_err();
        let right = matches!(refused, NotATap::NoDecay { left_db }
            if about(left_db, allowed_db + 0.02));
        assert!(right, "{span} {follows} {at_start}: {refused:?}");
    }
}

#[test]
fn the_end_is_a_fifth_of_what_is_looked_at_and_40_ms_are_needed() {
    assert_eq!(decays(0.0, 39, 0.9, false), Ok(()));
    assert!(decays(0.0, 40, 0.9, false).is_err());
    // The last 52 of 260 hops are at -1.1 dB, or all but one of them are.
    let check = |soft: usize, db: f64| {
        let known = mid(&[
            (100, 0.0),
            (260 - soft, 1.0),
            (soft, from_db(db)),
            (90, 1.0),
        ]);
        check_decay(&shape(&known), &contacts(0.9), 100, 360, false)
    };
    assert_eq!(check(52, -1.06), Ok(()));
    assert!(check(51, -1.06).is_err());
    // At least ten hops: of 45 the last fifth would be nine.
    let few = |soft: usize| {
        let known = mid(&[
            (100, 0.0),
            (45 - soft, 1.0),
            (soft, from_db(-0.301)),
            (90, 1.0),
        ]);
        check_decay(&shape(&known), &contacts(0.9), 100, 145, false)
    };
    assert_eq!(few(10), Ok(()));
    assert!(few(9).is_err());
    let nothing = mid(&[(400, 0.0)]);
    assert_eq!(
        check_decay(&shape(&nothing), &contacts(0.9), 100, 360, false),
        Ok(())
    );
}

#[test]
fn the_loudest_10_ms_of_the_first_60_are_the_start() {
    let check = |from: usize| {
        let known = mid(&[(100, 0.0), (from, 1.0), (10, 1.5), (250, 1.0)]);
        check_decay(&shape(&known), &contacts(0.9), 100, 360, false)
    };
    // 1 is 1.76 dB below 1.5.
    assert_eq!(check(50), Ok(()));
    // Of what begins after 60 hops the first 59 hold a part only: 1.05 at most.
    assert!(check(68).is_err());
}

/// What [`check_decay`] says to 1 up to `loud` hops after the rise and then to `after` for good,
/// with five hops of `middle` and of `before` at half of it and at its end.
fn switched_off(loud: usize, after: f64, middle: f64, before: f64) -> Result<(), NotATap> {
    let half = (loud - 1) / 2;
    let known = mid(&[
        (100, 0.0),
        (half, 1.0),
        (5, middle),
        (loud - 16 - half - 5, 1.0),
        (5, before),
        (11, 1.0),
        (260 - loud, after),
        (90, 1.0),
    ]);
    check_decay(&shape(&known), &contacts(0.9), 100, 360, false)
}

#[test]
fn a_level_that_stays_and_then_ends_was_switched_off() {
    let refused = switched_off(150, 0.001, 1.0, 1.0).unwrap_err();
    let right = matches!(refused, NotATap::NoDecay { left_db } if about(left_db, 0.0));
    assert!(right, "{refused:?}");
    // It had stayed if half way and 15 ms before its end it was within 2 dB.
    assert!(switched_off(150, 0.001, from_db(-1.98), 1.0).is_err());
    assert_eq!(switched_off(150, 0.001, from_db(-2.02), 1.0), Ok(()));
    assert!(switched_off(150, 0.001, 1.0, from_db(-1.98)).is_err());
    assert_eq!(switched_off(150, 0.001, 1.0, from_db(-2.02)), Ok(()));
    // It ended if it fell by 15 dB.
    assert!(switched_off(150, from_db(-15.1), 1.0, 1.0).is_err());
    assert_eq!(switched_off(150, from_db(-14.9), 1.0, 1.0), Ok(()));
    // Too close to the end of what is looked at nothing is told: the last loud hop is 239.
    assert_eq!(switched_off(241, 0.001, 1.0, 1.0), Ok(()));
    assert!(switched_off(240, 0.001, 1.0, 1.0).is_err());
}

#[test]
fn what_ends_within_30_ms_is_a_thud_and_was_not_switched_off() {
    let check = |loud: usize| {
        let known = mid(&[(100, 0.0), (loud, 1.0), (300 - loud, 0.001)]);
        check_decay(&shape(&known), &contacts(0.9), 100, 360, false)
    };
    // One of five hops is enough to be loud: the last loud one is the last.
    assert_eq!(check(30), Ok(()));
    assert!(check(31).is_err());
}

/// What [`check_unclear`] says to 60 hops of 1, then `middle`, then 60 hops of `end`.
fn unclear(middle: f64, end: f64, span: usize) -> Result<(), NotATap> {
    let part = |n: usize, p: f64| (n, [1.0, p, 0.0]);
    let known = levels(&[
        part(100, 0.0),
        part(12, 9.0),
        part(30, 1.0),
        part(span - 102, middle),
        part(60, end),
        part(90, 9.0),
    ]);
    check_unclear(&shape(&known), &contacts(0.9), 100, 100 + span as u64)
}

// In 288 ms of a tone at the start of a recording 1.7 dB must be lost for its decay in any case.
#[test]
fn where_no_beginning_is_seen_it_must_fall_by_itself_by_2_5_db() {
    assert_eq!(unclear(0.7, from_db(-2.55), 300), Ok(()));
    let refused = unclear(0.7, from_db(-2.45), 300).unwrap_err();
    let right = matches!(refused, NotATap::NoDecay { left_db } if about(left_db, -2.45));
    assert!(right, "{refused:?}");
    // It is looked at for 110 ms at least.
    assert_eq!(unclear(0.3, 0.1, 110), Ok(()));
    assert!(unclear(0.3, 0.1, 109).is_err());
    // It swells from a tenth to 0.39 or 0.45.
    assert_eq!(unclear(0.1, 0.39, 300), Ok(()));
    assert!(unclear(0.1, 0.45, 300).is_err());
    // Nothing at all falls not.
    let nothing = mid(&[(600, 0.0)]);
    assert!(check_unclear(&shape(&nothing), &contacts(0.9), 100, 400).is_err());
    // And what falls by 2.6 dB as a noise has not fallen enough.
    let known = mid(&[
        (100, 0.0),
        (12, 9.0),
        (30, 1.0),
        (198, 0.7),
        (160, from_db(-2.6)),
    ]);
    assert_eq!(
        check_unclear(&shape(&known), &contacts(0.9), 100, 400),
        Ok(())
    );
    assert!(check_unclear(&shape(&known), &contacts(0.7), 100, 400).is_err());
}

/// A ring over noise of so many dB below it, struck at `at`.
fn over_noise(n: usize, at: usize, noise: f64) -> Scene {
    let sign = signs(n, 21);
    let sound = ring(n, at, 0.2);
    Scene::of_sound(
        sound
            .iter()
            .zip(&sign)
            .map(|(x, s)| x + noise * s)
            .collect(),
    )
}

#[test]
fn a_strike_is_placed_within_5_ms_of_the_rise() {
    let scene = over_noise(3_000, 1_603, 1e-4);
    // The split leaves two samples on either side; the search is from 40 before to 36 after.
    for hop in [197, 200, 205] {
        let (at, clear) = place(&scene.heard(), hop, None, false);
        assert!(clear && at.abs_diff(1_603) <= 1, "{hop}: {at}");
    }
    let (at, _) = place(&scene.heard(), 190, None, false);
    assert!(at < 1_520 + 36, "{at}");
    // Low tones rise slowly: 14 ms before and 6 after.
    for hop in [195, 214] {
        let (at, clear) = place(&scene.heard(), hop, None, true);
        assert!(clear && at.abs_diff(1_603) <= 1, "{hop}: {at}");
    }
    // What is before the first sample that is kept has its place too.
    let mut late = over_noise(3_000, 1_603, 1e-4);
    late.samples.drain(..800);
    late.samples_from = 800;
    let (at, clear) = place(&late.heard(), 200, None, false);
    assert!(clear && at.abs_diff(1_603) <= 1, "{at}");
}

#[test]
fn at_the_start_a_strike_is_clear_where_the_power_jumps_within_12_ms() {
    let scene = over_noise(6_400, 83, 1e-4);
    let (at, clear) = place(&scene.heard(), 0, Some(700), false);
    assert!(clear && at.abs_diff(83) <= 1, "{at}");
    let scene = over_noise(6_400, 110, 1e-4);
    let (at, clear) = place(&scene.heard(), 0, Some(700), false);
    assert!(!clear || at < 96, "{at}");
    // A ring that sounds already has no strike: it begins with the recording.
    let ringing = ring(7_400, 0, 0.2)[1_000..].to_vec();
    let sign = signs(6_400, 4);
    let mut scene = Scene::of_sound(
        ringing
            .iter()
            .zip(&sign)
            .map(|(x, s)| x + 1e-4 * s)
            .collect(),
    );
    assert_eq!(place(&scene.heard(), 0, Some(700), false), (0, false));
    scene.samples_from = 4_000;
    scene.origin = 4_000;
    assert_eq!(place(&scene.heard(), 0, Some(700), false), (4_000, false));
}

#[test]
fn a_tap_is_told_with_its_strike_its_level_and_what_was_before() {
    let scene = over_noise(6_400, 2_403, 1e-3);
    for hop in 292..=301 {
        let strike = judge(&scene.heard(), hop, false).unwrap();
        assert!(strike.at.abs_diff(2_403) <= 1, "{strike:?}");
        assert!(strike.hop.abs_diff(300) <= 1, "{strike:?}");
        // 20 ms of three damped tones: 0.04/2 times 1, 0.36 and 0.16, of which damping leaves
        // (1 - exp(-x))/x with x = 2 * 160 * 6.9 / 2000; the edges of bands take half a dB.
        let x: f64 = 1.104;
        let power = 0.02 * 1.52 * (1.0 - (-x).exp()) / x;
        assert!(
            (power_db(strike.power) - power_db(power)).abs() < 1.0,
            "{strike:?}"
        );
        // Signs of 0.001 are -60 dB from 0 to 4 kHz: 65 % of it is above 1 kHz (to 3.6 kHz).
        let before = strike.background.unwrap();
        assert!((power_db(before[2]) + 61.9).abs() < 1.5, "{before:?}");
        assert!(strike.contacts.later.is_empty());
        assert!(strike.contacts.follows > 0.95);
    }
}

#[test]
fn a_second_contact_keeps_the_first_and_has_its_time() {
    let mut x = ring(6_400, 2_400, 0.1);
    for (v, second) in x.iter_mut().zip(ring(6_400, 2_400 + 280, 0.05)) {
        *v += second;
    }
    let sign = signs(6_400, 5);
    let mut scene = Scene::of_sound(x.iter().zip(&sign).map(|(x, s)| x + 1e-4 * s).collect());
    scene.later_rises = vec![334];
    let strike = judge(&scene.heard(), 299, false).unwrap();
    assert!(strike.at.abs_diff(2_400) <= 1, "{strike:?}");
    assert_eq!(strike.contacts.later.len(), 1, "{strike:?}");
    assert!(strike.contacts.later[0].after.abs_diff(280) <= 1);
    // 0.05 to 0.1 are -6 dB.
    assert!(
        (strike.contacts.later[0].level_db + 6.0).abs() < 1.5,
        "{strike:?}"
    );
}

#[test]
fn pulses_a_swell_a_hum_and_a_soft_knock_are_refused_by_name() {
    let noise = signs(6_400, 6);
    let told = |sound: &dyn Fn(f64) -> f64, noise_gain: f64| {
        let x: Vec<f64> = (0..6_400)
            .map(|i| {
                let t = i as f64 - 2_400.0;
                let loud = if t < 0.0 { 0.0 } else { sound(t) };
                loud + noise_gain * noise[i]
            })
            .collect();
        judge(&Scene::of_sound(x).heard(), 299, false).unwrap_err()
    };
    // A ring that is put in anew every 5 ms.
    let voice = told(
        &|t| {
            let since = t % 40.0;
            0.3 * (-t * 0.000_3).exp() * (-since * 0.1).exp() * (since * 1.1).cos()
        },
        1e-3,
    );
    assert!(matches!(voice, NotATap::Driven { .. }), "{voice:?}");
    let swell = told(&|t| 0.2 * (t / 400.0).min(1.0) * (0.9 * t).sin(), 1e-3);
    assert!(matches!(swell, NotATap::SlowRise { .. }), "{swell:?}");
    let hum = told(&|t| 0.2 * (0.9 * t).sin(), 1e-3);
    assert!(matches!(hum, NotATap::NoDecay { .. }), "{hum:?}");
    let soft = told(&|t| 0.002 * (-t / 300.0).exp() * (0.9 * t).sin(), 1e-3);
    assert!(matches!(soft, NotATap::TooSoft { .. }), "{soft:?}");
    // Five samples without anything near half the rate, where the highest band itself rings.
    let click = told(
        &|t| {
            [1.0, 4.0, 6.0, 4.0, 1.0]
                .get(t as usize)
                .map_or(0.0, |v| 0.05 * v)
        },
        1e-7,
    );
    assert!(matches!(click, NotATap::Click { .. }), "{click:?}");
    let again = told(
        &|t| {
            0.1 * (if t < 800.0 { 1.0 } else { 2.2 })
                * (-(t % 800.0) / 600.0).exp()
                * (0.9 * t).sin()
        },
        1e-4,
    );
    assert!(matches!(again, NotATap::RisesAgain { .. }), "{again:?}");
}

// A steady tone hides what is 40 dB below it, unless what sounds later teaches to foretell it.
#[test]
fn at_the_start_what_sounds_later_stands_for_what_was_before() {
    let n = 6_400;
    let sign = signs(n, 8);
    let sound = ring(n, 60, 0.02);
    let x: Vec<f64> = (0..n)
        .map(|i| (0.157 * i as f64).cos() + sound[i] + 1e-4 * sign[i])
        .collect();
    let (at, clear) = place(&Scene::of_sound(x).heard(), 0, Some(700), false);
    assert!(clear && at.abs_diff(60) <= 1, "{at}");
}

// Twenty times the power is what noise that sounds anyway does not do: ten is too little, though
// over 100 samples it is surely no chance.
#[test]
fn at_the_start_a_strike_is_twenty_times_what_was_before() {
    let told = |times: f64| {
        let x: Vec<f64> = signs(6_400, 9)
            .iter()
            .enumerate()
            .map(|(i, s)| 0.01 * s * if i < 50 { 1.0 } else { times.sqrt() })
            .collect();
        place(&Scene::of_sound(x).heard(), 0, Some(700), false)
    };
    assert_eq!(told(10.0), (0, false));
    let (at, clear) = told(40.0);
    assert!(clear && at.abs_diff(50) <= 1, "{at}");
}

/// A sound from frame 2400 on, 0.76 strong for 20 ms; then it grows to 1 in another 20, over
/// noise, and dies away.
fn late_peak(sound: &dyn Fn(usize) -> f64) -> Vec<f64> {
    let noise = signs(6_400, 12);
    (0..6_400)
        .map(|i| {
            let strength = match i {
                ..2_400 => 0.0,
                2_400..2_560 => 0.76,
                2_560..2_720 => 0.76 + 0.0015 * (i - 2_560) as f64,
                _ => (-((i - 2_720) as f64) / 300.0).exp(),
            };
            0.1 * strength * sound(i) + 2e-4 * noise[i]
        })
        .collect()
}

// It has 0.6 of the power of the next 50 ms within 16 ms, and seven tenths are needed.
#[test]
fn a_tone_is_loudest_within_16_ms_but_noise_may_fluctuate() {
    let tone = Scene::of_sound(late_peak(&|i| (0.9 * i as f64).sin()));
    let refused = judge(&tone.heard(), 299, false).unwrap_err();
    assert_eq!(refused, NotATap::SlowRise { rise_ms: 16.0 });
    let hiss = signs(6_400, 13);
    let noise = Scene::of_sound(late_peak(&|i| hiss[i]));
    assert!(judge(&noise.heard(), 299, false).is_ok());
    // At the start of a recording that is not asked.
    let start = Scene::of_sound(late_peak(&|i| (0.9 * i as f64).sin())[2_360..].to_vec());
    let told = judge(&start.heard(), 0, true);
    assert!(!matches!(told, Err(NotATap::SlowRise { .. })), "{told:?}");
}

// Struck again after 35 ms with 1.08 times the first: with what still rings that is 1.6 times the
// power of the start, and more than the seven tenths allow.
#[test]
fn a_louder_second_contact_is_no_part_of_the_rise() {
    let mut x = ring(6_400, 2_400, 0.1);
    for (v, second) in x.iter_mut().zip(ring(6_400, 2_680, 0.108)) {
        *v += second;
    }
    let sign = signs(6_400, 5);
    for (v, s) in x.iter_mut().zip(&sign) {
        *v += 1e-4 * s;
    }
    let mut scene = Scene::of_sound(x);
    scene.later_rises = vec![334];
    let strike = judge(&scene.heard(), 299, false).unwrap();
    assert!(strike.at.abs_diff(2_400) <= 1, "{strike:?}");
    assert!(strike.contacts.later[0].after.abs_diff(280) <= 1);
}

#[test]
fn what_is_before_a_second_contact_is_part_of_the_rise() {
    let mut x = late_peak(&|i| (0.9 * i as f64).sin());
    for (v, second) in x.iter_mut().zip(ring(6_400, 2_784, 0.06)) {
        *v += second;
    }
    let refused = judge(&Scene::of_sound(x).heard(), 299, false).unwrap_err();
    assert_eq!(refused, NotATap::SlowRise { rise_ms: 16.0 });
}

/// A sound from frame 2400 on with zeros for 10 ms from `from` on, seen as a dropout.
fn with_dropout(from: usize, sound: &dyn Fn(f64) -> f64) -> Scene {
    let noise = signs(6_400, 14);
    let x: Vec<f64> = (0..6_400)
        .map(|i| match i {
            ..2_400 => 1e-4 * noise[i],
            _ if (from..from + 80).contains(&i) => 0.0,
            _ => sound(i as f64 - 2_400.0) + 1e-4 * noise[i],
        })
        .collect();
    let mut scene = Scene::of_sound(x);
    scene.breaks.push_back(100..200);
    scene.breaks.push_back(from as u64..from as u64 + 80);
    scene
}

#[test]
fn a_ring_is_a_tap_though_it_drops_out_but_a_voice_is_none() {
    let whole = ring(6_400, 0, 0.2);
    let scene = with_dropout(2_640, &|t| whole[t as usize]);
    let strike = judge(&scene.heard(), 299, false).unwrap();
    assert!(strike.at.abs_diff(2_400) <= 1, "{strike:?}");
    // Zeros are no second contact, and neither is what comes after them.
    assert!(strike.contacts.later.is_empty(), "{strike:?}");
    assert!(strike.contacts.follows > 0.9, "what is before them tells");
    // A voice may pause after 15 ms or 30: what comes then tells of it.
    let voice = |t: f64| {
        let since = t % 40.0;
        0.3 * (-t * 0.000_3).exp() * (-since * 0.1).exp() * (since * 1.1).cos()
    };
    for from in [2_520, 2_640] {
        let refused = judge(&with_dropout(from, &voice).heard(), 299, false);
        assert!(
            matches!(refused, Err(NotATap::Driven { .. })),
            "{refused:?}"
        );
    }
    // But a ring that was heard for 70 ms is none, whatever comes after that.
    let both = |t: f64| {
        if t < 560.0 {
            whole[t as usize]
        } else {
            voice(t)
        }
    };
    let strike = judge(&with_dropout(2_960, &both).heard(), 299, false);
    assert!(strike.is_ok(), "{strike:?}");
}
