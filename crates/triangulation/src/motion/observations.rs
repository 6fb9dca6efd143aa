//! What the cameras saw of a thing, each at the instant at which its row was exposed.

use midline_geometry::Camera;
use nalgebra::Vector2;

use super::course::Instant;

/// One landmark in one frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Observation<'a> {
    pub(crate) camera: &'a Camera,
    /// Index of the camera in the rig.
    pub(crate) rig_index: usize,
    /// Landmark of the course.
    pub(crate) landmark: usize,
    /// Session time at which its row was exposed, seconds.
    pub(crate) seconds: f64,
    /// The same on the camera's own clock, seconds.
    pub(crate) camera_seconds: f64,
    pub(crate) px: Vector2<f64>,
    /// Standard deviation of a pixel coordinate before scaling, pixels.
    pub(crate) sd_px: f64,
    /// The basis at its instant.
    pub(crate) at: Instant,
}
