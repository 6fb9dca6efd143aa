//! One stroke: the path of wrist and racket, run through so that the racket tip has the speed that was asked for.
//!
//! The trunk moves as a function of time. Wrist and racket move in the trunk's frame along a spline with parameter `u`
//! (close to the tip's path length in metres). In the forward swing `u(t)` solves `|∂P/∂u · u' + ∂P/∂t| = v(t)` for the
//! tip's court position `P(u, t)`, backward from contact, so that the tip's speed is exactly the designed `v(t)`; the
//! length of the forward swing follows. The take-back joins with equal position, speed and acceleration. At contact the
//! speed jumps down: the trajectory has a corner in time there, as a real one nearly has (impact lasts 4 to 5 ms).

use nalgebra::{Point3, Vector3};

use crate::SynthError;
use crate::body::{Body, TwoLink, two_link};
use crate::curves::{Ends, Quintic, Sampled, Spline, ease_between};
use crate::style::{Path, Station, Timing, Turn};

/// Racket length in metres; the ITF Rules of Tennis allow 73.7 cm at most, adults commonly play 68.5 cm.
pub(crate) const RACKET_LENGTH: f64 = 0.685;
/// Butt to throat.
pub(crate) const THROAT_FROM_BUTT: f64 = 0.33;
/// Tip to the middle of the strings, where the ball is met.
pub(crate) const TIP_TO_SWEET_SPOT: f64 = 0.15;
/// Butt to the middle of the grip hand.
const GRIP_FROM_BUTT: f64 = 0.07;
/// Body height for which the stations of a path are written.
const STATIONS_FOR_HEIGHT: f64 = 1.83;
/// When the player starts to go back to the ready position and has come there, after contact.
const RETURN: [f64; 2] = [0.62, 1.45];

/// Hips, shoulders and their axes at an instant, in the court frame of a right-hander.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Trunk {
    pub(crate) mid_hip: Point3<f64>,
    /// Along the hip line toward the dominant side.
    pub(crate) hip_line: Vector3<f64>,
    pub(crate) mid_shoulder: Point3<f64>,
    /// Trunk axes: toward the dominant side, front, up.
    pub(crate) axes: [Vector3<f64>; 3],
}

impl Trunk {
    fn vector(&self, v: [f64; 3]) -> Vector3<f64> {
        self.axes[0] * v[0] + self.axes[1] * v[1] + self.axes[2] * v[2]
    }
}

/// The dominant arm and the racket at an instant.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ArmAndRacket {
    pub(crate) shoulder: Point3<f64>,
    pub(crate) elbow: Point3<f64>,
    pub(crate) wrist: Point3<f64>,
    pub(crate) butt: Point3<f64>,
    /// Unit vector from butt to tip.
    pub(crate) along: Vector3<f64>,
    /// Unit vector out of the hitting face.
    pub(crate) face: Vector3<f64>,
}

impl ArmAndRacket {
    pub(crate) fn tip(&self) -> Point3<f64> {
        self.butt + self.along * RACKET_LENGTH
    }

    pub(crate) fn throat(&self) -> Point3<f64> {
        self.butt + self.along * THROAT_FROM_BUTT
    }

    /// Where the ball's centre is when it is on the strings.
    pub(crate) fn ball_on_strings(&self, ball_radius: f64) -> Point3<f64> {
        self.butt + self.along * (RACKET_LENGTH - TIP_TO_SWEET_SPOT) + self.face * ball_radius
    }
}

/// A stroke ready to be evaluated; times are relative to contact.
#[derive(Debug, Clone)]
pub(crate) struct Stroke {
    pub(crate) body: Body,
    pub(crate) timing: Timing,
    /// Where the player stands, court x and y.
    pub(crate) base: [f64; 2],
    swing: Spline<12>,
    back_to_ready: Spline<12>,
    /// End of the take-back, relative to contact.
    pub(crate) take_back_end: f64,
    /// End of the follow-through, relative to contact.
    pub(crate) follow_through_end: f64,
    take_back: Quintic,
    forward: Sampled,
    contact_u: f64,
}

fn turn_at(turn: &Turn, timing: &Timing, t: f64) -> f64 {
    let total = turn.back - turn.forward.amplitude - turn.through;
    turn.ready + turn.back * ease_between(t, timing.take_back_start - 0.03, timing.turned)
        - turn.forward.at(t)
        - turn.through * ease_between(t, 0.02, 0.45)
        - total * ease_between(t, RETURN[0], RETURN[1])
}

fn trunk_at(body: &Body, timing: &Timing, base: [f64; 2], t: f64) -> Trunk {
    let hips = turn_at(&timing.hips, timing, t);
    let shoulders = turn_at(&timing.shoulders, timing, t);
    let ready_again = ease_between(t, RETURN[0], RETURN[1]);
    let loaded = ease_between(t, timing.take_back_start, timing.turned + 0.05);
    let driven = ease_between(t, timing.turned, 0.06);
    let mid_hip = Point3::new(
        base[0] + 0.05 * (loaded - driven),
        base[1] - 0.07 * loaded + 0.19 * driven - 0.12 * ready_again,
        body.hip_height - 0.10 - 0.045 * loaded + 0.06 * driven - 0.015 * ready_again,
    );
    let lean = 0.12 + 0.03 * loaded - 0.05 * driven + 0.02 * ready_again;
    let up = Vector3::new(0.05 * (loaded - driven), lean.sin(), lean.cos()).normalize();
    // The hitting shoulder sinks in the drop and rises through contact.
    let tilt = 0.14 * (loaded - driven) - 0.06 * driven * (1.0 - ready_again);
    let (sin, cos) = shoulders.sin_cos();
    let level = Vector3::new(cos, -sin, 0.0);
    let right = (level * tilt.cos() - Vector3::z() * tilt.sin()).normalize();
    let upward = (up - right * up.dot(&right)).normalize();
    let front = upward.cross(&right);
    Trunk {
        mid_hip,
        hip_line: Vector3::new(hips.cos(), -hips.sin(), 0.0),
        mid_shoulder: mid_hip + up * body.trunk,
        axes: [right, front, upward],
    }
}

fn spline_through(stations: &[Station], body: &Body) -> Spline<12> {
    let mut knots = vec![0.0];
    let tip = |s: &Station| {
        Vector3::from(s.wrist) + Vector3::from(s.racket).normalize() * (RACKET_LENGTH - GRIP_FROM_BUTT + body.hand)
    };
    for pair in stations.windows(2) {
        knots.push(knots[knots.len() - 1] + (tip(&pair[1]) - tip(&pair[0])).norm());
    }
    let scale = (body.upper_arm + body.forearm) / (0.332 * STATIONS_FOR_HEIGHT);
    let values = stations
        .iter()
        .map(|s| {
            let racket = Vector3::from(s.racket).normalize();
            let mut row = [0.0; 12];
            for axis in 0..3 {
                row[axis] = scale * s.wrist[axis];
                row[3 + axis] = racket[axis];
                row[6 + axis] = s.face[axis];
                row[9 + axis] = s.elbow[axis];
            }
            row
        })
        .collect();
    Spline::through(knots, values, Ends::Natural)
}

fn arm_at(body: &Body, trunk: &Trunk, row: &[f64; 12]) -> ArmAndRacket {
    let part = |at: usize| trunk.vector([row[at], row[at + 1], row[at + 2]]);
    let shoulder = trunk.mid_shoulder + trunk.axes[0] * body.half_shoulders;
    let TwoLink { middle: elbow, end: wrist } =
        two_link(shoulder, shoulder + part(0), body.upper_arm, body.forearm, part(9));
    let along = part(3).normalize();
    let face = part(6);
    let face = (face - along * face.dot(&along)).try_normalize(1e-9).unwrap_or(trunk.axes[1]);
    // The hand lies between the forearm's and the racket's direction.
    let hand = ((wrist - elbow).normalize() + along * 0.5).normalize() * body.hand;
    ArmAndRacket { shoulder, elbow, wrist, butt: wrist + hand - along * GRIP_FROM_BUTT, along, face }
}

/// Designed tip speed before contact at `t` ≤ 0, for a forward swing that starts at `start`.
fn designed_speed(timing: &Timing, start: f64, t: f64) -> f64 {
    let risen = |from: f64| ((t - from) / -from).clamp(0.0, 1.0).powf(timing.rise);
    match &timing.hitch {
        None => timing.least_speed + (timing.contact_speed - timing.least_speed) * risen(start),
        Some(hitch) => {
            let bottom = hitch.peak_speed * (1.0 - hitch.depth);
            if t < hitch.peak {
                timing.least_speed + (hitch.peak_speed - timing.least_speed) * ease_between(t, start, hitch.peak)
            } else if t < hitch.bottom {
                hitch.peak_speed + (bottom - hitch.peak_speed) * ease_between(t, hitch.peak, hitch.bottom)
            } else {
                let recovered = hitch.recovered_speed - bottom;
                bottom
                    + recovered * ease_between(t, hitch.bottom, hitch.recovered)
                    + (timing.contact_speed - hitch.recovered_speed) * risen(hitch.bottom)
            }
        }
    }
}

/// Everything that the forward swing's equation needs.
struct Forward<'a> {
    body: &'a Body,
    timing: &'a Timing,
    base: [f64; 2],
    swing: &'a Spline<12>,
}

impl Forward<'_> {
    fn tip(&self, u: f64, t: f64) -> Point3<f64> {
        arm_at(self.body, &trunk_at(self.body, self.timing, self.base, t), &self.swing.at(u)).tip()
    }

    /// `du/dt` at which the tip has `speed`.
    fn rate(&self, u: f64, t: f64, speed: f64) -> f64 {
        let h = 1e-5;
        let by_u = (self.tip(u + h, t) - self.tip(u - h, t)) / (2.0 * h);
        let by_t = (self.tip(u, t + h) - self.tip(u, t - h)) / (2.0 * h);
        let (a, b, c) = (by_u.norm_squared(), by_u.dot(&by_t), by_t.norm_squared() - speed * speed);
        // Before the ready position the path stands still: only a trial that starts far too early comes there.
        if a < 1e-9 { speed } else { (-b + (b * b - a * c).max(0.0).sqrt()) / a }
    }

    /// `u(t)` from `start` to contact, backward from `u` at contact (classical Runge-Kutta).
    fn run(&self, start: f64, contact_u: f64) -> Sampled {
        let steps = (-start / 0.0005).ceil() as usize;
        let h = -start / steps as f64;
        let slope = |u: f64, t: f64| self.rate(u, t, designed_speed(self.timing, start, t));
        let mut u = contact_u;
        let mut samples = vec![[u, slope(u, 0.0)]];
        for step in 0..steps {
            let t = -(step as f64) * h;
            let k1 = slope(u, t);
            let k2 = slope(u - 0.5 * h * k1, t - 0.5 * h);
            let k3 = slope(u - 0.5 * h * k2, t - 0.5 * h);
            let k4 = slope(u - h * k3, t - h);
            u -= h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
            samples.push([u, slope(u, t - h)]);
        }
        samples.reverse();
        Sampled { start, step: h, samples }
    }
}

/// Where a continuous function changes its sign between two places, to a nanosecond; `None` when it does not.
///
/// False position with the Illinois rule (Dowell & Jarratt 1971): each evaluation is a whole forward swing.
fn root_between(f: &dyn Fn(f64) -> f64, a: f64, b: f64) -> Option<f64> {
    let (mut a, mut b) = (a, b);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa * fb > 0.0 {
        return None;
    }
    for _ in 0..60 {
        let c = (a * fb - b * fa) / (fb - fa);
        let fc = f(c);
        if fc.abs() < 1e-10 || (b - a).abs() < 1e-9 {
            return Some(c);
        }
        if fc * fb < 0.0 {
            (a, fa) = (b, fb);
        } else {
            fa *= 0.5;
        }
        (b, fb) = (c, fc);
    }
    Some(b)
}

impl Stroke {
    /// Solves a stroke.
    ///
    /// # Errors
    /// When no forward swing of 0.15 to 0.7 s has the asked speeds: the scenario contradicts itself.
    pub(crate) fn new(body: Body, path: &Path, timing: Timing, base: [f64; 2]) -> Result<Self, SynthError> {
        let swing = spline_through(&path.stations, &body);
        let knot = |index: usize| spline_through(&path.stations[..=index], &body).last_knot();
        let (back_u, contact_u) = (knot(path.take_back_end), knot(path.contact));
        let forward = Forward { body: &body, timing: &timing, base, swing: &swing };
        // The longer the forward swing, the farther back it starts.
        let earliest_start = timing.hitch.as_ref().map_or(-0.15, |h| h.peak - 0.02);
        // Positive while the swing starts too near to contact.
        let missing = |start: f64| forward.run(start, contact_u).samples[0][0] - back_u;
        let take_back_end = root_between(&missing, earliest_start, -0.7).ok_or_else(|| SynthError::Scenario {
            reason: format!(
                "no forward swing reaches the end of the take-back (u = {back_u:.2} m) at the asked speeds"
            ),
        })?;
        let run = forward.run(take_back_end, contact_u);
        let [_, joined_rate] = run.samples[0];
        let joined_acceleration = (run.samples[1][1] - run.samples[0][1]) / run.step;
        let length = take_back_end - timing.take_back_start;
        let take_back = Quintic::between(
            [0.0, 0.0, 3.0 * back_u / (length * length)],
            [back_u, joined_rate, joined_acceleration],
            length,
        );
        let through_rate = forward.rate(contact_u, 0.0, timing.kept_speed * timing.contact_speed);
        let follow_through_end = 3.0 * (swing.last_knot() - contact_u) / through_rate;
        let back_to_ready = spline_through(&path.back_to_ready(), &body);
        Ok(Self {
            body,
            timing,
            base,
            back_to_ready,
            take_back_end,
            follow_through_end,
            take_back,
            forward: run,
            contact_u,
            swing,
        })
    }

    /// First and last instant at which the player is not in the ready position, relative to contact.
    pub(crate) fn span(&self) -> [f64; 2] {
        [self.timing.take_back_start - 0.05, RETURN[1]]
    }

    pub(crate) fn trunk(&self, t: f64) -> Trunk {
        trunk_at(&self.body, &self.timing, self.base, t)
    }

    /// Dominant arm and racket on a given trunk.
    pub(crate) fn arm(&self, trunk: &Trunk, t: f64) -> ArmAndRacket {
        let row = if t > self.follow_through_end {
            let from = self.follow_through_end.max(RETURN[0] - 0.05);
            self.back_to_ready.at(ease_between(t, from, RETURN[1]) * self.back_to_ready.last_knot())
        } else {
            self.swing.at(self.path_parameter(t))
        };
        arm_at(&self.body, trunk, &row)
    }

    fn path_parameter(&self, t: f64) -> f64 {
        if t >= 0.0 {
            // u' falls as (1 - x)²: speed and acceleration are 0 at the end.
            let left = self.swing.last_knot() - self.contact_u;
            let x = (t / self.follow_through_end).min(1.0);
            self.contact_u + left * (1.0 - (1.0 - x).powi(3))
        } else if t >= self.take_back_end {
            self.forward.at(t)
        } else {
            self.take_back.at((t - self.timing.take_back_start).max(0.0))
        }
    }
}
