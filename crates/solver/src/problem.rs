//! What a least-squares problem has to tell.

use nalgebra::{DMatrix, DVector};

/// Which columns of the normal matrix can meet, so that it is stored and factorised at the cost of what it holds.
///
/// In all but the dense structure the columns shared by all come first.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Structure {
    /// Every column may meet every other; memory grows with the square of their number, time with the cube.
    #[default]
    Dense,
    /// After the shared columns come groups of neighbouring columns; no residual block depends on two groups. The groups are
    /// eliminated one by one (Schur complement), so that time and memory grow linearly with their number.
    Arrow {
        /// Number of shared columns.
        shared: usize,
        /// Number of columns of each group, in order.
        groups: Vec<usize>,
    },
    /// After the shared columns no residual block depends on two columns further apart than the half bandwidth; time and
    /// memory grow linearly with the number of columns.
    Band {
        /// Number of shared columns.
        shared: usize,
        /// Largest distance between two columns of a block.
        half_bandwidth: usize,
    },
}

/// Nonlinear least squares on a manifold, given as blocks of whitened residuals (already divided by their sd).
pub trait LeastSquares: Sync {
    /// The unknowns.
    type State: Clone + Send + Sync + std::fmt::Debug;

    /// Number of columns of the whole Jacobian: the dimension of a tangent step.
    fn tangent_dim(&self) -> usize;

    /// Number of residual blocks.
    fn block_count(&self) -> usize;

    /// Number of residuals of a block; must not change during a minimisation.
    fn block_rows(&self, block: usize) -> usize;

    /// Tangent columns that the block depends on, in the order of its Jacobian's columns; must not change during a
    /// minimisation.
    fn block_columns(&self, block: usize) -> Vec<usize>;

    /// Writes residuals (rows) and, if asked, the Jacobian (rows × columns). Both arrive with the right size and zeroed.
    /// `false` = not computable here (the step is refused).
    fn evaluate(
        &self,
        state: &Self::State,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool;

    /// Which columns can meet; must not change during a minimisation. The result does not depend on it, time and memory do.
    fn structure(&self) -> Structure {
        Structure::Dense
    }

    /// The state after a tangent step. A zero step must give the same state.
    fn step(&self, state: &Self::State, delta: &DVector<f64>) -> Self::State;
}
