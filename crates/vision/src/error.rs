//! Why a picture could not be worked on.

use std::path::PathBuf;

/// Why a picture could not be worked on or OpenCV refused.
#[derive(Debug, thiserror::Error)]
pub enum VisionError {
    /// The number of pixels does not fit the size.
    #[error("a grey picture of {width} × {height} needs {} bytes, but {bytes} were given", u64::from(*width) * u64::from(*height))]
    PictureSize {
        /// Width in pixels.
        width: u32,
        /// Height in pixels.
        height: u32,
        /// Bytes given.
        bytes: usize,
    },
    /// The board cannot be searched for.
    #[error(
        "board \"{name}\" has {across} × {down} inner corners; the search needs at least 3 of them in each direction \
         (inner corners are where four squares meet: one less than squares)"
    )]
    Board {
        /// The board's name.
        name: String,
        /// Inner corners along a row.
        across: usize,
        /// Inner corners down a column.
        down: usize,
    },
    /// The markers cannot be searched for.
    #[error("there is no dictionary of markers named \"{name}\"; there are 4x4_50, 5x5_100, 6x6_250 and the like")]
    Dictionary {
        /// The name as written.
        name: String,
    },
    /// Numbers of points do not fit together.
    #[error("{what}: {found} points given where {wanted} are needed")]
    PointCount {
        /// Which list.
        what: &'static str,
        /// Points given.
        found: usize,
        /// Points needed.
        wanted: usize,
    },
    /// A calibration file cannot be read, lacks an entry or holds a wrong one.
    #[error("{path}: {reason}")]
    CalibrationFile {
        /// The file.
        path: PathBuf,
        /// What is missing or wrong.
        reason: String,
    },
    /// A board cannot be printed as wanted.
    #[error("{reason}")]
    Page {
        /// What is wrong, with the numbers.
        reason: String,
    },
    /// A file could not be written.
    #[error(transparent)]
    Session(#[from] midline_session::SessionError),
    /// OpenCV reported an error.
    #[error("OpenCV failed while {action}: {source}")]
    OpenCv {
        /// What was being done.
        action: &'static str,
        /// Its report.
        source: opencv::Error,
    },
}

impl VisionError {
    pub(crate) fn opencv(action: &'static str) -> impl FnOnce(opencv::Error) -> Self {
        move |source| Self::OpenCv { action, source }
    }
}
