//! What the amplitudes of a pair's two tones, tap by tap, hint at: how many nodal diameters it
//! has, how it lies on the wheel, and which pairs the tap spots could not tell apart.
//!
//! A tap at theta heard by a microphone at mu (angles on the wheel) excites the two by
//! `cos n(theta - phi) cos n(mu - phi)` and `sin n(theta - phi) sin n(mu - phi)`; the strength of
//! the tap cancels in their ratio. Where the microphone stood is not known, so each tap gives one
//! figure against two unknowns: hints, no measurements. Wood-handled taps, a microphone off the
//! rim and tones that overlap all bend the pattern.

use std::f64::consts::{FRAC_PI_2, PI};

use rustfft::num_complex::Complex64;

use crate::reading::turn_plan::{TurnPlan, blind_orders};
use crate::ring::label::Pair;
use crate::ring::mode::Mode;

/// Numbers of nodal diameters that are tried for a pair without a label.
pub const ORDERS: std::ops::RangeInclusive<u32> = 2..=6;
/// Highest number of nodal diameters for which unseen pairs are told.
pub const HIGHEST_ORDER: u32 = 8;
/// Standard deviation, in radians, of the angle whose tangent is the ratio of the two amplitudes,
/// on top of noise: of what the model leaves out (ours).
const MODEL_STD_RAD: f64 = 0.12;
/// The same of `n phi`, from trials on made-up wheels (tests).
const LIE_STD_RAD: f64 = 0.26;
/// Standard deviation of `n phi` up to which the lie is told.
const LIE_KNOWN_RAD: f64 = 0.45;
/// Fewest taps that tell anything.
const FEWEST_TAPS: usize = 4;
/// Steps of the search in either unknown.
const STEPS: usize = 72;

/// What the taps hint at of a pair.
#[derive(Debug, Clone, PartialEq)]
pub struct PairHint {
    /// Numbers of nodal diameters, of 2 to 6 (or of the label alone), that fit the amplitudes;
    /// empty where none does or fewer than four taps tell.
    pub orders: Vec<u32>,
    /// Angle of an antinode of the lower tone in degrees from the wheel's mark, 0 to 180/n, with
    /// its standard deviation; none where it cannot be told. It repeats every 180/n degrees.
    pub antinode_deg: Option<(f64, f64)>,
}

/// A tap: its spot and that of the microphone but for a common angle, in radians on the wheel.
#[derive(Debug, Clone, Copy)]
struct Place {
    spot: f64,
    mic: f64,
}

/// Where the microphone is on the wheel at each tap but for a common angle, in degrees.
///
/// With the plan `rule` the wheel is turned once, by 45 degrees, under a microphone that stays;
/// with the others it is turned so that each spot comes to the same place.
fn mic_turn_deg(plan: TurnPlan, spots_deg: &[f64]) -> Vec<f64> {
    if plan == TurnPlan::Rule && spots_deg == plan.spots_deg() {
        vec![0.0, 0.0, -45.0, -45.0]
    } else {
        spots_deg.to_vec()
    }
}

/// Hints of each pair, in the order of `pairs`. `spots_deg` holds the spot of each tap that was
/// solved, in the order of [`Mode::tap_amplitudes`]; with an unknown spot nothing is told.
pub fn pair_hints(
    plan: TurnPlan,
    spots_deg: &[Option<f64>],
    modes: &[Mode],
    pairs: &[Pair],
) -> Vec<PairHint> {
    let known: Vec<f64> = spots_deg.iter().flatten().copied().collect();
    let mics = mic_turn_deg(plan, &known);
    let places: Vec<Place> = known
        .iter()
        .zip(mics)
        .map(|(spot, mic)| Place {
            spot: spot.to_radians(),
            mic: mic.to_radians(),
        })
        .collect();
    pairs
        .iter()
        .map(|pair| {
            let whole = known.len() == spots_deg.len();
            let seen = whole.then(|| ratios(&modes[pair.low], &modes[pair.high], places.len()));
            match seen.flatten() {
                Some(ratios) => hint(&places, &ratios, pair),
                None => PairHint {
                    orders: Vec::new(),
                    antinode_deg: None,
                },
            }
        })
        .collect()
}

/// Angle whose tangent is upper over lower amplitude, with its standard deviation, per tap.
fn ratios(low: &Mode, high: &Mode, taps: usize) -> Option<Vec<(f64, f64)>> {
    let (lows, highs) = (&low.tap_amplitudes, &high.tap_amplitudes);
    if lows.len() != taps || highs.len() != taps {
        return None;
    }
    let noise = (low.amplitude * low.phase_std_rad).max(high.amplitude * high.phase_std_rad);
    let out: Vec<(f64, f64)> = lows
        .iter()
        .zip(highs)
        .map(|(l, h)| {
            let std = (noise / l.hypot(*h).max(1e-30)).min(FRAC_PI_2);
            (h.atan2(*l), std.hypot(MODEL_STD_RAD))
        })
        .collect();
    let telling = out.iter().filter(|r| r.1 < 0.4 && r.0.is_finite()).count();
    (telling >= FEWEST_TAPS).then_some(out)
}

/// Chi squared of the ratios for one order, over the two unknowns, `n phi` (which is told) and the
/// microphone's angle less `phi`, each from 0 to pi.
fn search(places: &[Place], ratios: &[(f64, f64)], n: f64) -> Vec<(f64, f64)> {
    let angle = |k: usize| PI * k as f64 / STEPS as f64;
    // Sizes of cosine and sine of each place's angle less or plus each step, which repeat every pi.
    let sizes = |at: f64| -> Vec<(f64, f64)> {
        let sizes = (0..STEPS).map(|k| (at + angle(k)).sin_cos());
        sizes.map(|(s, c)| (c.abs(), s.abs())).collect()
    };
    let spots: Vec<_> = places.iter().map(|p| sizes(-n * p.spot)).collect();
    let mics: Vec<_> = places.iter().map(|p| sizes(n * p.mic)).collect();
    let mut out = Vec::new();
    for i in 0..STEPS {
        for apart in 0..STEPS {
            let chi: f64 = spots
                .iter()
                .zip(&mics)
                .zip(ratios)
                .map(|((spot, mic), (seen, std))| {
                    let (a, b) = (spot[i], mic[apart]);
                    let (low, high) = (a.0 * b.0, a.1 * b.1);
                    // Neither is struck: the ratio may be anything.
                    let blur = 0.1 / (low * low + high * high).sqrt().max(1e-3);
                    let half = blur.min(FRAC_PI_2) * 0.5;
                    (high.atan2(low) - seen).powi(2) / (std * std + half * half)
                })
                .sum();
            out.push((angle(i), chi));
        }
    }
    out
}

/// Chi squared of so many ratios and two unknowns up to which a pattern fits: its mean and two
/// standard deviations.
fn fits_to(ratios: usize) -> f64 {
    let spare = ratios as f64 - 2.0;
    spare + 2.0 * (2.0 * spare).sqrt()
}

fn hint(places: &[Place], ratios: &[(f64, f64)], pair: &Pair) -> PairHint {
    let limit = fits_to(ratios.len());
    let tried: Vec<u32> = match pair.label {
        Some(l) => vec![l.n as u32],
        None => ORDERS.collect(),
    };
    let least = |n: u32| {
        let all = search(places, ratios, f64::from(n));
        all.iter().map(|s| s.1).fold(f64::INFINITY, f64::min)
    };
    let orders: Vec<u32> = tried.into_iter().filter(|n| least(*n) <= limit).collect();
    let antinode_deg = match orders.as_slice() {
        [n] => lie(places, ratios, *n),
        _ => None,
    };
    PairHint {
        orders,
        antinode_deg,
    }
}

/// Mean direction over all that fits, where it is one direction.
fn lie(places: &[Place], ratios: &[(f64, f64)], n: u32) -> Option<(f64, f64)> {
    let turn = f64::from(n);
    let (at, spread) = mean_lie(&search(places, ratios, turn));
    let std = spread.hypot(LIE_STD_RAD);
    (std < LIE_KNOWN_RAD).then(|| ((at / turn).to_degrees(), (std / turn).to_degrees()))
}

/// Mean of angles that repeat every pi and their standard deviation, in radians, weighted by the
/// likelihood that goes with their chi squared (`exp(-chi / 2)`). The deviation is the circular one,
/// `sqrt(-2 ln R)` of the doubled angles (Mardia; from memory).
fn mean_lie(all: &[(f64, f64)]) -> (f64, f64) {
    let best = all.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
    let (mut mean, mut sum) = (Complex64::new(0.0, 0.0), 0.0);
    for (lie, chi) in all {
        let weight = (-0.5 * (chi - best)).exp();
        mean += Complex64::from_polar(weight, 2.0 * lie);
        sum += weight;
    }
    let length = (mean.norm() / sum).clamp(1e-12, 1.0);
    (
        (0.5 * mean.arg()).rem_euclid(PI),
        0.5 * (-2.0 * length.ln()).sqrt(),
    )
}

/// Numbers of nodal diameters up to 8 whose pairs the taps struck in one and the same mix; empty
/// where a spot is unknown.
pub fn unseen_orders(spots_deg: &[Option<f64>]) -> Vec<u32> {
    let known: Vec<f64> = spots_deg.iter().flatten().copied().collect();
    if known.is_empty() || known.len() != spots_deg.len() {
        return Vec::new();
    }
    blind_orders(&known, HIGHEST_ORDER)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::label::{Label, label_modes};
    use crate::ring::plate::Material;
    use crate::ring::synth::{
        BondLoss, Branch, Imperfection, Scene, Source, Strike, TrueMode, WheelModel,
        turned_under_mic,
    };
    use crate::units::SampleRate;

    fn spots(plan: TurnPlan) -> Vec<Option<f64>> {
        plan.spots_deg().iter().map(|s| Some(*s)).collect()
    }

    /// What the estimator would give without any error.
    fn mode(t: &TrueMode) -> Mode {
        Mode {
            freq_std_hz: 1e-3,
            decay_per_s: t.decay_per_s,
            decay_std_per_s: 1e-3,
            amplitude: t.amplitudes.iter().copied().fold(0.0, f64::max),
            energy_db: 60.0,
            tap_amplitudes: t.amplitudes.clone(),
            ..Mode::made_up(t.freq_hz)
        }
    }

    fn strikes(plan: TurnPlan, mic_rad: f64) -> Vec<Strike> {
        let at = plan.spots_deg().map(f64::to_radians);
        if plan != TurnPlan::Rule {
            return turned_under_mic(&at, mic_rad);
        }
        at.into_iter()
            .zip([0.0, 0.0, -45.0, -45.0])
            .map(|(spot, turn): (f64, f64)| Strike {
                mic_rad: mic_rad + turn.to_radians(),
                ..Strike::at(spot)
            })
            .collect()
    }

    /// Pairs of made-up wheels as taps of a plan would show them, with the truth of the lower.
    fn pairs_of(plan: TurnPlan, seed: u64) -> Vec<(TrueMode, Mode, Mode)> {
        let material = Material {
            youngs_pa: 40e9,
            density_kg_m3: 2200.0,
            poisson: 0.2,
        };
        let wheel = WheelModel::sound(
            [0.21, 0.018, 0.035],
            material,
            BondLoss::VITRIFIED,
            Imperfection::usual(60_000 + seed),
        );
        let mut strikes = strikes(plan, 0.35 + 0.21 * seed as f64);
        for (k, s) in strikes.iter_mut().enumerate() {
            s.strength = 1.0 + 0.2 * k as f64;
        }
        let rate = SampleRate::new(48_000).unwrap();
        let made = Scene::plain(rate, Source::Wheel(wheel), strikes)
            .play()
            .unwrap();
        let lower = made.truth.iter().filter(|t| t.branch == Branch::Lower);
        lower
            .filter(|t| (2..=6).contains(&t.n) && t.s == 0 && t.freq_hz < 14_000.0)
            .map(|t| {
                let twin = made
                    .truth
                    .iter()
                    .find(|u| u.branch == Branch::Upper && (u.n, u.s) == (t.n, t.s))
                    .unwrap();
                (t.clone(), mode(t), mode(twin))
            })
            .collect()
    }

    /// The right number of nodal diameters is among those that fit for nine pairs in ten or more,
    /// and the lie, where it is told, is within two of its standard deviations as often.
    #[test]
    fn orders_and_lies_of_made_up_pairs() {
        let mut told_by = Vec::new();
        for plan in TurnPlan::ALL {
            let (mut seen, mut fits, mut told, mut good) = (0, 0, 0, 0);
            let mut errors = Vec::new();
            for seed in 0..20 {
                for (truth, low, high) in pairs_of(plan, seed) {
                    let modes = [low, high];
                    let mut pair = label_modes(&modes, None).pairs[0];
                    let free = pair_hints(plan, &spots(plan), &modes, &[pair]);
                    if free[0].orders.is_empty() {
                        continue;
                    }
                    seen += 1;
                    fits += usize::from(free[0].orders.contains(&(truth.n as u32)));
                    pair.label = Some(Label {
                        n: truth.n,
                        s: 0,
                        probability: 1.0,
                    });
                    let named = pair_hints(plan, &spots(plan), &modes, &[pair]);
                    if let Some((deg, std)) = named[0].antinode_deg {
                        let period = 180.0 / truth.n as f64;
                        let off = (deg - truth.antinode_rad.to_degrees()).rem_euclid(period);
                        let off = off.min(period - off);
                        errors.push(off * truth.n as f64);
                        told += 1;
                        good += usize::from(off < 2.0 * std);
                    }
                }
            }
            errors.sort_by(f64::total_cmp);
            let median = errors.get(errors.len() / 2);
            assert!(seen >= 20, "{plan:?} {seen}");
            told_by.push((plan.name(), told, seen, median.copied()));
            assert!(10 * fits >= 9 * seen, "{plan:?} {fits} of {seen}");
            assert!(
                10 * good >= 9 * told,
                "{plan:?} {good} of {told} median {median:?} deg of n phi"
            );
        }
        // Counts when this was written: 38, 0 and 21. With quarter turns the spot of the tap and
        // that of the microphone can be exchanged, so that nothing can be told.
        let told: Vec<usize> = told_by.iter().map(|t| t.1).collect();
        assert!(
            told[0] >= 25 && told[1] == 0 && told[2] >= 12,
            "{told_by:?}"
        );
    }

    #[test]
    fn what_the_plans_cannot_see() {
        assert_eq!(unseen_orders(&spots(TurnPlan::Rule)), [4, 8]);
        assert_eq!(unseen_orders(&spots(TurnPlan::Quarter)), [2, 4, 6, 8]);
        assert_eq!(unseen_orders(&spots(TurnPlan::Spread)), [8]);
        assert!(unseen_orders(&[Some(0.0), None]).is_empty());
        assert!(unseen_orders(&[]).is_empty());
    }

    fn with_taps(amplitude: f64, taps: &[f64]) -> Mode {
        Mode {
            freq_std_hz: 1e-3,
            decay_per_s: 5.0,
            decay_std_per_s: 1e-3,
            amplitude,
            energy_db: 60.0,
            tap_amplitudes: taps.to_vec(),
            ..Mode::made_up(1000.0)
        }
    }

    // The noise of an amplitude is that of the phase times the amplitude, of the louder one here
    // 0.1: 0.02 of a length of 5, with the model's 0.12.
    #[test]
    fn an_angle_is_as_unsure_as_its_noise_and_the_model_make_it() {
        let low = with_taps(10.0, &[3.0, 3.0, 0.0, 5.0]);
        let high = with_taps(4.0, &[4.0, 0.0, 4.0, 5.0]);
        for (a, b, swapped) in [(&low, &high, false), (&high, &low, true)] {
            let of = ratios(a, b, 4).unwrap();
            let angle = if swapped {
                3f64.atan2(4.0)
            } else {
                4f64.atan2(3.0)
            };
            assert!((of[0].0 - angle).abs() < 1e-12);
            assert!((of[0].1 - 0.02f64.hypot(0.12)).abs() < 1e-12, "{of:?}");
            assert!(
                (of[1].1 - (0.1f64 / 3.0).hypot(0.12)).abs() < 1e-12,
                "{of:?}"
            );
        }
        assert!(ratios(&low, &high, 3).is_none());
        assert!(ratios(&low, &with_taps(4.0, &[4.0; 3]), 4).is_none());
        // Of a tap that excites neither nothing is known: too few are left.
        let faint = with_taps(10.0, &[3.0, 3.0, 0.0, 0.2]);
        let none = with_taps(4.0, &[4.0, 0.0, 4.0, 0.0]);
        assert!(ratios(&faint, &none, 4).is_none());
        let five = |last: f64| with_taps(10.0, &[3.0, 3.0, 3.0, 3.0, last]);
        let of = ratios(&five(0.0), &five(0.0), 5).unwrap();
        assert!((of[4].1 - FRAC_PI_2.hypot(0.12)).abs() < 1e-12, "{of:?}");
    }

    /// Two angles as likely have their middle, with their distance's cosine as length; one that is
    /// two in chi squared worse weighs 1/e of the other.
    #[test]
    fn the_mean_lie_is_that_of_doubled_angles() {
        for (middle, apart) in [(0.4, 0.1), (1.6, 0.3), (3.1, 0.2)] {
            let both = [(middle - apart, 7.0), (middle + apart, 7.0)];
            let (at, std) = mean_lie(&both);
            let off = (at - middle).rem_euclid(PI);
            assert!(off.min(PI - off) < 1e-12 && (0.0..PI).contains(&at), "{at}");
            let truth = 0.5 * (-2.0 * f64::cos(2.0 * apart).ln()).sqrt();
            assert!((std - truth).abs() < 1e-12, "{std} {truth}");
        }
        // At right angles when doubled: the tangent is the ratio of the weights.
        let (at, _) = mean_lie(&[(0.0, 3.0), (FRAC_PI_2 / 2.0, 5.0)]);
        assert!(((2.0 * at).tan() - (-1.0f64).exp()).abs() < 1e-12, "{at}");
        assert!(mean_lie(&[(0.5, 1.0)]).1.abs() < 1e-6);
    }

    #[test]
    fn the_microphone_turns_with_the_wheel_but_for_the_rules_half_turn() {
        let of = |plan: TurnPlan| mic_turn_deg(plan, &plan.spots_deg());
        assert_eq!(of(TurnPlan::Rule), [0.0, 0.0, -45.0, -45.0]);
        assert_eq!(of(TurnPlan::Quarter), TurnPlan::Quarter.spots_deg());
        assert_eq!(of(TurnPlan::Spread), TurnPlan::Spread.spots_deg());
        // Spots that are not the rule's.
        assert_eq!(mic_turn_deg(TurnPlan::Rule, &[10.0, 20.0]), [10.0, 20.0]);
        let rule = TurnPlan::Rule.spots_deg();
        assert_eq!(mic_turn_deg(TurnPlan::Spread, &rule), rule);
    }

    #[test]
    fn a_pattern_fits_up_to_two_deviations_over_its_mean() {
        assert_eq!(fits_to(4), 6.0);
        assert_eq!(fits_to(10), 16.0);
    }

    #[test]
    fn both_tones_need_every_tap() {
        let (whole, short) = (with_taps(1.0, &[1.0; 6]), with_taps(1.0, &[1.0; 5]));
        assert!(ratios(&whole, &whole, 6).is_some());
        assert!(ratios(&whole, &short, 6).is_none());
        assert!(ratios(&short, &whole, 6).is_none());
    }

    /// Where neither tone is excited (an antinode of one at the spot, of the other at the
    /// microphone) half a right angle of blur is allowed for, elsewhere a twentieth over the length
    /// of the two.
    #[test]
    fn a_tap_that_excites_neither_says_little() {
        let place = [Place {
            spot: 0.0,
            mic: 0.0,
        }];
        let (seen, std) = (0.6f64, 0.12f64);
        let all = search(&place, &[(seen, std)], 2.0);
        assert_eq!(all.len(), STEPS * STEPS);
        let at = |i: usize, j: usize| all[i * STEPS + j].1;
        // Half of the steps are a right angle.
        let half = STEPS / 2;
        let chi = |angle: f64, blur: f64| (angle - seen).powi(2) / (std * std + blur * blur);
        assert!((at(0, 0) / chi(0.0, 0.05) - 1.0).abs() < 1e-9);
        assert!((at(half, half) / chi(FRAC_PI_2, 0.05) - 1.0).abs() < 1e-9);
        // Two sines of 45 degrees each way: both tones by a half, a length of 0.707.
        let both = chi(FRAC_PI_2 / 2.0, 0.05 * 2f64.sqrt());
        assert!((at(half / 2, half / 2) / both - 1.0).abs() < 1e-9);
        // 30 and 60 degrees: products of 0.433 each.
        let skew = chi(FRAC_PI_2 / 2.0, 0.05 / (2.0 * 0.1875f64).sqrt());
        assert!((at(half / 3, 2 * half / 3) / skew - 1.0).abs() < 1e-9);
        assert!(at(0, half) < FRAC_PI_2.powi(2) / (FRAC_PI_2 / 2.0).powi(2));
    }

    // Exactly as the model has it, an antinode of the lower tone at phi.
    #[test]
    fn the_lie_of_an_exact_pattern_is_found() {
        let spots_deg = TurnPlan::Spread.spots_deg();
        let mut told = 0;
        for (n, phi, mic) in [(2, 0.3, 0.8), (3, 0.9, 0.4), (3, 0.1, 1.9), (5, 0.5, 0.25)] {
            let places: Vec<Place> = spots_deg
                .iter()
                .map(|deg| Place {
                    spot: deg.to_radians(),
                    mic: deg.to_radians(),
                })
                .collect();
            let turn = f64::from(n);
            let seen: Vec<(f64, f64)> = places
                .iter()
                .map(|p| {
                    let (s, m) = (turn * (p.spot - phi), turn * (p.mic + mic - phi));
                    let (low, high) = ((s.cos() * m.cos()).abs(), (s.sin() * m.sin()).abs());
                    (high.atan2(low), 0.12)
                })
                .collect();
            // Some of the 72 by 72 steps lies within half a step, 0.022 rad, of the truth in both.
            let best = search(&places, &seen, turn)
                .into_iter()
                .fold((0.0, f64::INFINITY), |b, s| if s.1 < b.1 { s } else { b });
            assert!(best.1 < 2.0, "{n} {phi}: {best:?}");
            if let Some((deg, std_deg)) = lie(&places, &seen, n) {
                told += 1;
                let period = 180.0 / turn;
                let off = (deg - f64::to_degrees(phi)).rem_euclid(period);
                let off = off.min(period - off);
                assert!(off < 2.0 * std_deg, "{n} {phi}: {deg} +- {std_deg}");
                assert!((0.0..period).contains(&deg));
                assert!(
                    std_deg * turn >= LIE_STD_RAD.to_degrees()
                        && std_deg * turn < LIE_KNOWN_RAD.to_degrees()
                );
            }
        }
        assert!(told >= 1);
    }

    #[test]
    fn with_a_spot_unknown_nothing_is_told() {
        let modes = [
            with_taps(1.0, &[1.0, 0.5, 0.8, 0.3]),
            with_taps(1.0, &[0.2, 0.9, 0.4, 0.7]),
        ];
        let pair = Pair {
            low: 0,
            high: 1,
            split_hz: 1.0,
            split_std_hz: 0.1,
            label: None,
        };
        let mut at = spots(TurnPlan::Spread);
        assert_eq!(at.len(), 4);
        at[2] = None;
        let hints = pair_hints(TurnPlan::Spread, &at, &modes, &[pair]);
        assert_eq!(
            hints,
            [PairHint {
                orders: Vec::new(),
                antinode_deg: None
            }]
        );
    }
}
