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
    /// The structure is not that of the problem.
    #[error("the structure has {columns} columns, the problem has {tangent_dim}")]
    StructureSize {
        /// Columns of the structure.
        columns: usize,
        /// Number of columns of the problem.
        tangent_dim: usize,
    },
    /// A block couples what the structure keeps apart.
    #[error("residual block {block} depends on the tangent columns {} and {}, which the structure keeps apart", columns[0], columns[1])]
    OutsideStructure {
        /// The block.
        block: usize,
        /// Two of its columns.
        columns: [usize; 2],
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
    /// A covariance was asked for between columns that do not exist.
    #[error("the covariance of tangent column {column} was asked for, but there are only {tangent_dim}")]
    NoCovariance {
        /// The column.
        column: usize,
        /// Number of columns of the problem.
        tangent_dim: usize,
    },
    /// A prior's covariance cannot be.
    #[error(
        "the covariance of a prior on {columns} columns is {size} × {size}; it must have that size and be positive definite"
    )]
    PriorCovariance {
        /// Columns that the prior names.
        columns: usize,
        /// Rows of the covariance.
        size: usize,
    },
    /// The executor failed outside the method.
    #[error("the optimisation could not be run: {0}")]
    Executor(String),
}
