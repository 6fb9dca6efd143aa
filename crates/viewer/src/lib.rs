//! A recording of a session for the rerun viewer: court, cameras with their footage, points, skeleton, racket, ball,
//! planes of the body, uncertainty, curves and events, on one clock.
//!
//! [`save`] writes it to a file, [`Live`] while the stages still work, and [`Server`] offers either on this machine, to a browser
//! or to the native viewer. This is the only crate that knows rerun, and no rerun type is in its public items.
//!
//! # Conventions
//!
//! - World coordinates are those of the rig, metres; z is up when the rig says so.
//! - Timeline `session_time` is the session clock. Footage frames and 2D points stand at the session time of their frame
//!   (`offset + rate · pts`), so that cameras of different clocks run together; the delay of a row within a frame is not
//!   shown. Timeline `time_to_contact` overlays the strokes, each under its own entity.
//! - rerun counts pixels from the corner of the picture; midline from the centre of the first pixel. Half a pixel is
//!   added on the way.
//! - rerun's cameras have no lens distortion. 2D points lie where the footage shows them; the reprojected skeleton is
//!   projected here, with distortion and rolling shutter, and lies in the picture's own pixels.
//! - Strokes are laid over each other in body axes at contact: hitting side along x, front along y, up along z, with the
//!   middle of the trunk at the origin; left-handers are mirrored, as in the analysis.
//! - Where something is not measured, an empty row says so; nothing old stays in view longer than [`LINGER_SECONDS`].
//! - Degrees and centimetres appear here because this is a place of showing.

mod cameras;
mod colours;
mod curves;
#[cfg(test)]
mod fixture;
mod layout;
mod live;
mod notes;
mod overlay;
mod places;
mod planes;
mod player;
mod recording;
mod server;
mod video;
mod web_viewer;
mod world;

use std::path::{Path, PathBuf};

use midline_session::calibration::{CalibratedCamera, Vertical};
use midline_session::court::Court;
use midline_session::description::Session;
use midline_session::footage::Footage;
use midline_session::keypoints::Keypoints;
use midline_session::strokes::Strokes;
use midline_session::tracks::Tracks;

pub use live::{Live, Part};
pub use server::Server;

/// Version of the rerun viewer that recordings are made for.
pub const VIEWER_VERSION: &str = "0.36.3";

/// Where the native viewer comes from, for people.
pub const HOW_TO_OPEN: &str =
    "the Python package rerun-sdk of this version, in an environment of its own, brings the command rerun";

/// How long something stays in view after its last sample, seconds.
pub const LINGER_SECONDS: f64 = 0.05;

/// Footage larger than this is not put into the recording, bytes.
pub const LARGEST_FOOTAGE_BYTES: u64 = 300_000_000;

/// Everything that a recording shows.
#[derive(Debug, Clone, Copy)]
pub struct ViewInput<'a> {
    /// What a person said about the session; its folder holds the footage.
    pub session: &'a Session,
    /// The calibrated cameras.
    pub cameras: &'a [CalibratedCamera],
    /// Footage of each camera by the camera's name.
    pub footage: &'a [(String, Footage)],
    /// 3D tracks.
    pub tracks: &'a Tracks,
    /// Result of the strokes stage.
    pub strokes: &'a Strokes,
    /// The court, when the world is the court's frame.
    pub court: Option<&'a Court>,
    /// 2D keypoints of each camera.
    pub keypoints: &'a [Keypoints],
    /// Whether the world's z axis is vertical.
    pub vertical: Vertical,
    /// An earlier session whose strokes are laid over these at contact.
    pub before: Option<BeforeView<'a>>,
}

/// The session that is compared with.
#[derive(Debug, Clone, Copy)]
pub struct BeforeView<'a> {
    /// What a person said about it.
    pub session: &'a Session,
    /// Its 3D tracks.
    pub tracks: &'a Tracks,
    /// Its strokes.
    pub strokes: &'a Strokes,
}

/// Why a recording could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ViewError {
    /// The system refused.
    #[error("{path}: {action} failed: {source}")]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What was being done.
        action: &'static str,
        /// The reason given by the system.
        source: std::io::Error,
    },
    /// The recording library refused.
    #[error("{path}: recording \"{entity}\" failed: {reason}; this is a defect of the viewer crate, please tell us")]
    Recording {
        /// The recording.
        path: PathBuf,
        /// The entity or step.
        entity: String,
        /// The library's reason.
        reason: String,
    },
    /// The page could not be served.
    #[error("serving the 3D view on port {port} of this machine failed: {reason}; choose another port, or 0 for any")]
    Serving {
        /// The port.
        port: u16,
        /// The reason.
        reason: String,
    },
}

/// Writes the recording to `path` (`.rrd`): temporary file in the same folder, fsync, rename. Returns what was left out
/// and why, one sentence each: footage that is missing, too large, or whose frames do not match its description.
///
/// # Errors
/// When the system or the recording library refuses; nothing is left half written.
pub fn save(path: &Path, input: &ViewInput) -> Result<Vec<String>, ViewError> {
    let mut remarks = Vec::new();
    let recording = recording::Recording::start(path, input)?;
    world::record(&recording, input)?;
    cameras::record(&recording, input, &mut remarks)?;
    player::record(&recording, input)?;
    cameras::record_reprojected(&recording, input)?;
    planes::record(&recording, input)?;
    overlay::record(&recording, input)?;
    curves::record(&recording, input)?;
    notes::record(&recording, input, &remarks)?;
    layout::send(&recording, input)?;
    recording.finish()?;
    Ok(remarks)
}

#[cfg(test)]
mod tests;
