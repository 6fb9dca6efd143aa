//! Calibration files as OpenCV's calibration sample writes them.

use std::path::Path;

use midline_geometry::{Intrinsics, LensModel, RigidTransform};
use opencv::core::{FileStorage, FileStorage_READ, Mat};
use opencv::prelude::*;

use super::{LensFlags, doubles, transform};
use crate::VisionError;

/// A lens as published in a calibration file.
#[derive(Debug, Clone, PartialEq)]
pub struct PublishedLens {
    /// The lens, Brown-Conrady with five coefficients.
    pub intrinsics: Intrinsics,
    /// Inner corners along a row and down a column of the board.
    pub inner_corners: [usize; 2],
    /// Side of a square in the file's unit.
    pub square: f64,
    /// Flags of the calibration.
    pub flags: LensFlags,
    /// Root mean square reprojection error, px.
    pub rms_px: f64,
    /// The same of each view.
    pub view_rms_px: Vec<f64>,
    /// Takes board coordinates to the camera frame, per view.
    pub camera_from_board: Vec<RigidTransform>,
}

/// Reads a file of OpenCV's calibration sample (`left_intrinsics.yml` and the like) through OpenCV's `FileStorage`.
///
/// # Errors
/// When the file cannot be read, or an entry is missing or of another kind.
pub fn read_calibration_file(path: &Path) -> Result<PublishedLens, VisionError> {
    let wrong = |reason: String| VisionError::CalibrationFile { path: path.to_owned(), reason };
    let reading = || VisionError::opencv("reading a calibration file");
    let storage = FileStorage::new_def(path, FileStorage_READ).map_err(reading())?;
    if !storage.is_opened().map_err(reading())? {
        return Err(wrong("the file cannot be opened".to_owned()));
    }
    let node = |name: &str| {
        let node = storage.get(name).map_err(reading())?;
        if node.empty().map_err(reading())? { Err(wrong(format!("there is no \"{name}\""))) } else { Ok(node) }
    };
    let number = |name: &str| node(name)?.to_f64().map_err(reading());
    let whole = |name: &str| {
        let value = node(name)?.to_i32().map_err(reading())?;
        u32::try_from(value).map_err(|_| wrong(format!("\"{name}\" is {value}, which cannot be")))
    };
    let matrix = |name: &str, least: usize| {
        let mat = node(name)?.mat().map_err(reading())?;
        let mut in_doubles = Mat::default();
        mat.convert_to_def(&mut in_doubles, opencv::core::CV_64F).map_err(reading())?;
        let values = doubles(&in_doubles)?;
        if values.len() < least {
            return Err(wrong(format!("\"{name}\" has {} elements, not {least}", values.len())));
        }
        Ok(values)
    };
    let k = matrix("camera_matrix", 9)?;
    let d = matrix("distortion_coefficients", 5)?;
    let number_of_flags = node("flags")?.to_i32().map_err(reading())?;
    let poses = matrix("extrinsic_parameters", 6)?;
    Ok(PublishedLens {
        intrinsics: Intrinsics {
            focal_px: [k[0], k[4]],
            centre_px: [k[2], k[5]],
            model: LensModel::BrownConrady(std::array::from_fn(|i| d[i])),
            size_px: [whole("image_width")?, whole("image_height")?],
        },
        inner_corners: [whole("board_width")? as usize, whole("board_height")? as usize],
        square: number("square_size")?,
        flags: LensFlags::from_number(number_of_flags)
            .ok_or_else(|| wrong(format!("flags {number_of_flags} include some that are not known here")))?,
        rms_px: number("avg_reprojection_error")?,
        view_rms_px: matrix("per_view_reprojection_errors", 1)?,
        camera_from_board: poses
            .chunks_exact(6)
            .map(|pose| transform(&pose[..3], &pose[3..]))
            .collect::<Result<_, _>>()?,
    })
}
