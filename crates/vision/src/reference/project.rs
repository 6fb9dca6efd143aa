//! `projectPoints`, `undistortPoints` and `triangulatePoints`, in double precision.

use midline_geometry::{Intrinsics, LensModel, RigidTransform, vector_from_rotation};
use nalgebra::{Matrix3x4, Point3};
use opencv::calib3d;
use opencv::core::{Mat, Point2d, Point3d, TermCriteria, TermCriteria_COUNT, TermCriteria_EPS, Vector};

use super::{camera_matrix, coefficients, doubles};
use crate::VisionError;

/// Pixels of world points by OpenCV's `projectPoints`, or its fisheye counterpart. Points behind the camera are projected
/// too.
///
/// # Errors
/// When OpenCV refuses.
pub fn project_points(
    points_world: &[Point3<f64>],
    camera_from_world: &RigidTransform,
    lens: &Intrinsics,
) -> Result<Vec<[f64; 2]>, VisionError> {
    let projecting = || VisionError::opencv("projecting points");
    let points: Vector<Point3d> = points_world.iter().map(|p| Point3d::new(p.x, p.y, p.z)).collect();
    let rotation = vector_from_rotation(&camera_from_world.rotation);
    let rotation = Mat::from_slice_2d(&[rotation.as_slice()]).map_err(projecting())?;
    let translation = Mat::from_slice_2d(&[camera_from_world.translation.vector.as_slice()]).map_err(projecting())?;
    let (matrix, coefficients) = (camera_matrix(lens)?, coefficients(lens)?);
    let mut pixels = Vector::<Point2d>::new();
    if matches!(lens.model, LensModel::Fisheye(_)) {
        calib3d::fisheye_project_points_vec_def(&points, &mut pixels, &rotation, &translation, &matrix, &coefficients)
    } else {
        calib3d::project_points_def(&points, &rotation, &translation, &matrix, &coefficients, &mut pixels)
    }
    .map_err(projecting())?;
    Ok(pixels.iter().map(|p| [p.x, p.y]).collect())
}

/// Undistorted normalised coordinates of pixels by OpenCV's `undistortPoints` with up to 500 fixed-point iterations, or its
/// fisheye counterpart.
///
/// # Errors
/// When OpenCV refuses.
pub fn undistort_points(pixels: &[[f64; 2]], lens: &Intrinsics) -> Result<Vec<[f64; 2]>, VisionError> {
    let undistorting = || VisionError::opencv("undistorting points");
    let source: Vector<Point2d> = pixels.iter().map(|p| Point2d::new(p[0], p[1])).collect();
    let mut target = Vector::<Point2d>::new();
    let criteria = TermCriteria::new(TermCriteria_EPS + TermCriteria_COUNT, 500, 1e-14).map_err(undistorting())?;
    let (matrix, coefficients) = (camera_matrix(lens)?, coefficients(lens)?);
    let none = Mat::default();
    if matches!(lens.model, LensModel::Fisheye(_)) {
        calib3d::fisheye_undistort_points(&source, &mut target, &matrix, &coefficients, &none, &none, criteria)
    } else {
        calib3d::undistort_points_iter(&source, &mut target, &matrix, &coefficients, &none, &none, criteria)
    }
    .map_err(undistorting())?;
    Ok(target.iter().map(|p| [p.x, p.y]).collect())
}

/// World points of two views by OpenCV's `triangulatePoints` (linear, no covariance).
///
/// `camera_from_world` are the two 3 × 4 projection matrices; pixels for matrices that contain the lens, normalised
/// coordinates for those that do not. `None` for a point at infinity.
///
/// # Errors
/// When the lists differ in length or OpenCV refuses.
pub fn triangulate_points(
    camera_from_world: [&Matrix3x4<f64>; 2],
    points: [&[[f64; 2]]; 2],
) -> Result<Vec<Option<Point3<f64>>>, VisionError> {
    let [first, second] = points;
    if first.len() != second.len() {
        return Err(VisionError::PointCount {
            what: "points of the second view",
            found: second.len(),
            wanted: first.len(),
        });
    }
    let triangulating = || VisionError::opencv("triangulating points");
    let matrix = |m: &Matrix3x4<f64>| {
        let rows: [[f64; 4]; 3] = std::array::from_fn(|i| std::array::from_fn(|j| m[(i, j)]));
        Mat::from_slice_2d(&rows).map_err(triangulating())
    };
    let list = |points: &[[f64; 2]]| {
        let rows: [Vec<f64>; 2] = std::array::from_fn(|axis| points.iter().map(|p| p[axis]).collect());
        Mat::from_slice_2d(&rows).map_err(triangulating())
    };
    let mut homogeneous = Mat::default();
    calib3d::triangulate_points(
        &matrix(camera_from_world[0])?,
        &matrix(camera_from_world[1])?,
        &list(first)?,
        &list(second)?,
        &mut homogeneous,
    )
    .map_err(triangulating())?;
    let values = doubles(&homogeneous)?;
    let count = first.len();
    Ok((0..count)
        .map(|i| {
            let w = values[3 * count + i];
            let point = Point3::new(values[i] / w, values[count + i] / w, values[2 * count + i] / w);
            point.iter().all(|v| v.is_finite()).then_some(point)
        })
        .collect())
}
