//! Where the cameras stand: extrinsics from a board that several cameras see at rest, from named court points, or from both
//! in one joint solution.
//!
//! [`plan`] says before anyone films where the tripods should stand. [`pair_sightings`] finds the moments at which the board
//! rests in sight of two or more cameras; [`solve`] finds the poses with their joint covariance, [`solve_on_pictures`] fits
//! them to the lines that pictures show, and [`refine`] adds the player's own points.
//!
//! # Conventions
//!
//! - `camera_from_world`, metres, pixels in display orientation; poses step as in [`midline_geometry::stepped`].
//! - With court points the world is the court frame (z up, ground at 0). With boards alone it is the frame of the first
//!   shared sighting, and the vertical is not known.
//! - A plane seen in a small or blurred picture fits two poses. Both are kept until the data decide; when they do not, the
//!   answer is an error that names what to add, never a guess.
//! - [`solve`] holds lenses fixed; its covariance holds what their own covariances do to the poses, and `pose_by_lens` says how
//!   the poses follow the lenses. [`refine`] can free them within their priors.

mod bundle;
mod court_pose;
mod crossings;
mod error;
mod homography;
mod hypotheses;
mod input;
mod line_foot;
mod moving;
mod on_pictures;
mod painted_line;
pub mod plan;
mod planar_pose;
mod player;
mod pose_problem;
mod refine;
mod remarks;
mod same_instant;
mod sightings;
mod solve;
mod standing;

#[cfg(test)]
mod line_tests;
#[cfg(test)]
mod moving_tests;
#[cfg(test)]
mod on_pictures_tests;
#[cfg(test)]
mod refine_tests;
#[cfg(test)]
mod test_scene;
#[cfg(test)]
mod tests;

pub use error::RigError;
pub use input::{CourtMarks, LinePoint, RigInput, RigSettings};
pub use midline_solver::Loss;
pub use moving::{FilmedBoard, moving_sightings};
pub use on_pictures::{OnPictures, solve_on_pictures};
pub use player::{PlayerPoint, PlayerView};
pub use refine::{Refined, refine, refine_dense};
pub use same_instant::{PlayerSettings, player_points};
pub use sightings::{CarriedCorner, SharedSighting, pair_sightings};
pub use solve::{solve, solve_with};
pub use standing::{frames_to_compare, standing};
