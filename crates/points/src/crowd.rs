//! The people of every frame, bounded in number.

use std::collections::BTreeMap;

use midline_session::description::PlayerMark;
use midline_session::keypoints::Keypoint;

use crate::coco::Detection;

/// People that are held per frame and group. More than these are in no picture of a court in which the player is large
/// enough to be measured; without a limit a file of a million annotations would be held whole.
const MOST_PER_FRAME: usize = 16;

/// How far around a person's points a mark may lie, as a share of the person's size.
const AROUND_SHARE: f64 = 0.15;
/// The same in px, for a person of whom few points were found.
const AROUND_PX: f64 = 12.0;

/// Detections by group and frame.
pub(crate) struct Crowd {
    marks: Vec<PlayerMark>,
    groups: BTreeMap<u64, BTreeMap<usize, Vec<Detection>>>,
    left_out: usize,
}

impl Crowd {
    pub(crate) fn new(marks: &[PlayerMark]) -> Self {
        Self { marks: marks.to_vec(), groups: BTreeMap::new(), left_out: 0 }
    }

    /// Takes a detection; where a frame is full, the smallest that is not marked goes.
    pub(crate) fn push(&mut self, detection: Detection) {
        if detection.points.is_empty() {
            return;
        }
        let frame = detection.frame;
        let people = self.groups.entry(detection.group).or_default().entry(frame).or_default();
        people.push(detection);
        if people.len() <= MOST_PER_FRAME {
            return;
        }
        let marked = |d: &Detection| self.marks.iter().any(|m| m.frame == frame && from_mark(&d.points, m.px).1);
        let smallest = (0..people.len())
            .filter(|i| !marked(&people[*i]))
            .min_by(|a, b| size_px(&people[*a].points).total_cmp(&size_px(&people[*b].points)));
        people.remove(smallest.unwrap_or(0));
        self.left_out += 1;
    }

    pub(crate) fn marks(&self) -> &[PlayerMark] {
        &self.marks
    }

    /// Detections that were not held.
    pub(crate) fn left_out(&self) -> usize {
        self.left_out
    }

    /// The detections of each group in the order of frames and, within a frame, of the file.
    pub(crate) fn into_groups(self) -> Vec<Vec<Detection>> {
        self.groups.into_values().map(|frames| frames.into_values().flatten().collect()).collect()
    }
}

/// Box around the points: left, top, right, bottom, px.
pub(crate) fn bounds_px(points: &[(usize, Keypoint)]) -> [f64; 4] {
    points.iter().fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |b, (_, p)| {
        [b[0].min(p.px[0]), b[1].min(p.px[1]), b[2].max(p.px[0]), b[3].max(p.px[1])]
    })
}

/// Diagonal of the box around the points, px.
pub(crate) fn size_px(points: &[(usize, Keypoint)]) -> f64 {
    let [left, top, right, bottom] = bounds_px(points);
    (right - left).max(0.0).hypot((bottom - top).max(0.0))
}

/// Distance of a mark from the middle of a person's points, px, and whether the mark is on the person.
pub(crate) fn from_mark(points: &[(usize, Keypoint)], mark: [f64; 2]) -> (f64, bool) {
    let [left, top, right, bottom] = bounds_px(points);
    let around = (AROUND_SHARE * size_px(points)).max(AROUND_PX);
    let inside =
        (left - around..=right + around).contains(&mark[0]) && (top - around..=bottom + around).contains(&mark[1]);
    ((mark[0] - 0.5 * (left + right)).hypot(mark[1] - 0.5 * (top + bottom)), inside)
}
