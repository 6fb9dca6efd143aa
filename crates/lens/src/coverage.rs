//! Which parts of the picture the boards reached.

use midline_geometry::{Intrinsics, RigidTransform};
use midline_session::board::BoardView;
use midline_session::calibration::{LensView, PictureCell, TiltBin};
use nalgebra::{Vector2, Vector3};

/// The picture's ninths, row by row.
const NINTHS: [&str; 9] =
    ["top left", "top", "top right", "left", "middle", "right", "bottom left", "bottom", "bottom right"];

/// Whether a corner was seen in each of `cells` × `cells` equal parts of the picture, row by row.
fn seen(views: &[BoardView], size_px: [u32; 2], cells: usize) -> Vec<bool> {
    let mut seen = vec![false; cells * cells];
    for corner in views.iter().flat_map(|view| &view.corners_px) {
        seen[cell(corner[1], size_px[1], cells) * cells + cell(corner[0], size_px[0], cells)] = true;
    }
    seen
}

/// Which of `cells` equal parts of a side a pixel lies in; the picture reaches from -½ to side - ½.
fn cell(value: f64, side: u32, cells: usize) -> usize {
    (((value + 0.5) / f64::from(side) * cells as f64) as usize).min(cells - 1)
}

/// Cells along each side of the picture.
const CELLS: usize = 8;
/// Width of a bin of tilt, degrees.
const TILT_STEP_DEGREES: f64 = 10.0;

/// Share of the picture's 8 × 8 cells in which a corner was seen.
pub(crate) fn coverage(views: &[BoardView], size_px: [u32; 2]) -> f64 {
    let seen = seen(views, size_px, CELLS);
    seen.iter().filter(|&&s| s).count() as f64 / seen.len() as f64
}

/// Corners and residuals (projected less seen) in each of the picture's 8 × 8 cells, row by row.
pub(crate) fn picture_cells(corners: &[([f64; 2], Vector2<f64>)], size_px: [u32; 2]) -> Vec<Vec<PictureCell>> {
    let mut sums = vec![vec![(0_usize, Vector2::zeros(), 0.0); CELLS]; CELLS];
    for (px, residual) in corners {
        let (count, sum, squares) = &mut sums[cell(px[1], size_px[1], CELLS)][cell(px[0], size_px[0], CELLS)];
        *count += 1;
        *sum += residual;
        *squares += residual.norm_squared();
    }
    let told = |(corners, sum, squares): (usize, Vector2<f64>, f64)| {
        let n = corners as f64;
        let some = corners > 0;
        PictureCell {
            corners,
            mean_px: some.then(|| [sum.x / n, sum.y / n]),
            rms_px: some.then(|| (squares / n).sqrt()),
        }
    };
    sums.into_iter().map(|row| row.into_iter().map(told).collect()).collect()
}

/// Angle between the board and the picture plane, degrees.
pub(crate) fn tilt_degrees(camera_from_board: &RigidTransform) -> f64 {
    (camera_from_board.rotation * Vector3::z()).z.abs().min(1.0).acos().to_degrees()
}

/// Views by tilt, in steps of 10°.
pub(crate) fn tilts(views: &[LensView]) -> Vec<TiltBin> {
    let bins = (90.0 / TILT_STEP_DEGREES) as usize;
    let mut counts = vec![0; bins];
    for view in views {
        counts[((tilt_degrees(&view.camera_from_board) / TILT_STEP_DEGREES) as usize).min(bins - 1)] += 1;
    }
    let bin = |(index, views)| TiltBin {
        from_degrees: index as f64 * TILT_STEP_DEGREES,
        to_degrees: (index + 1) as f64 * TILT_STEP_DEGREES,
        views,
    };
    counts.into_iter().enumerate().map(bin).collect()
}

/// Names of the ninths of the picture in which no corner was seen.
pub(crate) fn empty_ninths(views: &[BoardView], size_px: [u32; 2]) -> Vec<&'static str> {
    seen(views, size_px, 3).into_iter().zip(NINTHS).filter(|(seen, _)| !seen).map(|(_, name)| name).collect()
}

/// Share of the picture (its 17 × 17 grid from rim to rim) in which the lens model cannot be inverted: no ray is known there.
pub(crate) fn share_without_rays(lens: &Intrinsics) -> f64 {
    const STEPS: u32 = 16;
    let place = |step: u32, side: u32| f64::from(step) / f64::from(STEPS) * f64::from(side) - 0.5;
    let without = (0..=STEPS)
        .flat_map(|i| (0..=STEPS).map(move |j| (i, j)))
        .filter(|&(i, j)| {
            let px = Vector2::new(place(i, lens.size_px[0]), place(j, lens.size_px[1]));
            lens.normalised_from_px(px).is_err()
        })
        .count();
    without as f64 / f64::from((STEPS + 1) * (STEPS + 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn corners_are_counted_where_they_are() {
        let view = BoardView {
            frame_index: 0,
            pts_seconds: 0.0,
            corners_px: vec![[-0.5, -0.5], [799.4, 0.0], [400.0, 300.0], [799.5, 599.5]],
            edge_width_px: None,
            corner_ids: None,
        };
        assert_eq!(
            empty_ninths(std::slice::from_ref(&view), [800, 600]),
            ["top", "left", "right", "bottom left", "bottom"]
        );
        assert!((coverage(&[view], [800, 600]) - 4.0 / 64.0).abs() < 1e-12);
    }
}
