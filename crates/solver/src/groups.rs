//! The tail of an arrow: groups of columns that meet only each other's own and the shared columns.
//!
//! All groups lie in flat arrays. What is done group by group is done by several threads in chunks of a fixed number of
//! groups, whose sums are added in order, so that results do not depend on the number of threads.

use std::ops::Range;
use std::sync::Arc;

use nalgebra::{DMatrix, DMatrixView};
use rayon::prelude::*;

/// Groups that one thread takes at once.
const CHUNK: usize = 512;

/// Where a group lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Place {
    /// First column, counted from the end of the shared ones.
    first: usize,
    size: usize,
    /// Start of its own entries.
    own: usize,
}

/// Where all groups lie.
#[derive(Debug, PartialEq, Eq)]
struct Places {
    groups: Vec<Place>,
    /// Group of each column.
    group_of: Vec<usize>,
}

/// The groups' part of a normal matrix.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Groups {
    places: Arc<Places>,
    /// The groups' own square matrices one after another, column by column.
    own: Vec<f64>,
    /// Shared × all groups' columns.
    pub(crate) cross: DMatrix<f64>,
}

/// What the elimination of the groups leaves: `C = L Lᵀ` group by group and `Y = L⁻¹ Bᵀ`.
#[derive(Debug, Clone)]
pub(crate) struct GroupsFactor {
    places: Arc<Places>,
    /// The lower triangles `L`, as in [`Groups`]; what is above them means nothing.
    lower: Vec<f64>,
    /// `Yᵀ`, shared × all groups' columns.
    coupling: DMatrix<f64>,
}

/// The groups' part of an inverse.
#[derive(Debug, Clone)]
pub(crate) struct GroupsInverse {
    places: Arc<Places>,
    /// `C⁻¹`, as in [`Groups`].
    own: Vec<f64>,
    /// `Wᵀ = Yᵀ L⁻¹`, shared × all groups' columns.
    pub(crate) through: DMatrix<f64>,
}

impl Groups {
    /// Groups of these sizes, all entries 0.
    pub(crate) fn zeros(shared: usize, sizes: &[usize]) -> Self {
        let (mut groups, mut group_of, mut own) = (Vec::with_capacity(sizes.len()), Vec::new(), 0);
        for (index, &size) in sizes.iter().enumerate() {
            groups.push(Place { first: group_of.len(), size, own });
            own += size * size;
            group_of.extend(std::iter::repeat_n(index, size));
        }
        let cross = DMatrix::zeros(shared, group_of.len());
        Self { places: Arc::new(Places { groups, group_of }), own: vec![0.0; own], cross }
    }

    /// Number of columns.
    pub(crate) fn size(&self) -> usize {
        self.places.group_of.len()
    }

    /// Whether two columns are of different groups.
    pub(crate) fn apart(&self, a: usize, b: usize) -> bool {
        self.places.group_of[a] != self.places.group_of[b]
    }

    /// Adds entries of a block in one of the groups' columns, each with its row, counted from the first shared one.
    pub(crate) fn add_column(&mut self, column: usize, entries: impl Iterator<Item = (usize, f64)>) {
        let shared = self.cross.nrows();
        let place = self.places.groups[self.places.group_of[column]];
        let own_column = place.own + (column - place.first) * place.size;
        for (row, entry) in entries {
            if row < shared {
                self.cross[(row, column)] += entry;
            } else {
                self.own[own_column + row - shared - place.first] += entry;
            }
        }
    }

    pub(crate) fn diagonal(&self) -> impl Iterator<Item = f64> {
        self.places.groups.iter().flat_map(|p| (0..p.size).map(|i| self.own[p.own + i * (p.size + 1)]))
    }

    /// Writes the groups' own entries below and right of the shared ones.
    pub(crate) fn copy_into(&self, dense: &mut DMatrix<f64>) {
        let count = self.cross.nrows();
        dense.view_mut((0, count), self.cross.shape()).copy_from(&self.cross);
        for Place { first, size, own } in &self.places.groups {
            let entries = DMatrixView::from_slice(&self.own[*own..own + size * size], *size, *size);
            dense.view_mut((count + first, count + first), (*size, *size)).copy_from(&entries);
        }
    }

    /// Eliminates the groups of the scaled and damped matrix and takes what they account for off the lower triangle of
    /// `complement`; `None` when a group is not positive definite to rounding.
    pub(crate) fn factor(
        &self,
        shared_scale: &[f64],
        own_scale: &[f64],
        damping: f64,
        complement: &mut DMatrix<f64>,
    ) -> Option<GroupsFactor> {
        let shared = self.cross.nrows();
        let mut lower = self.own.clone();
        let mut coupling = self.cross.clone();
        let mut tasks = Vec::with_capacity(self.places.groups.len().div_ceil(CHUNK));
        let (mut lower_left, mut coupling_left) = (lower.as_mut_slice(), coupling.as_mut_slice());
        for places in self.places.groups.chunks(CHUNK) {
            let Span { own, columns } = span(places);
            let (lower_here, rest) = lower_left.split_at_mut(own.len());
            lower_left = rest;
            let (coupling_here, rest) = coupling_left.split_at_mut(shared * columns.len());
            coupling_left = rest;
            tasks.push(Task { places, lower: lower_here, coupling: coupling_here, own_scale: &own_scale[columns] });
        }
        let eliminated: Vec<Option<DMatrix<f64>>> = if tasks.len() > 1 {
            tasks.into_par_iter().map(|task| task.eliminate(shared_scale, damping)).collect()
        } else {
            tasks.into_iter().map(|task| task.eliminate(shared_scale, damping)).collect()
        };
        for part in eliminated {
            *complement -= part?;
        }
        Some(GroupsFactor { places: self.places.clone(), lower, coupling })
    }
}

/// Entries and columns of some neighbouring groups.
struct Span {
    own: Range<usize>,
    columns: Range<usize>,
}

fn span(places: &[Place]) -> Span {
    match (places.first(), places.last()) {
        (Some(first), Some(last)) => {
            Span { own: first.own..last.own + last.size * last.size, columns: first.first..last.first + last.size }
        }
        _ => Span { own: 0..0, columns: 0..0 },
    }
}

/// Some neighbouring groups, to be eliminated in place.
struct Task<'a> {
    places: &'a [Place],
    lower: &'a mut [f64],
    coupling: &'a mut [f64],
    own_scale: &'a [f64],
}

impl Task<'_> {
    /// The sum of the groups' `Yᵀ Y` (lower triangle).
    fn eliminate(self, shared_scale: &[f64], damping: f64) -> Option<DMatrix<f64>> {
        let Task { places, lower, coupling, own_scale } = self;
        let count = shared_scale.len();
        let mut sum = DMatrix::zeros(count, count);
        let start = *places.first()?;
        for &Place { first, size, own } in places {
            let first = first - start.first;
            let scale = &own_scale[first..first + size];
            let own = &mut lower[own - start.own..own - start.own + size * size];
            for column in 0..size {
                for row in column..size {
                    own[column * size + row] *= scale[row] * scale[column];
                }
                own[column * (size + 1)] += damping;
            }
            if !cholesky(own, size) {
                return None;
            }
            let coupling = &mut coupling[count * first..count * (first + size)];
            for column in 0..size {
                // Yᵀ Lᵀ = B, column by column.
                let (done, rest) = coupling.split_at_mut(count * column);
                let here = &mut rest[..count];
                here.iter_mut().zip(shared_scale).for_each(|(entry, row)| *entry *= row * scale[column]);
                for before in 0..column {
                    let factor = own[before * size + column];
                    let earlier = &done[count * before..count * (before + 1)];
                    here.iter_mut().zip(earlier).for_each(|(entry, earlier)| *entry -= factor * earlier);
                }
                let pivot = own[column * (size + 1)];
                here.iter_mut().for_each(|entry| *entry /= pivot);
                for (shared, mut of_sum) in sum.column_iter_mut().enumerate() {
                    let factor = here[shared];
                    if factor != 0.0 {
                        let below = of_sum.as_mut_slice().iter_mut().zip(here.iter()).skip(shared);
                        below.for_each(|(entry, value)| *entry += factor * value);
                    }
                }
            }
        }
        Some(sum)
    }
}

/// Replaces the lower triangle of a symmetric matrix, column by column, by its Cholesky factor; `false` when it is not
/// positive definite to rounding.
fn cholesky(matrix: &mut [f64], size: usize) -> bool {
    for column in 0..size {
        let (done, rest) = matrix.split_at_mut(column * size);
        let here = &mut rest[column..size];
        for before in 0..column {
            let earlier = &done[before * size + column..(before + 1) * size];
            let factor = earlier[0];
            here.iter_mut().zip(earlier).for_each(|(entry, below)| *entry -= factor * below);
        }
        if !(here[0] > 0.0 && here[0].is_finite()) {
            return false;
        }
        let pivot = here[0].sqrt();
        here.iter_mut().for_each(|entry| *entry /= pivot);
    }
    true
}

/// `L⁻¹ v` in place.
fn solve_lower(lower: &[f64], size: usize, v: &mut [f64]) {
    for column in 0..size {
        let own = &lower[column * size + column..(column + 1) * size];
        let value = v[column] / own[0];
        v[column] = value;
        v[column + 1..size].iter_mut().zip(&own[1..]).for_each(|(entry, below)| *entry -= value * below);
    }
}

/// `L⁻ᵀ v` in place.
fn solve_upper(lower: &[f64], size: usize, v: &mut [f64]) {
    for column in (0..size).rev() {
        let own = &lower[column * size + column..(column + 1) * size];
        let below: f64 = own[1..].iter().zip(&v[column + 1..size]).map(|(a, b)| a * b).sum();
        v[column] = (v[column] - below) / own[0];
    }
}

impl GroupsFactor {
    /// The groups' part of the forward solution: `own` becomes `L⁻¹ own`, and `head` loses `Yᵀ` times it.
    pub(crate) fn solve_down(&self, own: &mut [f64], head: &mut [f64]) {
        for &Place { first, size, own: start } in &self.places.groups {
            let part = &mut own[first..first + size];
            solve_lower(&self.lower[start..start + size * size], size, part);
            for (column, value) in part.iter().enumerate() {
                let coupling = self.coupling.column(first + column);
                head.iter_mut().zip(coupling.iter()).for_each(|(entry, factor)| *entry -= factor * value);
            }
        }
    }

    /// The backward solution, with the shared unknowns in `head`.
    pub(crate) fn solve_up(&self, own: &mut [f64], head: &[f64]) {
        for &Place { first, size, own: start } in &self.places.groups {
            let part = &mut own[first..first + size];
            for (column, value) in part.iter_mut().enumerate() {
                let coupling = self.coupling.column(first + column);
                *value -= coupling.iter().zip(head).map(|(factor, entry)| factor * entry).sum::<f64>();
            }
            solve_upper(&self.lower[start..start + size * size], size, part);
        }
    }

    /// Smallest squared pivot.
    pub(crate) fn least_pivot(&self) -> f64 {
        let pivots =
            self.places.groups.iter().flat_map(|p| (0..p.size).map(|i| self.lower[p.own + i * (p.size + 1)].powi(2)));
        pivots.fold(f64::INFINITY, f64::min)
    }

    pub(crate) fn inverse(&self) -> GroupsInverse {
        let mut own = vec![0.0; self.lower.len()];
        let mut through = self.coupling.clone();
        let count = through.nrows();
        let mut rows: Vec<f64> = Vec::new();
        for &Place { first, size, own: start } in &self.places.groups {
            if size == 0 {
                continue;
            }
            let lower = &self.lower[start..start + size * size];
            for (column, entries) in own[start..start + size * size].chunks_exact_mut(size).enumerate() {
                entries[column] = 1.0;
                solve_lower(lower, size, entries);
                solve_upper(lower, size, entries);
            }
            // Each row of Wᵀ = Yᵀ L⁻¹ is L⁻ᵀ of a row of Yᵀ.
            rows.resize(size, 0.0);
            for shared in 0..count {
                rows.iter_mut().enumerate().for_each(|(i, entry)| *entry = through[(shared, first + i)]);
                solve_upper(lower, size, &mut rows);
                rows.iter().enumerate().for_each(|(i, entry)| through[(shared, first + i)] = *entry);
            }
        }
        GroupsInverse { places: self.places.clone(), own, through }
    }
}

impl GroupsInverse {
    /// Entry of `C⁻¹`; `None` for columns of different groups or none.
    pub(crate) fn own(&self, row: usize, column: usize) -> Option<f64> {
        let Places { groups, group_of } = &*self.places;
        let group = *group_of.get(column)?;
        let place = groups[group];
        (group_of.get(row) == Some(&group))
            .then(|| self.own[place.own + (column - place.first) * place.size + row - place.first])
    }
}
