//! Levenberg-Marquardt as an `argmin` solver.
//!
//! Needs residual blocks with Jacobians ([`LeastSquares`]). Each iteration solves `(S JᵀWJ S + λ I) y = -S JᵀWr` with
//! `S = 1 / lengths of the Jacobian's columns`, takes the tangent step `S y`, and keeps it when the true cost falls; λ
//! follows the ratio of true to predicted decrease (Madsen, Nielsen & Tingleff 2004, algorithm 3.16). That is
//! Marquardt's 1963 damping `λ diag(JᵀWJ)`, written so that the diagonal of the matrix to be factorised is near 1
//! whatever the units of the unknowns.
//!
//! The lengths may grow at once but shrink by no more than half in a step. Marquardt's own lengths follow a column that
//! vanishes, which frees the unknown from all damping just where the data stop holding it, and it runs off to infinity;
//! Moré 1978 ("The Levenberg-Marquardt algorithm: implementation and theory") therefore never lets them shrink. That in
//! turn keeps the scale of a start at which the columns are longer than at the minimum by orders of magnitude, and the
//! method creeps. Between the two, shares from 0.4 to 0.7 serve all runs of NIST StRD with first dampings from 1e-4 to
//! 10 (`tests/nist_strd`); 0 and 1 miss some.
//!
//! On request, steps follow the curve of the residuals to second order (Transtrum & Sethna 2012, "Improvements to the
//! Levenberg-Marquardt algorithm for nonlinear least-squares minimization", arXiv:1201.5885); see
//! [`Options::geodesic_acceleration`].

use std::collections::HashMap;
use std::ops::ControlFlow;
use std::time::Duration;

use argmin::core::{Error, Executor, KV, Problem, Solver, State, TerminationReason, TerminationStatus};
use nalgebra::DVector;

use crate::normal_equations::{Failure, Layout, Linearised};
use crate::normal_matrix::Factor;
use crate::{EndReason, LeastSquares, Options, Solution, SolverError};

/// Damping beyond which a step is below rounding.
const DAMPING_LIMIT: f64 = 1e16;
/// Damping below which the step is Gauss-Newton's to rounding.
const DAMPING_FLOOR: f64 = 1e-16;
/// Decrease of the cost, as a share of it, that the sum of squares cannot resolve.
const ROUNDING: f64 = 8.0 * f64::EPSILON;
/// Share of a column's length that the damping's scale keeps from one accepted step to the next.
const LENGTH_KEPT: f64 = 0.5;
/// Where along the step the bend is measured: far enough to stand out from rounding (h of Transtrum & Sethna; from
/// memory).
const BEND_FRACTION: f64 = 0.1;
/// Largest length of the correction, doubled, as a share of the step's (their α; from memory).
const LARGEST_BEND: f64 = 0.75;
/// Promised decrease, as a share of the cost, below which a step is too short for its bend to matter or be measured.
const STRAIGHT: f64 = 1e-8;

/// Minimises `½ Σ ρ(|r_block|²)` from a start.
///
/// # Errors
/// When there are no residuals, a block names a column that does not exist, or the start cannot be evaluated. Later
/// trial points that cannot be evaluated only refuse the step. Not converging is not an error: see [`Solution::end`].
pub fn minimise<P: LeastSquares>(
    problem: &P,
    start: P::State,
    options: &Options,
) -> Result<Solution<P::State>, SolverError> {
    minimise_watched(problem, start, options, &mut |_| ControlFlow::Continue(()))
}

/// What a trial step came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// Number of the trial, from 1.
    pub number: usize,
    /// `½ Σ ρ` of the best state so far.
    pub cost: f64,
    /// Largest cosine between the residual vector and a column of the Jacobian at that state; 0 at a minimum.
    pub gradient_cosine: f64,
    /// Damping of the next step as a multiple of `diag(JᵀJ)`.
    pub damping: f64,
    /// Whether the step was taken.
    pub accepted: bool,
}

/// [`minimise`] with a watcher that is told of every trial step, for progress and logs; it may end the minimisation, which
/// then gives the best state so far and [`EndReason::Stopped`].
///
/// # Errors
/// As [`minimise`].
pub fn minimise_watched<P: LeastSquares>(
    problem: &P,
    start: P::State,
    options: &Options,
    watcher: &mut dyn FnMut(&Trial) -> ControlFlow<()>,
) -> Result<Solution<P::State>, SolverError> {
    let layout = Layout::new(problem)?;
    let residual_count = layout.residual_count;
    let solver = LevenbergMarquardt { layout, options, watcher };
    let outcome = Executor::new(problem, solver)
        .ctrlc(false)
        .timer(false)
        .configure(|mut state: Iterate<P::State>| {
            state.max_iterations = options.max_iterations as u64;
            state.start = Some(start);
            state
        })
        .run()
        .map_err(|error| error.downcast::<SolverError>().unwrap_or_else(|e| SolverError::Executor(e.to_string())))?;
    let iterate = outcome.state;
    let point = iterate.point.ok_or_else(|| SolverError::Executor("it ended without a state".to_owned()))?;
    Ok(Solution {
        state: point.state,
        cost: point.linearised.cost,
        initial_cost: iterate.initial_cost,
        iterations: usize::try_from(iterate.iterations).unwrap_or(usize::MAX),
        end: iterate.end.unwrap_or(EndReason::Iterations),
        residual_count,
        normal_matrix: point.linearised.matrix,
    })
}

struct LevenbergMarquardt<'a> {
    layout: Layout,
    options: &'a Options,
    watcher: &'a mut dyn FnMut(&Trial) -> ControlFlow<()>,
}

/// A state with the problem linearised there.
struct Point<S> {
    state: S,
    linearised: Linearised,
}

/// What the executor carries from one iteration to the next.
struct Iterate<S> {
    start: Option<S>,
    point: Option<Point<S>>,
    initial_cost: f64,
    damping: f64,
    /// Lengths of the Jacobian's columns that scale the damping.
    lengths: DVector<f64>,
    damping_growth: f64,
    iterations: u64,
    max_iterations: u64,
    last_accepted: u64,
    /// Whether the last trial step was taken.
    accepted: bool,
    end: Option<EndReason>,
    status: TerminationStatus,
    counts: HashMap<String, u64>,
    time: Option<Duration>,
}

/// The factor of the damped system, seen in tangent unknowns.
struct Damped(Factor);

/// A step of the damped system.
struct Step {
    tangent: DVector<f64>,
    /// Length of the step, each unknown times the length of its Jacobian column: standard deviations.
    length: f64,
    /// Decrease of the cost that the linearised problem promises.
    predicted: f64,
}

impl Damped {
    /// The tangent vector that solves the system.
    fn solve(&self, right: &DVector<f64>) -> DVector<f64> {
        self.0.response_to(right)
    }

    /// Length of a tangent vector as the damping measures it.
    fn scaled_length(&self, tangent: &DVector<f64>) -> f64 {
        tangent.component_div(self.0.scale()).norm()
    }
}

impl Linearised {
    /// Largest cosine between the residual vector and a column of the Jacobian.
    fn gradient_cosine(&self) -> f64 {
        if self.residual_norm <= f64::MIN_POSITIVE {
            return 0.0;
        }
        self.gradient.component_mul(&self.matrix.unit_diagonal_scale()).amax() / self.residual_norm
    }

    fn column_lengths(&self) -> DVector<f64> {
        self.matrix.diagonal().map(|squared| squared.max(0.0).sqrt())
    }

    /// Factorises the damped system; `None` when it is not positive definite to rounding.
    fn damped(&self, damping: f64, lengths: &DVector<f64>) -> Option<Damped> {
        // A column that nothing has ever depended on has no scale; any will do.
        let scale = lengths.map(|length| if length > f64::MIN_POSITIVE.sqrt() { 1.0 / length } else { 1.0 });
        self.matrix.factor(&scale, damping).map(Damped)
    }

    /// The step of the damped system; `None` when it is not finite.
    fn step(&self, system: &Damped, damping: f64) -> Option<Step> {
        let tangent = -system.solve(&self.gradient);
        // ½ yᵀ(λ y - g): Madsen et al., the denominator of the gain ratio.
        let predicted = 0.5 * (damping * system.scaled_length(&tangent).powi(2) - tangent.dot(&self.gradient));
        let length = tangent.component_mul(&self.column_lengths()).norm();
        (predicted.is_finite() && tangent.iter().all(|v| v.is_finite())).then_some(Step { tangent, length, predicted })
    }
}

impl LevenbergMarquardt<'_> {
    /// One trial step: the point to go on from, and whether to end there.
    fn trial<P: LeastSquares>(
        &self,
        problem: &mut Problem<&P>,
        point: Point<P::State>,
        iterate: &mut Iterate<P::State>,
    ) -> Result<(Point<P::State>, Option<EndReason>), Error> {
        let Some(step) = self.accelerated_step(problem, &point, iterate)? else {
            return Ok((point, iterate.refuse()));
        };
        let norm = point.linearised.residual_norm;
        let short = step.length <= self.options.step_tolerance * norm + self.options.absolute_step_tolerance;
        // A step that only the damping keeps short says nothing about the distance to the minimum.
        let arrived = short && iterate.damping < 1.0;
        let state = problem.problem("step", |p| Ok(p.step(&point.state, &step.tangent)))?;
        let loss = self.options.loss;
        let Ok(cost) = problem.problem("cost", |p| Ok(self.layout.cost(*p, &state, loss)))? else {
            return Ok((point, iterate.refuse()));
        };
        let before = point.linearised.cost;
        let decrease = before - cost;
        // The step is still right where the sum of squares can no longer tell; the gradient judges it then.
        let unresolved = step.predicted <= ROUNDING * before && decrease >= -ROUNDING * before;
        if !(decrease > 0.0 || unresolved) {
            let end = if arrived { Some(EndReason::Step) } else { iterate.refuse() };
            return Ok((point, end));
        }
        let Ok(linearised) = problem.problem("jacobian", |p| Ok(self.layout.linearise(*p, &state, loss)))? else {
            return Ok((point, iterate.refuse()));
        };
        let cosine = linearised.gradient_cosine();
        if unresolved && cosine >= point.linearised.gradient_cosine() {
            return Ok((point, Some(EndReason::Cost)));
        }
        iterate.accept(if unresolved { 1.0 } else { decrease / step.predicted.max(f64::MIN_POSITIVE) });
        iterate.follow(&linearised);
        let flat = self.options.cost_tolerance * before;
        let end = if cosine <= self.options.gradient_tolerance {
            Some(EndReason::Gradient)
        } else if arrived {
            Some(EndReason::Step)
        } else if decrease <= flat && step.predicted <= flat {
            Some(EndReason::Cost)
        } else {
            None
        };
        Ok((Point { state, linearised }, end))
    }

    /// The step of the damped system, corrected for the bend of the residuals along it where that was asked for; `None`
    /// refuses the step.
    fn accelerated_step<P: LeastSquares>(
        &self,
        problem: &mut Problem<&P>,
        point: &Point<P::State>,
        iterate: &Iterate<P::State>,
    ) -> Result<Option<Step>, Error> {
        let Some(system) = point.linearised.damped(iterate.damping, &iterate.lengths) else {
            return Ok(None);
        };
        let Some(mut step) = point.linearised.step(&system, iterate.damping) else {
            return Ok(None);
        };
        if !self.options.geodesic_acceleration || step.predicted <= STRAIGHT * point.linearised.cost {
            return Ok(Some(step));
        }
        let Ok(curvature) = problem.problem("jacobian", |p| {
            Ok(self.layout.curvature(*p, &point.state, &step.tangent, BEND_FRACTION, self.options.loss))
        })?
        else {
            return Ok(None);
        };
        let acceleration = -system.solve(&curvature);
        let bend = 2.0 * system.scaled_length(&acceleration) / system.scaled_length(&step.tangent);
        if !bend.is_finite() || bend > LARGEST_BEND {
            return Ok(None);
        }
        step.tangent += acceleration * 0.5;
        Ok(Some(step))
    }
}

impl<S> Iterate<S> {
    /// Lets the damping's scale follow the columns of a new Jacobian.
    fn follow(&mut self, linearised: &Linearised) {
        self.lengths.zip_apply(&linearised.column_lengths(), |kept, length| *kept = length.max(LENGTH_KEPT * *kept));
    }

    /// The damping after an accepted step with the ratio `gain` of true to predicted decrease.
    fn accept(&mut self, gain: f64) {
        self.damping = (self.damping * (1.0 - (2.0 * gain - 1.0).powi(3)).max(1.0 / 3.0)).max(DAMPING_FLOOR);
        self.damping_growth = 2.0;
        self.last_accepted = self.iterations;
        self.accepted = true;
    }

    /// The damping after a refused step; an end when there is no room left.
    fn refuse(&mut self) -> Option<EndReason> {
        self.damping *= self.damping_growth;
        self.damping_growth *= 2.0;
        (self.damping > DAMPING_LIMIT).then_some(EndReason::DampingLimit)
    }
}

impl<'p, P: LeastSquares> Solver<&'p P, Iterate<P::State>> for LevenbergMarquardt<'_> {
    fn name(&self) -> &'static str {
        "Levenberg-Marquardt"
    }

    fn init(
        &mut self,
        problem: &mut Problem<&'p P>,
        mut iterate: Iterate<P::State>,
    ) -> Result<(Iterate<P::State>, Option<KV>), Error> {
        let start = iterate.start.take().ok_or_else(|| SolverError::Executor("no start was given".to_owned()))?;
        let loss = self.options.loss;
        let linearised =
            problem.problem("jacobian", |p| Ok(self.layout.linearise(*p, &start, loss)))?.map_err(|failure| {
                match failure {
                    Failure::NotComputable { block } => SolverError::StartNotComputable { block },
                    Failure::NotFinite { block } => SolverError::StartNotFinite { block },
                }
            })?;
        iterate.damping = self.options.initial_damping;
        iterate.lengths = linearised.column_lengths();
        iterate.initial_cost = linearised.cost;
        iterate.end = (linearised.gradient_cosine() <= self.options.gradient_tolerance).then_some(EndReason::Gradient);
        iterate.point = Some(Point { state: start, linearised });
        Ok((iterate, None))
    }

    fn next_iter(
        &mut self,
        problem: &mut Problem<&'p P>,
        mut iterate: Iterate<P::State>,
    ) -> Result<(Iterate<P::State>, Option<KV>), Error> {
        let Some(point) = iterate.point.take() else {
            return Err(SolverError::Executor("an iteration began without a state".to_owned()).into());
        };
        iterate.accepted = false;
        let (point, mut end) = self.trial(problem, point, &mut iterate)?;
        let trial = Trial {
            number: usize::try_from(iterate.iterations).unwrap_or(usize::MAX).saturating_add(1),
            cost: point.linearised.cost,
            gradient_cosine: point.linearised.gradient_cosine(),
            damping: iterate.damping,
            accepted: iterate.accepted,
        };
        if (self.watcher)(&trial).is_break() {
            end = end.or(Some(EndReason::Stopped));
        }
        iterate.point = Some(point);
        iterate.end = end;
        Ok((iterate, None))
    }

    fn terminate(&mut self, iterate: &Iterate<P::State>) -> TerminationStatus {
        match iterate.end {
            None => TerminationStatus::NotTerminated,
            Some(end) if end.converged() => TerminationStatus::Terminated(TerminationReason::SolverConverged),
            Some(_) => {
                TerminationStatus::Terminated(TerminationReason::SolverExit("no step lowers the cost".to_owned()))
            }
        }
    }
}

impl<S: Clone> State for Iterate<S> {
    type Param = S;
    type Float = f64;

    fn new() -> Self {
        Self {
            start: None,
            point: None,
            initial_cost: f64::INFINITY,
            damping: 0.0,
            lengths: DVector::zeros(0),
            damping_growth: 2.0,
            iterations: 0,
            max_iterations: u64::MAX,
            last_accepted: 0,
            accepted: false,
            end: None,
            status: TerminationStatus::NotTerminated,
            counts: HashMap::new(),
            time: None,
        }
    }

    /// Nothing to do: only steps that lower the cost are kept, so that the present state is the best.
    fn update(&mut self) {}

    fn get_param(&self) -> Option<&S> {
        self.point.as_ref().map(|point| &point.state)
    }

    fn get_best_param(&self) -> Option<&S> {
        self.get_param()
    }

    fn get_max_iters(&self) -> u64 {
        self.max_iterations
    }

    fn increment_iter(&mut self) {
        self.iterations += 1;
    }

    fn get_iter(&self) -> u64 {
        self.iterations
    }

    fn get_cost(&self) -> f64 {
        self.point.as_ref().map_or(f64::INFINITY, |point| point.linearised.cost)
    }

    fn get_best_cost(&self) -> f64 {
        self.get_cost()
    }

    fn get_target_cost(&self) -> f64 {
        f64::NEG_INFINITY
    }

    fn func_counts<O>(&mut self, problem: &Problem<O>) {
        self.counts = problem.counts.iter().map(|(name, count)| ((*name).to_owned(), *count)).collect();
    }

    fn get_func_counts(&self) -> &HashMap<String, u64> {
        &self.counts
    }

    fn time(&mut self, time: Option<Duration>) -> &mut Self {
        self.time = time;
        self
    }

    fn get_time(&self) -> Option<Duration> {
        self.time
    }

    fn get_last_best_iter(&self) -> u64 {
        self.last_accepted
    }

    fn is_best(&self) -> bool {
        self.last_accepted == self.iterations
    }

    fn terminate_with(mut self, reason: TerminationReason) -> Self {
        self.status = TerminationStatus::Terminated(reason);
        self
    }

    fn get_termination_status(&self) -> &TerminationStatus {
        &self.status
    }

    fn get_termination_reason(&self) -> Option<&TerminationReason> {
        match &self.status {
            TerminationStatus::Terminated(reason) => Some(reason),
            TerminationStatus::NotTerminated => None,
        }
    }
}
