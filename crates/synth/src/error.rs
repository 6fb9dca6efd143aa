//! Why the demo could not be written.

use std::path::PathBuf;

/// Why the demo could not be written.
#[derive(Debug, thiserror::Error)]
pub enum SynthError {
    /// The `ffmpeg` command is not there.
    #[error(
        "the ffmpeg command cannot be started: {source}; install ffmpeg (with libx264) and make sure that it is on the PATH"
    )]
    NoFfmpeg {
        /// The reason given by the system.
        source: std::io::Error,
    },
    /// `ffmpeg` refused or failed.
    #[error("{path}: ffmpeg could not encode this clip: {message}")]
    Encoding {
        /// The clip.
        path: PathBuf,
        /// The last lines that ffmpeg said.
        message: String,
    },
    /// The folder holds something else.
    #[error("{path}: already holds \"{found}\", which is not part of a demo; choose a new or an empty folder")]
    Occupied {
        /// The folder.
        path: PathBuf,
        /// One thing that it holds.
        found: String,
    },
    /// The operating system refused.
    #[error("{path}: {action} failed: {source}")]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What was being done.
        action: &'static str,
        /// The reason given by the system.
        source: std::io::Error,
    },
    /// A session file could not be written.
    #[error(transparent)]
    Session(#[from] midline_session::SessionError),
    /// The demo's scenario contradicts itself: a defect of this program.
    #[error("the demo's scenario contradicts itself: {reason}; this is a defect of midline")]
    Scenario {
        /// How.
        reason: String,
    },
}

impl SynthError {
    pub(crate) fn io(path: &std::path::Path, action: &'static str) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { path, action, source }
    }
}
