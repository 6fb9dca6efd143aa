//! What a minimisation gives back.

use nalgebra::{DMatrix, DVector};

use crate::SolverError;
use crate::normal_matrix::{Factor, LocalInverse, NormalMatrix};

/// Smallest squared pivot of the normal matrix scaled to unit diagonal (one minus the squared multiple correlation) that
/// still counts as determined; below it the digits of f64 are used up.
const SMALLEST_PIVOT: f64 = 1e-13;
/// Damping with which the weakest direction of a large matrix is looked for: far below any pivot that counts.
const SEARCH_DAMPING: f64 = 1e-12;
/// Steps of inverse iteration; each shrinks what is not the weakest direction by more than ten.
const SEARCH_STEPS: usize = 20;
/// Columns up to which the weakest direction comes from a full decomposition.
const SMALL: usize = 300;

/// Why a minimisation ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndReason {
    /// The gradient vanished.
    Gradient,
    /// The step no longer changes the residuals.
    Step,
    /// The cost no longer falls.
    Cost,
    /// The allowed iterations were used up.
    Iterations,
    /// No step, however short, lowers the cost: a minimum to rounding, or a wrong derivative, or the edge of the domain.
    DampingLimit,
    /// The watcher of [`crate::minimise_watched`] asked for it.
    Stopped,
}

impl EndReason {
    /// Whether a criterion of convergence was met.
    #[must_use]
    pub fn converged(self) -> bool {
        matches!(self, Self::Gradient | Self::Step | Self::Cost)
    }
}

/// The end of a minimisation.
#[derive(Debug, Clone)]
pub struct Solution<S> {
    /// The state with the lowest cost found.
    pub state: S,
    /// `½ Σ ρ` at the state.
    pub cost: f64,
    /// `½ Σ ρ` at the start.
    pub initial_cost: f64,
    /// Trial steps taken, accepted or not.
    pub iterations: usize,
    /// Why it ended.
    pub end: EndReason,
    /// Number of residuals.
    pub residual_count: usize,
    /// `JᵀWJ` at the state (W = the loss's weights, all 1 for the squared loss).
    pub(crate) normal_matrix: NormalMatrix,
}

/// The covariance of what the data determine, where they leave directions open.
#[derive(Debug, Clone, PartialEq)]
pub struct Determined {
    /// Covariance of the tangent step with the open directions held still, tangent_dim × tangent_dim.
    pub covariance: DMatrix<f64>,
    /// Tangent steps that the data do not resist, each scaled to a largest entry of 1; empty for full rank.
    pub open: Vec<DVector<f64>>,
}

/// Covariances between columns that the problem's structure lets meet, prepared for many questions.
#[derive(Debug, Clone)]
pub struct LocalCovariance {
    pub(crate) inverse: LocalInverse,
}

impl LocalCovariance {
    /// Covariance of the tangent step in these columns; `None` when the structure keeps two of them apart, or for a column
    /// that does not exist. For such columns there is [`Solution::covariance_of`].
    #[must_use]
    pub fn of(&self, columns: &[usize]) -> Option<DMatrix<f64>> {
        self.inverse.of(columns)
    }

    /// Trace of the covariance of what depends on the tangent step by a Jacobian by these columns (rows × columns): `tr(J Σ Jᵀ)`;
    /// `None` as for [`LocalCovariance::of`].
    #[must_use]
    pub fn trace_along(&self, columns: &[usize], jacobian: &DMatrix<f64>) -> Option<f64> {
        self.inverse.trace_along(columns, jacobian)
    }
}

impl<S> Solution<S> {
    /// Covariance of the tangent step at the optimum, `(JᵀWJ)⁻¹`, tangent_dim × tangent_dim.
    ///
    /// It is in the units that the whitening claims; multiply by [`Solution::residual_sd`] squared where the residuals'
    /// standard deviation is only known up to a factor. Time grows with the cube of the dimension whatever the structure:
    /// for large problems ask for parts.
    ///
    /// # Errors
    /// [`SolverError::RankDeficient`] when the data leave a direction open.
    pub fn covariance(&self) -> Result<DMatrix<f64>, SolverError> {
        self.covariance_of(&(0..self.normal_matrix.size()).collect::<Vec<_>>())
    }

    /// Marginal covariance of the tangent step in some columns, in the order given; one linear solve per column.
    ///
    /// # Errors
    /// [`SolverError::RankDeficient`] when the data leave a direction open, also one outside the columns;
    /// [`SolverError::NoCovariance`] for a column that does not exist.
    pub fn covariance_of(&self, columns: &[usize]) -> Result<DMatrix<f64>, SolverError> {
        let tangent_dim = self.normal_matrix.size();
        if let Some(&column) = columns.iter().find(|&&column| column >= tangent_dim) {
            return Err(SolverError::NoCovariance { column, tangent_dim });
        }
        let mut units = DMatrix::zeros(tangent_dim, columns.len());
        columns.iter().enumerate().for_each(|(place, &column)| units[(column, place)] = 1.0);
        self.covariance_along(&units)
    }

    /// Covariance of linear combinations of the tangent step: `Dᵀ Σ D` for directions D, tangent_dim × k; one linear solve
    /// per direction.
    ///
    /// # Errors
    /// [`SolverError::RankDeficient`] when the data leave a direction open; [`SolverError::NoCovariance`] when the directions
    /// have another number of rows.
    pub fn covariance_along(&self, directions: &DMatrix<f64>) -> Result<DMatrix<f64>, SolverError> {
        let tangent_dim = self.normal_matrix.size();
        if directions.nrows() != tangent_dim {
            return Err(SolverError::NoCovariance { column: directions.nrows(), tangent_dim });
        }
        let factor = self.full_rank_factor()?;
        let mut scaled = directions.clone();
        scaled.column_iter_mut().for_each(|mut column| column.component_mul_assign(factor.scale()));
        let solved: Vec<DVector<f64>> =
            scaled.column_iter().map(|direction| factor.solve(&direction.into_owned())).collect();
        let covariance = scaled.tr_mul(&DMatrix::from_columns(&solved));
        Ok((&covariance + covariance.transpose()) * 0.5)
    }

    /// `(JᵀWJ)⁻¹ R` for any right sides R, tangent_dim × k: how far the optimum moves when the gradient changes by `-R`, to first
    /// order; one linear solve per column.
    ///
    /// # Errors
    /// As [`Solution::covariance_along`].
    pub fn response(&self, right: &DMatrix<f64>) -> Result<DMatrix<f64>, SolverError> {
        let tangent_dim = self.normal_matrix.size();
        if right.nrows() != tangent_dim {
            return Err(SolverError::NoCovariance { column: right.nrows(), tangent_dim });
        }
        Ok(self.full_rank_factor()?.response(right))
    }

    /// Covariances between columns that may meet (within one group or band, and with the shared columns), at the cost of
    /// one factorisation for all of them.
    ///
    /// # Errors
    /// [`SolverError::RankDeficient`] when the data leave a direction open.
    pub fn local_covariance(&self) -> Result<LocalCovariance, SolverError> {
        Ok(LocalCovariance { inverse: self.full_rank_factor()?.local_inverse() })
    }

    /// Covariance of what is determined, with the directions named that are not (pseudo-inverse of the normal matrix scaled
    /// to unit diagonal). For small problems: a full eigenvalue decomposition.
    #[must_use]
    pub fn covariance_of_determined(&self) -> Determined {
        let scale = self.normal_matrix.unit_diagonal_scale();
        let eigen = scaled_dense(&self.normal_matrix, &scale).symmetric_eigen();
        let dim = scale.len();
        let mut determined = Determined { covariance: DMatrix::zeros(dim, dim), open: Vec::new() };
        for (value, vector) in eigen.eigenvalues.iter().zip(eigen.eigenvectors.column_iter()) {
            let step = vector.component_mul(&scale);
            if *value > SMALLEST_PIVOT {
                determined.covariance += &step * step.transpose() / *value;
            } else {
                let largest = step[step.iamax()];
                determined.open.push(step / largest);
            }
        }
        determined
    }

    fn full_rank_factor(&self) -> Result<Factor, SolverError> {
        full_rank_factor(&self.normal_matrix)
    }

    /// Degrees of freedom: residuals less unknowns; `None` when nothing is left over.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> Option<usize> {
        self.residual_count.checked_sub(self.normal_matrix.size()).filter(|&left| left > 0)
    }

    /// Standard deviation of the whitened residuals, `sqrt(2 cost / degrees of freedom)`: 1 when the whitening was right.
    /// `None` without degrees of freedom.
    #[must_use]
    pub fn residual_sd(&self) -> Option<f64> {
        self.degrees_of_freedom().map(|freedom| (2.0 * self.cost / freedom as f64).sqrt())
    }
}

/// The factor of a normal matrix scaled to unit diagonal.
///
/// # Errors
/// [`SolverError::RankDeficient`] when the data leave a direction open.
pub(crate) fn full_rank_factor(matrix: &NormalMatrix) -> Result<Factor, SolverError> {
    let scale = matrix.unit_diagonal_scale();
    match matrix.factor(&scale, 0.0) {
        Some(factor) if factor.least_pivot() > SMALLEST_PIVOT => Ok(factor),
        _ => Err(weakest_direction(matrix, &scale)),
    }
}

fn weakest_direction(matrix: &NormalMatrix, scale: &DVector<f64>) -> SolverError {
    let (direction, eigenvalue) = if scale.len() <= SMALL {
        let eigen = scaled_dense(matrix, scale).symmetric_eigen();
        let weakest = eigen.eigenvalues.imin();
        (eigen.eigenvectors.column(weakest).into_owned(), eigen.eigenvalues[weakest])
    } else {
        inverse_iteration(matrix, scale)
    };
    let column = direction.iamax();
    SolverError::RankDeficient { column, alone: direction[column].abs() > 0.999, eigenvalue }
}

/// The direction of the smallest eigenvalue, and that eigenvalue.
fn inverse_iteration(matrix: &NormalMatrix, scale: &DVector<f64>) -> (DVector<f64>, f64) {
    // An irregular start has a share of every direction.
    let mut direction = DVector::from_fn(scale.len(), |i, _| 1.0 + 0.5 * (1.7 * i as f64).sin()).normalize();
    let mut eigenvalue = f64::NAN;
    let damped = [1.0, 10.0, 100.0, 1000.0].map(|more| more * SEARCH_DAMPING);
    let Some((damping, factor)) = damped.iter().find_map(|&damping| Some((damping, matrix.factor(scale, damping)?)))
    else {
        return (direction, eigenvalue);
    };
    for _ in 0..SEARCH_STEPS {
        let longer = factor.solve(&direction);
        eigenvalue = 1.0 / longer.dot(&direction) - damping;
        direction = longer.normalize();
    }
    (direction, eigenvalue)
}

fn scaled_dense(matrix: &NormalMatrix, scale: &DVector<f64>) -> DMatrix<f64> {
    let dense = matrix.to_dense();
    DMatrix::from_fn(scale.len(), scale.len(), |i, j| dense[(i, j)] * scale[i] * scale[j])
}
