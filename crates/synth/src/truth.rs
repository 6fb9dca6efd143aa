//! What is true about a demo session. Written beside the sessions; only tests read it, no stage does.

use midline_geometry::{Camera, RigidTransform};
use midline_session::description::Handedness;
use midline_session::keypoints::default_names;
use midline_session::strokes::EventKind;
use midline_session::tracks::{Point3d, Tracks};
use nalgebra::{Point3, Vector3};
use serde::{Deserialize, Serialize};

use crate::movement::Movement;
use crate::player::{DOMINANT, Figure, OTHER};
use crate::stroke::{RACKET_LENGTH, Stroke};
use crate::style::Drop;

/// Everything true about one session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Name of the session's folder.
    pub session: String,
    /// The player's code.
    pub code: String,
    /// The hand that holds the racket.
    pub handedness: Handedness,
    /// Air temperature in °C.
    pub air_celsius: f64,
    /// The cameras; the first one's time stamps are the session clock.
    pub cameras: Vec<CameraTruth>,
    /// The strokes in the order of time.
    pub strokes: Vec<StrokeTruth>,
    /// Where the board was in the shared clips, if there are any.
    pub shared_board: Option<SharedBoardTruth>,
    /// Constant distances between points, metres.
    pub segments_m: Vec<SegmentTruth>,
    /// File with the dense tracks of all points around the strokes (1000 Hz, zero covariance), in the same folder.
    pub tracks: String,
}

/// One camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraTruth {
    /// Its name.
    pub name: String,
    /// Lens (display orientation), pose in the court frame, read-out.
    pub camera: Camera,
    /// Clock of the strokes' clip.
    pub clock: ClockTruth,
    /// Exposure time of a row in seconds.
    pub exposure_seconds: f64,
    /// By how much the sound lags the picture in its files, seconds.
    pub sound_latency_seconds: f64,
    /// Presentation time of every frame of the strokes' clip in seconds.
    pub frame_pts_seconds: Vec<f64>,
    /// `camera_from_board` at each rest of the lens clip, with the start and end of the rest in seconds of that clip;
    /// empty when the session has no lens clip.
    pub lens_rests: Vec<RestTruth>,
}

/// `session = offset + rate · pts`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ClockTruth {
    /// Session time at presentation time 0, seconds.
    pub offset_seconds: f64,
    /// Session seconds per second of presentation time.
    pub rate: f64,
}

/// A board at rest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RestTruth {
    /// Start and end of the rest, seconds.
    pub seconds: [f64; 2],
    /// Takes board coordinates to the frame named by the field that holds this.
    pub frame_from_board: RigidTransform,
}

/// The shared board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SharedBoardTruth {
    /// Clock of each camera's shared clip in the order of the cameras; the first one's time stamps are the clock.
    pub clocks: Vec<ClockTruth>,
    /// `court_from_board` at each rest, in seconds of that clock.
    pub rests: Vec<RestTruth>,
    /// When the claps sounded, seconds of that clock.
    pub claps_seconds: Vec<f64>,
}

/// A constant distance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SegmentTruth {
    /// The two points.
    pub between: [String; 2],
    /// Their distance in metres.
    pub metres: f64,
}

/// One stroke.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StrokeTruth {
    /// Counted from 1 in the order of time.
    pub number: usize,
    /// Whether the racket goes across behind the body (`true`) or stays on the hitting side.
    pub across: bool,
    /// Events in the order of time.
    pub events: Vec<EventTruth>,
    /// The dip of racket-tip speed before contact, if the stroke was made with one.
    pub dip: Option<DipTruth>,
    /// Racket-tip speed just before contact, m/s.
    pub tip_speed_before_contact_mps: f64,
    /// Racket-tip speed just after contact, m/s.
    pub tip_speed_after_contact_mps: f64,
    /// Where the ball's centre bounced and was met, court frame, metres.
    pub bounce_m: [f64; 3],
    /// The ball's centre at contact.
    pub contact_m: [f64; 3],
    /// Where the racket tip was farthest toward the other side between the end of the take-back and contact.
    pub farthest_across: AcrossTruth,
    /// How far the dominant shoulder is ahead of the other one at contact, toward the net, metres.
    pub dominant_shoulder_ahead_m: f64,
    /// Fastest moment of each segment before contact.
    pub sequence: Vec<PeakTruth>,
}

/// An event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EventTruth {
    /// What happened.
    pub kind: EventKind,
    /// When, session clock, seconds.
    pub session_seconds: f64,
    /// How it is defined here.
    pub definition: String,
}

/// A dip of racket-tip speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DipTruth {
    /// Session time of the peak before it.
    pub peak_session_seconds: f64,
    /// Speed at that peak, m/s.
    pub peak_mps: f64,
    /// Session time of the lowest speed.
    pub bottom_session_seconds: f64,
    /// Lowest speed, m/s.
    pub bottom_mps: f64,
    /// Share of the peak's speed that is lost.
    pub depth: f64,
    /// Time from the peak until its speed is reached again, seconds.
    pub duration_seconds: f64,
}

/// Where a point is relative to the body.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AcrossTruth {
    /// Session time.
    pub session_seconds: f64,
    /// Distance to the midline plane (through the middles of shoulders and hips, normal along the shoulder line),
    /// metres, positive on the dominant side.
    pub lateral_m: f64,
    /// Distance to the frontal plane (through the shoulder line and the middle of the hips), metres, positive in front.
    pub front_m: f64,
}

/// The fastest moment of a segment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PeakTruth {
    /// The segment.
    pub segment: String,
    /// Peak angular speed of its direction, rad/s.
    pub peak_rad_per_s: f64,
    /// Session time of the peak minus contact, seconds; 0 when it is fastest at contact.
    pub seconds_to_contact: f64,
}

/// Step of differences, seconds.
const STEP: f64 = 2e-5;
/// Spacing of the search for extremes, seconds.
const GRID: f64 = 0.0005;

/// One stroke of a movement, seen from its contact; differences never cross it.
struct View<'a> {
    movement: &'a Movement,
    stroke: &'a Stroke,
    contact: f64,
}

impl View<'_> {
    fn figure(&self, t: f64) -> Figure {
        self.movement.figure(self.contact + t)
    }

    /// Velocity of something at `t`, from the side of contact on which `t` lies.
    fn velocity(&self, t: f64, pick: &dyn Fn(&Figure) -> Vector3<f64>) -> Vector3<f64> {
        let (a, b) = if t <= 0.0 { (t - STEP, (t + STEP).min(0.0)) } else { ((t - STEP).max(0.0), t + STEP) };
        (pick(&self.figure(b)) - pick(&self.figure(a))) / (b - a)
    }

    fn tip_velocity(&self, t: f64) -> Vector3<f64> {
        self.velocity(t, &|f| f.tip.coords)
    }

    fn tip_speed(&self, t: f64) -> f64 {
        self.tip_velocity(t).norm()
    }

    /// The time in a range at which a number is least, to a tenth of [`GRID`].
    fn least(&self, from: f64, to: f64, number: &dyn Fn(f64) -> f64) -> f64 {
        let search = |from: f64, to: f64, step: f64| {
            let count = ((to - from) / step).ceil().max(1.0) as usize;
            (0..=count)
                .map(|i| (from + i as f64 * step).min(to))
                .min_by(|a, b| number(*a).total_cmp(&number(*b)))
                .unwrap_or(from)
        };
        let coarse = search(from, to, GRID);
        search((coarse - GRID).max(from), (coarse + GRID).min(to), GRID / 10.0)
    }

    fn events(&self) -> Vec<EventTruth> {
        let timing = &self.stroke.timing;
        let height = |t: f64| self.figure(t).tip.z;
        let drop_bottom = self.least(self.stroke.take_back_end, 0.0, &height);
        let drop_top = self.least(timing.take_back_start, drop_bottom, &|t| -height(t));
        let hand_forward = |t: f64| self.velocity(t, &|f| f.wrists[DOMINANT].coords).y;
        let count = (-timing.take_back_start / GRID) as usize;
        let forward = (0..count).map(|i| -GRID * i as f64).find(|t| hand_forward(*t) <= 0.0).unwrap_or(0.0);
        let event = |kind, t: f64, definition: &str| EventTruth {
            kind,
            session_seconds: self.contact + t,
            definition: definition.to_owned(),
        };
        let mut events = vec![
            event(EventKind::Bounce, timing.bounce, "the ball's centre is one radius above the ground"),
            event(
                EventKind::TakeBackStart,
                timing.take_back_start,
                "the racket starts to move out of the ready position",
            ),
            event(
                EventKind::TakeBackEnd,
                self.stroke.take_back_end,
                "the racket tip is slowest between the take-back's and the forward swing's fast part",
            ),
            event(
                EventKind::DropTop,
                drop_top,
                "the racket tip is highest between take-back start and bottom of the drop",
            ),
            event(EventKind::DropBottom, drop_bottom, "the racket tip is lowest between end of take-back and contact"),
            event(EventKind::ForwardSwingStart, forward, "the racket hand starts to move toward the net for good"),
            event(EventKind::Contact, 0.0, "the ball is on the strings"),
            event(
                EventKind::FollowThroughEnd,
                self.stroke.follow_through_end,
                "the racket comes to rest over the other shoulder",
            ),
        ];
        events.sort_by(|a, b| a.session_seconds.total_cmp(&b.session_seconds));
        events
    }

    fn dip(&self) -> Option<DipTruth> {
        let hitch = self.stroke.timing.hitch.as_ref()?;
        let peak = self.least(hitch.peak - 0.03, hitch.bottom, &|t| -self.tip_speed(t));
        let bottom = self.least(peak, hitch.recovered, &|t| self.tip_speed(t));
        let (peak_mps, bottom_mps) = (self.tip_speed(peak), self.tip_speed(bottom));
        let count = (-bottom / (GRID / 10.0)) as usize;
        let again = (0..count).map(|i| bottom + GRID / 10.0 * i as f64).find(|t| self.tip_speed(*t) >= peak_mps)?;
        Some(DipTruth {
            peak_session_seconds: self.contact + peak,
            peak_mps,
            bottom_session_seconds: self.contact + bottom,
            bottom_mps,
            depth: 1.0 - bottom_mps / peak_mps,
            duration_seconds: again - peak,
        })
    }

    fn across(&self) -> AcrossTruth {
        let place = |t: f64| {
            let figure = self.figure(t);
            let [lateral, front] = beside_and_before(&figure, self.movement.player.handedness, &figure.tip);
            (lateral, front)
        };
        let t = self.least(self.stroke.take_back_end, 0.0, &|t| place(t).0);
        let (lateral_m, front_m) = place(t);
        AcrossTruth { session_seconds: self.contact + t, lateral_m, front_m }
    }

    fn sequence(&self) -> Vec<PeakTruth> {
        type Direction = fn(&Figure) -> Vector3<f64>;
        let segments: [(&str, Direction); 5] = [
            ("hip line", |f| f.hips[DOMINANT] - f.hips[OTHER]),
            ("shoulder line", |f| f.shoulders[DOMINANT] - f.shoulders[OTHER]),
            ("upper arm", |f| f.elbows[DOMINANT] - f.shoulders[DOMINANT]),
            ("forearm", |f| f.wrists[DOMINANT] - f.elbows[DOMINANT]),
            ("racket", |f| f.tip - f.butt),
        ];
        segments
            .into_iter()
            .map(|(segment, direction)| {
                let speed = |t: f64| self.velocity(t, &|f| direction(f).normalize()).norm();
                let fastest = self.least(-0.2, 0.0, &|t| -speed(t));
                PeakTruth { segment: segment.to_owned(), peak_rad_per_s: speed(fastest), seconds_to_contact: fastest }
            })
            .collect()
    }
}

/// Signed distances of a point to the midline plane (positive on the dominant side) and the frontal plane (positive in
/// front), metres.
fn beside_and_before(figure: &Figure, handedness: Handedness, point: &Point3<f64>) -> [f64; 2] {
    let middle = |pair: &[Point3<f64>; 2]| nalgebra::center(&pair[0], &pair[1]);
    let (shoulders, hips) = (middle(&figure.shoulders), middle(&figure.hips));
    let up = (shoulders - hips).normalize();
    let line = figure.shoulders[DOMINANT] - figure.shoulders[OTHER];
    // A plane through both middles cannot be square to a shoulder line that is not square to the trunk.
    let line = (line - up * line.dot(&up)).normalize();
    let front = match handedness {
        Handedness::Right => up.cross(&line).normalize(),
        Handedness::Left => line.cross(&up).normalize(),
    };
    let from = point - shoulders;
    [from.dot(&line), from.dot(&front)]
}

/// The truth of every stroke.
pub(crate) fn strokes(movement: &Movement) -> Vec<StrokeTruth> {
    movement
        .player
        .strokes
        .iter()
        .zip(&movement.balls)
        .enumerate()
        .map(|(index, ((contact, stroke), ball))| {
            let view = View { movement, stroke, contact: *contact };
            let at_contact = view.figure(0.0);
            StrokeTruth {
                number: index + 1,
                across: movement.drop == Drop::Across,
                events: view.events(),
                dip: view.dip(),
                tip_speed_before_contact_mps: view.tip_speed(0.0),
                tip_speed_after_contact_mps: view.tip_speed(1e-9),
                bounce_m: ball.bounce.into(),
                contact_m: ball.contact.into(),
                farthest_across: view.across(),
                dominant_shoulder_ahead_m: at_contact.shoulders[DOMINANT].y - at_contact.shoulders[OTHER].y,
                sequence: view.sequence(),
            }
        })
        .collect()
}

/// Distances that the movement keeps constant.
pub(crate) fn segments(movement: &Movement) -> Vec<SegmentTruth> {
    let body = &movement.player.body;
    let mut segments = Vec::new();
    let mut add = |a: &str, b: &str, metres: f64| {
        segments.push(SegmentTruth { between: [a.to_owned(), b.to_owned()], metres });
    };
    add("left_shoulder", "right_shoulder", 2.0 * body.half_shoulders);
    add("left_hip", "right_hip", 2.0 * body.half_hips);
    for side in ["left", "right"] {
        let name = |joint: &str| format!("{side}_{joint}");
        add(&name("shoulder"), &name("elbow"), body.upper_arm);
        add(&name("elbow"), &name("wrist"), body.forearm);
        add(&name("hip"), &name("knee"), body.thigh);
        add(&name("knee"), &name("ankle"), body.shank);
    }
    add("racket_butt", "racket_tip", RACKET_LENGTH);
    add("racket_butt", "racket_throat", crate::stroke::THROAT_FROM_BUTT);
    segments
}

/// Dense tracks around all strokes: every millisecond from 1.3 s before to 0.8 s after each contact, contact included.
pub(crate) fn tracks(movement: &Movement) -> Tracks {
    let mut tracks = Tracks { names: default_names(), ..Tracks::default() };
    let exact =
        |p: Point3<f64>| Point3d { position_m: p.into(), covariance_m2: [[0.0; 3]; 3], reprojection_px: 0.0, views: 0 };
    for contact in movement.contacts() {
        for step in -1300..=800_i32 {
            let seconds = contact + 0.001 * f64::from(step);
            let points = movement.figure(seconds).points(movement.player.handedness);
            let mut row: Vec<Option<Point3d>> = points.iter().map(|p| Some(exact(*p))).collect();
            row.push(movement.ball(seconds).map(exact));
            tracks.session_seconds.push(seconds);
            tracks.points.push(row);
        }
    }
    tracks
}
