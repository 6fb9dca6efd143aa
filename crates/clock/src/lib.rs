//! The session clock: time offset and rate of each camera against the first, from sound, motion, flashes and the ball's kinks,
//! compared ([`session_clock`]); a clock of shared-board clips ([`from_sound`], [`from_boards`]); and the moments of impact that
//! the microphones heard.
//!
//! # Conventions
//!
//! - `session = offset + rate · pts` for every camera, in seconds; the first camera is the reference: offset 0, rate 1.
//! - A pixel is seen at `pts + row delay` of its camera; the row delay comes from the read-out.
//! - Sound and pictures of one phone differ by a latency that nobody states. A clock from sound alone carries an allowance
//!   for it in its covariance ([`LATENCY_SD_SECONDS`]), and so does every impact.
//! - Lengths in metres: the travel time of sound needs a metric rig.

mod ball;
mod boards;
mod epipolar;
mod error;
mod estimate;
mod flash;
mod impacts;
mod level;
mod line;
#[cfg(test)]
mod made_sound;
mod motion;
mod onsets;
mod path;
mod sound;
mod sound_network;
mod sound_overlap;
mod surroundings;

pub use boards::{BoardClip, from_boards};
pub use error::ClockError;
pub use estimate::{CameraView, ClockCamera, Flashes, session_clock};
pub use impacts::{Impact, impacts};
pub use onsets::{Onset, onsets};
pub use sound::{CameraSound, LATENCY_SD_SECONDS, PATH_SD_SECONDS, from_sound};
pub(crate) use surroundings::Surroundings;
pub use surroundings::speed_of_sound_m_s;
