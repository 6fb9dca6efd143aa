//! The joint solution: all cameras' clocks, read-outs and the points' paths at once, with how far to trust it.

use midline_solver::{Loss, Options, minimise};
use nalgebra::{Matrix2, UnitQuaternion};

use super::filmed::{Filmed, Straight};
use super::paths::Paths;
use super::problem::{Joint, JointProblem, Sight};
use crate::level::robust_sd;

/// Solutions one after the other: each learns the detectors' noise from the one before and puts every sighting into the
/// interval of the spline into which it now falls.
const PASSES: usize = 3;
/// Loss scale in standard deviations (Cauchy; 95 % efficiency on normal residuals).
const CAUCHY: f64 = 2.385;
/// Smallest noise that is believed, and the noise that is first assumed, pixels.
const LEAST_SD_PX: f64 = 0.1;
const FIRST_SD_PX: f64 = 1.5;
/// Residuals of one point in one camera from which its own noise is learned.
const LEAST_FOR_NOISE: usize = 40;
/// Standard deviation of a path's acceleration in pixels per second squared: far above a racket's (common practice), so that
/// it only says something where a camera misses the point.
const ACCELERATION_PX_S2: f64 = 1e6;
/// Neighbouring residuals over this time are looked at for noise that repeats itself, seconds.
const REPEATS_SECONDS: f64 = 0.1;
/// Sightings below which motion says nothing.
const LEAST_SIGHTS: usize = 60;

/// The clock of one camera as motion has it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Found {
    pub(crate) clock: Straight,
    /// Covariance of (middle, rate), for the rows in which points are seen: the clock, and both cameras' delays there.
    pub(crate) covariance: Matrix2<f64>,
    /// Sightings that it rests on.
    pub(crate) sights: usize,
    /// Mean share of the read-out over its sightings, for comparison with the truth.
    #[cfg(test)]
    pub(crate) middle_share: f64,
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
/// the rates (value, standard deviation).
pub(crate) fn solve(
    cameras: &[Filmed],
    reference: usize,
    clocks: &[Straight],
    rates: &[(f64, f64)],
    most_controls: usize,
) -> Result<Solved, String> {
    let Some(paths) = Paths::new(cameras, clocks, most_controls) else {
        return Err("no two cameras see the same points move for long enough".into());
    };
    let middle_shares: Vec<f64> = (0..cameras.len()).map(|c| mean_over(&paths.sights, c, |s| s.share)).collect();
    let mut state = Joint {
        clocks: centred(cameras, reference, clocks, &paths.sights, &middle_shares),
        rotations: vec![UnitQuaternion::identity(); cameras.len()],
        read_outs: cameras.iter().map(|c| c.camera.read_out.seconds).collect(),
        controls: paths.controls.clone(),
    };
    let mut problem = problem(cameras, reference, rates, &paths, middle_shares);
    keep_computable(&mut problem, &state);
    if problem.sights.len() < LEAST_SIGHTS {
        return Err(format!("only {} sightings are shared, {LEAST_SIGHTS} are needed", problem.sights.len()));
    }
    let options = Options {
        max_iterations: 40,
        loss: Loss::Cauchy(CAUCHY),
        gradient_tolerance: 1e-9,
        step_tolerance: 1e-7,
        absolute_step_tolerance: 3e-3,
        cost_tolerance: 1e-10,
        initial_damping: 1e-9,
        ..Options::default()
    };
    let mut pass = 0;
    let solution = loop {
        let solution = minimise(&problem, state, &options).map_err(|e| e.to_string())?;
        pass += 1;
        if pass == PASSES {
            break solution;
        }
        state = solution.state;
        learn_noise(&mut problem, &state, paths.points);
        for index in 0..problem.sights.len() {
            let sight = problem.sights[index];
            let session = state.clocks[sight.camera].session(problem.exposed_pts(&state, &sight));
            if let Some(segment) = paths.segment_of(sight.control) {
                problem.sights[index] = segment.placed(sight, session);
            }
        }
    };
    let shared: Vec<usize> = (0..problem.shared()).collect();
    let covariance = solution.covariance_of(&shared).map_err(|e| e.to_string())?;
    let inflation = inflation(&problem, &solution.state);
    let found = (0..cameras.len())
        .map(|camera| {
            let clock = solution.state.clocks[camera];
            // Back from the middle rows to the first ones.
            let delay = problem.middle_shares[camera] * solution.state.read_outs[camera];
            let reference_delay = problem.middle_shares[reference] * solution.state.read_outs[reference];
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
                sights: problem.sights.iter().filter(|s| s.camera == camera).count(),
                #[cfg(test)]
                middle_share: problem.middle_shares[camera],
                read_out: problem
                    .read_out_column(camera)
                    .map(|c| (solution.state.read_outs[camera], covariance_of(c, c).sqrt())),
            }
        })
        .collect();
    let noise: Vec<f64> = problem.sights.iter().map(|s| s.sd_px).collect();
    Ok(Solved { cameras: found, noise_px: crate::level::median(&noise) })
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
    reference: usize,
    rates: &[(f64, f64)],
    paths: &Paths,
    middle_shares: Vec<f64>,
) -> JointProblem {
    let focal = |c: &Filmed| c.camera.intrinsics.focal_px[0];
    let metres_per_px: Vec<f64> = cameras
        .iter()
        .flat_map(|c| paths.controls.iter().map(move |p| (c.camera.centre_world().coords - p).norm() / focal(c)))
        .collect();
    let metres_per_px = crate::level::median(&metres_per_px);
    let mut sights = paths.sights.clone();
    for sight in &mut sights {
        sight.sd_px = FIRST_SD_PX;
    }
    JointProblem {
        cameras: cameras.iter().map(|c| c.camera.clone()).collect(),
        reference,
        rates: rates.to_vec(),
        rotation_sds: cameras.iter().map(|c| c.rig_px.max(LEAST_SD_PX) / focal(c)).collect(),
        read_outs: cameras.iter().map(|c| (c.camera.read_out.seconds, c.read_out_sd_seconds)).collect(),
        middle_shares,
        sights,
        bends: paths
            .segments
            .iter()
            .flat_map(|s| {
                let sd_m = ACCELERATION_PX_S2 * metres_per_px * s.knot_seconds.powi(2);
                (s.first_control..s.first_control + s.controls() - 2).map(move |first| (first, sd_m))
            })
            .collect(),
        controls: paths.controls.len(),
    }
}

/// Leaves out sightings that cannot be computed at the start.
fn keep_computable(problem: &mut JointProblem, state: &Joint) {
    let computable: Vec<bool> = problem.sights.iter().map(|s| problem.error_px(state, s).is_some()).collect();
    let mut keep = computable.into_iter();
    problem.sights.retain(|_| keep.next().unwrap_or(false));
}

/// Residuals less than sightings have coordinates: the share that the splines did not take up.
fn freedom_share(problem: &JointProblem) -> f64 {
    let rows = 2.0 * problem.sights.len() as f64;
    (1.0 - 3.0 * problem.controls as f64 / rows).max(0.1)
}

/// Takes each detector's noise, point by point, from the residuals.
fn learn_noise(problem: &mut JointProblem, state: &Joint, points: usize) {
    let grow = freedom_share(problem).sqrt().recip();
    let sd = |errors: &[f64]| (grow * robust_sd(errors, 0.0)).max(LEAST_SD_PX);
    for camera in 0..problem.cameras.len() {
        let errors_of = |point: Option<usize>| -> Vec<f64> {
            problem
                .sights
                .iter()
                .filter(|s| s.camera == camera && point.is_none_or(|p| s.point == p))
                .filter_map(|s| problem.error_px(state, s))
                .flat_map(|e| [e.x, e.y])
                .collect()
        };
        let of_all = sd(&errors_of(None));
        let of_point: Vec<f64> = (0..points)
            .map(|point| {
                let errors = errors_of(Some(point));
                if errors.len() < LEAST_FOR_NOISE { of_all } else { sd(&errors) }
            })
            .collect();
        for sight in problem.sights.iter_mut().filter(|s| s.camera == camera) {
            sight.sd_px = of_point[sight.point];
        }
    }
}

/// By what the inverse of the weighted normal matrix is to be multiplied for the covariance.
///
/// The variance of a robust estimate (Huber, Robust Statistics, 1981, 7.6), with the loss's weights `w(s²)` on the norm of
/// both coordinates: `mean(ψ²) / mean(ψ')²`, for Cauchy's loss `ψ' = w²` on average over directions; and the repetition of
/// neighbouring residuals, `1 + 2 Σ ρ`, where that exceeds what independent noise shows by chance.
fn inflation(problem: &JointProblem, state: &Joint) -> f64 {
    let mut last: Vec<Vec<(usize, f64, nalgebra::Vector2<f64>)>> = Vec::new();
    let (mut n, mut weights, mut influence, mut slope) = (0.0, 0.0, 0.0, 0.0);
    for sight in &problem.sights {
        let Some(error) = problem.error_px(state, sight) else { continue };
        let residual = error / sight.sd_px;
        let squared = residual.norm_squared();
        let weight = Loss::Cauchy(CAUCHY).value_and_weight(squared).1;
        n += 1.0;
        weights += weight;
        influence += weight * weight * squared / 2.0;
        slope += weight * weight;
        let key = sight.camera + problem.cameras.len() * sight.point;
        if last.len() <= key {
            last.resize_with(key + 1, Vec::new);
        }
        last[key].push((sight.control, sight.pts_seconds, weight * residual));
    }
    if n < 1.0 {
        return 1.0;
    }
    let robust = (weights / n) * (influence / n / freedom_share(problem)) / (slope / n).powi(2);
    robust * repetition(&last)
}

/// `1 + 2 Σ ρ` over the lags up to a tenth of a second; 1 where that is within twice its standard error of 1.
fn repetition(series: &[Vec<(usize, f64, nalgebra::Vector2<f64>)>]) -> f64 {
    let mut sums: Vec<(f64, f64)> = Vec::new();
    let mut power = (0.0, 0.0);
    for one in series {
        for (index, (_, pts, value)) in one.iter().enumerate() {
            power.0 += value.norm_squared();
            power.1 += 2.0;
            for (lag, (_, later_pts, later)) in one[index + 1..].iter().enumerate() {
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
