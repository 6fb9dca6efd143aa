//! From board views to a calibrated lens.

use midline_session::board::{Board, BoardView};
use midline_session::calibration::{LensCalibration, LensView};
use midline_solver::{EndReason, Options, Solution, SolverError, minimise};
use nalgebra::{DMatrix, Vector3};

use crate::advice::advice;
use crate::checks::{LEAST_PLANE_ANGLE_DEGREES, check, widest_angle_degrees};
use crate::coverage::coverage;
use crate::held_out::held_out_rms_px;
use crate::pose::squared_error_px;
use crate::problem::{LensProblem, LensState};
use crate::start::start;
use crate::{LensError, LensSettings};

/// Trial steps allowed; a good start needs about ten.
const MOST_ITERATIONS: usize = 300;
/// Standard deviation of a focal length, as a share of it, above which it counts as not determined.
const HOPELESS_FOCAL: f64 = 0.2;

/// Calibrates the lens of a camera from views of a board, all used (choose them with [`crate::choose_views`]).
///
/// # Errors
/// [`LensError`] when a view does not have the board's corners, lies outside the picture or on a line; when there are fewer
/// than three views or all are parallel; when the views leave a parameter open; when no lens explains the views.
pub fn calibrate(
    camera: &str,
    board: &Board,
    views: &[BoardView],
    size_px: [u32; 2],
    settings: &LensSettings,
) -> Result<LensCalibration, LensError> {
    settings.check()?;
    check(camera, board, views, size_px)?;
    let board_m = board.corners_m();
    let corners: Vec<&[[f64; 2]]> = views.iter().map(|view| view.corners_px.as_slice()).collect();
    let start = start(&board_m, &corners, size_px, settings)
        .ok_or_else(|| LensError::NoStart { camera: camera.to_owned(), views: views.len() })?;
    let problem = LensProblem {
        board_m: &board_m,
        views: corners,
        free: settings.free_directions(&start.lens),
        corner_sd_px: settings.corner_sd_px,
    };
    let options = Options { max_iterations: MOST_ITERATIONS, ..Options::default() };
    let solution = minimise(&problem, start, &options)
        .map_err(|source| LensError::Solver { camera: camera.to_owned(), source })?;
    let corner_count = views.len() * board.corner_count();
    // cost = ½ Σ |error|² / sd²
    let rms_px = settings.corner_sd_px * (2.0 * solution.cost / corner_count as f64).sqrt();
    if solution.end == EndReason::Iterations {
        let iterations = solution.iterations;
        let error = LensError::NotConverged { camera: camera.to_owned(), iterations, rms_px };
        return Err(parallel_views(camera, &solution.state).unwrap_or(error));
    }
    let covariance = lens_covariance(camera, &problem, &solution)
        .map_err(|error| parallel_views(camera, &solution.state).unwrap_or(error))?;
    let lens = solution.state.lens;
    // A fixed parameter's row of free directions is 0, and so is its variance.
    let held_fixed = |parameter: usize| problem.free.row(parameter).iter().all(|&entry| entry == 0.0);
    let standard_deviations: Vec<Option<f64>> =
        (0..lens.parameter_count()).map(|i| (!held_fixed(i)).then(|| covariance[(i, i)].max(0.0).sqrt())).collect();
    for (index, name) in ["fx", "fy"].iter().enumerate() {
        let (value, sd) = (lens.focal_px[index], standard_deviations[index].unwrap_or(0.0));
        if sd > HOPELESS_FOCAL * value {
            let error = LensError::NotDetermined {
                camera: camera.to_owned(),
                views: views.len(),
                what: format!("the focal length {name}"),
                detail: Some(format!("{value:.0} ± {sd:.0} px")),
            };
            return Err(parallel_views(camera, &solution.state).unwrap_or(error));
        }
    }
    let mut calibration = LensCalibration {
        camera: camera.to_owned(),
        intrinsics: lens,
        parameter_names: lens.parameter_names(),
        standard_deviations,
        covariance: covariance.row_iter().map(|row| row.iter().copied().collect()).collect(),
        rms_px,
        held_out_rms_px: held_out_rms_px(&problem, &solution.state),
        views: lens_views(&problem, &solution.state, views),
        coverage: coverage(views, size_px),
        advice: Vec::new(),
    };
    calibration.advice = advice(board, views, &calibration);
    Ok(calibration)
}

/// The error to give instead when a fit failed because the boards' planes are parallel.
fn parallel_views(camera: &str, state: &LensState) -> Option<LensError> {
    let normals: Vec<Vector3<f64>> = state.camera_from_board.iter().map(|pose| pose.rotation * Vector3::z()).collect();
    let spread_degrees = widest_angle_degrees(&normals);
    (spread_degrees < LEAST_PLANE_ANGLE_DEGREES).then(|| LensError::ParallelViews {
        camera: camera.to_owned(),
        views: normals.len(),
        spread_degrees,
        needed_degrees: LEAST_PLANE_ANGLE_DEGREES,
    })
}

/// Covariance of all parameters of the lens, scaled by the residuals found; rows and columns of fixed ones are 0.
fn lens_covariance(
    camera: &str,
    problem: &LensProblem,
    solution: &Solution<LensState>,
) -> Result<DMatrix<f64>, LensError> {
    let free = problem.free.ncols();
    let not_determined = |what: String, detail: Option<String>| LensError::NotDetermined {
        camera: camera.to_owned(),
        views: problem.views.len(),
        what,
        detail,
    };
    let full = solution.covariance().map_err(|error| match &error {
        SolverError::RankDeficient { column, .. } if *column < free => {
            let names = solution.state.lens.parameter_names();
            let parameter = problem.free.column(*column).iamax();
            not_determined(names[parameter].clone(), Some(error.to_string()))
        }
        SolverError::RankDeficient { .. } => {
            not_determined("the poses of the board".to_owned(), Some(error.to_string()))
        }
        _ => LensError::Solver { camera: camera.to_owned(), source: error },
    })?;
    let residual_sd = solution
        .residual_sd()
        .ok_or_else(|| not_determined("more parameters than there are corners".to_owned(), None))?;
    let of_free = full.view((0, 0), (free, free)) * residual_sd.powi(2);
    Ok(&problem.free * of_free * problem.free.transpose())
}

fn lens_views(problem: &LensProblem, state: &LensState, views: &[BoardView]) -> Vec<LensView> {
    views
        .iter()
        .zip(&state.camera_from_board)
        .map(|(view, pose)| {
            // Every corner projects at the optimum, else the solver would have refused the step.
            let squared =
                squared_error_px(&state.lens, pose, problem.board_m, &view.corners_px).unwrap_or(f64::INFINITY);
            LensView {
                frame_index: view.frame_index,
                pts_seconds: view.pts_seconds,
                rms_px: (squared / view.corners_px.len() as f64).sqrt(),
                camera_from_board: *pose,
            }
        })
        .collect()
}
