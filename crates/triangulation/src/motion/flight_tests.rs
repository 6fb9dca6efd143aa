//! The ball's flights against a ball whose equation of motion is solved step by step.

use midline_session::motion::StrokeMotion;
use nalgebra::{Matrix3, Point3, Vector3};
use rayon::prelude::*;

use super::course::Basis;
use super::flight_course::{FlightCourse, FlightState};
use super::simulated::{CONTACT, Filmed, Filming, film_of};
use super::tests::{assert_derivatives, lifted};

/// Step of the solution, seconds, and the steps at which the ball bounces and is struck (at [`CONTACT`]).
const STEP: f64 = 1e-3;
const BOUNCE: usize = 620;
const STRUCK: usize = 1200;

/// A ball with drag and spin: place and velocity at every step. At bounce and contact it is the state after.
struct Ball {
    states: Vec<[Vector3<f64>; 2]>,
}

impl Ball {
    fn new(drag_per_m: f64, spin: Vector3<f64>) -> Self {
        let acceleration = |v: &Vector3<f64>| -Vector3::z() * 9.81 - v * (drag_per_m * v.norm()) + spin.cross(v);
        // Explicit midpoint steps.
        let next = |[p, v]: [Vector3<f64>; 2], h: f64| {
            let half = v + acceleration(&v) * (0.5 * h);
            [p + half * h, v + acceleration(&half) * h]
        };
        let mut now = [Vector3::new(0.4, 3.4, 0.033), Vector3::new(0.45, -8.0, -6.5)];
        let mut states = Vec::new();
        for _ in 0..BOUNCE {
            now = next(now, -STEP);
            states.push(now);
        }
        states.reverse();
        now = [Vector3::new(0.4, 3.4, 0.033), Vector3::new(0.3, -5.6, 4.6)];
        for step in BOUNCE..2100 {
            if step == STRUCK {
                now[1] = Vector3::new(-1.5, 31.0, 5.0);
            }
            states.push(now);
            now = next(now, STEP);
        }
        Self { states }
    }

    fn truth(&self, t: f64) -> Point3<f64> {
        let step = ((t / STEP + 1e-6) as usize).min(self.states.len() - 1);
        let since = t - step as f64 * STEP;
        let [p, v] = self.states[step];
        Point3::from(p + v * since - Vector3::z() * (0.5 * 9.81 * since * since))
    }
}

fn flown(ball: &Ball, seed: u64, name: &str, gap: [f64; 2]) -> StrokeMotion {
    let filming = Filming { seed, missing: 0.03, gross: 0.005, ..Filming::default() };
    let mut filmed: Filmed = film_of(&filming, &[name], &|_, t| ball.truth(t));
    for (camera, keypoints) in filmed.cameras.iter().zip(&mut filmed.keypoints) {
        for frame in &mut keypoints.frames {
            let t = camera.clock.session_seconds(frame.pts_seconds);
            if (gap[0]..gap[1]).contains(&t) {
                frame.points[0] = None;
            }
        }
    }
    lifted(&filmed)
}

const BALLS: u64 = 24;

/// Where errors are counted.
const PLACES: [&str; 3] = ["before contact", "after contact", "in the gap"];

/// Squared errors of one ball at each of [`PLACES`], of position and velocity by flights and then by a plain spline, and how many of the
/// coordinates lie in their intervals.
fn errors(seed: u64) -> ([[f64; 4]; 3], [u32; 2]) {
    let (mut squares, mut inside) = ([[0.0; 4]; 3], [0; 2]);
    let kind = (seed % 6) as f64;
    let ball = Ball::new(0.018 + 0.002 * kind, Vector3::new(-0.05 * kind, 0.05, 0.1));
    let gap = [0.80, 0.95];
    // Only a ball flies; the plain spline is that of any other point.
    for (own, name) in [(0, "ball"), (2, "another ball")] {
        let motion = flown(&ball, seed, name, gap);
        let middle = motion.before.session_seconds.partition_point(|t| *t < 0.875);
        let (t, bridged) = (motion.before.session_seconds[middle], motion.before.points[middle][0].unwrap());
        assert!(bridged.bridged);
        let at = [
            (CONTACT, STRUCK - 1, *motion.before.at_contact(0).unwrap()),
            (CONTACT, STRUCK, *motion.after.at_contact(0).unwrap()),
            (t, (t / STEP).round() as usize, bridged),
        ];
        for ((t, step, point), squares) in at.iter().zip(&mut squares) {
            let truths = [ball.truth(*t).coords, ball.states[*step][1]];
            for (k, (estimate, truth)) in [point.position_m, point.velocity_m_s].iter().zip(truths).enumerate() {
                let error = Vector3::from(estimate.value) - truth;
                squares[own + k] += error.norm_squared();
                let covariance = Matrix3::from(estimate.covariance);
                let within = |axis: &usize| error[*axis].abs() < 1.96 * covariance[(*axis, *axis)].sqrt();
                inside[k] += if own == 0 { (0..3).filter(within).count() as u32 } else { 0 };
            }
        }
        if own == 0 {
            // The bounce is not smoothed over: the ball falls until it and rises after it.
            let rises = |t: f64| {
                let index = motion.before.session_seconds.partition_point(|s| *s < t);
                motion.before.points[index][0].unwrap().velocity_m_s.value[2]
            };
            let bounce = BOUNCE as f64 * STEP;
            assert!((rises(bounce - 0.02) + 6.3).abs() < 0.7 && (rises(bounce + 0.012) - 4.4).abs() < 0.7, "{seed}");
        }
    }
    (squares, inside)
}

#[test]
fn a_ball_with_drag_and_spin_is_followed_from_bounce_to_contact_and_over_a_gap() {
    let balls: Vec<_> = (0..BALLS).into_par_iter().map(errors).collect();
    for (place, what) in PLACES.iter().enumerate() {
        let rms = |kind: usize| (balls.iter().map(|(s, _)| s[place][kind]).sum::<f64>() / BALLS as f64).sqrt();
        let [p, v, plain_p, plain_v] = [0, 1, 2, 3].map(rms);
        let (mm, plain_mm) = (1e3 * p, 1e3 * plain_p);
        println!("{what}: {mm:.1} mm, {v:.2} m/s; by a plain spline {plain_mm:.1} mm, {plain_v:.2} m/s");
        assert!(v < 0.85 * plain_v && p < 0.95 * plain_p, "{what}");
    }
    let all = 9 * BALLS as u32;
    let share = [0, 1].map(|k| f64::from(balls.iter().map(|(_, inside)| inside[k]).sum::<u32>()) / f64::from(all));
    println!("inside, of {all}: {:.1} % of positions, {:.1} % of velocities", 100.0 * share[0], 100.0 * share[1]);
    assert!(share.iter().all(|s| (0.91..0.995).contains(s)), "{share:?}");
}

#[test]
fn a_flights_derivatives_are_right() {
    let basis = Basis::clamped(&[0.0, 0.02, 0.045, 0.08]).unwrap();
    let coefficient = |i: usize| {
        let t = basis.centre_seconds(i);
        Vector3::new(0.4 - t, 3.0 - 9.0 * t + (5.0 * t).sin(), 0.9 - 4.0 * t)
    };
    let coefficients = (0..basis.count()).map(coefficient).collect();
    let course = FlightCourse::new(basis.clone());
    let start = course.start(coefficients);
    let state = FlightState { drag_coefficient: 0.7, spin_per_second: Vector3::new(0.1, -0.2, 0.3), ..start };
    assert_derivatives(&course, &state);
}

#[test]
fn what_does_not_fly_is_a_plain_point() {
    // A ball that is carried about in a hand.
    let filming = Filming { seed: 3, ..Filming::default() };
    let carried = |_: usize, t: f64| Point3::new(0.3 + 0.2 * (9.0 * t).sin(), 0.2, 1.1 + 0.2 * (11.0 * t).cos());
    let [as_ball, as_point] = ["ball", "another ball"].map(|name| lifted(&film_of(&filming, &[name], &carried)));
    assert!(as_ball.before.points == as_point.before.points);
}
