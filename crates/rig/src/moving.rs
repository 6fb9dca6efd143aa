//! A board in motion as several cameras see it, brought to common instants.
//!
//! Frames of two cameras do not coincide, and each row of a picture is read at its own time. Every corner is therefore followed
//! by itself over the four frames around an instant, by the cubic through the times at which it was seen. What the clock
//! between the clips leaves open moves all corners along their courses; the joint solution finds it together with the poses.

use std::collections::BTreeMap;

use midline_geometry::ReadOut;
use midline_session::board::BoardView;
use nalgebra::Vector2;

use crate::sightings::{CarriedCorner, SharedSighting};

/// Time between the instants taken, seconds.
const EVERY_SECONDS: f64 = 0.25;
/// Instants taken at most; more are thinned evenly.
const MOST_INSTANTS: usize = 60;
/// Corners slower than this in every camera are a board at rest, px per second (root mean square).
const SLOWEST_PX_PER_SECOND: f64 = 20.0;
/// Faster corners are blurred, and a clock's error moves them far, px per second.
const FASTEST_PX_PER_SECOND: f64 = 400.0;
/// A course that bends by more than this between two frames is too jerky for a cubic, px.
const LARGEST_BEND_PX: f64 = 1.0;
/// Frames farther apart are not interpolated between, seconds.
const LONGEST_GAP_SECONDS: f64 = 0.05;
/// Fewest corners of a view.
const FEWEST_CORNERS: usize = 6;

/// A clip of the board from one camera.
#[derive(Debug, Clone, Default)]
pub struct FilmedBoard {
    /// Session time of each frame's first row, seconds, with what was seen of the board in it.
    pub views: Vec<(f64, BoardView)>,
    /// How the camera reads its pictures.
    pub read_out: ReadOut,
    /// Size of the picture, px.
    pub size_px: [u32; 2],
}

/// The poses of a board in motion in sight of two or more cameras, at most 60 and at least 0.25 s apart, in order of time, one
/// clip per camera. A board at rest gives none: see [`crate::pair_sightings`].
#[must_use]
pub fn moving_sightings(filmed: &[FilmedBoard]) -> Vec<SharedSighting> {
    let courses: Vec<Courses> = filmed.iter().map(Courses::new).collect();
    let ends = courses.iter().filter_map(|own| Some((own.frames.first()?.seconds, own.frames.last()?.seconds)));
    let (from, until) =
        ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(from, until), (a, b)| (from.min(a), until.max(b)));
    let mut found = Vec::new();
    let mut instant = from;
    while instant <= until {
        let seen: Vec<Option<AtInstant>> = courses.iter().map(|own| own.at(instant)).collect();
        let moves = seen.iter().flatten().any(|own| own.speed_px_per_second > SLOWEST_PX_PER_SECOND);
        if moves && seen.iter().flatten().count() >= 2 {
            let mut shared = SharedSighting { views: Vec::new(), carried: Vec::new() };
            for own in seen {
                let (view, carried) = own.map(|own| (own.view, own.carried)).unzip();
                shared.views.push(view);
                shared.carried.push(carried.unwrap_or_default());
            }
            found.push(shared);
        }
        instant += EVERY_SECONDS;
    }
    let (all, kept) = (found.len(), found.len().min(MOST_INSTANTS));
    let mut index = 0;
    found.retain(|_| {
        index += 1;
        // The first of each of `kept` equal stretches.
        index * kept / all != (index - 1) * kept / all
    });
    found
}

/// A frame's corners by their index on the board, each with its pixel and the session time at which its row was read.
struct Frame {
    seconds: f64,
    corners: BTreeMap<usize, (f64, Vector2<f64>)>,
}

/// The courses of all corners in one camera's picture.
struct Courses<'a> {
    filmed: &'a FilmedBoard,
    /// In order of time.
    frames: Vec<Frame>,
    /// For each frame its place in `filmed.views`.
    source: Vec<usize>,
}

/// What a camera sees at an instant.
struct AtInstant {
    view: BoardView,
    carried: Vec<CarriedCorner>,
    /// Root mean square over the corners.
    speed_px_per_second: f64,
}

impl<'a> Courses<'a> {
    fn new(filmed: &'a FilmedBoard) -> Self {
        let mut source: Vec<usize> = (0..filmed.views.len()).collect();
        source.sort_by(|&a, &b| filmed.views[a].0.total_cmp(&filmed.views[b].0));
        let frame = |&index: &usize| {
            let (seconds, view) = &filmed.views[index];
            let seen = |px: &[f64; 2]| {
                let px = Vector2::from(*px);
                (seconds + filmed.read_out.delay_seconds(px, filmed.size_px), px)
            };
            let corners = view.corner_indices().zip(view.corners_px.iter().map(seen)).collect();
            Frame { seconds: *seconds, corners }
        };
        Self { filmed, frames: source.iter().map(frame).collect(), source }
    }

    /// `None` when the board is not seen there in four frames in a row, or moves too fast or too jerkily.
    fn at(&self, instant: f64) -> Option<AtInstant> {
        // The frame whose first row is the last before the instant; rows further down may have been read in earlier frames.
        let last = self.frames.partition_point(|frame| frame.seconds <= instant);
        let candidates = last.saturating_sub(3)..last;
        let ids: Vec<usize> = self.frames.get(last.checked_sub(1)?)?.corners.keys().copied().collect();
        let (mut found, mut bend_px, mut squares) = (BTreeMap::new(), 0.0_f64, 0.0);
        for id in ids {
            let course = |first: usize| -> Option<[(f64, Vector2<f64>); 4]> {
                let seen = |index: usize| self.frames.get(index)?.corners.get(&id).copied();
                Some([seen(first.checked_sub(1)?)?, seen(first)?, seen(first + 1)?, seen(first + 2)?])
            };
            let around = |course: &[(f64, Vector2<f64>); 4]| course[1].0 <= instant && instant < course[2].0;
            let Some(course) = candidates.clone().rev().filter_map(course).find(around) else { continue };
            if course.windows(2).any(|two| two[1].0 - two[0].0 > LONGEST_GAP_SECONDS) {
                return None;
            }
            let (px, carried) = cubic(&course, instant);
            let [_, a, b, _] = course;
            let straight = a.1 + (b.1 - a.1) * ((instant - a.0) / (b.0 - a.0));
            bend_px = bend_px.max((px - straight).norm());
            squares += Vector2::from(carried.px_per_second).norm_squared();
            found.insert(id, (px, carried));
        }
        let speed_px_per_second = (squares / found.len().max(1) as f64).sqrt();
        if found.len() < FEWEST_CORNERS || bend_px > LARGEST_BEND_PX || speed_px_per_second > FASTEST_PX_PER_SECOND {
            return None;
        }
        let nearest = &self.filmed.views[self.source[last - 1]].1;
        let whole = nearest.corner_ids.is_none();
        if whole && found.len() < nearest.corners_px.len() {
            return None;
        }
        let view = BoardView {
            corners_px: found.values().map(|(px, _)| (*px).into()).collect(),
            corner_ids: (!whole).then(|| found.keys().copied().collect()),
            ..nearest.clone()
        };
        let carried = found.values().map(|(_, carried)| *carried).collect();
        Some(AtInstant { view, carried, speed_px_per_second })
    }
}

/// The cubic through four points (Lagrange): its value, and with its derivative what it makes of the points' noise, which are
/// independent of each other.
fn cubic(course: &[(f64, Vector2<f64>); 4], at: f64) -> (Vector2<f64>, CarriedCorner) {
    let (mut value, mut slope, mut variance_ratio) = (Vector2::zeros(), Vector2::zeros(), 0.0);
    for (i, (own, px)) in course.iter().enumerate() {
        let others: Vec<f64> = course.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, other)| other.0).collect();
        let below: f64 = others.iter().map(|other| own - other).product();
        let above: f64 = others.iter().map(|other| at - other).product();
        let risen: f64 =
            (0..3).map(|left_out| (0..3).filter(|j| *j != left_out).map(|j| at - others[j]).product::<f64>()).sum();
        value += px * (above / below);
        slope += px * (risen / below);
        variance_ratio += (above / below).powi(2);
    }
    (value, CarriedCorner { px_per_second: slope.into(), noise_ratio: variance_ratio.sqrt() })
}
