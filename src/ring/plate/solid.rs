//! Annular plate of any thickness as a three-dimensional elastic body, free all round.
//!
//! Ritz with Legendre polynomials in radius and thickness, one number of nodal diameters at a
//! time (in-plane displacement as its two circular parts, which are smooth at the centre). Gives
//! values from above. Used where the carried table does not reach.

use nalgebra::DMatrix;

use super::basis::{Jet, gauss_on, legendre, radial};
use super::eigen::lowest;

/// `lambda^2` of the flexural modes (antisymmetric through the thickness) with `n` nodal
/// diameters, index = number of nodal circles; the rigid ones read as 0.
///
/// `thickness_ratio` is `h/a` (0.005 to 1), `bore_ratio` is `b/a` (0 to 0.9). Empty when out of
/// range. Within 1e-4 of the converged table for its seven modes (tests); higher orders within
/// 3e-4 of what many more polynomials give (tests here).
pub fn solid_flexural(
    n: usize,
    s_max: usize,
    bore_ratio: f64,
    thickness_ratio: f64,
    poisson: f64,
) -> Vec<f64> {
    let fits = (0.0..=0.9).contains(&bore_ratio)
        && (0.005..=1.0).contains(&thickness_ratio)
        && (-0.5..0.49).contains(&poisson)
        && n <= 40
        && s_max <= 8;
    if !fits {
        return Vec::new();
    }
    Body {
        n,
        terms: s_max + radial_terms(n, bore_ratio, thickness_ratio),
        layers: if thickness_ratio < 0.06 { 2 } else { 3 },
        bore: bore_ratio,
        thickness: thickness_ratio,
        poisson,
    }
    .lambdas(s_max + 1)
}
/// The twisting moment dies out over about a thickness from a free edge, and near a small bore
/// the deflection goes like `1/r^n`: both take more polynomials.
fn radial_terms(n: usize, bore_ratio: f64, thickness_ratio: f64) -> usize {
    let edge = match thickness_ratio {
        t if t < 0.03 => 8,
        t if t < 0.06 => 4,
        t if t < 0.12 => 2,
        _ => 0,
    };
    match bore_ratio {
        b if b <= 0.0 => 8 + edge,
        b if b < 0.08 => 16 + edge,
        _ => 11 + n / 4 + edge,
    }
}

/// Outer radius, Young's modulus and density are 1.
struct Body {
    n: usize,
    terms: usize,
    layers: usize,
    bore: f64,
    thickness: f64,
    poisson: f64,
}

impl Body {
    fn lambdas(&self, wanted: usize) -> Vec<f64> {
        let to_lambda = (12.0 * (1.0 - self.poisson * self.poisson)).sqrt() / self.thickness;
        let guess = (1.0 + (self.n * self.n) as f64) / to_lambda;
        self.solve(wanted, guess * guess)
            .unwrap_or_default()
            .into_iter()
            .map(|omega2| {
                let lambda2 = omega2.max(0.0).sqrt() * to_lambda;
                if lambda2 < 0.5 { 0.0 } else { lambda2 }
            })
            .collect()
    }

    /// Fields in the order: `u_r + u_theta`, `u_r - u_theta` (odd in z), `u_z` (even in z). For
    /// n = 0 twisting about the axis is another family: only one in-plane field is kept.
    fn fields(&self) -> usize {
        if self.n == 0 { 2 } else { 3 }
    }

    fn solve(&self, wanted: usize, shift: f64) -> Option<Vec<f64>> {
        let size = self.fields() * self.terms * self.layers;
        let radii = gauss_on(self.bore, 1.0, self.terms + self.n / 2 + 6);
        let heights = gauss_on(0.0, 0.5 * self.thickness, 2 * self.layers + 2);
        let rows = radii.len() * heights.len();
        let mut strain = DMatrix::zeros(6 * rows, size);
        let mut stress = DMatrix::zeros(6 * rows, size);
        let mut moving = DMatrix::zeros(3 * rows, size);
        let mut row = 0;
        for &(r, wr) in &radii {
            let across = self.radial_fields(r);
            for &(z, wz) in &heights {
                let up = legendre(2 * self.layers, 2.0 * z / self.thickness);
                let root = (wr * wz * r).sqrt();
                for column in 0..size {
                    let (e, u) = self.column(column, r, &across, &up);
                    let t = self.stress(e);
                    for k in 0..6 {
                        strain[(6 * row + k, column)] = root * e[k];
                        stress[(6 * row + k, column)] = root * t[k];
                    }
                    for k in 0..3 {
                        moving[(3 * row + k, column)] = root * u[k];
                    }
                }
                row += 1;
            }
        }
        let stiffness = strain.transpose() * stress;
        let mass = moving.transpose() * &moving;
        lowest(stiffness, &mass, shift, wanted).map(|(values, _)| values)
    }

    fn radial_fields(&self, r: f64) -> Vec<Vec<Jet>> {
        let powers = match self.n {
            0 => vec![1, 0],
            n => vec![n + 1, n - 1, n],
        };
        powers
            .into_iter()
            .map(|p| radial(self.terms, self.bore, p, r))
            .collect()
    }

    /// Strains (rr, tt, zz, rt, rz, tz) and displacements (r, t, z) of one unknown.
    fn column(
        &self,
        column: usize,
        r: f64,
        across: &[Vec<Jet>],
        up: &[Jet],
    ) -> ([f64; 6], [f64; 3]) {
        let field = column / (self.terms * self.layers);
        let term = column % (self.terms * self.layers) / self.layers;
        let layer = column % self.layers;
        let n = self.n as f64;
        let [g, slope, _] = across[field][term];
        let to_z = 2.0 / self.thickness;
        if field + 1 == self.fields() {
            let [p, dp, _] = up[2 * layer];
            let e = [0.0, 0.0, g * dp * to_z, 0.0, slope * p, -n * g * p / r];
            return (e, [0.0, 0.0, g * p]);
        }
        let [p, dp, _] = up[2 * layer + 1];
        // u_theta: minus for the second circular part, none for n = 0.
        let sign = match (self.n, field) {
            (0, _) => 0.0,
            (_, 0) => 1.0,
            _ => -1.0,
        };
        let e = [
            slope * p,
            (1.0 + sign * n) * g * p / r,
            0.0,
            (sign * slope - (n + sign) * g / r) * p,
            g * dp * to_z,
            sign * g * dp * to_z,
        ];
        (e, [g * p, sign * g * p, 0.0])
    }

    fn stress(&self, e: [f64; 6]) -> [f64; 6] {
        let shear = 0.5 / (1.0 + self.poisson);
        let bulk = 2.0 * shear * self.poisson / (1.0 - 2.0 * self.poisson);
        let swell = bulk * (e[0] + e[1] + e[2]);
        [
            swell + 2.0 * shear * e[0],
            swell + 2.0 * shear * e[1],
            swell + 2.0 * shear * e[2],
            shear * e[3],
            shear * e[4],
            shear * e[5],
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn high_orders_are_converged() {
        for (n, s_max, bore, thickness) in [
            (6, 2, 0.0, 0.25),
            (12, 2, 0.0, 0.1),
            (8, 2, 0.16, 0.25),
            (12, 1, 0.2, 0.02),
            (12, 2, 0.3, 0.1),
            (9, 2, 0.05, 0.05),
            (3, 2, 0.5, 0.4),
            (0, 3, 0.2, 0.1),
        ] {
            let plain = solid_flexural(n, s_max, bore, thickness, 0.22);
            let more = Body {
                n,
                terms: s_max + radial_terms(n, bore, thickness) + 8,
                layers: 4,
                bore,
                thickness,
                poisson: 0.22,
            }
            .lambdas(s_max + 1);
            for (a, b) in plain.iter().zip(&more).filter(|(_, b)| **b > 0.0) {
                assert!(
                    (a / b - 1.0).abs() < 3e-4,
                    "{n} {bore} {thickness}: {plain:?} {more:?}"
                );
            }
        }
    }
}
