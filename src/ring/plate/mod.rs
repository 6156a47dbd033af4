//! Vibration of annular plates: what a sound wheel of given size and material rings at.
//!
//! `lambda^2 = omega a^2 sqrt(rho h / D)` with `D = E h^3 / (12 (1 - nu^2))`, a the outer radius
//! and h the thickness, hence `f = lambda^2 h / (2 pi a^2) sqrt(E / (12 (1 - nu^2) rho))`.
//! Flat wheels with parallel faces only: no recesses, tapers, cups; one homogeneous material.

mod basis;
mod eigen;
mod pattern;
mod solid;
mod thick_table;
mod thin;

use std::f64::consts::PI;

pub use pattern::{POISSON_RANGE, PatternMode, PlatePattern, PlateSize};
pub use solid::solid_flexural;
pub use thick_table::{TABLE_MODES, thick_over_thin};
pub use thin::{ThinMode, thin_modes};

/// A flat annular plate of one material.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plate {
    outer_radius_m: f64,
    bore_radius_m: f64,
    thickness_m: f64,
    material: Material,
}

/// Elastic values of a wheel's body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Material {
    /// Young's modulus E in Pa.
    pub youngs_pa: f64,
    /// Density rho in kg/m3.
    pub density_kg_m3: f64,
    /// Poisson's ratio nu, 0 to 0.45.
    pub poisson: f64,
}

/// Why a plate cannot be computed.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum PlateError {
    /// A length, modulus or density is not a positive finite number.
    #[error("{what} of {value} is not a positive number")]
    NotPositive {
        /// Which.
        what: &'static str,
        /// What was given.
        value: f64,
    },
    /// Bore not smaller than 0.9 of the diameter.
    #[error("bore of {bore_mm} mm does not leave a plate of {diameter_mm} mm")]
    Bore {
        /// Bore in mm.
        bore_mm: f64,
        /// Diameter in mm.
        diameter_mm: f64,
    },
    /// Thickness outside 0.005 to 1 of the outer radius.
    #[error("thickness of {thickness_mm} mm on {diameter_mm} mm is not a plate")]
    Thickness {
        /// Thickness in mm.
        thickness_mm: f64,
        /// Diameter in mm.
        diameter_mm: f64,
    },
    /// Poisson's ratio outside 0 to 0.45.
    #[error("poisson's ratio of {0} is outside 0 to 0.45")]
    Poisson(f64),
}

/// A flexural mode of a plate.
#[derive(Debug, Clone, PartialEq)]
pub struct PlateMode {
    /// Nodal diameters.
    pub n: usize,
    /// Nodal circles.
    pub s: usize,
    /// Frequency number with the thickness taken into account.
    pub lambda_squared: f64,
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Deflection along the radius (that of the thin plate, which is close enough for where a
    /// tap or a microphone stands).
    pub shape: ThinMode,
}

impl Plate {
    /// Checks the measures, in metres (a bore of 0 is a disc).
    ///
    /// # Errors
    /// [`PlateError`] naming what is out of range.
    pub fn new(
        diameter_m: f64,
        thickness_m: f64,
        bore_m: f64,
        material: Material,
    ) -> Result<Self, PlateError> {
        for (what, value) in [
            ("diameter", diameter_m),
            ("thickness", thickness_m),
            ("young's modulus", material.youngs_pa),
            ("density", material.density_kg_m3),
        ] {
            if !(value.is_finite() && value > 0.0) {
                return Err(PlateError::NotPositive { what, value });
            }
        }
        let diameter_mm = diameter_m * 1e3;
        if !(0.0..=0.9).contains(&(bore_m / diameter_m)) {
            return Err(PlateError::Bore {
                bore_mm: bore_m * 1e3,
                diameter_mm,
            });
        }
        if !(0.005..=1.0).contains(&(2.0 * thickness_m / diameter_m)) {
            return Err(PlateError::Thickness {
                thickness_mm: thickness_m * 1e3,
                diameter_mm,
            });
        }
        if !(0.0..=0.45).contains(&material.poisson) {
            return Err(PlateError::Poisson(material.poisson));
        }
        Ok(Self {
            outer_radius_m: 0.5 * diameter_m,
            bore_radius_m: 0.5 * bore_m,
            thickness_m,
            material,
        })
    }

    /// Thickness over outer radius, h/a.
    pub fn thickness_ratio(&self) -> f64 {
        self.thickness_m / self.outer_radius_m
    }

    /// Bore over outer radius, b/a.
    pub fn bore_ratio(&self) -> f64 {
        self.bore_radius_m / self.outer_radius_m
    }

    /// Its material.
    pub fn material(&self) -> Material {
        self.material
    }

    /// Mass in kg.
    pub fn mass_kg(&self) -> f64 {
        let area = PI * (self.outer_radius_m.powi(2) - self.bore_radius_m.powi(2));
        area * self.thickness_m * self.material.density_kg_m3
    }

    /// Frequency in Hz of a frequency number `lambda^2`.
    pub fn freq_hz(&self, lambda_squared: f64) -> f64 {
        let Material {
            youngs_pa,
            density_kg_m3,
            poisson,
        } = self.material;
        let speed = (youngs_pa / (12.0 * (1.0 - poisson * poisson) * density_kg_m3)).sqrt();
        lambda_squared * self.thickness_m / (2.0 * PI * self.outer_radius_m.powi(2)) * speed
    }

    /// Young's modulus in Pa that makes the mode of frequency number `lambda_squared` (which
    /// does not depend on it) sound at `freq_hz`.
    pub fn youngs_from(&self, lambda_squared: f64, freq_hz: f64) -> f64 {
        self.material.youngs_pa * (freq_hz / self.freq_hz(lambda_squared)).powi(2)
    }

    /// `lambda^2` of mode `(n, s)` with the thickness taken into account: the thin plate's value
    /// times the tabulated ratio where the table reaches, else straight from three-dimensional
    /// elasticity (slower: some milliseconds). None for rigid motions, n over 40, s over 8.
    pub fn lambda_squared(&self, n: usize, s: usize) -> Option<f64> {
        let (bore, thick) = (self.bore_ratio(), self.thickness_ratio());
        let nu = self.material.poisson;
        if let Some(ratio) = thick_over_thin(n, s, bore, thick, nu) {
            let thin = thin_modes(n, s, bore, nu).into_iter().find(|m| m.s == s)?;
            return Some(ratio * thin.lambda_squared);
        }
        solid_flexural(n, s, bore, thick, nu)
            .get(s)
            .copied()
            .filter(|l| *l > 0.0)
    }

    /// All flexural modes with up to `n_max` nodal diameters and `s_max` nodal circles below
    /// `below_hz`, by rising frequency.
    ///
    /// In-plane modes, which a tap on the face hardly excites, are not among them.
    pub fn modes(&self, n_max: usize, s_max: usize, below_hz: f64) -> Vec<PlateMode> {
        let mut out = Vec::new();
        for n in 0..=n_max {
            let before = out.len();
            out.extend(self.family(n, s_max, below_hz));
            // From n = 2 on each family starts higher than the one before.
            if n > 2 && out.len() == before {
                break;
            }
        }
        out.sort_by(|a: &PlateMode, b| a.freq_hz.total_cmp(&b.freq_hz));
        out
    }

    fn family(&self, n: usize, s_max: usize, below_hz: f64) -> Vec<PlateMode> {
        let (bore, thick) = (self.bore_ratio(), self.thickness_ratio());
        let nu = self.material.poisson;
        let shapes = thin_modes(n, s_max, bore, nu);
        let mut solid = None;
        let mut out = Vec::new();
        for shape in shapes {
            let lambda_squared = match thick_over_thin(n, shape.s, bore, thick, nu) {
                Some(ratio) => ratio * shape.lambda_squared,
                None => {
                    let all =
                        solid.get_or_insert_with(|| solid_flexural(n, s_max, bore, thick, nu));
                    all.get(shape.s).copied().unwrap_or(0.0)
                }
            };
            let freq_hz = self.freq_hz(lambda_squared);
            if freq_hz > 0.0 && freq_hz < below_hz {
                out.push(PlateMode {
                    n,
                    s: shape.s,
                    lambda_squared,
                    freq_hz,
                    shape,
                });
            }
        }
        out
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn plate() -> Plate {
        let material = Material {
            youngs_pa: 45e9,
            density_kg_m3: 2300.0,
            poisson: 0.25,
        };
        Plate::new(0.2, 0.02, 0.032, material).unwrap()
    }

    #[test]
    fn the_modulus_goes_with_the_square_of_the_frequency() {
        let plate = plate();
        let hz = plate.freq_hz(5.2);
        assert!((plate.youngs_from(5.2, hz) / 45e9 - 1.0).abs() < 1e-12);
        assert!((plate.youngs_from(5.2, 1.1 * hz) / (1.21 * 45e9) - 1.0).abs() < 1e-12);
    }

    /// `pi (a^2 - b^2) h rho`, and what is out of range with its figure.
    #[test]
    fn a_plate_knows_its_mass_and_refuses_what_it_cannot_be() {
        let material = plate().material();
        let of = |d: f64, h: f64, b: f64| Plate::new(d, h, b, material);
        let mass_kg = PI * (0.01 - 0.000_256) * 0.025 * material.density_kg_m3;
        let made = of(0.2, 0.025, 0.032).unwrap();
        assert!((made.mass_kg() / mass_kg - 1.0).abs() < 1e-12);
        assert!(matches!(
            of(0.2, 0.025, 0.19),
            Err(PlateError::Bore { bore_mm, diameter_mm })
                if (bore_mm - 190.0).abs() < 1e-9 && (diameter_mm - 200.0).abs() < 1e-9
        ));
        assert!(matches!(
            of(0.2, 0.000_4, 0.032),
            Err(PlateError::Thickness { thickness_mm, .. }) if (thickness_mm - 0.4).abs() < 1e-9
        ));
        for (d, h) in [
            (0.0, 0.02),
            (f64::INFINITY, 0.02),
            (0.2, -1.0),
            (0.2, f64::NAN),
        ] {
            assert!(matches!(of(d, h, 0.0), Err(PlateError::NotPositive { .. })));
        }
    }

    // Curvatures by differences: step 1e-4, whose error is some 1e-8 of the fourth derivative
    // and 1e-16/1e-8 of rounding.
    #[test]
    fn moments_are_those_of_the_deflection() {
        for mode in plate().modes(4, 1, 30e3) {
            let shape = &mode.shape;
            for r in [0.3, 0.55, 0.8] {
                let step = 1e-4;
                let [below, here, above] = [r - step, r, r + step].map(|r| shape.deflection(r));
                let slope = (above - below) / (2.0 * step);
                let bend = (above - 2.0 * here + below) / (step * step);
                let n = mode.n as f64;
                let moment = slope / r - n * n * here / (r * r) + 0.25 * bend;
                let told = shape.hoop_moment(r);
                assert!(
                    (told - moment).abs() < 1e-4 * (1.0 + n * n),
                    "{told} {moment}"
                );
            }
        }
    }

    // No mode is missing: as many below a limit as each family alone has.
    #[test]
    fn modes_are_those_of_all_families_below_the_limit() {
        let plate = plate();
        for below_hz in [3e3, 9e3, 20e3] {
            let all = plate.modes(12, 2, below_hz);
            let one_by_one: usize = (0..=12).map(|n| plate.family(n, 2, below_hz).len()).sum();
            assert_eq!(all.len(), one_by_one);
            assert!(all.iter().all(|m| m.freq_hz < below_hz));
            assert!(all.windows(2).all(|w| w[0].freq_hz <= w[1].freq_hz));
        }
    }
}
