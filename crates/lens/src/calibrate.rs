//! From board views to a calibrated lens.

use midline_session::board::{Board, BoardView};
use midline_session::calibration::{BoardBend, LensCalibration, LensQuality, LensView};
use midline_solver::{EndReason, Options, Solution, SolverError, minimise};
use nalgebra::{DMatrix, Vector2, Vector3};

use crate::advice::advice;
use crate::checks::{LEAST_PLANE_ANGLE_DEGREES, check, widest_angle_degrees};
use crate::coverage::{coverage, picture_cells, tilts};
use crate::held_out::held_out_squares;
use crate::problem::{BoardShape, LensProblem, LensState, ViewCorners};
use crate::projection_sd::{joint_covariance, projection_sd};
use crate::start::start;
use crate::{LensError, LensSettings};

/// Trial steps allowed; a good start needs about ten.
const MOST_ITERATIONS: usize = 300;
/// Standard deviation of a focal length, as a share of it, above which it counts as not determined.
const HOPELESS_FOCAL: f64 = 0.2;

/// Calibrates the lens of a camera from views of a board, all used, all alike, with the model that the settings name. For a
/// clip as it was filmed, see [`crate::calibrate_clip`].
///
/// # Errors
/// [`LensError`] when a view does not show the board, lies outside the picture or on a line; when there are fewer than three
/// views or all are parallel; when the views leave a parameter open; when no lens explains the views.
pub fn calibrate(
    camera: &str,
    board: &Board,
    views: &[BoardView],
    size_px: [u32; 2],
    settings: &LensSettings,
) -> Result<LensCalibration, LensError> {
    settings.check()?;
    check(camera, board, views, size_px)?;
    let corners_m = board.corners_m();
    let corners: Vec<ViewCorners> =
        views.iter().map(|view| ViewCorners::new(view, &corners_m, settings.corner_sd_px)).collect();
    Fit::new(camera, board, &corners, size_px, settings)?.calibration(camera, board, views)
}

/// A lens fitted to views.
pub(crate) struct Fit<'a> {
    pub(crate) problem: LensProblem<'a>,
    pub(crate) solution: Solution<LensState>,
    /// Squared error of each view when it was left out, px², where that was possible.
    pub(crate) held_out_squares: Option<Vec<f64>>,
    corner_sd_px: f64,
}

impl<'a> Fit<'a> {
    /// Fits the lens that the settings ask for to views that were checked.
    pub(crate) fn new(
        camera: &str,
        board: &Board,
        corners: &'a [ViewCorners<'a>],
        size_px: [u32; 2],
        settings: &LensSettings,
    ) -> Result<Self, LensError> {
        let views: Vec<&ViewCorners> = corners.iter().collect();
        let start = start(&views, size_px, settings)
            .ok_or_else(|| LensError::NoStart { camera: camera.to_owned(), views: views.len() })?;
        let problem = LensProblem {
            shape: BoardShape::new(board),
            views,
            free: settings.free_parameters(&start.lens),
            bend_free: settings.board_may_bend,
            change_from: None,
        };
        let options = Options { max_iterations: MOST_ITERATIONS, ..Options::default() };
        let solution = minimise(&problem, start, &options)
            .map_err(|source| LensError::Solver { camera: camera.to_owned(), source })?;
        let mut fit = Self { problem, solution, held_out_squares: None, corner_sd_px: settings.corner_sd_px };
        if fit.solution.end == EndReason::Iterations {
            let (iterations, rms_px) = (fit.solution.iterations, fit.rms_px());
            let error = LensError::NotConverged { camera: camera.to_owned(), iterations, rms_px };
            return Err(parallel_views(camera, &fit.solution.state).unwrap_or(error));
        }
        fit.held_out_squares = held_out_squares(&fit.problem, &fit.solution.state);
        Ok(fit)
    }

    fn corner_count(&self) -> usize {
        self.problem.views.iter().map(|view| view.corners_px.len()).sum()
    }

    /// Projected less seen, per view, px.
    fn residuals_px(&self) -> Vec<Vec<Vector2<f64>>> {
        // Every corner projects at the optimum, else the solver would have refused the step.
        let of_view = |view| self.problem.residuals_px(&self.solution.state, view).unwrap_or_default();
        (0..self.problem.views.len()).map(of_view).collect()
    }

    pub(crate) fn rms_px(&self) -> f64 {
        let squared: f64 = self.residuals_px().iter().flatten().map(Vector2::norm_squared).sum();
        (squared / self.corner_count() as f64).sqrt()
    }

    pub(crate) fn held_out_rms_px(&self) -> Option<f64> {
        let squares = self.held_out_squares.as_ref()?;
        Some((squares.iter().sum::<f64>() / self.corner_count() as f64).sqrt())
    }

    /// Bayesian information criterion of the fit with unknown noise: `n ln(Σr²/n) + k ln n` (Schwarz 1978).
    pub(crate) fn information_criterion(&self) -> f64 {
        let n = self.solution.residual_count as f64;
        let unknowns = (self.problem.shared() + 6 * self.problem.views.len()) as f64;
        n * (2.0 * self.solution.cost / n).ln() + unknowns * n.ln()
    }

    /// What the fit found, with how far to trust it; the views are those that were fitted.
    pub(crate) fn calibration(
        &self,
        camera: &str,
        board: &Board,
        views: &[BoardView],
    ) -> Result<LensCalibration, LensError> {
        let state = &self.solution.state;
        let lens = state.lens;
        let Covariances { of_lens, with_motion, bend_sd_m, residual_sd } =
            self.covariances(camera).map_err(|error| parallel_views(camera, state).unwrap_or(error))?;
        let standard_deviations: Vec<Option<f64>> = (0..lens.parameter_count())
            .map(|i| (!self.problem.free.holds(i)).then(|| of_lens[(i, i)].max(0.0).sqrt()))
            .collect();
        for (index, name) in ["fx", "fy"].iter().enumerate() {
            let (value, sd) = (lens.focal_px[index], standard_deviations[index].unwrap_or(0.0));
            if sd > HOPELESS_FOCAL * value {
                let error = LensError::NotDetermined {
                    camera: camera.to_owned(),
                    views: views.len(),
                    what: format!("the focal length {name}"),
                    detail: Some(format!("{value:.0} ± {sd:.0} px")),
                };
                return Err(parallel_views(camera, state).unwrap_or(error));
            }
        }
        let residuals = self.residuals_px();
        let placed: Vec<([f64; 2], Vector2<f64>)> = views
            .iter()
            .flat_map(|view| view.corners_px.iter().copied())
            .zip(residuals.iter().flatten().copied())
            .collect();
        let lens_views: Vec<LensView> = views
            .iter()
            .zip(&state.camera_from_board)
            .zip(&residuals)
            .map(|((view, pose), residuals)| LensView {
                frame_index: view.frame_index,
                pts_seconds: view.pts_seconds,
                rms_px: root_mean_square(residuals),
                camera_from_board: *pose,
            })
            .collect();
        let quality = LensQuality {
            residual_sd_px: residual_sd * self.corner_sd_px,
            cells: picture_cells(&placed, lens.size_px),
            tilts: tilts(&lens_views),
            projection_sd: projection_sd(&lens, &with_motion),
            board_bend: bend_sd_m.map(|sd_m| BoardBend { height_m: state.bend_m.into(), sd_m }),
            choice: None,
            remarks: Vec::new(),
        };
        let mut calibration = LensCalibration {
            camera: camera.to_owned(),
            intrinsics: lens,
            parameter_names: lens.parameter_names(),
            standard_deviations,
            covariance: of_lens.row_iter().map(|row| row.iter().copied().collect()).collect(),
            rms_px: self.rms_px(),
            held_out_rms_px: self.held_out_rms_px(),
            views: lens_views,
            coverage: coverage(views, lens.size_px),
            advice: Vec::new(),
            quality: Some(quality),
        };
        calibration.advice = advice(board, views, &calibration);
        Ok(calibration)
    }

    /// Scaled by the residuals found.
    fn covariances(&self, camera: &str) -> Result<Covariances, LensError> {
        let free = self.problem.free.count();
        let not_determined = |what: String, detail: Option<String>| LensError::NotDetermined {
            camera: camera.to_owned(),
            views: self.problem.views.len(),
            what,
            detail,
        };
        let joint = joint_covariance(&self.problem, &self.solution).map_err(|error| match &error {
            SolverError::RankDeficient { column, .. } if *column < free => {
                let names = self.solution.state.lens.parameter_names();
                let parameter = self.problem.free.matrix().column(*column).iamax();
                not_determined(names[parameter].clone(), Some(error.to_string()))
            }
            SolverError::RankDeficient { column, .. } if *column < self.problem.shared() => {
                not_determined("the bend of the board".to_owned(), Some(error.to_string()))
            }
            SolverError::RankDeficient { .. } => {
                not_determined("the poses of the board".to_owned(), Some(error.to_string()))
            }
            _ => LensError::Solver { camera: camera.to_owned(), source: error },
        })?;
        let joint = joint.ok_or_else(|| not_determined("the poses of the board".to_owned(), None))?;
        let residual_sd = self
            .solution
            .residual_sd()
            .ok_or_else(|| not_determined("more parameters than there are corners".to_owned(), None))?;
        let joint = joint * residual_sd.powi(2);
        // A fixed parameter's row of free directions is 0, and so is its variance.
        let (parameters, shared) = (self.problem.free.matrix().nrows(), self.problem.shared());
        let mut to_parameters = DMatrix::zeros(parameters + 6, shared + 6);
        to_parameters.view_mut((0, 0), (parameters, free)).copy_from(self.problem.free.matrix());
        to_parameters.view_mut((parameters, shared), (6, 6)).fill_with_identity();
        let with_motion = &to_parameters * &joint * to_parameters.transpose();
        Ok(Covariances {
            of_lens: with_motion.view((0, 0), (parameters, parameters)).into_owned(),
            with_motion,
            bend_sd_m: self
                .problem
                .bend_free
                .then(|| [0, 1, 2].map(|term| joint[(free + term, free + term)].max(0.0).sqrt())),
            residual_sd,
        })
    }
}

struct Covariances {
    of_lens: DMatrix<f64>,
    /// Parameters of the lens, then the camera's motion against the boards.
    with_motion: DMatrix<f64>,
    bend_sd_m: Option<[f64; 3]>,
    residual_sd: f64,
}

fn root_mean_square(residuals: &[Vector2<f64>]) -> f64 {
    (residuals.iter().map(Vector2::norm_squared).sum::<f64>() / residuals.len().max(1) as f64).sqrt()
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
