//! Refusing what cannot be calibrated, before anything is computed.

use midline_session::board::{Board, BoardView};
use nalgebra::{Vector2, Vector3};

use crate::LensError;
use crate::homography::{homography, plane_normal, spread_across};
use crate::start::picture_centre_px;

/// Views needed for two focal lengths and a principal point without assuming anything (Zhang 2000 asks for 3).
const LEAST_VIEWS: usize = 3;
/// Spread of corners across their main direction below which a view is edge-on; a board at 85° still has about 0.06.
const LEAST_SPREAD: f64 = 0.01;
/// Angle between two of the boards' planes below which the focal length hangs on noise and distortion. Common practice, no
/// source.
pub(crate) const LEAST_PLANE_ANGLE_DEGREES: f64 = 10.0;

/// Checks the board, the counts, places and arrangement of all corners, and that the planes are not all parallel.
pub(crate) fn check(camera: &str, board: &Board, views: &[BoardView], size_px: [u32; 2]) -> Result<(), LensError> {
    let [across, down] = board.inner_corners;
    if across < 2 || down < 2 || !(board.square_m.is_finite() && board.square_m > 0.0) {
        return Err(LensError::Board { board: board.name.clone(), across, down, square_m: board.square_m });
    }
    for view in views {
        check_view(camera, board, view, size_px)?;
    }
    if views.len() < LEAST_VIEWS {
        return Err(LensError::TooFewViews { camera: camera.to_owned(), found: views.len(), needed: LEAST_VIEWS });
    }
    let spread_degrees = plane_spread_degrees(board, views, size_px);
    if spread_degrees < LEAST_PLANE_ANGLE_DEGREES {
        return Err(LensError::ParallelViews {
            camera: camera.to_owned(),
            views: views.len(),
            spread_degrees,
            needed_degrees: LEAST_PLANE_ANGLE_DEGREES,
        });
    }
    Ok(())
}

fn check_view(camera: &str, board: &Board, view: &BoardView, size_px: [u32; 2]) -> Result<(), LensError> {
    let (found, wanted) = (view.corners_px.len(), board.corner_count());
    let (camera, frame) = (camera.to_owned(), view.frame_index);
    if found != wanted {
        return Err(LensError::CornerCount { camera, frame, found, wanted });
    }
    let [width, height] = size_px;
    let inside =
        |[x, y]: [f64; 2]| x >= -0.5 && y >= -0.5 && x <= f64::from(width) - 0.5 && y <= f64::from(height) - 0.5;
    if let Some(&[x, y]) = view.corners_px.iter().find(|&&px| !inside(px)) {
        return Err(LensError::CornerOutside { camera, frame, x, y, width, height });
    }
    let share = spread_across(&view.corners_px);
    if share < LEAST_SPREAD { Err(LensError::Collinear { camera, frame, share }) } else { Ok(()) }
}

/// Largest angle between two of the boards' planes in degrees, for a nominal lens whose focal length is the picture's longer
/// side: the true one is within a factor of two for any phone, and so is the angle.
fn plane_spread_degrees(board: &Board, views: &[BoardView], size_px: [u32; 2]) -> f64 {
    let plane: Vec<Vector2<f64>> = board.corners_m().iter().map(|p| p.coords.xy()).collect();
    let focal_px = f64::from(size_px[0].max(size_px[1]));
    let normals: Vec<Vector3<f64>> = views
        .iter()
        .filter_map(|view| {
            let pixels: Vec<Vector2<f64>> = view.corners_px.iter().map(|&px| px.into()).collect();
            plane_normal(&homography(&plane, &pixels)?, focal_px, picture_centre_px(size_px))
        })
        .collect();
    widest_angle_degrees(&normals)
}

/// Largest angle between two of the vectors, degrees.
pub(crate) fn widest_angle_degrees(normals: &[Vector3<f64>]) -> f64 {
    let mut widest = 0.0_f64;
    for (index, a) in normals.iter().enumerate() {
        for b in &normals[index + 1..] {
            widest = widest.max(a.angle(b));
        }
    }
    widest.to_degrees()
}
