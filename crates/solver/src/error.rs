//! Why a problem could not be solved.

/// Why a least-squares problem could not be solved or its covariance not be given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SolverError {
    /// There is nothing to fit to.
    #[error("the problem has no residuals; give it observations")]
    NoResiduals,
    /// The problem contradicts itself.
    #[error("residual block {block} names tangent column {column}, but there are only {tangent_dim}")]
    NoSuchColumn {
        /// The block.
        block: usize,
        /// The column it names.
        column: usize,
        /// Number of columns of the problem.
        tangent_dim: usize,
    },
    /// The start is outside the domain of the problem.
    #[error(
        "residual block {block} cannot be computed at the start; begin nearer to the solution or leave the block out"
    )]
    StartNotComputable {
        /// The block.
        block: usize,
    },
    /// A residual or derivative at the start is infinite or not a number.
    #[error(
        "residual block {block} or its Jacobian is not finite at the start; look for bad input or a wrong derivative"
    )]
    StartNotFinite {
        /// The block.
        block: usize,
    },
    /// The data leave a direction of the tangent space open.
    #[error(
        "the data do not determine tangent column {column}{}: the smallest eigenvalue of the scaled normal matrix is \
         {eigenvalue:.1e}; add observations that constrain it or hold it fixed",
        if *alone { "" } else { " (jointly with others)" }
    )]
    RankDeficient {
        /// The column with the largest share in the weakest direction.
        column: usize,
        /// Whether that direction is this column alone.
        alone: bool,
        /// Smallest eigenvalue of the normal matrix scaled to unit diagonal.
        eigenvalue: f64,
    },
    /// The executor failed outside the method.
    #[error("the optimisation could not be run: {0}")]
    Executor(String),
}
