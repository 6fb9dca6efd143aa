//! Why a network could not be used: what, where, why, and what to do.

use std::path::{Path, PathBuf};

use midline_media::MediaError;
use midline_session::SessionError;

/// Why no keypoints came from a model.
#[derive(Debug, thiserror::Error)]
pub enum InferenceError {
    /// The operating system refused.
    #[error("{path}: {action} failed: {source}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What was being done.
        action: &'static str,
        /// The reason given by the system.
        source: std::io::Error,
    },
    /// The model has no manifest beside it.
    #[error(
        "{path}: the manifest of the model is missing; write one beside it that says how pictures go in and how points \
         come out (README, \"Bring a model\")"
    )]
    NoManifest {
        /// Where it should be.
        path: PathBuf,
    },
    /// The manifest is not as it should be.
    #[error("{path}{}: {reason}", line.map(|l| format!(", line {l}")).unwrap_or_default())]
    Manifest {
        /// The manifest.
        path: PathBuf,
        /// 1-based line, where known.
        line: Option<usize>,
        /// What is wrong and what to do about it.
        reason: String,
    },
    /// The program was built without a runtime.
    #[error(
        "{path}: this program was built without the feature `tract` and runs no models; build it with default features"
    )]
    NoRuntime {
        /// The model.
        path: PathBuf,
    },
    /// The runtime cannot use the model.
    #[error("{path}: the model cannot be used: {reason}")]
    Unusable {
        /// The model.
        path: PathBuf,
        /// What the runtime says, and what to do.
        reason: String,
    },
    /// Model and manifest contradict each other.
    #[error(
        "{path}: {what} is {found}, the manifest says {said}; correct the manifest or take the model that it describes"
    )]
    Shape {
        /// The model.
        path: PathBuf,
        /// Which input or output.
        what: String,
        /// Shape in the model.
        found: String,
        /// What the manifest asks for.
        said: String,
    },
    /// A result of the network is not a number.
    #[error(
        "{path}: the output \"{output}\" is not a finite number in frame {frame}; check colours, mean and std of the \
         manifest, or export the model again in 32-bit floats"
    )]
    NotFinite {
        /// The model.
        path: PathBuf,
        /// The output.
        output: String,
        /// The frame.
        frame: usize,
    },
    /// No point was found in the whole clip.
    #[error(
        "{footage}: {models} found no point in any of {frames} frames; check that the manifest describes the model (colours, \
         mean, std, crop) and that its least_score fits"
    )]
    NothingFound {
        /// The footage.
        footage: PathBuf,
        /// The models.
        models: String,
        /// Frames that were looked at.
        frames: usize,
    },
    /// Two models find the same point.
    #[error("{path}: \"{name}\" is found by another model too; leave it out in one of the manifests (\"\" in `names`)")]
    RepeatedName {
        /// The second model.
        path: PathBuf,
        /// The point.
        name: String,
    },
    /// A model is of another kind than it is used for.
    #[error("{path}: {reason}")]
    OtherKind {
        /// The model.
        path: PathBuf,
        /// What it is, and what to do.
        reason: String,
    },
    /// The footage cannot be decoded.
    #[error(transparent)]
    Media(#[from] MediaError),
    /// A file of the session cannot be read or written.
    #[error(transparent)]
    Session(#[from] SessionError),
}

impl InferenceError {
    pub(crate) fn io(path: &Path, action: &'static str) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { path, action, source }
    }
}
