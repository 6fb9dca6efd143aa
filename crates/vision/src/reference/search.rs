//! `findChessboardCorners` on the whole picture, as most programs call it.

use opencv::calib3d::{CALIB_CB_ADAPTIVE_THRESH, CALIB_CB_NORMALIZE_IMAGE, find_chessboard_corners};
use opencv::core::{Point2f, Size, TermCriteria, TermCriteria_COUNT, TermCriteria_EPS, Vector};
use opencv::imgproc::corner_sub_pix;

use crate::{Grey, VisionError};

/// Corners of a checkerboard by OpenCV's `findChessboardCorners` with adaptive threshold and normalised picture, at full size
/// and without its fast rejection, then `cornerSubPix` in windows of 11 px. In OpenCV's order, which may start at either end;
/// `None` when it finds no board.
///
/// # Errors
/// When the picture's size does not fit its bytes, or OpenCV refuses.
pub fn find_checkerboard(picture: &Grey, inner_corners: [usize; 2]) -> Result<Option<Vec<[f64; 2]>>, VisionError> {
    let searching = || VisionError::opencv("searching for a checkerboard");
    let full = picture.as_mat()?;
    let [across, down] = inner_corners.map(|n| i32::try_from(n).unwrap_or(i32::MAX));
    let mut corners = Vector::<Point2f>::new();
    let flags = CALIB_CB_ADAPTIVE_THRESH + CALIB_CB_NORMALIZE_IMAGE;
    if !find_chessboard_corners(&full, Size::new(across, down), &mut corners, flags).map_err(searching())? {
        return Ok(None);
    }
    let criteria = TermCriteria::new(TermCriteria_EPS + TermCriteria_COUNT, 30, 0.01).map_err(searching())?;
    corner_sub_pix(&full, &mut corners, Size::new(5, 5), Size::new(-1, -1), criteria).map_err(searching())?;
    Ok(Some(corners.iter().map(|p| [f64::from(p.x), f64::from(p.y)]).collect()))
}
