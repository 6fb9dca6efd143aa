//! Columns held where they are, and unknowns bound to what is known of them beforehand.

use std::fmt;

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::{LeastSquares, Manifold, Solution, SolverError, Structure};

/// What is known beforehand of some unknowns: a residual block of its own, whitened by the covariance of that knowledge.
pub struct Prior<S> {
    columns: Vec<usize>,
    /// `L⁻¹` of the covariance `L Lᵀ`.
    whitening: DMatrix<f64>,
    /// The difference to the value known, and its derivative by the columns.
    difference: Box<Difference<S>>,
}

type Difference<S> = dyn Fn(&S) -> (DVector<f64>, DMatrix<f64>) + Send + Sync;

impl<S> Prior<S> {
    /// Binds the unknown that `of` takes out of the state, and that the tangent columns move by [`Manifold::plus`], to a
    /// value with a covariance (columns × columns, in the tangent space at the value).
    ///
    /// # Errors
    /// [`SolverError::PriorCovariance`] when the covariance has another size or is not positive definite.
    pub fn new<M: Manifold + Send + Sync + 'static>(
        columns: Vec<usize>,
        value: M,
        covariance: &DMatrix<f64>,
        of: impl Fn(&S) -> M + Send + Sync + 'static,
    ) -> Result<Self, SolverError> {
        let size = columns.len();
        let wrong = SolverError::PriorCovariance { columns: size, size: covariance.nrows() };
        if value.dim() != size || covariance.shape() != (size, size) {
            return Err(wrong);
        }
        let mut whitening = DMatrix::identity(size, size);
        let lower = Cholesky::new(covariance.clone()).ok_or(wrong)?.unpack();
        lower.solve_lower_triangular_mut(&mut whitening);
        let difference = move |state: &S| {
            let now = of(state);
            (now.minus(&value), now.minus_by_step(&value))
        };
        Ok(Self { columns, whitening, difference: Box::new(difference) })
    }
}

impl<S> fmt::Debug for Prior<S> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Prior").field("columns", &self.columns).finish_non_exhaustive()
    }
}

/// A problem with some tangent columns held and some unknowns bound by priors.
///
/// It has the columns of the problem less the held ones, in their order; its structure follows from the problem's. A robust
/// loss is taken of priors too: give it a scale that they do not reach, or leave it to the data by whitening.
pub struct Bound<'a, P: LeastSquares> {
    problem: &'a P,
    /// Columns of the problem that are left.
    kept: Vec<usize>,
    /// Column here of each column of the problem; `None` = held.
    index: Vec<Option<usize>>,
    priors: Vec<Prior<P::State>>,
}

impl<'a, P: LeastSquares> Bound<'a, P> {
    /// The problem with `held` columns (others than the problem's are ignored) and priors on the rest.
    ///
    /// # Errors
    /// [`SolverError::NoSuchColumn`] when a prior names a column that does not exist; blocks are numbered with the priors
    /// after the problem's own.
    pub fn new(problem: &'a P, held: &[usize], priors: Vec<Prior<P::State>>) -> Result<Self, SolverError> {
        let tangent_dim = problem.tangent_dim();
        for (number, prior) in priors.iter().enumerate() {
            if let Some(&column) = prior.columns.iter().find(|&&column| column >= tangent_dim) {
                return Err(SolverError::NoSuchColumn { block: problem.block_count() + number, column, tangent_dim });
            }
        }
        let mut index = vec![None; tangent_dim];
        let mut is_held = vec![false; tangent_dim];
        held.iter().filter(|&&column| column < tangent_dim).for_each(|&column| is_held[column] = true);
        let kept: Vec<usize> = (0..tangent_dim).filter(|&column| !is_held[column]).collect();
        kept.iter().enumerate().for_each(|(here, &column)| index[column] = Some(here));
        Ok(Self { problem, kept, index, priors })
    }

    /// The covariance in the problem's own columns; rows and columns of held ones are 0.
    ///
    /// # Errors
    /// As [`Solution::covariance_of`].
    pub fn covariance_of(&self, solution: &Solution<P::State>, columns: &[usize]) -> Result<DMatrix<f64>, SolverError> {
        let tangent_dim = self.index.len();
        if let Some(&column) = columns.iter().find(|&&column| column >= tangent_dim) {
            return Err(SolverError::NoCovariance { column, tangent_dim });
        }
        let (places, free): (Vec<usize>, Vec<usize>) =
            columns.iter().enumerate().filter_map(|(place, &column)| Some((place, self.index[column]?))).unzip();
        let of_free = solution.covariance_of(&free)?;
        let mut covariance = DMatrix::zeros(columns.len(), columns.len());
        for (i, &row) in places.iter().enumerate() {
            for (j, &column) in places.iter().enumerate() {
                covariance[(row, column)] = of_free[(i, j)];
            }
        }
        Ok(covariance)
    }

    fn all_columns(&self, block: usize) -> Vec<usize> {
        match block.checked_sub(self.problem.block_count()) {
            None => self.problem.block_columns(block),
            Some(prior) => self.priors[prior].columns.clone(),
        }
    }
}

impl<P: LeastSquares> LeastSquares for Bound<'_, P> {
    type State = P::State;

    fn tangent_dim(&self) -> usize {
        self.kept.len()
    }

    fn block_count(&self) -> usize {
        self.problem.block_count() + self.priors.len()
    }

    fn block_rows(&self, block: usize) -> usize {
        match block.checked_sub(self.problem.block_count()) {
            None => self.problem.block_rows(block),
            Some(prior) => self.priors[prior].columns.len(),
        }
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        self.all_columns(block).into_iter().filter_map(|column| self.index.get(column).copied().flatten()).collect()
    }

    fn structure(&self) -> Structure {
        let kept_before = |column: usize| self.kept.partition_point(|&kept| kept < column);
        match self.problem.structure() {
            Structure::Dense => Structure::Dense,
            Structure::Arrow { shared, groups } => {
                let mut end = shared;
                let left = |size: &usize| {
                    let start = end;
                    end += size;
                    kept_before(end) - kept_before(start)
                };
                Structure::Arrow { shared: kept_before(shared), groups: groups.iter().map(left).collect() }
            }
            Structure::Band { shared, half_bandwidth } => {
                Structure::Band { shared: kept_before(shared), half_bandwidth }
            }
        }
    }

    fn evaluate(
        &self,
        state: &P::State,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let columns = self.all_columns(block);
        let full = match block.checked_sub(self.problem.block_count()) {
            None => {
                let Some(jacobian) = jacobian else { return self.problem.evaluate(state, block, residual, None) };
                if jacobian.ncols() == columns.len() {
                    return self.problem.evaluate(state, block, residual, Some(jacobian));
                }
                let mut full = DMatrix::zeros(residual.len(), columns.len());
                if !self.problem.evaluate(state, block, residual, Some(&mut full)) {
                    return false;
                }
                (full, jacobian)
            }
            Some(prior) => {
                let Prior { whitening, difference, .. } = &self.priors[prior];
                let (difference, by_columns) = difference(state);
                residual.copy_from(&(whitening * difference));
                let Some(jacobian) = jacobian else { return true };
                (whitening * by_columns, jacobian)
            }
        };
        let (full, jacobian) = full;
        let kept = columns.iter().enumerate().filter(|(_, column)| self.index[**column].is_some());
        kept.enumerate().for_each(|(here, (there, _))| jacobian.set_column(here, &full.column(there)));
        true
    }

    fn step(&self, state: &P::State, delta: &DVector<f64>) -> P::State {
        let mut full = DVector::zeros(self.index.len());
        self.kept.iter().zip(delta.iter()).for_each(|(&column, &entry)| full[column] = entry);
        self.problem.step(state, &full)
    }
}
