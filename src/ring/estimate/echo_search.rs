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
            let half_hz = 0.5 * w.rate_hz / band.zoom.step as f64;
            let centre_hz = 0.5 * (g.low_hz + g.high_hz);
            let inside =
                |o: &&Group| o.high_hz > centre_hz - half_hz && o.low_hz < centre_hz + half_hz;
            let count: usize = groups.iter().filter(inside).map(|o| o.count).sum();
            let most = (2 * count + 2).clamp(MOST_POLES.0, MOST_POLES.1);
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
