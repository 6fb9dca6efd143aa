//! Analytic Jacobians against central differences.

use nalgebra::{DMatrix, DVector};

use crate::LeastSquares;

/// Tangent steps tried for each column: what suits focal lengths in pixels does not suit angles in radians.
const STEPS: [f64; 6] = [1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7];
/// Columns shorter than this share of the block's Jacobian are compared on that scale: below it rounding decides.
const NEGLIGIBLE: f64 = 1e-6;

/// Largest relative error of the analytic Jacobians against central differences, over all blocks and columns.
///
/// Relative to the longer of the two columns. For each column the best of several step lengths counts; a wrong
/// derivative is wrong at every step length, while truncation and rounding each spoil only some. Infinite when a block
/// cannot be evaluated at the state or near it, or gives something not finite.
pub fn worst_jacobian_error<P: LeastSquares>(problem: &P, state: &P::State) -> f64 {
    let mut worst = 0.0_f64;
    for block in 0..problem.block_count() {
        let (rows, columns) = (problem.block_rows(block), problem.block_columns(block));
        let mut residual = DVector::zeros(rows);
        let mut analytic = DMatrix::zeros(rows, columns.len());
        if !problem.evaluate(state, block, &mut residual, Some(&mut analytic)) {
            return f64::INFINITY;
        }
        let floor = NEGLIGIBLE * analytic.norm();
        for (index, &column) in columns.iter().enumerate() {
            // A column named twice is the sum of its entries.
            let total = columns
                .iter()
                .enumerate()
                .filter(|&(_, &other)| other == column)
                .fold(DVector::zeros(rows), |sum, (other, _)| sum + analytic.column(other));
            if columns[..index].contains(&column) {
                continue;
            }
            let error = STEPS
                .iter()
                .filter_map(|&step| {
                    let slope = slope(problem, state, block, column, step)?;
                    let scale = total.norm().max(slope.norm()).max(floor);
                    let error = (&slope - &total).norm();
                    Some(if scale > 0.0 { error / scale } else { error })
                })
                .fold(f64::INFINITY, f64::min);
            worst = worst.max(error);
        }
    }
    worst
}

fn slope<P: LeastSquares>(
    problem: &P,
    state: &P::State,
    block: usize,
    column: usize,
    step: f64,
) -> Option<DVector<f64>> {
    let moved = |length: f64| {
        let mut tangent = DVector::zeros(problem.tangent_dim());
        tangent[column] = length;
        let mut residual = DVector::zeros(problem.block_rows(block));
        problem.evaluate(&problem.step(state, &tangent), block, &mut residual, None).then_some(residual)
    };
    Some((moved(step)? - moved(-step)?) / (2.0 * step))
}
