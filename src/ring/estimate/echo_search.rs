//! How much the room echoes and for how long, from the taps themselves.

use super::band::{CAUTION, CutBand, Group, cut_band};
use super::echo::Echo;
use super::polish::Lines;
use super::refine::{Starts, needed_gain, score_of_order};
use super::windows::Windows;
use crate::units::LN_1000;

/// Shares of echo that are tried, in dB below the direct sound.
const SHARES_DB: [f64; 7] = [-42.0, -36.0, -30.0, -24.0, -18.0, -12.0, -6.0];

/// Decay times of rooms that are tried in seconds, where it is not known.
const ROOMS_S: [f64; 3] = [0.4, 0.2, 0.8];

/// A score higher by this (twice the logarithm of a likelihood ratio) is no accident.
const CERTAINLY_WORSE: f64 = 50.0;

/// Bands that the echo is measured from.
const ECHO_BANDS: usize = 5;
/// Most poles of one: two for each candidate that sounds in it and two more, within these bounds. What
/// poles that are wanting would have explained passes for an echo.
const MOST_POLES: (usize, usize) = (6, 14);

/// Most poles of the band around a group at `rate_hz` over `step`, by the candidates that sound in
/// it.
fn most_poles(of: &Group, groups: &[Group], rate_hz: f64, step: usize) -> usize {
    let centre_hz = f64::midpoint(of.low_hz, of.high_hz);
    let half_hz = 0.5 * rate_hz / step as f64;
    let (low_hz, high_hz) = (centre_hz - half_hz, centre_hz + half_hz);
    let inside = |o: &&Group| o.high_hz > low_hz && o.low_hz < high_hz;
    let count: usize = groups.iter().filter(inside).map(|o| o.count).sum();
    (2 * count + 2).clamp(MOST_POLES.0, MOST_POLES.1)
}

/// The echo that makes the strongest bands of the loudest tap most likely; none when that is no
/// echo at all. Every pole costs what it must gain, so that many poles do not pass for an echo
/// nor an echo for many poles. `decay_per_s` is how fast the room is known to die away.
pub fn echo_of(w: &Windows<'_>, groups: &[Group], decay_per_s: Option<f64>) -> Option<Echo> {
    let energy = |x: &[f64]| x.iter().map(|v| v * v).sum::<f64>();
    let loudest =
        (0..w.taps.len()).max_by(|a, b| energy(w.taps[*a]).total_cmp(&energy(w.taps[*b])))?;
    let alone = Windows {
        taps: vec![w.taps[loudest]],
        lead: vec![w.lead[loudest]],
        alike: vec![1],
        strikes: vec![w.strikes[loudest]],
        noise: &w.noise[loudest..=loudest],
        rate_hz: w.rate_hz,
        band_hz: w.band_hz,
    };
    let left = [w.taps[loudest].to_vec()];
    let bands: Vec<(CutBand, Starts)> = groups
        .iter()
        .take(ECHO_BANDS)
        .filter_map(|g| {
            let band = cut_band(&left, &alone, g, true);
            let most = most_poles(g, groups, w.rate_hz, band.zoom.step);
            let starts = Starts::new(&band.taps, most)?;
            Some((band, starts))
        })
        .collect();
    let none = Lines::none(1);
    let score = |echo: Option<Echo>| -> f64 {
        bands
            .iter()
            .map(|(band, starts)| {
                // As it is measured, without the caution.
                let echo = echo.map(|e| Echo {
                    share: e.share / CAUTION,
                    ..e
                });
                let around = band.disturbance(&alone, echo, &none);
                score_of_order(&band.taps, &around, starts)
            })
            .sum()
    };
    let known_s = decay_per_s.map(|d| LN_1000 / d);
    let rooms_s: Vec<f64> = known_s.map_or(ROOMS_S.to_vec(), |s| vec![s]);
    let tried = |share_db: f64, room_s: f64| Echo {
        share: 10f64.powf(share_db / 10.0),
        decay_per_s: LN_1000 / room_s,
    };
    let without = score(None);
    let (mut best, mut best_score) = (None, without);
    let mut worse = 0;
    for share_db in SHARES_DB {
        let echo = tried(share_db, rooms_s[0]);
        let s = score(Some(echo));
        if s < best_score {
            (best, best_score) = (Some((share_db, echo)), s);
        }
        // Beyond the most likely share the score only rises.
        worse = if s > best_score + CERTAINLY_WORSE {
            worse + 1
        } else {
            0
        };
        if worse == 2 {
            break;
        }
    }
    let (share_db, mut echo) = best?;
    for room_s in &rooms_s[1..] {
        let other = tried(share_db, *room_s);
        let s = score(Some(other));
        if s < best_score {
            (echo, best_score) = (other, s);
        }
    }
    for step_db in [-3.0, 3.0] {
        let other = tried(share_db + step_db, LN_1000 / echo.decay_per_s);
        let s = score(Some(other));
        if s < best_score {
            (echo, best_score) = (other, s);
        }
    }
    (without - best_score > needed_gain(1)).then_some(echo)
}

#[cfg(test)]
mod tests {
    use super::super::made::{group, in_room, log, windows};
    use super::super::phasor::C64;
    use super::*;
    use crate::signal::noise_density::NoiseDensity;

    const RATE: f64 = 16_000.0;

    const MADE: [(f64, f64); 5] = [
        (900.0, 9.0),
        (1500.0, 12.0),
        (2300.0, 15.0),
        (3200.0, 20.0),
        (4400.0, 25.0),
    ];

    /// Tones from the strike on in a room.
    fn heard(share: f64, room_s: f64, len: usize) -> Vec<f64> {
        let of: Vec<(C64, C64)> = MADE
            .iter()
            .zip(0..)
            .map(|((f, d), k)| (log(*f, *d, RATE), C64::from_polar(0.3, f64::from(k))))
            .collect();
        in_room(&of, len, share, LN_1000 / room_s / RATE)
    }

    fn found(share: f64, known: Option<f64>) -> Option<Echo> {
        found_in_room(share, 0.4, known)
    }

    fn found_in_room(share: f64, room_s: f64, known: Option<f64>) -> Option<Echo> {
        // The louder of two taps tells, wherever it stands.
        let loud = heard(share, room_s, 6000);
        let after = found_in(&[vec![1e-6; 6000], loud.clone()], known);
        let before = found_in(&[loud, vec![1e-6; 6000]], known);
        assert_eq!(before, after);
        after
    }

    fn found_in(taps: &[Vec<f64>], known: Option<f64>) -> Option<Echo> {
        let density = [NoiseDensity::white(1e-10), NoiseDensity::white(1e-10)];
        let w = windows(taps, &density, RATE);
        let groups: Vec<Group> = MADE.iter().map(|(f, d)| group(*f, *f, *d)).collect();
        echo_of(&w, &groups, known)
    }

    #[test]
    fn a_band_may_have_two_poles_for_each_candidate_in_it() {
        let at = |low_hz, high_hz, count| Group {
            low_hz,
            high_hz,
            count,
            ..group(0.0, 0.0, 10.0)
        };
        let of = at(990.0, 1010.0, 1);
        let around = |low_hz, high_hz| {
            let groups = [at(990.0, 1010.0, 1), at(low_hz, high_hz, 3)];
            most_poles(&of, &groups, 6400.0, 16)
        };
        // 800 to 1200 Hz, and what reaches into it.
        assert_eq!(around(850.0, 860.0), 10);
        assert_eq!(around(1190.0, 1300.0), 10);
        assert_eq!(around(700.0, 810.0), 10);
        assert_eq!(around(700.0, 790.0), 6);
        assert_eq!(around(1210.0, 1300.0), 6);
        // Never fewer than 6 nor more than 14.
        assert_eq!(most_poles(&of, &[at(1000.0, 1000.0, 3)], 6400.0, 16), 8);
        assert_eq!(most_poles(&of, &[], 6400.0, 16), 6);
        assert_eq!(most_poles(&of, &[at(1000.0, 1000.0, 9)], 6400.0, 16), 14);
    }

    #[test]
    fn tones_alone_show_no_echo() {
        assert_eq!(found(0.0, None), None);
        assert_eq!(found(0.0, Some(LN_1000 / 0.4)), None);
    }

    /// Five bands of one realisation scatter by some decibels, and 6 dB are the grid: within 6 dB
    /// the share is right.
    #[test]
    fn an_echo_is_found_with_its_share() {
        for share_db in [-15.0, -24.0] {
            let share = 10f64.powf(share_db / 10.0);
            let decay = LN_1000 / 0.4;
            let echo = found(share, Some(decay));
            let db = echo.map_or(f64::NAN, |e| 10.0 * (e.share / share).log10());
            assert!(db.abs() < 6.0, "{share_db} {db}");
            // A decay that is known is taken as it is.
            assert!(echo.is_some_and(|e| (e.decay_per_s / decay - 1.0).abs() < 1e-12));
        }
    }

    /// Shares lie 6 dB apart, and a step of 3 dB to either side is tried in the room that was found:
    /// of four that cover 6 dB some end between those.
    #[test]
    fn a_share_is_found_between_those_that_are_tried() {
        let decay = LN_1000 / 0.4;
        let between = [-13.0, -15.0, -17.0, -19.0].iter().filter(|db| {
            let share = 10f64.powf(0.1 * **db);
            let found_db = found(share, Some(decay)).map_or(f64::NAN, |e| 10.0 * e.share.log10());
            SHARES_DB.iter().all(|s| (s - found_db).abs() > 1.0)
        });
        assert!(between.count() >= 1);
    }

    /// A decay that is not known is one of those that are tried: of a long and a short one the right
    /// one, of one between them the nearest two.
    #[test]
    fn the_decay_of_a_room_is_tried() {
        for (room_s, most_s, least_s) in [(0.2, 0.2, 0.2), (0.4, 0.8, 0.2), (0.8, 0.8, 0.8)] {
            let found_s =
                found_in_room(0.1, room_s, None).map_or(f64::NAN, |e| LN_1000 / e.decay_per_s);
            assert!(
                ROOMS_S.iter().any(|s| (found_s / s - 1.0).abs() < 1e-9),
                "{found_s}"
            );
            assert!(
                found_s < 1.01 * most_s && found_s > 0.99 * least_s,
                "{room_s} {found_s}"
            );
        }
    }
}
