//! What the tests of this folder have in common, and those of what stands in `mod.rs`.

use std::collections::VecDeque;
use std::ops::Range;

use super::contacts::Contacts;
use super::heard::Heard;
use super::*;
use crate::ring::flaw::Flaw;
use crate::signal::clip::Clip;
use crate::signal::envelope::BandLevels;

/// 8 kHz: 8 samples to a hop of 1 ms, and three bands.
pub(super) fn rate() -> SampleRate {
    SampleRate::new(8_000).unwrap()
}

/// Plus or minus one by chance: white noise whose power is exactly 1 in every stretch.
pub(super) fn signs(n: usize, seed: u64) -> Vec<f64> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    (0..n)
        .map(|_| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            if state >> 40 & 1 == 0 { 1.0 } else { -1.0 }
        })
        .collect()
}

/// Levels of the three bands of 8 kHz, so many hops each.
pub(super) fn levels(parts: &[(usize, [f64; 3])]) -> BandLevels {
    levels_in_hops_of(8, parts)
}

/// The same in hops of so many samples.
pub(super) fn levels_in_hops_of(samples: usize, parts: &[(usize, [f64; 3])]) -> BandLevels {
    let hops = parts
        .iter()
        .flat_map(|&(many, [a, b, c])| std::iter::repeat_n([a, b, c, 0.0, 0.0, 0.0], many))
        .collect();
    BandLevels::made_up(&bands_hz(rate()), samples, hops)
}

/// What is around a rise, made up.
pub(super) struct Scene {
    pub(super) levels: BandLevels,
    pub(super) samples: Vec<f64>,
    pub(super) samples_from: u64,
    pub(super) origin: u64,
    pub(super) before_gap: Option<Levels>,
    pub(super) later_rises: Vec<u64>,
    pub(super) breaks: VecDeque<Range<u64>>,
    pub(super) last_strike: Option<u64>,
}

impl Scene {
    pub(super) fn new(levels: BandLevels) -> Self {
        Self {
            levels,
            samples: Vec::new(),
            samples_from: 0,
            origin: 0,
            before_gap: None,
            later_rises: Vec::new(),
            breaks: VecDeque::new(),
            last_strike: None,
        }
    }

    /// The levels of a sound as a stretch would have them.
    pub(super) fn of_sound(samples: Vec<f64>) -> Self {
        let mut levels = BandLevels::new(&bands_hz(rate()), rate().hz(), 8);
        let mut rest = &samples[..];
        while !rest.is_empty() {
            let (used, _) = levels.push(rest);
            rest = &rest[used..];
        }
        Self {
            samples,
            ..Self::new(levels)
        }
    }

    pub(super) fn heard(&self) -> Heard<'_> {
        Heard {
            rate: rate(),
            levels: &self.levels,
            samples: &self.samples,
            samples_from: self.samples_from,
            origin: self.origin,
            before_gap: self.before_gap,
            later_rises: &self.later_rises,
            step: 0.0,
            breaks: &self.breaks,
            last_strike: self.last_strike,
        }
    }
}

/// A made-up disc that rings: three damped tones from `at` on, with a quarter of a second to
/// fall by 60 dB.
pub(super) fn ring(n: usize, at: usize, gain: f64) -> Vec<f64> {
    (0..n)
        .map(|i| {
            let t = i as f64 - at as f64;
            if t < 0.0 {
                return 0.0;
            }
            let tone = |w: f64| (w * t).cos();
            gain * (-t * 6.9 / 2_000.0).exp() * (tone(0.9) + 0.6 * tone(1.7) + 0.4 * tone(2.3))
        })
        .collect()
}

#[test]
fn bands_end_at_nine_twentieths_of_the_rate_and_none_is_narrow() {
    let bands = |hz: u32| bands_hz(SampleRate::new(hz).unwrap());
    // 0.45 of 8 kHz is 3.6 kHz: from 3 kHz on that is too narrow for a band of its own.
    assert_eq!(
        bands(8_000),
        [(80.0, 300.0), (300.0, 1_000.0), (1_000.0, 3_600.0)]
    );
    // 0.45 of 10 kHz is 4.5 kHz, half an octave and more over 3 kHz.
    assert_eq!(bands(10_000)[3], (3_000.0, 4_500.0));
    assert_eq!(bands(9_999).len(), 3);
    // 0.45 of 20 kHz is 9 kHz: the band below is drawn out.
    assert_eq!(bands(20_000)[3], (3_000.0, 9_000.0));
    assert_eq!(bands(48_000).last(), Some(&(8_000.0, 16_000.0)));
    assert_eq!(bands(192_000).last(), Some(&(8_000.0, 16_000.0)));
}

#[test]
fn the_lowest_band_is_not_in_the_heard_power() {
    let power = heard_power(&[100.0, 1.0, 2.0, 4.0, 8.0, 16.0]);
    assert!((power - 31.0).abs() < 1e-12, "{power}");
}

/// What follows a tap is its decay.
pub(super) fn contacts() -> Contacts {
    Contacts {
        later: Vec::new(),
        pulses: 0,
        follows: 0.9,
        direct_db: 10.0,
        going_on_db: 0.0,
        innovation: None,
    }
}

fn take(level_db: f64, tonal_share: f64, flaws: Vec<Flaw>) -> TapTake {
    TapTake {
        clip: Clip::new(Vec::new(), rate()),
        time_s: 0.0,
        strike: 0,
        quiet: 0..0,
        decay: 0..0,
        level_db,
        tonal_share,
        microphone: 0,
        flaws,
    }
}

#[test]
fn a_stray_is_20_db_softer_and_without_tone_or_from_afar() {
    let others = [take(-30.0, 0.9, vec![]), take(-12.0, 0.9, vec![])];
    let far = || vec![Flaw::Far { direct_db: -20.0 }];
    for (level_db, tonal_share, flaws, stray) in [
        (-32.1, 0.49, vec![], true),
        (-32.0, 0.49, vec![], true),
        (-31.9, 0.49, vec![], false),
        (-32.1, 0.5, vec![], false),
        (-32.1, 0.9, far(), true),
        (-31.9, 0.9, far(), false),
        (-32.1, 0.9, vec![Flaw::Short { clean_ms: 1.0 }], false),
    ] {
        let take = take(level_db, tonal_share, flaws);
        assert_eq!(is_stray(&take, &others), stray, "{take:?}");
    }
    assert!(!is_stray(&take(-90.0, 0.1, far()), &[]));
}

#[test]
fn samples_that_are_no_numbers_count_as_nothing() {
    let hear = |odd: f64| {
        let mut x = ring(4_000, 1_600, 0.2);
        x[1_000] = odd;
        x[1_700] = odd;
        let mut listener = Listener::new(rate());
        let mut takes = listener.push(&x, 0);
        let (more, heard) = listener.finish();
        takes.extend(more);
        (takes, heard)
    };
    let zero = hear(0.0);
    assert_eq!(zero.1.frames, 4_000);
    for odd in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert_eq!(hear(odd), zero);
    }
}

#[test]
fn times_go_on_over_what_was_lost() {
    let x = ring(6_000, 1_600, 0.2);
    let mut listener = Listener::new(rate());
    let mut takes = listener.push(&x, 0);
    takes.extend(listener.push(&x, 2_000));
    let (more, heard) = listener.finish();
    takes.extend(more);
    assert_eq!((heard.frames, heard.lost, heard.found), (12_000, 2_000, 2));
    // Out of digital silence the strike is the first sample that is not zero; the second
    // comes after 6,000 frames heard and 2,000 lost.
    let at: Vec<f64> = takes.iter().map(|t| t.time_s * 8_000.0).collect();
    assert!((at[0] - 1_600.0).abs() <= 2.0, "{at:?}");
    assert!((at[1] - 9_600.0).abs() <= 2.0, "{at:?}");
}
