//! Where the cameras stand: extrinsics from a board that several cameras see at rest, from named court points, or from both
//! in one joint solution.
//!
//! [`pair_sightings`] finds the moments at which the board rests in sight of two or more cameras; [`solve`] finds the poses
//! with their joint covariance.
//!
//! # Conventions
//!
//! - `camera_from_world`, metres, pixels in display orientation; poses step as in [`midline_geometry::stepped`].
//! - With court points the world is the court frame (z up, ground at 0). With boards alone it is the frame of the first
//!   shared sighting, and the vertical is not known.
//! - A plane seen in a small or blurred picture fits two poses. Both are kept until the data decide; when they do not, the
//!   answer is an error that names what to add, never a guess.
//! - Lenses are held fixed. The covariance is that of clicks and corners, not of the lenses.

mod bundle;
mod court_pose;
mod error;
mod homography;
mod hypotheses;
mod input;
mod planar_pose;
pub mod plan;
mod pose_problem;
mod remarks;
mod sightings;
mod solve;

#[cfg(test)]
mod test_scene;
#[cfg(test)]
mod tests;

pub use error::RigError;
pub use input::{CourtMarks, RigInput, RigSettings};
pub use midline_solver::Loss;
pub use sightings::{SharedSighting, pair_sightings};
pub use solve::{solve, solve_with};
