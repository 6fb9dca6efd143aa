//! Corners to a fraction of a pixel.

use opencv::core::{
    BORDER_DEFAULT, Mat, Point2f, Size, TermCriteria, TermCriteria_COUNT, TermCriteria_EPS, ToInputArray, Vector,
};
use opencv::imgproc::{corner_sub_pix, gaussian_blur};

use crate::VisionError;

/// Smoothing before the refinement, in pixels: edges sharper than the pixel grid pull corners toward whole pixels by up to
/// 0.15 px on drawn boards, and half of that is gone with this.
const SMOOTHING_PX: f64 = 1.0;

/// Refines corners of black and white squares in one picture: Förstner & Gülch 1987, as OpenCV's `cornerSubPix`.
pub(crate) struct Refinement {
    smooth: Mat,
    criteria: TermCriteria,
}

impl Refinement {
    pub(crate) fn of(picture: &impl ToInputArray) -> Result<Self, VisionError> {
        let mut smooth = Mat::default();
        gaussian_blur(picture, &mut smooth, Size::new(0, 0), SMOOTHING_PX, SMOOTHING_PX, BORDER_DEFAULT)
            .map_err(VisionError::opencv("smoothing a picture"))?;
        let criteria = TermCriteria::new(TermCriteria_EPS + TermCriteria_COUNT, 50, 1e-4)
            .map_err(VisionError::opencv("preparing the refinement"))?;
        Ok(Self { smooth, criteria })
    }

    /// The corner near `start_px`, seen in a square window that reaches `half_window_px` to each side; `None` when it lies
    /// farther than `farthest_px` from there.
    pub(crate) fn corner(
        &self,
        start_px: [f64; 2],
        half_window_px: f64,
        farthest_px: f64,
    ) -> Result<Option<[f64; 2]>, VisionError> {
        let refining = || VisionError::opencv("refining a corner");
        let half = half_window_px as i32;
        let mut point = Vector::<Point2f>::from_slice(&[Point2f::new(start_px[0] as f32, start_px[1] as f32)]);
        corner_sub_pix(&self.smooth, &mut point, Size::new(half, half), Size::new(-1, -1), self.criteria)
            .map_err(refining())?;
        let refined = point.get(0).map_err(refining())?;
        let end = [f64::from(refined.x), f64::from(refined.y)];
        let moved = (end[0] - start_px[0]).hypot(end[1] - start_px[1]);
        // A corner that is not a number has moved too far as well.
        Ok((moved <= farthest_px).then_some(end))
    }
}
