//! Refusing what cannot be calibrated, before anything is computed.

use midline_session::board::{Board, BoardView};
use nalgebra::{Matrix3, Vector2, Vector3};

use crate::LensError;
use crate::homography::{homography, plane_normal, spread_across};
use crate::start::picture_centre_px;

/// Views needed for two focal lengths and a principal point without assuming anything (Zhang 2000 asks for 3).
const LEAST_VIEWS: usize = 3;
/// Spread of corners across their main direction below which a view is edge-on; a board at 85° still has about 0.06.
const LEAST_SPREAD: f64 = 0.01;
/// Corners of a partly seen board from which a pose and something beyond it are known.
const LEAST_CORNERS: usize = 6;
/// Distance of the corners from any perspective view of the board, in sides of a square, that even a fisheye does not cause.
const MOST_GRID_ERROR: f64 = 0.35;
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

/// Checks one view for itself.
pub(crate) fn check_view(camera: &str, board: &Board, view: &BoardView, size_px: [u32; 2]) -> Result<(), LensError> {
    let (found, wanted) = (view.corners_px.len(), board.corner_count());
    let (camera, frame) = (camera.to_owned(), view.frame_index);
    if let Some(ids) = &view.corner_ids {
        let ascending = ids.windows(2).all(|pair| pair[0] < pair[1]);
        if ids.len() != found || !ascending || ids.last().is_some_and(|&last| last >= wanted) {
            return Err(LensError::CornerNumbers { camera, frame, found, numbers: ids.len(), wanted });
        }
        if found < LEAST_CORNERS {
            return Err(LensError::TooFewCorners { camera, frame, found, needed: LEAST_CORNERS });
        }
    } else if found != wanted {
        return Err(LensError::CornerCount { camera, frame, found, wanted });
    }
    let [width, height] = size_px;
    let inside =
        |[x, y]: [f64; 2]| x >= -0.5 && y >= -0.5 && x <= f64::from(width) - 0.5 && y <= f64::from(height) - 0.5;
    if let Some(&[x, y]) = view.corners_px.iter().find(|&&px| !inside(px)) {
        return Err(LensError::CornerOutside { camera, frame, x, y, width, height });
    }
    let share = spread_across(&view.corners_px);
    if share < LEAST_SPREAD {
        return Err(LensError::Collinear { camera, frame, share });
    }
    check_grid(camera, board, view)
}

/// Whether the corners lie on the board's grid as a lens sees it: the right way round, and near a homography of it.
fn check_grid(camera: String, board: &Board, view: &BoardView) -> Result<(), LensError> {
    let frame = view.frame_index;
    let corners_m = board.corners_m();
    let plane: Vec<Vector2<f64>> = view.corner_indices().map(|index| corners_m[index].coords.xy()).collect();
    let seen: Vec<Vector2<f64>> = view.corners_px.iter().map(|&px| px.into()).collect();
    let Some(fitted) = homography(&plane, &seen) else {
        return Err(LensError::Collinear { camera, frame, share: 0.0 });
    };
    let error_squares = error_in_squares(&fitted, &plane, &seen, board.square_m);
    if error_squares > MOST_GRID_ERROR {
        // The same corners listed for the board with rows and columns exchanged.
        let exchanged = view.corner_ids.is_none().then(|| {
            let [across, down] = board.inner_corners;
            let turned: Vec<Vector2<f64>> = (0..across * down)
                .map(|i| Vector2::new((i % down) as f64, (i / down) as f64) * board.square_m)
                .collect();
            homography(&turned, &seen).map(|h| error_in_squares(&h, &turned, &seen, board.square_m))
        });
        let exchanged = exchanged.flatten().is_some_and(|error| error < MOST_GRID_ERROR);
        return Err(LensError::NotThisBoard {
            camera,
            frame,
            error_squares,
            across: board.inner_corners[0],
            down: board.inner_corners[1],
            exchanged,
        });
    }
    // The board's x, y and the picture's x, y turn the same way when the board's face is seen.
    let middle = plane.iter().sum::<Vector2<f64>>() / plane.len() as f64;
    if local_scale(&fitted, &middle) < 0.0 { Err(LensError::Mirrored { camera, frame }) } else { Ok(()) }
}

/// Determinant of the homography's derivative, px² per m².
fn local_scale(h: &Matrix3<f64>, at: &Vector2<f64>) -> f64 {
    let image = h * at.push(1.0);
    let by_plane = |column: usize| (h.column(column).xy() - image.xy() / image.z * h[(2, column)]) / image.z;
    let (by_x, by_y) = (by_plane(0), by_plane(1));
    by_x.x * by_y.y - by_x.y * by_y.x
}

/// Root mean square distance between the corners and where the homography puts them, in sides of a square at the middle.
fn error_in_squares(h: &Matrix3<f64>, plane: &[Vector2<f64>], seen: &[Vector2<f64>], square_m: f64) -> f64 {
    let squared: f64 = plane
        .iter()
        .zip(seen)
        .map(|(point, px)| {
            let image = h * point.push(1.0);
            (image.xy() / image.z - px).norm_squared()
        })
        .sum();
    let middle = plane.iter().sum::<Vector2<f64>>() / plane.len() as f64;
    let square_px = square_m * local_scale(h, &middle).abs().sqrt();
    (squared / plane.len() as f64).sqrt() / square_px
}

/// Largest angle between two of the boards' planes in degrees, for a nominal lens whose focal length is the picture's longer
/// side: the true one is within a factor of two for any phone, and so is the angle.
fn plane_spread_degrees(board: &Board, views: &[BoardView], size_px: [u32; 2]) -> f64 {
    let corners_m = board.corners_m();
    let focal_px = f64::from(size_px[0].max(size_px[1]));
    let normals: Vec<Vector3<f64>> = views
        .iter()
        .filter_map(|view| {
            let plane: Vec<Vector2<f64>> = view.corner_indices().map(|index| corners_m[index].coords.xy()).collect();
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
