//! One error type for footage files: what, where, why, and what to do.

use std::path::{Path, PathBuf};

/// Why a footage file could not be used.
#[derive(Debug, thiserror::Error)]
pub enum MediaError {
    /// The operating system refused.
    #[error("{path}: {action} failed: {source}; check the name and the permissions")]
    Io {
        /// The file.
        path: PathBuf,
        /// What was being done.
        action: &'static str,
        /// The reason given by the system.
        source: std::io::Error,
    },
    /// The file has no content.
    #[error("{path}: the file is empty (0 bytes); copy it from the phone again")]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// The file is of another kind.
    #[error(
        "{path}: this is not an MP4 or MOV file; if it is a video of another kind, convert it without re-encoding: \
         ffmpeg -i IN -c copy OUT.mp4"
    )]
    NotVideo {
        /// The file.
        path: PathBuf,
    },
    /// The file ends before its index.
    #[error(
        "{path}: the file has no index (\"moov\"): the recording was cut off or the copy is incomplete; copy it from the \
         phone again"
    )]
    Truncated {
        /// The file.
        path: PathBuf,
    },
    /// The file ends inside its pictures and sound.
    #[error(
        "{path}: the file ends inside the box \"{place}\", {missing_bytes} bytes are missing: the recording was cut off or \
         the copy is incomplete; copy it from the phone again, or keep what is whole: ffmpeg -i IN -c copy OUT.mp4"
    )]
    CutOff {
        /// The file.
        path: PathBuf,
        /// The box.
        place: String,
        /// Bytes of it that are not there.
        missing_bytes: u64,
    },
    /// The container contradicts itself.
    #[error("{path}: {place}: {reason}; copy it from the phone again, or rewrite it: ffmpeg -i IN -c copy OUT.mp4")]
    Malformed {
        /// The file.
        path: PathBuf,
        /// Where in the container.
        place: String,
        /// What is wrong.
        reason: String,
    },
    /// There are no pictures in the file.
    #[error("{path}: the file has no video track; name the file that the camera recorded")]
    NoVideoTrack {
        /// The file.
        path: PathBuf,
    },
    /// The file uses something that is not supported.
    #[error("{path}: {what}; {advice}")]
    Unsupported {
        /// The file.
        path: PathBuf,
        /// What is not supported.
        what: String,
        /// What to do.
        advice: &'static str,
    },
    /// The file's time is not the time in which it was recorded.
    #[error(
        "{path}: {evidence}, so its time is not the time of the stroke; take the original from the phone, or export it \
         without slow motion, at the frame rate of the recording{otherwise}"
    )]
    OtherSpeed {
        /// The file.
        path: PathBuf,
        /// What tells.
        evidence: String,
        /// What to do when the evidence misleads; empty where it cannot.
        otherwise: &'static str,
    },
    /// The description belongs to another file.
    #[error("{path}: the description of the footage is that of another file; inspect this file and use what it says")]
    OtherFile {
        /// The file.
        path: PathBuf,
    },
    /// The decoder is not installed.
    #[error("the command \"{program}\" was not found, which decodes the pictures; install it: apt-get install ffmpeg")]
    FfmpegMissing {
        /// The command that was tried.
        program: String,
    },
    /// The decoder failed.
    #[error("{path}: ffmpeg stopped after {decoded} of {expected} pictures ({status}): {message}")]
    Ffmpeg {
        /// The file.
        path: PathBuf,
        /// Pictures that came out.
        decoded: usize,
        /// Pictures that were asked for.
        expected: usize,
        /// Its exit status.
        status: String,
        /// The end of its error output.
        message: String,
    },
    /// The decoder delivered another number of pictures than the container lists.
    #[error(
        "{path}: {decoded} pictures were decoded where the container lists {expected}; the file is damaged: copy it from \
         the phone again. The decoder says: {message}"
    )]
    FrameCount {
        /// The file.
        path: PathBuf,
        /// Pictures that came out.
        decoded: usize,
        /// Pictures that were asked for.
        expected: usize,
        /// The end of the decoder's error output.
        message: String,
    },
    /// A decoded picture is not the one that the container lists at its place.
    #[error(
        "{path}: frame {frame} has the time stamp {expected_seconds:.6} s in its track, the decoder delivered the picture of \
         {decoded_seconds:.6} s; a frame is damaged or missing: copy the file from the phone again"
    )]
    FrameTime {
        /// The file.
        path: PathBuf,
        /// Index of the frame.
        frame: usize,
        /// Time in the track that the container lists.
        expected_seconds: f64,
        /// Time in the track that the decoder reports.
        decoded_seconds: f64,
    },
    /// A decoded picture has another size than the container says.
    #[error(
        "{path}: frame {frame} was decoded as {decoded:?} px where the container says {expected:?} px; record without \
         changing the picture size"
    )]
    FrameSize {
        /// The file.
        path: PathBuf,
        /// Index of the frame.
        frame: usize,
        /// Stored width and height that the container says.
        expected: [u32; 2],
        /// Decoded width and height.
        decoded: [u32; 2],
    },
    /// The caller asks for a frame that is not there.
    #[error("{path}: frame {frame} was asked for, the file has {frames}; ask for an index from 0")]
    NoSuchFrame {
        /// The file.
        path: PathBuf,
        /// Index of the frame.
        frame: usize,
        /// Number of frames.
        frames: usize,
    },
    /// The sound track cannot be decoded.
    #[error("{path}: the sound track cannot be decoded: {reason}; convert it: ffmpeg -i IN -c:v copy -c:a aac OUT.mp4")]
    Sound {
        /// The file.
        path: PathBuf,
        /// Why.
        reason: String,
    },
}

impl MediaError {
    pub(crate) fn io(path: &Path, action: &'static str) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { path, action, source }
    }

    pub(crate) fn malformed(path: &Path, place: &str, reason: impl Into<String>) -> Self {
        Self::Malformed { path: path.to_owned(), place: place.to_owned(), reason: reason.into() }
    }
}
