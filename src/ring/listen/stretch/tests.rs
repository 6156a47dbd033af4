#![allow(clippy::unwrap_used, clippy::single_range_in_vec_init)]

use super::*;
use crate::ring::flaw::Flaw;
use crate::ring::listen::heard::NotATap;
use crate::ring::listen::tests::{contacts, levels, rate, ring, signs};

/// A stretch that has these levels.
fn with(parts: &[(usize, [f64; 3])]) -> Stretch {
    let mut stretch = Stretch::new(rate(), 0);
    stretch.levels = levels(parts);
    stretch
}

/// The same in the second band over nothing in the others.
fn mid(parts: &[(usize, f64)]) -> Stretch {
    let parts: Vec<(usize, [f64; 3])> = parts.iter().map(|&(n, p)| (n, [0.0, p, 0.0])).collect();
    with(&parts)
}

fn low(parts: &[(usize, f64)]) -> Stretch {
    let parts: Vec<(usize, [f64; 3])> = parts.iter().map(|&(n, p)| (n, [p, 0.0, 0.0])).collect();
    with(&parts)
}

/// Makes this the floor of every band.
fn set_floor(stretch: &mut Stretch, floor: f64) {
    for _ in 0..10 {
        stretch.floor.push(&[floor; LANES]);
    }
}

#[test]
fn a_rise_is_three_hops_9_db_over_25_ms_and_12_times_the_floor() {
    let rises = |level: f64, floor: f64| {
        let mut stretch = mid(&[(100, 1e-3), (3, 1e-3 * level), (40, 0.0)]);
        set_floor(&mut stretch, 1e-3 * floor);
        stretch.rises_at(100)
    };
    // Over 8 times what was before and the floor.
    assert!(rises(8.1, 0.0) && !rises(7.9, 0.0));
    assert!(rises(8.6, 0.5) && !rises(8.4, 0.5));
    assert!(rises(24.1, 2.0) && !rises(23.9, 2.0));
    // The mean of three hops, of which any may be the loud one.
    for at in [99, 100, 102, 103] {
        let parts = [(at, 1e-3), (1, 0.03), (60, 1e-3)];
        assert_eq!(mid(&parts).rises_at(100), (100..103).contains(&at), "{at}");
    }
}

// One loud hop of 25 makes the mean before it 10 times what it was.
#[test]
fn what_was_before_is_25_ms_that_end_2_ms_before() {
    let rises = |loud: usize| {
        mid(&[(loud, 1e-3), (1, 0.026), (199 - loud, 1e-3), (40, 0.015)]).rises_at(200)
    };
    // With 2.0 before, 15 is less than 8 times that.
    assert!(!rises(173) && !rises(197));
    assert!(rises(198));
    // Farther back, up to 40 hops, its three hops of 9.3 count as what was loud before; then not.
    let most = |loud: usize| {
        mid(&[(loud, 1e-3), (1, 0.026), (199 - loud, 1e-3), (40, 0.0185)]).rises_at(200)
    };
    assert!(rises(159) && rises(157));
    for loud in [160, 165, 172] {
        assert!(!most(loud), "{loud}");
        assert!(mid(&[(loud, 1e-3), (1, 0.026), (199 - loud, 1e-3), (40, 0.019)]).rises_at(200));
    }
    assert!(most(159));
}

#[test]
fn any_band_from_300_hz_on_may_rise() {
    let rises = |loud: [f64; 3]| with(&[(100, [1.0; 3]), (40, loud)]).rises_at(100);
    assert!(rises([1.0, 9.0, 1.0]) && rises([1.0, 1.0, 9.0]));
    assert!(!rises([9.0, 1.0, 1.0]));
}

#[test]
fn a_rise_needs_five_hops_before_it_and_a_low_one_twenty() {
    for (hop, some) in [(4, false), (5, true)] {
        let stretch = mid(&[(hop, 1e-3), (40, 1.0)]);
        assert_eq!(stretch.rises_at(hop as u64), some, "{hop}");
    }
    for (hop, some) in [(19, false), (20, true)] {
        let stretch = low(&[(hop, 1e-3), (40, 1.0)]);
        assert_eq!(stretch.rises_at(hop as u64), some, "{hop}");
    }
}

#[test]
fn a_low_rise_is_eight_hops_12_db_over_56_ms_and_24_times_the_floor() {
    let rises = |level: f64, floor: f64| {
        let mut stretch = low(&[(100, 1e-3), (8, 1e-3 * level), (40, 0.0)]);
        set_floor(&mut stretch, 1e-3 * floor);
        stretch.rises_at(100)
    };
    assert!(rises(16.1, 0.0) && !rises(15.9, 0.0));
    assert!(rises(48.1, 2.0) && !rises(47.9, 2.0));
    // One hop of 57 is one more in the mean of 56 hops from 60 to 4 before.
    for (loud, some) in [(39, true), (40, false), (95, false), (96, true)] {
        let stretch = low(&[(loud, 1e-3), (1, 0.057), (99 - loud, 1e-3), (40, 0.025)]);
        assert_eq!(stretch.rises_at(100), some, "{loud}");
    }
    // All eight hops count, and the ninth does not.
    for (loud, some) in [(99, false), (100, true), (107, true), (108, false)] {
        let stretch = low(&[(loud, 1e-3), (1, 0.13), (60, 1e-3)]);
        assert_eq!(stretch.rises_at(100), some, "{loud}");
    }
}

#[test]
fn rises_within_12_hops_are_one_and_none_is_sought_twice() {
    let mut stretch = mid(&[(100, 1e-3), (4, 1.0), (96, 1e-3), (4, 1.0), (96, 1e-3)]);
    stretch.search(150);
    // Two of three quiet hops are enough: it is seen from 98 on, once.
    assert_eq!(stretch.rises, [98]);
    assert_eq!((stretch.scan, stretch.last_rise), (150, Some(98)));
    stretch.search(300);
    assert_eq!(stretch.rises, [98, 198]);
    // It goes on rising for more than 12 hops.
    let mut stretch = mid(&[(100, 1e-6), (6, 1e-4), (6, 1e-2), (40, 1.0)]);
    stretch.search(150);
    assert_eq!(stretch.rises, [98, 110]);
}

fn strike(at: u64, background: Option<Levels>) -> Strike {
    Strike {
        at,
        hop: at / 8,
        background,
        power: 0.01,
        contacts: contacts(),
    }
}

#[test]
fn the_noise_is_the_mean_of_600_ms_or_the_less_of_what_was_and_twice_the_floor() {
    let mut stretch = mid(&[(400, 9.0), (600, 1.0), (100, 50.0)]);
    set_floor(&mut stretch, 0.75);
    let noise = |at: u64, previous: Option<u64>| {
        stretch
            .noise_before(&strike(at, Some([2.0; LANES])), previous)
            .map(|n| n[1])
    };
    // 596 hops from 600 before the strike to 4 before it.
    assert_eq!(noise(8_000, None), Some(1.0));
    assert!((noise(7_992, None).unwrap() - (595.0 + 9.0) / 596.0).abs() < 1e-12);
    assert_eq!(noise(8_032, None), Some(1.0));
    assert!(noise(8_040, None).unwrap() > 1.05);
    // A strike in the second before makes that no noise.
    assert_eq!(noise(8_000, Some(0)), Some(1.0));
    assert_eq!(noise(8_000, Some(1)), Some(1.5));
    set_floor(&mut stretch, 3.0);
    let none = stretch.noise_before(&strike(8_000, None), None);
    assert_eq!(none, None, "nothing was before");
    let mut loud = mid(&[(1_000, 1.0)]);
    assert_eq!(
        loud.noise_before(&strike(8_000, Some([2.0; LANES])), Some(7_000)),
        None
    );
    set_floor(&mut loud, 3.0);
    let least = loud.noise_before(&strike(8_000, Some([2.0; LANES])), Some(7_000));
    assert_eq!(least, Some([2.0; LANES]));
}

#[test]
fn after_a_gap_only_what_is_9_db_louder_than_before_it_may_be_a_strike() {
    let rises = |parts: &[(usize, [f64; 3])], gap: Option<(u64, Option<Levels>)>| {
        let mut stretch = with(parts);
        stretch.gap = gap;
        stretch.start_rises()
    };
    let now = |level: f64| {
        [
            (2, [99.0; 3]),
            (10, [99.0, 0.0, 2.0 * level]),
            (50, [99.0; 3]),
        ]
    };
    let before = Some((100, Some([2.0; LANES])));
    assert!(rises(&now(8.1), before) && !rises(&now(7.9), before));
    assert!(rises(&now(0.0), None) && rises(&now(0.0), Some((100, None))));
}

#[test]
fn a_resumed_stretch_knows_the_last_25_ms_and_the_step() {
    let mut stretch = mid(&[(100, 9.0), (25, 1.0)]);
    stretch.least = Some(1e-4);
    let next = stretch.resumed(5_000, 300);
    let (lost, before) = next.gap.unwrap();
    assert_eq!((lost, before.unwrap()[1]), (300, 1.0));
    assert_eq!(
        (next.start, next.history.from, next.least),
        (5_000, 5_000, Some(1e-4))
    );
    assert_eq!(next.frame(3), 5_024);
}

/// The dropouts that are seen in `samples`, in whole and in small pieces.
fn dropouts(samples: &[f64]) -> Vec<Range<u64>> {
    let see = |piece: usize| {
        let mut stretch = Stretch::new(rate(), 1_000);
        for part in samples.chunks(piece) {
            stretch.history.samples.extend_from_slice(part);
            stretch.see(part);
        }
        Vec::from(stretch.breaks)
    };
    let whole = see(samples.len());
    for piece in [1, 7, 40, 41] {
        assert_eq!(see(piece), whole, "{piece}");
    }
    whole
}

#[test]
fn zeros_for_5_ms_that_cut_off_a_sound_are_a_dropout() {
    let sound = |zeros: usize, loud: f64| {
        let mut x = vec![1e-3; 100];
        x[90..].fill(loud);
        x.resize(100 + zeros, 0.0);
        x.resize(200 + zeros, 1e-3);
        dropouts(&x)
    };
    assert_eq!(sound(39, 0.1), []);
    assert_eq!(sound(40, 0.1), [1_100..1_140]);
    assert_eq!(sound(75, 0.1), [1_100..1_175]);
    // What ends within 8 steps of the quantiser ends by itself.
    assert_eq!(sound(60, 8.1e-3), [1_100..1_160]);
    assert_eq!(sound(60, 7.9e-3), []);
    // Two of them, and zeros one by one are none.
    let mut twice = [vec![0.1; 50], vec![0.0; 40]].concat();
    twice.extend(twice.clone());
    twice.push(-1e-3);
    assert_eq!(
        dropouts(&[&[1e-3], &twice[..]].concat()),
        [1_051..1_091, 1_141..1_181]
    );
    let mut sparse = vec![0.1; 300];
    sparse[0] = 1e-3;
    for i in (100..200).filter(|i| i % 40 != 0) {
        sparse[i] = 0.0;
    }
    assert_eq!(dropouts(&sparse), []);
}

#[test]
fn what_was_loud_2_ms_before_zeros_had_died_away_by_itself() {
    let loud = |before: usize| {
        let mut x = vec![1e-3; 100];
        x[100 - before] = 0.5;
        x.resize(160, 0.0);
        x.resize(200, 1e-3);
        dropouts(&x)
    };
    assert_eq!(loud(16), [1_100..1_160]);
    assert_eq!(loud(17), []);
}

#[test]
fn the_least_sample_other_than_zero_is_the_step() {
    let mut stretch = Stretch::new(rate(), 0);
    let samples = [0.0, 0.3, -0.02, 0.1, 0.0];
    stretch.history.samples.extend_from_slice(&samples);
    stretch.see(&samples);
    assert_eq!(stretch.least, Some(0.02));
}

#[test]
fn old_samples_are_forgotten_when_they_are_many() {
    let left = |n: usize, frame: u64| {
        let mut history = History {
            samples: (0..n).map(|i| i as f64).collect(),
            from: 1_000,
        };
        history.discard_before(frame);
        (
            history.from,
            history.samples.len(),
            history.samples.first().copied(),
        )
    };
    // More than half of them, and more than 4096.
    assert_eq!(left(10_000, 6_001), (6_001, 4_999, Some(5_001.0)));
    assert_eq!(left(10_000, 6_000), (1_000, 10_000, Some(0.0)));
    assert_eq!(left(5_000, 5_097), (5_097, 903, Some(4_097.0)));
    assert_eq!(left(5_000, 5_096), (1_000, 5_000, Some(0.0)));
    assert_eq!(left(5_000, 999), (1_000, 5_000, Some(0.0)));
    assert_eq!(left(5_000, 7_000), (7_000, 0, None));
}

/// Follows a take that was struck at hop 100, over this noise, through these levels.
fn walked(parts: &[(usize, f64)], noise: Option<f64>) -> (Stretch, Vec<TapTake>) {
    let mut stretch = mid(parts);
    stretch.scan = stretch.levels.end();
    stretch.history.samples = ring(8 * stretch.levels.end() as usize, 800, 0.2);
    stretch.open = Some(Open {
        strike: strike(800, None),
        quiet_from: 0,
        noise: noise.map(|n| [n; LANES]),
        walked: 100,
        calm: 0,
    });
    let mut takes = Vec::new();
    stretch.walk(&mut Summary::new(rate()), &mut takes);
    (stretch, takes)
}

#[test]
fn a_take_ends_after_300_ms_of_calm_but_not_within_a_second() {
    let end = |parts: &[(usize, f64)]| {
        let (_, takes) = walked(parts, Some(1e-3));
        takes.first().map(|t| t.decay.end as u64 / 8)
    };
    // It is calm at 1.6 times the noise, in blocks of 50 hops.
    assert_eq!(end(&[(100, 0.0), (2_000, 1.59e-3)]), Some(1_100));
    assert_eq!(end(&[(100, 0.0), (2_000, 1.61e-3)]), None);
    assert_eq!(end(&[(100, 0.0), (1_400, 1.0), (1_000, 0.0)]), Some(1_800));
    // What sounds between begins the count anew.
    let again = [
        (100, 0.0),
        (1_400, 1.0),
        (290, 0.0),
        (10, 1.0),
        (1_000, 0.0),
    ];
    assert_eq!(end(&again), Some(2_100));
    // Six blocks of calm are needed and known.
    assert_eq!(end(&[(100, 0.0), (1_400, 1.0), (312, 0.0)]), Some(1_800));
    assert_eq!(end(&[(100, 0.0), (1_400, 1.0), (311, 0.0)]), None);
    assert_eq!(end(&[(100, 0.0), (1_012, 0.0)]), Some(1_100));
    assert_eq!(end(&[(100, 0.0), (1_011, 0.0)]), None);
}

#[test]
fn a_take_without_calm_ends_after_8_s() {
    let (stretch, takes) = walked(&[(8_200, 1.0)], Some(1e-3));
    assert_eq!(takes.len(), 1);
    assert_eq!(takes[0].decay.end, 8 * 8_100);
    assert!(stretch.open.is_none());
    // Without a noise to compare with it is never calm.
    let (stretch, takes) = walked(&[(2_000, 0.0)], None);
    assert!(takes.is_empty());
    let open = stretch.open.unwrap();
    assert_eq!((open.walked, open.calm), (1_950, 0));
}

#[test]
fn a_take_is_not_followed_beyond_a_rise_that_is_not_judged_yet() {
    let mut stretch = mid(&[(3_000, 0.0)]);
    stretch.scan = 3_000;
    stretch.history.samples = ring(24_000, 800, 0.2);
    stretch.rises.push_back(749);
    stretch.open = Some(Open {
        strike: strike(800, None),
        quiet_from: 0,
        noise: Some([1.0; LANES]),
        walked: 100,
        calm: 0,
    });
    let mut takes = Vec::new();
    stretch.walk(&mut Summary::new(rate()), &mut takes);
    let open = stretch.open.as_ref().unwrap();
    assert_eq!((open.walked, open.calm), (700, 600));
    stretch.rises[0] = 750;
    stretch.walk(&mut Summary::new(rate()), &mut takes);
    assert_eq!(stretch.open.as_ref().unwrap().walked, 750);
}

#[test]
fn what_an_open_take_or_a_rise_needs_is_kept() {
    let mut stretch = mid(&[(4_000, 0.0)]);
    stretch.history.samples = vec![0.1; 32_000];
    stretch.scan = 3_900;
    stretch.forget();
    // The start is not judged yet.
    assert_eq!((stretch.history.from, stretch.levels.start()), (0, 0));
    stretch.start_open = false;
    stretch.rises.push_back(3_000);
    stretch.breaks.push_back(10..20);
    stretch.breaks.push_back(18_000..18_400);
    stretch.forget();
    // 0.7 s before the rise: 24,000 less 5,600 frames, 3,000 less 700 hops.
    assert_eq!(
        (stretch.history.from, stretch.levels.start()),
        (18_400, 2_300)
    );
    assert_eq!(stretch.breaks, [18_000..18_400], "its end is still there");
    // An open take needs its quiet, and 700 hops before its strike.
    let mut stretch = mid(&[(4_000, 0.0)]);
    stretch.history.samples = vec![0.1; 32_000];
    stretch.scan = 3_900;
    stretch.start_open = false;
    stretch.open = Some(Open {
        strike: strike(22_000, None),
        quiet_from: 17_200,
        noise: None,
        walked: 3_000,
        calm: 0,
    });
    stretch.forget();
    assert_eq!(
        (stretch.history.from, stretch.levels.start()),
        (17_200, 2_050)
    );
}

#[test]
fn the_last_16384_samples_are_the_tail() {
    let mut stretch = Stretch::new(rate(), 0);
    stretch.history.samples = (0..20_000).map(f64::from).collect();
    let tail = stretch.tail();
    assert_eq!((tail.len(), tail[0]), (16_384, 3_616.0));
    stretch.history.samples.truncate(5);
    assert_eq!(stretch.tail().len(), 5);
}

#[test]
fn the_quiet_of_a_take_is_600_ms_but_not_the_loud_half_of_the_ring_before() {
    let quiet = |at: u64, previous: Option<u64>, kept_from: u64| {
        let mut stretch = mid(&[(3_000, 0.0)]);
        stretch.history.from = kept_from;
        stretch.history.samples = vec![0.1; 24_000 - kept_from as usize];
        stretch.last_strike = previous.map(|p| strike(p, None));
        let mut takes = Vec::new();
        stretch.strike(strike(at, None), &mut Summary::new(rate()), &mut takes);
        assert!(takes.is_empty());
        assert_eq!(stretch.last_strike.unwrap().at, at);
        let open = stretch.open.unwrap();
        assert_eq!((open.walked, open.calm), (at / 8, 0));
        open.quiet_from
    };
    assert_eq!(quiet(16_000, None, 0), 11_200);
    assert_eq!(quiet(16_000, None, 12_000), 12_000);
    assert_eq!(quiet(4_000, None, 0), 0);
    assert_eq!(quiet(16_000, Some(10_000), 0), 13_000);
    assert_eq!(quiet(16_000, Some(2_000), 0), 11_200);
}

#[test]
fn the_next_strike_ends_a_take_10_ms_before_it() {
    let (mut stretch, takes) = walked(&[(400, 1.0)], Some(1e-3));
    assert!(takes.is_empty());
    let (mut takes, mut summary) = (Vec::new(), Summary::new(rate()));
    stretch.strike(strike(2_400, None), &mut summary, &mut takes);
    assert_eq!(summary.found, 1);
    assert_eq!(takes[0].clip.len(), 2_320);
    let hurried = takes[0].flaws.contains(&Flaw::Overlap {
        next_after_ms: 200.0,
    });
    assert!(hurried, "{:?}", takes[0].flaws);
}

// Signs of 0.01 are -40 dB from 0 to 4 kHz, of which 65 % are in the third band; the tenth part of
// the blocks of 10 ms is somewhat below the mean.
#[test]
fn the_floor_is_learnt_while_it_listens() {
    let x: Vec<f64> = signs(4_000, 2).iter().map(|s| 0.01 * s).collect();
    let mut stretch = Stretch::new(rate(), 0);
    stretch.push(&x, &mut Summary::new(rate()));
    let floor = stretch.floor.get().unwrap()[2];
    assert!((3e-5..7e-5).contains(&floor), "{floor}");
}

/// A recording of rings, with noise 60 dB below them.
fn recording(n: usize, at: &[usize]) -> Vec<f64> {
    let mut x: Vec<f64> = signs(n, 3).iter().map(|s| 2e-4 * s).collect();
    for &at in at {
        for (v, r) in x.iter_mut().zip(ring(n, at, 0.2)) {
            *v += r;
        }
    }
    x
}

/// The takes of a whole stretch, by the frames of their strikes, and the frames at which they
/// came out.
fn struck(x: &[f64]) -> (Vec<u64>, Vec<usize>) {
    let mut stretch = Stretch::new(rate(), 0);
    let mut summary = Summary::new(rate());
    let (mut at, mut out) = (Vec::new(), Vec::new());
    let place = |take: &TapTake| (take.time_s * 8_000.0).round() as u64;
    for (i, part) in x.chunks(8).enumerate() {
        for take in stretch.push(part, &mut summary) {
            at.push(place(&take));
            out.push(8 * (i + 1));
        }
    }
    for take in stretch.end(Ending::Recording, &mut summary) {
        at.push(place(&take));
        out.push(x.len());
    }
    (at, out)
}

#[test]
fn a_take_comes_out_260_ms_after_the_next_rise_and_the_last_at_the_end() {
    let (at, out) = struck(&recording(16_000, &[3_203, 8_803]));
    assert_eq!(at.len(), 2, "{at:?}");
    assert!(
        at[0].abs_diff(3_203) <= 1 && at[1].abs_diff(8_803) <= 1,
        "{at:?}"
    );
    // The rise is seen up to 7 hops before the strike: the lowest band's mean is that of 8.
    let judged = 8_800 + 2_080;
    assert!(out[0] <= judged + 8 && out[0] >= judged - 56, "{out:?}");
    assert_eq!(out[1], 16_000);
}

#[test]
fn a_strike_within_120_ms_is_no_tap_of_its_own() {
    let many = |second: usize| struck(&recording(12_000, &[3_200, second])).0.len();
    assert_eq!(many(3_200 + 8 * 115), 1);
    assert_eq!(many(3_200 + 8 * 130), 2);
}

// It rings for 0.3 s into the noise and is calm from then on; 1 s is followed in any case.
#[test]
fn a_take_that_has_died_away_comes_out_after_a_second() {
    let (at, out) = struck(&recording(16_000, &[3_200]));
    assert_eq!(at.len(), 1, "{at:?}");
    // In blocks of 50 hops from the rise on, 12 hops behind.
    let earliest = 3_200 + 8_000;
    assert!((earliest..=earliest + 8 * 63).contains(&out[0]), "{out:?}");
}

#[test]
fn the_start_is_judged_after_700_ms_and_may_be_a_strike() {
    let x = recording(8_000, &[40]);
    let mut stretch = Stretch::new(rate(), 0);
    let mut summary = Summary::new(rate());
    stretch.push(&x[..5_599], &mut summary);
    assert!(stretch.open.is_none() && stretch.start_open);
    stretch.push(&x[5_599..5_600], &mut summary);
    let at = stretch.open.as_ref().unwrap().strike.at;
    assert!(at.abs_diff(40) <= 2 && !stretch.start_open, "{at}");
    // At the end of the recording there is nothing to wait for.
    let (at, out) = struck(&x[..4_000]);
    assert_eq!((at.len(), out[0]), (1, 4_000));
}

#[test]
fn what_is_passed_over_is_told_with_its_time_but_not_the_mere_start() {
    // A hum from the start on, and a click.
    let mut x: Vec<f64> = (0..12_000)
        .map(|i| 1e-5 * (0.9 * f64::from(i)).sin())
        .collect();
    for (v, c) in x[8_000..].iter_mut().zip([0.05, 0.2, 0.3, 0.2, 0.05]) {
        *v += c;
    }
    let mut stretch = Stretch::new(rate(), 0);
    let mut summary = Summary::new(rate());
    summary.hear(&x);
    let mut takes = stretch.push(&x, &mut summary);
    takes.extend(stretch.end(Ending::Recording, &mut summary));
    assert!(takes.is_empty());
    let told = summary.finish(&[]).passed_over;
    assert!(told.iter().all(|t| t.time_s > 0.99), "{told:?}");
    assert!((told[0].time_s - 1.0).abs() < 0.008, "{told:?}");
    assert!(matches!(told[0].why, NotATap::Click { .. }), "{told:?}");
}

// Filters that begin at rest would hear a tone that sounds already as a strike.
#[test]
fn a_tone_that_sounds_already_is_level_from_the_first_hop_on() {
    let mut stretch = Stretch::new(rate(), 0);
    let x: Vec<f64> = (0..8_000)
        .map(|i| 0.1 * (0.9 * f64::from(i)).cos())
        .collect();
    stretch.push(&x[..6_000], &mut Summary::new(rate()));
    stretch.history.samples = x;
    let warm = stretch.warm_levels();
    // 0.8 s of it. 0.9 rad a sample are 1146 Hz, near the lower edge of the third band.
    assert_eq!(warm.end(), 800);
    let settled = warm.mean(400, 800).unwrap()[2];
    for hop in [0, 7, 14] {
        let level = warm.mean(hop, hop + 7).unwrap()[2];
        assert!(
            (level / settled - 1.0).abs() < 0.1,
            "{hop}: {level} {settled}"
        );
    }
    assert!(stretch.levels.hop(0).is_none_or(|h| h[2] < 0.5 * settled));
}

// Silence all over, so that whatever is judged is passed over.
#[test]
fn a_rise_is_judged_when_260_ms_of_it_are_there_and_not_within_120_of_a_strike() {
    let settled = |end: usize, rise: u64, last: Option<u64>| {
        let mut stretch = mid(&[(end, 0.0)]);
        stretch.start_open = false;
        stretch.scan = end as u64;
        stretch.history.samples = vec![0.0; 8 * end];
        stretch.last_strike = last.map(|hop| strike(8 * hop, None));
        stretch.rises.push_back(rise);
        let (mut takes, mut summary) = (Vec::new(), Summary::new(rate()));
        stretch.settle(false, &mut summary, &mut takes);
        let passed = summary.finish(&[]).passed_over;
        (stretch.rises.len(), passed.len())
    };
    assert_eq!(settled(359, 100, None), (1, 0));
    assert_eq!(settled(360, 100, None), (0, 1));
    assert_eq!(settled(600, 219, Some(100)), (0, 0));
    assert_eq!(settled(600, 220, Some(100)), (0, 1));
}
