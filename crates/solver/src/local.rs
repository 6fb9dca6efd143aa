//! A problem at one state: cost, step and covariance.
//!
//! For methods that change the problem from step to step, such as those that estimate smoothness or noise along the way: what
//! [`minimise`] works out at the end of a step serves the change, and its preparations and checks at both ends are left out.
//!
//! [`minimise`]: crate::minimise

use nalgebra::{DMatrix, DVector};

use crate::normal_equations::{Failure, Layout, Linearised};
use crate::solution::full_rank_factor;
use crate::{LeastSquares, LocalCovariance, Loss, SolverError};

/// Rows and columns of a problem's blocks, read once for many evaluations.
pub struct Blocks {
    layout: Layout,
    loss: Loss,
}

/// A problem linearised at a state.
pub struct Local {
    linearised: Linearised,
}

impl Blocks {
    /// Reads the blocks of a problem. What is evaluated with them must have the same blocks.
    ///
    /// # Errors
    /// When there are no residuals, or a block names a column that does not exist or that the structure keeps apart.
    pub fn new<P: LeastSquares>(problem: &P, loss: Loss) -> Result<Self, SolverError> {
        Ok(Self { layout: Layout::new(problem)?, loss })
    }

    /// The problem at a state.
    ///
    /// # Errors
    /// When the state cannot be evaluated.
    pub fn at<P: LeastSquares>(&self, problem: &P, state: &P::State) -> Result<Local, SolverError> {
        let linearised = self.layout.linearise(problem, state, self.loss).map_err(|failure| match failure {
            Failure::NotComputable { block } => SolverError::StartNotComputable { block },
            Failure::NotFinite { block } => SolverError::StartNotFinite { block },
        })?;
        Ok(Local { linearised })
    }
}

impl Local {
    /// `½ Σ ρ`.
    #[must_use]
    pub fn cost(&self) -> f64 {
        self.linearised.cost
    }

    /// Squared length of each block's residual, without the loss.
    #[must_use]
    pub fn block_squares(&self) -> &[f64] {
        &self.linearised.block_squares
    }

    /// The tangent step `-(JᵀWJ + λ D)⁻¹ JᵀWr` with the diagonal `D` of `JᵀWJ` and the damping `λ`; `None` when the matrix is not
    /// positive definite to rounding.
    #[must_use]
    pub fn step(&self, damping: f64) -> Option<DVector<f64>> {
        let matrix = &self.linearised.matrix;
        let factor = matrix.factor(&matrix.unit_diagonal_scale(), damping)?;
        Some(-factor.response_to(&self.linearised.gradient))
    }

    /// Covariances between columns that may meet; see [`crate::Solution::local_covariance`].
    ///
    /// # Errors
    /// [`SolverError::RankDeficient`] when the data leave a direction open.
    pub fn covariance(&self) -> Result<LocalCovariance, SolverError> {
        Ok(LocalCovariance { inverse: full_rank_factor(&self.linearised.matrix)?.local_inverse() })
    }

    /// `(JᵀWJ)⁻¹ R` for right sides R, tangent_dim × k; see [`crate::Solution::response`].
    ///
    /// # Errors
    /// [`SolverError::NoCovariance`] when R has another number of rows; [`SolverError::RankDeficient`].
    pub fn response(&self, right: &DMatrix<f64>) -> Result<DMatrix<f64>, SolverError> {
        let tangent_dim = self.linearised.gradient.len();
        if right.nrows() != tangent_dim {
            return Err(SolverError::NoCovariance { column: right.nrows(), tangent_dim });
        }
        Ok(full_rank_factor(&self.linearised.matrix)?.response(right))
    }
}
