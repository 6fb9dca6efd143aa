//! Local pages in the browser: marking racket, ball, court and events on the pictures of a session.
//!
//! [`Desk`] holds a session's pictures, cameras and marks; [`serve`] shows it on loopback. The page shows all cameras on the
//! session clock. From a mark in one picture, [`epipolar_curve`] draws where the point must lie in another; from some marked
//! frames, [`propose`] carries the points to the others by the racket's outline, optical flow and the course in 3D, each with a
//! ring that says how sure it is, and names the frame whose mark would help most.
//!
//! # Conventions
//!
//! - Pixels in display orientation, pixel centres at integers; session times in seconds; frames count from 0 in display order.
//! - Cameras are in the order of the session's description.
//! - Marks go to the journal `marks.jsonl` (see [`midline_session::marks`]), on disk before the page hears of it. What the pictures
//!   carried becomes a keypoint only when the person keeps it; what only the 3D course fills is shown, and never becomes one: it
//!   would tell the lift its own opinion as if it were a sight.
//! - Only loopback, only with the address's random key, only from the page itself; no request names a file. See [`serve`].

mod carry;
mod curve;
mod desk;
mod error;
mod film;
mod guard;
mod propose;
mod racket;
mod server;

pub use carry::RACKET_POINTS;
pub use curve::{EpipolarCurve, epipolar_curve};
pub use desk::{Calibrated, Desk, DeskInput, KnownEvent, Recalibrate};
pub use error::DeskError;
pub use propose::{CameraProposals, FrameProposals, NextFrame, Passage, Proposal, ProposalSource, Proposals, propose};
pub use server::{Serving, serve};
