//! Inverse of a normal matrix with a few shared columns and a band, at the places where the matrix itself is not 0.
//!
//! Takahashi, Fagan & Chin 1973 ("Formation of a sparse bus impedance matrix"): the entries of the inverse inside the band
//! follow from the Cholesky factor backward, without the rest of the inverse. Time and memory grow linearly with the number of
//! columns.

use nalgebra::DMatrix;

/// A symmetric matrix: `shared` full columns first, then a band.
#[derive(Debug, Clone)]
pub(crate) struct BorderedBand {
    shared: usize,
    half_bandwidth: usize,
    corner: DMatrix<f64>,
    /// Band columns × shared.
    border: DMatrix<f64>,
    /// Lower triangle by rows: entry `(i, i - k)` at `i * (half_bandwidth + 1) + k`.
    band: Vec<f64>,
}

/// Its inverse where it is needed.
#[derive(Debug, Clone)]
pub(crate) struct BorderedInverse {
    shared: usize,
    half_bandwidth: usize,
    /// Inverse of the Schur complement of the band.
    corner: DMatrix<f64>,
    /// Inverse of the band times the border.
    solved_border: DMatrix<f64>,
    /// Cholesky factor of the band, stored alike.
    factor: Vec<f64>,
    /// Inverse of the band, inside the band.
    band: Vec<f64>,
}

impl BorderedBand {
    pub(crate) fn zeros(columns: usize, shared: usize, half_bandwidth: usize) -> Self {
        let banded = columns - shared;
        Self {
            shared,
            half_bandwidth,
            corner: DMatrix::zeros(shared, shared),
            border: DMatrix::zeros(banded, shared),
            band: vec![0.0; banded * (half_bandwidth + 1)],
        }
    }

    /// Adds `weight · jacobianᵀ jacobian` of a block.
    pub(crate) fn add(&mut self, columns: &[usize], jacobian: &DMatrix<f64>, weight: f64) {
        for (a, &i) in columns.iter().enumerate() {
            for (b, &j) in columns.iter().enumerate() {
                if j > i {
                    continue;
                }
                let product = weight * jacobian.column(a).dot(&jacobian.column(b));
                if i < self.shared {
                    self.corner[(i, j)] += product;
                    if i != j {
                        self.corner[(j, i)] += product;
                    }
                } else if j < self.shared {
                    self.border[(i - self.shared, j)] += product;
                } else {
                    self.band[(i - self.shared) * (self.half_bandwidth + 1) + i - j] += product;
                }
            }
        }
    }

    /// `None` when the matrix is not positive definite.
    pub(crate) fn inverse(&self) -> Option<BorderedInverse> {
        let factor = self.factor()?;
        let width = self.half_bandwidth + 1;
        let mut solved_border = self.border.clone();
        for mut column in solved_border.column_iter_mut() {
            solve_band(&factor, width, column.as_mut_slice());
        }
        let schur = &self.corner - self.border.tr_mul(&solved_border);
        let corner = if self.shared == 0 { schur } else { schur.cholesky()?.inverse() };
        let band = inverse_in_band(&factor, width);
        Some(BorderedInverse {
            shared: self.shared,
            half_bandwidth: self.half_bandwidth,
            corner,
            solved_border,
            factor,
            band,
        })
    }

    fn factor(&self) -> Option<Vec<f64>> {
        let width = self.half_bandwidth + 1;
        let mut factor = self.band.clone();
        for i in 0..factor.len() / width {
            let (above, here) = factor.split_at_mut(i * width);
            let row = &mut here[..width];
            for k in (1..=i.min(self.half_bandwidth)).rev() {
                let j = i - k;
                let other = &above[j * width..(j + 1) * width];
                let overlap = (self.half_bandwidth - k).min(j);
                let sum: f64 = (1..=overlap).map(|m| row[k + m] * other[m]).sum();
                row[k] = (row[k] - sum) / other[0];
            }
            let rest = row[0] - row[1..].iter().take(i).map(|v| v * v).sum::<f64>();
            // The digits of f64 are used up when the pivot falls this far below the diagonal.
            if !(rest > 1e-14 * row[0]) {
                return None;
            }
            row[0] = rest.sqrt();
        }
        Some(factor)
    }
}

fn solve_band(factor: &[f64], width: usize, right: &mut [f64]) {
    for i in 0..right.len() {
        let row = &factor[i * width..(i + 1) * width];
        let sum: f64 = (1..width.min(i + 1)).map(|k| row[k] * right[i - k]).sum();
        right[i] = (right[i] - sum) / row[0];
    }
    for i in (0..right.len()).rev() {
        let row = &factor[i * width..(i + 1) * width];
        right[i] /= row[0];
        for k in 1..width.min(i + 1) {
            right[i - k] -= row[k] * right[i];
        }
    }
}

fn inverse_in_band(factor: &[f64], width: usize) -> Vec<f64> {
    let mut inverse = vec![0.0; factor.len()];
    let rows = factor.len() / width;
    let at = |i: usize, j: usize| i.max(j) * width + i.abs_diff(j);
    for j in (0..rows).rev() {
        let last = (j + width - 1).min(rows - 1);
        let pivot = factor[j * width];
        for i in (j..=last).rev() {
            let sum: f64 = (j + 1..=last).map(|k| factor[k * width + k - j] * inverse[at(i, k)]).sum();
            let own = if i == j { 1.0 / pivot } else { 0.0 };
            inverse[at(i, j)] = (own - sum) / pivot;
        }
    }
    inverse
}

impl BorderedInverse {
    /// The inverse at these columns, of which the banded ones lie within the half bandwidth of each other.
    pub(crate) fn at(&self, columns: &[usize]) -> DMatrix<f64> {
        let size = columns.len();
        let mut found = DMatrix::zeros(size, size);
        for (a, &i) in columns.iter().enumerate() {
            for (b, &j) in columns.iter().enumerate().take(a + 1) {
                let (high, low) = (i.max(j), i.min(j));
                let value = if high < self.shared {
                    self.corner[(high, low)]
                } else if low < self.shared {
                    -(self.solved_border.row(high - self.shared) * self.corner.column(low)).sum()
                } else {
                    let (r, c) = (high - self.shared, low - self.shared);
                    let within = self.band.get(r * (self.half_bandwidth + 1) + r - c).copied().unwrap_or(0.0);
                    let lifted = self.solved_border.row(r) * &self.corner * self.solved_border.row(c).transpose();
                    within + lifted.sum()
                };
                found[(a, b)] = value;
                found[(b, a)] = value;
            }
        }
        found
    }

    /// The inverse times a matrix with one row per column.
    pub(crate) fn times(&self, right: &DMatrix<f64>) -> DMatrix<f64> {
        let banded = right.nrows() - self.shared;
        let mut product = right.clone();
        for mut column in product.column_iter_mut() {
            let (_, tail) = column.as_mut_slice().split_at_mut(self.shared);
            solve_band(&self.factor, self.half_bandwidth + 1, tail);
        }
        if self.shared > 0 {
            let reduced = right.rows(0, self.shared) - self.solved_border.tr_mul(&right.rows(self.shared, banded));
            let head = &self.corner * reduced;
            let correction = &self.solved_border * &head;
            product.rows_mut(0, self.shared).copy_from(&head);
            let mut tail = product.rows_mut(self.shared, banded);
            tail -= correction;
        }
        product
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};

    proptest! {
        #[test]
        fn the_inverse_is_that_of_the_dense_matrix(
            seed in 0..1000u64, shared in 0..4usize, banded in 6..25usize, half_bandwidth in 1..6usize,
        ) {
            let mut random = StdRng::seed_from_u64(seed);
            let columns = shared + banded;
            let mut matrix = BorderedBand::zeros(columns, shared, half_bandwidth);
            let mut dense = DMatrix::<f64>::zeros(columns, columns);
            for first in 0..banded - half_bandwidth {
                let mut own: Vec<usize> = (0..shared).collect();
                own.extend((first..=first + half_bandwidth).map(|c| shared + c));
                let jacobian = DMatrix::from_fn(4, own.len(), |_, _| random.random_range(-1.0..1.0));
                matrix.add(&own, &jacobian, 2.0);
                let product = jacobian.tr_mul(&jacobian) * 2.0;
                for (a, i) in own.iter().enumerate() {
                    for (b, j) in own.iter().enumerate() {
                        dense[(*i, *j)] += product[(a, b)];
                    }
                }
            }
            for column in 0..columns {
                let mut jacobian = DMatrix::zeros(1, 1);
                jacobian[(0, 0)] = 1.0;
                matrix.add(&[column], &jacobian, 0.5);
                dense[(column, column)] += 0.5;
            }
            let expected = dense.clone().try_inverse().unwrap();
            let found = matrix.inverse().unwrap();
            for first in 0..banded - half_bandwidth {
                let mut own: Vec<usize> = (0..shared).collect();
                own.extend((first..=first + half_bandwidth).map(|c| shared + c));
                let local = found.at(&own);
                for (a, i) in own.iter().enumerate() {
                    for (b, j) in own.iter().enumerate() {
                        prop_assert!((local[(a, b)] - expected[(*i, *j)]).abs() < 1e-9 * expected.norm());
                    }
                }
            }
            let right = DMatrix::from_fn(columns, 3, |_, _| random.random_range(-1.0..1.0));
            prop_assert!((found.times(&right) - &expected * &right).norm() < 1e-9 * expected.norm());
        }
    }

    #[test]
    fn an_open_direction_has_no_inverse() {
        let mut matrix = BorderedBand::zeros(3, 0, 1);
        matrix.add(&[0, 1], &DMatrix::from_row_slice(1, 2, &[1.0, -1.0]), 1.0);
        matrix.add(&[1, 2], &DMatrix::from_row_slice(1, 2, &[1.0, -1.0]), 1.0);
        assert!(matrix.inverse().is_none());
    }
}
