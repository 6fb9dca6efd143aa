//! The normal matrix, stored and factorised at the cost of what it holds.
//!
//! Every structure is the matrix `[A B; Bᵀ C]` with a dense `A` of the shared columns and a `C` that is block diagonal or
//! banded (a dense problem has no `C`). It is factorised from `C` upward: `C = L Lᵀ`, `Y = L⁻¹ Bᵀ`, and the Schur complement
//! `S = A - Yᵀ Y` (Triggs et al. 2000, section 6.1; Golub & Van Loan 2013, algorithm 4.3.5 for the band).

use nalgebra::{Cholesky, DMatrix, DMatrixView, DVector, Dyn};

use crate::groups::{Groups, GroupsFactor, GroupsInverse};
use crate::{SolverError, Structure};

/// A symmetric matrix with the entries that the structure allows.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct NormalMatrix {
    shared: DMatrix<f64>,
    tail: Tail,
}

#[derive(Debug, Clone, PartialEq)]
enum Tail {
    Groups(Groups),
    Band {
        band: Band,
        /// Shared × banded columns.
        cross: DMatrix<f64>,
    },
}

/// The lower half of a symmetric banded matrix, column by column from the diagonal down.
#[derive(Debug, Clone, PartialEq)]
struct Band {
    size: usize,
    half_bandwidth: usize,
    entries: Vec<f64>,
}

impl Band {
    fn zeros(size: usize, half_bandwidth: usize) -> Self {
        Self { size, half_bandwidth, entries: vec![0.0; size * (half_bandwidth + 1)] }
    }

    fn height(&self) -> usize {
        self.half_bandwidth + 1
    }

    /// The entries of a column from the diagonal to the last row of the matrix or the band.
    fn column(&self, column: usize) -> &[f64] {
        let start = column * self.height();
        &self.entries[start..start + self.height().min(self.size - column)]
    }

    fn column_mut(&mut self, column: usize) -> &mut [f64] {
        let (start, length) = (column * self.height(), self.height().min(self.size - column));
        &mut self.entries[start..start + length]
    }

    /// Entry `(row, column)` with `row >= column`, inside the band.
    fn at(&mut self, row: usize, column: usize) -> &mut f64 {
        let height = self.height();
        &mut self.entries[column * height + row - column]
    }

    /// Replaces the matrix by its Cholesky factor; `false` when it is not positive definite to rounding.
    fn factorise(&mut self) -> bool {
        let height = self.height();
        for column in 0..self.size {
            let length = self.column(column).len();
            let (done, rest) = self.entries.split_at_mut((column + 1) * height);
            let own = &mut done[column * height..column * height + length];
            if !(own[0] > 0.0 && own[0].is_finite()) {
                return false;
            }
            let pivot = own[0].sqrt();
            own.iter_mut().for_each(|entry| *entry /= pivot);
            for offset in 1..length {
                let factor = own[offset];
                if factor != 0.0 {
                    let target = &mut rest[(offset - 1) * height..];
                    target.iter_mut().zip(&own[offset..]).for_each(|(entry, below)| *entry -= factor * below);
                }
            }
        }
        true
    }

    /// `L⁻¹ v` in place, for a factor.
    fn solve_lower(&self, v: &mut [f64]) {
        for column in 0..self.size {
            let own = self.column(column);
            let value = v[column] / own[0];
            v[column] = value;
            v[column + 1..].iter_mut().zip(&own[1..]).for_each(|(entry, below)| *entry -= value * below);
        }
    }

    /// `L⁻ᵀ v` in place, for a factor.
    fn solve_upper(&self, v: &mut [f64]) {
        for column in (0..self.size).rev() {
            let own = self.column(column);
            let below: f64 = own[1..].iter().zip(&v[column + 1..]).map(|(a, b)| a * b).sum();
            v[column] = (v[column] - below) / own[0];
        }
    }

    /// The entries of `(L Lᵀ)⁻¹` inside the band, for a factor (Takahashi, Fagan & Chen 1973).
    ///
    /// Each column below its diagonal is `-Z l / pivot` with the square `Z` of the inverse that stands below and to the right of
    /// it. `Z` is kept whole while the band goes up, column after column in a ring, so that the sums run over neighbours in memory.
    fn inverse_inside(&self) -> Self {
        let mut inverse = Self::zeros(self.size, self.half_bandwidth);
        let height = self.height();
        // Rows `c - half_bandwidth ..= c + half_bandwidth` of column `c`, from `full * (c % height)` on.
        let full = 2 * height - 1;
        let start = |column: usize, row: usize| (column % height) * full + height - 1 + row - column;
        let mut ring = vec![0.0; height * full];
        for column in (0..self.size).rev() {
            let own = self.column(column);
            let (pivot, below) = (own[0], &own[1..]);
            let found = inverse.column_mut(column);
            let (diagonal, sums) = found.split_at_mut(1);
            for (other, factor) in (column + 1..).zip(below) {
                let factor = factor / pivot;
                let entries = &ring[start(other, column + 1)..][..below.len()];
                sums.iter_mut().zip(entries).for_each(|(sum, entry)| *sum -= factor * entry);
            }
            let sum: f64 = below.iter().zip(&*sums).map(|(factor, entry)| factor * entry).sum();
            diagonal[0] = (1.0 / pivot - sum) / pivot;
            // The new column, and its mirror image in the others.
            ring[start(column, column)..][..found.len()].copy_from_slice(found);
            for (other, entry) in (column + 1..).zip(&found[1..]) {
                ring[start(other, column)] = *entry;
            }
        }
        inverse
    }
}

impl NormalMatrix {
    /// A matrix of zeros.
    ///
    /// # Errors
    /// [`SolverError::StructureSize`] when the structure's columns are not those of the problem.
    pub(crate) fn zeros(structure: &Structure, tangent_dim: usize) -> Result<Self, SolverError> {
        let (shared, tail) = match structure {
            Structure::Dense => (tangent_dim, Tail::Groups(Groups::zeros(tangent_dim, &[]))),
            Structure::Arrow { shared, groups } => (*shared, Tail::Groups(Groups::zeros(*shared, groups))),
            Structure::Band { shared, half_bandwidth } => {
                let size = tangent_dim.saturating_sub(*shared);
                let half_bandwidth = (*half_bandwidth).min(size.saturating_sub(1));
                let cross = DMatrix::zeros(*shared, size);
                (*shared, Tail::Band { band: Band::zeros(size, half_bandwidth), cross })
            }
        };
        let matrix = Self { shared: DMatrix::zeros(shared, shared), tail };
        if matrix.size() == tangent_dim {
            Ok(matrix)
        } else {
            Err(SolverError::StructureSize { columns: matrix.size(), tangent_dim })
        }
    }

    /// Number of rows and columns.
    pub(crate) fn size(&self) -> usize {
        self.shared.nrows() + self.tail.size()
    }

    /// Two columns that the structure keeps apart although they are in the list; `None` when all may meet.
    pub(crate) fn kept_apart(&self, columns: &[usize]) -> Option<[usize; 2]> {
        let shared = self.shared.nrows();
        let tail = || columns.iter().copied().filter(|&column| column >= shared);
        let (first, last) = (tail().min()?, tail().max()?);
        let apart = match &self.tail {
            Tail::Groups(groups) => groups.apart(first - shared, last - shared),
            Tail::Band { band, .. } => last - first > band.half_bandwidth,
        };
        apart.then_some([first, last])
    }

    /// Adds a block's product; all its columns may meet.
    pub(crate) fn add(&mut self, columns: &[usize], product: &DMatrix<f64>) {
        let shared = self.shared.nrows();
        for (j, &column) in columns.iter().enumerate() {
            let entries = product.column(j);
            let named = columns.iter().zip(entries.iter());
            match (column.checked_sub(shared), &mut self.tail) {
                (None, _) => named
                    .filter(|(row, _)| **row < shared)
                    .for_each(|(&row, entry)| self.shared[(row, column)] += entry),
                (Some(own), Tail::Groups(groups)) => groups.add_column(own, named.map(|(row, entry)| (*row, *entry))),
                (Some(own), Tail::Band { band, cross }) => {
                    named.for_each(|(&row, entry)| match row.checked_sub(shared) {
                        None => cross[(row, own)] += entry,
                        Some(row) if row >= own => *band.at(row, own) += entry,
                        Some(_) => {}
                    })
                }
            }
        }
    }

    /// Adds `weight JᵀJ` of a block's Jacobian of so many rows, given column by column; all its columns may meet.
    pub(crate) fn add_squared(&mut self, columns: &[usize], rows: usize, jacobian: &[f64], weight: f64) {
        match (&mut self.tail, rows) {
            (Tail::Band { band, cross }, 1) => add_rows::<1>(&mut self.shared, band, cross, columns, jacobian, weight),
            (Tail::Band { band, cross }, 2) => add_rows::<2>(&mut self.shared, band, cross, columns, jacobian, weight),
            (Tail::Band { band, cross }, 3) => add_rows::<3>(&mut self.shared, band, cross, columns, jacobian, weight),
            (Tail::Groups(groups), 1) => add_to_groups::<1>(&mut self.shared, groups, columns, jacobian, weight),
            (Tail::Groups(groups), 2) => add_to_groups::<2>(&mut self.shared, groups, columns, jacobian, weight),
            (Tail::Groups(groups), 3) => add_to_groups::<3>(&mut self.shared, groups, columns, jacobian, weight),
            _ => {
                let jacobian = DMatrixView::from_slice(jacobian, rows, columns.len());
                self.add(columns, &(jacobian.tr_mul(&jacobian) * weight));
            }
        }
    }

    pub(crate) fn diagonal(&self) -> DVector<f64> {
        let mut diagonal = Vec::with_capacity(self.size());
        diagonal.extend(self.shared.diagonal().iter());
        match &self.tail {
            Tail::Groups(groups) => diagonal.extend(groups.diagonal()),
            Tail::Band { band, .. } => diagonal.extend((0..band.size).map(|column| band.column(column)[0])),
        }
        DVector::from_vec(diagonal)
    }

    /// Factors that bring the matrix to unit diagonal; 1 for a column that nothing depends on.
    pub(crate) fn unit_diagonal_scale(&self) -> DVector<f64> {
        self.diagonal().map(|d| if d > f64::MIN_POSITIVE { 1.0 / d.sqrt() } else { 1.0 })
    }

    /// The factor of `S M S + damping · I` with `S = diag(scale)`; `None` when that is not positive definite to rounding.
    pub(crate) fn factor(&self, scale: &DVector<f64>, damping: f64) -> Option<Factor> {
        let count = self.shared.nrows();
        let mut complement = self.shared.clone();
        scale_entries(&mut complement, &scale.as_slice()[..count], &scale.as_slice()[..count]);
        add_to_diagonal(&mut complement, damping);
        let own_scale = &scale.as_slice()[count..];
        let tail = match &self.tail {
            Tail::Groups(groups) => {
                TailFactor::Groups(groups.factor(&scale.as_slice()[..count], own_scale, damping, &mut complement)?)
            }
            Tail::Band { band, cross } => {
                let mut lower = band.clone();
                for column in 0..lower.size {
                    let factor = own_scale[column];
                    let entries = lower.column_mut(column).iter_mut();
                    entries.zip(&own_scale[column..]).for_each(|(entry, scale)| *entry *= factor * scale);
                    *lower.at(column, column) += damping;
                }
                if !lower.factorise() {
                    return None;
                }
                let mut coupling = cross.transpose();
                scale_entries(&mut coupling, own_scale, &scale.as_slice()[..count]);
                for mut column in coupling.column_iter_mut() {
                    lower.solve_lower(column.as_mut_slice());
                }
                complement.gemm_tr(-1.0, &coupling, &coupling, 1.0);
                TailFactor::Band { lower, coupling }
            }
        };
        Some(Factor { complement: Cholesky::new(complement)?, tail, scale: scale.clone() })
    }

    /// All entries.
    pub(crate) fn to_dense(&self) -> DMatrix<f64> {
        let (count, size) = (self.shared.nrows(), self.size());
        let mut dense = DMatrix::zeros(size, size);
        dense.view_mut((0, 0), (count, count)).copy_from(&self.shared);
        match &self.tail {
            Tail::Groups(groups) => groups.copy_into(&mut dense),
            Tail::Band { band, cross } => {
                dense.view_mut((0, count), (count, band.size)).copy_from(cross);
                for column in 0..band.size {
                    for (offset, &entry) in band.column(column).iter().enumerate() {
                        dense[(count + column, count + column + offset)] = entry;
                    }
                }
            }
        }
        dense.fill_lower_triangle_with_upper_triangle();
        dense
    }
}

/// Adds `weight JᵀJ` of a Jacobian of few rows to the parts of a banded matrix.
fn add_rows<const ROWS: usize>(
    shared: &mut DMatrix<f64>,
    band: &mut Band,
    cross: &mut DMatrix<f64>,
    columns: &[usize],
    jacobian: &[f64],
    weight: f64,
) {
    let (count, height) = (shared.nrows(), band.height());
    let (jacobian, _) = jacobian.as_chunks::<ROWS>();
    for (j, (&column, right)) in columns.iter().zip(jacobian).enumerate() {
        let product = |left: &[f64; ROWS]| weight * (0..ROWS).map(|k| left[k] * right[k]).sum::<f64>();
        let later = columns[j + 1..].iter().zip(&jacobian[j + 1..]);
        let own_product = product(right);
        if let Some(own) = column.checked_sub(count) {
            band.entries[own * height] += own_product;
            for (&row, left) in later {
                let value = product(left);
                match row.checked_sub(count) {
                    // A column named twice meets itself twice.
                    Some(row) if row == own => band.entries[own * height] += 2.0 * value,
                    Some(row) => band.entries[row.min(own) * height + row.abs_diff(own)] += value,
                    None => cross[(row, own)] += value,
                }
            }
        } else {
            shared[(column, column)] += own_product;
            for (&row, left) in later {
                let value = product(left);
                match row.checked_sub(count) {
                    Some(own) => cross[(column, own)] += value,
                    None => {
                        shared[(row, column)] += value;
                        shared[(column, row)] += value;
                    }
                }
            }
        }
    }
}

/// [`NormalMatrix::add_squared`] for groups.
fn add_to_groups<const ROWS: usize>(
    shared: &mut DMatrix<f64>,
    groups: &mut Groups,
    columns: &[usize],
    jacobian: &[f64],
    weight: f64,
) {
    let count = shared.nrows();
    let (jacobian, _) = jacobian.as_chunks::<ROWS>();
    for (&column, right) in columns.iter().zip(jacobian) {
        let entries = columns
            .iter()
            .zip(jacobian)
            .map(|(&row, left)| (row, weight * (0..ROWS).map(|k| left[k] * right[k]).sum::<f64>()));
        match column.checked_sub(count) {
            None => entries.filter(|(row, _)| *row < count).for_each(|(row, entry)| shared[(row, column)] += entry),
            Some(own) => groups.add_column(own, entries),
        }
    }
}

impl Tail {
    fn size(&self) -> usize {
        match self {
            Self::Groups(groups) => groups.size(),
            Self::Band { band, .. } => band.size,
        }
    }
}

fn scale_entries(matrix: &mut DMatrix<f64>, rows: &[f64], columns: &[f64]) {
    for (mut column, factor) in matrix.column_iter_mut().zip(columns) {
        column.iter_mut().zip(rows).for_each(|(entry, row)| *entry *= row * factor);
    }
}

fn add_to_diagonal(matrix: &mut DMatrix<f64>, value: f64) {
    (0..matrix.nrows()).for_each(|i| matrix[(i, i)] += value);
}

/// The factor of a scaled and damped normal matrix.
#[derive(Debug, Clone)]
pub(crate) struct Factor {
    complement: Cholesky<f64, Dyn>,
    tail: TailFactor,
    scale: DVector<f64>,
}

#[derive(Debug, Clone)]
enum TailFactor {
    Groups(GroupsFactor),
    /// `coupling` is `Y`, banded × shared columns.
    Band {
        lower: Band,
        coupling: DMatrix<f64>,
    },
}

impl Factor {
    /// The factors that the matrix was scaled by.
    pub(crate) fn scale(&self) -> &DVector<f64> {
        &self.scale
    }

    /// Solves the scaled and damped system.
    pub(crate) fn solve(&self, right: &DVector<f64>) -> DVector<f64> {
        let count = self.complement.l_dirty().nrows();
        let mut solved = right.clone();
        let (head, own) = solved.as_mut_slice().split_at_mut(count);
        let mut head = nalgebra::DVectorViewMut::from_slice(head, count);
        match &self.tail {
            TailFactor::Groups(groups) => {
                groups.solve_down(own, head.as_mut_slice());
                self.complement.solve_mut(&mut head);
                groups.solve_up(own, head.as_slice());
            }
            TailFactor::Band { lower, coupling } => {
                lower.solve_lower(own);
                let mut part = nalgebra::DVectorViewMut::from_slice(own, lower.size);
                head.gemv_tr(-1.0, coupling, &part, 1.0);
                self.complement.solve_mut(&mut head);
                part.gemv(-1.0, coupling, &head, 1.0);
                lower.solve_upper(own);
            }
        }
        solved
    }

    /// Solves the scaled and damped system in the unknowns before scaling: `S (S M S + damping · I)⁻¹ S right`.
    pub(crate) fn response_to(&self, right: &DVector<f64>) -> DVector<f64> {
        self.solve(&right.component_mul(&self.scale)).component_mul(&self.scale)
    }

    /// The same for each column of `right`.
    pub(crate) fn response(&self, right: &DMatrix<f64>) -> DMatrix<f64> {
        let mut found = right.clone();
        for mut column in found.column_iter_mut() {
            column.copy_from(&self.response_to(&column.clone_owned()));
        }
        found
    }

    /// Smallest squared pivot.
    pub(crate) fn least_pivot(&self) -> f64 {
        let of_matrix = |lower: &DMatrix<f64>| lower.diagonal().iter().map(|p| p * p).fold(f64::INFINITY, f64::min);
        let of_tail = match &self.tail {
            TailFactor::Groups(groups) => groups.least_pivot(),
            TailFactor::Band { lower, .. } => {
                (0..lower.size).map(|column| lower.column(column)[0].powi(2)).fold(f64::INFINITY, f64::min)
            }
        };
        of_tail.min(of_matrix(self.complement.l_dirty()))
    }

    /// The inverse's entries between columns that may meet.
    pub(crate) fn local_inverse(&self) -> LocalInverse {
        let shared = self.complement.inverse();
        // The inverse of the whole is [S⁻¹, -S⁻¹Wᵀ; -W S⁻¹, C⁻¹ + W S⁻¹ Wᵀ] with W = L⁻ᵀ Y.
        let tail = match &self.tail {
            TailFactor::Groups(groups) => TailInverse::Groups(groups.inverse()),
            TailFactor::Band { lower, coupling } => {
                let mut through = coupling.clone();
                for mut column in through.column_iter_mut() {
                    lower.solve_upper(column.as_mut_slice());
                }
                TailInverse::Band { own: lower.inverse_inside(), through: through.transpose() }
            }
        };
        let shared_through = &shared * tail.through();
        LocalInverse { shared, tail, shared_through, scale: self.scale.clone() }
    }
}

/// The entries of the inverse of a normal matrix between columns that may meet.
#[derive(Debug, Clone)]
pub(crate) struct LocalInverse {
    shared: DMatrix<f64>,
    tail: TailInverse,
    /// `S⁻¹ Wᵀ`, shared × own columns.
    shared_through: DMatrix<f64>,
    scale: DVector<f64>,
}

#[derive(Debug, Clone)]
enum TailInverse {
    Groups(GroupsInverse),
    /// `through` is `Wᵀ`, shared × own columns.
    Band {
        own: Band,
        through: DMatrix<f64>,
    },
}

impl TailInverse {
    /// `Wᵀ`, shared × own columns.
    fn through(&self) -> &DMatrix<f64> {
        match self {
            Self::Groups(groups) => &groups.through,
            Self::Band { through, .. } => through,
        }
    }
}

impl LocalInverse {
    /// Entries between the columns; `None` when two of them are kept apart or do not exist.
    pub(crate) fn of(&self, columns: &[usize]) -> Option<DMatrix<f64>> {
        let mut entries = DMatrix::zeros(columns.len(), columns.len());
        for (j, &column) in columns.iter().enumerate() {
            for (i, &row) in columns[..=j].iter().enumerate() {
                let entry = self.entry(row, column)?;
                entries[(i, j)] = entry;
                entries[(j, i)] = entry;
            }
        }
        Some(entries)
    }

    /// Trace of `J M⁻¹ Jᵀ` for a Jacobian by the columns; `None` when two of those that meet in it are kept apart or do not exist.
    pub(crate) fn trace_along(&self, columns: &[usize], jacobian: &DMatrix<f64>) -> Option<f64> {
        let mut trace = 0.0;
        for (j, &column) in columns.iter().enumerate() {
            for (i, &row) in columns[..=j].iter().enumerate() {
                let product: f64 = jacobian.column(i).iter().zip(jacobian.column(j).iter()).map(|(a, b)| a * b).sum();
                // Rows of a Jacobian often share no columns.
                if product != 0.0 {
                    trace += if i < j { 2.0 } else { 1.0 } * product * self.entry(row, column)?;
                }
            }
        }
        Some(trace)
    }

    /// The entry between two columns; `None` when they are kept apart or do not exist.
    fn entry(&self, row: usize, column: usize) -> Option<f64> {
        let count = self.shared.nrows();
        let entry = match (row.checked_sub(count), column.checked_sub(count)) {
            (None, None) => self.shared[(row, column)],
            (None, Some(own)) => -self.shared_through(row, own)?,
            (Some(own), None) => -self.shared_through(column, own)?,
            (Some(a), Some(b)) => self.own(a.max(b), a.min(b))? + self.by_way_of_shared(a, b),
        };
        Some(entry * self.scale[row] * self.scale[column])
    }

    /// Entry of `W S⁻¹ Wᵀ` for two own columns that exist.
    fn by_way_of_shared(&self, a: usize, b: usize) -> f64 {
        let count = self.shared.nrows();
        if count == 0 {
            return 0.0;
        }
        let from = &self.tail.through().as_slice()[a * count..(a + 1) * count];
        let to = &self.shared_through.as_slice()[b * count..(b + 1) * count];
        from.iter().zip(to).map(|(w, entry)| w * entry).sum()
    }

    fn shared_through(&self, shared: usize, own: usize) -> Option<f64> {
        self.shared_through.get((shared, own)).copied()
    }

    fn own(&self, row: usize, column: usize) -> Option<f64> {
        match &self.tail {
            TailInverse::Groups(groups) => groups.own(row, column),
            TailInverse::Band { own, .. } => own.column(column).get(row - column).copied(),
        }
    }
}
