//! Where the board is, for a known lens.

use midline_geometry::{Intrinsics, RigidTransform};
use midline_solver::{Options, minimise};
use nalgebra::{Matrix3, Point3, Rotation3, Translation3, UnitQuaternion, Vector2};

use crate::homography::homography;
use crate::problem::{LensProblem, LensState, PoseProblem, ViewCorners};

/// The pose of the board from one view by the homography to normalised coordinates, without refinement; `None` when the lens
/// cannot be inverted at the corners or the board would be behind the camera.
pub(crate) fn pose_from_view(lens: &Intrinsics, view: &ViewCorners) -> Option<RigidTransform> {
    let plane: Vec<Vector2<f64>> = view.board_m.iter().map(|p| p.coords.xy()).collect();
    let rays: Vec<Vector2<f64>> =
        view.corners_px.iter().map(|&px| lens.normalised_from_px(px.into()).ok()).collect::<Option<_>>()?;
    pose_from_homography(&homography(&plane, &rays)?, &view.board_m)
}

/// The pose of the board from the homography that takes its plane to normalised coordinates, `H = λ [r1 r2 t]` up to noise.
pub(crate) fn pose_from_homography(h: &Matrix3<f64>, board_m: &[Point3<f64>]) -> Option<RigidTransform> {
    let scale = 2.0 / (h.column(0).norm() + h.column(1).norm());
    let (r1, r2, t) = (h.column(0) * scale, h.column(1) * scale, h.column(2) * scale);
    let rough = Matrix3::from_columns(&[r1, r2, r1.cross(&r2)]);
    let svd = rough.svd(true, true);
    let rotation = svd.u? * svd.v_t?;
    if !(rotation.iter().all(|v| v.is_finite()) && rotation.determinant() > 0.0) {
        return None;
    }
    let rotation = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(rotation));
    let pose = RigidTransform::from_parts(Translation3::from(t), rotation);
    board_m.iter().all(|p| (pose * p).z > 0.0).then_some(pose)
}

/// The pose of a view with the least reprojection error for the state's lens, from the state's pose; `None` when it does not
/// settle.
pub(crate) fn refined_pose(problem: &LensProblem, view: usize, state: &LensState) -> Option<RigidTransform> {
    let start = *state.camera_from_board.get(view)?;
    minimise(&PoseProblem { problem, view, state }, start, &Options::default()).ok().map(|solution| solution.state)
}

/// Sum of the squared lengths of the reprojection errors of a view of a flat board, px²; `None` when a corner is not in
/// front of the camera.
pub(crate) fn squared_error_px(lens: &Intrinsics, pose: &RigidTransform, view: &ViewCorners) -> Option<f64> {
    view.board_m
        .iter()
        .zip(view.corners_px)
        .map(|(point, &px)| {
            lens.project(&(pose * point).coords).map(|projected| (projected - Vector2::from(px)).norm_squared())
        })
        .sum()
}
