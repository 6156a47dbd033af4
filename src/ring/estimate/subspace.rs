//! Poles of a sum of damped exponentials from the signal subspace of its Hankel matrix
//! (rotational invariance: Roy & Kailath 1989; Hankel form: Kung, Arun & Rao 1983).

use nalgebra::{DMatrix, Schur, SymmetricEigen};

use super::columns::{KEPT, dot, length, subtract};
use super::phasor::C64;
use crate::signal::wide::widely;

/// The leading left singular vectors of the Hankel blocks of all taps side by side.
#[derive(Debug)]
pub struct Subspace {
    /// Inner products of the vectors without their last element with each other...
    gram: DMatrix<C64>,
    /// ... and with the vectors without their first.
    shifted: DMatrix<C64>,
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
        let keep = most.min(rows - 1);
        let vectors = leading(&covariance(taps, rows), keep)?;
        let columns = vectors.as_slice();
        let upper = |k: usize| &columns[k * rows..(k + 1) * rows - 1];
        let lower = |k: usize| &columns[k * rows + 1..(k + 1) * rows];
        let kept = vectors.ncols();
        let mut gram = DMatrix::zeros(kept, kept);
        for j in 0..kept {
            for i in 0..=j {
                gram[(i, j)] = dot(upper(i), upper(j));
                gram[(j, i)] = gram[(i, j)].conj();
            }
        }
        Some(Self {
            gram,
            shifted: DMatrix::from_fn(kept, kept, |i, j| dot(upper(i), lower(j))),
        })
    }

    /// Largest order that can be asked for.
    pub fn most(&self) -> usize {
        self.gram.ncols()
    }

    /// The `order` poles z (per decimated sample), or none where the algebra fails.
    pub fn poles(&self, order: usize) -> Option<Vec<C64>> {
        let leading = |m: &DMatrix<C64>| m.view((0, 0), (order, order)).into_owned();
        let shift = leading(&self.gram).lu().solve(&leading(&self.shifted))?;
        let (_, triangle) = Schur::try_new(shift, 1e-13, 2_000)?.unpack();
        Some(triangle.diagonal().iter().copied().collect())
    }
}

/// Rounds of [`leading`]: a part that stands 20 dB over what is left out is then 80 dB clean of
/// it; the fits that begin from these vectors need far less.
const ROUNDS: usize = 4;

/// The `count` leading eigenvectors of a covariance by subspace iteration with a Rayleigh-Ritz
/// step (Golub & Van Loan, Matrix Computations, section 8.2; from memory), with some vectors more
/// than are asked for. Few of many are wanted, so this costs a fraction of a whole decomposition.
fn leading(covariance: &DMatrix<C64>, count: usize) -> Option<DMatrix<C64>> {
    let rows = covariance.nrows();
    let tried = (count + 4).min(rows);
    let planes = Planes::of(covariance);
    if 2 * tried > rows {
        return ritz(&planes, &DMatrix::identity(rows, rows), count);
    }
    // Columns of the covariance itself: they hold each strong line.
    let mut block = DMatrix::from_fn(rows, tried, |i, j| covariance[(i, j * rows / tried)]);
    orthonormalise(&mut block);
    for _ in 1..ROUNDS {
        block = times(&planes, &block);
        orthonormalise(&mut block);
    }
    ritz(&planes, &block, count)
}

/// The leading eigenvectors that lie in the span of the orthonormal columns of `block`.
fn ritz(covariance: &Planes, block: &DMatrix<C64>, count: usize) -> Option<DMatrix<C64>> {
    let (rows, tried) = block.shape();
    let turned = times(covariance, block);
    let own: Vec<&[C64]> = block.as_slice().chunks_exact(rows).collect();
    let turned: Vec<&[C64]> = turned.as_slice().chunks_exact(rows).collect();
    let small = DMatrix::from_fn(tried, tried, |i, j| dot(own[i], turned[j]));
    let eigen = SymmetricEigen::try_new(small, 1e-14, 10_000)?;
    let mut order: Vec<usize> = (0..tried).collect();
    order.sort_by(|a, b| eigen.eigenvalues[*b].total_cmp(&eigen.eigenvalues[*a]));
    let count = count.min(tried);
    let mut out = DMatrix::zeros(rows, count);
    for (to, from) in out.as_mut_slice().chunks_exact_mut(rows).zip(order) {
        for (q, factor) in own.iter().zip(eigen.eigenvectors.column(from).iter()) {
            subtract(to, q, -factor);
        }
    }
    Some(out)
}

/// A square matrix times a block of columns.
fn times(square: &Planes, block: &DMatrix<C64>) -> DMatrix<C64> {
    let (rows, columns) = block.shape();
    let out = planes_times(square, block);
    DMatrix::from_fn(rows, columns, |i, j| {
        let at = j * out.height + i;
        C64::new(out.re[at], out.im[at])
    })
}

/// Real and imaginary parts of a matrix, column by column, each filled up with zeros to a multiple
/// of [`TILE`].
struct Planes {
    re: Vec<f64>,
    im: Vec<f64>,
    height: usize,
}

/// Rows that are worked on side by side.
const TILE: usize = 8;

impl Planes {
    fn of(m: &DMatrix<C64>) -> Self {
        let mut out = Self::zeros(m.nrows(), m.ncols());
        for (k, column) in m.as_slice().chunks_exact(m.nrows()).enumerate() {
            for (i, v) in column.iter().enumerate() {
                out.re[k * out.height + i] = v.re;
                out.im[k * out.height + i] = v.im;
            }
        }
        out
    }

    fn zeros(rows: usize, columns: usize) -> Self {
        let height = rows.next_multiple_of(TILE);
        Self {
            re: vec![0.0; height * columns],
            im: vec![0.0; height * columns],
            height,
        }
    }
}

widely!(
    fn planes_times(square: &Planes, block: &DMatrix<C64>) -> Planes = planes_times_inlined
);

#[inline(always)]
fn planes_times_inlined(square: &Planes, block: &DMatrix<C64>) -> Planes {
    let (rows, columns) = block.shape();
    let height = square.height;
    let mut out = Planes::zeros(rows, columns);
    let places = out
        .re
        .chunks_exact_mut(height)
        .zip(out.im.chunks_exact_mut(height));
    for (factors, (re, im)) in block.as_slice().chunks_exact(rows).zip(places) {
        let tiles = re.chunks_exact_mut(TILE).zip(im.chunks_exact_mut(TILE));
        for (tile, (re, im)) in tiles.enumerate() {
            rows_times(square, tile * TILE, factors, re, im);
        }
    }
    out
}

/// The sums of [`TILE`] rows, from row `first`.
#[inline(always)]
fn rows_times(square: &Planes, first: usize, factors: &[C64], re: &mut [f64], im: &mut [f64]) {
    let (mut sum_re, mut sum_im) = ([0.0; TILE], [0.0; TILE]);
    let columns = square
        .re
        .chunks_exact(square.height)
        .zip(square.im.chunks_exact(square.height));
    for (f, (h_re, h_im)) in factors.iter().zip(columns) {
        let h_re = &h_re[first..first + TILE];
        let h_im = &h_im[first..first + TILE];
        for k in 0..TILE {
            sum_re[k] += h_re[k] * f.re - h_im[k] * f.im;
            sum_im[k] += h_re[k] * f.im + h_im[k] * f.re;
        }
    }
    re.copy_from_slice(&sum_re);
    im.copy_from_slice(&sum_im);
}

/// Gram-Schmidt, again where a column loses much of its length; a column that depends on those
/// before it becomes a unit vector that does not.
fn orthonormalise(block: &mut DMatrix<C64>) {
    let rows = block.nrows();
    let mut spare = 0;
    for k in 0..block.ncols() {
        let (earlier, rest) = block.as_mut_slice().split_at_mut(k * rows);
        let column = &mut rest[..rows];
        loop {
            let whole = length(column);
            let mut norm = whole;
            loop {
                let before = norm;
                for q in earlier.chunks_exact(rows) {
                    let f = dot(q, column);
                    subtract(column, q, f);
                }
                norm = length(column);
                // Not "greater": what is not a number ends it too.
                if !(norm <= KEPT * before && norm > 1e-10 * whole) {
                    break;
                }
            }
            if norm > 1e-10 * whole && norm > 1e-150 {
                column.iter_mut().for_each(|v| *v /= norm);
                break;
            }
            if spare == rows {
                break;
            }
            column.fill(C64::new(0.0, 0.0));
            column[spare] = C64::new(1.0, 0.0);
            spare += 1;
        }
    }
}

/// Covariance of all Hankel columns; built by the sliding recursion
/// `R[i+1][j+1] = R[i][j] + new - old`, which costs rows x columns instead of rows squared.
fn covariance(taps: &[Vec<C64>], rows: usize) -> DMatrix<C64> {
    let mut r = DMatrix::<C64>::zeros(rows, rows);
    for y in taps {
        let columns = y.len() - rows + 1;
        for j in 0..rows {
            let mut sum = dot(&y[j..j + columns], &y[..columns]);
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

    fn noise(len: usize, seed: u64) -> Vec<C64> {
        super::super::made::circular_noise(1.0, len, seed)
    }

    #[test]
    fn the_covariance_is_that_of_all_hankel_columns() {
        let taps = [noise(40, 1), noise(31, 2)];
        let rows = 9;
        let mut truth = DMatrix::<C64>::zeros(rows, rows);
        for y in &taps {
            let columns = y.len() - rows + 1;
            let hankel = DMatrix::from_fn(rows, columns, |i, n| y[n + i]);
            truth += &hankel * hankel.adjoint();
        }
        // Some forty products of size one, and as many slides.
        assert!((covariance(&taps, rows) - truth).norm() < 1e-12);
    }

    #[test]
    fn products_with_a_block_are_the_plain_ones() {
        for rows in [5, 8, 13] {
            let square = DMatrix::from_column_slice(rows, rows, &noise(rows * rows, 3));
            let block = DMatrix::from_column_slice(rows, 3, &noise(rows * 3, 4));
            let found = times(&Planes::of(&square), &block);
            assert!((found - &square * &block).norm() < 1e-13);
        }
    }

    #[test]
    fn columns_become_orthonormal_even_when_they_depend_on_each_other() {
        let mut columns = noise(12, 5);
        let twice: Vec<C64> = columns.iter().map(|v| v * C64::new(0.0, 2.0)).collect();
        columns.extend(twice);
        columns.extend(vec![C64::default(); 12]);
        // Hardly anything of its own.
        let near: Vec<C64> = columns[..12]
            .iter()
            .zip(noise(12, 6))
            .map(|(a, b)| a + b * 1e-7)
            .collect();
        columns.extend(near);
        let mut block = DMatrix::from_column_slice(12, 4, &columns);
        orthonormalise(&mut block);
        let gram = block.adjoint() * &block;
        assert!((gram - DMatrix::identity(4, 4)).norm() < 1e-13);
        // The first keeps its direction.
        let along = dot(&block.as_slice()[..12], &columns[..12]).norm();
        assert!((along / length(&columns[..12]) - 1.0).abs() < 1e-13);
    }

    /// Both ways: few of many rows by iteration, else by the whole decomposition.
    #[test]
    #[allow(clippy::unwrap_used)]
    fn leading_vectors_span_the_strong_part() {
        for (rows, strong) in [(40, 3), (9, 3)] {
            // Strengths 100, 50, 25 in known directions, over one in all the others.
            let mut q = DMatrix::from_column_slice(rows, strong, &noise(rows * strong, 7));
            orthonormalise(&mut q);
            let mut c = DMatrix::<C64>::identity(rows, rows);
            for k in 0..strong {
                let column = q.column(k).into_owned();
                c += &column * column.adjoint() * C64::new(100.0 / (1 << k) as f64 - 1.0, 0.0);
            }
            let found = leading(&c, strong).unwrap();
            assert_eq!(found.shape(), (rows, strong));
            for k in 0..strong {
                // By rising place the strength falls, each vector its own direction: three rounds
                // more leave (1/25)^3 of what is not wanted, and the last step squares it.
                let along = (q.column(k).adjoint() * found.column(k))[(0, 0)].norm();
                assert!((along - 1.0).abs() < 1e-6, "{rows} {k} {along}");
            }
        }
    }

    #[test]
    #[allow(clippy::unwrap_used)]
    fn the_subspace_is_as_large_as_asked_and_the_taps_allow() {
        let most =
            |len: usize, asked: usize| Subspace::new(&[noise(len, 8)], asked).map(|s| s.most());
        // Eight rows and two more at least; one vector less than rows.
        assert_eq!(
            (most(9, 3), most(10, 3), most(10, 20)),
            (None, Some(3), Some(7))
        );
        assert_eq!((most(60, 30), most(400, 30)), (Some(19), Some(30)));
        assert!(Subspace::new(&[], 3).is_none());
        // The shortest tap counts.
        assert!(Subspace::new(&[noise(100, 1), noise(9, 2)], 3).is_none());
        // Two taps with the same poles but other amplitudes, of different length.
        let z = [C64::from_polar(0.97, 0.4), C64::from_polar(0.95, 0.6)];
        let tap = |a: f64, b: f64, len: i32| -> Vec<C64> {
            (0..len)
                .map(|m| z[0].powi(m) * a + z[1].powi(m) * b)
                .collect()
        };
        let found = Subspace::new(&[tap(1.0, 0.5, 90), tap(-0.3, 1.0, 60)], 4).unwrap();
        for z in z {
            let poles = found.poles(2).unwrap();
            let nearest = poles.iter().map(|f| (f - z).norm()).fold(1.0, f64::min);
            assert!(nearest < 1e-6, "{nearest}");
        }
    }
}
