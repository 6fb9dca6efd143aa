//! Lift in continuous time: splines fitted to every row of every frame, with one-sided values at contact.

mod basis;
#[cfg(test)]
mod bound_tests;
mod calibration_shift;
mod chain_course;
mod course;
mod course_through_sights;
mod fit;
mod flight_course;
#[cfg(test)]
mod flight_tests;
mod flights;
mod kinks;
mod observations;
mod rigid_course;
mod rotation_spline;
mod roughness;
mod section;
mod segments;
#[cfg(test)]
mod simulated;
mod smoothness_groups;
mod start;
mod stroke_motion;
#[cfg(test)]
mod tests;

pub use basis::{Moment, SplineBasis};
pub use course_through_sights::{Predicted, Sight, SightCourse, Thing};
pub use stroke_motion::{ContactTime, MotionSettings, StrokeMotions, lift_strokes};
