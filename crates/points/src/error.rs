//! Why keypoints could not be read or written: what, where, why, and what to do.

use std::fmt;
use std::path::{Path, PathBuf};

use midline_session::SessionError;

/// Where in a keypoint file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// 1-based line of a CSV file.
    Line(u64),
    /// Annotation of a COCO dataset, by its `id`.
    Annotation(u64),
    /// Image of a COCO dataset, by its `id`.
    Image(u64),
    /// Category of a COCO dataset, by its `id`.
    Category(u64),
    /// Entry of a COCO results file, 1-based.
    Entry(u64),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(line) => write!(f, "line {line}"),
            Self::Annotation(id) => write!(f, "annotation {id}"),
            Self::Image(id) => write!(f, "image {id}"),
            Self::Category(id) => write!(f, "category {id}"),
            Self::Entry(number) => write!(f, "entry {number}"),
        }
    }
}

/// Why keypoints could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum PointsError {
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
    /// Nothing is in the file.
    #[error("{path}: the file is empty; export the keypoints again")]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// The file is well formed but holds no point.
    #[error("{path}: the file holds no labelled point; check that it belongs to this footage")]
    NoPoints {
        /// The file.
        path: PathBuf,
    },
    /// The text is not what the format asks for.
    #[error("{path}{}: {reason}", line.map(|l| format!(", line {l}")).unwrap_or_default())]
    Malformed {
        /// The file.
        path: PathBuf,
        /// 1-based line, where known.
        line: Option<u64>,
        /// What is wrong and what to do about it.
        reason: String,
    },
    /// A keypoint name that no known set has.
    #[error(
        "{path}, {place}: unknown keypoint \"{name}\"; known are: {known}; for another set give a mapping file \
         (points_reading = {{ names = \"…\" }} in session.toml)"
    )]
    UnknownName {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: Place,
        /// The name as written.
        name: String,
        /// The known names, comma-separated.
        known: String,
    },
    /// A keypoint name stands twice in one set.
    #[error("{path}, {place}: the keypoint \"{name}\" stands twice in the set; each name may stand once")]
    RepeatedName {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: Place,
        /// The name.
        name: String,
    },
    /// An entry does not hold as many numbers as its set has points.
    #[error("{path}, {place}: {found} numbers in `{field}`, expected {expected}")]
    Count {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: Place,
        /// The field.
        field: &'static str,
        /// How many numbers there are.
        found: usize,
        /// How many there should be.
        expected: String,
    },
    /// A coordinate is NaN or infinite.
    #[error("{path}, {place}: the coordinates of \"{name}\" are not finite; leave a point out where it was not found")]
    NotFinite {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: Place,
        /// The point.
        name: String,
    },
    /// A point lies far outside the picture.
    #[error(
        "{path}, {place}: \"{name}\" at ({x:.1}, {y:.1}) px lies far outside the picture of {width} x {height} px; the \
         points must belong to this footage, in pixels of the picture as it is shown (rotation applied)"
    )]
    OutsidePicture {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: Place,
        /// The point.
        name: String,
        /// Column, px.
        x: f64,
        /// Row, px.
        y: f64,
        /// Picture width, px.
        width: u32,
        /// Picture height, px.
        height: u32,
    },
    /// Every coordinate lies between 0 and 1.
    #[error(
        "{path}: all coordinates lie between 0 and 1, as shares of the picture do; multiply x by {width} and y by \
         {height}"
    )]
    Normalised {
        /// The file.
        path: PathBuf,
        /// Picture width, px.
        width: u32,
        /// Picture height, px.
        height: u32,
    },
    /// The points were labelled on pictures of another size.
    #[error(
        "{path}, {place}: labelled on a picture of {width} x {height} px, the footage shows {shown_width} x \
         {shown_height} px; export the points for the picture at full size as it is shown (rotation applied)"
    )]
    PictureSize {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: Place,
        /// Width in the file, px.
        width: u32,
        /// Height in the file, px.
        height: u32,
        /// Width of the footage, px.
        shown_width: u32,
        /// Height of the footage, px.
        shown_height: u32,
    },
    /// A confidence that is negative or not a number.
    #[error("{path}, {place}: the score of \"{name}\" is {score}; scores lie between 0 and 1")]
    Score {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: Place,
        /// The point.
        name: String,
        /// The score as written.
        score: f64,
    },
    /// The footage has no such frame.
    #[error(
        "{path}, {place}: frame {frame}, but the footage has {count} frames, counted from 0; {}",
        if *frame == *count as u64 {
            "if the file counts from 1, subtract 1"
        } else {
            "check that the file belongs to this footage"
        }
    )]
    FrameBeyond {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: Place,
        /// The frame asked for.
        frame: u64,
        /// Frames in the footage.
        count: usize,
    },
    /// The footage shows no frame at that time.
    #[error(
        "{path}, {place}: no frame at {seconds} s; the footage runs from {first:.3} s to {last:.3} s; times must be \
         the frames' presentation times in seconds"
    )]
    NoFrameAtTime {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: Place,
        /// The time asked for.
        seconds: f64,
        /// First presentation time of the footage.
        first: f64,
        /// Last presentation time of the footage.
        last: f64,
    },
    /// One point of one frame stands twice.
    #[error("{path}, {place}: \"{name}\" in frame {frame} was already given at {first}; keep one of the two")]
    Duplicate {
        /// The file.
        path: PathBuf,
        /// The second place.
        place: Place,
        /// The point.
        name: String,
        /// The frame.
        frame: usize,
        /// The first place.
        first: Place,
    },
    /// Two images of a dataset are the same frame.
    #[error("{path}, {place}: image {first} already stands for the same image or frame; ids and frames must differ")]
    DuplicateImage {
        /// The file.
        path: PathBuf,
        /// The second image.
        place: Place,
        /// Id of the first.
        first: u64,
    },
    /// An annotation refers to an image or category that the file does not have.
    #[error("{path}, {place}: {kind} {id} is not in the file's list; add it or remove the annotation")]
    NoSuch {
        /// The file.
        path: PathBuf,
        /// The annotation.
        place: Place,
        /// `image` or `category`.
        kind: &'static str,
        /// The id referred to.
        id: u64,
    },
    /// Nobody is where the session says the player is.
    #[error(
        "{path}: in frame {frame} nobody is at ({x:.0}, {y:.0}) px, where session.toml marks the player{}; correct the mark \
         (pixels of the picture as it is shown, frames from 0)",
        nearest_px.map(|d| format!(" (the nearest is {d:.0} px away)")).unwrap_or_default()
    )]
    NobodyAtMark {
        /// The file.
        path: PathBuf,
        /// The marked frame.
        frame: usize,
        /// Column of the mark, px.
        x: f64,
        /// Row of the mark, px.
        y: f64,
        /// How far the nearest person of that frame is away, px; `None` when the frame has none.
        nearest_px: Option<f64>,
    },
    /// The set of names does not fit the form to be written.
    #[error(
        "{path}: the COCO results form carries no names and holds either COCO's 17 points or these with racket and \
         ball; write the dataset form or CSV instead"
    )]
    NamesDoNotFit {
        /// The file.
        path: PathBuf,
    },
    /// Writing failed.
    #[error(transparent)]
    Session(#[from] SessionError),
}

impl PointsError {
    pub(crate) fn io(path: &Path, action: &'static str) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { path, action, source }
    }

    pub(crate) fn malformed(path: &Path, line: Option<u64>, reason: impl Into<String>) -> Self {
        Self::Malformed { path: path.to_owned(), line, reason: reason.into() }
    }
}
