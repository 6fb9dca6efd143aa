//! The joint solution: all cameras' clocks, read-outs and the points' paths at once, with how far to trust it.

use std::collections::BTreeMap;

use midline_solver::{LeastSquares, LocalCovariance, Loss, Options, Solution, SolverError, minimise};
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use super::calibration::Calibration;
use super::filmed::{Filmed, Straight};
use super::paths::Paths;
use super::problem::{Jerk, Joint, JointProblem, Learned, Sight};

/// Rounds one after the other: each learns the detectors' noise and the paths' smoothness from the one before and puts every
/// sighting into the interval of the spline into which it now falls.
const MOST_ROUNDS: usize = 16;
/// Newton steps of a round, and of the last.
const STEPS_PER_ROUND: usize = 2;
const MOST_STEPS: usize = 30;
/// Rounds end when a noise changes by less than this share.
const SETTLED: f64 = 0.01;
/// Loss of a sighting's distance in standard deviations: quadratic for what Gaussian noise brings.
const LOSS: Loss = Loss::Huber(3.0);
/// Beyond this many standard deviations a sighting is mistaken (Gaussian noise brings it once in 20 000); below the other it
/// is taken back.
const MISTAKEN_SDS: f64 = 4.5;
const READMITTED_SDS: f64 = 4.0;
/// Smallest noise that is believed, and the noise that is first assumed, pixels.
const LEAST_SD_PX: f64 = 0.1;
const FIRST_SD_PX: f64 = 2.0;
/// Degrees of freedom of one point in one camera from which its own noise is learned.
const LEAST_FREEDOM: f64 = 40.0;
/// A detector's offset that is first assumed, and the least and most, pixels.
const FIRST_OFFSET_PX: f64 = 1.0;
const OFFSET_BOUNDS_PX: [f64; 2] = [0.05, 15.0];
/// Jerk that is first assumed, m/s³: about a racket's (25 m/s reached in a tenth of a second; common practice).
const FIRST_JERK_M_S3: f64 = 5000.0;
/// Precisions may differ from the first guess by these factors.
const PRECISION_RANGE: [f64; 2] = [1e-3, 1e10];
/// Rows worth of its neighbours' smoothness that a stretch of a path starts from: their spread is a factor of about two.
const NEIGHBOUR_ROWS: f64 = 4.0;
/// Neighbouring residuals over this time are looked at for noise that repeats itself, seconds.
const REPEATS_SECONDS: f64 = 0.1;
/// Sightings below which motion says nothing.
const LEAST_SIGHTS: usize = 60;

/// The clock of one camera as motion has it.
#[derive(Debug, Clone)]
pub(crate) struct Found {
    pub(crate) clock: Straight,
    /// Covariance of (middle, rate), for the rows in which points are seen: the clock, and both cameras' delays there.
    pub(crate) covariance: Matrix2<f64>,
    /// Sightings that it rests on.
    pub(crate) sights: usize,
    /// Mean share of the read-out over its sightings, for comparison with the truth.
    #[cfg(test)]
    pub(crate) middle_share: f64,
    /// Covariance of the middle with the directions of the calibration, to tell what it costs to take them as independent.
    #[cfg(test)]
    pub(crate) with_directions: DVector<f64>,
    /// Read-out in seconds with its standard deviation, where it was not known.
    pub(crate) read_out: Option<(f64, f64)>,
}

/// All cameras' clocks.
pub(crate) struct Solved {
    /// One per camera; the reference has no covariance.
    pub(crate) cameras: Vec<Found>,
    /// Usual noise of the sightings, pixels.
    pub(crate) noise_px: f64,
}

/// Solves for the clocks of `cameras` from `clocks`, which must be right to some milliseconds; `rates` are the priors of
/// the rates (value, standard deviation); `calibration` holds the same cameras.
pub(crate) fn solve(
    cameras: &[Filmed],
    calibration: Calibration,
    reference: usize,
    clocks: &[Straight],
    rates: &[(f64, f64)],
    most_controls: usize,
) -> Result<Solved, String> {
    let Some(paths) = Paths::new(cameras, clocks, most_controls) else {
        return Err("no two cameras see the same points move for long enough".into());
    };
    let middle_shares: Vec<f64> = (0..cameras.len()).map(|c| mean_over(&paths.sights, c, |s| s.share)).collect();
    let along = DVector::zeros(calibration.directions());
    let state = Joint {
        clocks: centred(cameras, reference, clocks, &paths.sights, &middle_shares),
        read_outs: cameras.iter().map(|c| c.camera.read_out.seconds).collect(),
        cameras: calibration.cameras_at(&along),
        calibration: along,
        offsets: vec![vec![Vector2::zeros(); paths.points]; cameras.len()],
        controls: paths.controls.clone(),
    };
    let mut problem = problem(cameras, calibration, reference, rates, &paths, middle_shares);
    keep_computable(&mut problem, &state);
    if problem.sights.len() < LEAST_SIGHTS {
        return Err(format!("only {} sightings are shared, {LEAST_SIGHTS} are needed", problem.sights.len()));
    }
    let (state, covariance) = settled(&mut problem, &paths, state).map_err(|e| e.to_string())?;
    let inflation = inflation(&problem, &state);
    let found = (0..cameras.len())
        .map(|camera| {
            let clock = state.clocks[camera];
            // Back from the middle rows to the first ones.
            let delay = problem.middle_shares[camera] * state.read_outs[camera];
            let reference_delay = problem.middle_shares[reference] * state.read_outs[reference];
            let clock = Straight {
                centre_pts: clock.centre_pts + delay,
                middle_seconds: clock.middle_seconds + reference_delay,
                ..clock
            };
            let covariance_of = |a: usize, b: usize| inflation * covariance[(a, b)];
            let own = problem.camera_column(camera).map_or_else(Matrix2::zeros, |c| {
                Matrix2::new(
                    covariance_of(c, c),
                    covariance_of(c, c + 1),
                    covariance_of(c + 1, c),
                    covariance_of(c + 1, c + 1),
                )
            });
            Found {
                clock,
                covariance: own,
                sights: problem.sights.iter().filter(|s| s.camera == camera && !s.mistaken).count(),
                #[cfg(test)]
                middle_share: problem.middle_shares[camera],
                #[cfg(test)]
                with_directions: problem.camera_column(camera).map_or_else(
                    || DVector::zeros(0),
                    |c| {
                        let first = problem.calibration_column();
                        DVector::from_fn(problem.calibration.directions(), |k, _| covariance[(c, first + k)])
                    },
                ),
                read_out: problem
                    .read_out_column(camera)
                    .map(|c| (state.read_outs[camera], covariance_of(c, c).sqrt())),
            }
        })
        .collect();
    let noise: Vec<f64> = problem.sights.iter().map(|s| s.sd_px).collect();
    Ok(Solved { cameras: found, noise_px: crate::level::median(&noise) })
}

/// The solution with noise and smoothness as they follow from the data, and the covariance of the shared columns.
fn settled(problem: &mut JointProblem, paths: &Paths, mut state: Joint) -> Result<(Joint, DMatrix<f64>), SolverError> {
    let options = |max_iterations| Options {
        max_iterations,
        loss: LOSS,
        absolute_step_tolerance: 3e-3,
        cost_tolerance: 1e-8,
        initial_damping: 1e-9,
        ..Options::default()
    };
    for _ in 0..MOST_ROUNDS {
        let solution = minimise(&*problem, state, &options(STEPS_PER_ROUND))?;
        let covariance = solution.local_covariance()?;
        state = solution.state;
        let changed = learn(problem, &state, &covariance);
        for index in 0..problem.sights.len() {
            let sight = problem.sights[index];
            let session = state.clocks[sight.camera].session(problem.exposed_pts(&state, &sight));
            if let Some(segment) = paths.segment_of(sight.control) {
                problem.sights[index] = segment.placed(sight, session);
            }
        }
        if changed < SETTLED {
            break;
        }
    }
    let solution = minimise(&*problem, state, &options(MOST_STEPS))?;
    let covariance = solution.covariance_of(&(0..problem.shared()).collect::<Vec<_>>())?;
    let learned = of_what_was_learned(problem, &solution)?;
    Ok((solution.state, covariance + learned))
}

/// What the uncertainty of the learned noise and smoothness adds to the covariance of the shared columns, to first order: the
/// second term of `Var t = E Var(t | θ) + Var E(t | θ)` (Kass & Steffey 1989, "Approximate Bayesian inference in conditionally
/// independent hierarchical models"). The logarithm of a precision that rests on so many effective rows has twice their
/// inverse as variance.
fn of_what_was_learned(problem: &JointProblem, solution: &Solution<Joint>) -> Result<DMatrix<f64>, SolverError> {
    let (state, shared) = (&solution.state, problem.shared());
    let mut units = DMatrix::zeros(problem.tangent_dim(), shared);
    units.fill_diagonal(1.0);
    let response = solution.response(&units)?;
    let parts = leverages(problem, state, &solution.local_covariance()?);
    // By what is learned together: effective rows, and how far the shared columns move per unit of the logarithm.
    let mut learned: BTreeMap<Learned, (f64, DVector<f64>)> = BTreeMap::new();
    for (block, (leverage, _)) in parts.into_iter().enumerate() {
        let Some(of) = problem.learned(block) else { continue };
        let (rows, columns) = (problem.block_rows(block), problem.block_columns(block));
        let (mut residual, mut jacobian) = (DVector::zeros(rows), DMatrix::zeros(rows, columns.len()));
        if !problem.evaluate(state, block, &mut residual, Some(&mut jacobian)) {
            continue;
        }
        let weight = LOSS.value_and_weight(residual.norm_squared()).1;
        let pull = jacobian.tr_mul(&residual) * weight;
        let sums = learned.entry(of).or_insert_with(|| (0.0, DVector::zeros(shared)));
        sums.0 += (rows as f64 - leverage).max(0.0);
        for (column, pull) in columns.iter().zip(pull.iter()) {
            sums.1 -= response.row(*column).transpose() * *pull;
        }
    }
    let mut covariance = DMatrix::zeros(shared, shared);
    for (of, (effective, moved)) in learned {
        let kept = if matches!(of, Learned::Smoothness(_)) { NEIGHBOUR_ROWS } else { 0.0 };
        covariance += &moved * moved.transpose() * (2.0 / (effective + kept).max(1.0));
    }
    Ok(covariance)
}

/// The mean of something over a camera's sightings; 0 without any.
fn mean_over(sights: &[Sight], camera: usize, value: impl Fn(&Sight) -> f64) -> f64 {
    let (sum, n) =
        sights.iter().filter(|s| s.camera == camera).fold((0.0, 0.0), |(sum, n), sight| (sum + value(sight), n + 1.0));
    if n > 0.0 { sum / n } else { 0.0 }
}

/// The clocks written for each camera's middle row, about the middle of its sightings, where offset and rate are hardly
/// correlated; the session clock is the reference's for its middle row.
fn centred(
    cameras: &[Filmed],
    reference: usize,
    clocks: &[Straight],
    sights: &[Sight],
    middle_shares: &[f64],
) -> Vec<Straight> {
    let delay = |camera: usize| middle_shares[camera] * cameras[camera].camera.read_out.seconds;
    clocks
        .iter()
        .enumerate()
        .map(|(camera, clock)| {
            let centre_pts = mean_over(sights, camera, |s| s.pts_seconds);
            let middle_seconds = clock.session(centre_pts + delay(camera)) - delay(reference);
            Straight { centre_pts, middle_seconds, rate: clock.rate }
        })
        .collect()
}

fn problem(
    cameras: &[Filmed],
    calibration: Calibration,
    reference: usize,
    rates: &[(f64, f64)],
    paths: &Paths,
    middle_shares: Vec<f64>,
) -> JointProblem {
    let mut sights = paths.sights.clone();
    for sight in &mut sights {
        sight.sd_px = FIRST_SD_PX;
    }
    let jerks = |s: &super::paths::Segment| {
        let segment = *s;
        (0..s.intervals)
            .map(move |interval| Jerk { control: segment.first_control + interval, group: segment.group_of(interval) })
    };
    let precisions = |s: &super::paths::Segment| {
        let first = (FIRST_JERK_M_S3 * s.knot_seconds.powi(3)).powi(-2);
        std::iter::repeat_n(first, s.groups)
    };
    JointProblem {
        reference,
        calibration,
        points: paths.points,
        offset_sd_px: FIRST_OFFSET_PX,
        rates: rates.to_vec(),
        read_outs: cameras.iter().map(|c| (c.camera.read_out.seconds, c.read_out_sd_seconds)).collect(),
        middle_shares,
        sights,
        jerks: paths.segments.iter().flat_map(jerks).collect(),
        precisions: paths.segments.iter().flat_map(precisions).collect(),
        first_precisions: paths.segments.iter().flat_map(precisions).collect(),
        controls: paths.controls.len(),
    }
}

/// Leaves out sightings that cannot be computed at the start.
fn keep_computable(problem: &mut JointProblem, state: &Joint) {
    let computable: Vec<bool> = problem.sights.iter().map(|s| problem.error_px(state, s).is_some()).collect();
    let mut keep = computable.into_iter();
    problem.sights.retain(|_| keep.next().unwrap_or(false));
}

/// Of a block: how many of its rows the data decide or follow (the trace of its hat matrix), and its weighted squared residual.
fn leverage(problem: &JointProblem, state: &Joint, block: usize, covariance: &LocalCovariance) -> (f64, f64) {
    let (rows, columns) = (problem.block_rows(block), problem.block_columns(block));
    let (mut residual, mut jacobian) = (DVector::zeros(rows), DMatrix::zeros(rows, columns.len()));
    let computed = problem.evaluate(state, block, &mut residual, Some(&mut jacobian));
    let Some(covariance) = covariance.of(&columns).filter(|_| computed) else { return (0.0, f64::INFINITY) };
    ((&jacobian * covariance).component_mul(&jacobian).sum(), residual.norm_squared())
}

fn leverages(problem: &JointProblem, state: &Joint, covariance: &LocalCovariance) -> Vec<(f64, f64)> {
    (0..problem.block_count()).into_par_iter().map(|block| leverage(problem, state, block, covariance)).collect()
}

/// One step of the noise of each detector's points, of the paths' smoothness, of the detectors' offsets, and of which sightings
/// are mistaken; the largest change of a noise as a share.
///
/// All maximise the marginal likelihood by fixed-point steps of the form "effective parameters over squares" (MacKay 1992,
/// "Bayesian interpolation"; Wood & Fasiolo 2017, "A generalized Fellner-Schall method").
fn learn(problem: &mut JointProblem, state: &Joint, covariance: &LocalCovariance) -> f64 {
    let (sights, jerks) = (problem.sights.len(), problem.jerks.len());
    let parts = leverages(problem, state, covariance);
    let (of_sights, rest) = parts.split_at(sights);
    let (of_jerks, of_priors) = rest.split_at(jerks);
    learn_offsets(problem, of_priors);
    learn_smoothness(problem, of_jerks);
    learn_noise(problem, state, of_sights)
}

fn learn_offsets(problem: &mut JointProblem, of_priors: &[(f64, f64)]) {
    // The offsets come last.
    let count = (problem.camera_count() - 1) * problem.points;
    let (mut effective, mut squares) = (0.0, 0.0);
    for (leverage, squared) in &of_priors[of_priors.len() - count..] {
        effective += (2.0 - leverage).max(0.0);
        squares += squared;
    }
    // Two rows worth of the present one keep it where nothing tells.
    let factor = ((squares + 2.0) / (effective + 2.0)).sqrt();
    problem.offset_sd_px = (problem.offset_sd_px * factor).clamp(OFFSET_BOUNDS_PX[0], OFFSET_BOUNDS_PX[1]);
}

fn learn_smoothness(problem: &mut JointProblem, of_jerks: &[(f64, f64)]) {
    let mut sums = vec![(0.0, 0.0); problem.precisions.len()];
    let mut segment_of = vec![0; problem.precisions.len()];
    let (mut segment, mut last_control) = (0, None);
    for (jerk, (leverage, squared)) in problem.jerks.iter().zip(of_jerks) {
        if last_control.is_some_and(|last: usize| last + 1 != jerk.control) {
            segment += 1;
        }
        last_control = Some(jerk.control);
        segment_of[jerk.group] = segment;
        sums[jerk.group].0 += (3.0 - leverage).max(0.0);
        sums[jerk.group].1 += squared;
    }
    let old = problem.precisions.clone();
    let first = &problem.first_precisions;
    for (group, (effective, squares)) in sums.into_iter().enumerate() {
        let near: Vec<f64> = [group.checked_sub(1), Some(group + 1)]
            .into_iter()
            .flatten()
            .filter(|g| segment_of.get(*g) == Some(&segment_of[group]))
            .map(|g| old[g].ln())
            .collect();
        let usual = if near.is_empty() { old[group] } else { (near.iter().sum::<f64>() / near.len() as f64).exp() };
        // The neighbours count as rows whose squares are what their precision expects.
        let wanted = old[group] * (effective + NEIGHBOUR_ROWS) / (squares + NEIGHBOUR_ROWS * old[group] / usual);
        problem.precisions[group] = wanted.clamp(first[group] * PRECISION_RANGE[0], first[group] * PRECISION_RANGE[1]);
    }
}

fn learn_noise(problem: &mut JointProblem, state: &Joint, of_sights: &[(f64, f64)]) -> f64 {
    // Squared pixels and degrees of freedom, of each point in each camera and of each camera.
    let mut of_point: BTreeMap<(usize, usize), (f64, f64)> = BTreeMap::new();
    let mut of_camera = vec![(0.0, 0.0); problem.camera_count()];
    for (sight, (leverage, squared)) in problem.sights.iter().zip(of_sights).filter(|(s, _)| !s.mistaken) {
        let weighted = LOSS.value_and_weight(*squared).1 * squared * sight.sd_px * sight.sd_px;
        for sums in [of_point.entry((sight.camera, sight.point)).or_default(), &mut of_camera[sight.camera]] {
            sums.0 += weighted;
            sums.1 += 2.0 - leverage;
        }
    }
    let sd = |(squares, freedom): (f64, f64)| (squares / freedom).sqrt().max(LEAST_SD_PX);
    let mut changed: f64 = 0.0;
    for index in 0..problem.sights.len() {
        let sight = problem.sights[index];
        let own = of_point.get(&(sight.camera, sight.point)).filter(|sums| sums.1 >= LEAST_FREEDOM);
        let sd_px = sd(*own.unwrap_or(&of_camera[sight.camera]));
        let off = problem.error_px(state, &sight).map_or(f64::INFINITY, |e| e.norm() / sd_px);
        let mistaken = off > if sight.mistaken { READMITTED_SDS } else { MISTAKEN_SDS };
        changed = changed.max((sd_px / sight.sd_px).ln().abs());
        problem.sights[index] = Sight { sd_px, mistaken, ..sight };
    }
    changed
}

/// Presentation times and whitened residuals of one point in one camera.
type Residuals = Vec<(f64, Vector2<f64>)>;

/// By what the inverse of the weighted normal matrix is to be multiplied for the covariance: the repetition of neighbouring
/// residuals.
fn inflation(problem: &JointProblem, state: &Joint) -> f64 {
    let mut series: BTreeMap<(usize, usize), Residuals> = BTreeMap::new();
    for sight in problem.sights.iter().filter(|s| !s.mistaken) {
        if let Some(error) = problem.error_px(state, sight) {
            series.entry((sight.camera, sight.point)).or_default().push((sight.pts_seconds, error / sight.sd_px));
        }
    }
    repetition(&series.into_values().collect::<Vec<_>>())
}

/// `1 + 2 Σ ρ` over the lags up to a tenth of a second; 1 where that is within twice its standard error of 1.
fn repetition(series: &[Residuals]) -> f64 {
    let mut sums: Vec<(f64, f64)> = Vec::new();
    let mut power = (0.0, 0.0);
    for one in series {
        for (index, (pts, value)) in one.iter().enumerate() {
            power.0 += value.norm_squared();
            power.1 += 2.0;
            for (lag, (later_pts, later)) in one[index + 1..].iter().enumerate() {
                if !(0.0..REPEATS_SECONDS).contains(&(later_pts - pts)) {
                    break;
                }
                if sums.len() <= lag {
                    sums.resize(lag + 1, (0.0, 0.0));
                }
                sums[lag].0 += value.dot(later);
                sums[lag].1 += 2.0;
            }
        }
    }
    let variance: f64 = power.0 / f64::max(power.1, 1.0);
    if variance <= 0.0 {
        return 1.0;
    }
    let total: f64 = sums.iter().filter(|s| s.1 > 0.0).map(|s| s.0 / s.1 / variance).sum();
    let error: f64 = sums.iter().filter(|s| s.1 > 0.0).map(|s| 1.0 / s.1).sum::<f64>().sqrt();
    if total > 2.0 * error { 1.0 + 2.0 * total } else { 1.0 }
}
