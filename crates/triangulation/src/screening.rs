//! What cannot be a sight of anything is taken out before the lift, and told.

use midline_session::calibration::CalibratedCamera;
use midline_session::keypoints::Keypoints;

use crate::lift::LiftError;

/// A detector may place a point this far beyond the edge of the picture, as a share of its width or height.
const BEYOND_EDGE: f64 = 0.05;

/// The keypoints without pixels or scores that are not numbers, and without pixels outside the picture; what was taken out.
///
/// # Errors
/// Time stamps that are not numbers or do not rise.
pub(crate) fn screened(camera: &CalibratedCamera, given: &Keypoints) -> Result<(Keypoints, Vec<String>), LiftError> {
    let mut before_seconds = f64::NEG_INFINITY;
    for frame in &given.frames {
        if !(frame.pts_seconds > before_seconds && frame.pts_seconds.is_finite()) {
            return Err(LiftError::TimeNotRising {
                camera: given.camera.clone(),
                frame_index: frame.frame_index,
                pts_seconds: frame.pts_seconds,
                before_seconds,
            });
        }
        before_seconds = frame.pts_seconds;
    }
    let size = camera.camera.intrinsics.size_px.map(f64::from);
    let inside = |px: &[f64; 2]| {
        (0..2).all(|axis| (-BEYOND_EDGE * size[axis]..=(1.0 + BEYOND_EDGE) * size[axis]).contains(&px[axis]))
    };
    let mut kept = given.clone();
    let (mut no_number, mut outside) = (0, 0);
    for point in kept.frames.iter_mut().flat_map(|frame| &mut frame.points) {
        let Some(seen) = point else { continue };
        if !(seen.px.iter().all(|v| v.is_finite()) && seen.score.is_finite()) {
            no_number += 1;
            *point = None;
        } else if !inside(&seen.px) {
            outside += 1;
            *point = None;
        }
    }
    let told = [(no_number, "are not numbers"), (outside, "lie outside the picture")];
    let told = told.into_iter().filter(|(count, _)| *count > 0);
    let name = &given.camera;
    Ok((kept, told.map(|(n, why)| format!("Camera {name}: {n} sights {why}; they count as missing.")).collect()))
}
