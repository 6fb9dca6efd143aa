//! What to film next, in words.

use midline_session::board::{Board, BoardView};
use midline_session::calibration::LensCalibration;

use crate::coverage::{empty_ninths, share_without_rays, tilt_degrees};

// The limits below are common practice among those who calibrate with boards; no source.

/// Views below which more are asked for.
const ENOUGH_VIEWS: usize = 10;
/// Largest tilt of the board against the picture plane, in degrees, below which more is asked for.
const ENOUGH_TILT_DEGREES: f64 = 20.0;
/// Side of the board's outline as a share of the picture's (root of the ratio of areas), median over views.
const ENOUGH_SIZE: f64 = 0.2;
/// Median edge width in pixels above which the pictures are called blurred.
const BLURRED_PX: f64 = 5.0;
/// A view's error as a multiple of the median view's above which it is named.
const ODD_VIEW: f64 = 3.0;
/// Standard deviation of a focal length, as a share of it, above which it is named.
const UNSURE_FOCAL: f64 = 0.01;
/// Error on views left out as a multiple of the error of the fit above which the model is called too free.
const OVERFIT: f64 = 1.5;

/// Sentences on what to film next, the most pressing first; empty when all is well.
pub(crate) fn advice(board: &Board, views: &[BoardView], lens: &LensCalibration) -> Vec<String> {
    let mut said = Vec::new();
    let size_px = lens.intrinsics.size_px;
    let without_rays = share_without_rays(&lens.intrinsics);
    if without_rays > 0.0 {
        said.push(format!(
            "In {:.0} % of the picture the lens model cannot be inverted, so nothing can be measured there; film the board \
             out to the picture's corners or choose a lens model with fewer coefficients.",
            (100.0 * without_rays).max(1.0)
        ));
    }
    if views.len() < ENOUGH_VIEWS {
        said.push(format!("Only {} board views were used; film the board at 15 to 20 places and tilts.", views.len()));
    }
    let empty = empty_ninths(views, size_px);
    if !empty.is_empty() {
        said.push(format!(
            "No board corner was seen in the {} of the picture; film the board there, because distortion is only known \
             where corners were.",
            listed(&empty)
        ));
    }
    let tilt = lens.views.iter().map(|view| tilt_degrees(&view.camera_from_board)).fold(0.0, f64::max);
    if tilt < ENOUGH_TILT_DEGREES {
        said.push(format!(
            "The board was tilted by {tilt:.0}° at most; tilt it by 30° to 45° to all sides, because the focal length is \
             known from tilt."
        ));
    }
    let size = median(views.iter().map(|view| relative_size(board, view, size_px)).collect());
    if let Some(size) = size.filter(|&size| size < ENOUGH_SIZE) {
        said.push(format!(
            "The board fills about {:.0} % of the picture's side; bring it nearer, until it fills a third to a half.",
            100.0 * size
        ));
    }
    let width = median(views.iter().filter_map(|view| view.edge_width_px).collect());
    if let Some(width) = width.filter(|&width| width > BLURRED_PX) {
        said.push(format!(
            "The board's edges are {width:.1} px wide, so the pictures are blurred; hold the board still, lock the focus \
             and use more light."
        ));
    }
    for (name, (value, sd)) in ["fx", "fy"].iter().zip(lens.intrinsics.focal_px.iter().zip(&lens.standard_deviations)) {
        if let Some(sd) = sd.filter(|sd| sd / value > UNSURE_FOCAL) {
            said.push(format!(
                "The focal length {name} is {value:.0} ± {sd:.0} px, more than 1 % unsure; film the board nearer and with \
                 more tilt."
            ));
        }
    }
    if let Some(held_out) = lens.held_out_rms_px.filter(|&error| error > OVERFIT * lens.rms_px) {
        said.push(format!(
            "The error on views left out of the fit is {held_out:.2} px against {:.2} px in the fit; film more views or \
             choose a lens model with fewer coefficients.",
            lens.rms_px
        ));
    }
    let usual = median(lens.views.iter().map(|view| view.rms_px).collect());
    for view in &lens.views {
        if let Some(usual) = usual.filter(|&usual| view.rms_px > ODD_VIEW * usual) {
            said.push(format!(
                "Frame {} fits badly ({:.2} px against {usual:.2} px of the median view); look at it and leave it out if the \
                 board moved or was bent.",
                view.frame_index, view.rms_px
            ));
        }
    }
    said
}

/// Root of the share of the picture that the board's inner corners would span, the unseen ones included.
fn relative_size(board: &Board, view: &BoardView, size_px: [u32; 2]) -> f64 {
    // Side of a square in the picture, from the distances between neighbours on the board.
    let [across, down] = board.inner_corners;
    let place: Vec<usize> = view.corner_indices().collect();
    let steps: Vec<[f64; 4]> = place
        .iter()
        .zip(&view.corners_px)
        .filter_map(|(&index, px)| {
            let at = |neighbour: usize| {
                let found = place.binary_search(&neighbour).ok()?;
                Some([view.corners_px[found][0] - px[0], view.corners_px[found][1] - px[1]])
            };
            let right = if index % across + 1 < across { at(index + 1)? } else { return None };
            let below = if index / across + 1 < down { at(index + across)? } else { return None };
            Some([right[0], right[1], below[0], below[1]])
        })
        .collect();
    let square_px2 =
        steps.iter().map(|[ax, ay, bx, by]| (ax * by - ay * bx).abs()).sum::<f64>() / steps.len().max(1) as f64;
    let squares = ((across - 1) * (down - 1)) as f64;
    (square_px2 * squares / (f64::from(size_px[0]) * f64::from(size_px[1]))).sqrt()
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// "a", "a and b", "a, b and c".
fn listed(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [only] => (*only).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}
