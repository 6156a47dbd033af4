//! Repeatability and reproducibility of a measurement from a crossed study: every person measures
//! every wheel the same number of times. Two-way analysis of variance with random effects
//! (D. C. Montgomery, Design and Analysis of Experiments, gauge studies; common practice).

use statrs::distribution::{ChiSquared, ContinuousCDF as _, FisherSnedecor};

/// The interaction stays in the model when its F test gives a chance below this (common practice).
const KEEP_INTERACTION_BELOW: f64 = 0.25;

/// Values of a crossed study: `[wheel][person][repeat]`.
pub type Crossed = [Vec<Vec<f64>>];

/// Why a study cannot be evaluated.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoStudy {
    /// Too few of something.
    #[error(
        "a study needs at least 2 wheels, 2 people and 2 repeats; here are {wheels}, {people} and {repeats}"
    )]
    TooFew {
        /// Number of wheels.
        wheels: usize,
        /// Number of people.
        people: usize,
        /// Number of repeats.
        repeats: usize,
    },
    /// Not every person measured every wheel equally often, or a value is no number.
    #[error("every person must measure every wheel the same number of times")]
    NotCrossed,
    /// All values are the same.
    #[error("all values are the same: nothing can be told from them")]
    NoSpread,
}

/// Sum of squares with its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Squares {
    /// Sum of squares, in the square of the unit.
    pub sum: f64,
    /// Degrees of freedom.
    pub dof: f64,
}

impl Squares {
    /// Mean square.
    pub fn mean(&self) -> f64 {
        self.sum / self.dof
    }
}

/// What a study shows; standard deviations in the unit of the values.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeStudy {
    /// Wheels, people, interaction, repeats.
    pub squares: [Squares; 4],
    /// F of the interaction against the repeats.
    pub interaction_f: f64,
    /// Chance of such an F or a larger one without interaction.
    pub interaction_p: f64,
    /// True when interaction and repeats were taken together.
    pub pooled: bool,
    /// Repeatability: the same person, the same wheel.
    pub repeatability: f64,
    /// Its 95 % interval from the chi-square distribution.
    pub repeatability_interval: (f64, f64),
    /// Reproducibility: other people, interaction included.
    pub reproducibility: f64,
    /// Of this the interaction: people who differ from wheel to wheel.
    pub interaction: f64,
    /// Both together: the spread of the gauge.
    pub gauge: f64,
    /// Spread of the wheels.
    pub wheels: f64,
    /// All together.
    pub total: f64,
}

impl GaugeStudy {
    /// Evaluates a study.
    ///
    /// # Errors
    /// [`NoStudy`].
    pub fn of(values: &Crossed) -> Result<Self, NoStudy> {
        let (p, o, r) = shape(values)?;
        let (pf, of, rf) = (p as f64, o as f64, r as f64);
        let mean = |v: &mut dyn Iterator<Item = f64>| {
            let (sum, n) = v.fold((0.0, 0.0), |(s, n), x| (s + x, n + 1.0));
            sum / n
        };
        let all = mean(&mut values.iter().flatten().flatten().copied());
        let square = |x: f64| (x - all) * (x - all);
        let total: f64 = values.iter().flatten().flatten().map(|x| square(*x)).sum();
        let of_wheels: f64 = values
            .iter()
            .map(|w| square(mean(&mut w.iter().flatten().copied())))
            .sum();
        let of_people: f64 = (0..o)
            .map(|k| square(mean(&mut values.iter().flat_map(|w| w[k].iter().copied()))))
            .sum();
        let of_cells: f64 = values
            .iter()
            .flatten()
            .map(|c| square(mean(&mut c.iter().copied())))
            .sum();
        let within: f64 = values
            .iter()
            .flatten()
            .map(|c| {
                let m = mean(&mut c.iter().copied());
                c.iter().map(|x| (x - m) * (x - m)).sum::<f64>()
            })
            .sum();
        // The sum can be all rounding when every value is the same.
        if !(total > 1e-24 * all * all && total > 0.0) {
            return Err(NoStudy::NoSpread);
        }
        let wheels = Squares {
            sum: of * rf * of_wheels,
            dof: pf - 1.0,
        };
        let people = Squares {
            sum: pf * rf * of_people,
            dof: of - 1.0,
        };
        let both = Squares {
            sum: (rf * of_cells - wheels.sum - people.sum).max(0.0),
            dof: (pf - 1.0) * (of - 1.0),
        };
        let repeats = Squares {
            sum: within,
            dof: pf * of * (rf - 1.0),
        };
        let f = both.mean() / repeats.mean();
        let chance = FisherSnedecor::new(both.dof, repeats.dof)
            .ok()
            .filter(|_| f.is_finite())
            .map_or(if f.is_infinite() { 0.0 } else { 1.0 }, |d| d.sf(f));
        let pooled = chance >= KEEP_INTERACTION_BELOW;
        let joined = Squares {
            sum: both.sum + repeats.sum,
            dof: both.dof + repeats.dof,
        };
        let (error, against, interaction) = if pooled {
            (joined, joined.mean(), 0.0)
        } else {
            let v = ((both.mean() - repeats.mean()) / rf).max(0.0);
            (repeats, both.mean(), v)
        };
        let of_person = ((people.mean() - against) / (pf * rf)).max(0.0);
        let of_wheel = ((wheels.mean() - against) / (of * rf)).max(0.0);
        let reproducibility = of_person + interaction;
        let gauge = error.mean() + reproducibility;
        let ends = ChiSquared::new(error.dof).map_or((f64::NAN, f64::NAN), |d| {
            (
                (error.sum / d.inverse_cdf(0.975)).sqrt(),
                (error.sum / d.inverse_cdf(0.025)).sqrt(),
            )
        });
        Ok(Self {
            squares: [wheels, people, both, repeats],
            interaction_f: f,
            interaction_p: chance,
            pooled,
            repeatability: error.mean().sqrt(),
            repeatability_interval: ends,
            reproducibility: reproducibility.sqrt(),
            interaction: interaction.sqrt(),
            gauge: gauge.sqrt(),
            wheels: of_wheel.sqrt(),
            total: (gauge + of_wheel).sqrt(),
        })
    }

    /// Spread of the gauge as a share of the whole spread, 0 to 1. At most 0.1 is called good,
    /// up to 0.3 usable for some uses, more not usable (common practice, from memory).
    pub fn gauge_share(&self) -> f64 {
        self.gauge / self.total
    }

    /// Number of distinct categories, 1.41 times the spread of the wheels over that of the gauge,
    /// rounded down; 5 or more are wanted (common practice, from memory).
    pub fn categories(&self) -> u32 {
        let n = std::f64::consts::SQRT_2 * self.wheels / self.gauge;
        // `as` saturates, and turns NaN into 0.
        n.floor() as u32
    }
}

fn shape(values: &Crossed) -> Result<(usize, usize, usize), NoStudy> {
    let wheels = values.len();
    let people = values.first().map_or(0, Vec::len);
    let repeats = values.first().and_then(|w| w.first()).map_or(0, Vec::len);
    if wheels < 2 || people < 2 || repeats < 2 {
        return Err(NoStudy::TooFew {
            wheels,
            people,
            repeats,
        });
    }
    let whole = |c: &Vec<f64>| c.len() == repeats && c.iter().all(|x| x.is_finite());
    let crossed = values
        .iter()
        .all(|w| w.len() == people && w.iter().all(whole));
    crossed
        .then_some((wheels, people, repeats))
        .ok_or(NoStudy::NotCrossed)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    // The example of the common measurement systems manual: 10 parts, 3 people, 3 repeats. Data
    // from memory; they give the published variance components to six digits, so that both are
    // very likely right.
    const EXAMPLE: [[[f64; 10]; 3]; 3] = [
        [
            [
                0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36,
            ],
            [
                0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25,
            ],
            [
                0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31,
            ],
        ],
        [
            [
                0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68,
            ],
            [
                0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62,
            ],
            [
                0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50,
            ],
        ],
        [
            [
                0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49,
            ],
            [
                -0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77,
            ],
            [
                -0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16,
            ],
        ],
    ];

    fn crossed() -> Vec<Vec<Vec<f64>>> {
        (0..10)
            .map(|wheel| {
                let of = |person: &[[f64; 10]; 3]| person.iter().map(|r| r[wheel]).collect();
                EXAMPLE.iter().map(of).collect()
            })
            .collect()
    }

    #[test]
    fn the_worked_example_comes_out_as_published() {
        let s = GaugeStudy::of(&crossed()).unwrap();
        let sums = [88.361_93, 3.167_26, 0.358_98, 2.758_93];
        for (got, want) in s.squares.iter().zip(sums) {
            assert!((got.sum - want).abs() < 6e-6, "{} {want}", got.sum);
        }
        assert!((s.interaction_f - 0.4337).abs() < 5e-5 && s.pooled);
        assert!((s.interaction_p - 0.974).abs() < 5e-4);
        for (got, want) in [
            (s.repeatability, 0.199_933),
            (s.reproducibility, 0.226_838),
            (s.gauge, 0.302_373),
            (s.wheels, 1.042_327),
            (s.total, 1.085_300),
        ] {
            assert!((got - want).abs() < 1.5e-6, "{got} {want}");
        }
        assert!((s.gauge_share() - 0.2786).abs() < 5e-5);
        assert_eq!(s.categories(), 4);
        let (low, high) = s.repeatability_interval;
        assert!(low < s.repeatability && s.repeatability < high);
    }

    #[test]
    fn scale_and_origin_do_not_matter() {
        let s = GaugeStudy::of(&crossed()).unwrap();
        let mut other = crossed();
        other
            .iter_mut()
            .flatten()
            .flatten()
            .for_each(|x| *x = 1000.0 + 7.0 * *x);
        let t = GaugeStudy::of(&other).unwrap();
        assert!((t.gauge - 7.0 * s.gauge).abs() < 1e-9);
        assert!((t.gauge_share() - s.gauge_share()).abs() < 1e-10);
    }

    #[test]
    fn people_who_differ_from_wheel_to_wheel_are_seen() {
        // Each person turns the order of the wheels round: all of it is interaction.
        let values: Vec<Vec<Vec<f64>>> = (0..6)
            .map(|w| {
                let x = f64::from(w);
                vec![vec![x, x + 0.1], vec![5.0 - x, 5.1 - x]]
            })
            .collect();
        let s = GaugeStudy::of(&values).unwrap();
        assert!(!s.pooled && s.interaction > 1.0 && s.wheels == 0.0);
        assert_eq!(s.categories(), 0);
    }

    #[test]
    fn incomplete_studies_are_refused() {
        let mut v = crossed();
        v[3][1].pop();
        assert_eq!(GaugeStudy::of(&v), Err(NoStudy::NotCrossed));
        let same = vec![vec![vec![2.5; 2]; 2]; 3];
        assert_eq!(GaugeStudy::of(&same), Err(NoStudy::NoSpread));
        assert!(matches!(GaugeStudy::of(&[]), Err(NoStudy::TooFew { .. })));
        let mut v = crossed();
        v[0][0][0] = f64::NAN;
        assert_eq!(GaugeStudy::of(&v), Err(NoStudy::NotCrossed));
    }
}
