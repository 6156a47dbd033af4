//! The reverse of the plate's theory: dynamic modulus of elasticity and Poisson's ratio of a
//! wheel from its labelled modes, its mass and its size.
//!
//! `E = 12 pi (1 - nu^2) m f^2 D^2 / (lambda^4 h^3 (1 - (b/a)^2))` for each mode, `lambda^2` that of
//! the thick plate with its bore (for a solid disc and two modes this is the layout of the disc
//! annex of ASTM E1876, from memory; the bore and more modes are our own extension). Here all
//! labelled modes that the carried table knows are fitted at once by least squares in `ln E` and nu.

use super::label::{Label, POISSON_PRIOR};
use super::mode::Mode;
use super::plate::{Material, POISSON_RANGE, PlatePattern, PlateSize, TABLE_MODES};

/// Assumed relative scatter of real wheels' modes around the ideal plate (ours), which counts
/// like so many modes against the scatter seen.
const SCATTER: f64 = 3e-3;
const SCATTER_COUNTS: f64 = 4.0;
/// A standard deviation of Poisson's ratio above which it was not measured: the fit then rests on
/// the assumed 0.2 +- 0.05.
const POISSON_KNOWN: f64 = 0.03;
/// Fewest different modes.
const FEWEST: usize = 2;

/// Standard deviations of size and mass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// Of the diameter, relative.
    pub diameter: f64,
    /// Of the thickness, relative.
    pub thickness: f64,
    /// Of the bore in m.
    pub bore_m: f64,
    /// Of the mass, relative.
    pub mass: f64,
}

impl Tolerance {
    /// What may be assumed of a size as it is marked and a mass from a kitchen scale (ours):
    /// diameter 0.3 %, thickness 1 % but at least 0.1 mm, bore 0.1 mm, mass 0.5 %.
    pub fn assumed(size: &PlateSize) -> Self {
        Self {
            diameter: 3e-3,
            thickness: (1e-4 / size.thickness_m).max(0.01),
            bore_m: 1e-4,
            mass: 5e-3,
        }
    }
}

/// Elastic values of a wheel as its ring shows them.
#[derive(Debug, Clone, PartialEq)]
pub struct Stiffness {
    /// Dynamic modulus of elasticity E in Pa.
    pub youngs_pa: f64,
    /// Its standard deviation in Pa, from modes, size and mass.
    pub youngs_std_pa: f64,
    /// Poisson's ratio; where `poisson_measured` is false the assumption that it was drawn to.
    pub poisson: f64,
    /// Its standard deviation.
    pub poisson_std: f64,
    /// True when the modes told it.
    pub poisson_measured: bool,
    /// Density in kg/m3 from mass and size.
    pub density_kg_m3: f64,
    /// Relative scatter (root mean square) of the modes around the fitted plate.
    pub scatter: f64,
    /// The modes that were used: nodal diameters, nodal circles.
    pub modes: Vec<(usize, usize)>,
}

/// One mode of the fit.
struct Point {
    at: usize,
    ln_freq: f64,
    own: f64,
}

/// Elastic values from labelled modes (`labels` in the order of `modes`) of a wheel of
/// `mass_kg`. None with fewer than two different labelled modes of the table or a mass that is
/// not positive.
pub fn stiffness(
    pattern: &PlatePattern,
    mass_kg: f64,
    tolerance: &Tolerance,
    modes: &[Mode],
    labels: &[Option<Label>],
) -> Option<Stiffness> {
    if !(mass_kg.is_finite() && mass_kg > 0.0) {
        return None;
    }
    let points = points(pattern, modes, labels);
    if points.len() < FEWEST {
        return None;
    }
    let size = pattern.size();
    let face = 0.25 * std::f64::consts::PI * (size.diameter_m.powi(2) - size.bore_m.powi(2));
    let density = mass_kg / (face * size.thickness_m);
    let mut scatter = SCATTER;
    let mut fit = Fit::of(pattern, &points, density, scatter)?;
    for _ in 0..3 {
        let squares: f64 = fit.residuals.iter().map(|r| r * r).sum();
        scatter = scatter_of(squares, points.len());
        fit = Fit::of(pattern, &points, density, scatter)?;
    }
    let measures = fit.of_measures(pattern, &points, tolerance);
    let var_e = fit.variance[0] + measures.iter().map(|d| d.0 * d.0).sum::<f64>();
    let var_nu = fit.variance[1] + measures.iter().map(|d| d.1 * d.1).sum::<f64>();
    let squares: f64 = fit.residuals.iter().map(|r| r * r).sum();
    let youngs_pa = fit.ln_youngs.exp();
    Some(Stiffness {
        youngs_pa,
        youngs_std_pa: youngs_pa * var_e.sqrt(),
        poisson: fit.poisson,
        poisson_std: var_nu.sqrt(),
        poisson_measured: var_nu.sqrt() < POISSON_KNOWN,
        density_kg_m3: density,
        scatter: (squares / points.len() as f64).sqrt(),
        modes: points
            .iter()
            .map(|p| (pattern.modes()[p.at].n, pattern.modes()[p.at].s))
            .collect(),
    })
}

/// Scatter of modes around the plate whose squared residuals sum to `squares`, two figures being
/// fitted, with [`SCATTER`] as if seen [`SCATTER_COUNTS`] times before.
fn scatter_of(squares: f64, modes: usize) -> f64 {
    let spare = modes as f64 - 2.0;
    ((SCATTER_COUNTS * SCATTER * SCATTER + squares) / (SCATTER_COUNTS + spare)).sqrt()
}

/// One point per label: the middle of a pair.
fn points(pattern: &PlatePattern, modes: &[Mode], labels: &[Option<Label>]) -> Vec<Point> {
    let mut out = Vec::new();
    for (at, place) in pattern.modes().iter().enumerate() {
        if !TABLE_MODES.contains(&(place.n, place.s)) {
            continue;
        }
        let own: Vec<&Mode> = modes
            .iter()
            .zip(labels)
            .filter(|(_, l)| l.is_some_and(|l| (l.n, l.s) == (place.n, place.s)))
            .map(|(m, _)| m)
            .collect();
        if own.is_empty() {
            continue;
        }
        let count = own.len() as f64;
        let std = own
            .iter()
            .map(|m| m.freq_std_hz / m.freq_hz)
            .fold(0.0, f64::max);
        out.push(Point {
            at,
            ln_freq: own.iter().map(|m| m.freq_hz.ln()).sum::<f64>() / count,
            own: std,
        });
    }
    out
}

/// Least squares in `ln E` and Poisson's ratio.
struct Fit {
    ln_youngs: f64,
    poisson: f64,
    residuals: Vec<f64>,
    /// Of `ln E` and of Poisson's ratio, from the modes.
    variance: [f64; 2],
    inverse: [[f64; 2]; 2],
    weights: Vec<f64>,
    rows: Vec<[f64; 2]>,
}

impl Fit {
    fn of(pattern: &PlatePattern, points: &[Point], density: f64, scatter: f64) -> Option<Self> {
        let weights: Vec<f64> = points
            .iter()
            .map(|p| 1.0 / (scatter * scatter + p.own * p.own))
            .collect();
        let prior = 1.0 / POISSON_PRIOR.1.powi(2);
        let (mut ln_youngs, mut poisson) = (40e9f64.ln(), POISSON_PRIOR.0);
        let mut last = None;
        for _ in 0..12 {
            let ln_hz = pattern.ln_hz((ln_youngs.exp() / density).sqrt(), poisson);
            let residuals: Vec<f64> = points
                .iter()
                .map(|p| {
                    let at = pattern.modes()[p.at].ln_lambda_squared(poisson);
                    p.ln_freq - ln_hz - at
                })
                .collect();
            // ln_hz falls with ln sqrt(1 - nu^2).
            let common = poisson / (1.0 - poisson * poisson);
            let rows: Vec<[f64; 2]> = points
                .iter()
                .map(|p| [0.5, pattern.modes()[p.at].slope(poisson) + common])
                .collect();
            let mut normal = [[0.0, 0.0], [0.0, prior]];
            let mut right = [0.0, prior * (POISSON_PRIOR.0 - poisson)];
            for ((row, w), r) in rows.iter().zip(&weights).zip(&residuals) {
                for i in 0..2 {
                    right[i] += w * row[i] * r;
                    for j in 0..2 {
                        normal[i][j] += w * row[i] * row[j];
                    }
                }
            }
            let inverse = inverse(normal)?;
            let step = times(inverse, right);
            ln_youngs += step[0].clamp(-1.0, 1.0);
            poisson = (poisson + step[1]).clamp(POISSON_RANGE.0, POISSON_RANGE.1);
            last = Some(Self {
                ln_youngs,
                poisson,
                residuals,
                variance: [inverse[0][0], inverse[1][1]],
                inverse,
                weights: weights.clone(),
                rows,
            });
            if step[0].abs() < 1e-9 && step[1].abs() < 1e-9 {
                break;
            }
        }
        last.filter(|f| f.ln_youngs.is_finite())
    }

    /// Change of `ln E` and nu for one standard deviation of each of diameter, thickness, bore
    /// and mass: what the frequencies would be off by, taken through the fit.
    fn of_measures(
        &self,
        pattern: &PlatePattern,
        points: &[Point],
        tolerance: &Tolerance,
    ) -> Vec<(f64, f64)> {
        let size = pattern.size();
        let ln_freqs = |size: &PlateSize, mass_factor: f64| -> Option<Vec<f64>> {
            let area = |s: &PlateSize| s.diameter_m.powi(2) - s.bore_m.powi(2);
            let volume = |s: &PlateSize| area(s) * s.thickness_m;
            let plate = size
                .plate(Material {
                    youngs_pa: 1e9,
                    density_kg_m3: 1e3 * mass_factor * volume(&pattern.size()) / volume(size),
                    poisson: self.poisson,
                })
                .ok()?;
            points
                .iter()
                .map(|p| {
                    let mode = pattern.modes()[p.at];
                    Some(plate.freq_hz(plate.lambda_squared(mode.n, mode.s)?).ln())
                })
                .collect()
        };
        let changed = [
            PlateSize {
                diameter_m: size.diameter_m * (1.0 + tolerance.diameter),
                ..size
            },
            PlateSize {
                thickness_m: size.thickness_m * (1.0 + tolerance.thickness),
                ..size
            },
            PlateSize {
                // Outwards or inwards, whichever stays a bore.
                bore_m: if size.bore_m > 0.0 {
                    size.bore_m + tolerance.bore_m
                } else {
                    0.0
                },
                ..size
            },
        ];
        let Some(at) = ln_freqs(&size, 1.0) else {
            return Vec::new();
        };
        let sizes = changed.iter().filter_map(|s| ln_freqs(s, 1.0));
        let mass = ln_freqs(&size, 1.0 + tolerance.mass);
        sizes
            .chain(mass)
            .map(|other| {
                let mut right = [0.0; 2];
                for (k, row) in self.rows.iter().enumerate() {
                    let off = self.weights[k] * (other[k] - at[k]);
                    right[0] += row[0] * off;
                    right[1] += row[1] * off;
                }
                let [e, nu] = times(self.inverse, right);
                (e, nu)
            })
            .collect()
    }
}

fn inverse(m: [[f64; 2]; 2]) -> Option<[[f64; 2]; 2]> {
    let det = m[0][0] * m[1][1] - m[0][1] * m[1][0];
    (det.is_finite() && det > 0.0).then(|| {
        [
            [m[1][1] / det, -m[0][1] / det],
            [-m[1][0] / det, m[0][0] / det],
        ]
    })
}

fn times(m: [[f64; 2]; 2], v: [f64; 2]) -> [f64; 2] {
    [
        m[0][0] * v[0] + m[0][1] * v[1],
        m[1][0] * v[0] + m[1][1] * v[1],
    ]
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use rand::SeedableRng as _;
    use rand_distr::{Distribution as _, StandardNormal};

    use super::*;

    const SIZE: PlateSize = PlateSize {
        diameter_m: 0.2,
        thickness_m: 0.025,
        bore_m: 0.032,
    };
    const MASS_KG: f64 = 1.76;
    const EXACT: Tolerance = Tolerance {
        diameter: 0.0,
        thickness: 0.0,
        bore_m: 0.0,
        mass: 0.0,
    };

    fn mode(freq_hz: f64, freq_std_hz: f64) -> Mode {
        Mode {
            freq_std_hz,
            ..Mode::made_up(freq_hz)
        }
    }

    fn label(n: usize, s: usize) -> Option<Label> {
        Some(Label {
            n,
            s,
            probability: 1.0,
        })
    }

    fn density(size: &PlateSize, mass_kg: f64) -> f64 {
        let volume = std::f64::consts::FRAC_PI_4
            * (size.diameter_m * size.diameter_m - size.bore_m * size.bore_m)
            * size.thickness_m;
        mass_kg / volume
    }

    /// Frequency of a mode straight from the plate, not from the pattern.
    fn plate_hz(
        size: &PlateSize,
        mass_kg: f64,
        youngs_pa: f64,
        poisson: f64,
        n: usize,
        s: usize,
    ) -> f64 {
        let plate = size
            .plate(Material {
                youngs_pa,
                density_kg_m3: density(size, mass_kg),
                poisson,
            })
            .unwrap();
        plate.freq_hz(plate.lambda_squared(n, s).unwrap())
    }

    const LINES: [(usize, usize); 5] = [(2, 0), (0, 1), (3, 0), (1, 1), (4, 0)];

    fn lines(off: impl Fn(usize) -> f64, std: f64) -> (Vec<Mode>, Vec<Option<Label>>) {
        let of = |(k, (n, s)): (usize, &(usize, usize))| {
            let hz = plate_hz(&SIZE, MASS_KG, 47e9, 0.2, *n, *s) * off(k).exp();
            mode(hz, std * hz)
        };
        (
            LINES.iter().enumerate().map(of).collect(),
            LINES.iter().map(|(n, s)| label(*n, *s)).collect(),
        )
    }

    // The pattern follows the plate to 1e-4 (its tests), which is 2e-4 in E; nu hangs by some 1e-3
    // on that.
    #[test]
    fn exact_lines_give_the_wheel_back_and_a_scatter_of_none() {
        let pattern = PlatePattern::new(SIZE).unwrap();
        let (modes, labels) = lines(|_| 0.0, 1e-6);
        let e = stiffness(&pattern, MASS_KG, &EXACT, &modes, &labels).unwrap();
        assert!((e.youngs_pa / 47e9 - 1.0).abs() < 4e-4, "{e:?}");
        assert!((e.poisson - 0.2).abs() < 2e-3, "{e:?}");
        assert!((e.density_kg_m3 / density(&SIZE, MASS_KG) - 1.0).abs() < 1e-12);
        assert!(e.scatter < 1e-4, "{e:?}");
        assert!(e.poisson_measured);
        let mut told = e.modes.clone();
        told.sort_unstable();
        let mut all = LINES.to_vec();
        all.sort_unstable();
        assert_eq!(told, all);
        // The two lines of a pair count as one, in their (geometric) middle.
        let (mut split, mut named) = (modes.clone(), labels.clone());
        split[2].freq_hz *= 1.004;
        split.push(mode(modes[2].freq_hz / 1.004, 1e-6 * modes[2].freq_hz));
        named.push(label(3, 0));
        let same = stiffness(&pattern, MASS_KG, &EXACT, &split, &named).unwrap();
        assert!((same.youngs_pa / e.youngs_pa - 1.0).abs() < 1e-9);
        assert_eq!(same.modes, e.modes);
    }

    #[test]
    fn a_scatter_is_drawn_to_what_is_usual() {
        // None to spare: what is assumed. Nothing left over: less. As usual: as usual.
        assert!((scatter_of(0.0, 2) / SCATTER - 1.0).abs() < 1e-12);
        let spare = SCATTER_COUNTS as usize;
        assert!((scatter_of(0.0, 2 + spare) / SCATTER - 0.5f64.sqrt()).abs() < 1e-12);
        let usual = SCATTER_COUNTS * SCATTER * SCATTER;
        assert!((scatter_of(usual, 2 + spare) / SCATTER - 1.0).abs() < 1e-12);
        assert!((scatter_of(7.0 * usual, 2 + spare) / SCATTER - 2.0).abs() < 1e-12);
    }

    #[test]
    fn weights_are_of_scatter_and_own_deviation() {
        let pattern = PlatePattern::new(SIZE).unwrap();
        let (modes, labels) = lines(|_| 0.0, 4e-3);
        let at = density(&SIZE, MASS_KG);
        let fit = Fit::of(&pattern, &points(&pattern, &modes, &labels), at, 3e-3).unwrap();
        assert!(fit.weights.iter().all(|w| (w / 4e4 - 1.0).abs() < 1e-9));
        // Rows are how ln f goes with ln E and with Poisson's ratio, by differences.
        let ln_f = |p: &Point, ln_e: f64, nu: f64| {
            let mode = pattern.modes()[p.at];
            pattern.ln_hz((ln_e.exp() / at).sqrt(), nu) + mode.ln_lambda_squared(nu)
        };
        let h = 1e-5;
        for (row, p) in fit.rows.iter().zip(points(&pattern, &modes, &labels)) {
            let (e, nu) = (fit.ln_youngs, fit.poisson);
            let by_e = (ln_f(&p, e + h, nu) - ln_f(&p, e - h, nu)) / (2.0 * h);
            let by_nu = (ln_f(&p, e, nu + h) - ln_f(&p, e, nu - h)) / (2.0 * h);
            assert!((row[0] - by_e).abs() < 1e-6, "{} {by_e}", row[0]);
            assert!((row[1] - by_nu).abs() < 1e-5, "{} {by_nu}", row[1]);
        }
    }

    #[test]
    fn no_mass_no_stiffness() {
        let pattern = PlatePattern::new(SIZE).unwrap();
        let (modes, labels) = lines(|_| 0.0, 1e-6);
        for mass_kg in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(stiffness(&pattern, mass_kg, &EXACT, &modes, &labels).is_none());
        }
    }

    // Four seen as many as assumed count as much as the assumption: the variance used is
    // (4 s^2 + sum r^2) / (4 + n - 2), and r is what the plate fitted does not explain.
    #[test]
    fn the_scatter_told_is_what_the_plate_leaves_over() {
        let pattern = PlatePattern::new(SIZE).unwrap();
        let off = [0.004, -0.006, 0.003, 0.005, -0.004];
        let (modes, labels) = lines(|k| off[k], 1e-6);
        let e = stiffness(&pattern, MASS_KG, &EXACT, &modes, &labels).unwrap();
        let left: Vec<f64> = LINES
            .iter()
            .zip(&modes)
            .map(|((n, s), m)| {
                (m.freq_hz / plate_hz(&SIZE, MASS_KG, e.youngs_pa, e.poisson, *n, *s)).ln()
            })
            .collect();
        let rms = (left.iter().map(|r| r * r).sum::<f64>() / 5.0).sqrt();
        assert!((e.scatter - rms).abs() < 1e-4, "{} {rms}", e.scatter);
    }

    // The stated deviations against the spread over many wheels: 600 draws know a deviation to
    // 1/sqrt(1200) = 3 %, five of which are allowed. The prior of nu draws each wheel's nu to 0.2
    // by a share that is taken out of the spread: var = inverse, spread = inverse - inverse^2 prior.
    #[test]
    fn stated_deviations_are_those_of_many_wheels() {
        let pattern = PlatePattern::new(SIZE).unwrap();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let own = 0.02;
        let mut draw = || -> f64 { StandardNormal.sample(&mut rng) };
        let (mut e, mut nu, mut stated) = (Vec::new(), Vec::new(), (0.0, 0.0));
        for _ in 0..600 {
            let off: Vec<f64> = LINES.iter().map(|_| own * draw()).collect();
            let (modes, labels) = lines(|k| off[k], own);
            let of = Fit::of(
                &pattern,
                &points(&pattern, &modes, &labels),
                density(&SIZE, MASS_KG),
                1e-6,
            )
            .unwrap();
            e.push(of.ln_youngs);
            nu.push(of.poisson);
            stated = (of.variance[0], of.variance[1]);
            assert!((of.inverse[0][1] - of.inverse[1][0]).abs() < 1e-12);
        }
        let variance = |v: &[f64]| {
            let mean = v.iter().sum::<f64>() / v.len() as f64;
            v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (v.len() - 1) as f64
        };
        let prior = 1.0 / POISSON_PRIOR.1.powi(2);
        let spread_nu = stated.1 - stated.1 * stated.1 * prior;
        assert!(
            (variance(&nu) / spread_nu).ln().abs() < 0.3,
            "{} {spread_nu}",
            variance(&nu)
        );
        // What of E goes with nu is drawn by the prior too; a share below a fifth.
        let ratio = variance(&e) / stated.0;
        assert!((0.65..1.16).contains(&ratio), "{ratio}");
    }

    // What a wrong measure does to E is found by doing it: the same lines read with the size or the
    // mass that much off. First order, so a tenth is allowed.
    #[test]
    fn wrong_measures_count_as_much_as_they_do() {
        let pattern = PlatePattern::new(SIZE).unwrap();
        let (modes, labels) = lines(|_| 0.0, 1e-6);
        let plain = stiffness(&pattern, MASS_KG, &EXACT, &modes, &labels).unwrap();
        let cases = [
            (
                Tolerance {
                    diameter: 0.003,
                    ..EXACT
                },
                PlateSize {
                    diameter_m: SIZE.diameter_m * 1.003,
                    ..SIZE
                },
                MASS_KG,
            ),
            (
                Tolerance {
                    thickness: 0.01,
                    ..EXACT
                },
                PlateSize {
                    thickness_m: SIZE.thickness_m * 1.01,
                    ..SIZE
                },
                MASS_KG,
            ),
            (
                Tolerance {
                    bore_m: 0.002,
                    ..EXACT
                },
                PlateSize {
                    bore_m: SIZE.bore_m + 0.002,
                    ..SIZE
                },
                MASS_KG,
            ),
            (
                Tolerance {
                    mass: 0.02,
                    ..EXACT
                },
                SIZE,
                MASS_KG * 1.02,
            ),
        ];
        for (tolerance, size, mass_kg) in cases {
            let stated = stiffness(&pattern, MASS_KG, &tolerance, &modes, &labels).unwrap();
            let other = PlatePattern::new(size).unwrap();
            let off = stiffness(&other, mass_kg, &EXACT, &modes, &labels).unwrap();
            let moved = (off.youngs_pa / plain.youngs_pa).ln();
            let of = |s: &Stiffness| (s.youngs_std_pa / s.youngs_pa).powi(2);
            let told = (of(&stated) - of(&plain)).sqrt();
            assert!(
                (told / moved.abs() - 1.0).abs() < 0.1,
                "{tolerance:?}: {told} {moved}"
            );
            let nu = (stated.poisson_std.powi(2) - plain.poisson_std.powi(2)).sqrt();
            let moved = (off.poisson - plain.poisson).abs();
            assert!(
                (nu - moved).abs() < 0.1 * moved + 2e-4,
                "{tolerance:?}: {nu} {moved}"
            );
        }
        // A disc has no bore to be wrong about.
        let disc = PlateSize {
            bore_m: 0.0,
            ..SIZE
        };
        let pattern = PlatePattern::new(disc).unwrap();
        let tolerance = Tolerance {
            bore_m: 0.002,
            ..EXACT
        };
        let with = stiffness(&pattern, MASS_KG, &tolerance, &modes, &labels).unwrap();
        let without = stiffness(&pattern, MASS_KG, &EXACT, &modes, &labels).unwrap();
        assert_eq!(with, without);
    }

    #[test]
    fn the_thickness_of_thin_wheels_is_assumed_worse() {
        let of = |mm: f64| {
            let size = PlateSize {
                thickness_m: 1e-3 * mm,
                ..SIZE
            };
            Tolerance::assumed(&size).thickness
        };
        assert!((of(25.0) - 0.01).abs() < 1e-15 && (of(5.0) - 0.02).abs() < 1e-15);
    }

    #[test]
    fn one_mode_no_mass_or_foreign_labels_give_nothing() {
        let pattern = PlatePattern::new(SIZE).unwrap();
        let (modes, labels) = lines(|_| 0.0, 1e-6);
        for mass_kg in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(stiffness(&pattern, mass_kg, &EXACT, &modes, &labels).is_none());
        }
        assert!(stiffness(&pattern, MASS_KG, &EXACT, &modes[..1], &labels[..1]).is_none());
        assert!(stiffness(&pattern, MASS_KG, &EXACT, &modes[..2], &labels[..2]).is_some());
        // Both lines of one pair are one mode; modes beyond the table are not used.
        let pair = [label(2, 0), label(2, 0)];
        assert!(stiffness(&pattern, MASS_KG, &EXACT, &modes[..2], &pair).is_none());
        let beyond = [label(2, 0), label(8, 0)];
        assert!(stiffness(&pattern, MASS_KG, &EXACT, &modes[..2], &beyond).is_none());
    }

    #[test]
    fn an_inverse_times_its_matrix_is_one() {
        let m = [[3.0, 1.0], [2.0, 5.0]];
        let back = inverse(m).unwrap();
        for (k, unit) in [[1.0, 0.0], [0.0, 1.0]].into_iter().enumerate() {
            let column = [m[0][k], m[1][k]];
            let out = times(back, column);
            assert!((out[0] - unit[0]).abs() < 1e-15 && (out[1] - unit[1]).abs() < 1e-15);
        }
        assert!(inverse([[1.0, 2.0], [2.0, 4.0]]).is_none());
        assert!(inverse([[1.0, 3.0], [2.0, 4.0]]).is_none());
        assert!(inverse([[f64::NAN, 0.0], [0.0, 1.0]]).is_none());
        assert!(inverse([[f64::INFINITY, 0.0], [0.0, 1.0]]).is_none());
    }
}
