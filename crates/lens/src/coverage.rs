//! Which parts of the picture the boards reached.

use midline_geometry::Intrinsics;
use midline_session::board::BoardView;
use nalgebra::Vector2;

/// The picture's ninths, row by row.
const NINTHS: [&str; 9] =
    ["top left", "top", "top right", "left", "middle", "right", "bottom left", "bottom", "bottom right"];

/// Whether a corner was seen in each of `cells` × `cells` equal parts of the picture, row by row.
fn seen(views: &[BoardView], size_px: [u32; 2], cells: usize) -> Vec<bool> {
    let mut seen = vec![false; cells * cells];
    let cell = |value: f64, side: u32| {
        // Half a pixel: the picture reaches from -½ to side - ½.
        (((value + 0.5) / f64::from(side) * cells as f64) as usize).min(cells - 1)
    };
    for corner in views.iter().flat_map(|view| &view.corners_px) {
        seen[cell(corner[1], size_px[1]) * cells + cell(corner[0], size_px[0])] = true;
    }
    seen
}

/// Share of the picture's 8 × 8 cells in which a corner was seen.
pub(crate) fn coverage(views: &[BoardView], size_px: [u32; 2]) -> f64 {
    let seen = seen(views, size_px, 8);
    seen.iter().filter(|&&s| s).count() as f64 / seen.len() as f64
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
