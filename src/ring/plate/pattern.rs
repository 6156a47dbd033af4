//! The pattern of a size: frequency numbers of its modes as functions of Poisson's ratio, made
//! once so that they can be looked up many times.

use super::{Material, Plate, PlateError};

/// Poisson's ratios at which the plate is computed; between and a little beyond them a cubic in the
/// logarithm holds to 1e-4 (tests).
const KNOTS: [f64; 4] = [0.10, 0.18, 0.26, 0.33];
/// Lowest and highest Poisson's ratio that the cubic is used for.
pub const POISSON_RANGE: (f64, f64) = (0.10, 0.34);
const N_MAX: usize = 9;
const S_MAX: usize = 3;

/// Outer diameter, thickness and bore in m.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlateSize {
    /// Outer diameter in m.
    pub diameter_m: f64,
    /// Thickness in m.
    pub thickness_m: f64,
    /// Diameter of the bore in m, 0 for none.
    pub bore_m: f64,
}

impl PlateSize {
    /// A plate of this size.
    ///
    /// # Errors
    /// [`PlateError`] naming what is out of range.
    pub fn plate(&self, material: Material) -> Result<Plate, PlateError> {
        Plate::new(self.diameter_m, self.thickness_m, self.bore_m, material)
    }
}

/// A mode of a size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PatternMode {
    /// Nodal diameters.
    pub n: usize,
    /// Nodal circles.
    pub s: usize,
    /// Coefficients of `ln lambda^2` in the Lagrange form over the knots.
    at_knots: [f64; 4],
}

impl PatternMode {
    /// Natural logarithm of the frequency number `lambda^2`; `poisson` within [`POISSON_RANGE`].
    pub fn ln_lambda_squared(&self, poisson: f64) -> f64 {
        let weights = lagrange(poisson);
        (0..4).map(|k| weights[k] * self.at_knots[k]).sum()
    }

    /// Its derivative by Poisson's ratio.
    pub fn slope(&self, poisson: f64) -> f64 {
        let step = 1e-3;
        (self.ln_lambda_squared(poisson + step) - self.ln_lambda_squared(poisson - step))
            / (2.0 * step)
    }
}

fn lagrange(x: f64) -> [f64; 4] {
    std::array::from_fn(|k| {
        let others = (0..4).filter(|j| *j != k);
        others
            .map(|j| (x - KNOTS[j]) / (KNOTS[k] - KNOTS[j]))
            .product()
    })
}

/// The flexural modes of a size up to 9 nodal diameters and 3 nodal circles.
#[derive(Debug, Clone, PartialEq)]
pub struct PlatePattern {
    size: PlateSize,
    modes: Vec<PatternMode>,
    complete_to: f64,
}

impl PlatePattern {
    /// Computes it (some tenths of a second).
    ///
    /// # Errors
    /// [`PlateError`] for a size that is no plate.
    pub fn new(size: PlateSize) -> Result<Self, PlateError> {
        let mut modes: Vec<PatternMode> = Vec::new();
        for (knot, poisson) in KNOTS.into_iter().enumerate() {
            let plate = size.plate(Material {
                youngs_pa: 1e9,
                density_kg_m3: 1000.0,
                poisson,
            })?;
            for mode in plate.modes(N_MAX, S_MAX, f64::INFINITY) {
                let ln = mode.lambda_squared.ln();
                let known = modes.iter_mut().find(|m| (m.n, m.s) == (mode.n, mode.s));
                match known {
                    Some(m) => m.at_knots[knot] = ln,
                    None if knot == 0 => modes.push(PatternMode {
                        n: mode.n,
                        s: mode.s,
                        at_knots: [ln, f64::NAN, f64::NAN, f64::NAN],
                    }),
                    None => {}
                }
            }
        }
        modes.retain(|m| m.at_knots.iter().all(|v| v.is_finite()));
        // What is not computed has more diameters or circles than the highest that is.
        let complete_to = modes
            .iter()
            .filter(|m| m.n == N_MAX || m.s == S_MAX)
            .map(|m| m.at_knots[1])
            .fold(f64::INFINITY, f64::min);
        Ok(Self {
            size,
            modes,
            complete_to,
        })
    }

    /// The size.
    pub fn size(&self) -> PlateSize {
        self.size
    }

    /// Its modes.
    pub fn modes(&self) -> &[PatternMode] {
        &self.modes
    }

    /// `ln lambda^2` up to which no mode is missing.
    pub fn complete_to(&self) -> f64 {
        self.complete_to
    }

    /// `ln(f / lambda^2)` with f in Hz for a speed `sqrt(E/rho)` in m/s.
    pub fn ln_hz(&self, speed_m_s: f64, poisson: f64) -> f64 {
        let a = 0.5 * self.size.diameter_m;
        let plate_speed = speed_m_s / (12.0 * (1.0 - poisson * poisson)).sqrt();
        (self.size.thickness_m * plate_speed / (2.0 * std::f64::consts::PI * a * a)).ln()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// What has one diameter or circle more than is computed lies higher than the last of its kind.
    #[test]
    fn nothing_is_missing_up_to_where_the_pattern_is_complete() {
        let size = PlateSize {
            diameter_m: 0.2,
            thickness_m: 0.02,
            bore_m: 0.032,
        };
        let pattern = PlatePattern::new(size).unwrap();
        let last = |m: &&PatternMode| m.n == N_MAX || m.s == S_MAX;
        let ends: Vec<f64> = pattern
            .modes()
            .iter()
            .filter(last)
            .map(|m| m.at_knots[1])
            .collect();
        assert!(ends.len() > 5);
        assert!(ends.iter().all(|e| *e >= pattern.complete_to()));
        assert!(ends.contains(&pattern.complete_to()));
    }

    // Half of what a wheel's own scatter is assumed to be would still not matter: 1e-4 is far
    // below it.
    #[test]
    fn the_pattern_agrees_with_the_plate_itself() {
        let size = PlateSize {
            diameter_m: 0.205,
            thickness_m: 0.023,
            bore_m: 0.04,
        };
        let pattern = PlatePattern::new(size).unwrap();
        for poisson in [0.12, 0.17, 0.27, 0.33] {
            let plate = size
                .plate(Material {
                    youngs_pa: 40e9,
                    density_kg_m3: 2200.0,
                    poisson,
                })
                .unwrap();
            let scale = pattern.ln_hz((40e9f64 / 2200.0).sqrt(), poisson);
            for m in pattern.modes().iter().filter(|m| m.n < 6 && m.s < 2) {
                let direct = plate.lambda_squared(m.n, m.s).unwrap();
                let ln = m.ln_lambda_squared(poisson);
                assert!(
                    (ln - direct.ln()).abs() < 1e-4,
                    "{m:?} {poisson} {} {direct}",
                    ln.exp()
                );
                let hz = (scale + direct.ln()).exp();
                assert!((hz / plate.freq_hz(direct) - 1.0).abs() < 1e-9);
            }
        }
        assert!(pattern.complete_to() > 50f64.ln(), "{pattern:?}");
    }
}
