//! Single sampling by attributes: how many wheels of a lot are drawn, and how many bad ones
//! among them still let it be accepted.
//!
//! The tables are those of MIL-STD-105E (1989, public domain); the normal and tightened plans
//! stand in ANSI/ASQ Z1.4 and ISO 2859-1 too, the reduced ones do not stand in the latter.

use statrs::function::beta::{beta_reg, inv_beta_reg};
use statrs::function::factorial::ln_binomial;

const LETTERS: &str = include_str!("sampling/code_letters.csv");
const PLANS: &str = include_str!("sampling/single_plans.csv");

/// The acceptance quality limits of the tables, in percent nonconforming, as they are written.
pub const AQLS: [&str; 10] = [
    "0.10", "0.15", "0.25", "0.40", "0.65", "1.0", "1.5", "2.5", "4.0", "6.5",
];
/// The inspection levels: three general ones and four special ones for small samples.
pub const LEVELS: [&str; 7] = ["S-1", "S-2", "S-3", "S-4", "I", "II", "III"];

/// How severely lots are inspected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Inspection {
    /// The start.
    Normal,
    /// After lots that were not accepted.
    Tightened,
    /// After a long good run, if wanted.
    Reduced,
}

impl Inspection {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Tightened => "tightened",
            Self::Reduced => "reduced",
        }
    }

    /// The inspection of a word.
    pub fn parse(word: &str) -> Option<Self> {
        [Self::Normal, Self::Tightened, Self::Reduced]
            .into_iter()
            .find(|i| i.word().eq_ignore_ascii_case(word.trim()))
    }
}

/// Why there is no plan.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoPlan {
    /// A lot of less than two wheels.
    #[error("a lot has at least 2 wheels: a single wheel is sounded, not sampled")]
    TooSmall,
    /// An unknown inspection level.
    #[error("there is no inspection level \"{0}\": give I, II (usual), III, S-1, S-2, S-3 or S-4")]
    Level(String),
    /// An unknown AQL.
    #[error(
        "the tables have no AQL of \"{0}\" percent: give 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0 or 6.5"
    )]
    Aql(String),
}

/// A single sampling plan.
#[derive(Debug, Clone, PartialEq)]
pub struct SamplingPlan {
    /// Number of wheels in the lot.
    pub lot_size: u32,
    /// Inspection level, one of [`LEVELS`].
    pub level: &'static str,
    /// Acceptance quality limit in percent nonconforming, one of [`AQLS`].
    pub aql: &'static str,
    /// How severely.
    pub inspection: Inspection,
    /// Code letter of lot size and level.
    pub code_letter: char,
    /// Letter of the plan that is used; differs where the table has an arrow.
    pub plan_letter: char,
    /// Number of wheels to draw; the whole lot where the table asks for as many or more.
    pub sample: u32,
    /// Accept with at most so many bad wheels in the sample.
    pub accept: u32,
    /// Do not accept from so many on. In reduced inspection a gap may lie between: the lot is
    /// accepted then, and the next one gets normal inspection.
    pub reject: u32,
}

fn rows(table: &'static str) -> impl Iterator<Item = Vec<&'static str>> {
    let lines = table.lines().filter(|l| !l.starts_with('#')).skip(1);
    lines.map(|l| l.split(',').collect())
}

fn code_letter(lot_size: u32, level: &str) -> Option<char> {
    let column = LEVELS.iter().position(|l| *l == level)?;
    rows(LETTERS).find_map(|row| {
        let least: u32 = row.first()?.parse().ok()?;
        let most: u32 = row.get(1)?.parse().unwrap_or(u32::MAX);
        let letter = row.get(2 + column)?.chars().next();
        letter.filter(|_| (least..=most).contains(&lot_size))
    })
}

impl SamplingPlan {
    /// The plan for a lot. `aql` may be written in any way (`1`, `1.0`, `0.1`).
    ///
    /// # Errors
    /// [`NoPlan`] with what the tables have.
    pub fn of(
        lot_size: u32,
        level: &str,
        aql: &str,
        inspection: Inspection,
    ) -> Result<Self, NoPlan> {
        let level = LEVELS
            .into_iter()
            .find(|l| l.eq_ignore_ascii_case(level.trim()))
            .ok_or_else(|| NoPlan::Level(level.to_owned()))?;
        let no_aql = || NoPlan::Aql(aql.to_owned());
        let wanted: f64 = aql
            .trim()
            .trim_end_matches('%')
            .trim_end()
            .parse()
            .map_err(|_| no_aql())?;
        let same = |a: &&str| a.parse::<f64>().is_ok_and(|v| (v - wanted).abs() < 1e-9);
        let aql = AQLS.into_iter().find(same).ok_or_else(no_aql)?;
        let letter = code_letter(lot_size, level).ok_or(NoPlan::TooSmall)?;
        let cell = rows(PLANS).find(|row| {
            row.first() == Some(&inspection.word())
                && row.get(1).and_then(|l| l.chars().next()) == Some(letter)
                && row.get(2) == Some(&aql)
        });
        let number = |row: &[&str], k: usize| row.get(k)?.parse::<u32>().ok();
        let plan = cell.and_then(|row| {
            Some(Self {
                lot_size,
                level,
                aql,
                inspection,
                code_letter: letter,
                plan_letter: row.get(3)?.chars().next()?,
                sample: number(&row, 4)?.min(lot_size),
                accept: number(&row, 5)?,
                reject: number(&row, 6)?,
            })
        });
        plan.ok_or_else(no_aql)
    }

    /// True when every wheel of the lot is inspected.
    pub fn takes_all(&self) -> bool {
        self.sample >= self.lot_size
    }

    /// Chance that a lot of this size with so many bad wheels is accepted (in reduced inspection
    /// also through the gap): hypergeometric, as the sample is drawn from the lot itself.
    pub fn accepts_lot_with(&self, bad: u32) -> f64 {
        hypergeometric_at_most(
            self.lot_size,
            bad,
            self.sample,
            self.reject.saturating_sub(1),
        )
    }

    /// Chance of acceptance for a share of bad wheels in the whole production (in reduced
    /// inspection also through the gap): binomial. `share` from 0 to 1.
    pub fn accepts_share(&self, share: f64) -> f64 {
        binomial_at_most(self.sample, share, self.reject.saturating_sub(1))
    }

    /// The share of bad wheels in the production that is accepted with the chance `chance`
    /// (0 to 1, both excluded); none when every share is.
    pub fn share_accepted_with(&self, chance: f64) -> Option<f64> {
        share_at(self.sample, self.reject.saturating_sub(1), chance)
    }
}

/// Chance of at most `most` bad ones among `n` when each is bad with the chance `share`.
pub fn binomial_at_most(n: u32, share: f64, most: u32) -> f64 {
    if most >= n || share <= 0.0 {
        return 1.0;
    }
    if share >= 1.0 {
        return 0.0;
    }
    // The binomial sum as an incomplete beta function: Abramowitz and Stegun 26.5.24.
    beta_reg(f64::from(n - most), f64::from(most) + 1.0, 1.0 - share)
}

/// The share at which at most `most` bad ones among `n` have the chance `chance`.
pub fn share_at(n: u32, most: u32, chance: f64) -> Option<f64> {
    let possible = most < n && chance > 0.0 && chance < 1.0;
    possible.then(|| 1.0 - inv_beta_reg(f64::from(n - most), f64::from(most) + 1.0, chance))
}

/// Chance of at most `most` bad ones in a sample of `n` from a lot of `lot` with `bad` bad ones.
pub fn hypergeometric_at_most(lot: u32, bad: u32, n: u32, most: u32) -> f64 {
    let (bad, n) = (bad.min(lot), n.min(lot));
    let all = ln_binomial(u64::from(lot), u64::from(n));
    let from = n.saturating_sub(lot - bad);
    let to = most.min(bad).min(n);
    let term = |k: u32| {
        let drawn = ln_binomial(u64::from(bad), u64::from(k));
        let rest = ln_binomial(u64::from(lot - bad), u64::from(n - k));
        (drawn + rest - all).exp()
    };
    (from..=to).map(term).sum::<f64>().clamp(0.0, 1.0)
}

/// What a lot comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LotDecision {
    /// Accepted as the plan says.
    Accept,
    /// Accepted through the gap of reduced inspection: the next lot gets normal inspection.
    AcceptThenNormal,
    /// Not decided: wheels are missing or unclear.
    Hold,
    /// Not accepted.
    Reject,
}

impl LotDecision {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Accept | Self::AcceptThenNormal => "accept",
            Self::Hold => "hold",
            Self::Reject => "reject",
        }
    }
}

/// What was found in the sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SampleCount {
    /// Wheels that ring clear against a baseline, and are not odd.
    pub good: u32,
    /// Wheels that sound dead.
    pub bad: u32,
    /// All others that were read: to be sounded again, not compared, odd within the lot.
    pub unclear: u32,
    /// Wheels outside the sample that sound dead or are unclear.
    pub trouble_outside: u32,
}

/// Accept, hold or reject. A wheel that is not clear never counts as good: the lot is accepted
/// only if it would be accepted were all unclear wheels bad; it is rejected on those that are
/// bad for certain. A dead or unclear wheel outside the sample holds a lot that its sample
/// would accept, as what is known must not be passed over.
pub fn decide(plan: &SamplingPlan, count: SampleCount) -> LotDecision {
    let read = count.good + count.bad + count.unclear;
    let at_worst = count.bad + count.unclear;
    if count.bad >= plan.reject {
        LotDecision::Reject
    } else if read < plan.sample || at_worst >= plan.reject || count.trouble_outside > 0 {
        LotDecision::Hold
    } else if at_worst <= plan.accept {
        LotDecision::Accept
    } else {
        LotDecision::AcceptThenNormal
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn plan(lot: u32, level: &str, aql: &str, inspection: Inspection) -> SamplingPlan {
        SamplingPlan::of(lot, level, aql, inspection).unwrap()
    }

    #[test]
    fn every_cell_of_the_tables_is_there_and_in_order() {
        assert_eq!(rows(PLANS).count(), 480);
        assert_eq!(rows(LETTERS).count(), 15);
        for inspection in ["normal", "tightened", "reduced"] {
            let inspection = Inspection::parse(inspection).unwrap();
            for level in LEVELS {
                for aql in AQLS {
                    for lot in [2, 8, 9, 90, 91, 500, 3200, 10_000, 150_000, 500_001] {
                        let p = plan(lot, level, aql, inspection);
                        assert!(p.accept < p.reject && p.sample >= 1 && p.sample <= lot);
                        let gap = p.reject > p.accept + 1;
                        assert!(!gap || inspection == Inspection::Reduced);
                    }
                }
            }
        }
    }

    #[test]
    fn plans_are_those_of_the_standard() {
        // MIL-STD-105E, Tables I and II-A to II-C: (lot, level, AQL, inspection, letter, plan).
        use Inspection::{Normal, Reduced, Tightened};
        for (lot, level, aql, inspection, letter, used, numbers) in [
            (200, "II", "1.0", Normal, 'G', 'H', (50, 1, 2)),
            (1000, "II", "1", Normal, 'J', 'J', (80, 2, 3)),
            (1000, "ii", "0.65", Tightened, 'J', 'K', (125, 1, 2)),
            (1000, "II", "1.0%", Reduced, 'J', 'J', (32, 1, 3)),
            (500, "II", "0.1", Normal, 'H', 'K', (125, 0, 1)),
            (20, "S-1", "6.5", Normal, 'A', 'A', (2, 0, 1)),
            // The arrow asks for 125 wheels of a lot of 60: all of them.
            (60, "II", "0.10", Normal, 'E', 'K', (60, 0, 1)),
        ] {
            let p = plan(lot, level, aql, inspection);
            assert_eq!((p.code_letter, p.plan_letter), (letter, used), "{p:?}");
            assert_eq!((p.sample, p.accept, p.reject), numbers, "{p:?}");
        }
        assert_eq!(
            SamplingPlan::of(1, "II", "1.0", Normal),
            Err(NoPlan::TooSmall)
        );
        assert!(matches!(
            SamplingPlan::of(9, "IV", "1.0", Normal),
            Err(NoPlan::Level(_))
        ));
        assert!(matches!(
            SamplingPlan::of(9, "II", "1.2", Normal),
            Err(NoPlan::Aql(_))
        ));
    }

    #[test]
    fn the_characteristic_has_its_known_values() {
        // Binomial, computed with another program (scipy) from the definition: sample, accept,
        // AQL, chance at the AQL, at twice it, at 5 %; shares (%) accepted with 95, 50, 10 %.
        for (n, ac, aql, chances, shares) in [
            (
                50,
                1,
                1.0,
                [0.91056, 0.73577, 0.27943],
                [0.7154, 3.3340, 7.5581],
            ),
            (
                80,
                1,
                0.65,
                [0.90416, 0.72096, 0.08605],
                [0.4460, 2.0891, 4.7752],
            ),
            (
                125,
                0,
                0.10,
                [0.88244, 0.77861, 0.00164],
                [0.0410, 0.5530, 1.8252],
            ),
            (
                20,
                1,
                2.5,
                [0.91176, 0.73584, 0.73584],
                [1.8065, 8.2510, 18.0961],
            ),
            (
                200,
                21,
                6.5,
                [0.98868, 0.17255, 0.99952],
                [7.5653, 10.8157, 13.8358],
            ),
            (
                2,
                0,
                6.5,
                [0.87423, 0.75690, 0.90250],
                [2.5321, 29.2893, 68.3772],
            ),
        ] {
            for (share, want) in [0.01 * aql, 0.02 * aql, 0.05].into_iter().zip(chances) {
                let got = binomial_at_most(n, share, ac);
                assert!((got - want).abs() < 6e-6, "{n} {share}: {got} {want}");
            }
            for (chance, want) in [0.95, 0.5, 0.1].into_iter().zip(shares) {
                let got = 100.0 * share_at(n, ac, chance).unwrap();
                assert!((got - want).abs() < 6e-5, "{n} {chance}: {got} {want}");
            }
        }
        // Hypergeometric, the same source: lot 60, sample 13, none accepted.
        for (bad, want) in [(1, 0.78333), (2, 0.61073), (3, 0.47385), (6, 0.21448)] {
            let got = hypergeometric_at_most(60, bad, 13, 0);
            assert!((got - want).abs() < 6e-6, "{bad}: {got} {want}");
        }
        assert!((hypergeometric_at_most(10, 3, 10, 2)).abs() < 1e-12);
        assert!((hypergeometric_at_most(10, 0, 4, 0) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn unclear_wheels_never_help_a_lot() {
        let p = plan(1000, "II", "1.0", Inspection::Reduced); // 32, 1, 3
        let count = |good, bad, unclear| SampleCount {
            good,
            bad,
            unclear,
            trouble_outside: 0,
        };
        assert_eq!(decide(&p, count(32, 0, 0)), LotDecision::Accept);
        assert_eq!(decide(&p, count(31, 1, 0)), LotDecision::Accept);
        assert_eq!(decide(&p, count(30, 2, 0)), LotDecision::AcceptThenNormal);
        assert_eq!(decide(&p, count(29, 3, 0)), LotDecision::Reject);
        assert_eq!(decide(&p, count(29, 0, 3)), LotDecision::Hold);
        assert_eq!(decide(&p, count(31, 0, 0)), LotDecision::Hold);
        assert_eq!(decide(&p, count(0, 4, 0)), LotDecision::Reject);
        let outside = SampleCount {
            trouble_outside: 1,
            ..count(32, 0, 0)
        };
        assert_eq!(decide(&p, outside), LotDecision::Hold);
        // No number of unclear wheels in place of good ones makes it better.
        for bad in 0..=5 {
            for unclear in 0..=5 {
                let here = decide(&p, count(32 - bad - unclear, bad, unclear));
                if matches!(here, LotDecision::Accept) {
                    assert!(bad + unclear <= p.accept);
                }
            }
        }
    }
}
