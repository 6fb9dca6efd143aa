//! What the two COCO forms share.

use std::fmt;
use std::marker::PhantomData;
use std::path::Path;

use midline_session::keypoints::Keypoint;
use serde::Deserialize;
use serde::de::{DeserializeSeed, Deserializer, Error, SeqAccess, Visitor};

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

/// Takes the elements of a JSON array one by one, so that the text is never held.
pub(crate) struct Each<'f, T> {
    take: &'f mut dyn FnMut(T) -> Result<(), PointsError>,
    /// The first element's fault, which the JSON reader's own error type cannot carry.
    wrong: &'f mut Option<PointsError>,
    of: PhantomData<T>,
}

impl<'f, T> Each<'f, T> {
    pub(crate) fn new(
        take: &'f mut dyn FnMut(T) -> Result<(), PointsError>,
        wrong: &'f mut Option<PointsError>,
    ) -> Self {
        Self { take, wrong, of: PhantomData }
    }
}

impl<'de, T: Deserialize<'de>> DeserializeSeed<'de> for Each<'_, T> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de, T: Deserialize<'de>> Visitor<'de> for Each<'_, T> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an array")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut elements: A) -> Result<(), A::Error> {
        while let Some(element) = elements.next_element::<T>()? {
            if let Err(wrong) = (self.take)(element) {
                let text = wrong.to_string();
                *self.wrong = Some(wrong);
                return Err(A::Error::custom(text));
            }
        }
        Ok(())
    }
}
