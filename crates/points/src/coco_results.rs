//! The COCO results form: an array of detections, without names.

use std::io::BufRead;
use std::path::Path;

use midline_session::footage::Footage;
use midline_session::keypoints::{COCO_17, Keypoint, Keypoints, default_names};
use serde::Deserialize;
use serde::de::DeserializeSeed;

use crate::coco::{Detection, Each, json_error, triples};
use crate::collect::Collection;
use crate::crowd::Crowd;
use crate::follow::follow;
use crate::reading::Reading;
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
    reading: &Reading,
    reader: impl BufRead,
) -> Result<Keypoints, PointsError> {
    let mut entries = Entries::of(path, footage, reading)?;
    let mut crowd = Crowd::new(&reading.player);
    let mut number = 0;
    let mut wrong = None;
    let mut take = |entry: Entry| {
        number += 1;
        crowd.push(entries.detection(&entry, Place::Entry(number))?);
        Ok(())
    };
    let mut json = serde_json::Deserializer::from_reader(reader);
    let read = Each::new(&mut take, &mut wrong).deserialize(&mut json).and_then(|()| json.end());
    if let Some(wrong) = wrong {
        return Err(wrong);
    }
    read.map_err(|e| json_error(path, e, EXPECTED))?;
    let Entries { mut collection, count, columns, .. } = entries;
    follow(&mut collection, crowd)?;
    let all = collection.names().to_vec();
    let given = columns.get(..count.unwrap_or(columns.len())).unwrap_or(&columns);
    let names: Vec<String> = given.iter().flatten().filter_map(|c| all.get(*c).cloned()).collect();
    collection.finish(camera, &names)
}

/// What is known about the entries so far.
struct Entries<'a> {
    collection: Collection<'a>,
    /// Column of each triple; `None` where the mapping leaves a point out.
    columns: Vec<Option<usize>>,
    /// How many triples an entry may have.
    sizes: Vec<usize>,
    /// Points per entry, once known.
    count: Option<usize>,
}

impl<'a> Entries<'a> {
    fn of(path: &'a Path, footage: &'a Footage, reading: &'a Reading) -> Result<Self, PointsError> {
        let mut collection = Collection::new(path, footage, reading, Vec::new());
        let order = reading.names.as_ref().and_then(|names| names.order());
        let (written, sizes) = match order {
            Some(order) => (order.to_vec(), vec![order.len()]),
            None => (default_names(), vec![COCO_17.len(), default_names().len()]),
        };
        let mut columns = Vec::with_capacity(written.len());
        for name in &written {
            columns.push(collection.column(name, Place::Entry(1))?);
        }
        Ok(Self { collection, columns, sizes, count: None })
    }
}

impl Entries<'_> {
    fn detection(&mut self, entry: &Entry, place: Place) -> Result<Detection, PointsError> {
        let found = entry.keypoints.len();
        let expected = match self.count {
            Some(count) => {
                (found == 3 * count).then_some(count).ok_or_else(|| format!("{} as in the entries before", 3 * count))
            }
            None => self.sizes.iter().copied().find(|s| found == 3 * s).ok_or_else(|| match self.sizes[..] {
                [body, all] => {
                    format!("{} (COCO's {body} points) or {} ({all} points with racket and ball)", 3 * body, 3 * all)
                }
                _ => format!("{} ({} points of the mapping's `order`)", 3 * self.columns.len(), self.columns.len()),
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
        for (column, (px, third)) in self.columns.clone().into_iter().zip(triples(&entry.keypoints)) {
            let Some(column) = column.filter(|_| third > 0.0) else { continue };
            let score = if only_flags { entry.score.unwrap_or(1.0) } else { third };
            points.push((column, self.collection.checked(column, px, score, place)?));
        }
        Ok(Detection { frame, group: entry.category_id, place, points })
    }
}
