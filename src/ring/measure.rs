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
