//! Where on the wheel the taps fall, and which pairs of modes that leaves unheard.
//!
//! A wheel has for each number n of nodal diameters two modes that would be equal in a perfect
//! disc. The first imperfection, at an angle phi, fixes them as `cos n(theta - phi)` and
//! `sin n(theta - phi)`. A tap at theta excites each by its shape there. A plan is blind for n
//! when all its taps excite the two in the same mix: then one of the two, perhaps the one that
//! a crack has moved, may never be struck.
//!
//! Only the taps are considered here. A microphone that stays in place while the wheel turns
//! multiplies a second factor of the same kind.

use std::f64::consts::PI;

/// The sequence of tap spots, as angles on the wheel from its own mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum TurnPlan {
    /// 45 degrees each side of the vertical centre line, the wheel turned by 45 degrees, again
    /// (29 CFR 1910.215(d)(1)(ii)).
    #[default]
    Rule,
    /// A quarter turn between taps (common practice).
    Quarter,
    /// Four steps of 112.5 degrees, which leave no pair of 2 to 6 nodal diameters unseen.
    Spread,
}

impl TurnPlan {
    /// All plans, the default first.
    pub const ALL: [Self; 3] = [Self::Rule, Self::Quarter, Self::Spread];

    /// The plan's name in commands and records.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rule => "rule",
            Self::Quarter => "quarter",
            Self::Spread => "spread",
        }
    }

    /// The plan of a name, in any case.
    ///
    /// # Errors
    /// [`NoSuchPlan`] for any other word.
    pub fn parse(name: &str) -> Result<Self, NoSuchPlan> {
        Self::ALL
            .into_iter()
            .find(|p| p.name().eq_ignore_ascii_case(name.trim()))
            .ok_or_else(|| NoSuchPlan {
                name: name.to_owned(),
            })
    }

    /// Tap spots in degrees in the order in which they are struck, 0 to 360, growing clockwise
    /// as seen by the person who taps.
    ///
    /// For [`TurnPlan::Rule`]: with the wheel's mark at the top, left of it and right of it;
    /// then, the wheel turned clockwise by 45 degrees, again left and right of the top, which
    /// is where the spots -90 and 0 degrees have come to.
    pub fn spots_deg(self) -> [f64; 4] {
        match self {
            Self::Rule => [315.0, 45.0, 270.0, 0.0],
            Self::Quarter => [0.0, 90.0, 180.0, 270.0],
            Self::Spread => [0.0, 112.5, 225.0, 337.5],
        }
    }

    /// Numbers of nodal diameters from 2 to `max_n` whose pairs this plan cannot tell apart.
    pub fn blind_orders(self, max_n: u32) -> Vec<u32> {
        blind_orders(&self.spots_deg(), max_n)
    }

    /// The one further tap that leaves as few of the pairs up to `max_n` unseen as one tap can,
    /// and among such taps excites the worst-lying of the blind pairs best. None when the plan
    /// is not blind to any.
    pub fn closing_tap(self, max_n: u32) -> Option<ClosingTap> {
        closing_tap(&self.spots_deg(), max_n)
    }
}

/// A word that names no turn plan.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("there is no turn plan \"{name}\": use rule, quarter or spread")]
pub struct NoSuchPlan {
    /// The word.
    pub name: String,
}

/// How well taps excite the pair of one number of nodal diameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairCoverage {
    /// Number of nodal diameters n.
    pub n: u32,
    /// For the worst-lying imperfection: the largest excitation of the worse of the two modes
    /// in any tap, 0 (can be missed in every tap) to 1 (always fully struck).
    pub worst_excitation: f64,
    /// Smaller over larger eigenvalue of the Gram matrix of the tap vectors
    /// (cos n theta, sin n theta): 0 when the taps cannot tell the two apart, 1 at best.
    pub gram_ratio: f64,
}

/// A ratio of eigenvalues below which taps do not separate a pair. Exact zeros come out as
/// rounding, some 1e-15; spots are not struck to better than a degree.
const BLIND: f64 = 1e-6;

/// How well taps at `spots_deg` excite the pair with `n` nodal diameters.
///
/// Spots that are not finite are left out; without a spot both figures are 0.
pub fn pair_coverage(spots_deg: &[f64], n: u32) -> PairCoverage {
    let phases: Vec<f64> = spots_deg
        .iter()
        .filter(|s| s.is_finite())
        .map(|s| (f64::from(n) * s.rem_euclid(360.0)).to_radians())
        .collect();
    PairCoverage {
        n,
        worst_excitation: worst_excitation(&phases),
        gram_ratio: gram_ratio(&phases),
    }
}

/// `min over phi of max over taps of |cos(phase - phi)|`, which holds for both modes since the
/// sine is the cosine shifted. The worst phi lies in the middle of the widest gap between the
/// phases, which repeat every pi.
fn worst_excitation(phases: &[f64]) -> f64 {
    let mut folded: Vec<f64> = phases.iter().map(|p| p.rem_euclid(PI)).collect();
    folded.sort_by(f64::total_cmp);
    let (Some(first), Some(last)) = (folded.first(), folded.last()) else {
        return 0.0;
    };
    let around = first + PI - last;
    let widest = folded
        .windows(2)
        .map(|w| w[1] - w[0])
        .fold(around, f64::max);
    (0.5 * widest).cos().max(0.0)
}

/// Ratio of the eigenvalues of `sum of v v'` over the tap vectors v = (cos, sin).
fn gram_ratio(phases: &[f64]) -> f64 {
    let mut gram = [[0.0; 2]; 2];
    for p in phases {
        let v = [p.cos(), p.sin()];
        for i in 0..2 {
            for j in 0..2 {
                gram[i][j] += v[i] * v[j];
            }
        }
    }
    let middle = 0.5 * (gram[0][0] + gram[1][1]);
    let half = (0.5 * (gram[0][0] - gram[1][1])).hypot(gram[0][1]);
    if middle > 0.0 {
        ((middle - half) / (middle + half)).clamp(0.0, 1.0)
    } else {
        0.0
    }
}

/// Numbers of nodal diameters from 2 to `max_n` whose pairs taps at `spots_deg` cannot tell
/// apart. (n = 1 without a nodal circle is a rigid motion.)
pub fn blind_orders(spots_deg: &[f64], max_n: u32) -> Vec<u32> {
    (2..=max_n)
        .filter(|n| pair_coverage(spots_deg, *n).gram_ratio < BLIND)
        .collect()
}

/// A tap that closes a gap.
#[derive(Debug, Clone, PartialEq)]
pub struct ClosingTap {
    /// Where to tap, in degrees from the wheel's mark, 0 to 360.
    pub spot_deg: f64,
    /// The numbers of nodal diameters that are no longer blind with it.
    pub closes: Vec<u32>,
    /// Those that stay blind.
    pub still_blind: Vec<u32>,
    /// Worst excitation among the pairs of `closes`, 0 to 1.
    pub worst_excitation: f64,
}

/// Spots are searched in steps that a person can still find on a wheel.
const SPOT_STEP_DEG: f64 = 2.5;

/// The one further tap that leaves as few pairs up to `max_n` unseen as possible; see
/// [`TurnPlan::closing_tap`]. Of equally good spots the one with the smallest angle.
pub fn closing_tap(spots_deg: &[f64], max_n: u32) -> Option<ClosingTap> {
    let blind = blind_orders(spots_deg, max_n);
    if blind.is_empty() {
        return None;
    }
    let mut best: Option<ClosingTap> = None;
    for i in 0..144_u32 {
        let tap = with_tap(spots_deg, f64::from(i) * SPOT_STEP_DEG, &blind);
        let better = best.as_ref().is_none_or(|b| {
            let fewer = tap.still_blind.len() < b.still_blind.len();
            let same = tap.still_blind.len() == b.still_blind.len();
            fewer || (same && tap.worst_excitation > b.worst_excitation + 1e-9)
        });
        if better {
            best = Some(tap);
        }
    }
    best.filter(|b| !b.closes.is_empty())
}

fn with_tap(spots_deg: &[f64], spot_deg: f64, blind: &[u32]) -> ClosingTap {
    let mut spots = spots_deg.to_vec();
    spots.push(spot_deg);
    let mut tap = ClosingTap {
        spot_deg,
        closes: Vec::new(),
        still_blind: Vec::new(),
        worst_excitation: 1.0,
    };
    for n in blind {
        let c = pair_coverage(&spots, *n);
        if c.gram_ratio < BLIND {
            tap.still_blind.push(*n);
        } else {
            tap.closes.push(*n);
            tap.worst_excitation = tap.worst_excitation.min(c.worst_excitation);
        }
    }
    if tap.closes.is_empty() {
        tap.worst_excitation = 0.0;
    }
    tap
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn steps(count: u32, step_deg: f64) -> Vec<f64> {
        (0..count).map(|i| f64::from(i) * step_deg).collect()
    }

    fn with(mut spots: Vec<f64>, spot: f64) -> Vec<f64> {
        spots.push(spot);
        spots
    }

    /// A pattern of taps with worst excitation and ratio of eigenvalues for n = 2 to 6.
    type Row = (Vec<f64>, [(f64, f64); 5]);

    // Worst excitation and ratio of eigenvalues for n = 2 to 6, to two places, computed
    // independently in Python by a search over the angle of the imperfection.
    fn table() -> Vec<Row> {
        let blind = (0.0, 0.0);
        let quarter = [blind, (0.71, 1.0), blind, (0.71, 1.0), blind];
        let rule = [(0.71, 1.0), (0.92, 1.0), blind, (0.92, 1.0), (0.71, 1.0)];
        let thirds = [(0.87, 1.0), blind, (0.87, 1.0), (0.87, 1.0), blind];
        let spread = [
            (0.92, 1.0),
            (0.56, 0.21),
            (0.71, 1.0),
            (0.56, 0.21),
            (0.92, 1.0),
        ];
        let five = [(0.95, 1.0), (0.95, 1.0), (0.95, 1.0), blind, (0.95, 1.0)];
        let close = [
            (0.92, 1.0),
            (0.83, 0.57),
            (0.71, 1.0),
            (0.83, 0.57),
            (0.92, 1.0),
        ];
        let at_45 = [
            (0.71, 0.25),
            (0.71, 0.67),
            blind,
            (0.71, 0.67),
            (0.71, 0.25),
        ];
        let at_22 = [
            (0.38, 0.10),
            (0.71, 0.67),
            (0.71, 0.25),
            (0.71, 0.67),
            (0.38, 0.10),
        ];
        let sixteen = [
            (0.92, 1.0),
            (0.98, 1.0),
            (0.71, 1.0),
            (0.98, 1.0),
            (0.92, 1.0),
        ];
        vec![
            (TurnPlan::Quarter.spots_deg().to_vec(), quarter),
            (TurnPlan::Rule.spots_deg().to_vec(), rule),
            // +-45 degrees, half a turn, again.
            (vec![-45.0, 45.0, 135.0, 225.0], quarter),
            (steps(8, 45.0), rule),
            (steps(6, 60.0), thirds),
            (steps(3, 120.0), thirds),
            (steps(5, 72.0), five),
            (steps(4, 22.5), close),
            (with(steps(4, 90.0), 45.0), at_45),
            (with(steps(4, 90.0), 22.5), at_22),
            (TurnPlan::Spread.spots_deg().to_vec(), spread),
            (steps(4, 67.5), spread),
            (steps(16, 22.5), sixteen),
        ]
    }

    #[test]
    fn coverage_agrees_with_the_table() {
        for (spots, row) in table() {
            for (n, (worst, ratio)) in (2..=6).zip(row) {
                let c = pair_coverage(&spots, n);
                assert!(
                    (c.worst_excitation - worst).abs() < 0.0051,
                    "{spots:?} {c:?}"
                );
                assert!((c.gram_ratio - ratio).abs() < 0.0051, "{spots:?} {c:?}");
            }
        }
    }

    /// The definition itself, by search over the angle of the imperfection.
    fn searched(spots_deg: &[f64], n: u32) -> f64 {
        let shape = |spot: f64, phi: f64| (f64::from(n) * (spot - phi)).to_radians();
        (0..36_000)
            .map(|i| f64::from(i) * 0.01)
            .map(|phi| {
                let most = |f: fn(f64) -> f64| {
                    spots_deg
                        .iter()
                        .map(|s| f(shape(*s, phi)).abs())
                        .fold(0.0, f64::max)
                };
                most(f64::cos).min(most(f64::sin))
            })
            .fold(1.0, f64::min)
    }

    #[test]
    fn the_widest_gap_is_the_worst_case() {
        for spots in [
            vec![0.0, 20.0, 40.0, 60.0],
            vec![3.0, 111.0, 250.0],
            vec![17.0],
        ] {
            for n in 2..=8 {
                let closed = pair_coverage(&spots, n).worst_excitation;
                let search = searched(&spots, n);
                assert!(
                    (closed - search).abs() < 1e-3,
                    "{spots:?} {n}: {closed} {search}"
                );
            }
        }
    }

    #[test]
    fn blind_orders_of_the_plans() {
        assert_eq!(TurnPlan::Quarter.blind_orders(8), [2, 4, 6, 8]);
        assert_eq!(TurnPlan::Rule.blind_orders(8), [4, 8]);
        assert_eq!(TurnPlan::Spread.blind_orders(8), [8]);
        assert!(TurnPlan::Spread.blind_orders(6).is_empty());
    }

    // Equally spaced over the circle: which are blind up to n = 8.
    #[test]
    fn blind_orders_of_equally_spaced_taps() {
        for (count, want) in [
            (3, vec![3, 6]),
            (4, vec![2, 4, 6, 8]),
            (5, vec![5]),
            (6, vec![3, 6]),
            (7, vec![7]),
            (8, vec![4, 8]),
            (9, vec![]),
            (11, vec![]),
        ] {
            let spots = steps(count, 360.0 / f64::from(count));
            assert_eq!(blind_orders(&spots, 8), want, "{count}");
        }
    }

    #[test]
    fn the_closing_tap_closes() {
        let tap = TurnPlan::Quarter.closing_tap(6).unwrap();
        assert_eq!(tap.spot_deg, 22.5);
        assert_eq!(tap.closes, [2, 4, 6]);
        assert!(tap.still_blind.is_empty());
        assert!((tap.worst_excitation - 0.3827).abs() < 1e-4);
        let tap = TurnPlan::Rule.closing_tap(6).unwrap();
        assert_eq!((tap.spot_deg, tap.closes), (22.5, vec![4]));
        assert!((tap.worst_excitation - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-4);
        assert_eq!(TurnPlan::Spread.closing_tap(6), None);
        for plan in TurnPlan::ALL {
            let Some(tap) = plan.closing_tap(6) else {
                continue;
            };
            let spots = with(plan.spots_deg().to_vec(), tap.spot_deg);
            assert!(blind_orders(&spots, 6).is_empty(), "{plan:?}");
        }
    }

    #[test]
    fn the_rule_s_spots_come_from_two_hands_and_one_turn() {
        // Struck at -45 and 45 degrees from the top; the wheel turned clockwise by `turned`.
        let expected = [(-45.0, 0.0), (45.0, 0.0), (-45.0, 45.0), (45.0, 45.0)];
        for (spot, (from_top, turned)) in TurnPlan::Rule.spots_deg().into_iter().zip(expected) {
            assert_eq!(spot, f64::rem_euclid(from_top - turned, 360.0));
        }
    }

    #[test]
    fn names_are_read_back() {
        for plan in TurnPlan::ALL {
            assert_eq!(TurnPlan::parse(&plan.name().to_uppercase()), Ok(plan));
        }
        let error = TurnPlan::parse("half").unwrap_err().to_string();
        assert!(
            error.contains("half") && error.contains("spread"),
            "{error}"
        );
    }

    #[test]
    fn odd_spots_do_not_hurt() {
        assert_eq!(pair_coverage(&[], 2).gram_ratio, 0.0);
        assert_eq!(pair_coverage(&[f64::NAN], 2).worst_excitation, 0.0);
        assert!(pair_coverage(&[0.0, 45.0], 0).gram_ratio.is_finite());
        assert!(closing_tap(&[], 6).is_none());
    }
}
