//! 2D keypoints of one camera: reading them from the files in which they come, and removing what cannot be true.
//!
//! [`import`] reads COCO keypoint JSON (dataset and results forms) and tidy CSV; [`write`] writes the same three forms;
//! [`clean`] undoes left-right swaps and removes frozen points and gross jumps. [`lay_marks_over`] brings in what a person marked;
//! [`follow_patch`] is the optical flow that carries such marks to other frames.
//!
//! # Conventions
//!
//! - Points are pixels in display orientation (container rotation applied), pixel centres at integers.
//! - Frames count from 0 in display order; their times are the container's presentation times, never a number over a
//!   nominal rate.
//! - A point that was not found is `None`; a file says so with visibility 0 (COCO) or by leaving the row or both
//!   coordinates out (CSV).
//! - Cleaning only removes points or exchanges left and right. It never moves or smooths a point, so nothing is carried
//!   across the moment of contact.

mod bend;
mod clean;
mod coco;
mod coco_dataset;
mod coco_results;
mod collect;
mod error;
mod flow;
mod follow;
mod frozen;
mod import;
mod jumps;
mod marked;
mod swaps;
#[cfg(test)]
mod test_motion;
mod tidy;
mod write;

pub use clean::clean;
pub use error::{Place, PointsError};
pub use flow::{Flow, FlowRequest, GreyPicture, follow_patch, resting_background};
pub use import::import;
pub use marked::lay_marks_over;
pub use write::{PointsForm, write};
