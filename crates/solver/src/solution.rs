//! What a minimisation gives back.

use nalgebra::{DMatrix, DVector};

use crate::SolverError;

/// Smallest squared pivot of the normal matrix scaled to unit diagonal (one minus the squared multiple correlation) that
/// still counts as determined; below it the digits of f64 are used up.
const SMALLEST_PIVOT: f64 = 1e-13;

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
    /// `JᵀWJ` at the state (W = the loss's weights, all 1 for the squared loss), tangent_dim × tangent_dim.
    pub normal_matrix: DMatrix<f64>,
}

impl<S> Solution<S> {
    /// Covariance of the tangent step at the optimum, `(JᵀWJ)⁻¹`, tangent_dim × tangent_dim.
    ///
    /// It is in the units that the whitening claims; multiply by [`Solution::residual_sd`] squared where the residuals'
    /// standard deviation is only known up to a factor.
    ///
    /// # Errors
    /// [`SolverError::RankDeficient`] when the data leave a direction open.
    pub fn covariance(&self) -> Result<DMatrix<f64>, SolverError> {
        let dim = self.normal_matrix.nrows();
        let scale = unit_diagonal_scale(&self.normal_matrix);
        let scaled = DMatrix::from_fn(dim, dim, |i, j| self.normal_matrix[(i, j)] * scale[i] * scale[j]);
        match scaled.clone().cholesky() {
            Some(factor) if factor.l_dirty().diagonal().iter().all(|pivot| pivot * pivot > SMALLEST_PIVOT) => {
                let inverse = factor.inverse();
                Ok(DMatrix::from_fn(dim, dim, |i, j| 0.5 * (inverse[(i, j)] + inverse[(j, i)]) * scale[i] * scale[j]))
            }
            _ => Err(weakest_direction(scaled)),
        }
    }

    /// Degrees of freedom: residuals less unknowns; `None` when nothing is left over.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> Option<usize> {
        self.residual_count.checked_sub(self.normal_matrix.nrows()).filter(|&left| left > 0)
    }

    /// Standard deviation of the whitened residuals, `sqrt(2 cost / degrees of freedom)`: 1 when the whitening was right.
    /// `None` without degrees of freedom.
    #[must_use]
    pub fn residual_sd(&self) -> Option<f64> {
        self.degrees_of_freedom().map(|freedom| (2.0 * self.cost / freedom as f64).sqrt())
    }
}

/// Factors that bring a normal matrix to unit diagonal; 1 for a column that nothing depends on.
pub(crate) fn unit_diagonal_scale(matrix: &DMatrix<f64>) -> DVector<f64> {
    matrix.diagonal().map(|d| if d > f64::MIN_POSITIVE { 1.0 / d.sqrt() } else { 1.0 })
}

fn weakest_direction(scaled: DMatrix<f64>) -> SolverError {
    let eigen = scaled.symmetric_eigen();
    let weakest = eigen.eigenvalues.imin();
    let direction = eigen.eigenvectors.column(weakest);
    let column = direction.iamax();
    SolverError::RankDeficient {
        column,
        alone: direction[column].abs() > 0.999,
        eigenvalue: eigen.eigenvalues[weakest],
    }
}
