//! Ratio of the true (three-dimensional) frequency to that of the thin plate, by interpolation
//! in a carried table.
//!
//! The table holds `lambda^2` for seven modes, Poisson's ratio 0.2 to 0.3, bore ratio 0 to 0.3 and
//! thickness ratio 0.02 to 0.3. Origin: three-dimensional elasticity, Legendre-Ritz, recomputed;
//! see docs/method.md.

use std::sync::OnceLock;

const TEXT: &str = include_str!("thick_plate.csv");

const POISSON: [f64; 3] = [0.2, 0.25, 0.3];
const BORE: [f64; 6] = [0.0, 0.1, 0.15, 0.2, 0.25, 0.3];
/// The first is the thin plate itself.
const THICKNESS: [f64; 8] = [0.0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3];

/// How far beyond the table's Poisson's ratios the quadratic through them is still good.
const POISSON_REACH: (f64, f64) = (0.15, 0.33);

/// The tabulated modes: nodal diameters, nodal circles.
pub const TABLE_MODES: [(usize, usize); 7] =
    [(2, 0), (0, 1), (3, 0), (1, 1), (4, 0), (2, 1), (5, 0)];

/// `ratio[mode][poisson][bore][thickness]`.
type Ratios = Vec<[[[f64; 8]; 6]; 3]>;

fn ratios() -> &'static Ratios {
    static TABLE: OnceLock<Ratios> = OnceLock::new();
    TABLE.get_or_init(|| read(TEXT))
}

/// One line per mode, Poisson's ratio and bore ratio: `n,s,poisson,bore,thin,seven thick ones`.
fn read(text: &str) -> Ratios {
    let mut table = vec![[[[f64::NAN; 8]; 6]; 3]; TABLE_MODES.len()];
    for line in text.lines().filter(|l| !l.starts_with('#')) {
        let x: Vec<f64> = line
            .split(',')
            .filter_map(|f| f.trim().parse().ok())
            .collect();
        if x.len() != 12 {
            continue;
        }
        let mode = TABLE_MODES
            .iter()
            .position(|m| *m == (x[0] as usize, x[1] as usize));
        let poisson = POISSON.iter().position(|p| (p - x[2]).abs() < 1e-6);
        let bore = BORE.iter().position(|b| (b - x[3]).abs() < 1e-6);
        if let (Some(m), Some(p), Some(b)) = (mode, poisson, bore) {
            for k in 0..8 {
                table[m][p][b][k] = x[4 + k] / x[4];
            }
        }
    }
    table
}

/// Thick over thin `lambda^2` for mode `(n, s)`; none for modes and geometries that the table
/// does not cover.
///
/// Four-point Lagrange interpolation along thickness and bore ratio, quadratic along Poisson's
/// ratio. Error against a direct three-dimensional solution between the knots: see tests.
pub fn thick_over_thin(
    n: usize,
    s: usize,
    bore_ratio: f64,
    thickness_ratio: f64,
    poisson: f64,
) -> Option<f64> {
    let covered = (0.0..=0.3).contains(&bore_ratio)
        && (0.0..=0.3).contains(&thickness_ratio)
        && (POISSON_REACH.0..=POISSON_REACH.1).contains(&poisson);
    if !covered {
        return None;
    }
    let mode = TABLE_MODES.iter().position(|m| *m == (n, s))?;
    let block = &ratios()[mode];
    let along_poisson: Vec<f64> = block
        .iter()
        .map(|by_bore| {
            let along_bore: Vec<f64> = by_bore
                .iter()
                .map(|row| local_lagrange(&THICKNESS, row, thickness_ratio))
                .collect();
            local_lagrange(&BORE, &along_bore, bore_ratio)
        })
        .collect();
    let ratio = local_lagrange(&POISSON, &along_poisson, poisson);
    ratio.is_finite().then_some(ratio)
}

/// Polynomial through the (up to four) knots around `x`.
fn local_lagrange(knots: &[f64], values: &[f64], x: f64) -> f64 {
    let width = knots.len().min(4);
    let above = knots.partition_point(|k| *k <= x);
    let first = above.saturating_sub(2).min(knots.len() - width);
    let mut sum = 0.0;
    for i in first..first + width {
        let mut share = values[i];
        for j in first..first + width {
            if i != j {
                share *= (x - knots[j]) / (knots[i] - knots[j]);
            }
        }
        sum += share;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Four knots carry a cubic exactly, and a knot has its own value.
    #[test]
    fn knots_are_joined_by_cubics() {
        let knots = [0.0, 0.1, 0.25, 0.4, 0.7, 1.0];
        let cubic = |x: f64| 1.0 - 2.0 * x + 3.0 * x * x - 4.0 * x.powi(3);
        let values = knots.map(cubic);
        for x in [0.0, 0.05, 0.1, 0.3, 0.55, 0.69, 0.9, 1.0] {
            assert!(
                (local_lagrange(&knots, &values, x) - cubic(x)).abs() < 1e-12,
                "{x}"
            );
        }
        let three = local_lagrange(&knots[..3], &[1.0, 2.0, 4.0], 0.1);
        assert!((three - 2.0).abs() < 1e-12);
    }

    #[test]
    fn what_the_table_does_not_cover_it_does_not_tell() {
        assert!(thick_over_thin(2, 0, 0.16, 0.1, 0.2).is_some_and(|r| (0.6..1.0).contains(&r)));
        for (bore, thickness, poisson) in [
            (0.31, 0.1, 0.2),
            (0.1, 0.31, 0.2),
            (0.1, 0.1, 0.9),
            (-0.1, 0.1, 0.2),
        ] {
            assert!(thick_over_thin(2, 0, bore, thickness, poisson).is_none());
        }
        assert!(thick_over_thin(11, 0, 0.1, 0.1, 0.2).is_none());
    }

    #[test]
    fn the_carried_table_is_complete() {
        for (mode, block) in ratios().iter().enumerate() {
            for row in block.iter().flatten() {
                assert!(
                    row.iter().all(|r| (0.6..=1.0).contains(r)),
                    "{mode} {row:?}"
                );
                assert!(row.windows(2).all(|w| w[1] < w[0]), "{mode} {row:?}");
            }
        }
    }
}
