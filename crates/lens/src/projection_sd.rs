//! How well a calibration knows where a point projects.
//!
//! An error of the lens comes with an error of the boards' poses, and in part the two only mean that the camera stood a
//! little differently: that does not matter, as the camera will be placed anew. What matters is where a point projects that
//! rests with the boards. To first order: a change `δ` of lens and poses moves the boards' corners in the camera frame; the
//! rigid motion `(ω, τ)` that moves all corners alike best is the camera's; the pixel of a point `p` then changes by
//! `J_lens δ + J_p (ω × p + τ)`. For a point at infinity only ω counts.

use midline_geometry::{Intrinsics, skew};
use midline_session::calibration::ProjectionSd;
use midline_solver::{Solution, SolverError};
use nalgebra::{DMatrix, Matrix3x6, Matrix6, Vector2, Vector3};

use crate::problem::{LensProblem, LensState};

/// Columns and rows of the grid over the picture.
const GRID: [usize; 2] = [13, 9];
/// Distance of the near points, metres.
const NEAR_M: f64 = 10.0;

/// Covariance of the free parameters of the lens, of the bend, and of the camera's motion `(ω, τ)`, in that order, for
/// whitened residuals. `None` when the corners do not determine the motion.
pub(crate) fn joint_covariance(
    problem: &LensProblem,
    solution: &Solution<LensState>,
) -> Result<Option<DMatrix<f64>>, SolverError> {
    let (shared, views) = (problem.shared(), problem.views.len());
    let mut normal = Matrix6::zeros();
    let by_pose: Vec<Matrix6<f64>> = problem
        .views
        .iter()
        .zip(&solution.state.camera_from_board)
        .map(|(view, pose)| {
            let mut right = Matrix6::zeros();
            for point in &view.board_m {
                let rotated = pose.rotation * point.coords;
                let common = moved_by(&(rotated + pose.translation.vector));
                normal += common.transpose() * common;
                right += common.transpose() * moved_by(&rotated);
            }
            right
        })
        .collect();
    let Some(inverse) = normal.try_inverse() else { return Ok(None) };
    let mut directions = DMatrix::zeros(shared + 6 * views, shared + 6);
    directions.view_mut((0, 0), (shared, shared)).fill_with_identity();
    for (view, right) in by_pose.iter().enumerate() {
        let motion_by_pose = inverse * right;
        directions.view_mut((shared + 6 * view, shared), (6, 6)).copy_from(&motion_by_pose.transpose());
    }
    solution.covariance_along(&directions).map(Some)
}

/// ∂(point)/∂(ω, τ).
fn moved_by(point: &Vector3<f64>) -> Matrix3x6<f64> {
    let mut by_motion = Matrix3x6::identity();
    by_motion.fixed_columns_mut::<3>(0).copy_from(&-skew(point));
    by_motion.fixed_columns_mut::<3>(3).fill_with_identity();
    by_motion
}

/// The standard deviations over the picture, in the worse direction, from the covariance of all parameters of the lens and of
/// the camera's motion ((parameters + 6)²).
pub(crate) fn projection_sd(lens: &Intrinsics, covariance: &DMatrix<f64>) -> ProjectionSd {
    let place = |index: usize, count: usize, side: u32| index as f64 / (count - 1) as f64 * f64::from(side - 1);
    let columns_px: Vec<f64> = (0..GRID[0]).map(|i| place(i, GRID[0], lens.size_px[0])).collect();
    let rows_px: Vec<f64> = (0..GRID[1]).map(|i| place(i, GRID[1], lens.size_px[1])).collect();
    let over_picture = |depth_m: Option<f64>| {
        let at = |x: f64, y: f64| sd_px(lens, covariance, Vector2::new(x, y), depth_m);
        rows_px.iter().map(|&y| columns_px.iter().map(|&x| at(x, y)).collect()).collect()
    };
    ProjectionSd { at_infinity_px: over_picture(None), at_10_m_px: over_picture(Some(NEAR_M)), columns_px, rows_px }
}

fn sd_px(lens: &Intrinsics, covariance: &DMatrix<f64>, px: Vector2<f64>, depth_m: Option<f64>) -> Option<f64> {
    let ray = lens.normalised_from_px(px).ok()?.push(1.0);
    let (_, by_point, by_parameters) = lens.project_with_all_jacobians(&(ray * depth_m.unwrap_or(1.0)))?;
    let count = lens.parameter_count();
    let mut by_all = DMatrix::zeros(2, count + 6);
    by_all.columns_mut(0, count).copy_from(&by_parameters.columns(0, count));
    let point = ray * depth_m.unwrap_or(1.0);
    by_all.fixed_columns_mut::<3>(count).copy_from(&(by_point * -skew(&point)));
    if depth_m.is_some() {
        by_all.fixed_columns_mut::<3>(count + 3).copy_from(&by_point);
    }
    let of_px = &by_all * covariance * by_all.transpose();
    Some(of_px.symmetric_eigenvalues().max().max(0.0).sqrt())
}
