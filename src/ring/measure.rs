//! From a take to a measured tap.

use crate::ring::band_decay::{band_decays, without_neighbours};
use crate::ring::estimate::{Room, SHORTEST_S, Solved, solve_in};
use crate::ring::flaw::Flaw;
use crate::ring::take::TapTake;
use crate::ring::tap::Tap;
use crate::units::amplitude_db;

/// Share of unexplained power above which the room, not the noise, limits the decays.
const LIVE_ROOM: f64 = 0.03;

/// Measures one tap by itself: modes, ring time, ring fraction, band decays, flaws.
pub fn measure(take: &TapTake) -> Tap {
    measure_in(take, Room::Unknown)
}

/// [`measure`] in a room of which something is known.
pub fn measure_in(take: &TapTake, room: Room) -> Tap {
    let solved = solve_in(&[take], room);
    let reach = take.clip.rate().samples(0.05);
    let early = take.clip.slice(take.strike, take.strike + reach);
    let peak = early.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    Tap {
        time_s: take.time_s,
        over_noise_db: solved.over_noise_db[0].unwrap_or(take.level_db),
        peak_db: amplitude_db(peak.max(1e-12)),
        ring_time_s: solved.ring_times_s[0],
        ring_fraction: solved.ring_fractions[0],
        room_misfit: solved.room_misfit,
        echo: solved.echo,
        bands: without_neighbours(band_decays(take), &solved.modes, take.clip.rate()),
        flaws: flaws(take, &solved),
        modes: solved.modes,
        refused: solved.refused,
    }
}

fn flaws(take: &TapTake, solved: &Solved) -> Vec<Flaw> {
    let mut out = take.flaws.clone();
    let clean_s = take.clip.rate().seconds(take.decay.len());
    let has_short = out.iter().any(|f| matches!(f, Flaw::Short { .. }));
    if clean_s < SHORTEST_S && !has_short {
        out.push(Flaw::Short {
            clean_ms: clean_s * 1e3,
        });
    }
    if solved.room_misfit > LIVE_ROOM {
        out.push(Flaw::LiveRoom {
            misfit_db: crate::units::power_db(solved.room_misfit),
        });
    }
    if solved.crowded {
        out.push(Flaw::Crowded {
            lines: solved.modes.len() + solved.refused.len(),
        });
    }
    out
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::mode::{Mode, Refusal, RefusedLine};
    use crate::signal::clip::Clip;
    use crate::units::SampleRate;

    /// Half a second at 16 kHz with a peak of 0.5 within 50 ms of the strike, and louder ones not.
    fn take() -> TapTake {
        let mut x = vec![0.0; 8000];
        (x[1999], x[2799], x[2800]) = (0.9, -0.5, 0.8);
        TapTake {
            clip: Clip::new(x, SampleRate::new(16_000).unwrap()),
            time_s: 7.25,
            strike: 2000,
            quiet: 0..1900,
            decay: 2000..2300,
            level_db: 33.0,
            tonal_share: 0.0,
            microphone: 0,
            flaws: vec![Flaw::NoQuiet { quiet_ms: 1.0 }],
        }
    }

    fn solved(room_misfit: f64, crowded: bool) -> Solved {
        Solved {
            modes: Vec::new(),
            refused: Vec::new(),
            room_misfit,
            echo: None,
            crowded,
            ring_fractions: vec![None],
            ring_times_s: vec![None],
            over_noise_db: vec![None],
        }
    }

    #[test]
    fn a_tap_without_a_decay_states_how_loud_it_was_and_why_there_is_none() {
        let tap = measure(&take());
        assert_eq!((tap.time_s, tap.over_noise_db), (7.25, 33.0));
        assert!((tap.peak_db - 20.0 * 0.5f64.log10()).abs() < 1e-9);
        assert!(tap.modes.is_empty() && tap.ring_time_s.is_none() && tap.ring_fraction.is_none());
        // 300 samples are 18.75 ms.
        let short = Flaw::Short { clean_ms: 18.75 };
        assert_eq!(tap.flaws, [Flaw::NoQuiet { quiet_ms: 1.0 }, short]);
        let silent = TapTake {
            clip: Clip::new(vec![0.0; 8000], SampleRate::new(16_000).unwrap()),
            ..take()
        };
        assert!((measure(&silent).peak_db + 240.0).abs() < 1e-9);
    }

    #[test]
    fn short_decays_live_rooms_and_crowds_are_flaws() {
        let with = |decay: usize, solved: &Solved| {
            let take = TapTake {
                decay: 2000..2000 + decay,
                flaws: Vec::new(),
                ..take()
            };
            flaws(&take, solved)
        };
        assert_eq!(with(640, &solved(0.0, false)), []);
        assert_eq!(
            with(639, &solved(0.0, false)),
            [Flaw::Short { clean_ms: 39.9375 }]
        );
        // Said once only.
        let said = TapTake {
            decay: 2000..2100,
            flaws: vec![Flaw::Short { clean_ms: 1.0 }],
            ..take()
        };
        assert_eq!(
            flaws(&said, &solved(0.0, false)),
            [Flaw::Short { clean_ms: 1.0 }]
        );
        assert_eq!(with(640, &solved(0.0299, false)), []);
        let live = with(640, &solved(0.1, false));
        assert!(
            matches!(live[..], [Flaw::LiveRoom { misfit_db }] if (misfit_db + 10.0).abs() < 1e-9)
        );
        assert_eq!(with(640, &solved(0.0, true)), [Flaw::Crowded { lines: 0 }]);
        let mut crowd = solved(0.0, true);
        crowd.modes = vec![Mode::made_up(900.0), Mode::made_up(1500.0)];
        crowd.refused = vec![
            RefusedLine {
                line: Mode::made_up(700.0),
                why: Refusal::Steady,
            };
            5
        ];
        assert_eq!(with(640, &crowd), [Flaw::Crowded { lines: 7 }]);
    }
}
