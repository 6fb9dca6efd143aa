//! The fit of a course to its observations, with smoothness and pixel noise chosen from the data.
//!
//! Given both, the course is the mode of the posterior (least squares with the integrals of the squared jerk as prior
//! residuals: a smoothing spline, Wahba 1978, "Improper priors, spline smoothing and the problem of guarding against model
//! errors in regression"). The precision of each stretch's jerk and the scale of each landmark's pixel noise maximise the
//! marginal likelihood; both follow from fixed-point steps of the form "effective parameters over squares" (MacKay 1992,
//! "Bayesian interpolation"; for penalties, Wood & Fasiolo 2017, "A generalized Fellner-Schall method").

use midline_solver::{Blocks, LeastSquares, Local, LocalCovariance, Loss, Options, SolverError, Structure, minimise};
use nalgebra::{DMatrix, DVector, Vector2};

use super::course::Course;
use super::observations::Observation;

/// Loss of an observation's distance in standard deviations: quadratic for what Gaussian noise brings.
const LOSS: Loss = Loss::Huber(3.0);

/// Beyond this many standard deviations an observation is mistaken: Gaussian noise brings it once in 20 000.
const MISTAKEN_SDS: f64 = 4.5;

/// Below this many it is taken back.
const READMITTED_SDS: f64 = 4.0;

/// Rounds of smoothness and noise before they are taken as they are.
const MOST_ROUNDS: usize = 20;

/// Rounds take one step each; the last one takes as many as are needed.
const MOST_STEPS: usize = 50;

/// Damping of the steps: keeps them defined where nothing but rounding holds a coefficient.
const DAMPING: f64 = 1e-9;

/// A change of the logarithm of a precision or scale below this ends the rounds.
const SETTLED: f64 = 0.05;

/// Rows worth of the present smoothness in the common step: keeps it defined where nothing moves.
const LEAST_ROWS: f64 = 0.1;

/// A stretch's own change counts this much for the end of the rounds: its smoothness is known to a factor of two at best.
const RELATIVE_SHARE: f64 = 0.3;

/// Longest step of the logarithm of a precision, and how much longer than asked for it may be.
const MOST_STEP: f64 = 1.5;
const MOST_HASTE: f64 = 3.0;

/// Precisions may differ from the first guess by this factor either way.
const PRECISION_RANGE: f64 = 1e7;

/// Rows worth of its neighbours' smoothness that a stretch starts from: their spread is a factor of about two.
const NEIGHBOUR_ROWS: f64 = 0.4;

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
    /// Of each kind, the last common step of the logarithm of its precisions, with the change that was asked for.
    pub(crate) last_steps: Vec<Option<[f64; 2]>>,
}

/// A fitted course.
pub(crate) struct Fitted<S> {
    pub(crate) state: S,
    /// The problem there.
    pub(crate) local: Local,
    pub(crate) covariance: LocalCovariance,
    /// Factor on the pixel standard deviation of each landmark.
    pub(crate) scales: Vec<f64>,
    /// Precision of each group of priors.
    #[cfg(test)]
    pub(crate) precisions: Vec<f64>,
    pub(crate) mistaken: Vec<bool>,
    /// Robust weight of each observation, 0 for a mistaken one.
    pub(crate) weights: Vec<f64>,
}

impl<C: Course> Fit<'_, C> {
    fn sd_px(&self, observation: &Observation) -> f64 {
        observation.sd_px * self.scales[observation.landmark]
    }

    fn root_precision(&self, prior: usize) -> f64 {
        self.course.prior_group(prior).map_or(1.0, |group| self.precisions[group].sqrt())
    }

    /// Squared distance of every observation in standard deviations, mistaken or not; infinite behind the camera. `local` is the
    /// problem at the state.
    fn squares(&self, state: &C::State, local: &Local) -> Vec<f64> {
        let square = |o| self.off(state, o).map_or(f64::INFINITY, |off| off.norm_squared());
        let used = self.observations.iter().zip(&self.mistaken).zip(local.block_squares());
        used.map(|((o, mistaken), own)| if *mistaken { square(o) } else { *own }).collect()
    }

    fn off(&self, state: &C::State, observation: &Observation) -> Option<Vector2<f64>> {
        let place = self.course.place(state, observation.landmark, &observation.at);
        Some((observation.camera.project(&place.into())? - observation.px) / self.sd_px(observation))
    }

    fn weight(&self, block: usize, square: f64) -> f64 {
        if self.mistaken[block] { 0.0 } else { LOSS.value_and_weight(square).1 }
    }

    /// Of a prior block: share of its rows that the data decide, summed, and its squared residual.
    fn leverage(&self, state: &C::State, prior: usize, covariance: &LocalCovariance) -> Option<(f64, f64)> {
        let (rows, columns) = self.course.prior_shape(prior);
        let (mut residual, mut jacobian) = (DVector::zeros(rows), DMatrix::zeros(rows, columns.len()));
        self.course.prior(state, prior, &mut residual, Some(&mut jacobian));
        let precision = self.root_precision(prior).powi(2);
        let spread = covariance.trace_along(&columns, &jacobian)?;
        Some((precision * spread, precision * residual.norm_squared()))
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
            None => self.course.columns_of(self.observations[block].landmark, &self.observations[block].at),
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
        if self.mistaken[block] {
            return true;
        }
        let observation = &self.observations[block];
        let Some(jacobian) = jacobian else {
            return self.off(state, observation).is_some_and(|off| {
                residual.copy_from(&off);
                true
            });
        };
        let place = self.course.place(state, observation.landmark, &observation.at);
        let Some((px, by_point)) = observation.camera.project_with_point_jacobian(&place.into()) else {
            return false;
        };
        let weight = 1.0 / self.sd_px(observation);
        residual.copy_from(&((px - observation.px) * weight));
        self.course.pull(state, observation.landmark, &observation.at, &(by_point * weight), jacobian);
        true
    }

    fn step(&self, state: &C::State, delta: &DVector<f64>) -> C::State {
        self.course.step(state, delta)
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
    rounds(course, observations, scales, start, true)
}

/// Fits a course to observations whose standard deviations are known: too few of them to tell their own noise.
///
/// # Errors
/// As [`settle`].
pub(crate) fn settle_with_known_noise<C: Course>(
    course: &C,
    observations: &[Observation],
    landmarks: usize,
    start: C::State,
) -> Result<Fitted<C::State>, SolverError> {
    rounds(course, observations, vec![1.0; landmarks], start, false)
}

fn rounds<C: Course>(
    course: &C,
    observations: &[Observation],
    scales: Vec<f64>,
    start: C::State,
    noise_is_open: bool,
) -> Result<Fitted<C::State>, SolverError> {
    let precisions = (0..course.groups()).map(|g| course.first_precision(g)).collect();
    let mut fit = Fit {
        course,
        observations,
        mistaken: vec![false; observations.len()],
        scales,
        precisions,
        last_steps: vec![None; course.kinds()],
    };
    let blocks = Blocks::new(&fit, LOSS)?;
    let mut state = start;
    for round in 0.. {
        let last = round == MOST_ROUNDS;
        let local = if last {
            let options = Options {
                max_iterations: MOST_STEPS,
                loss: LOSS,
                absolute_step_tolerance: 1e-3,
                cost_tolerance: 1e-7,
                initial_damping: DAMPING,
                ..Options::default()
            };
            state = minimise(&fit, state, &options)?.state;
            blocks.at(&fit, &state)?
        } else {
            stepped(&fit, &blocks, &mut state)?
        };
        let covariance = local.covariance()?;
        let squares = fit.squares(&state, &local);
        if last || adapt(&mut fit, &state, &covariance, &squares, round, noise_is_open) < SETTLED {
            let weights = squares.iter().enumerate().map(|(block, square)| fit.weight(block, *square)).collect();
            return Ok(Fitted {
                state,
                local,
                covariance,
                scales: fit.scales,
                #[cfg(test)]
                precisions: fit.precisions,
                mistaken: fit.mistaken,
                weights,
            });
        }
    }
    Err(SolverError::NoResiduals)
}

/// Takes a step, unless it raises the cost; the problem at the state then.
fn stepped<C: Course>(fit: &Fit<C>, blocks: &Blocks, state: &mut C::State) -> Result<Local, SolverError> {
    let local = blocks.at(fit, state)?;
    let next = local.step(DAMPING).map(|step| fit.step(state, &step));
    match next.and_then(|next| Some((blocks.at(fit, &next).ok()?, next))) {
        Some((there, next)) if there.cost() <= local.cost() => {
            *state = next;
            Ok(there)
        }
        _ => Ok(local),
    }
}

/// One step of noise scales, precisions and mistaken observations; the largest change.
fn adapt<C: Course>(
    fit: &mut Fit<C>,
    state: &C::State,
    covariance: &LocalCovariance,
    squares: &[f64],
    round: usize,
    noise_is_open: bool,
) -> f64 {
    let mut prior_rows = 0.0;
    let (mut effective, mut prior_squares) = (vec![0.0; fit.precisions.len()], vec![0.0; fit.precisions.len()]);
    for prior in 0..fit.course.prior_count() {
        let Some((leverage, squared)) = fit.leverage(state, prior, covariance) else { continue };
        prior_rows += leverage;
        if let Some(group) = fit.course.prior_group(prior) {
            effective[group] += fit.course.prior_shape(prior).0 as f64 - leverage;
            prior_squares[group] += squared;
        }
    }
    // What the priors do not decide of the coefficients, the observations do.
    let decided = fit.course.columns() as f64 - prior_rows;
    let scales = if noise_is_open { adapt_scales(fit, squares, decided) } else { 0.0 };
    let changed = scales.max(adapt_precisions(fit, &effective, &prior_squares));
    // The first rounds' scales are too rough to tell what is mistaken.
    if round < 2 {
        return f64::INFINITY;
    }
    let mut reversed = false;
    for (mistaken, square) in fit.mistaken.iter_mut().zip(squares) {
        let limit = if *mistaken { READMITTED_SDS } else { MISTAKEN_SDS };
        let now = *square > limit * limit;
        reversed |= now != *mistaken;
        *mistaken = now;
    }
    if reversed { f64::INFINITY } else { changed }
}

fn adapt_scales<C: Course>(fit: &mut Fit<C>, squares: &[f64], decided: f64) -> f64 {
    let landmarks = fit.scales.len();
    let (mut rows, mut sums) = (vec![0.0; landmarks], vec![0.0; landmarks]);
    for (block, observation) in fit.observations.iter().enumerate().filter(|(block, _)| !fit.mistaken[*block]) {
        rows[observation.landmark] += 2.0;
        sums[observation.landmark] += fit.weight(block, squares[block]) * squares[block];
    }
    // Each landmark's observations are taken to decide as many parameters as their number.
    let free = 1.0 - decided / rows.iter().sum::<f64>();
    let mut changed: f64 = 0.0;
    for (landmark, scale) in fit.scales.iter_mut().enumerate() {
        if free > 0.05 && sums[landmark] > 0.0 {
            let old = *scale;
            *scale = (old * (sums[landmark] / (rows[landmark] * free)).sqrt()).clamp(SCALE_BOUNDS[0], SCALE_BOUNDS[1]);
            changed = changed.max((*scale / old).ln().abs());
        }
    }
    changed
}

fn adapt_precisions<C: Course>(fit: &mut Fit<C>, effective: &[f64], squares: &[f64]) -> f64 {
    let per_kind = fit.precisions.len() / fit.course.kinds();
    let mut changed: f64 = 0.0;
    for kind in 0..fit.course.kinds() {
        let groups = kind * per_kind..(kind + 1) * per_kind;
        // All stretches together first: alone, each is held back by its neighbours.
        let (rows, sum) = (effective[groups.clone()].iter().sum::<f64>(), squares[groups.clone()].iter().sum::<f64>());
        // Before the first rounds have settled the data can seem to decide more than all.
        let asked = ((rows.max(0.0) + LEAST_ROWS) / (sum + LEAST_ROWS)).ln();
        let common = (asked * hastened(fit.last_steps[kind], asked)).clamp(-MOST_STEP, MOST_STEP);
        fit.last_steps[kind] = Some([common, asked]);
        changed = changed.max(asked.abs());
        let old: Vec<f64> = fit.precisions[groups.clone()].to_vec();
        for (index, group) in groups.enumerate() {
            let near: Vec<f64> = [index.checked_sub(1), Some(index + 1)]
                .into_iter()
                .flatten()
                .filter_map(|i| Some(old.get(i)?.ln()))
                .collect();
            let usual =
                if near.is_empty() { 0.0 } else { near.iter().sum::<f64>() / near.len() as f64 - old[index].ln() };
            // Squares as they are once all have taken the common step; the neighbours' count as rows of their precision.
            let own_squares = squares[group] * asked.exp();
            let relative =
                ((effective[group].max(0.0) + NEIGHBOUR_ROWS) / (own_squares + NEIGHBOUR_ROWS / usual.exp())).ln();
            let first = fit.course.first_precision(group);
            fit.precisions[group] =
                (old[index] * (common + relative).exp()).clamp(first / PRECISION_RANGE, first * PRECISION_RANGE);
            changed = changed.max(relative.abs() * RELATIVE_SHARE);
        }
    }
    changed
}

/// How much farther to go than the fixed-point step asks: the secant through the last two requests.
fn hastened(last: Option<[f64; 2]>, asked: f64) -> f64 {
    match last {
        Some([step, before]) if step * asked > 0.0 && (before - asked) * step > 0.0 => {
            (step / (before - asked)).clamp(1.0, MOST_HASTE)
        }
        Some([step, _]) if step * asked > 0.0 => MOST_HASTE,
        _ => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use midline_geometry::LensModel;
    use nalgebra::Vector3;
    use rand::{SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, StandardNormal};

    use super::super::chain_course::{ChainCourse, ChainState, Segment};
    use super::super::course::Basis;
    use super::super::section::breaks;
    use super::*;
    use crate::point::tests::camera_at;

    /// The rounds with each step, and what stands at its end, from a minimisation of its own.
    fn rounds_by_minimisation<C: Course>(
        fit: &mut Fit<C>,
        mut state: C::State,
    ) -> Result<(C::State, LocalCovariance), SolverError> {
        for round in 0.. {
            let last = round == MOST_ROUNDS;
            let options = Options {
                max_iterations: if last { MOST_STEPS } else { 1 },
                loss: LOSS,
                absolute_step_tolerance: 1e-3,
                cost_tolerance: 1e-7,
                initial_damping: DAMPING,
                ..Options::default()
            };
            let solution = minimise(fit, state, &options)?;
            let covariance = solution.local_covariance()?;
            let square = |o| fit.off(&solution.state, o).map_or(f64::INFINITY, |off| off.norm_squared());
            let squares: Vec<f64> = fit.observations.iter().map(square).collect();
            if last || adapt(fit, &solution.state, &covariance, &squares, round, true) < SETTLED {
                return Ok((solution.state, covariance));
            }
            state = solution.state;
        }
        Err(SolverError::NoResiduals)
    }

    #[test]
    fn rounds_come_to_the_same_as_minimisations_of_one_step_each() {
        let (range, rate_hz) = ([0.0, 0.6], 120.0);
        let basis = Basis::clamped(&breaks(range, range[1], 1.0 / rate_hz)).unwrap();
        let cameras = [[-5.0, -6.0, 1.6], [5.5, -5.0, 2.1]]
            .map(|place| camera_at(place, [0.0, 0.3, 1.0], LensModel::BrownConrady([-0.1, 0.02, 0.0, 0.0, 0.0])));
        let truth = |landmark: usize, t: f64| {
            let joint = Vector3::new(0.4 * (9.0 * t * t).sin(), 0.3 * (5.0 * t).cos(), 1.2);
            joint + Vector3::new((4.0 * t).cos(), (4.0 * t).sin(), -0.5).normalize() * (0.3 * landmark as f64)
        };
        let mut random = StdRng::seed_from_u64(5);
        let mut observations = Vec::new();
        for frame in 0..(range[1] * rate_hz) as usize {
            for (rig_index, camera) in cameras.iter().enumerate() {
                for landmark in 0..2 {
                    let seconds = (frame as f64 + 0.4 * rig_index as f64) / rate_hz;
                    let mut noise = || -> f64 { 2.0 * Distribution::<f64>::sample(&StandardNormal, &mut random) };
                    let off = Vector2::new(noise(), noise() + if frame == 30 { 50.0 } else { 0.0 });
                    observations.push(Observation {
                        camera,
                        rig_index,
                        landmark,
                        seconds,
                        camera_seconds: seconds,
                        px: camera.project(&truth(landmark, seconds).into()).unwrap() + off,
                        sd_px: 1.0,
                        at: basis.at(seconds),
                    });
                }
            }
        }
        let coefficients =
            |landmark: usize| (0..basis.count()).map(|i| truth(landmark, basis.centre_seconds(i))).collect();
        let start = ChainState { lengths_m: vec![0.3], coefficients: (0..2).map(coefficients).collect() };
        let segment = Segment { landmarks: [0, 1], nominal_m: 0.31, sd_m: 0.01 };
        let course = ChainCourse::new(basis, range[1], 2, vec![segment]);
        let mut fit = Fit {
            course: &course,
            observations: &observations,
            mistaken: vec![false; observations.len()],
            scales: vec![1.0; 2],
            precisions: (0..course.groups()).map(|g| course.first_precision(g)).collect(),
            last_steps: vec![None; course.kinds()],
        };
        let (state, covariance) = rounds_by_minimisation(&mut fit, start.clone()).unwrap();
        let found = settle(&course, &observations, vec![1.0; 2], start).unwrap();
        let mistaken = found.mistaken.iter().filter(|m| **m).count();
        assert!((4..8).contains(&mistaken) && found.mistaken == fit.mistaken, "{mistaken}");
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-6;
        assert!(found.scales.iter().zip(&fit.scales).all(|(a, b)| near(*a, *b)));
        assert!(found.precisions.iter().zip(&fit.precisions).all(|(a, b)| near(*a, *b)));
        assert!(near(found.state.lengths_m[0], state.lengths_m[0]));
        for (column, own) in
            found.state.coefficients.iter().flatten().zip(state.coefficients.iter().flatten()).enumerate()
        {
            assert!((own.0 - own.1).norm() < 1e-7, "{column}: {} {}", own.0, own.1);
        }
        for column in 0..course.columns() {
            let [a, b] = [&found.covariance, &covariance].map(|of| of.of(&[column]).unwrap()[(0, 0)]);
            assert!(near(a, b), "{column}: {a} {b}");
        }
    }
}
