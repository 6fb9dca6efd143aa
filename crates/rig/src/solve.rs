//! The joint solution.

use midline_geometry::RigidTransform;
use midline_session::calibration::{LensCalibration, RigCalibration, RigCamera, Scale, Vertical, World};
use midline_solver::{Loss, Options, Solution, minimise};
use nalgebra::{DMatrix, Point3};
use rayon::prelude::*;

use crate::RigError;
use crate::bundle::{Bundle, KINDS, Kind, RigState, Scatter, Seen, Spread};
use crate::court_pose::{FEWEST_POINTS, court_minima, limit_px, worst};
use crate::crossings::with_crossings;
use crate::hypotheses::{BoardMinima, hypotheses};
use crate::input::{Checked, RigInput, RigSettings};
use crate::pose_problem::same_pose;
use crate::remarks::{Told, remarks};

/// A board view whose errors exceed this many times the usual, and this many assumed standard deviations, shows a board
/// that moved; so does one whose errors exceed this share of the picture's diagonal, whatever is usual.
const MOVED_TIMES_MEDIAN: f64 = 5.0;
const MOVED_SDS: f64 = 10.0;
const MOVED_SHARE_OF_PICTURE: f64 = 0.0015;

/// Iterations given to every hypothesis, and the multiple of the best cost after them beyond which one is dropped.
const FIRST_ITERATIONS: usize = 15;
const HOPELESS_TIMES_BEST: f64 = 20.0;

/// Share of the cost by which a step must lower it while solutions are only compared.
const ROUGH_COST_TOLERANCE: f64 = 1e-7;

/// Change of the standard deviations that is worth another solution, and how often at most.
const SPREAD_SETTLED: f64 = 0.01;
const MOST_REWEIGHTINGS: usize = 4;

/// Quantile of the normal distribution beyond which scatter is no longer chance: one in five. It is low because scatter that is
/// wrongly taken for chance costs more than some width.
const CHANCE_Z: f64 = 0.8416;
/// Freedom below which a kind's residuals tell nothing of its scatter.
const LEAST_REDUNDANCY: f64 = 0.5;

/// Another solution within this much chi-square of the best (odds of e⁶ to 1) leaves the question open.
const UNDECIDED_CHI_SQUARED: f64 = 12.0;

/// Poses nearer than this count as one.
const SAME_PLACE_M: f64 = 0.02;
const SAME_DIRECTION_RADIANS: f64 = 0.01;

/// Where the cameras stand, with default settings; see [`solve_with`].
///
/// # Errors
/// See [`solve_with`].
pub fn solve(input: &RigInput) -> Result<RigCalibration, RigError> {
    solve_with(input, &RigSettings::default())
}

/// Where the cameras stand: one joint least-squares solution over the poses of all cameras and of the board in every
/// shared sighting, from all board corners and court points at once (bundle adjustment, Triggs et al. 2000).
///
/// The covariance is that of the joint solution and holds what the lenses' own covariances do to the poses; where court points or corners
/// scatter more than the settings assume, the larger scatter counts. A sighting that contradicts the others is left out and told, as long as two thirds agree.
///
/// # Errors
/// What is missing or contradictory, with the camera and the point or sighting, and [`RigError::Undecided`] where two
/// solutions explain the data about equally well.
pub fn solve_with(input: &RigInput, settings: &RigSettings) -> Result<RigCalibration, RigError> {
    let checked = Checked::new(input, settings)?;
    let found = solved(&checked)?;
    Ok(calibration(&checked, &found.sightings, &found.bundle, &found.solution.state, &found.poses))
}

/// A joint solution that was decided.
pub(crate) struct Solved {
    /// Sightings used, as positions in `checked.sightings`.
    pub(crate) sightings: Vec<usize>,
    pub(crate) bundle: Bundle,
    pub(crate) solution: Solution<RigState>,
    pub(crate) poses: PosesKnown,
}

/// How well the poses of all cameras are known.
#[derive(Debug, Clone)]
pub(crate) struct PosesKnown {
    /// Of the pose steps, what is not known of the lenses included.
    pub(crate) covariance: DMatrix<f64>,
    /// Change of the pose steps per unit of each lens parameter.
    pub(crate) by_lens: DMatrix<f64>,
}

impl PosesKnown {
    /// Of a solution with the lenses held; `given_lenses` is its own covariance. A lens without any covariance counts as exact.
    pub(crate) fn with_lenses_held(
        bundle: &Bundle,
        solution: &Solution<RigState>,
        loss: Loss,
        given_lenses: DMatrix<f64>,
        lenses: &[LensCalibration],
    ) -> Result<Self, RigError> {
        let by_lens = bundle.poses_by_lens(solution, loss)?;
        let mut covariance = given_lenses;
        let mut start = 0;
        for lens in lenses {
            let count = lens.intrinsics.parameter_count();
            // One of another shape is refused where it is used.
            if lens.covariance.len() == count && lens.covariance.iter().all(|row| row.len() == count) {
                let own = by_lens.columns(start, count);
                let of_lens = DMatrix::from_fn(count, count, |i, j| lens.covariance[i][j]);
                covariance += own * of_lens * own.transpose();
            }
            start += count;
        }
        Ok(Self { covariance, by_lens })
    }
}

pub(crate) fn solved(checked: &Checked) -> Result<Solved, RigError> {
    let settings = &checked.settings;
    let court = court_poses(checked)?;
    let minima = BoardMinima::new(checked)?;
    let mut sightings: Vec<usize> = (0..checked.sightings.len()).collect();
    let mut spread = Spread::AS_ASSUMED;
    let (state, ranked) = loop {
        let ranked = ranked(checked, &minima, &court, &sightings, spread)?;
        let corners = typical_corner_spread(checked, &sightings, &ranked[0]);
        spread = spread.with(Kind::Corner, corners).with(Kind::MovingCorner, corners);
        let robust = solution(&Bundle::new(checked, &sightings, spread), ranked[0].clone(), Loss::Cauchy(3.0))?;
        let moved = moved_sightings(checked, &sightings, &robust.state, settings)?;
        if moved.is_empty() {
            break (robust.state, ranked);
        }
        sightings.retain(|sighting| !moved.contains(sighting));
    };
    check_court(checked, &state)?;
    check_lines(checked, &state)?;
    let mut bundle = Bundle::new(checked, &sightings, spread);
    let (solution, covariance) =
        weighted(&mut bundle, state, settings.loss, |bundle, start| solution(bundle, start, settings.loss))?;
    refuse_if_undecided(checked, &bundle, &solution, &ranked[1..])?;
    let poses = PosesKnown::with_lenses_held(&bundle, &solution, settings.loss, covariance, checked.input.lenses)?;
    Ok(Solved { sightings, bundle, solution, poses })
}

/// Each camera's poses on the court; empty for one that boards must place.
pub(crate) fn court_poses(checked: &Checked) -> Result<Vec<Vec<RigidTransform>>, RigError> {
    let Some((court, _)) = checked.input.court else { return Ok(vec![Vec::new(); checked.names.len()]) };
    let of_camera = |camera: usize| -> Result<Vec<RigidTransform>, RigError> {
        if let Some(start) = checked.starts[camera] {
            return Ok(vec![start]);
        }
        let points = &with_crossings(&checked.intrinsics[camera], &checked.court[camera], &checked.lines[camera]);
        let shares_a_board = checked.sightings.iter().any(|seen| seen.views[camera].is_some());
        if points.names.len() < FEWEST_POINTS && (shares_a_board || points.names.is_empty()) {
            return Ok(Vec::new());
        }
        let minima =
            court_minima(checked.names[camera], &checked.intrinsics[camera], court, points, &checked.settings)?;
        Ok(minima.into_iter().map(|m| m.camera_from_object).collect())
    };
    let poses: Vec<Vec<RigidTransform>> = (0..checked.names.len()).map(of_camera).collect::<Result<_, _>>()?;
    if checked.on_court()
        && poses.iter().all(Vec::is_empty)
        && let Some((camera, points)) = checked.court.iter().enumerate().max_by_key(|(_, points)| points.names.len())
    {
        return Err(RigError::TooFewCourtPoints {
            camera: checked.names[camera].to_owned(),
            points: points.names.len(),
        });
    }
    Ok(poses)
}

/// The solutions that the hypotheses lead to, best first, each once. All are solved a little way; those that stay far
/// behind are not solved to the end.
fn ranked(
    checked: &Checked,
    minima: &BoardMinima,
    court: &[Vec<RigidTransform>],
    sightings: &[usize],
    spread: Spread,
) -> Result<Vec<RigState>, RigError> {
    let bundle = Bundle::new(checked, sightings, spread);
    let rough = Options { cost_tolerance: ROUGH_COST_TOLERANCE, ..Options::default() };
    let few = Options { max_iterations: FIRST_ITERATIONS, ..rough.clone() };
    let starts = hypotheses(checked, minima, court, sightings)?;
    let tried: Vec<_> = starts.into_par_iter().map(|start| minimise(&bundle, start, &few)).collect();
    let (mut begun, mut failure) = (Vec::new(), None);
    for tried in tried {
        match tried {
            Ok(solution) => begun.push(solution),
            Err(error) => failure = Some(error),
        }
    }
    let best = begun.iter().map(|s| s.cost).fold(f64::INFINITY, f64::min);
    let mut solved = begun
        .into_par_iter()
        .filter(|begun| begun.cost <= HOPELESS_TIMES_BEST * best.max(1.0))
        .map(|promising| minimise(&bundle, promising.state, &rough))
        .collect::<Result<Vec<_>, _>>()?;
    solved.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    let mut kept: Vec<RigState> = Vec::new();
    for Solution { state, .. } in solved {
        let same = |other: &RigState| other.cameras.iter().zip(&state.cameras).all(|(a, b)| same_pose(a, b));
        if !kept.iter().any(same) {
            kept.push(state);
        }
    }
    if kept.is_empty() {
        let everyone = checked.names.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ");
        return Err(failure.map_or(RigError::NotConnected { cameras: everyone }, RigError::Solver));
    }
    Ok(kept)
}

fn solution(bundle: &Bundle, start: RigState, loss: Loss) -> Result<Solution<RigState>, RigError> {
    Ok(minimise(bundle, start, &Options { loss, ..Options::default() })?)
}

/// Root mean square length of the errors, px.
fn root_mean_square(errors: impl Iterator<Item = f64>) -> Option<f64> {
    let (count, sum) = errors.fold((0u32, 0.0), |(count, sum), error| (count + 1, sum + error * error));
    (count > 0).then(|| (sum / f64::from(count)).sqrt())
}

/// The corners' scatter as the median error tells it, over the assumed one; at least 1.
fn typical_corner_spread(checked: &Checked, sightings: &[usize], state: &RigState) -> f64 {
    let bundle = Bundle::new(checked, sightings, Spread::AS_ASSUMED);
    let mut errors: Vec<f64> = bundle
        .observations
        .iter()
        .filter(|o| matches!(o.seen, Seen::Board { .. }))
        .filter_map(|o| Some(bundle.error_px(state, o)?.norm() / o.sd_px))
        .collect();
    errors.sort_by(f64::total_cmp);
    // The median length of two standard normal coordinates is sqrt(2 ln 2).
    let median = errors.get(errors.len() / 2).map_or(0.0, |m| m / (2.0 * std::f64::consts::LN_2).sqrt());
    median.max(1.0)
}

/// Sightings (as in `sightings`) that contradict the others.
fn moved_sightings(
    checked: &Checked,
    sightings: &[usize],
    state: &RigState,
    settings: &RigSettings,
) -> Result<Vec<usize>, RigError> {
    let bundle = Bundle::new(checked, sightings, Spread::AS_ASSUMED);
    let mut views: Vec<(usize, usize, f64)> = Vec::new();
    for (board, &sighting) in sightings.iter().enumerate() {
        for camera in 0..checked.names.len() {
            let errors = bundle
                .observations
                .iter()
                .filter(|o| o.camera == camera && o.is_of_board(board))
                .map(|o| bundle.error_px(state, o).map_or(f64::INFINITY, |e| e.norm()));
            views.extend(root_mean_square(errors).map(|rms| (sighting, camera, rms)));
        }
    }
    views.sort_by(|a, b| a.2.total_cmp(&b.2));
    let Some(median) = views.get(views.len() / 2).map(|v| v.2) else { return Ok(Vec::new()) };
    let least = MOVED_SDS * settings.corner_sd_px;
    let limit = |camera: usize| {
        let [width, height] = checked.intrinsics[camera].size_px.map(f64::from);
        (MOVED_TIMES_MEDIAN * median).min(MOVED_SHARE_OF_PICTURE * width.hypot(height)).max(least)
    };
    let mut moved: Vec<usize> = views.iter().filter(|v| v.2 > limit(v.1)).map(|v| v.0).collect();
    moved.sort_unstable();
    moved.dedup();
    match views.last() {
        Some(&(sighting, camera, rms_px)) if 3 * moved.len() > sightings.len() => Err(RigError::BoardsContradict {
            contradicting: moved.len(),
            sightings: sightings.len(),
            worst: checked.sighting_indices[sighting],
            camera: checked.names[camera].to_owned(),
            rms_px,
        }),
        _ => Ok(moved),
    }
}

/// Court points that fitted each camera alone must still fit all together.
fn check_court(checked: &Checked, state: &RigState) -> Result<(), RigError> {
    for (camera, points) in checked.court.iter().enumerate() {
        let problem = crate::pose_problem::PoseProblem {
            intrinsics: &checked.intrinsics[camera],
            observed: &points.observed,
            sd_px: 1.0,
        };
        let (index, residual_px) = worst(&problem.errors_px(&state.cameras[camera]));
        let limit_px = limit_px(&checked.intrinsics[camera], &checked.settings);
        if residual_px > limit_px {
            return Err(RigError::CourtAgainstBoards {
                camera: checked.names[camera].to_owned(),
                point: points.names[index].clone(),
                residual_px,
                limit_px,
            });
        }
    }
    Ok(())
}

/// Pixels on lines must lie near them, as court points must.
fn check_lines(checked: &Checked, state: &RigState) -> Result<(), RigError> {
    let bundle = Bundle::new(checked, &[], Spread::AS_ASSUMED);
    for (camera, points) in checked.lines.iter().enumerate() {
        let limit_px = limit_px(&checked.intrinsics[camera], &checked.settings);
        let own = bundle.observations.iter().filter(|o| o.camera == camera && o.kind() == Kind::Line);
        let errors: Vec<f64> = own.map(|o| bundle.error_px(state, o).map_or(f64::INFINITY, |e| e.norm())).collect();
        let (index, residual_px) = worst(&errors);
        if residual_px > limit_px {
            return Err(RigError::LineContradiction {
                camera: checked.names[camera].to_owned(),
                line: points[index].line.clone(),
                residual_px,
                limit_px,
            });
        }
    }
    Ok(())
}

/// The solution with the weights that its own residuals call for, and the covariance of the cameras' poses. Never more
/// trusting than assumed; less only where a kind scatters by more than chance would explain (the global test of adjustment,
/// Baarda 1968), since few residuals exceed their deviations half of the time and would widen every other interval.
pub(crate) fn weighted(
    bundle: &mut Bundle,
    start: RigState,
    loss: Loss,
    solve: impl Fn(&Bundle, RigState) -> Result<Solution<RigState>, RigError>,
) -> Result<(Solution<RigState>, DMatrix<f64>), RigError> {
    let mut solved = solve(bundle, start)?;
    for _ in 0..MOST_REWEIGHTINGS {
        let scatter = bundle.scatter(&solved.state, &solved.local_covariance()?, loss);
        let before = bundle.spread;
        bundle.spread = KINDS.iter().fold(before, |spread, &kind| {
            let Scatter { chi_squared, redundancy } = scatter[kind as usize];
            let factor = before.of(kind) * (chi_squared / redundancy).sqrt();
            match redundancy > LEAST_REDUNDANCY {
                true if factor > by_chance(redundancy) => spread.with(kind, factor),
                true => spread.with(kind, 1.0),
                false => spread,
            }
        });
        if KINDS.iter().all(|kind| (bundle.spread.of(*kind) / before.of(*kind) - 1.0).abs() < SPREAD_SETTLED) {
            bundle.spread = before;
            break;
        }
        solved = solve(bundle, solved.state)?;
    }
    let covariance = solved.covariance_of(&bundle.pose_columns())?;
    Ok((solved, covariance))
}

/// The factor that scatter as assumed exceeds in one case in five only ([`CHANCE_Z`]): the root of a quantile of chi-square over its
/// degrees of freedom (Wilson & Hilferty 1931).
fn by_chance(redundancy: f64) -> f64 {
    let part = 2.0 / (9.0 * redundancy);
    (1.0 - part + CHANCE_Z * part.sqrt()).powi(3).sqrt().max(1.0)
}

fn refuse_if_undecided(
    checked: &Checked,
    bundle: &Bundle,
    best: &Solution<RigState>,
    others: &[RigState],
) -> Result<(), RigError> {
    for other in others {
        // The other solutions were found with other weights; one that no longer exists is no rival.
        let Ok(rival) = solution(bundle, other.clone(), checked.settings.loss) else { continue };
        if 2.0 * (rival.cost - best.cost) > UNDECIDED_CHI_SQUARED {
            continue;
        }
        let differences = best.state.cameras.iter().zip(&rival.state.cameras).map(|(a, b)| {
            let place = |pose: &RigidTransform| pose.inverse_transform_point(&Point3::origin());
            ((place(a) - place(b)).norm(), a.rotation.angle_to(&b.rotation))
        });
        let most = differences.enumerate().max_by(|a, b| (a.1.0 + a.1.1).total_cmp(&(b.1.0 + b.1.1)));
        if let Some((camera, (apart_m, angle))) = most
            && (apart_m > SAME_PLACE_M || angle > SAME_DIRECTION_RADIANS)
        {
            return Err(RigError::Undecided {
                camera: checked.names[camera].to_owned(),
                apart_m,
                apart_degrees: angle.to_degrees(),
                advice: if checked.sightings.is_empty() {
                    "mark more court points, near and far ones and the tops of the net posts"
                } else {
                    "film the board nearer to the cameras and at rest in more positions, turned by 30 to 50 degrees in different directions, or mark court points"
                },
            });
        }
    }
    Ok(())
}

pub(crate) fn calibration(
    checked: &Checked,
    sightings: &[usize],
    bundle: &Bundle,
    state: &RigState,
    poses: &PosesKnown,
) -> RigCalibration {
    let rms = |camera: usize, kinds: &[Kind]| {
        let errors = bundle
            .observations
            .iter()
            .filter(|o| o.camera == camera && kinds.contains(&o.kind()))
            .filter_map(|o| Some(bundle.error_px(state, o)?.norm()));
        root_mean_square(errors)
    };
    let cameras: Vec<RigCamera> = (0..checked.names.len())
        .map(|camera| RigCamera {
            name: checked.names[camera].to_owned(),
            camera_from_world: state.cameras[camera],
            court_rms_px: rms(camera, &[Kind::Click]),
            court_points: checked.court[camera].names.len(),
            board_rms_px: rms(camera, &[Kind::Corner, Kind::MovingCorner]),
            board_views: sightings.iter().filter(|&&s| checked.sightings[s].views[camera].is_some()).count(),
        })
        .collect();
    let told = Told {
        checked,
        sightings,
        cameras: &cameras,
        covariance: &poses.covariance,
        spread: bundle.spread,
        late_seconds: &state.late_seconds,
    };
    let remarks = remarks(&told);
    let on_court = checked.on_court();
    RigCalibration {
        world: if on_court { World::Court } else { World::Board },
        scale: Scale::Metric,
        vertical: if on_court { Vertical::ZUp } else { Vertical::Unknown },
        covariance: rows(&poses.covariance),
        pose_by_lens: rows(&poses.by_lens),
        cameras,
        remarks,
    }
}

pub(crate) fn rows(matrix: &DMatrix<f64>) -> Vec<Vec<f64>> {
    matrix.row_iter().map(|row| row.iter().copied().collect()).collect()
}
