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
        let spare = points.len() as f64 - 2.0;
        scatter =
            ((SCATTER_COUNTS * SCATTER * SCATTER + squares) / (SCATTER_COUNTS + spare)).sqrt();
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
