//! A problem at one state: cost, Gauss-Newton step and covariance from one evaluation and one factorisation.
//!
//! For methods that change the problem from step to step, such as those that estimate smoothness or noise along the way. [`minimise`]
//! evaluates the problem at both ends of a step and knows nothing of the covariance that the next change rests on.
//!
//! [`minimise`]: crate::minimise

use nalgebra::{DMatrix, DVector};

use crate::normal_equations::{Failure, Layout};
use crate::normal_matrix::Factor;
use crate::solution::full_rank_factor;
use crate::{LeastSquares, LocalCovariance, Loss, SolverError};

/// Rows and columns of a problem's blocks, read once for many evaluations.
pub struct Blocks {
    layout: Layout,
    loss: Loss,
}

/// A problem at a state.
pub struct Local {
    cost: f64,
    gradient: DVector<f64>,
    factor: Factor,
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
    /// When the state cannot be evaluated, or the data leave a direction open ([`SolverError::RankDeficient`]).
    pub fn at<P: LeastSquares>(&self, problem: &P, state: &P::State) -> Result<Local, SolverError> {
        let found = self.layout.linearise(problem, state, self.loss).map_err(|failure| match failure {
            Failure::NotComputable { block } => SolverError::StartNotComputable { block },
            Failure::NotFinite { block } => SolverError::StartNotFinite { block },
        })?;
        Ok(Local { cost: found.cost, gradient: found.gradient, factor: full_rank_factor(&found.matrix)? })
    }

    /// `½ Σ ρ` at a state; `None` where it cannot be evaluated.
    pub fn cost<P: LeastSquares>(&self, problem: &P, state: &P::State) -> Option<f64> {
        self.layout.cost(problem, state, self.loss).ok()
    }
}

impl Local {
    /// `½ Σ ρ`.
    #[must_use]
    pub fn cost(&self) -> f64 {
        self.cost
    }

    /// The Gauss-Newton step `-(JᵀWJ)⁻¹ JᵀWr`, and the decrease of the cost that the linearised problem promises for it.
    #[must_use]
    pub fn step(&self) -> (DVector<f64>, f64) {
        let step = -self.factor.response_to(&self.gradient);
        let promised = -0.5 * step.dot(&self.gradient);
        (step, promised)
    }

    /// Covariances between columns that may meet; see [`crate::Solution::local_covariance`].
    #[must_use]
    pub fn covariance(&self) -> LocalCovariance {
        LocalCovariance { inverse: self.factor.local_inverse() }
    }

    /// `(JᵀWJ)⁻¹ R` for right sides R, tangent_dim × k: how far the optimum moves when the gradient changes by `-R`, to first order.
    ///
    /// # Errors
    /// [`SolverError::NoCovariance`] when R has another number of rows.
    pub fn response(&self, right: &DMatrix<f64>) -> Result<DMatrix<f64>, SolverError> {
        self.fits(right)?;
        Ok(self.factor.response(right))
    }

    /// Draws of the tangent step with the covariance `(JᵀWJ)⁻¹`, one per column of `normal`, tangent_dim × k independent standard
    /// normal numbers: `L⁻ᵀ z` with the factor `L Lᵀ = JᵀWJ` (Rue 2001, "Fast sampling of Gaussian Markov random fields").
    ///
    /// # Errors
    /// [`SolverError::NoCovariance`] when `normal` has another number of rows.
    pub fn drawn(&self, normal: &DMatrix<f64>) -> Result<DMatrix<f64>, SolverError> {
        self.fits(normal)?;
        Ok(self.factor.drawn(normal))
    }

    fn fits(&self, matrix: &DMatrix<f64>) -> Result<(), SolverError> {
        let tangent_dim = self.gradient.len();
        if matrix.nrows() == tangent_dim {
            Ok(())
        } else {
            Err(SolverError::NoCovariance { column: matrix.nrows(), tangent_dim })
        }
    }
}
