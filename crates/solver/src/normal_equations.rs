//! Cost, gradient and normal matrix, accumulated block by block.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use crate::normal_matrix::NormalMatrix;
use crate::{LeastSquares, Loss, SolverError};

/// Below this many multiplications per evaluation, handing blocks to other threads costs more than it saves.
const PARALLEL_WORK: usize = 200_000;
/// Blocks whose products are held at once when several threads work.
const GROUP: usize = 512;
/// Blocks that a thread evaluates at once where they are handed over as they are, and how many such chunks are held.
const CHUNK: usize = 64;
const CHUNKS: usize = 32;

/// Rows and columns of every block.
pub(crate) struct Layout {
    pub(crate) tangent_dim: usize,
    pub(crate) residual_count: usize,
    rows: Vec<usize>,
    columns: Vec<Vec<usize>>,
    empty: NormalMatrix,
    parallel: bool,
}

/// Why an evaluation failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Failure {
    NotComputable { block: usize },
    NotFinite { block: usize },
}

/// The problem linearised at a state: `cost = ½ Σ ρ`, `gradient = JᵀWr`, `matrix = JᵀWJ`.
#[derive(Debug, Clone)]
pub(crate) struct Linearised {
    pub(crate) cost: f64,
    /// Length of the weighted residual vector, `sqrt(rᵀWr)`.
    pub(crate) residual_norm: f64,
    /// Squared length of each block's residual, without the loss.
    pub(crate) block_squares: Vec<f64>,
    pub(crate) gradient: DVector<f64>,
    pub(crate) matrix: NormalMatrix,
}

/// Buffers of one block.
#[derive(Default)]
struct Workspace {
    residual: DVector<f64>,
    jacobian: DMatrix<f64>,
}

/// What a block comes to beside residual and Jacobian.
#[derive(Clone, Copy)]
struct Evaluated {
    loss: f64,
    weight: f64,
    squared_norm: f64,
}

/// Some blocks one after the other.
#[derive(Default)]
struct Chunk {
    evaluated: Vec<Evaluated>,
    residuals: Vec<f64>,
    jacobians: Vec<f64>,
}

impl Layout {
    pub(crate) fn new<P: LeastSquares>(problem: &P) -> Result<Self, SolverError> {
        let tangent_dim = problem.tangent_dim();
        let blocks = problem.block_count();
        let rows: Vec<usize> = (0..blocks).map(|block| problem.block_rows(block)).collect();
        let columns: Vec<Vec<usize>> = (0..blocks).map(|block| problem.block_columns(block)).collect();
        let empty = NormalMatrix::zeros(&problem.structure(), tangent_dim)?;
        for (block, named) in columns.iter().enumerate() {
            if let Some(&column) = named.iter().find(|&&column| column >= tangent_dim) {
                return Err(SolverError::NoSuchColumn { block, column, tangent_dim });
            }
            if let Some(columns) = empty.kept_apart(named) {
                return Err(SolverError::OutsideStructure { block, columns });
            }
        }
        let residual_count = rows.iter().sum();
        if residual_count == 0 {
            return Err(SolverError::NoResiduals);
        }
        let work: usize = rows.iter().zip(&columns).map(|(r, c)| r * c.len() * c.len()).sum();
        Ok(Self { tangent_dim, residual_count, rows, columns, empty, parallel: work > PARALLEL_WORK })
    }

    /// `½ Σ ρ` alone.
    pub(crate) fn cost<P: LeastSquares>(&self, problem: &P, state: &P::State, loss: Loss) -> Result<f64, Failure> {
        let of_block = |workspace: &mut Workspace, block: usize| {
            workspace.residual.resize_vertically_mut(self.rows[block], 0.0);
            workspace.residual.fill(0.0);
            if !problem.evaluate(state, block, &mut workspace.residual, None) {
                return Err(Failure::NotComputable { block });
            }
            let (value, _) = loss.value_and_weight(workspace.residual.norm_squared());
            if value.is_finite() { Ok(value) } else { Err(Failure::NotFinite { block }) }
        };
        let mut sum = 0.0;
        self.each_block(of_block, |_, value| sum += value)?;
        Ok(0.5 * sum)
    }

    /// Cost, gradient and normal matrix.
    pub(crate) fn linearise<P: LeastSquares>(
        &self,
        problem: &P,
        state: &P::State,
        loss: Loss,
    ) -> Result<Linearised, Failure> {
        let (mut sum, mut squares) = (0.0, 0.0);
        let mut gradient = DVector::zeros(self.tangent_dim);
        let mut matrix = self.empty.clone();
        let mut block_squares = Vec::with_capacity(self.rows.len());
        // Blocks are small: their products are made where they are added.
        self.each_evaluated(problem, state, loss, |block, evaluated, residual, jacobian| {
            let Evaluated { loss, weight, squared_norm } = evaluated;
            sum += loss;
            squares += weight * squared_norm;
            block_squares.push(squared_norm);
            let columns = &self.columns[block];
            for (&row, column) in columns.iter().zip(jacobian.chunks_exact(residual.len().max(1))) {
                gradient[row] += weight * column.iter().zip(residual).map(|(a, b)| a * b).sum::<f64>();
            }
            matrix.add_squared(columns, residual.len(), jacobian, weight);
        })?;
        Ok(Linearised { cost: 0.5 * sum, residual_norm: squares.sqrt(), block_squares, gradient, matrix })
    }

    /// `JᵀWk`, where k is the second derivative of the residuals along a tangent vector, from the residuals a fraction
    /// of the way along it (Transtrum & Sethna 2012). Linearises the blocks once more.
    pub(crate) fn curvature<P: LeastSquares>(
        &self,
        problem: &P,
        state: &P::State,
        tangent: &DVector<f64>,
        fraction: f64,
        loss: Loss,
    ) -> Result<DVector<f64>, Failure> {
        let ahead = problem.step(state, &(tangent * fraction));
        let of_block = |workspace: &mut Workspace, block: usize| {
            let columns = &self.columns[block];
            let mut residual_ahead = DVector::zeros(self.rows[block]);
            if !self.evaluate(problem, state, workspace, block)
                || !problem.evaluate(&ahead, block, &mut residual_ahead, None)
            {
                return Err(Failure::NotComputable { block });
            }
            let Workspace { residual, jacobian } = workspace;
            let (_, weight) = loss.value_and_weight(residual.norm_squared());
            let along = DVector::from_iterator(columns.len(), columns.iter().map(|&column| tangent[column]));
            let bend = ((residual_ahead - &*residual) / fraction - &*jacobian * along) * (2.0 / fraction);
            let projected = jacobian.tr_mul(&bend) * weight;
            let finite = projected.iter().all(|entry| entry.is_finite());
            if finite { Ok(projected) } else { Err(Failure::NotFinite { block }) }
        };
        let mut sum = DVector::zeros(self.tangent_dim);
        self.each_block(of_block, |block, projected| {
            for (&row, entry) in self.columns[block].iter().zip(projected.iter()) {
                sum[row] += entry;
            }
        })?;
        Ok(sum)
    }

    /// Residuals and Jacobian of a block, into the workspace.
    fn evaluate<P: LeastSquares>(
        &self,
        problem: &P,
        state: &P::State,
        workspace: &mut Workspace,
        block: usize,
    ) -> bool {
        let Workspace { residual, jacobian } = workspace;
        residual.resize_vertically_mut(self.rows[block], 0.0);
        residual.fill(0.0);
        jacobian.resize_mut(self.rows[block], self.columns[block].len(), 0.0);
        jacobian.fill(0.0);
        problem.evaluate(state, block, residual, Some(jacobian))
    }

    /// Evaluates a block into the workspace.
    fn evaluated<P: LeastSquares>(
        &self,
        problem: &P,
        state: &P::State,
        loss: Loss,
        workspace: &mut Workspace,
        block: usize,
    ) -> Result<Evaluated, Failure> {
        if !self.evaluate(problem, state, workspace, block) {
            return Err(Failure::NotComputable { block });
        }
        let squared_norm = workspace.residual.norm_squared();
        let (loss, weight) = loss.value_and_weight(squared_norm);
        let finite = loss.is_finite() && workspace.jacobian.iter().all(|entry| (weight * entry * entry).is_finite());
        if finite { Ok(Evaluated { loss, weight, squared_norm }) } else { Err(Failure::NotFinite { block }) }
    }

    /// Evaluates every block as [`Self::each_block`] does and hands over residual and Jacobian, column by column.
    fn each_evaluated<P: LeastSquares>(
        &self,
        problem: &P,
        state: &P::State,
        loss: Loss,
        mut take: impl FnMut(usize, Evaluated, &[f64], &[f64]),
    ) -> Result<(), Failure> {
        let blocks = self.rows.len();
        if self.alone() {
            let mut workspace = Workspace::default();
            for block in 0..blocks {
                let evaluated = self.evaluated(problem, state, loss, &mut workspace, block)?;
                take(block, evaluated, workspace.residual.as_slice(), workspace.jacobian.as_slice());
            }
            return Ok(());
        }
        let of_chunk = |first: usize| {
            let (mut workspace, mut chunk) = (Workspace::default(), Chunk::default());
            for block in first..blocks.min(first + CHUNK) {
                chunk.evaluated.push(self.evaluated(problem, state, loss, &mut workspace, block)?);
                chunk.residuals.extend_from_slice(workspace.residual.as_slice());
                chunk.jacobians.extend_from_slice(workspace.jacobian.as_slice());
            }
            Ok(chunk)
        };
        for group in (0..blocks).step_by(CHUNK * CHUNKS) {
            let last = blocks.min(group + CHUNK * CHUNKS);
            let chunks: Vec<Result<Chunk, Failure>> =
                (group..last).into_par_iter().step_by(CHUNK).map(of_chunk).collect();
            for (first, chunk) in (group..last).step_by(CHUNK).zip(chunks) {
                let Chunk { evaluated, residuals, jacobians } = chunk?;
                let (mut residuals, mut jacobians) = (residuals.as_slice(), jacobians.as_slice());
                for (block, evaluated) in (first..).zip(evaluated) {
                    let (residual, others) = residuals.split_at(self.rows[block]);
                    let (jacobian, rest) = jacobians.split_at(self.rows[block] * self.columns[block].len());
                    take(block, evaluated, residual, jacobian);
                    (residuals, jacobians) = (others, rest);
                }
            }
        }
        Ok(())
    }

    /// Whether one thread does everything.
    fn alone(&self) -> bool {
        !self.parallel || rayon::current_num_threads() == 1
    }

    /// Evaluates every block, on several threads where that pays, and hands the results over in the order of the blocks.
    fn each_block<T: Send>(
        &self,
        of_block: impl Fn(&mut Workspace, usize) -> Result<T, Failure> + Sync,
        mut take: impl FnMut(usize, T),
    ) -> Result<(), Failure> {
        let blocks = self.rows.len();
        if self.alone() {
            let mut workspace = Workspace::default();
            for block in 0..blocks {
                take(block, of_block(&mut workspace, block)?);
            }
            return Ok(());
        }
        for first in (0..blocks).step_by(GROUP) {
            let group: Vec<Result<T, Failure>> = (first..blocks.min(first + GROUP))
                .into_par_iter()
                .map_init(Workspace::default, |workspace, block| of_block(workspace, block))
                .collect();
            for (offset, result) in group.into_iter().enumerate() {
                take(first + offset, result?);
            }
        }
        Ok(())
    }
}
