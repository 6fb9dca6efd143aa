//! The whole player over a session: strokes one after another, ready position between them, all joints at any instant.

use midline_session::description::Handedness;
use nalgebra::{Point3, Vector3};

use crate::body::{Body, two_link};
use crate::curves::{Ends, Spline, ease, ease_between};
use crate::stroke::{ArmAndRacket, Stroke, Trunk};

/// Index of the side that does not hold the racket in the arrays of [`Figure`].
pub(crate) const OTHER: usize = 0;
/// Index of the side that holds the racket.
pub(crate) const DOMINANT: usize = 1;

/// Everything of the player at an instant, in the court frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Figure {
    pub(crate) head: Point3<f64>,
    /// Unit vector of the gaze.
    pub(crate) gaze: Vector3<f64>,
    pub(crate) nose: Point3<f64>,
    pub(crate) eyes: [Point3<f64>; 2],
    pub(crate) ears: [Point3<f64>; 2],
    pub(crate) shoulders: [Point3<f64>; 2],
    pub(crate) elbows: [Point3<f64>; 2],
    pub(crate) wrists: [Point3<f64>; 2],
    pub(crate) hips: [Point3<f64>; 2],
    pub(crate) knees: [Point3<f64>; 2],
    pub(crate) ankles: [Point3<f64>; 2],
    pub(crate) toes: [Point3<f64>; 2],
    pub(crate) butt: Point3<f64>,
    pub(crate) throat: Point3<f64>,
    pub(crate) tip: Point3<f64>,
    /// Unit vector out of the hitting face.
    pub(crate) face: Vector3<f64>,
}

impl Figure {
    /// The body's 17 points and the racket's three in the order of [`midline_session::keypoints::default_names`].
    pub(crate) fn points(&self, handedness: Handedness) -> [Point3<f64>; 20] {
        let [left, right] = match handedness {
            Handedness::Right => [OTHER, DOMINANT],
            Handedness::Left => [DOMINANT, OTHER],
        };
        let mut points = [self.nose; 20];
        let pairs =
            [self.eyes, self.ears, self.shoulders, self.elbows, self.wrists, self.hips, self.knees, self.ankles];
        for (pair, joint) in pairs.iter().enumerate() {
            points[1 + 2 * pair] = joint[left];
            points[2 + 2 * pair] = joint[right];
        }
        points[17..].copy_from_slice(&[self.butt, self.throat, self.tip]);
        points
    }

    /// The figure in a mirror at the plane x = 0: a right-hander becomes a left-hander.
    fn mirrored(mut self) -> Self {
        let flip = |p: &mut Point3<f64>| p.x = -p.x;
        for pair in [
            &mut self.eyes,
            &mut self.ears,
            &mut self.shoulders,
            &mut self.elbows,
            &mut self.wrists,
            &mut self.hips,
            &mut self.knees,
            &mut self.ankles,
            &mut self.toes,
        ] {
            pair.iter_mut().for_each(flip);
        }
        for point in [&mut self.head, &mut self.nose, &mut self.butt, &mut self.throat, &mut self.tip] {
            flip(point);
        }
        self.gaze.x = -self.gaze.x;
        self.face.x = -self.face.x;
        self
    }
}

/// A player's session.
#[derive(Debug, Clone)]
pub(crate) struct Player {
    pub(crate) handedness: Handedness,
    pub(crate) body: Body,
    /// Session time of contact and the stroke, in the order of time; at least one.
    pub(crate) strokes: Vec<(f64, Stroke)>,
}

/// Where a foot stands, from the base point, in the frame of a right-hander.
struct Foot {
    ready: [f64; 2],
    swing: [f64; 2],
}

const OTHER_FOOT: Foot = Foot { ready: [-0.27, 0.06], swing: [-0.12, 0.42] };
const DOMINANT_FOOT: Foot = Foot { ready: [0.29, -0.06], swing: [0.24, 0.10] };
/// How high a stepping foot is lifted, in metres.
const STEP_HEIGHT: f64 = 0.07;

impl Player {
    /// Index of the stroke that an instant belongs to.
    pub(crate) fn stroke_at(&self, session_seconds: f64) -> usize {
        let boundary = |i: usize| {
            let ((a, first), (b, second)) = (&self.strokes[i], &self.strokes[i + 1]);
            0.5 * (a + first.span()[1] + b + second.span()[0])
        };
        (0..self.strokes.len() - 1).find(|i| session_seconds < boundary(*i)).unwrap_or(self.strokes.len() - 1)
    }

    /// The player at an instant.
    pub(crate) fn figure(&self, session_seconds: f64) -> Figure {
        let figure = self.right_handed(session_seconds);
        if self.handedness == Handedness::Left { figure.mirrored() } else { figure }
    }

    /// The base point at an instant. Between two strokes it moves from the one's to the other's, within `window`
    /// (shares of the time in the ready position), so that one foot can move after the other.
    fn base(&self, session_seconds: f64, window: [f64; 2]) -> [f64; 2] {
        let index = self.stroke_at(session_seconds);
        let between = |i: usize| {
            let ((a, first), (b, second)) = (&self.strokes[i], &self.strokes[i + 1]);
            let (from, to) = (a + first.span()[1], b + second.span()[0]);
            let share = ease_between(session_seconds, from + window[0] * (to - from), from + window[1] * (to - from));
            std::array::from_fn(|axis| first.base[axis] + share * (second.base[axis] - first.base[axis]))
        };
        let (contact, stroke) = &self.strokes[index];
        if session_seconds > *contact && index + 1 < self.strokes.len() {
            between(index)
        } else if session_seconds < *contact && index > 0 {
            between(index - 1)
        } else {
            stroke.base
        }
    }

    fn right_handed(&self, session_seconds: f64) -> Figure {
        let (contact, stroke) = &self.strokes[self.stroke_at(session_seconds)];
        let t = session_seconds - contact;
        let body = &self.body;
        let mut trunk = stroke.trunk(t);
        let base = self.base(session_seconds, [0.0, 1.0]);
        let sway = std::f64::consts::TAU * session_seconds;
        // A person who waits is never still; between the strokes only, so that the strokes are as designed.
        let waiting =
            1.0 - ease_between(t, stroke.span()[0] - 0.35, stroke.span()[0]) * (1.0 - ease_between(t, 1.45, 1.8));
        let shift = Vector3::new(
            base[0] - stroke.base[0] + waiting * 0.008 * (0.45 * sway).sin(),
            base[1] - stroke.base[1] + waiting * 0.006 * (0.31 * sway + 1.0).sin(),
            waiting * 0.006 * (0.8 * sway).sin(),
        );
        trunk.mid_hip += shift;
        trunk.mid_shoulder += shift;
        let arm = stroke.arm(&trunk, t);
        let hips = [trunk.mid_hip - trunk.hip_line * body.half_hips, trunk.mid_hip + trunk.hip_line * body.half_hips];
        let legs = [
            self.leg(OTHER, hips[OTHER], t, stroke, self.base(session_seconds, [0.0, 0.6])),
            self.leg(DOMINANT, hips[DOMINANT], t, stroke, self.base(session_seconds, [0.4, 1.0])),
        ];
        let (other_elbow, other_wrist) = self.other_arm(&trunk, &arm, t, stroke);
        let [head, nose, eye_other, eye_dominant, ear_other, ear_dominant] = self.head(&trunk, t, stroke);
        Figure {
            head,
            gaze: (nose - head).normalize(),
            nose,
            eyes: [eye_other, eye_dominant],
            ears: [ear_other, ear_dominant],
            shoulders: [trunk.mid_shoulder - trunk.axes[0] * body.half_shoulders, arm.shoulder],
            elbows: [other_elbow, arm.elbow],
            wrists: [other_wrist, arm.wrist],
            hips,
            knees: [legs[0][0], legs[1][0]],
            ankles: [legs[0][1], legs[1][1]],
            toes: [legs[0][2], legs[1][2]],
            butt: arm.butt,
            throat: arm.throat(),
            tip: arm.tip(),
            face: arm.face,
        }
    }

    /// Knee, ankle and toe.
    fn leg(&self, side: usize, hip: Point3<f64>, t: f64, stroke: &Stroke, base: [f64; 2]) -> [Point3<f64>; 3] {
        let timing = &stroke.timing;
        let (foot, there, back) = if side == OTHER {
            (OTHER_FOOT, [timing.take_back_start + 0.08, timing.turned + 0.04], [0.70, 1.10])
        } else {
            (DOMINANT_FOOT, [0.02, 0.34], [0.95, 1.38])
        };
        let share = |[from, to]: [f64; 2]| ((t - from) / (to - from)).clamp(0.0, 1.0);
        let (going, coming) = (share(there), share(back));
        let stepped = ease(going) - ease(coming);
        let at = |axis: usize| base[axis] + foot.ready[axis] + stepped * (foot.swing[axis] - foot.ready[axis]);
        let bump = |x: f64| ease(2.0 * x.min(1.0 - x));
        // The rear foot leaves the ground over its toes.
        let heel = if side == DOMINANT { 0.06 * (ease(going) - ease(coming)) } else { 0.0 };
        let lift = STEP_HEIGHT * (0.5 * bump(going) + bump(coming));
        let ankle = Point3::new(at(0), at(1), self.body.ankle_height + lift + heel);
        let outward = if side == OTHER { -0.15 } else { 0.35 };
        let ahead = Vector3::new(outward + 0.55 * stepped.clamp(0.0, 1.0), 1.0, 0.0).normalize();
        let knee_pole = Vector3::new(0.5 * outward, 1.0, 0.1);
        let limb = two_link(hip, ankle, self.body.thigh, self.body.shank, knee_pole);
        let toe = limb.end + ahead * 0.17 - Vector3::z() * (self.body.ankle_height - 0.035 + heel);
        [limb.middle, limb.end, toe]
    }

    /// Elbow and wrist of the arm without the racket: at the racket's throat in the ready position and early in the
    /// take-back, then across in front of the body, then tucked in.
    fn other_arm(&self, trunk: &Trunk, arm: &ArmAndRacket, t: f64, stroke: &Stroke) -> (Point3<f64>, Point3<f64>) {
        let timing = &stroke.timing;
        let (start, turned) = (timing.take_back_start, timing.turned);
        let free = Spline::through(
            vec![start, turned, -0.09, 0.06, 0.45],
            vec![[0.18, 0.42, -0.10], [0.16, 0.50, 0.0], [0.02, 0.40, -0.08], [0.02, 0.24, -0.24], [0.02, 0.30, -0.16]],
            Ends::Flat,
        )
        .at(t);
        let released = ease_between(t, start + 0.15 * (turned - start), start + 0.75 * (turned - start));
        let caught = ease_between(t, 0.7, 1.3);
        let on_throat = 1.0 - released + caught;
        let shoulder = trunk.mid_shoulder - trunk.axes[0] * self.body.half_shoulders;
        let side = |v: [f64; 3]| trunk.axes[0] * v[0] + trunk.axes[1] * v[1] + trunk.axes[2] * v[2];
        let free = shoulder + side(free);
        let target = free + (arm.throat() - free) * on_throat;
        // Softly within reach: an arm that locks would jump.
        let reach = self.body.upper_arm + self.body.forearm;
        let (asked, soft) = ((target - shoulder).norm() / reach, 0.88);
        let held = if asked > soft { soft + 0.1 * ((asked - soft) / 0.1).tanh() } else { asked };
        let target = shoulder + (target - shoulder) * (held / asked);
        let limb = two_link(shoulder, target, self.body.upper_arm, self.body.forearm, side([-0.6, -0.2, -0.75]));
        (limb.middle, limb.end)
    }

    /// Middle of the head, nose, eyes, ears.
    fn head(&self, trunk: &Trunk, t: f64, stroke: &Stroke) -> [Point3<f64>; 6] {
        let watching = ease_between(t, stroke.timing.bounce, -0.04) * (1.0 - ease_between(t, 0.15, 0.55));
        let (yaw, pitch) = (0.55 * watching, -0.06 - 0.30 * watching);
        let right = Vector3::new(yaw.cos(), -yaw.sin(), 0.0);
        let level = Vector3::new(yaw.sin(), yaw.cos(), 0.0);
        let gaze = level * pitch.cos() + Vector3::z() * pitch.sin();
        let up = right.cross(&gaze);
        let head =
            trunk.mid_shoulder + (trunk.axes[2] * 0.4 + Vector3::z() * 0.6).normalize() * self.body.neck + level * 0.03;
        let eye = |side: f64| head + gaze * 0.085 + right * (0.032 * side);
        let ear = |side: f64| head + right * (0.073 * side) - up * 0.01;
        [head, head + gaze * 0.105 - up * 0.035, eye(-1.0), eye(1.0), ear(-1.0), ear(1.0)]
    }
}
