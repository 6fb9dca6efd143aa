//! What can go wrong while marking: what, where, why, and what to do.

use midline_media::MediaError;
use midline_session::SessionError;

/// Why a request could not be answered or the page not be shown.
#[derive(Debug, thiserror::Error)]
pub enum DeskError {
    /// No camera of that name.
    #[error("there is no camera \"{name}\"; there are: {known}")]
    UnknownCamera {
        /// The name asked for.
        name: String,
        /// The cameras, comma-separated.
        known: String,
    },
    /// The footage has no such frame.
    #[error("camera \"{camera}\" has {count} frames, counted from 0; frame {frame} is not among them")]
    NoSuchFrame {
        /// The camera.
        camera: String,
        /// The frame asked for.
        frame: usize,
        /// Frames in the footage.
        count: usize,
    },
    /// A mark that makes no sense.
    #[error("{reason}")]
    BadAct {
        /// Why, and what to do.
        reason: String,
    },
    /// The cameras' places or clocks are not known yet.
    #[error("the cameras' places and clocks are not known yet: {reason}")]
    NotCalibrated {
        /// Why.
        reason: String,
    },
    /// The stretch of time asked for is empty or longer than the page works on at once.
    #[error("a passage lasts between 0 and {longest} s, not {seconds:.3} s; choose a single stroke")]
    BadPassage {
        /// Its length.
        seconds: f64,
        /// Longest.
        longest: f64,
    },
    /// The pictures cannot be had.
    #[error(transparent)]
    Media(#[from] MediaError),
    /// The marks cannot be read or written.
    #[error(transparent)]
    Session(#[from] SessionError),
    /// A picture cannot be encoded for the browser.
    #[error("frame {frame} of camera \"{camera}\" cannot be encoded as JPEG: {source}")]
    Jpeg {
        /// The camera.
        camera: String,
        /// The frame.
        frame: usize,
        /// Why.
        source: image::ImageError,
    },
    /// The system refuses what the page needs.
    #[error("{action} failed: {source}")]
    System {
        /// What was being done.
        action: &'static str,
        /// The reason given by the system.
        source: std::io::Error,
    },
}
