//! Polynomials in the radius on which the plate solvers stand, and the points at which their
//! energies are summed.

use std::f64::consts::PI;

/// Value, first and second derivative of a function of `r/a`.
pub(super) type Jet = [f64; 3];

/// Points and weights of Gauss-Legendre quadrature on -1 to 1 (Newton steps from the Chebyshev
/// guess; exact for polynomials up to degree `2 count - 1`).
pub(super) fn gauss_legendre(count: usize) -> Vec<(f64, f64)> {
    (0..count)
        .map(|i| {
            let mut x = -(PI * (i as f64 + 0.75) / (count as f64 + 0.5)).cos();
            for _ in 0..8 {
                let (p, slope) = legendre_pair(count, x);
                x -= p / slope;
            }
            let (_, slope) = legendre_pair(count, x);
            (x, 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// The same on `from` to `to`.
pub(super) fn gauss_on(from: f64, to: f64, count: usize) -> Vec<(f64, f64)> {
    let half = 0.5 * (to - from);
    gauss_legendre(count)
        .into_iter()
        .map(|(x, w)| (from + half * (x + 1.0), half * w))
        .collect()
}

fn legendre_pair(degree: usize, x: f64) -> (f64, f64) {
    let jets = legendre(degree + 1, x);
    jets.last().map_or((0.0, 1.0), |j| (j[0], j[1]))
}

/// Legendre polynomials of degree 0 to `count - 1` at `x` with two derivatives.
pub(super) fn legendre(count: usize, x: f64) -> Vec<Jet> {
    let mut out: Vec<Jet> = Vec::with_capacity(count);
    for k in 0..count {
        out.push(match k {
            0 => [1.0, 0.0, 0.0],
            1 => [x, 1.0, 0.0],
            _ => {
                let (a, b) = (out[k - 1], out[k - 2]);
                let kf = k as f64;
                let (c, d) = ((2.0 * kf - 1.0) / kf, (kf - 1.0) / kf);
                [
                    c * x * a[0] - d * b[0],
                    c * (a[0] + x * a[1]) - d * b[1],
                    c * (2.0 * a[1] + x * a[2]) - d * b[2],
                ]
            }
        });
    }
    out
}

/// Radial functions at `r` (unit: outer radius). With a bore: Legendre polynomials over the
/// web. Without: `r^power` times Legendre polynomials in `2 r^2 - 1`, which is smooth at the
/// centre when `power` is the one the field needs there.
pub(super) fn radial(count: usize, bore_ratio: f64, power: usize, r: f64) -> Vec<Jet> {
    if bore_ratio > 0.0 {
        let k = 2.0 / (1.0 - bore_ratio);
        return legendre(count, k * (r - bore_ratio) - 1.0)
            .into_iter()
            .map(|p| [p[0], k * p[1], k * k * p[2]])
            .collect();
    }
    let p = power as f64;
    let front = [
        int_power(r, power as i32),
        p * int_power(r, power as i32 - 1),
        p * (p - 1.0) * int_power(r, power as i32 - 2),
    ];
    legendre(count, 2.0 * r * r - 1.0)
        .into_iter()
        .map(|g| {
            let inner = [g[0], 4.0 * r * g[1], 16.0 * r * r * g[2] + 4.0 * g[1]];
            [
                front[0] * inner[0],
                front[1] * inner[0] + front[0] * inner[1],
                front[2] * inner[0] + 2.0 * front[1] * inner[1] + front[0] * inner[2],
            ]
        })
        .collect()
}

/// `r^k`; 0 where the factor before it is 0 anyway (negative power at the centre).
fn int_power(r: f64, k: i32) -> f64 {
    if k < 0 && r == 0.0 { 0.0 } else { r.powi(k) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quadrature_is_exact_for_its_degree() {
        for count in [3, 8, 31] {
            for k in 0..2 * count {
                let sum: f64 = gauss_on(0.0, 1.0, count)
                    .iter()
                    .map(|(x, w)| w * x.powi(k as i32))
                    .sum();
                assert!(
                    (sum * (k as f64 + 1.0) - 1.0).abs() < 1e-12,
                    "{count} {k} {sum}"
                );
            }
        }
    }

    #[test]
    fn nothing_is_infinite_at_the_centre() {
        for (r, k, power) in [
            (0.0, -1, 0.0),
            (0.0, 0, 1.0),
            (0.0, 3, 0.0),
            (2.0, -1, 0.5),
            (0.5, 2, 0.25),
        ] {
            assert_eq!(int_power(r, k), power, "{r} {k}");
        }
        for power in 0..4 {
            let at = radial(6, 0.0, power, 0.0);
            assert!(at.iter().flatten().all(|v| v.is_finite()), "{power}");
        }
    }

    #[test]
    fn derivatives_agree_with_differences() {
        for (bore, power) in [(0.0, 3), (0.0, 0), (0.2, 2)] {
            let (r, step) = (0.63, 1e-4);
            let mid = radial(9, bore, power, r);
            let low = radial(9, bore, power, r - step);
            let high = radial(9, bore, power, r + step);
            for k in 0..9 {
                let first = (high[k][0] - low[k][0]) / (2.0 * step);
                let second = (high[k][1] - low[k][1]) / (2.0 * step);
                assert!(
                    (first - mid[k][1]).abs() < 1e-4 * (1.0 + first.abs()),
                    "{bore} {k}"
                );
                assert!(
                    (second - mid[k][2]).abs() < 1e-4 * (1.0 + second.abs()),
                    "{bore} {k}"
                );
            }
        }
    }
}
