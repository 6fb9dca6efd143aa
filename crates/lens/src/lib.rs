//! Intrinsics of one camera from views of a checkerboard, with how far to trust them and what to film next.
//!
//! Start: homographies by the normalised direct linear transform (Hartley & Zisserman 2004, algorithm 4.2) and the closed
//! form for the image of the absolute conic (Zhang 2000). Finish: Levenberg-Marquardt over the lens and all poses together,
//! with analytic Jacobians; the accumulation of the normal equations is linear in the number of views.
//!
//! # Conventions
//!
//! - Pixels in display orientation, the centre of the top-left pixel is (0, 0). Corners in the order of `Board::corners_m`.
//! - `camera_from_board` takes board coordinates to the camera frame (x right, y down, z forward), metres.
//! - Errors in pixels are lengths: `rms = sqrt(Σ |error|² / number of corners)`, as OpenCV defines it.
//! - Standard deviations are scaled by the residuals that were found, not by the standard deviation that was assumed.

mod advice;
mod calibrate;
mod checks;
mod choice;
mod choose;
mod clip;
mod coverage;
mod error;
mod held_out;
mod homography;
mod pose;
mod problem;
mod projection_sd;
mod settings;
mod start;
mod steadiness;

pub use calibrate::calibrate;
pub use choose::choose_views;
pub use clip::{ClipSettings, calibrate_clip};
pub use error::LensError;
pub use settings::{Aspect, LensModelChoice, LensSettings};

#[cfg(test)]
mod made_up_views;
#[cfg(test)]
mod quality_tests;
#[cfg(test)]
mod tests;
