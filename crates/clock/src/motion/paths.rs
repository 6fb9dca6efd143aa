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

/// Length of the pieces that paths are cut into, and of the shortest, seconds: a piece has one spline of its own.
const PIECE_SECONDS: f64 = 0.4;
const LEAST_PIECE_SECONDS: f64 = 0.1;
/// A spline's intervals last a spacing of the frames, but at least this, seconds: finer than a racket moves. Smoothness is
/// not their task but that of the prior on the jerk, which has a precision of its own over each such stretch, seconds.
const LEAST_INTERVAL_SECONDS: f64 = 0.010;
const STRETCH_SECONDS: f64 = 0.064;
/// Sightings of a piece that each of two cameras must have.
const LEAST_SIGHTS: usize = 6;
/// A cell of the time line in spacings of the frames; pieces are made of whole cells.
const CELL_SPACINGS: f64 = 2.0;
/// Share of the control points that goes to pieces regardless of their speed.
const SLOW_SHARE: f64 = 0.2;

/// The sightings, and the splines' control points to start from.
pub(crate) struct Paths {
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
    pub(crate) knot_seconds: f64,
    pub(crate) intervals: usize,
    /// Its first control point; it has `intervals + 3`.
    pub(crate) first_control: usize,
    /// Its first group of jerks, and how many there are.
    pub(crate) first_group: usize,
    pub(crate) groups: usize,
}

impl Segment {
    /// The group to which the jerk of an interval belongs.
    pub(crate) fn group_of(&self, interval: usize) -> usize {
        self.first_group + interval * self.groups / self.intervals
    }

    /// The sighting, put into the interval in which an instant lies; the nearest one outside.
    pub(crate) fn placed(&self, sight: Sight, session: f64) -> Sight {
        let index =
            ((session - self.start_seconds) / self.knot_seconds).floor().clamp(0.0, (self.intervals - 1) as f64);
        Sight {
            control: self.first_control + index as usize,
            interval_seconds: self.start_seconds + index * self.knot_seconds,
            knot_seconds: self.knot_seconds,
            ..sight
        }
    }

    pub(crate) fn controls(&self) -> usize {
        self.intervals + SUPPORT - 1
    }
}

/// A stretch of one point's time line that may be chosen.
struct Piece {
    point: usize,
    from_seconds: f64,
    to_seconds: f64,
    intervals: usize,
    speed_px: f64,
}

/// One camera's sightings of one point: session time, presentation time, share of the read-out, pixel.
type Seen = (f64, f64, f64, Vector2<f64>);

impl Paths {
    /// `None` when no two cameras see a point move for long enough.
    pub(crate) fn new(cameras: &[Filmed], clocks: &[Straight], most_controls: usize) -> Option<Self> {
        let names = common_names(cameras);
        let seen: Vec<Vec<Vec<Seen>>> = names
            .iter()
            .map(|name| cameras.iter().zip(clocks).map(|(camera, clock)| seen(camera, clock, name)).collect())
            .collect();
        let spacing = cameras.iter().map(|c| c.spacing_seconds).fold(0.0, f64::max);
        let mut pieces: Vec<Piece> =
            seen.iter().enumerate().flat_map(|(point, by_camera)| pieces(point, by_camera, spacing)).collect();
        choose(&mut pieces, most_controls);
        let mut paths = Self { sights: Vec::new(), segments: Vec::new(), controls: Vec::new(), points: names.len() };
        let tracks: Vec<Vec<Path>> = names.iter().map(|name| cameras.iter().map(|c| path(c, name)).collect()).collect();
        for piece in pieces {
            let segment = Segment {
                start_seconds: piece.from_seconds,
                knot_seconds: (piece.to_seconds - piece.from_seconds) / piece.intervals as f64,
                intervals: piece.intervals,
                first_control: paths.controls.len(),
                first_group: paths.segments.last().map_or(0, |s| s.first_group + s.groups),
                groups: ((piece.to_seconds - piece.from_seconds) / STRETCH_SECONDS).round().max(1.0) as usize,
            };
            if let Some(start) = start(&segment, cameras, clocks, &tracks[piece.point]) {
                paths.controls.extend(start);
                paths.segments.push(segment);
                paths.add_sights(&piece, &segment, &seen[piece.point]);
            }
        }
        (!paths.sights.is_empty()).then_some(paths)
    }

    fn add_sights(&mut self, piece: &Piece, segment: &Segment, seen: &[Vec<Seen>]) {
        for (camera, seen) in seen.iter().enumerate() {
            for &(session, pts_seconds, share, px) in within(seen, piece.from_seconds, piece.to_seconds) {
                let sight = Sight {
                    camera,
                    point: piece.point,
                    pts_seconds,
                    share,
                    px,
                    sd_px: 1.0,
                    mistaken: false,
                    control: segment.first_control,
                    interval_seconds: segment.start_seconds,
                    knot_seconds: segment.knot_seconds,
                };
                self.sights.push(segment.placed(sight, session));
            }
        }
    }

    /// The segment that holds a control point.
    pub(crate) fn segment_of(&self, control: usize) -> Option<&Segment> {
        self.segments.get(self.segments.partition_point(|s| s.first_control <= control).checked_sub(1)?)
    }
}

/// The sightings from one instant to before another.
fn within(seen: &[Seen], from: f64, to: f64) -> &[Seen] {
    &seen[seen.partition_point(|s| s.0 < from)..seen.partition_point(|s| s.0 < to)]
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

/// The stretches that two cameras see without a gap, in pieces.
fn pieces(point: usize, by_camera: &[Vec<Seen>], spacing_seconds: f64) -> Vec<Piece> {
    let cell_seconds = CELL_SPACINGS * spacing_seconds;
    let interval_seconds = spacing_seconds.max(LEAST_INTERVAL_SECONDS);
    let origin = by_camera.iter().flatten().map(|s| s.0).fold(f64::INFINITY, f64::min);
    let end = by_camera.iter().flatten().map(|s| s.0).fold(f64::NEG_INFINITY, f64::max);
    let cells = ((end - origin) / cell_seconds).max(0.0) as usize;
    let at = |cell: usize| origin + cell as f64 * cell_seconds;
    let cameras_in =
        |cell: usize| by_camera.iter().filter(|seen| !within(seen, at(cell), at(cell + 1)).is_empty()).count();
    let shared: Vec<bool> = (0..cells).map(|cell| cameras_in(cell) >= 2).collect();
    let mut found = Vec::new();
    let mut first = 0;
    while first < cells {
        let length = shared[first..].iter().take_while(|s| **s).count();
        let seconds = length as f64 * cell_seconds;
        if seconds >= LEAST_PIECE_SECONDS {
            let count = (seconds / PIECE_SECONDS).round().max(1.0) as usize;
            for k in 0..count {
                let (from, to) = (at(first + k * length / count), at(first + (k + 1) * length / count));
                found.extend(piece(point, by_camera, from, to, interval_seconds));
            }
        }
        first += length + 1;
    }
    found
}

/// A piece with its number of intervals; `None` when too few sightings tell.
fn piece(
    point: usize,
    by_camera: &[Vec<Seen>],
    from_seconds: f64,
    to_seconds: f64,
    interval_seconds: f64,
) -> Option<Piece> {
    let telling = by_camera.iter().filter(|seen| within(seen, from_seconds, to_seconds).len() >= LEAST_SIGHTS).count();
    let intervals = ((to_seconds - from_seconds) / interval_seconds).ceil().max(1.0) as usize;
    let speed_px = speed_px(by_camera, from_seconds, to_seconds);
    (telling >= 2).then_some(Piece { point, from_seconds, to_seconds, intervals, speed_px })
}

/// Length of the points' ways through the pictures over the time that it took, pixels per second.
fn speed_px(by_camera: &[Vec<Seen>], from_seconds: f64, to_seconds: f64) -> f64 {
    let (mut way, mut time) = (0.0, 0.0);
    for seen in by_camera {
        // Over several frames, so that noise does not pass for speed.
        for pair in within(seen, from_seconds, to_seconds).iter().step_by(4).collect::<Vec<_>>().windows(2) {
            way += (pair[1].3 - pair[0].3).norm();
            time += pair[1].0 - pair[0].0;
        }
    }
    if time > 0.0 { way / time } else { 0.0 }
}

/// Keeps as many pieces as there may be control points, the fastest first and some of the others, in their order.
fn choose(pieces: &mut Vec<Piece>, most_controls: usize) {
    let cost = |piece: &Piece| piece.intervals + SUPPORT - 1;
    let mut chosen = vec![false; pieces.len()];
    let mut order: Vec<usize> = (0..pieces.len()).collect();
    order.sort_by(|a, b| pieces[*b].speed_px.total_cmp(&pieces[*a].speed_px).then(a.cmp(b)));
    let fast = (most_controls as f64 * (1.0 - SLOW_SHARE)) as usize;
    let mut used = 0;
    for index in &order {
        if used + cost(&pieces[*index]) <= fast {
            used += cost(&pieces[*index]);
            chosen[*index] = true;
        }
    }
    let rest: Vec<usize> = (0..pieces.len()).filter(|index| !chosen[*index]).collect();
    let wanted: usize = rest.iter().map(|index| cost(&pieces[*index])).sum();
    let every = wanted.div_ceil(most_controls.saturating_sub(used).max(1)).max(1);
    for index in rest.into_iter().step_by(every) {
        chosen[index] = true;
    }
    let mut keep = chosen.into_iter();
    pieces.retain(|_| keep.next().unwrap_or(false));
}

/// Control points to start from: where the cameras' rays meet at the control points' own instants, the nearest where they
/// cannot be read; `None` when they meet nowhere.
fn start(segment: &Segment, cameras: &[Filmed], clocks: &[Straight], paths: &[Path]) -> Option<Vec<Vector3<f64>>> {
    let places: Vec<Option<Vector3<f64>>> = (0..segment.controls())
        .map(|k| {
            let session = segment.start_seconds + (k as f64 - 1.0) * segment.knot_seconds;
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
