//! Which sightings of which points the joint solution uses, cut into spline segments, and where the splines start.
//!
//! Only stretches that two cameras see are worth anything; of these the fastest are taken first, because a point tells the
//! time by its speed, and a few slow ones, because they tell a turned camera from a wrong time.

use midline_session::keypoints::BALL;
use nalgebra::{Matrix3, Vector2, Vector3};

use super::filmed::{Filmed, Straight};
use super::problem::Sight;
use super::spline::SUPPORT;
use crate::path::Path;

/// Interval of the splines in spacings of the frames, and its bounds in seconds: a swing's path bends over some tens of
/// milliseconds (common practice; see the simulations), and an interval needs more sightings than it has unknowns.
const KNOT_SPACINGS: f64 = 2.0;
const KNOT_SECONDS: std::ops::Range<f64> = 0.008..0.030;
const LEAST_KNOT_SPACINGS: f64 = 1.3;
/// Intervals of the pieces that are chosen or left out together, and of the shortest segment.
const PIECE: usize = 20;
const LEAST_INTERVALS: usize = 6;
/// Share of the control points that goes to pieces regardless of their speed.
const SLOW_SHARE: f64 = 0.2;

/// The sightings, and the splines' control points to start from.
pub(crate) struct Paths {
    pub(crate) knot_seconds: f64,
    pub(crate) sights: Vec<Sight>,
    pub(crate) segments: Vec<Segment>,
    pub(crate) controls: Vec<Vector3<f64>>,
    /// Names of the points, by their number in the sightings.
    pub(crate) points: usize,
}

/// One stretch of one point's path.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Segment {
    /// Session time at which its first interval begins.
    pub(crate) start_seconds: f64,
    pub(crate) intervals: usize,
    /// Its first control point; it has `intervals + 3`.
    pub(crate) first_control: usize,
}

impl Segment {
    /// The first control point, and the beginning, of the interval in which an instant lies; the nearest one outside.
    pub(crate) fn interval(&self, session: f64, knot_seconds: f64) -> (usize, f64) {
        let index = ((session - self.start_seconds) / knot_seconds).floor().clamp(0.0, (self.intervals - 1) as f64);
        (self.first_control + index as usize, self.start_seconds + index * knot_seconds)
    }

    pub(crate) fn controls(&self) -> usize {
        self.intervals + SUPPORT - 1
    }
}

/// A stretch of cells of one point's time line that may be chosen.
struct Piece {
    point: usize,
    first_cell: usize,
    cells: usize,
    speed_px: f64,
}

/// One camera's sightings of one point: session time, presentation time, share of the read-out, pixel.
type Seen = (f64, f64, f64, Vector2<f64>);

impl Paths {
    /// `None` when no two cameras see a point move for long enough.
    pub(crate) fn new(cameras: &[Filmed], clocks: &[Straight], most_controls: usize) -> Option<Self> {
        let names = common_names(cameras);
        let knot_seconds = knot_seconds(cameras);
        let seen: Vec<Vec<Vec<Seen>>> = names
            .iter()
            .map(|name| cameras.iter().zip(clocks).map(|(camera, clock)| seen(camera, clock, name)).collect())
            .collect();
        let origin = seen.iter().flatten().flatten().map(|s| s.0).fold(f64::INFINITY, f64::min);
        if !origin.is_finite() {
            return None;
        }
        let cell = |session: f64| ((session - origin) / knot_seconds) as usize;
        let mut pieces: Vec<Piece> =
            seen.iter().enumerate().flat_map(|(point, by_camera)| pieces(point, by_camera, &cell)).collect();
        choose(&mut pieces, most_controls);
        let mut paths = Self { knot_seconds, sights: Vec::new(), segments: Vec::new(), controls: Vec::new(), points: names.len() };
        let mut at = 0;
        while at < pieces.len() {
            let mut last = at;
            while pieces.get(last + 1).is_some_and(|next| {
                next.point == pieces[last].point && next.first_cell == pieces[last].first_cell + pieces[last].cells
            }) {
                last += 1;
            }
            let (point, first_cell) = (pieces[at].point, pieces[at].first_cell);
            let segment = Segment {
                start_seconds: origin + first_cell as f64 * knot_seconds,
                intervals: pieces[last].first_cell + pieces[last].cells - first_cell,
                first_control: paths.controls.len(),
            };
            let by_camera: Vec<Path> =
                cameras.iter().map(|c| path(c, names[point])).collect();
            if let Some(start) = start(&segment, knot_seconds, cameras, clocks, &by_camera) {
                paths.controls.extend(start);
                paths.segments.push(segment);
                paths.add_sights(point, &segment, &seen[point]);
            }
            at = last + 1;
        }
        (!paths.sights.is_empty()).then_some(paths)
    }

    fn add_sights(&mut self, point: usize, segment: &Segment, seen: &[Vec<Seen>]) {
        let end = segment.start_seconds + segment.intervals as f64 * self.knot_seconds;
        for (camera, seen) in seen.iter().enumerate() {
            let from = seen.partition_point(|s| s.0 < segment.start_seconds);
            for (session, pts_seconds, share, px) in seen[from..].iter().take_while(|s| s.0 < end) {
                let (control, interval_seconds) = segment.interval(*session, self.knot_seconds);
                let (pts_seconds, share, px) = (*pts_seconds, *share, *px);
                self.sights.push(Sight { camera, point, pts_seconds, share, px, sd_px: 1.0, control, interval_seconds });
            }
        }
    }

    /// The segment that holds a control point.
    pub(crate) fn segment_of(&self, control: usize) -> Option<&Segment> {
        self.segments.get(self.segments.partition_point(|s| s.first_control <= control).checked_sub(1)?)
    }

    /// First control points of all runs of three neighbours within a segment.
    pub(crate) fn bends(&self) -> Vec<usize> {
        self.segments.iter().flat_map(|s| s.first_control..s.first_control + s.controls() - 2).collect()
    }
}

/// Names of points that two cameras report. The ball is left to the kinks of its path ([`crate::ball`]): a spline would
/// smooth over them, and the two estimates stay independent.
fn common_names<'a>(cameras: &[Filmed<'a>]) -> Vec<&'a str> {
    let mut names: Vec<&str> = Vec::new();
    for camera in cameras {
        for name in &camera.keypoints.names {
            let cameras_with_it = cameras.iter().filter(|c| c.keypoints.column(name).is_some()).count();
            if cameras_with_it >= 2 && name != BALL && !names.contains(&name.as_str()) {
                names.push(name);
            }
        }
    }
    names
}

fn knot_seconds(cameras: &[Filmed]) -> f64 {
    let mut spacings: Vec<f64> = cameras.iter().map(|c| c.spacing_seconds).collect();
    spacings.sort_by(f64::total_cmp);
    let mean = spacings.iter().sum::<f64>() / spacings.len().max(1) as f64;
    (KNOT_SPACINGS * mean).clamp(KNOT_SECONDS.start, KNOT_SECONDS.end).max(LEAST_KNOT_SPACINGS * mean)
}

fn seen(camera: &Filmed, clock: &Straight, name: &str) -> Vec<Seen> {
    let Some(column) = camera.keypoints.column(name) else { return Vec::new() };
    let rows = midline_geometry::ReadOut { seconds: 1.0, ..camera.camera.read_out };
    let mut seen: Vec<Seen> = camera
        .keypoints
        .frames
        .iter()
        .filter_map(|frame| {
            let px = Vector2::from(frame.points.get(column)?.as_ref()?.px);
            let share = rows.delay_seconds(px, camera.camera.intrinsics.size_px);
            let session = clock.session(frame.pts_seconds + share * camera.camera.read_out.seconds);
            Some((session, frame.pts_seconds, share, px))
        })
        .collect();
    seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    seen
}

fn path(camera: &Filmed, name: &str) -> Path {
    camera.keypoints.column(name).map_or_else(Path::default, |column| {
        Path::new(&camera.camera, camera.keypoints, column, camera.spacing_seconds)
    })
}

/// The stretches that two cameras see, in pieces.
fn pieces(point: usize, by_camera: &[Vec<Seen>], cell: &dyn Fn(f64) -> usize) -> Vec<Piece> {
    let cells = by_camera.iter().flatten().map(|s| cell(s.0) + 1).max().unwrap_or(0);
    let mut cameras_near = vec![0_usize; cells];
    for seen in by_camera {
        let mut last = None;
        for own in seen.iter().map(|s| cell(s.0)) {
            // A cell counts as seen when its neighbour is: frames need not fall into every cell.
            let from = last.map_or(0, |l: usize| l + 1).max(own.saturating_sub(1));
            for near in cameras_near.iter_mut().take(own + 2).skip(from) {
                *near += 1;
            }
            last = Some((own + 1).max(last.unwrap_or(0)));
        }
    }
    let mut found = Vec::new();
    let mut first = 0;
    while first < cells {
        let length = cameras_near[first..].iter().take_while(|n| **n >= 2).count();
        if length >= LEAST_INTERVALS {
            let count = (length / PIECE).max(1);
            for k in 0..count {
                let (from, to) = (first + k * length / count, first + (k + 1) * length / count);
                let inside = |s: &&Seen| (from..to).contains(&cell(s.0));
                found.push(Piece { point, first_cell: from, cells: to - from, speed_px: speed_px(by_camera, &inside) });
            }
        }
        first += length + 1;
    }
    found
}

/// Length of the points' ways through the pictures over the time that it took, pixels per second.
fn speed_px(by_camera: &[Vec<Seen>], inside: &dyn Fn(&&Seen) -> bool) -> f64 {
    let (mut way, mut time) = (0.0, 0.0);
    for seen in by_camera {
        let within: Vec<&Seen> = seen.iter().filter(inside).collect();
        // Over several frames, so that noise does not pass for speed.
        for pair in within.iter().step_by(4).collect::<Vec<_>>().windows(2) {
            way += (pair[1].3 - pair[0].3).norm();
            time += pair[1].0 - pair[0].0;
        }
    }
    if time > 0.0 { way / time } else { 0.0 }
}

/// Keeps as many pieces as there may be control points, the fastest first and some of the others, in their order.
fn choose(pieces: &mut Vec<Piece>, most_controls: usize) {
    let total: usize = pieces.iter().map(|p| p.cells).sum();
    if total > most_controls {
        let mut order: Vec<usize> = (0..pieces.len()).collect();
        order.sort_by(|a, b| pieces[*b].speed_px.total_cmp(&pieces[*a].speed_px).then(a.cmp(b)));
        let fast_budget = (most_controls as f64 * (1.0 - SLOW_SHARE)) as usize;
        let mut chosen = vec![false; pieces.len()];
        let mut used = 0;
        let mut rest = Vec::new();
        for index in order {
            if used + pieces[index].cells <= fast_budget {
                used += pieces[index].cells;
                chosen[index] = true;
            } else {
                rest.push(index);
            }
        }
        rest.sort_unstable();
        let every = (rest.len() * PIECE).div_ceil(most_controls.saturating_sub(used).max(1)).max(1);
        for index in rest.into_iter().step_by(every) {
            chosen[index] = true;
        }
        let mut keep = chosen.into_iter();
        pieces.retain(|_| keep.next().unwrap_or(false));
    }
}

/// Control points to start from: where the cameras' rays meet at the control points' own instants, the nearest where they
/// cannot be read; `None` when they meet nowhere.
fn start(
    segment: &Segment,
    knot_seconds: f64,
    cameras: &[Filmed],
    clocks: &[Straight],
    paths: &[Path],
) -> Option<Vec<Vector3<f64>>> {
    let places: Vec<Option<Vector3<f64>>> = (0..segment.controls())
        .map(|k| {
            let session = segment.start_seconds + (k as f64 - 1.0) * knot_seconds;
            let rays: Vec<(Vector3<f64>, Vector3<f64>)> = cameras
                .iter()
                .zip(clocks)
                .zip(paths)
                .filter_map(|((camera, clock), path)| {
                    let at = path.at(clock.pts(session))?.normalised;
                    let pose = &camera.camera.camera_from_world;
                    let ray = pose.rotation.inverse_transform_vector(&Vector3::new(at.x, at.y, 1.0)).normalize();
                    Some((camera.camera.centre_world().coords, ray))
                })
                .collect();
            meeting(&rays).filter(|place| {
                cameras.iter().all(|c| (c.camera.camera_from_world * nalgebra::Point3::from(*place)).z > 0.1)
            })
        })
        .collect();
    let known: Vec<usize> = (0..places.len()).filter(|k| places[*k].is_some()).collect();
    (0..places.len())
        .map(|k| {
            let nearest = known.iter().min_by_key(|other| other.abs_diff(k))?;
            places[*nearest]
        })
        .collect()
}

/// The place nearest to all rays (origin, unit direction) in the sense of least squares; `None` for fewer than two or nearly
/// parallel rays.
pub(crate) fn meeting(rays: &[(Vector3<f64>, Vector3<f64>)]) -> Option<Vector3<f64>> {
    if rays.len() < 2 {
        return None;
    }
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for (origin, direction) in rays {
        let across = Matrix3::identity() - direction * direction.transpose();
        normal += across;
        right += across * origin;
    }
    // The determinant is the squared sine of the rays' angle, times their number.
    (normal.determinant() > 1e-4).then(|| normal.try_inverse())?.map(|inverse| inverse * right)
}
