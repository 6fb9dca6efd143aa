//! The COCO dataset form: images, annotations and categories.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fmt;
use std::io::BufRead;
use std::path::Path;

use midline_session::footage::Footage;
use midline_session::keypoints::Keypoints;
use serde::Deserialize;
use serde::de::{Deserializer, IgnoredAny, MapAccess, Visitor};

use crate::coco::{Detection, Each, json_error, triples};
use crate::collect::Collection;
use crate::crowd::Crowd;
use crate::follow::follow;
use crate::import::open;
use crate::reading::Reading;
use crate::{Place, PointsError};

const EXPECTED: &str = "a COCO keypoint dataset has `images`, `annotations` and `categories`; numbers must be finite";

/// All but the annotations, which may be many; the categories that name their points may stand behind them.
#[derive(Deserialize)]
struct Head {
    images: Vec<Image>,
    #[serde(rename = "annotations")]
    _annotations: IgnoredAny,
    categories: Vec<Category>,
}

/// Only the annotations, one by one.
struct Annotations<'f>(Each<'f, Annotation>);

impl<'de> Visitor<'de> for Annotations<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object with `annotations`")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut fields: A) -> Result<(), A::Error> {
        let mut each = Some(self.0);
        while let Some(field) = fields.next_key::<String>()? {
            match each.take_if(|_| field == "annotations") {
                Some(each) => fields.next_value_seed(each)?,
                None => drop(fields.next_value::<IgnoredAny>()?),
            }
        }
        Ok(())
    }
}

#[derive(Deserialize)]
struct Image {
    id: u64,
    frame: Option<u64>,
    #[serde(default, rename = "file_name", deserialize_with = "last_number")]
    number: Option<u64>,
    width: Option<u32>,
    height: Option<u32>,
}

#[derive(Deserialize)]
struct Annotation {
    id: u64,
    image_id: u64,
    category_id: u64,
    #[serde(default)]
    keypoints: Vec<f64>,
    keypoint_scores: Option<Vec<f64>>,
}

#[derive(Deserialize)]
struct Category {
    id: u64,
    #[serde(default)]
    keypoints: Vec<String>,
}

pub(crate) fn read(
    path: &Path,
    camera: &str,
    footage: &Footage,
    reading: &Reading,
    reader: impl BufRead,
) -> Result<Keypoints, PointsError> {
    let Head { images, categories, .. } = serde_json::from_reader(reader).map_err(|e| json_error(path, e, EXPECTED))?;
    let mut collection = Collection::new(path, footage, reading, Vec::new());
    let frames = frames_of_images(&mut collection, images)?;
    let sets = columns_of_categories(&mut collection, categories)?;
    let mut crowd = Crowd::new(&reading.player);
    let mut wrong = None;
    let mut take = |annotation: Annotation| {
        if annotation.keypoints.is_empty() {
            return Ok(()); // a box or an outline without points
        }
        let place = Place::Annotation(annotation.id);
        let no_such = |kind, id| PointsError::NoSuch { path: path.to_owned(), place, kind, id };
        let frame = *frames.get(&annotation.image_id).ok_or_else(|| no_such("image", annotation.image_id))?;
        let columns = sets.get(&annotation.category_id).ok_or_else(|| no_such("category", annotation.category_id))?;
        let frame = collection.frame(frame, place)?;
        let group = annotation.category_id;
        crowd.push(Detection { frame, group, place, points: points(&mut collection, columns, &annotation)? });
        Ok(())
    };
    let (again, _) = open(path)?;
    let mut json = serde_json::Deserializer::from_reader(again);
    let read = json.deserialize_map(Annotations(Each::new(&mut take, &mut wrong)));
    if let Some(wrong) = wrong {
        return Err(wrong);
    }
    read.map_err(|e| json_error(path, e, EXPECTED))?;
    follow(&mut collection, crowd)?;
    let names = collection.names().to_vec();
    collection.finish(camera, &names)
}

fn points(
    collection: &mut Collection<'_>,
    columns: &[Option<usize>],
    annotation: &Annotation,
) -> Result<Vec<(usize, midline_session::keypoints::Keypoint)>, PointsError> {
    let place = Place::Annotation(annotation.id);
    let path = collection.path();
    let count =
        |field, found, expected: String| PointsError::Count { path: path.to_owned(), place, field, found, expected };
    if annotation.keypoints.len() != 3 * columns.len() {
        let expected = format!("{}: x, y and visibility of {} points", 3 * columns.len(), columns.len());
        return Err(count("keypoints", annotation.keypoints.len(), expected));
    }
    if let Some(scores) = annotation.keypoint_scores.as_ref().filter(|s| s.len() != columns.len()) {
        return Err(count("keypoint_scores", scores.len(), columns.len().to_string()));
    }
    let mut points = Vec::with_capacity(columns.len());
    for (index, (column, (px, visibility))) in columns.iter().copied().zip(triples(&annotation.keypoints)).enumerate() {
        let Some(column) = column.filter(|_| visibility > 0.0) else { continue };
        let by_visibility = if visibility < 1.5 { 0.5 } else { 1.0 };
        let score = annotation.keypoint_scores.as_ref().and_then(|s| s.get(index)).copied().unwrap_or(by_visibility);
        points.push((column, collection.checked(column, px, score, place)?));
    }
    Ok(points)
}

/// The frame of each image by its id.
fn frames_of_images(collection: &mut Collection<'_>, images: Vec<Image>) -> Result<BTreeMap<u64, u64>, PointsError> {
    let path = collection.path();
    let [shown_width, shown_height] = collection.labelled_size_px();
    let by_field: Option<Vec<u64>> = images.iter().map(|i| i.frame).collect();
    let by_name: Option<Vec<u64>> = images.iter().map(|i| i.number).collect();
    let by_name = by_name.filter(|numbers| {
        let mut sorted = numbers.clone();
        sorted.sort_unstable();
        sorted.windows(2).all(|w| w[0] != w[1])
    });
    let ids: Vec<u64> = images.iter().map(|i| i.id).collect();
    let (frames, source) = match (by_field, by_name) {
        (Some(frames), _) => (frames, "`frame` field"),
        (None, Some(frames)) => (frames, "file name"),
        (None, None) => (ids.clone(), "id"),
    };
    if frames != ids {
        collection.remarks.push(format!("An image's frame was taken from its {source}, not its id."));
    }
    let mut image_of_frame = BTreeMap::new();
    let mut frame_of_image = BTreeMap::new();
    for (image, frame) in images.into_iter().zip(frames) {
        let place = Place::Image(image.id);
        if let (Some(width), Some(height)) = (image.width, image.height)
            && [width, height] != [shown_width, shown_height]
        {
            let path = path.to_owned();
            return Err(PointsError::PictureSize { path, place, width, height, shown_width, shown_height });
        }
        let twice = |first| PointsError::DuplicateImage { path: path.to_owned(), place, first };
        if frame_of_image.insert(image.id, frame).is_some() {
            return Err(twice(image.id));
        }
        if let Some(first) = image_of_frame.insert(frame, image.id) {
            return Err(twice(first));
        }
    }
    Ok(frame_of_image)
}

/// The last run of digits in a file name without its ending.
fn last_number<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<u64>, D::Error> {
    let Some(file_name) = Option::<String>::deserialize(deserializer)? else { return Ok(None) };
    let stem = Path::new(&file_name).file_stem().and_then(OsStr::to_str).unwrap_or_default();
    let digits = stem.split(|c: char| !c.is_ascii_digit()).rfind(|digits| !digits.is_empty());
    Ok(digits.and_then(|digits| digits.parse().ok()))
}

/// The columns of each category's keypoints by its id.
fn columns_of_categories(
    collection: &mut Collection<'_>,
    categories: Vec<Category>,
) -> Result<BTreeMap<u64, Vec<Option<usize>>>, PointsError> {
    let mut sets = BTreeMap::new();
    for category in categories {
        let place = Place::Category(category.id);
        let mut columns = Vec::with_capacity(category.keypoints.len());
        for name in category.keypoints {
            let column = collection.column(&name, place)?;
            if columns.contains(&column) && column.is_some() {
                return Err(PointsError::RepeatedName { path: collection.path().to_owned(), place, name });
            }
            columns.push(column);
        }
        sets.insert(category.id, columns);
    }
    Ok(sets)
}
