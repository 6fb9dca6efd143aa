//! Where the board is, for a known lens.

use midline_geometry::{Intrinsics, RigidTransform};
use midline_solver::{Options, minimise};
use nalgebra::{Matrix3, Point3, Rotation3, Translation3, UnitQuaternion, Vector2};

use crate::homography::homography;
use crate::problem::PoseProblem;

/// The pose of the board from one view by the homography to normalised coordinates, without refinement; `None` when the lens
/// cannot be inverted at the corners or the board would be behind the camera.
pub(crate) fn pose_from_view(
    lens: &Intrinsics,
    board_m: &[Point3<f64>],
    corners_px: &[[f64; 2]],
) -> Option<RigidTransform> {
    let plane: Vec<Vector2<f64>> = board_m.iter().map(|p| p.coords.xy()).collect();
    let rays: Vec<Vector2<f64>> =
        corners_px.iter().map(|&px| lens.normalised_from_px(px.into()).ok()).collect::<Option<_>>()?;
    let h = homography(&plane, &rays)?;
    // H = λ [r1 r2 t] up to noise.
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

/// The pose with the least reprojection error, from a start; `None` when it does not settle.
pub(crate) fn refined_pose(
    lens: &Intrinsics,
    board_m: &[Point3<f64>],
    corners_px: &[[f64; 2]],
    start: RigidTransform,
    corner_sd_px: f64,
) -> Option<RigidTransform> {
    let problem = PoseProblem { lens, board_m, corners_px, corner_sd_px };
    minimise(&problem, start, &Options::default()).ok().map(|solution| solution.state)
}

/// Sum of the squared lengths of the reprojection errors of a view, px²; `None` when a corner is not in front of the camera.
pub(crate) fn squared_error_px(
    lens: &Intrinsics,
    pose: &RigidTransform,
    board_m: &[Point3<f64>],
    corners_px: &[[f64; 2]],
) -> Option<f64> {
    board_m
        .iter()
        .zip(corners_px)
        .map(|(point, &px)| {
            lens.project(&(pose * point).coords).map(|projected| (projected - Vector2::from(px)).norm_squared())
        })
        .sum()
}
