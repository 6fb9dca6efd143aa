//! `calibrateCamera` and `stereoCalibrate`.

use midline_geometry::{Intrinsics, LensModel, RigidTransform};
use midline_session::board::Board;
use nalgebra::{Matrix3, Rotation3, Translation3, UnitQuaternion};
use opencv::calib3d;
use opencv::core::{Mat, Point2f, Point3f, Size, TermCriteria, TermCriteria_COUNT, TermCriteria_EPS, Vector};

use super::{LensFlags, camera_matrix, coefficients, doubles, points_2d, points_3d, transform};
use crate::VisionError;

/// What `calibrateCamera` gives.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceLens {
    /// The lens.
    pub intrinsics: Intrinsics,
    /// Standard deviations of `fx fy cx cy k1 k2 p1 p2 k3 …`; 0 for what was held fixed.
    pub standard_deviations: Vec<f64>,
    /// Root mean square of the lengths of the reprojection errors, px.
    pub rms_px: f64,
    /// The same of each view.
    pub view_rms_px: Vec<f64>,
    /// Takes board coordinates to the camera frame, per view.
    pub camera_from_board: Vec<RigidTransform>,
}

/// What `stereoCalibrate` gives.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceRig {
    /// Takes the first camera's frame to the second's.
    pub second_from_first: RigidTransform,
    /// Root mean square of the lengths of the reprojection errors in both pictures, px.
    pub rms_px: f64,
}

fn patient() -> Result<TermCriteria, VisionError> {
    TermCriteria::new(TermCriteria_EPS + TermCriteria_COUNT, 1000, f64::EPSILON)
        .map_err(VisionError::opencv("preparing a calibration"))
}

fn size(size_px: [u32; 2]) -> Size {
    Size::new(i32::try_from(size_px[0]).unwrap_or(i32::MAX), i32::try_from(size_px[1]).unwrap_or(i32::MAX))
}

/// One copy of the board per view, and the views.
struct Pairs {
    object: Vector<Vector<Point3f>>,
    image: Vector<Vector<Point2f>>,
}

fn pairs(board: &Board, views: &[Vec<[f64; 2]>]) -> Result<Pairs, VisionError> {
    let wanted = board.corner_count();
    if let Some(view) = views.iter().find(|view| view.len() != wanted) {
        return Err(VisionError::PointCount { what: "corners of a view", found: view.len(), wanted });
    }
    let corners = points_3d(&board.corners_m());
    Ok(Pairs {
        object: views.iter().map(|_| corners.clone()).collect(),
        image: views.iter().map(|view| points_2d(view)).collect(),
    })
}

/// OpenCV's `calibrateCamera` on board views, each with corners in the order of `Board::corners_m`, run to convergence.
///
/// # Errors
/// When a view's corner count is not the board's, or OpenCV refuses.
pub fn calibrate_camera(
    board: &Board,
    views: &[Vec<[f64; 2]>],
    size_px: [u32; 2],
    flags: LensFlags,
) -> Result<ReferenceLens, VisionError> {
    let Pairs { object, image } = pairs(board, views)?;
    let calibrating = || VisionError::opencv("calibrating a camera");
    let mut matrix = Mat::from_slice_2d(&[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]).map_err(calibrating())?;
    let (mut distortion, mut rotations, mut translations) =
        (Mat::default(), Vector::<Mat>::new(), Vector::<Mat>::new());
    let (mut deviations, mut pose_deviations, mut view_errors) = (Mat::default(), Mat::default(), Mat::default());
    let rms_px = calib3d::calibrate_camera_extended(
        &object,
        &image,
        size(size_px),
        &mut matrix,
        &mut distortion,
        &mut rotations,
        &mut translations,
        &mut deviations,
        &mut pose_deviations,
        &mut view_errors,
        flags.number(),
        patient()?,
    )
    .map_err(calibrating())?;
    let (k, d) = (doubles(&matrix)?, doubles(&distortion)?);
    let model = if flags.rational {
        LensModel::Rational(std::array::from_fn(|i| d.get(i).copied().unwrap_or(0.0)))
    } else {
        LensModel::BrownConrady(std::array::from_fn(|i| d.get(i).copied().unwrap_or(0.0)))
    };
    let intrinsics = Intrinsics { focal_px: [k[0], k[4]], centre_px: [k[2], k[5]], model, size_px };
    let mut standard_deviations = doubles(&deviations)?;
    standard_deviations.truncate(intrinsics.parameter_count());
    Ok(ReferenceLens {
        intrinsics,
        standard_deviations,
        rms_px,
        view_rms_px: doubles(&view_errors)?,
        camera_from_board: rotations
            .iter()
            .zip(&translations)
            .map(|(r, t)| transform(&doubles(&r)?, &doubles(&t)?))
            .collect::<Result<_, _>>()?,
    })
}

/// OpenCV's `fisheye::calibrate` with the skew held at 0, run to convergence: the lens and the root mean square of the
/// reprojection errors as it defines it, px.
///
/// # Errors
/// When a view's corner count is not the board's, or OpenCV refuses.
pub fn calibrate_fisheye(
    board: &Board,
    views: &[Vec<[f64; 2]>],
    size_px: [u32; 2],
) -> Result<(Intrinsics, f64), VisionError> {
    let Pairs { object, image } = pairs(board, views)?;
    let calibrating = || VisionError::opencv("calibrating a fisheye camera");
    let (mut matrix, mut distortion) = (Mat::default(), Mat::default());
    let (mut rotations, mut translations) = (Vector::<Mat>::new(), Vector::<Mat>::new());
    let rms_px = calib3d::calibrate(
        &object,
        &image,
        size(size_px),
        &mut matrix,
        &mut distortion,
        &mut rotations,
        &mut translations,
        calib3d::Fisheye_CALIB_RECOMPUTE_EXTRINSIC | calib3d::Fisheye_CALIB_FIX_SKEW,
        patient()?,
    )
    .map_err(calibrating())?;
    let (k, d) = (doubles(&matrix)?, doubles(&distortion)?);
    let model = LensModel::Fisheye(std::array::from_fn(|i| d.get(i).copied().unwrap_or(0.0)));
    Ok((Intrinsics { focal_px: [k[0], k[4]], centre_px: [k[2], k[5]], model, size_px }, rms_px))
}

/// OpenCV's `stereoCalibrate` with both lenses held fixed; entry i of both lists is the same pose of the board.
///
/// # Errors
/// When the lists or a view's corner count do not fit, or OpenCV refuses.
pub fn stereo_calibrate(
    board: &Board,
    views: [&[Vec<[f64; 2]>]; 2],
    lenses: [&Intrinsics; 2],
) -> Result<ReferenceRig, VisionError> {
    let [first, second] = views;
    if first.len() != second.len() {
        return Err(VisionError::PointCount {
            what: "views of the second camera",
            found: second.len(),
            wanted: first.len(),
        });
    }
    let Pairs { object, image: image_first } = pairs(board, first)?;
    let image_second = pairs(board, second)?.image;
    let calibrating = || VisionError::opencv("calibrating two cameras");
    let (mut rotation, mut translation) = (Mat::default(), Mat::default());
    let rms_px = calib3d::stereo_calibrate(
        &object,
        &image_first,
        &image_second,
        &mut camera_matrix(lenses[0])?,
        &mut coefficients(lenses[0])?,
        &mut camera_matrix(lenses[1])?,
        &mut coefficients(lenses[1])?,
        size(lenses[0].size_px),
        &mut rotation,
        &mut translation,
        &mut Mat::default(),
        &mut Mat::default(),
        calib3d::CALIB_FIX_INTRINSIC,
        patient()?,
    )
    .map_err(calibrating())?;
    let (r, t) = (doubles(&rotation)?, doubles(&translation)?);
    let rotation = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(Matrix3::from_row_slice(&r)));
    Ok(ReferenceRig {
        second_from_first: RigidTransform::from_parts(Translation3::new(t[0], t[1], t[2]), rotation),
        rms_px,
    })
}
