//! The COCO results form: an array of detections, without names.

use std::fmt;
use std::io::BufRead;
use std::path::Path;

use midline_session::footage::Footage;
use midline_session::keypoints::{COCO_17, Keypoint, Keypoints, default_names};
use serde::Deserialize;
use serde::de::{Deserializer, Error, SeqAccess, Visitor};

use crate::coco::{Detection, json_error, triples};
use crate::collect::Collection;
use crate::follow::follow;
use crate::{Place, PointsError};

const EXPECTED: &str = "a COCO results file is an array of objects with `image_id`, `category_id`, `keypoints` and \
                        `score`; numbers must be finite";

#[derive(Deserialize)]
struct Entry {
    image_id: u64,
    #[serde(default)]
    category_id: u64,
    keypoints: Vec<f64>,
    score: Option<f64>,
}

pub(crate) fn read(
    path: &Path,
    camera: &str,
    footage: &Footage,
    reader: impl BufRead,
) -> Result<Keypoints, PointsError> {
    let mut entries = Entries {
        collection: Collection::new(path, footage, default_names()),
        count: None,
        found: Vec::new(),
        wrong: None,
    };
    let mut json = serde_json::Deserializer::from_reader(reader);
    let read = json.deserialize_seq(&mut entries).and_then(|()| json.end());
    if let Some(wrong) = entries.wrong {
        return Err(wrong);
    }
    read.map_err(|e| json_error(path, e, EXPECTED))?;
    let Entries { mut collection, count, found, .. } = entries;
    follow(&mut collection, found)?;
    let names = default_names();
    collection.finish(camera, names.get(..count.unwrap_or(names.len())).unwrap_or(&names))
}

/// Takes the array's entries one by one, so that the text is never held.
struct Entries<'a> {
    collection: Collection<'a>,
    /// Points per entry, once known.
    count: Option<usize>,
    found: Vec<Detection>,
    /// The first entry's fault, which the JSON reader's own error type cannot carry.
    wrong: Option<PointsError>,
}

impl<'de> Visitor<'de> for &mut Entries<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an array of detections")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut entries: A) -> Result<(), A::Error> {
        let mut number = 0;
        while let Some(entry) = entries.next_element::<Entry>()? {
            number += 1;
            match self.detection(&entry, Place::Entry(number)) {
                Ok(detection) => self.found.push(detection),
                Err(wrong) => {
                    let text = wrong.to_string();
                    self.wrong = Some(wrong);
                    return Err(A::Error::custom(text));
                }
            }
        }
        Ok(())
    }
}

impl Entries<'_> {
    fn detection(&mut self, entry: &Entry, place: Place) -> Result<Detection, PointsError> {
        let sizes = [COCO_17.len(), default_names().len()];
        let found = entry.keypoints.len();
        let expected = match self.count {
            Some(count) => {
                (found == 3 * count).then_some(count).ok_or_else(|| format!("{} as in the entries before", 3 * count))
            }
            None => sizes.into_iter().find(|s| found == 3 * s).ok_or_else(|| {
                let [body, all] = sizes;
                format!("{} (COCO's {body} points) or {} ({all} points with racket and ball)", 3 * body, 3 * all)
            }),
        };
        let count = expected.map_err(|expected| {
            let path = self.collection.path().to_owned();
            PointsError::Count { path, place, field: "keypoints", found, expected }
        })?;
        self.count = Some(count);
        let frame = self.collection.frame(entry.image_id, place)?;
        let only_flags = triples(&entry.keypoints).all(|(_, v)| [0.0, 1.0, 2.0].contains(&v));
        let mut points: Vec<(usize, Keypoint)> = Vec::with_capacity(count);
        for (column, (px, third)) in triples(&entry.keypoints).enumerate() {
            if third <= 0.0 {
                continue;
            }
            let score = if only_flags { entry.score.unwrap_or(1.0) } else { third };
            points.push((column, self.collection.checked(column, px, score, place)?));
        }
        Ok(Detection { frame, group: entry.category_id, place, points })
    }
}
