#![allow(clippy::unwrap_used)]

use super::*;
use crate::ring::listen::contacts::Contact;
use crate::ring::listen::tests::{contacts, levels, rate, ring};

/// A take of a ring at frame 4000 (hop 500) of a second at 8 kHz, made up. All powers of noise
/// are 1e-6 in each of three bands: 2e-6 from 300 Hz on.
struct Made {
    levels: BandLevels,
    samples: Vec<f64>,
    samples_from: u64,
    origin: u64,
    breaks: VecDeque<Range<u64>>,
    lost_before: Option<u64>,
    open: Open,
}

const NOISE: Levels = [1e-6, 1e-6, 1e-6, 0.0, 0.0, 0.0];

/// Levels of these powers from 300 Hz on, shared by two bands.
fn heard(parts: &[(usize, f64)]) -> BandLevels {
    let parts: Vec<(usize, [f64; 3])> = parts
        .iter()
        .map(|&(n, p)| (n, [1.0, 0.5 * p, 0.5 * p]))
        .collect();
    levels(&parts)
}

fn made() -> Made {
    Made {
        levels: heard(&[(500, 2e-6), (100, 0.01), (400, 2e-6)]),
        samples: ring(8_000, 4_000, 0.2),
        samples_from: 0,
        origin: 0,
        breaks: VecDeque::new(),
        lost_before: None,
        open: Open {
            strike: Strike {
                at: 4_000,
                hop: 500,
                background: None,
                power: 0.01,
                contacts: contacts(),
            },
            quiet_from: 1_000,
            noise: Some(NOISE),
            walked: 500,
            calm: 0,
        },
    }
}

impl Made {
    fn around(&self) -> Around<'_> {
        Around {
            rate: rate(),
            levels: &self.levels,
            origin: self.origin,
            samples: &self.samples,
            samples_from: self.samples_from,
            breaks: &self.breaks,
            lost_before: self.lost_before,
            step: 0.0,
        }
    }

    fn cut(&self, end: u64, ending: Ending) -> TapTake {
        cut(&self.around(), &self.open, end, ending)
    }

    fn flaws(&self, end: u64, ending: Ending) -> Vec<Flaw> {
        self.cut(end, ending).flaws
    }
}

#[test]
fn a_clean_take_has_its_quiet_its_strike_its_decay_and_no_flaw() {
    let mut made = made();
    let take = made.cut(7_600, Ending::Silent);
    assert_eq!(take.flaws, []);
    assert_eq!(take.clip.samples(), &made.samples[1_000..7_600]);
    assert_eq!(take.strike, 3_000);
    assert_eq!(take.decay, 3_000..6_600);
    assert_eq!(take.quiet, 0..2_968, "4 ms before the strike are no quiet");
    assert!((take.time_s - 0.5).abs() < 1e-12);
    assert!((take.level_db + 20.0).abs() < 1e-9);
    assert!((take.tonal_share - 0.9).abs() < 1e-12);
    // The same where only the samples from 900 on are kept.
    made.samples.drain(..900);
    made.samples_from = 900;
    assert_eq!(made.cut(7_600, Ending::Silent), take);
    // What is asked for beyond the last sample is not there.
    let all = made.cut(9_999, Ending::Silent);
    assert_eq!(all.decay, 3_000..7_000);
    // An end before the strike leaves nothing of the decay.
    let none = made.cut(3_990, Ending::Silent);
    assert_eq!(none.decay, 3_000..3_000);
}

#[test]
fn less_than_50_ms_of_quiet_is_no_quiet() {
    let mut made = made();
    made.open.quiet_from = 4_000 - 432;
    assert_eq!(made.flaws(7_600, Ending::Silent), []);
    made.open.quiet_from += 1;
    let wanted = Flaw::NoQuiet {
        quiet_ms: 399.0 / 8.0,
    };
    assert_eq!(made.flaws(7_600, Ending::Silent), [wanted]);
    made.open.quiet_from = 5_000;
    let take = made.cut(7_600, Ending::Silent);
    assert_eq!((take.strike, take.quiet), (0, 0..0));
    assert_eq!(take.flaws, [Flaw::NoQuiet { quiet_ms: 0.0 }]);
}

#[test]
fn less_than_40_ms_of_decay_is_short() {
    let made = made();
    assert_eq!(made.flaws(4_320, Ending::Silent), []);
    let wanted = Flaw::Short {
        clean_ms: 319.0 / 8.0,
    };
    assert_eq!(made.flaws(4_319, Ending::Silent), [wanted]);
}

#[test]
fn clipped_samples_are_left_out_of_the_decay_from_2_ms_before_the_strike_on() {
    let clipped = |at: usize| {
        let mut made = made();
        made.samples[at..at + 4].fill(0.9);
        let take = made.cut(7_600, Ending::Silent);
        (take.decay.start, take.flaws)
    };
    let flaw = |until_ms: f64| {
        vec![Flaw::Clipped {
            samples: 4,
            until_ms,
        }]
    };
    assert_eq!(clipped(4_100), (3_104, flaw(103.0 / 8.0)));
    // Before the strike it tells of the tap, but takes nothing off.
    assert_eq!(clipped(3_984), (3_000, flaw(0.0)));
    assert_eq!(clipped(3_980), (3_000, vec![]));
}

#[test]
fn the_decay_begins_1_ms_after_the_last_second_contact() {
    let bounced = |after: &[usize], end: u64| {
        let mut made = made();
        made.open.strike.contacts.later = after
            .iter()
            .map(|&after| Contact {
                after,
                level_db: -7.0,
            })
            .collect();
        let take = made.cut(end, Ending::Silent);
        (take.decay, take.flaws)
    };
    let bounce = |after_ms: f64| Flaw::Bounce {
        after_ms,
        level_db: -7.0,
    };
    let two = bounced(&[80, 164], 7_600);
    assert_eq!(two, (3_172..6_600, vec![bounce(10.0), bounce(20.5)]));
    // One that comes with the end of the take or after it is not in it.
    assert_eq!(
        bounced(&[80, 500], 4_500),
        (3_088..3_500, vec![bounce(10.0)])
    );
    let at_the_end = bounced(&[499], 4_500);
    let flaws = vec![bounce(62.375), Flaw::Short { clean_ms: 0.0 }];
    assert_eq!(at_the_end, (3_500..3_500, flaws));
}

// 15 dB over the noise are 31.623 + 1 of its power.
#[test]
fn a_strike_must_stand_15_db_over_the_noise_in_5_of_its_first_10_ms() {
    let soft = |parts: &[(usize, f64)]| {
        let mut made = made();
        made.levels = heard(parts);
        made.flaws(7_600, Ending::Silent)
    };
    assert_eq!(soft(&[(500, 2e-6), (5, 2e-6 * 32.7), (495, 2e-6)]), []);
    let told = soft(&[(500, 2e-6), (5, 2e-6 * 32.5), (495, 2e-6)]);
    let right = matches!(told[..], [Flaw::Soft { over_noise_db, needed_db }]
        if (over_noise_db - power_db(31.5)).abs() < 1e-6 && needed_db == 15.0);
    assert!(right, "{told:?}");
    // The loudest five hops may begin with the fifth after it, not with the sixth.
    assert_eq!(soft(&[(505, 2e-6), (5, 2e-6 * 34.0), (490, 2e-6)]), []);
    assert_eq!(soft(&[(506, 2e-6), (5, 2e-6 * 34.0), (489, 2e-6)]).len(), 1);
    assert_eq!(soft(&[(495, 2e-6), (5, 2e-6 * 34.0), (500, 2e-6)]).len(), 1);
}

#[test]
fn the_noise_is_what_was_before_or_else_the_least_of_20_ms() {
    let mut made = made();
    made.levels = heard(&[
        (500, 9.0),
        (20, 8.0),
        (20, 3.0),
        (20, 5.0),
        (20, 0.1),
        (20, 0.2),
    ]);
    let of = |made: &Made, end: u64| noise(&made.around(), &made.open, end);
    assert_eq!(of(&made, 4_800), NOISE);
    made.open.noise = None;
    made.open.strike.background = Some([7.0; LANES]);
    assert_eq!(of(&made, 4_800), [7.0; LANES]);
    made.open.strike.background = None;
    // Whole blocks up to the end: from 560 on it is softer.
    let second = |end: u64| of(&made, end)[1];
    assert!((second(4_800) - 0.05).abs() < 1e-12);
    assert!((second(4_640) - 0.05).abs() < 1e-12);
    assert!((second(4_632) - 1.5).abs() < 1e-12);
    assert!((second(4_320) - 1.5).abs() < 1e-12);
    assert!((second(4_319) - 4.0).abs() < 1e-12);
    assert_eq!(of(&made, 4_100), [0.0; LANES], "no whole block");
    // Frames are counted from the start of the stretch.
    made.origin = 80;
    made.open.strike.hop = 490;
    // 20 ms from hop 530 on are half 3 and half 5; those from 550 on are not whole.
    assert!((of(&made, 4_560)[1] - 2.0).abs() < 1e-12);
}

/// The flaws of a take that ends so many samples after the strike and rings with so many dB over
/// the noise in its last 10 ms.
fn ended(after: u64, ringing_db: f64, ending: Ending) -> Vec<Flaw> {
    let mut made = made();
    let ringing = 2e-6 * (1.0 + 10f64.powf(ringing_db / 10.0));
    let before = 500 + (after / 8) as usize - 10;
    made.levels = heard(&[
        (500, 2e-6),
        (11, 0.01),
        (before - 511, 1e-4),
        (10, ringing),
        (200, 1.0),
    ]);
    let mut flaws = Vec::new();
    ending_flaws(
        &made.around(),
        4_000,
        4_000 + after,
        ending,
        &NOISE,
        &mut flaws,
    );
    flaws
}

#[test]
fn the_next_strike_hurries_a_take_that_rings_on_at_its_end() {
    let hurried = |next: u64, ringing_db: f64| {
        ended(
            next - 80,
            ringing_db,
            Ending::NextStrike { at: 4_000 + next },
        )
    };
    let flaw = |next_after_ms: f64| vec![Flaw::Overlap { next_after_ms }];
    assert_eq!(hurried(1_992, 6.1), flaw(249.0));
    assert_eq!(hurried(1_992, 5.9), []);
    assert_eq!(hurried(2_000, 40.0), []);
    assert_eq!(hurried(800, 6.1), flaw(100.0));
}

#[test]
fn lost_samples_end_a_take_too_soon_while_it_rings_or_within_100_ms() {
    let gap = |after: u64, ringing_db: f64| ended(after, ringing_db, Ending::Gap { lost: 40 });
    let flaw = |at_ms: f64| {
        vec![Flaw::Gap {
            at_ms,
            lost_ms: 5.0,
        }]
    };
    assert_eq!(gap(792, -20.0), flaw(99.0));
    assert_eq!(gap(800, 5.9), []);
    assert_eq!(gap(800, 6.1), flaw(100.0));
    assert_eq!(gap(3_200, 6.1), flaw(400.0));
}

#[test]
fn the_end_of_the_recording_cuts_off_within_100_ms_or_250_while_it_rings() {
    let end = |after: u64, ringing_db: f64| ended(after, ringing_db, Ending::Recording);
    let flaw = |after_ms: f64| vec![Flaw::CutOff { after_ms }];
    assert_eq!(end(792, -20.0), flaw(99.0));
    assert_eq!(end(800, 14.9), []);
    assert_eq!(end(800, 15.1), flaw(100.0));
    assert_eq!(end(1_992, 15.1), flaw(249.0));
    assert_eq!(end(2_000, 40.0), []);
    assert_eq!(ended(400, 40.0, Ending::Silent), []);
}

#[test]
fn a_take_ends_at_the_first_dropout_in_it() {
    let mut made = made();
    for part in [3_900..3_950, 5_000..5_400, 6_000..6_100] {
        made.breaks.push_back(part);
    }
    let end = |end: u64, ending: Ending| before_dropout(&made.around(), 4_000, end, ending);
    let gap = Ending::Gap { lost: 400 };
    assert_eq!(end(7_600, Ending::Silent), (5_000, gap));
    assert_eq!(end(5_001, Ending::Silent), (5_000, gap));
    assert_eq!(end(5_000, Ending::Silent), (5_000, Ending::Silent));
    assert_eq!(end(8_000, Ending::Recording), (5_000, gap));
    // Zeros up to the end of the recording are its end.
    let mut last = self::made();
    last.breaks.push_back(7_000..8_000);
    let end = |ending: Ending| before_dropout(&last.around(), 4_000, 8_000, ending);
    assert_eq!(end(Ending::Recording), (7_000, Ending::Recording));
    assert_eq!(end(Ending::Silent), (7_000, Ending::Gap { lost: 1_000 }));
    last.breaks[0] = 7_000..7_999;
    let end = before_dropout(&last.around(), 4_000, 8_000, Ending::Recording);
    assert_eq!(end, (7_000, Ending::Gap { lost: 999 }));
    last.breaks[0] = 4_000..4_100;
    let end = before_dropout(&last.around(), 4_000, 8_000, Ending::Recording);
    assert_eq!(
        end,
        (8_000, Ending::Recording),
        "one at the strike was before it"
    );
}

#[test]
fn a_gap_within_50_ms_before_the_strike_is_a_flaw_and_ends_the_quiet() {
    let with = |lost: Range<u64>| {
        let mut made = made();
        made.breaks.push_back(2_000..2_100);
        made.breaks.push_back(lost);
        let take = made.cut(7_600, Ending::Silent);
        (take.strike, take.flaws)
    };
    let gap = |at_ms: f64, lost_ms: f64| Flaw::Gap { at_ms, lost_ms };
    let no_quiet = |quiet_ms: f64| Flaw::NoQuiet { quiet_ms };
    assert_eq!(with(3_400..3_500), (500, vec![]));
    assert_eq!(with(3_400..3_600), (400, vec![no_quiet(46.0)]));
    let told = vec![no_quiet(45.875), gap(-49.875, 25.125)];
    assert_eq!(with(3_400..3_601), (399, told));
    assert_eq!(with(3_920..4_000), (0, vec![no_quiet(0.0), gap(0.0, 10.0)]));
    // What was lost before the stretch began.
    let mut made = made();
    made.lost_before = Some(800);
    made.origin = 3_600;
    let before = |made: &Made| {
        let mut flaws = Vec::new();
        gap_before(&made.around(), 4_000, &mut flaws);
        flaws
    };
    assert_eq!(before(&made), []);
    made.origin = 3_601;
    assert_eq!(before(&made), [gap(-49.875, 100.0)]);
}

#[test]
fn a_sound_that_was_built_up_is_from_afar() {
    for (follows, direct_db, far) in [
        (0.49, -5.9, false),
        (0.49, -6.1, true),
        (0.5, -6.1, false),
        (0.5, -14.9, false),
        (0.5, -15.1, true),
    ] {
        let mut made = made();
        made.open.strike.contacts.follows = follows;
        made.open.strike.contacts.direct_db = direct_db;
        let wanted: &[Flaw] = if far { &[Flaw::Far { direct_db }] } else { &[] };
        assert_eq!(
            made.flaws(7_600, Ending::Silent),
            wanted,
            "{follows} {direct_db}"
        );
    }
}

#[test]
fn a_level_over_noise_is_what_is_more_than_the_noise() {
    // The lowest band does not count.
    let of = |level: f64, noise: f64| {
        over_noise_db(
            &[50.0, level, 0.0, 0.0, 0.0, 0.0],
            &[70.0, 0.5 * noise, 0.5 * noise, 0.0, 0.0, 0.0],
        )
    };
    assert!((of(22.0, 2.0) - 10.0).abs() < 1e-9);
    assert!((of(2.0, 2.0) + 30.0).abs() < 1e-9, "-30 dB at least");
    assert_eq!(of(1.0, 0.0), f64::INFINITY);
}
