//! 2D keypoints of one camera: reading them from the files in which they come, finding them with a network that the user
//! brings, removing what cannot be true, and saying what they are worth.
//!
//! [`import`] reads COCO keypoint JSON (dataset and results forms) and tidy CSV, [`import_as`] those of other sets and
//! conventions; [`write`] writes the same three forms; [`inference`] finds points in pictures; [`clean`] undoes left-right
//! swaps and removes frozen points and gross jumps; [`quality`] judges. [`lay_marks_over`] brings in what a person marked.
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
mod crowd;
mod error;
mod follow;
mod frozen;
mod import;
pub mod inference;
mod jumps;
mod marked;
pub mod quality;
mod reading;
mod swaps;
#[cfg(test)]
mod test_motion;
mod tidy;
mod write;

pub use clean::{Cleaning, clean};
pub use error::{Place, PointsError};
pub use import::{import, import_as};
pub use marked::lay_marks_over;
pub use reading::{NameMap, Reading};
pub use write::{PointsForm, write};
