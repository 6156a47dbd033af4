//! Lowest solutions of `K v = lambda M v`.

use nalgebra::{DMatrix, DVector};

/// The `count` lowest eigenvalues, rising, with their vectors as columns; none when the
/// matrices are not what they should be (symmetric, `K + shift M` positive).
///
/// Solved the other way up, `M v = mu (K + shift M) v`: the low end of K, which is wanted, is
/// then the large end, so that it does not drown in the rounding of the highest polynomials.
pub(super) fn lowest(
    stiffness: DMatrix<f64>,
    mass: &DMatrix<f64>,
    shift: f64,
    count: usize,
) -> Option<(Vec<f64>, DMatrix<f64>)> {
    let mut shifted = stiffness + mass * shift;
    let scale: DVector<f64> = shifted.diagonal().map(|d| 1.0 / d.sqrt());
    let mut scaled_mass = mass.clone();
    for i in 0..scale.len() {
        for j in 0..scale.len() {
            shifted[(i, j)] *= scale[i] * scale[j];
            scaled_mass[(i, j)] *= scale[i] * scale[j];
        }
    }
    let lower = shifted.cholesky()?.unpack();
    let half = lower.solve_lower_triangular(&scaled_mass)?;
    let mut inner = lower.solve_lower_triangular(&half.transpose())?;
    inner = (&inner + inner.transpose()) * 0.5;
    let solved = inner.try_symmetric_eigen(f64::EPSILON, 0)?;
    let mut order: Vec<usize> = (0..solved.eigenvalues.len()).collect();
    order.sort_by(|&i, &j| solved.eigenvalues[j].total_cmp(&solved.eigenvalues[i]));
    order.truncate(count);
    let values = order
        .iter()
        .map(|&i| 1.0 / solved.eigenvalues[i] - shift)
        .collect();
    let chosen = DMatrix::from_fn(scale.len(), order.len(), |r, c| {
        solved.eigenvectors[(r, order[c])]
    });
    let mut vectors = lower.tr_solve_lower_triangular(&chosen)?;
    for (i, mut row) in vectors.row_iter_mut().enumerate() {
        row *= scale[i];
    }
    Some((values, vectors))
}
