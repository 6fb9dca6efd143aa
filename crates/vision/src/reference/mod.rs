//! OpenCV's own board search, calibration, projection and triangulation: a peer for tests and benchmarks, not a stage of the pipeline.
//!
//! Source: the functions of the same names in OpenCV's calib3d module. Many of them compute in single precision where their
//! inputs are converted (image points of `calibrateCamera`), which is the limit of any agreement.

mod calibrate;
mod calibration_file;
mod project;
mod search;

pub use calibrate::{ReferenceLens, ReferenceRig, calibrate_camera, calibrate_fisheye, stereo_calibrate};
pub use calibration_file::{PublishedLens, file_storage_matrix, file_storage_number, read_calibration_file};
pub use project::{project_points, triangulate_points, undistort_points};
pub use search::find_checkerboard;

use midline_geometry::{Intrinsics, LensModel, RigidTransform, rotation_from_vector};
use nalgebra::{Translation3, Vector3};
use opencv::core::{Mat, Point2f, Point3f, Vector};
use opencv::prelude::*;

use crate::VisionError;

/// Flags of `calibrateCamera`, with the numbers that calibration files carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LensFlags {
    /// `CALIB_FIX_ASPECT_RATIO`: fx / fy stays 1.
    pub fix_aspect_ratio: bool,
    /// `CALIB_FIX_PRINCIPAL_POINT`: the principal point stays at the centre of the picture.
    pub fix_principal_point: bool,
    /// `CALIB_ZERO_TANGENT_DIST`: p1 = p2 = 0.
    pub zero_tangential: bool,
    /// `CALIB_FIX_K2`: k2 = 0.
    pub fix_k2: bool,
    /// `CALIB_FIX_K3`: k3 = 0.
    pub fix_k3: bool,
    /// `CALIB_RATIONAL_MODEL`: eight distortion coefficients.
    pub rational: bool,
}

impl LensFlags {
    const NUMBERS: [i32; 6] = [
        opencv::calib3d::CALIB_FIX_ASPECT_RATIO,
        opencv::calib3d::CALIB_FIX_PRINCIPAL_POINT,
        opencv::calib3d::CALIB_ZERO_TANGENT_DIST,
        opencv::calib3d::CALIB_FIX_K2,
        opencv::calib3d::CALIB_FIX_K3,
        opencv::calib3d::CALIB_RATIONAL_MODEL,
    ];

    fn fields(self) -> [bool; 6] {
        let Self { fix_aspect_ratio, fix_principal_point, zero_tangential, fix_k2, fix_k3, rational } = self;
        [fix_aspect_ratio, fix_principal_point, zero_tangential, fix_k2, fix_k3, rational]
    }

    /// The flags as OpenCV's number.
    #[must_use]
    pub fn number(self) -> i32 {
        self.fields().iter().zip(Self::NUMBERS).map(|(&set, number)| if set { number } else { 0 }).sum()
    }

    /// The flags of OpenCV's number; `None` when it has others than these.
    #[must_use]
    pub fn from_number(number: i32) -> Option<Self> {
        let [fix_aspect_ratio, fix_principal_point, zero_tangential, fix_k2, fix_k3, rational] =
            Self::NUMBERS.map(|flag| number & flag != 0);
        let flags = Self { fix_aspect_ratio, fix_principal_point, zero_tangential, fix_k2, fix_k3, rational };
        (flags.number() == number).then_some(flags)
    }
}

fn points_2d(points: &[[f64; 2]]) -> Vector<Point2f> {
    points.iter().map(|p| Point2f::new(p[0] as f32, p[1] as f32)).collect()
}

fn points_3d(points: &[nalgebra::Point3<f64>]) -> Vector<Point3f> {
    points.iter().map(|p| Point3f::new(p.x as f32, p.y as f32, p.z as f32)).collect()
}

fn camera_matrix(lens: &Intrinsics) -> Result<Mat, VisionError> {
    let ([fx, fy], [cx, cy]) = (lens.focal_px, lens.centre_px);
    Mat::from_slice_2d(&[[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])
        .map_err(VisionError::opencv("building a camera matrix"))
}

fn coefficients(lens: &Intrinsics) -> Result<Mat, VisionError> {
    let building = VisionError::opencv("building a list of coefficients");
    match lens.model {
        LensModel::Pinhole => Mat::from_slice_2d(&[[0.0; 4]]).map_err(building),
        _ => Mat::from_slice_2d(&[lens.model.coefficients()]).map_err(building),
    }
}

/// The elements of a matrix of doubles, row by row.
fn doubles(mat: &Mat) -> Result<Vec<f64>, VisionError> {
    let reading = || VisionError::opencv("reading a matrix");
    let continuous = mat.try_clone().map_err(reading())?;
    Ok(continuous.data_typed::<f64>().map_err(reading())?.to_vec())
}

fn transform(rotation_vector: &[f64], translation: &[f64]) -> Result<RigidTransform, VisionError> {
    match (rotation_vector, translation) {
        (&[rx, ry, rz], &[tx, ty, tz]) => Ok(RigidTransform::from_parts(
            Translation3::new(tx, ty, tz),
            rotation_from_vector(Vector3::new(rx, ry, rz)),
        )),
        _ => Err(VisionError::PointCount { what: "elements of a pose", found: rotation_vector.len(), wanted: 3 }),
    }
}
