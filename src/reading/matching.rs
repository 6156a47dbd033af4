//! Which line of a sounding is which line of a baseline. In the far tail it is wrong matches,
//! not noise, that make sound wheels look damaged: so this comes before any figure.
//!
//! Frequencies are compared as natural logarithms, so that a difference is a relative one.

use crate::ring::mode::{Mode, resolution_hz};

/// Width of the bell that a matching pair of lines adds to the score of a common shift.
const BELL: f64 = 0.004;
/// Farthest that a line may lie from its own place after the common shift.
const NEAR: f64 = 0.004;
/// Two lines nearer than this may be a natural pair that was seen as one line on another day:
/// the largest natural split that is assumed (docs/method.md) and a third.
const PARTED: f64 = 2e-3;
/// How far a line may have fallen, and risen, to be taken for one that is missing at its place.
const FALLEN: f64 = 0.06;
const RISEN: f64 = 0.02;
/// Energy over the noise density, in dB, from which a line would hardly be overlooked, whatever
/// the taps: only such lines can be missing, or new. Fainter ones come and go with the hand.
pub const CERTAIN_DB: f64 = 42.0;
/// How far below its baseline line in energy, in dB, a moved one may be.
pub const MOVED_BELOW_DB: f64 = 15.0;
/// Farthest new partner of a line, and how far below it in energy, in dB, it may be.
const PARTNER: f64 = 0.015;
const PARTNER_BELOW_DB: f64 = 20.0;
/// In a room a partner must decay within this factor of its main line.
const PARTNER_DECAY: f64 = 2.0;
/// Room misfit from which lines are suspect.
pub const ROOM: f64 = 3e-3;
/// Largest weight of a line, so that a single strong one does not decide alone.
const MOST_WEIGHT: f64 = 300.0;

/// What is compared of a mode.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Standard deviation of the frequency in Hz.
    pub freq_std_hz: f64,
    /// Amplitude decay rate in 1/s.
    pub decay_per_s: f64,
    /// Standard deviation of the decay rate in 1/s.
    pub decay_std_per_s: f64,
    /// Energy over the noise density in dB.
    pub energy_db: f64,
    /// Relative distance of the two lines that were joined to this one; 0 for a line by itself.
    pub split: f64,
}

impl From<&Mode> for Line {
    fn from(m: &Mode) -> Self {
        Self {
            freq_hz: m.freq_hz,
            freq_std_hz: m.freq_std_hz,
            decay_per_s: m.decay_per_s,
            decay_std_per_s: m.decay_std_per_s,
            energy_db: m.energy_db,
            split: 0.0,
        }
    }
}

impl Line {
    /// True when every figure is finite and frequency and decay are positive.
    pub fn is_usable(&self) -> bool {
        let figures = [
            self.freq_hz,
            self.freq_std_hz,
            self.decay_per_s,
            self.decay_std_per_s,
            self.energy_db,
        ];
        figures.iter().all(|v| v.is_finite())
            && self.freq_hz > 0.0
            && self.decay_per_s > 0.0
            && self.freq_std_hz >= 0.0
            && self.decay_std_per_s >= 0.0
    }

    /// Natural logarithm of the frequency in Hz.
    pub fn ln_freq(&self) -> f64 {
        self.freq_hz.ln()
    }

    /// Standard deviation of [`Line::ln_freq`] in a room of misfit `room`, with a floor of
    /// 20 ppm: the estimator's own is that of a lone line in plain noise.
    pub fn ln_freq_std(&self, room: f64) -> f64 {
        let own = self.freq_std_hz / self.freq_hz;
        let echo = room.max(0.0).sqrt() * self.decay_per_s / (std::f64::consts::TAU * self.freq_hz);
        own.hypot(2e-5).hypot(echo)
    }

    /// Standard deviation of the logarithm of the decay rate in a room, with a floor of 2 %.
    pub fn ln_decay_std(&self, room: f64) -> f64 {
        let own = self.decay_std_per_s / self.decay_per_s;
        own.hypot(0.02).hypot(room.max(0.0).sqrt())
    }

    /// What the line counts for: its signal-to-noise ratio in amplitude, up to 300.
    pub fn weight(&self) -> f64 {
        let h = 10f64.powf(0.1 * self.energy_db.min(100.0));
        (0.5 * h).sqrt().min(MOST_WEIGHT)
    }

    /// Closest relative distance at which a second line of like strength would have been told
    /// apart; see [`resolution_hz`].
    pub fn resolution(&self) -> f64 {
        resolution_hz(self.energy_db, self.decay_per_s) / self.freq_hz
    }
}

/// A place where a line is expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Natural logarithm of the frequency in Hz.
    pub ln_freq: f64,
    /// What it counts for, as [`Line::weight`].
    pub weight: f64,
    /// Energy over the noise density in dB.
    pub energy_db: f64,
    /// The other line of its pair, by number.
    pub partner: Option<usize>,
    /// False for a line that is known but was not regularly there: it explains a line of a
    /// sounding, and nothing is concluded from it.
    pub regular: bool,
    /// True when every sounding of the baseline showed it.
    pub always: bool,
}

/// The shift of all lines together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CommonShift {
    /// Mean of ln f(sounding) - ln f(baseline).
    pub shift: f64,
    /// True when the best shift lies at the end of the searched range.
    pub at_limit: bool,
}

/// The common shift that brings most weight of `lines` to a place:
/// maximum of `sum w exp(-((ln f - ln r - s)/0.004)^2/2)` for |s| <= `limit`, then twice the
/// weighted median of what matches. None without lines or places.
pub fn common_shift(lines: &[Line], places: &[Place], limit: f64) -> Option<CommonShift> {
    let differences: Vec<(f64, f64)> = lines
        .iter()
        .flat_map(|l| {
            let (x, w) = (l.ln_freq(), l.weight());
            places
                .iter()
                .map(move |p| (x - p.ln_freq, (w * p.weight).sqrt()))
        })
        .filter(|(d, _)| d.abs() <= limit + 4.0 * BELL)
        .collect();
    let score = |s: f64| -> f64 {
        let bell = |d: f64| (-0.5 * ((d - s) / BELL).powi(2)).exp();
        differences.iter().map(|(d, w)| w * bell(*d)).sum()
    };
    let steps = (limit / (0.125 * BELL)).ceil() as i32;
    let grid = (-steps..=steps).map(|k| limit * f64::from(k) / f64::from(steps.max(1)));
    let mut best = grid
        .map(|s| (s, score(s)))
        // Of equal ones the smaller shift.
        .fold((0.0, score(0.0)), |b, c| if c.1 > b.1 { c } else { b })
        .0;
    if differences.is_empty() {
        return None;
    }
    let at_limit = limit - best.abs() < 0.2 * BELL;
    for _ in 0..2 {
        let near: Vec<(f64, f64)> = lines
            .iter()
            .filter_map(|l| {
                let d = nearest(l.ln_freq() - best, places)?;
                (d.abs() <= NEAR).then_some((best + d, l.weight()))
            })
            .collect();
        best = weighted_median(&near)?;
    }
    Some(CommonShift {
        shift: best,
        at_limit,
    })
}

/// Signed distance of `x` from the nearest place.
fn nearest(x: f64, places: &[Place]) -> Option<f64> {
    places
        .iter()
        .map(|p| x - p.ln_freq)
        .min_by(|a, b| a.abs().total_cmp(&b.abs()))
}

/// Median of values with weights; none without weight.
pub fn weighted_median(values: &[(f64, f64)]) -> Option<f64> {
    let mut sorted: Vec<_> = values.iter().filter(|v| v.1 > 0.0).copied().collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * sorted.iter().map(|v| v.1).sum::<f64>();
    let mut sum = 0.0;
    for (k, (value, weight)) in sorted.iter().enumerate() {
        sum += weight;
        if sum > half * (1.0 + 1e-12) {
            return Some(*value);
        }
        if sum >= half * (1.0 - 1e-12) {
            return Some(
                sorted
                    .get(k + 1)
                    .map_or(*value, |next| 0.5 * (value + next.0)),
            );
        }
    }
    None
}

/// A line at, or moved from, its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Number of the place.
    pub place: usize,
    /// Number of the line.
    pub line: usize,
    /// ln f - common shift - ln f of the place. Where only one line of a pair was found and
    /// they are too close to be told apart, the distance from the stretch between the two.
    pub residual: f64,
    /// True when it was looked for farther off, its place being empty.
    pub moved: bool,
}

/// A second line beside a place where the baseline knows one only.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NewPartner {
    /// Number of the place.
    pub place: usize,
    /// Number of the line.
    pub line: usize,
    /// Relative distance of the two lines, positive.
    pub split: f64,
}

/// The lines of a sounding against the places of a baseline.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Matching {
    /// Lines with their places.
    pub found: Vec<Found>,
    /// New second lines.
    pub new_partners: Vec<NewPartner>,
    /// Places where nothing was found, by number; a place whose pair partner was found is not
    /// missing, since that branch may just not have been struck.
    pub missing: Vec<usize>,
    /// Lines that belong to no place.
    pub unexplained: Vec<usize>,
}

/// Matches lines to places after taking off the common `shift`: each to the nearest within
/// 0.4 %, nearest first; then empty places that were always there with lines left over up to
/// 6 % below or 2 % above; then lines left over up to 1.5 % below a lone line as its new
/// partner (6 % beside other wheels, whose pairs count as one line): damage lowers one of a pair, and what lies above is rather another mode.
///
/// `room` is the larger room misfit of the two sides; from [`ROOM`] on new partners must decay
/// like their main line and stand out of the misfit.
pub fn match_lines(lines: &[Line], places: &[Place], shift: f64, room: f64) -> Matching {
    match_lines_within(NEAR, lines, places, shift, room)
}

/// [`match_lines`] with another relative distance from their place up to which lines are taken
/// for those of the place: wheels differ more than one wheel does from day to day.
pub fn match_lines_within(
    nearest: f64,
    lines: &[Line],
    places: &[Place],
    shift: f64,
    room: f64,
) -> Matching {
    let x: Vec<f64> = lines.iter().map(|l| l.ln_freq() - shift).collect();
    let mut line_of = vec![None; places.len()];
    let mut free = vec![true; lines.len()];
    let mut near: Vec<(f64, usize, usize)> = Vec::new();
    for (i, l) in lines.iter().enumerate() {
        let reach = nearest.max((4.0 * l.ln_freq_std(room)).min(3.0 * NEAR));
        for (j, p) in places.iter().enumerate() {
            let d = (x[i] - p.ln_freq).abs();
            if d <= reach {
                near.push((d, i, j));
            }
        }
    }
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (_, i, j) in near {
        if free[i] && line_of[j].is_none() {
            free[i] = false;
            line_of[j] = Some(i);
        }
    }
    let mut out = Matching::default();
    for (j, i) in line_of.iter().enumerate() {
        if let Some(i) = *i {
            let residual = residual(x[i], lines[i].resolution(), j, places, &line_of);
            out.found.push(Found {
                place: j,
                line: i,
                residual,
                moved: false,
            });
        }
    }
    explain_parted(&x, places, &line_of, &mut free, &mut out);
    find_moved(lines, &x, places, &mut line_of, &mut free, &mut out);
    let reach = if nearest > NEAR { FALLEN } else { PARTNER };
    let suspects = (reach, room);
    find_partners(lines, &x, places, suspects, &line_of, &mut free, &mut out);
    centre_parted(&x, places, &line_of, &mut out.found);
    let is_found = |j: usize| line_of[j].is_some();
    out.missing = (0..places.len())
        .filter(|&j| places[j].regular && !is_found(j))
        .filter(|&j| !places[j].partner.is_some_and(is_found))
        .collect();
    out.unexplained = (0..lines.len()).filter(|&i| free[i]).collect();
    out.found.sort_by_key(|f| f.place);
    out
}

/// Lines left over right beside one that is at its place: a natural pair that was seen as one
/// line before. They are no other tone that has moved here.
fn explain_parted(
    x: &[f64],
    places: &[Place],
    line_of: &[Option<usize>],
    free: &mut [bool],
    out: &mut Matching,
) {
    for i in 0..x.len() {
        if !free[i] {
            continue;
        }
        let beside = line_of
            .iter()
            .enumerate()
            .filter_map(|(j, m)| m.map(|m| (j, (x[m] - x[i]).abs())))
            .filter(|(_, d)| *d < PARTED)
            .min_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((place, split)) = beside {
            free[i] = false;
            if places[place].regular && places[place].partner.is_none() {
                out.new_partners.push(NewPartner {
                    place,
                    line: i,
                    split,
                });
            }
        }
    }
}

/// A natural pair may be seen as one line on some days, somewhere between the two, and as two on
/// others. Where the baseline has one and the sounding two, near to each other and one of them
/// matched, the distance is that of the place from the stretch between the two.
fn centre_parted(x: &[f64], places: &[Place], line_of: &[Option<usize>], found: &mut [Found]) {
    for f in found.iter_mut() {
        if f.moved || places[f.place].partner.is_some() {
            continue;
        }
        let own = x[f.line];
        let other = (0..x.len())
            .filter(|k| *k != f.line && (x[*k] - own).abs() < PARTED)
            .filter(|k| !line_of.contains(&Some(*k)))
            .min_by(|a, b| (x[*a] - own).abs().total_cmp(&(x[*b] - own).abs()));
        if let Some(other) = other.map(|k| x[k]) {
            let place = places[f.place].ln_freq;
            let between = place.clamp(own.min(other), own.max(other));
            f.residual = between - place;
        }
    }
}

fn residual(x: f64, resolution: f64, j: usize, places: &[Place], line_of: &[Option<usize>]) -> f64 {
    let own = x - places[j].ln_freq;
    match places[j].partner {
        // Two lines are seen as one, somewhere between them, only where they cannot be told apart.
        Some(k)
            if line_of[k].is_none()
                && (places[j].ln_freq - places[k].ln_freq).abs() < 2.0 * resolution =>
        {
            let (a, b) = (places[j].ln_freq, places[k].ln_freq);
            x - x.clamp(a.min(b), a.max(b))
        }
        _ => own,
    }
}

/// Empty places that were always there, strongest first, and the nearest line left over.
fn find_moved(
    lines: &[Line],
    x: &[f64],
    places: &[Place],
    line_of: &mut [Option<usize>],
    free: &mut [bool],
    out: &mut Matching,
) {
    let mut empty: Vec<usize> = (0..places.len())
        .filter(|&j| places[j].regular && places[j].always && line_of[j].is_none())
        .filter(|&j| places[j].energy_db >= CERTAIN_DB)
        .collect();
    empty.sort_by(|&a, &b| places[b].energy_db.total_cmp(&places[a].energy_db));
    for j in empty {
        let least = CERTAIN_DB.max(places[j].energy_db - MOVED_BELOW_DB);
        let moved = (0..lines.len())
            .filter(|&i| free[i] && lines[i].energy_db >= least)
            .map(|i| (i, x[i] - places[j].ln_freq))
            .filter(|(_, d)| (-FALLEN..=RISEN).contains(d))
            .min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        if let Some((i, residual)) = moved {
            free[i] = false;
            line_of[j] = Some(i);
            out.found.push(Found {
                place: j,
                line: i,
                residual,
                moved: true,
            });
        }
    }
}

/// Lines left over beside a lone line that is at its place, up to `reach` below it.
fn find_partners(
    lines: &[Line],
    x: &[f64],
    places: &[Place],
    (reach, room): (f64, f64),
    line_of: &[Option<usize>],
    free: &mut [bool],
    out: &mut Matching,
) {
    for i in 0..lines.len() {
        if !free[i] || lines[i].energy_db < CERTAIN_DB {
            continue;
        }
        let believable = |main: &Line| {
            let below_db = main.energy_db - lines[i].energy_db;
            let decay = (lines[i].decay_per_s / main.decay_per_s).ln().abs();
            below_db <= PARTNER_BELOW_DB
                && (room <= ROOM
                    || (decay < PARTNER_DECAY.ln() && below_db < -10.0 * (10.0 * room).log10()))
        };
        let beside = line_of
            .iter()
            .enumerate()
            .filter(|(j, _)| places[*j].regular && places[*j].partner.is_none())
            .filter_map(|(j, m)| m.map(|m| (j, m, x[m] - x[i])))
            .filter(|(_, m, d)| (0.0..=reach).contains(d) && believable(&lines[*m]))
            .min_by(|a, b| a.2.total_cmp(&b.2));
        if let Some((place, _, split)) = beside {
            free[i] = false;
            out.new_partners.push(NewPartner {
                place,
                line: i,
                split,
            });
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn line(freq_hz: f64) -> Line {
        Line {
            freq_hz,
            freq_std_hz: 0.01,
            decay_per_s: 7.0,
            decay_std_per_s: 0.1,
            energy_db: 50.0,
            split: 0.0,
        }
    }

    fn places(freqs_hz: &[f64]) -> Vec<Place> {
        let place = |f: &f64| Place {
            ln_freq: f.ln(),
            weight: 100.0,
            energy_db: 50.0,
            partner: None,
            regular: true,
            always: true,
        };
        freqs_hz.iter().map(place).collect()
    }

    #[test]
    fn the_common_shift_is_that_of_the_many() {
        let at = places(&[1000.0, 1700.0, 2300.0, 3900.0, 5200.0]);
        // All 1.2 % lower, one of them 4 %.
        let lines: Vec<Line> = [1000.0, 1700.0, 2300.0, 5200.0]
            .iter()
            .map(|f| line(f * 0.988))
            .chain([line(3900.0 * 0.96)])
            .collect();
        let s = common_shift(&lines, &at, 0.03).unwrap();
        assert!(
            (s.shift - 0.988f64.ln()).abs() < 1e-9 && !s.at_limit,
            "{s:?}"
        );
        let m = match_lines(&lines, &at, s.shift, 0.0);
        assert_eq!(m.found.len(), 5);
        let moved: Vec<_> = m.found.iter().filter(|f| f.moved).collect();
        assert_eq!((moved.len(), moved[0].place), (1, 3));
        assert!((moved[0].residual - (0.96f64 / 0.988).ln()).abs() < 1e-9);
        assert!(m.missing.is_empty() && m.unexplained.is_empty());
        assert_eq!(common_shift(&[], &at, 0.03), None);
    }

    #[test]
    fn one_line_of_a_pair_counts_from_the_nearest_of_three() {
        let mut at = places(&[2000.0, 2010.0]);
        at[0].partner = Some(1);
        at[1].partner = Some(0);
        let faint = Line {
            energy_db: 20.0,
            ..line(2005.0)
        };
        let middle = match_lines(&[faint], &at, 0.0, 0.0);
        assert!(middle.found[0].residual.abs() < 1e-5 && middle.missing.is_empty());
        let low = match_lines(&[line(1998.0)], &at, 0.0, 0.0);
        assert!((low.found[0].residual + 1e-3).abs() < 1e-5, "{low:?}");
    }

    #[test]
    fn a_second_line_is_a_new_partner_and_a_far_one_is_not() {
        let at = places(&[2000.0, 3000.0]);
        let lines = [line(2000.0), line(1980.0), line(3000.0), line(2800.0)];
        let m = match_lines(&lines, &at, 0.0, 0.0);
        assert_eq!(m.new_partners.len(), 1);
        assert!((m.new_partners[0].split - 0.01005).abs() < 1e-4);
        assert_eq!(m.unexplained, [3]);
        // In a room a partner that decays otherwise is the echo's.
        let mut quick = lines;
        quick[1].decay_per_s = 20.0;
        let m = match_lines(&quick, &at, 0.0, 0.01);
        assert!(m.new_partners.is_empty(), "{m:?}");
    }

    #[test]
    fn the_weighted_median_lies_where_half_the_weight_is() {
        assert_eq!(
            weighted_median(&[(1.0, 1.0), (2.0, 1.0), (9.0, 1.0)]),
            Some(2.0)
        );
        assert_eq!(weighted_median(&[(1.0, 1.0), (3.0, 1.0)]), Some(2.0));
        assert_eq!(weighted_median(&[(1.0, 5.0), (3.0, 1.0)]), Some(1.0));
        assert_eq!(weighted_median(&[]), None);
    }

    #[test]
    fn what_is_no_line_is_not_used() {
        assert!(line(1000.0).is_usable());
        let spoilt: [fn(&mut Line); 11] = [
            |l| l.freq_hz = f64::NAN,
            |l| l.freq_std_hz = f64::INFINITY,
            |l| l.decay_per_s = f64::NAN,
            |l| l.decay_std_per_s = f64::NAN,
            |l| l.energy_db = f64::NEG_INFINITY,
            |l| l.freq_hz = 0.0,
            |l| l.freq_hz = -1.0,
            |l| l.decay_per_s = 0.0,
            |l| l.decay_per_s = -1.0,
            |l| l.freq_std_hz = -1e-9,
            |l| l.decay_std_per_s = -1e-9,
        ];
        for spoil in spoilt {
            let mut one = line(1000.0);
            spoil(&mut one);
            assert!(!one.is_usable(), "{one:?}");
        }
        let mut sure = line(1000.0);
        (sure.freq_std_hz, sure.decay_std_per_s) = (0.0, 0.0);
        assert!(sure.is_usable());
    }

    // Independent errors add in squares: 3-4-5 triangles.
    #[test]
    fn deviations_add_floor_and_room() {
        let mut one = line(1000.0);
        one.freq_std_hz = 0.015;
        assert!((one.ln_freq_std(0.0) - 2.5e-5).abs() < 1e-12);
        // Echo: sqrt(room) decay / (2 pi f) = 0.1 x 2 pi / (2 pi 1000) = 1e-4.
        one.freq_std_hz = 0.0;
        one.decay_per_s = std::f64::consts::TAU;
        assert!((one.ln_freq_std(0.01) - 1e-4f64.hypot(2e-5)).abs() < 1e-12);
        one.decay_std_per_s = 0.015 * one.decay_per_s;
        assert!((one.ln_decay_std(0.0) - 0.025).abs() < 1e-12);
        assert!((one.ln_decay_std(0.01) - 0.025f64.hypot(0.1)).abs() < 1e-12);
        // Less than nothing of a room is none.
        assert_eq!(one.ln_decay_std(-1.0), one.ln_decay_std(0.0));
    }

    #[test]
    fn a_line_weighs_its_amplitude_over_the_noise() {
        let of = |energy_db: f64| {
            Line {
                energy_db,
                ..line(1000.0)
            }
            .weight()
        };
        assert!((of(40.0) - 5000f64.sqrt()).abs() < 1e-9);
        assert!((of(20.0) - 50f64.sqrt()).abs() < 1e-9);
        assert_eq!((of(60.0), of(f64::INFINITY)), (300.0, 300.0));
    }

    #[test]
    fn a_shift_at_the_end_of_the_search_says_so() {
        let at = places(&[1000.0, 1700.0, 2300.0]);
        let shifted = |by: f64| -> Vec<Line> {
            [1000.0, 1700.0, 2300.0]
                .iter()
                .map(|f| line(f * by.exp()))
                .collect()
        };
        for (by, is_at_limit) in [
            (0.0, false),
            (0.028, false),
            (-0.028, false),
            (0.03, true),
            (-0.03, true),
            (-0.031, true),
        ] {
            let s = common_shift(&shifted(by), &at, 0.03).unwrap();
            assert_eq!(s.at_limit, is_at_limit, "{by}: {s:?}");
            assert!((s.shift - by).abs() < 1e-9, "{by}: {s:?}");
        }
        assert_eq!(common_shift(&shifted(0.2), &at, 0.03), None);
        // The strong decide.
        let mut lines = shifted(0.0);
        for l in &mut lines[..2] {
            l.energy_db = 20.0;
            l.freq_hz *= 1.01;
        }
        assert!(common_shift(&lines, &at, 0.03).unwrap().shift.abs() < 1e-9);
    }

    /// Where a lone line ends up that lies relatively `off` from the one place.
    fn one_off(off: f64, line_db: f64, place_db: f64) -> &'static str {
        let mut at = places(&[2000.0]);
        at[0].energy_db = place_db;
        let one = Line {
            energy_db: line_db,
            ..line(2000.0 * f64::exp(off))
        };
        let m = match_lines(&[one], &at, 0.0, 0.0);
        match (m.found.as_slice(), m.missing.len(), m.unexplained.len()) {
            ([f], 0, 0) if f.moved => "moved",
            ([_], 0, 0) => "at its place",
            ([], 1, 1) => "missing",
            _ => "?",
        }
    }

    #[test]
    fn a_line_is_at_its_place_or_moved_or_another() {
        for (off, wanted) in [
            (0.0039, "at its place"),
            (-0.0039, "at its place"),
            (0.0041, "moved"),
            (-0.0041, "moved"),
            (-0.0599, "moved"),
            (-0.0601, "missing"),
            (0.0199, "moved"),
            (0.0201, "missing"),
        ] {
            assert_eq!(one_off(off, 50.0, 50.0), wanted, "{off}");
        }
        // Only a place that was surely there can be empty, and only what is loud enough moves.
        assert_eq!(one_off(-0.01, 50.0, 41.9), "missing");
        assert_eq!(one_off(-0.01, 50.0, 42.0), "moved");
        assert_eq!(one_off(-0.01, 41.9, 50.0), "missing");
        assert_eq!(one_off(-0.01, 42.0, 50.0), "moved");
        assert_eq!(one_off(-0.01, 54.9, 70.0), "missing");
        assert_eq!(one_off(-0.01, 55.1, 70.0), "moved");
        // An unsure line reaches as far as four of its deviations, at most 1.2 %.
        let unsure = |off: f64, std: f64| {
            let mut one = line(2000.0 * f64::exp(off));
            one.freq_std_hz = std * 2000.0;
            match_lines(&[one], &places(&[2000.0]), 0.0, 0.0).found[0].moved
        };
        assert!(!unsure(-0.0079, 0.002) && unsure(-0.0081, 0.002));
        assert!(!unsure(-0.0119, 0.01) && unsure(-0.0121, 0.01));
    }

    #[test]
    fn irregular_places_explain_and_conclude_nothing() {
        let mut at = places(&[2000.0, 3000.0]);
        at[0].regular = false;
        at[1].always = false;
        // There: explained. Not there: neither missing nor where a line can have moved from.
        let m = match_lines(&[line(2000.0), line(2980.0)], &at, 0.0, 0.0);
        assert_eq!(
            (
                m.found.len(),
                m.missing.as_slice(),
                m.unexplained.as_slice()
            ),
            (1, &[1][..], &[1][..])
        );
        let m = match_lines(&[], &at, 0.0, 0.0);
        assert_eq!(m.missing, [1]);
        // No partners of an irregular place.
        let m = match_lines(&[line(2000.0), line(1990.0)], &at, 0.0, 0.0);
        assert!(m.new_partners.is_empty());
    }

    #[test]
    fn the_nearest_line_takes_the_place() {
        let at = places(&[2000.0, 2008.0]);
        let m = match_lines(&[line(2006.0), line(2001.0)], &at, 0.0, 0.0);
        let pairs: Vec<(usize, usize)> = m.found.iter().map(|f| (f.place, f.line)).collect();
        assert_eq!(pairs, [(0, 1), (1, 0)]);
        // The stronger of two empty places is served first.
        let mut at = places(&[2000.0, 2020.0]);
        at[1].energy_db = 55.0;
        let m = match_lines(&[line(1985.0)], &at, 0.0, 0.0);
        assert_eq!((m.found[0].place, m.missing.as_slice()), (1, &[0][..]));
    }

    /// One line between two places: the heavier place draws it.
    #[test]
    fn a_heavy_place_draws_more_than_a_light_one() {
        let mut at = places(&[2000.0, 2040.0]);
        for (heavy, expected) in [(0, 0.0), (1, (2000.0f64 / 2040.0).ln())] {
            at[heavy].weight = 900.0;
            at[1 - heavy].weight = 25.0;
            let shift = common_shift(&[line(2000.0)], &at, 0.03).unwrap().shift;
            assert!((shift - expected).abs() < 1e-9, "{heavy}: {shift}");
        }
    }

    /// Half of a pair that is seen as one line lies anywhere between the two, where they could not
    /// be told apart and the other was not found.
    #[test]
    fn a_half_of_a_pair_counts_from_the_stretch_between_only_when_it_is_alone() {
        let pair = |gap: f64| {
            let mut at = places(&[2000.0, 2000.0 * f64::exp(gap)]);
            at[0].partner = Some(1);
            at[1].partner = Some(0);
            at
        };
        let of = |gap: f64, off: f64, other: Option<usize>| {
            let at = pair(gap);
            residual(at[0].ln_freq + off, 1e-3, 0, &at, &[Some(0), other])
        };
        assert!(of(0.001_9, 0.001, None).abs() < 1e-12);
        assert!((of(0.001_9, 0.002_5, None) - 0.000_6).abs() < 1e-12);
        assert!((of(0.001_9, 0.001, Some(1)) - 0.001).abs() < 1e-12);
        assert!((of(0.002_1, 0.001, None) - 0.001).abs() < 1e-12);
        let lone = places(&[2000.0]);
        assert!(
            (residual(lone[0].ln_freq + 0.001, 1e-3, 0, &lone, &[Some(0)]) - 0.001).abs() < 1e-12
        );
    }

    /// The place lies between the line and the nearest one left over.
    #[test]
    fn a_parted_line_counts_from_the_stretch_to_its_nearest_twin() {
        let mut at = places(&[2000.0]);
        let x0 = at[0].ln_freq;
        let x = [x0 - 0.000_3, x0 - 0.001_9, x0 + 0.000_2];
        let of = |at: &[Place], moved: bool, line_of: &[Option<usize>]| {
            let mut found = vec![Found {
                place: 0,
                line: 0,
                residual: 0.5,
                moved,
            }];
            centre_parted(&x, at, line_of, &mut found);
            found[0].residual
        };
        assert!(of(&at, false, &[Some(0)]).abs() < 1e-12);
        // In whatever order they come.
        let mut found = vec![Found {
            place: 0,
            line: 0,
            residual: 0.5,
            moved: false,
        }];
        centre_parted(&[x[0], x[2], x[1]], &at, &[Some(0)], &mut found);
        assert!(found[0].residual.abs() < 1e-12);
        // With the nearest taken, the other one below: half the way it stays below.
        let below = of(&at, false, &[Some(0), Some(2)]);
        assert!((below + 0.000_3).abs() < 1e-12, "{below}");
        assert_eq!(of(&at, true, &[Some(0)]), 0.5);
        at[0].partner = Some(7);
        assert_eq!(of(&at, false, &[Some(0)]), 0.5);
    }

    #[test]
    fn a_twin_of_an_irregular_place_or_of_a_pair_is_no_new_partner() {
        let of = |regular: bool, partner: Option<usize>| {
            let mut at = places(&[2000.0]);
            (at[0].regular, at[0].partner) = (regular, partner);
            let x = [at[0].ln_freq, at[0].ln_freq + 0.001];
            let mut free = [false, true];
            let mut out = Matching::default();
            explain_parted(&x, &at, &[Some(0)], &mut free, &mut out);
            (free[1], out.new_partners.len())
        };
        assert_eq!(of(true, None), (false, 1));
        assert_eq!(of(false, None), (false, 0));
        assert_eq!(of(true, Some(3)), (false, 0));
        assert_eq!(of(false, Some(3)), (false, 0));
    }

    #[test]
    fn a_pair_with_one_line_found_misses_none() {
        let mut at = places(&[2000.0, 2060.0]);
        at[0].partner = Some(1);
        at[1].partner = Some(0);
        assert!(
            match_lines(&[line(2000.0)], &at, 0.0, 0.0)
                .missing
                .is_empty()
        );
        assert_eq!(match_lines(&[], &at, 0.0, 0.0).missing, [0, 1]);
        // A place of a pair gets no new partner.
        let m = match_lines(&[line(2000.0), line(2060.0), line(1985.0)], &at, 0.0, 0.0);
        assert_eq!(
            (m.new_partners.len(), m.unexplained.as_slice()),
            (0, &[2][..])
        );
    }

    /// Number of new partners of a place at 2 kHz with a line there and one `off` from it.
    fn partners(off: f64, db: f64, decay: f64, room: f64, nearest: f64) -> usize {
        let mut main = line(2000.0);
        main.energy_db = 60.0;
        let other = Line {
            energy_db: db,
            decay_per_s: decay * main.decay_per_s,
            ..line(2000.0 * f64::exp(off))
        };
        let m = match_lines_within(nearest, &[main, other], &places(&[2000.0]), 0.0, room);
        assert_eq!(m.new_partners.len() + m.unexplained.len(), 1);
        m.new_partners.len()
    }

    #[test]
    fn partners_lie_below_and_are_alike() {
        let plain = |off: f64| partners(off, 50.0, 1.0, 0.0, NEAR);
        assert_eq!([plain(-0.0149), plain(-0.0151)], [1, 0]);
        // Above only within the width of a natural pair.
        assert_eq!([plain(0.0019), plain(0.0021)], [1, 0]);
        // Beside other wheels farther down.
        let foreign = |off: f64| partners(off, 50.0, 1.0, 0.0, 0.006);
        assert_eq!(
            [foreign(-0.0151), foreign(-0.0599), foreign(-0.0601)],
            [1, 1, 0]
        );
        let faint = |db: f64| partners(-0.01, db, 1.0, 0.0, NEAR);
        assert_eq!([faint(42.1), faint(41.9)], [1, 0]);
        let below = |db: f64| {
            let mut main = line(2000.0);
            main.energy_db = 70.0;
            let other = Line {
                energy_db: db,
                ..line(1980.0)
            };
            match_lines(&[main, other], &places(&[2000.0]), 0.0, 0.0)
                .new_partners
                .len()
        };
        assert_eq!([below(50.1), below(49.9)], [1, 0]);
        // In a room of misfit 1 % a partner decays within a factor of 2 and stands 10 dB over the
        // misfit of its main line.
        let room = |db: f64, decay: f64, room: f64| partners(-0.01, db, decay, room, NEAR);
        assert_eq!([room(55.0, 1.95, 0.01), room(55.0, 2.05, 0.01)], [1, 0]);
        assert_eq!([room(55.0, 0.51, 0.01), room(55.0, 0.49, 0.01)], [1, 0]);
        assert_eq!([room(50.1, 1.0, 0.01), room(49.9, 1.0, 0.01)], [1, 0]);
        // Of 2 %: 10 log10(0.2) is 6.99 dB.
        assert_eq!([room(53.1, 1.0, 0.02), room(52.9, 1.0, 0.02)], [1, 0]);
        assert_eq!(
            [room(50.0, 3.0, ROOM), room(50.0, 3.0, 1.01 * ROOM)],
            [1, 0]
        );
    }

    // One line before, two now, the place between them: no shift. Outside: from the nearer one.
    #[test]
    fn a_parted_pair_counts_from_its_stretch() {
        let residual = |low: f64, high: f64| {
            let lines = [line(2000.0 * (1.0 + low)), line(2000.0 * (1.0 + high))];
            let m = match_lines(&lines, &places(&[2000.0]), 0.0, 0.0);
            assert_eq!((m.found.len(), m.new_partners.len()), (1, 1));
            assert!((m.new_partners[0].split - (high - low)).abs() < 1e-5);
            m.found[0].residual
        };
        assert!(residual(-0.0008, 0.0010).abs() < 1e-12);
        assert!((residual(0.0005, 0.0020) - 0.0005).abs() < 1e-6);
        assert!((residual(-0.0020, -0.0005) + 0.0005).abs() < 1e-6);
        // Farther apart they are no natural pair.
        let lines = [line(2000.0 * 0.9985), line(2000.0 * 1.0015)];
        let m = match_lines(&lines, &places(&[2000.0]), 0.0, 0.0);
        assert!((m.found[0].residual.abs() - 0.0015).abs() < 1e-5);
    }
}
