//! How far two judges agree: Cohen's kappa with its interval, misses and false alarms.

use crate::reading::intervals::{ShareInterval, clopper_pearson};
use crate::reading::tolerance::{NoLimit, normal_quantile};

/// The four cells of two judges who say yes or no; here yes means thud (damaged).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct TwoJudges {
    /// Both say yes.
    pub both: u32,
    /// Only the first says yes.
    pub first_only: u32,
    /// Only the second says yes.
    pub second_only: u32,
    /// Both say no.
    pub neither: u32,
}

/// Agreement beyond chance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kappa {
    /// Share of cases in which they agree, 0 to 1.
    pub agree: f64,
    /// Share in which judges with these habits would agree by chance, 0 to 1.
    pub by_chance: f64,
    /// `(agree - by_chance) / (1 - by_chance)`, at most 1.
    pub kappa: f64,
    /// Its standard deviation for many cases.
    pub std: f64,
    /// Ends of its interval, kept within -1 to 1.
    pub interval: (f64, f64),
}

impl TwoJudges {
    /// Number of cases.
    pub fn cases(&self) -> u32 {
        self.both + self.first_only + self.second_only + self.neither
    }

    /// Counts a case.
    pub fn count(&mut self, first: bool, second: bool) {
        match (first, second) {
            (true, true) => self.both += 1,
            (true, false) => self.first_only += 1,
            (false, true) => self.second_only += 1,
            (false, false) => self.neither += 1,
        }
    }

    /// Cohen's kappa (Educ. Psychol. Meas. 20 (1960) 37) with the large-sample standard deviation
    /// of Fleiss, Cohen and Everitt (Psychol. Bull. 72 (1969) 323). None without cases, or when
    /// both say the same in all of them: chance would then agree as well.
    pub fn kappa(&self, confidence: f64) -> Option<Kappa> {
        let n = f64::from(self.cases());
        let cells = [
            [f64::from(self.both) / n, f64::from(self.first_only) / n],
            [f64::from(self.second_only) / n, f64::from(self.neither) / n],
        ];
        let row = [cells[0][0] + cells[0][1], cells[1][0] + cells[1][1]];
        let column = [cells[0][0] + cells[1][0], cells[0][1] + cells[1][1]];
        let agree = cells[0][0] + cells[1][1];
        let by_chance = row[0] * column[0] + row[1] * column[1];
        // Not "<=": without cases all of this is no number.
        let tells = by_chance < 1.0 - 1e-12;
        if !tells {
            return None;
        }
        let kappa = (agree - by_chance) / (1.0 - by_chance);
        let k = 1.0 - kappa;
        let on: f64 = (0..2)
            .map(|i| cells[i][i] * (1.0 - (row[i] + column[i]) * k).powi(2))
            .sum();
        let off =
            cells[0][1] * (column[0] + row[1]).powi(2) + cells[1][0] * (column[1] + row[0]).powi(2);
        let variance = on + off * k * k - (kappa - by_chance * k).powi(2);
        let std = (variance.max(0.0) / n).sqrt() / (1.0 - by_chance);
        let half = normal_quantile(0.5 + 0.5 * confidence) * std;
        Some(Kappa {
            agree,
            by_chance,
            kappa,
            std,
            interval: ((kappa - half).max(-1.0), (kappa + half).min(1.0)),
        })
    }

    /// The first judge being the truth: damaged wheels that the second passed, out of all damaged
    /// ones, with the exact interval of Clopper and Pearson.
    ///
    /// # Errors
    /// [`NoLimit`] when no wheel is damaged.
    pub fn misses(&self, confidence: f64) -> Result<Counted, NoLimit> {
        Counted::of(self.first_only, self.first_only + self.both, confidence)
    }

    /// The first judge being the truth: sound wheels that the second called damaged.
    ///
    /// # Errors
    /// [`NoLimit`] when no wheel is sound.
    pub fn false_alarms(&self, confidence: f64) -> Result<Counted, NoLimit> {
        Counted::of(
            self.second_only,
            self.second_only + self.neither,
            confidence,
        )
    }
}

/// So many out of so many.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    /// How many.
    pub hits: u32,
    /// Out of how many.
    pub trials: u32,
    /// Exact interval of the share.
    pub interval: ShareInterval,
}

impl Counted {
    fn of(hits: u32, trials: u32, confidence: f64) -> Result<Self, NoLimit> {
        Ok(Self {
            hits,
            trials,
            interval: clopper_pearson(hits, trials, confidence)?,
        })
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn judges(both: u32, first_only: u32, second_only: u32, neither: u32) -> TwoJudges {
        TwoJudges {
            both,
            first_only,
            second_only,
            neither,
        }
    }

    #[test]
    fn kappa_has_its_textbook_values() {
        // The common textbook table 20, 5 / 10, 15 (published kappa 0.40, from memory); the
        // standard deviation and the other tables were computed with scipy from the definition.
        let k = judges(20, 5, 10, 15).kappa(0.95).unwrap();
        assert!((k.agree - 0.70).abs() < 1e-12 && (k.by_chance - 0.50).abs() < 1e-12);
        assert!((k.kappa - 0.40).abs() < 1e-12);
        assert!((k.std - 0.126_996).abs() < 1e-6, "{}", k.std);
        assert!((k.interval.0 - (0.40 - 1.959_964 * 0.126_996)).abs() < 1e-5);
        for (cells, want) in [
            ((45, 15, 25, 15), 0.1304),
            ((25, 35, 5, 35), 0.2593),
            ((118, 5, 2, 0), -0.0234),
        ] {
            let (a, b, c, d) = cells;
            let k = judges(a, b, c, d).kappa(0.95).unwrap();
            assert!((k.kappa - want).abs() < 5.1e-5, "{cells:?}: {}", k.kappa);
        }
    }

    #[test]
    fn what_tells_nothing_gives_none() {
        assert_eq!(judges(0, 0, 0, 0).kappa(0.95), None);
        assert_eq!(judges(0, 0, 0, 9).kappa(0.95), None);
        assert_eq!(judges(5, 0, 0, 5).kappa(0.95).unwrap().kappa, 1.0);
        assert!(judges(0, 0, 1, 9).misses(0.95).is_err());
    }

    #[test]
    fn misses_and_false_alarms_are_told_apart() {
        let j = judges(16, 4, 1, 28);
        let (m, f) = (j.misses(0.95).unwrap(), j.false_alarms(0.95).unwrap());
        assert_eq!((m.hits, m.trials, f.hits, f.trials), (4, 20, 1, 29));
        // Clopper and Pearson for 4 of 20: 0.0573 to 0.4366 (recomputed with scipy).
        assert!((m.interval.low - 0.0573).abs() < 5.1e-5);
        assert!((m.interval.high - 0.4366).abs() < 5.1e-5);
    }
}
