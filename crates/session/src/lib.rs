//! The data model of a session: what was recorded, what was computed, and how both are kept on disk.
//!
//! # Conventions
//!
//! - SI inside: metres, seconds, radians, pixels. Names carry the unit or the frame.
//! - One session clock in seconds; each camera has `session = offset + rate · pts`.
//! - Pictures, intrinsics and 2D points are in display orientation; pixel centres at integer coordinates.
//! - Court frame: origin on the ground at the centre mark of the near baseline (its outer edge), x right along the
//!   baseline, y toward the net, z up.
//! - Missing is `None`, never 0 or NaN.
//! - What a person writes (`session.toml`) is in [`description`]; everything else here is computed, wrapped in
//!   [`Computed`] with its provenance, and written atomically.

pub mod board;
pub mod c3d;
pub mod calibration;
pub mod court;
pub mod description;
mod error;
pub mod footage;
pub mod keypoints;
pub mod known;
pub mod lift_quality;
pub mod marks;
pub mod motion;
pub mod outside_lens;
pub mod steadiness;
mod store;
pub mod strokes;
mod table;
pub mod tracks;

pub use error::SessionError;
pub use store::{
    Computed, InputHash, Provenance, SCHEMA_VERSION, hash_file, read_computed, write_atomically, write_computed,
};
