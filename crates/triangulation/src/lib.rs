//! 2D points to 3D: per instant, any number of views, with the covariance from pixels, calibration and clock.
//!
//! [`triangulate`] finds one point from its views; [`ErrorParts`] says how much of its uncertainty comes from the pixels,
//! the camera poses, the lenses and the clock; [`lift`] does it for whole tracks of several cameras that need not be
//! synchronised. [`lift_strokes`] is the lift in continuous time for strokes: splines fitted to every row of every frame, with
//! velocity and acceleration, split at contact. [`SightCourse`] is the same spline through few sights with known noise: where a
//! racket or ball is to be looked for in frames that nobody marked.
//!
//! # Conventions
//!
//! - Points in world coordinates, metres; pixels in display orientation; times on the session clock, seconds.
//! - Standard deviations of a pixel are per coordinate. Covariances are first order, evaluated at the estimate.
//! - A camera's 2D track is a time series at the instants at which its rows were exposed; frames of different cameras need
//!   not coincide.
//! - What cannot be measured is `None` (or a typed error), never a guess: views that contradict each other, rays that meet
//!   at too small an angle, gaps.
//! - [`lift_strokes`] fits each side of a contact alone, and what it says of contact itself is the limit from one side.
//! - Results do not depend on the number of threads.

mod agreement;
mod calibration_error;
mod camera_tracks;
mod interpolation;
mod lift;
mod motion;
mod pair;
mod point;
mod score_curves;
mod screening;
mod side_swaps;

pub use agreement::{Agreeing, triangulate_agreeing};
pub use calibration_error::{CalibratedView, CalibrationCovariance, CalibrationError, ErrorParts, ViewSource};
pub use lift::{LiftError, LiftSettings, Lifted, lift};
pub use motion::{
    ContactTime, Moment, MotionSettings, Predicted, Sight, SightCourse, SplineBasis, StrokeMotions, Thing, lift_strokes,
};
pub use pair::Pair;
pub use point::{Triangulated, TriangulationError, View, triangulate};
