//! Poles of a sum of damped exponentials from the signal subspace of its Hankel matrix
//! (rotational invariance: Roy & Kailath 1989; Hankel form: Kung, Arun & Rao 1983).

use nalgebra::{DMatrix, DVector, Schur, SymmetricEigen};

use super::zoom::C64;

/// The leading left singular vectors of the Hankel blocks of all taps side by side.
#[derive(Debug)]
pub struct Subspace {
    vectors: DMatrix<C64>,
}

impl Subspace {
    /// Subspace of up to `most` dimensions of the band signals `taps` (one row each). None when
    /// they are too short.
    pub fn new(taps: &[Vec<C64>], most: usize) -> Option<Self> {
        let shortest = taps.iter().map(Vec::len).min()?;
        let rows = (shortest / 3).clamp(8, 80);
        if shortest < rows + 2 {
            return None;
        }
        let covariance = covariance(taps, rows);
        let eigen = SymmetricEigen::try_new(covariance, 1e-14, 10_000)?;
        let mut order: Vec<usize> = (0..rows).collect();
        order.sort_by(|a, b| eigen.eigenvalues[*b].total_cmp(&eigen.eigenvalues[*a]));
        let keep = most.min(rows - 1);
        let columns: Vec<DVector<C64>> = order[..keep]
            .iter()
            .map(|k| eigen.eigenvectors.column(*k).into_owned())
            .collect();
        Some(Self {
            vectors: DMatrix::from_columns(&columns),
        })
    }

    /// Largest order that can be asked for.
    pub fn most(&self) -> usize {
        self.vectors.ncols()
    }

    /// The `order` poles z (per decimated sample), or none where the algebra fails.
    pub fn poles(&self, order: usize) -> Option<Vec<C64>> {
        let rows = self.vectors.nrows();
        let u = self.vectors.columns(0, order);
        let upper = u.rows(0, rows - 1);
        let lower = u.rows(1, rows - 1);
        let gram = upper.adjoint() * upper;
        let right = upper.adjoint() * lower;
        let shift = gram.lu().solve(&right)?;
        let (_, triangle) = Schur::try_new(shift, 1e-13, 2_000)?.unpack();
        Some(triangle.diagonal().iter().copied().collect())
    }
}

/// Covariance of all Hankel columns; built by the sliding recursion
/// `R[i+1][j+1] = R[i][j] + new - old`, which costs rows x columns instead of rows squared.
fn covariance(taps: &[Vec<C64>], rows: usize) -> DMatrix<C64> {
    let mut r = DMatrix::<C64>::zeros(rows, rows);
    for y in taps {
        let columns = y.len() - rows + 1;
        for j in 0..rows {
            let mut sum: C64 = (0..columns).map(|k| y[k] * y[k + j].conj()).sum();
            r[(0, j)] += sum;
            for i in 1..rows - j {
                sum += y[columns - 1 + i] * y[columns - 1 + i + j].conj()
                    - y[i - 1] * y[i - 1 + j].conj();
                r[(i, i + j)] += sum;
            }
        }
    }
    for i in 0..rows {
        r[(i, i)] = C64::new(r[(i, i)].re, 0.0);
        for j in 0..i {
            r[(i, j)] = r[(j, i)].conj();
        }
    }
    r
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[allow(clippy::unwrap_used)]
    fn noiseless_poles_are_exact() {
        let z = [
            C64::from_polar(0.98, 0.31),
            C64::from_polar(0.985, 0.33),
            C64::from_polar(0.90, -1.2),
        ];
        let tap: Vec<C64> = (0..200)
            .map(|m| {
                z.iter()
                    .enumerate()
                    .map(|(k, z)| z.powi(m) * (k as f64 + 1.0))
                    .sum()
            })
            .collect();
        let sub = Subspace::new(&[tap], 6).unwrap();
        let found = sub.poles(3).unwrap();
        for z in z {
            let nearest = found.iter().map(|f| (f - z).norm()).fold(1.0, f64::min);
            assert!(nearest < 1e-6, "{nearest}");
        }
    }
}
