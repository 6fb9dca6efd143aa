//! Calibration files as OpenCV's calibration sample writes them.

use std::path::Path;

use midline_geometry::{Intrinsics, LensModel, RigidTransform};

use opencv::core::{FileStorage, FileStorage_READ};
use opencv::prelude::*;

use super::{LensFlags, doubles, transform};
use crate::VisionError;
use crate::file_storage::Entries;

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
    let entries = Entries::open(path)?;
    let k = entries.elements("camera_matrix", 9)?;
    let d = entries.elements("distortion_coefficients", 5)?;
    let number_of_flags = entries.whole("flags")?;
    let poses = entries.elements("extrinsic_parameters", 6)?;
    Ok(PublishedLens {
        intrinsics: Intrinsics {
            focal_px: [k[0], k[4]],
            centre_px: [k[2], k[5]],
            model: LensModel::BrownConrady(std::array::from_fn(|i| d[i])),
            size_px: [entries.count("image_width")?, entries.count("image_height")?],
        },
        inner_corners: [entries.count("board_width")? as usize, entries.count("board_height")? as usize],
        square: entries.number("square_size")?,
        flags: LensFlags::from_number(number_of_flags)
            .ok_or_else(|| entries.wrong(format!("flags {number_of_flags} include some that are not known here")))?,
        rms_px: entries.number("avg_reprojection_error")?,
        view_rms_px: entries.elements("per_view_reprojection_errors", 1)?,
        camera_from_board: poses
            .chunks_exact(6)
            .map(|pose| transform(&pose[..3], &pose[3..]))
            .collect::<Result<_, _>>()?,
    })
}

/// The elements of a matrix in a file of OpenCV, row by row, by OpenCV's own reading of the file and nothing of ours.
///
/// # Errors
/// When OpenCV cannot read the file or the entry.
pub fn file_storage_matrix(path: &Path, key: &str) -> Result<Vec<f64>, VisionError> {
    let reading = || VisionError::opencv("reading a matrix");
    // A node is of use only as long as its file is open.
    let storage = FileStorage::new_def(path, FileStorage_READ).map_err(reading())?;
    doubles(&storage.get(key).map_err(reading())?.mat().map_err(reading())?)
}

/// A number in a file of OpenCV, likewise.
///
/// # Errors
/// When OpenCV cannot read the file or the entry.
pub fn file_storage_number(path: &Path, key: &str) -> Result<f64, VisionError> {
    let reading = || VisionError::opencv("reading a number");
    let storage = FileStorage::new_def(path, FileStorage_READ).map_err(reading())?;
    storage.get(key).map_err(reading())?.to_f64().map_err(reading())
}
