//! Checks every point as it is read and joins them to frames with their presentation times.

use std::collections::BTreeMap;
use std::path::Path;

use midline_session::description::{PixelCentre, PointsRotation};
use midline_session::footage::Footage;
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints, default_names};

use crate::reading::Reading;
use crate::{Place, PointsError};

/// How far outside the picture a point may lie, as a share of the picture's longer side: detectors guess limbs just
/// beyond the edge, but not farther.
const OUTSIDE_SHARE: f64 = 0.25;
/// With fewer points than this, coordinates between 0 and 1 may be an accident.
const NORMALISED_FROM_POINTS: usize = 10;

/// A point with the place in the file where it stands.
#[derive(Debug, Clone, Copy)]
struct Placed {
    point: Keypoint,
    place: Place,
}

/// The points of a file by frame and column.
pub(crate) struct Collection<'a> {
    path: &'a Path,
    footage: &'a Footage,
    reading: &'a Reading,
    names: Vec<String>,
    frames: BTreeMap<usize, Vec<Option<Placed>>>,
    scores_above_one: usize,
    pub(crate) remarks: Vec<String>,
}

impl<'a> Collection<'a> {
    pub(crate) fn new(path: &'a Path, footage: &'a Footage, reading: &'a Reading, names: Vec<String>) -> Self {
        Self { path, footage, reading, names, frames: BTreeMap::new(), scores_above_one: 0, remarks: Vec::new() }
    }

    pub(crate) fn path(&self) -> &'a Path {
        self.path
    }

    pub(crate) fn footage(&self) -> &'a Footage {
        self.footage
    }

    pub(crate) fn names(&self) -> &[String] {
        &self.names
    }

    /// Size of the picture that the file's coordinates belong to.
    pub(crate) fn labelled_size_px(&self) -> [u32; 2] {
        match self.reading.rotation {
            PointsRotation::Shown => self.footage.size_px,
            PointsRotation::Stored => self.footage.stored_size_px,
        }
    }

    /// Column of a name as the file writes it, adding it when it is known but new here; `None` when the mapping leaves
    /// it out.
    pub(crate) fn column(&mut self, written: &str, place: Place) -> Result<Option<usize>, PointsError> {
        let known = default_names();
        let name = match self.reading.names.as_ref().and_then(|names| names.translated(written)) {
            Some("") => return Ok(None),
            Some(name) => name.to_owned(),
            None if known.iter().any(|n| n == written) => written.to_owned(),
            None => {
                return Err(PointsError::UnknownName {
                    path: self.path.to_owned(),
                    place,
                    name: written.to_owned(),
                    known: known.join(", "),
                });
            }
        };
        if let Some(column) = self.names.iter().position(|n| *n == name) {
            return Ok(Some(column));
        }
        self.names.push(name);
        Ok(Some(self.names.len() - 1))
    }

    /// A coordinate of the file as a pixel of the shown picture, pixel centres at integers.
    fn shown(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [x, y] = match self.reading.pixel_centre {
            PixelCentre::Integer => [x, y],
            PixelCentre::Half => [x - 0.5, y - 0.5],
        };
        let [right, bottom] = self.footage.stored_size_px.map(|side| f64::from(side) - 1.0);
        match (self.reading.rotation, self.footage.quarter_turns_clockwise % 4) {
            (PointsRotation::Shown, _) | (PointsRotation::Stored, 0) => [x, y],
            (PointsRotation::Stored, 1) => [bottom - y, x],
            (PointsRotation::Stored, 2) => [right - x, bottom - y],
            (PointsRotation::Stored, _) => [y, right - x],
        }
    }

    /// A frame number of the file as an index into the footage.
    pub(crate) fn frame(&self, frame: u64, place: Place) -> Result<usize, PointsError> {
        let count = self.footage.frame_pts_seconds.len();
        usize::try_from(frame).ok().filter(|f| *f < count).ok_or_else(|| PointsError::FrameBeyond {
            path: self.path.to_owned(),
            place,
            frame,
            count,
        })
    }

    /// A point whose coordinates and score have been checked; a score above 1 counts as 1.
    pub(crate) fn checked(
        &mut self,
        column: usize,
        px: [f64; 2],
        score: f64,
        place: Place,
    ) -> Result<Keypoint, PointsError> {
        let path = || self.path.to_owned();
        let name = || self.names.get(column).cloned().unwrap_or_default();
        if !px.iter().all(|c| c.is_finite()) {
            return Err(PointsError::NotFinite { path: path(), place, name: name() });
        }
        let px = self.shown(px);
        let [width, height] = self.footage.size_px;
        let margin = OUTSIDE_SHARE * f64::from(width.max(height));
        let outside = |c: f64, side: u32| c < -margin || c > f64::from(side) - 1.0 + margin;
        if outside(px[0], width) || outside(px[1], height) {
            let [x, y] = px;
            return Err(PointsError::OutsidePicture { path: path(), place, name: name(), x, y, width, height });
        }
        if !score.is_finite() || score < 0.0 {
            return Err(PointsError::Score { path: path(), place, name: name(), score });
        }
        self.scores_above_one += usize::from(score > 1.0);
        Ok(Keypoint { px, score: score.min(1.0) })
    }

    /// Puts a checked point into its frame.
    pub(crate) fn put(
        &mut self,
        frame: usize,
        column: usize,
        point: Keypoint,
        place: Place,
    ) -> Result<(), PointsError> {
        let row = self.frames.entry(frame).or_default();
        if row.len() <= column {
            row.resize(column + 1, None);
        }
        match &row[column] {
            Some(earlier) => Err(PointsError::Duplicate {
                path: self.path.to_owned(),
                place,
                name: self.names.get(column).cloned().unwrap_or_default(),
                frame,
                first: earlier.place,
            }),
            None => {
                row[column] = Some(Placed { point, place });
                Ok(())
            }
        }
    }

    /// The keypoints, frames in order of time, columns in the order of `order`.
    pub(crate) fn finish(mut self, camera: &str, order: &[String]) -> Result<Keypoints, PointsError> {
        let columns: Vec<(usize, &String)> =
            order.iter().filter_map(|name| Some((self.names.iter().position(|n| n == name)?, name))).collect();
        let mut frames = Vec::with_capacity(self.frames.len());
        while let Some((frame_index, row)) = self.frames.pop_first() {
            let Some(pts_seconds) = self.footage.frame_pts_seconds.get(frame_index).copied() else { continue };
            let points = columns.iter().map(|(c, _)| row.get(*c).copied().flatten().map(|p| p.point)).collect();
            frames.push(KeypointFrame { frame_index, pts_seconds, points });
        }
        let [width, height] = self.footage.size_px;
        let found: usize = frames.iter().map(|f| f.points.iter().flatten().count()).sum();
        let points = || frames.iter().flat_map(|f| f.points.iter().flatten());
        if found == 0 {
            return Err(PointsError::NoPoints { path: self.path.to_owned() });
        }
        if found >= NORMALISED_FROM_POINTS && points().all(|p| p.px.iter().all(|c| (0.0..=1.0).contains(c))) {
            return Err(PointsError::Normalised { path: self.path.to_owned(), width, height });
        }
        if self.scores_above_one > 0 {
            self.remarks.push(format!("Scores above 1 were taken as 1: {} points.", self.scores_above_one));
        }
        Ok(Keypoints {
            camera: camera.to_owned(),
            names: columns.into_iter().map(|(_, name)| name.clone()).collect(),
            frames,
            remarks: self.remarks,
        })
    }
}
