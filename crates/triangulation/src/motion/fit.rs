//! The fit of a course to its observations, with smoothness and pixel noise chosen from the data.
//!
//! Given both, the course is the mode of the posterior (least squares with the integrals of the squared jerk as prior
//! residuals: a smoothing spline, Wahba 1978, "Improper priors, spline smoothing and the problem of guarding against model
//! errors in regression"). The precision of each stretch's jerk and the scale of each landmark's pixel noise maximise the
//! marginal likelihood; both follow from fixed-point steps of the form "effective parameters over squares" (MacKay 1992,
//! "Bayesian interpolation"; for penalties, Wood & Fasiolo 2017, "A generalized Fellner-Schall method").

use midline_solver::{LeastSquares, Loss, Options, SolverError, Structure, minimise};
use nalgebra::{DMatrix, DVector};

use super::bordered_band::{BorderedBand, BorderedInverse};
use super::course::Course;
use super::observations::Observation;

/// Loss of an observation's distance in standard deviations: quadratic for what Gaussian noise brings.
const LOSS: Loss = Loss::Huber(3.0);

/// Beyond this many standard deviations an observation is mistaken: Gaussian noise brings it once in 20 000.
const MISTAKEN_SDS: f64 = 4.5;

/// Below this many it is taken back.
const READMITTED_SDS: f64 = 4.0;

/// Rounds of smoothness and noise before they are taken as they are.
const MOST_ROUNDS: usize = 25;

/// Newton steps per round; the last round takes as many as are needed.
const STEPS_PER_ROUND: usize = 4;

/// A change of the logarithm of a precision or scale below this ends the rounds.
const SETTLED: f64 = 0.02;

/// Precisions may differ from the first guess by this factor either way.
const PRECISION_RANGE: f64 = 1e7;

/// Rows worth of its neighbours' smoothness that a stretch starts from: their spread is a factor of about two.
const NEIGHBOUR_ROWS: f64 = 4.0;

/// Bounds of the scale of pixel noise.
const SCALE_BOUNDS: [f64; 2] = [0.1, 30.0];

/// A course with what was seen of it, whitened.
pub(crate) struct Fit<'a, C> {
    pub(crate) course: &'a C,
    pub(crate) observations: &'a [Observation<'a>],
    /// Observations that are left out.
    pub(crate) mistaken: Vec<bool>,
    /// Factor on the pixel standard deviation of each landmark.
    pub(crate) scales: Vec<f64>,
    /// Precision of each group of priors.
    pub(crate) precisions: Vec<f64>,
}

/// A fitted course.
pub(crate) struct Fitted<S> {
    pub(crate) state: S,
    pub(crate) inverse: BorderedInverse,
    pub(crate) scales: Vec<f64>,
    pub(crate) precisions: Vec<f64>,
    pub(crate) mistaken: Vec<bool>,
    /// Robust weight of each observation at the end, 0 for a mistaken one.
    pub(crate) weights: Vec<f64>,
    /// Root mean square residual of the observations used, pixels (length of both coordinates).
    pub(crate) reprojection_px: Vec<f64>,
}

/// Buffers of a block's residual and Jacobian.
struct Block {
    residual: DVector<f64>,
    jacobian: DMatrix<f64>,
}

impl<C: Course> Fit<'_, C> {
    fn sd_px(&self, observation: &Observation) -> f64 {
        observation.sd_px * self.scales[observation.landmark]
    }

    fn root_precision(&self, prior: usize) -> f64 {
        self.course.prior_group(prior).map_or(1.0, |group| self.precisions[group].sqrt())
    }

    fn block(&self, state: &C::State, block: usize) -> Option<Block> {
        let (rows, columns) = (self.block_rows(block), self.block_columns(block).len());
        let mut found = Block { residual: DVector::zeros(rows), jacobian: DMatrix::zeros(rows, columns) };
        self.evaluate(state, block, &mut found.residual, Some(&mut found.jacobian)).then_some(found)
    }

    /// Normal matrix and, per observation, robust weight and squared distance in standard deviations.
    fn normal(&self, state: &C::State) -> Option<(BorderedBand, Vec<f64>, Vec<f64>)> {
        let course = self.course;
        let mut normal = BorderedBand::zeros(course.columns(), course.shared(), course.half_bandwidth());
        let (mut weights, mut squares) = (Vec::new(), Vec::new());
        for block in 0..self.block_count() {
            let found = self.block(state, block)?;
            let mut weight = 1.0;
            if block < self.observations.len() {
                let mut residual = DVector::zeros(2);
                let seen = self.observed(state, block, &mut residual, None);
                let squared = if seen { residual.norm_squared() } else { f64::INFINITY };
                weight = if self.mistaken[block] { 0.0 } else { LOSS.value_and_weight(squared).1 };
                weights.push(weight);
                squares.push(squared);
            }
            if weight > 0.0 {
                normal.add(&self.block_columns(block), &found.jacobian, weight);
            }
        }
        Some((normal, weights, squares))
    }

    /// Sum of `jacobian · inverse · jacobianᵀ` over a block's rows.
    fn leverage(&self, state: &C::State, block: usize, inverse: &BorderedInverse) -> Option<(f64, f64)> {
        let found = self.block(state, block)?;
        let local = inverse.at(&self.block_columns(block));
        Some(((&found.jacobian * local).component_mul(&found.jacobian).sum(), found.residual.norm_squared()))
    }
}

impl<C: Course> LeastSquares for Fit<'_, C> {
    type State = C::State;

    fn tangent_dim(&self) -> usize {
        self.course.columns()
    }

    fn block_count(&self) -> usize {
        self.observations.len() + self.course.prior_count()
    }

    fn block_rows(&self, block: usize) -> usize {
        match block.checked_sub(self.observations.len()) {
            None => 2,
            Some(prior) => self.course.prior_shape(prior).0,
        }
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        match block.checked_sub(self.observations.len()) {
            None => self.course.columns_at(&self.observations[block].at),
            Some(prior) => self.course.prior_shape(prior).1,
        }
    }

    fn structure(&self) -> Structure {
        Structure::Band { shared: self.course.shared(), half_bandwidth: self.course.half_bandwidth() }
    }

    fn evaluate(
        &self,
        state: &C::State,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        if let Some(prior) = block.checked_sub(self.observations.len()) {
            let root = self.root_precision(prior);
            match jacobian {
                None => self.course.prior(state, prior, residual, None),
                Some(jacobian) => {
                    self.course.prior(state, prior, residual, Some(&mut *jacobian));
                    *jacobian *= root;
                }
            }
            *residual *= root;
            return true;
        }
        // What is mistaken has no say, not even with a derivative.
        self.mistaken[block] || self.observed(state, block, residual, jacobian)
    }

    fn step(&self, state: &C::State, delta: &DVector<f64>) -> C::State {
        self.course.step(state, delta)
    }
}

impl<C: Course> Fit<'_, C> {
    /// Residual of an observation, mistaken or not; `false` when the camera cannot see the place.
    fn observed(
        &self,
        state: &C::State,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let observation = &self.observations[block];
        let (position, by_columns) = self.course.position(state, observation.landmark, &observation.at);
        let Some((px, by_point)) = observation.camera.project_with_point_jacobian(&position.into()) else {
            return false;
        };
        let weight = 1.0 / self.sd_px(observation);
        residual.copy_from(&((px - observation.px) * weight));
        if let Some(jacobian) = jacobian {
            jacobian.copy_from(&((by_point * weight) * by_columns));
        }
        true
    }
}

/// Fits a course.
///
/// # Errors
/// When the minimisation fails or the observations leave a direction open (as [`SolverError`] says).
pub(crate) fn settle<C: Course>(
    course: &C,
    observations: &[Observation],
    scales: Vec<f64>,
    start: C::State,
) -> Result<Fitted<C::State>, SolverError> {
    let precisions = (0..course.groups()).map(|g| course.first_precision(g)).collect();
    let mut fit = Fit { course, observations, mistaken: vec![false; observations.len()], scales, precisions };
    let mut state = start;
    let open = SolverError::RankDeficient { column: 0, alone: false, eigenvalue: 0.0 };
    for round in 0..=MOST_ROUNDS {
        let last = round == MOST_ROUNDS;
        let max_iterations = if last { 50 } else { STEPS_PER_ROUND };
        let options = Options {
            max_iterations,
            loss: LOSS,
            absolute_step_tolerance: 1e-4,
            cost_tolerance: 1e-9,
            initial_damping: 1e-9,
            ..Options::default()
        };
        state = minimise(&fit, state, &options)?.state;
        let (normal, weights, squares) = fit.normal(&state).ok_or_else(|| open.clone())?;
        let inverse = normal.inverse().ok_or_else(|| open.clone())?;
        let changed = if last { 0.0 } else { adapt(&mut fit, &state, &inverse, &weights, &squares, round) };
        if changed < SETTLED {
            let reprojection_px = reprojection(&fit, &squares);
            return Ok(Fitted {
                state,
                inverse,
                scales: fit.scales,
                precisions: fit.precisions,
                mistaken: fit.mistaken,
                weights,
                reprojection_px,
            });
        }
    }
    Err(open)
}

/// One step of noise scales, precisions and mistaken observations; the largest change.
fn adapt<C: Course>(
    fit: &mut Fit<C>,
    state: &C::State,
    inverse: &BorderedInverse,
    weights: &[f64],
    squares: &[f64],
    round: usize,
) -> f64 {
    let mut changed: f64 = 0.0;
    let observed = fit.observations.len();
    let mut leverages = vec![0.0; fit.scales.len()];
    let mut rows = vec![0.0; fit.scales.len()];
    let mut sums = vec![0.0; fit.scales.len()];
    for block in 0..observed {
        if fit.mistaken[block] {
            continue;
        }
        let landmark = fit.observations[block].landmark;
        let (leverage, _) = fit.leverage(state, block, inverse).unwrap_or((0.0, 0.0));
        leverages[landmark] += weights[block] * leverage;
        rows[landmark] += 2.0;
        sums[landmark] += weights[block] * squares[block];
    }
    for landmark in 0..fit.scales.len() {
        let free = rows[landmark] - leverages[landmark];
        if free > 4.0 && sums[landmark] > 0.0 {
            let old = fit.scales[landmark];
            let new = (old * (sums[landmark] / free).sqrt()).clamp(SCALE_BOUNDS[0], SCALE_BOUNDS[1]);
            fit.scales[landmark] = new;
            changed = changed.max((new / old).ln().abs());
        }
    }
    changed = changed.max(adapt_precisions(fit, state, inverse));
    // The first rounds' scales are too rough to tell what is mistaken.
    if round >= 2 {
        for block in 0..observed {
            let limit = if fit.mistaken[block] { READMITTED_SDS } else { MISTAKEN_SDS };
            let mistaken = squares[block] > limit * limit;
            if mistaken != fit.mistaken[block] {
                fit.mistaken[block] = mistaken;
                changed = f64::INFINITY;
            }
        }
    } else {
        changed = f64::INFINITY;
    }
    changed
}

fn adapt_precisions<C: Course>(fit: &mut Fit<C>, state: &C::State, inverse: &BorderedInverse) -> f64 {
    let groups = fit.course.groups();
    let (mut effective, mut squares) = (vec![0.0; groups], vec![0.0; groups]);
    for prior in 0..fit.course.prior_count() {
        let Some(group) = fit.course.prior_group(prior) else { continue };
        let block = fit.observations.len() + prior;
        let Some((leverage, squared)) = fit.leverage(state, block, inverse) else { continue };
        effective[group] += fit.course.prior_shape(prior).0 as f64 - leverage;
        squares[group] += squared;
    }
    let old = fit.precisions.clone();
    let per_kind = groups / fit.course.kinds();
    let mut changed: f64 = 0.0;
    for group in 0..groups {
        let kind = group / per_kind * per_kind..(group / per_kind + 1) * per_kind;
        let around = [group.checked_sub(1), Some(group + 1)];
        let near: Vec<f64> = around.into_iter().flatten().filter(|g| kind.contains(g)).map(|g| old[g].ln()).collect();
        let own = old[group];
        let usual = if near.is_empty() { own } else { (near.iter().sum::<f64>() / near.len() as f64).exp() };
        // Squares are in units of the old precision; the neighbours' count as squares of their own precision.
        let numerator = effective[group].max(0.0) + NEIGHBOUR_ROWS;
        let denominator = squares[group] / own + NEIGHBOUR_ROWS / usual;
        let first = fit.course.first_precision(group);
        let new = (numerator / denominator).clamp(first / PRECISION_RANGE, first * PRECISION_RANGE);
        fit.precisions[group] = new;
        changed = changed.max((new / own).ln().abs() * (effective[group] / numerator).clamp(0.0, 1.0));
    }
    changed
}

fn reprojection<C: Course>(fit: &Fit<C>, squares: &[f64]) -> Vec<f64> {
    let landmarks = fit.scales.len();
    let (mut sums, mut counts) = (vec![0.0; landmarks], vec![0.0; landmarks]);
    for (block, observation) in fit.observations.iter().enumerate().filter(|(block, _)| !fit.mistaken[*block]) {
        sums[observation.landmark] += squares[block] * fit.sd_px(observation).powi(2);
        counts[observation.landmark] += 1.0;
    }
    sums.iter().zip(counts).map(|(sum, count): (&f64, f64)| (sum / count.max(1.0)).sqrt()).collect()
}
