//! What a least-squares problem has to tell.

use nalgebra::{DMatrix, DVector};

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

    /// The state after a tangent step. A zero step must give the same state.
    fn step(&self, state: &Self::State, delta: &DVector<f64>) -> Self::State;
}
