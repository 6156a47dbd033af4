//! Thin (Kirchhoff) annular plate with free rim and free bore.
//!
//! Solved by Ritz with polynomials of the radius, one number of nodal diameters at a time; the
//! free edges are the natural conditions of the energy, so nothing is imposed. Agrees with the
//! exact determinant of Bessel functions (tests) without its cancellations at high orders.

use nalgebra::DMatrix;

use super::basis::{gauss_on, radial};
use super::eigen::lowest;

/// A mode of the thin plate: frequency number and deflection along the radius.
#[derive(Debug, Clone, PartialEq)]
pub struct ThinMode {
    /// Nodal diameters.
    pub n: usize,
    /// Nodal circles.
    pub s: usize,
    /// `lambda^2 = omega a^2 sqrt(rho h / D)`.
    pub lambda_squared: f64,
    bore_ratio: f64,
    poisson: f64,
    /// Scaled so that the deflection is 1 at the rim.
    weights: Vec<f64>,
}

impl ThinMode {
    /// Deflection at `r/a` relative to the rim, on an antinodal diameter.
    pub fn deflection(&self, radius_ratio: f64) -> f64 {
        self.jet(radius_ratio)[0]
    }

    fn jet(&self, r: f64) -> [f64; 3] {
        let mut sum = [0.0; 3];
        let basis = radial(self.weights.len(), self.bore_ratio, self.n, r);
        for (w, b) in self.weights.iter().zip(basis) {
            for k in 0..3 {
                sum[k] += w * b[k];
            }
        }
        sum
    }

    /// Curvature sum that the hoop moment goes with, `kappa_theta + nu kappa_r` (times `D/a^2`
    /// it is the bending moment across a radial line), at `r/a` on an antinodal diameter for
    /// unit deflection at the rim.
    pub fn hoop_moment(&self, radius_ratio: f64) -> f64 {
        let r = radius_ratio;
        let [w, slope, bend] = self.jet(r);
        let n2 = (self.n * self.n) as f64;
        slope / r - n2 * w / (r * r) + self.poisson * bend
    }

    /// Modal mass over the mass of the plate, for unit deflection at the rim's antinode: the
    /// mean of the squared deflection over the face.
    pub fn mass_share(&self) -> f64 {
        let angular = if self.n == 0 { 1.0 } else { 0.5 };
        let radial_mean = self.radial_mass() * 2.0 / (1.0 - self.bore_ratio * self.bore_ratio);
        angular * radial_mean
    }

    /// `integral of W^2 r dr` in units of `a^2`. Twice the strain energy is `lambda^4` times
    /// this times `D/a^2` times the integral of the squared cosine over the circle.
    pub fn radial_mass(&self) -> f64 {
        gauss_on(self.bore_ratio, 1.0, self.weights.len() + self.n + 4)
            .iter()
            .map(|&(r, w)| w * r * self.deflection(r).powi(2))
            .sum()
    }

    /// Radius of the outermost nodal circle over the outer radius; none without one.
    pub fn outer_nodal_circle(&self) -> Option<f64> {
        let steps = 400;
        let at = |k: usize| 1.0 - (1.0 - self.bore_ratio) * k as f64 / steps as f64;
        let k = (1..=steps).find(|&k| self.deflection(at(k)) <= 0.0)?;
        let (mut inner, mut outer) = (at(k), at(k - 1));
        for _ in 0..40 {
            let mid = 0.5 * (inner + outer);
            if self.deflection(mid) > 0.0 {
                outer = mid;
            } else {
                inner = mid;
            }
        }
        Some(0.5 * (inner + outer))
    }
}

/// Modes of `n` nodal diameters and 0 to `s_max` nodal circles of a thin plate with bore over
/// outer radius `bore_ratio` (0 to 0.9) and Poisson's ratio `poisson`. The rigid motions (0, 0)
/// and (1, 0) are left out. Empty when the numbers are out of range.
pub fn thin_modes(n: usize, s_max: usize, bore_ratio: f64, poisson: f64) -> Vec<ThinMode> {
    if !(0.0..=0.9).contains(&bore_ratio) || !(-0.9..0.5).contains(&poisson) || n > 40 || s_max > 8
    {
        return Vec::new();
    }
    // A small bore bends the deflection near it like 1/r^n: more terms there.
    let count = s_max
        + match bore_ratio {
            b if b <= 0.0 => 12,
            b if b < 0.08 => 26,
            _ => 18 + n / 2,
        };
    let Some((values, vectors)) = solve(n, s_max + 1, count, bore_ratio, poisson) else {
        return Vec::new();
    };
    values
        .iter()
        .enumerate()
        .filter(|(s, value)| (*s > 0 || n > 1) && **value > 0.0)
        .map(|(s, value)| {
            let weights: Vec<f64> = vectors.column(s).iter().copied().collect();
            let rim: f64 = weights.iter().sum(); // every basis function is 1 at the rim
            ThinMode {
                n,
                s,
                lambda_squared: value.sqrt(),
                bore_ratio,
                poisson,
                weights: weights.iter().map(|w| w / rim).collect(),
            }
        })
        .collect()
}

fn solve(
    n: usize,
    wanted: usize,
    count: usize,
    bore_ratio: f64,
    poisson: f64,
) -> Option<(Vec<f64>, DMatrix<f64>)> {
    let nf = n as f64;
    let points = gauss_on(bore_ratio, 1.0, count + n + 12);
    let mut bending = DMatrix::zeros(3 * points.len(), count);
    let mut moment = DMatrix::zeros(3 * points.len(), count);
    let mut moving = DMatrix::zeros(points.len(), count);
    for (q, &(r, weight)) in points.iter().enumerate() {
        let root = (weight * r).sqrt();
        for (i, [w, slope, bend]) in radial(count, bore_ratio, n, r).into_iter().enumerate() {
            let hoop = slope / r - nf * nf * w / (r * r);
            let twist = nf * (slope / r - w / (r * r));
            for (k, (kappa, m)) in [
                (bend, bend + poisson * hoop),
                (hoop, hoop + poisson * bend),
                (twist, 2.0 * (1.0 - poisson) * twist),
            ]
            .into_iter()
            .enumerate()
            {
                bending[(3 * q + k, i)] = root * kappa;
                moment[(3 * q + k, i)] = root * m;
            }
            moving[(q, i)] = root * w;
        }
    }
    let stiffness = bending.transpose() * moment;
    let mass = moving.transpose() * &moving;
    lowest(stiffness, &mass, 20.0 + nf.powi(4), wanted)
}
