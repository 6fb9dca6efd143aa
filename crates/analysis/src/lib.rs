//! Body frame, phases, measures and statements of a stroke, from 3D tracks with covariance.
//!
//! # Conventions
//!
//! - Metres, seconds, radians. Session times are absolute; "to contact" is session time minus contact, negative before it.
//! - The world is the court frame (x right, y toward the net, z up) when [`Vertical::ZUp`], else any metric frame; then what
//!   needs the vertical or the court is not measurable and says so.
//! - Sides are dominant and other, resolved from the player's handedness; left-handers are mirrored here and nowhere else:
//!   `hitting side` is positive toward the dominant side for everybody.
//! - Body axes: [`BodyFrame`].
//! - No filter crosses contact: samples up to contact for what happens before it, samples after it for what happens after.
//!   Per-instant points are interpolated between frames, so samples within one frame spacing of contact are left out.
//! - Where the lift in continuous time gives a motion around contact, its courses stand in for what is smoothed from points per instant.
//! - Every interval comes from trials with further noise of the size that the covariances say (module `trials`).
//! - How far a racket goes behind the body is described, never graded.
//!
//! [`Vertical::ZUp`]: midline_session::calibration::Vertical::ZUp

mod analyse;
mod bell;
mod body_frame;
mod bounce;
pub mod comparison;
mod contact_time;
mod curves;
mod dip;
mod dip_course;
mod edge_speed;
mod error;
mod grid;
mod input;
mod kind;
mod kink;
mod lifted_course;
mod measures;
mod model;
mod one_camera;
mod over_strokes;
mod phases;
pub mod reliability;
mod samples;
mod series;
mod set_events;
mod smoothing;
mod spots;
mod statements;
mod style;
mod suspicions;
mod swings;
#[cfg(test)]
mod test_film;
#[cfg(test)]
mod test_swing;
mod trials;
mod view;

pub use analyse::{ContactTime, analyse, contact_times};
pub use body_frame::{BodyFrame, TrunkJoints};
pub use curves::curve_name;
pub use error::AnalysisError;
pub use input::{MarkedEvent, SoundImpact, StrokeInput};
pub use one_camera::{CourtInPicture, PictureTracks, impacts_heard_by_one, picture_tracks};
