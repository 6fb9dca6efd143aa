//! Tidy CSV: one row per point and frame.

use std::collections::BTreeMap;
use std::io::BufRead;
use std::path::Path;

use midline_session::description::PlayerMark;
use midline_session::footage::Footage;
use midline_session::keypoints::{Keypoint, Keypoints, default_names};

use crate::coco::Detection;
use crate::collect::Collection;
use crate::crowd::Crowd;
use crate::follow::follow;
use crate::reading::Reading;
use crate::{Place, PointsError};

const EXPECTED: &str =
    "expected a comma-separated header with `frame` or `time`, `name`, `x`, `y` and optionally `score` and `person`";

/// Positions of the columns.
struct Header {
    when: When,
    name: usize,
    x: usize,
    y: usize,
    score: Option<usize>,
    person: Option<usize>,
}

/// People in one frame; more are a column that does not tell people apart, and would have to be held.
const MOST_PEOPLE: usize = 64;

enum When {
    Frame(usize),
    Time(usize),
}

pub(crate) fn read(
    path: &Path,
    camera: &str,
    footage: &Footage,
    reading: &Reading,
    reader: impl BufRead,
) -> Result<Keypoints, PointsError> {
    let mut rows = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(reader);
    let mut collection = Collection::new(path, footage, reading, Vec::new());
    let mut people = People::default();
    let titles = rows.headers().map_err(|e| malformed(path, e))?;
    let header = header(path, titles, &mut collection.remarks)?;
    let mut row = csv::StringRecord::new();
    while rows.read_record(&mut row).map_err(|e| malformed(path, e))? {
        let line = row.position().map_or(0, csv::Position::line);
        let place = Place::Line(line);
        let cell = |index: usize| row.get(index).unwrap_or_default();
        let number = |index: usize, what: &str| {
            cell(index).parse::<f64>().map_err(|_| {
                PointsError::malformed(path, Some(line), format!("`{what}` is \"{}\", not a number", cell(index)))
            })
        };
        if row.iter().all(str::is_empty) {
            continue;
        }
        let Some(column) = collection.column(cell(header.name), place)? else { continue };
        let frame = match header.when {
            When::Frame(index) => {
                let frame = whole_number(cell(index)).ok_or_else(|| {
                    let reason = format!("`frame` is \"{}\"; frames are whole numbers from 0", cell(index));
                    PointsError::malformed(path, Some(line), reason)
                })?;
                collection.frame(frame, place)?
            }
            When::Time(index) => frame_at(path, footage, number(index, "time")?, place)?,
        };
        if cell(header.x).is_empty() && cell(header.y).is_empty() {
            continue;
        }
        let px = [number(header.x, "x")?, number(header.y, "y")?];
        let score = match header.score {
            Some(index) if !cell(index).is_empty() => number(index, "score")?,
            _ => 1.0,
        };
        let point = collection.checked(column, px, score, place)?;
        match header.person {
            Some(person) => people.put(&collection, frame, cell(person), (column, point), place)?,
            None => collection.put(frame, column, point, place)?,
        }
    }
    if header.person.is_some() {
        follow(&mut collection, people.crowd(&reading.player))?;
    }
    // COCO's order first, then what only the mapping knows in the order of the file.
    let mut order = default_names();
    order.extend(collection.names().iter().filter(|name| !default_names().contains(name)).cloned());
    collection.finish(camera, &order)
}

/// The points of several people, row by row.
#[derive(Default)]
struct People {
    /// Numbers of the people's marks, in the order in which they come.
    marks: BTreeMap<String, usize>,
    frames: BTreeMap<usize, BTreeMap<usize, Detection>>,
}

impl People {
    fn put(
        &mut self,
        collection: &Collection<'_>,
        frame: usize,
        mark: &str,
        point: (usize, Keypoint),
        place: Place,
    ) -> Result<(), PointsError> {
        let next = self.marks.len();
        let person = *self.marks.entry(mark.to_owned()).or_insert(next);
        let people = self.frames.entry(frame).or_default();
        let detection =
            people.entry(person).or_insert_with(|| Detection { frame, group: 0, place, points: Vec::new() });
        if detection.points.iter().any(|(column, _)| *column == point.0) {
            return Err(PointsError::Duplicate {
                path: collection.path().to_owned(),
                place,
                name: collection.names().get(point.0).cloned().unwrap_or_default(),
                frame,
                first: detection.place,
            });
        }
        detection.points.push(point);
        if people.len() > MOST_PEOPLE {
            return Err(PointsError::malformed(
                collection.path(),
                None,
                format!("frame {frame} has more than {MOST_PEOPLE} people ({place}); is `person` a column of people?"),
            ));
        }
        Ok(())
    }

    fn crowd(self, marks: &[PlayerMark]) -> Crowd {
        let mut crowd = Crowd::new(marks);
        for detection in self.frames.into_values().flat_map(BTreeMap::into_values) {
            crowd.push(detection);
        }
        crowd
    }
}

fn malformed(path: &Path, error: csv::Error) -> PointsError {
    let line = error.position().map(csv::Position::line);
    match error.into_kind() {
        csv::ErrorKind::Io(source) => PointsError::io(path, "reading")(source),
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            PointsError::malformed(path, line, format!("{len} cells, the header has {expected_len}"))
        }
        csv::ErrorKind::Utf8 { .. } => PointsError::malformed(path, line, "not UTF-8 text; save the file as UTF-8 CSV"),
        other => PointsError::malformed(path, line, format!("not readable as CSV: {other:?}; {EXPECTED}")),
    }
}

fn header(path: &Path, titles: &csv::StringRecord, remarks: &mut Vec<String>) -> Result<Header, PointsError> {
    let wrong = |reason: String| PointsError::malformed(path, Some(1), format!("{reason}; {EXPECTED}"));
    let find = |title: &str| -> Result<Option<usize>, PointsError> {
        let mut places = titles.iter().enumerate().filter(|(_, t)| *t == title).map(|(i, _)| i);
        let first = places.next();
        if places.next().is_some() {
            return Err(wrong(format!("the column `{title}` stands twice")));
        }
        Ok(first)
    };
    let need = |title: &str| find(title)?.ok_or_else(|| wrong(format!("no column `{title}`")));
    let when = match (find("frame")?, find("time")?) {
        (Some(frame), _) => When::Frame(frame),
        (None, Some(time)) => When::Time(time),
        (None, None) => return Err(wrong("no column `frame` or `time`".to_owned())),
    };
    let header = Header {
        when,
        name: need("name")?,
        x: need("x")?,
        y: need("y")?,
        score: find("score")?,
        person: find("person")?,
    };
    let foreign: Vec<&str> =
        titles.iter().filter(|t| !["frame", "time", "name", "x", "y", "score", "person"].contains(t)).collect();
    if !foreign.is_empty() {
        remarks.push(format!("Columns that are not read: {}.", foreign.join(", ")));
    }
    Ok(header)
}

/// A whole number from 0, also when written as `12.0`.
fn whole_number(text: &str) -> Option<u64> {
    text.strip_suffix(".0").unwrap_or(text).parse().ok()
}

/// The frame nearest to a presentation time, at most half a frame away.
fn frame_at(path: &Path, footage: &Footage, seconds: f64, place: Place) -> Result<usize, PointsError> {
    let pts = &footage.frame_pts_seconds;
    // A single frame has no spacing; a hundredth of a second is within a frame at any usual rate.
    let reach = footage.median_spacing_seconds().unwrap_or(0.02) / 2.0;
    footage.nearest_frame(seconds).filter(|f| (pts[*f] - seconds).abs() <= reach).ok_or_else(|| {
        PointsError::NoFrameAtTime {
            path: path.to_owned(),
            place,
            seconds,
            first: pts.first().copied().unwrap_or(0.0),
            last: pts.last().copied().unwrap_or(0.0),
        }
    })
}
