//! What the two COCO forms share.

use std::path::Path;

use midline_session::keypoints::Keypoint;

use crate::{Place, PointsError};

/// One annotated or detected thing (player, racket, ball) in one frame.
#[derive(Debug, Clone)]
pub(crate) struct Detection {
    pub(crate) frame: usize,
    /// Things of different groups (categories) never compete for a frame.
    pub(crate) group: u64,
    pub(crate) place: Place,
    /// Column and point, of those found.
    pub(crate) points: Vec<(usize, Keypoint)>,
}

/// A JSON error with its line.
pub(crate) fn json_error(path: &Path, error: serde_json::Error, expected: &str) -> PointsError {
    if let Some(kind) = error.io_error_kind() {
        return PointsError::io(path, "reading")(kind.into());
    }
    PointsError::malformed(path, Some(error.line() as u64), format!("{error}; {expected}"))
}

/// Splits a flat `x, y, v` list into triples.
pub(crate) fn triples(numbers: &[f64]) -> impl Iterator<Item = ([f64; 2], f64)> {
    numbers.chunks_exact(3).map(|t| ([t[0], t[1]], t[2]))
}
