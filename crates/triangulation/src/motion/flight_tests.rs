//! The ball's flights against a ball whose equation of motion is solved step by step.

use midline_session::motion::{PointMotion, StrokeMotion};
use nalgebra::{Matrix3, Point3, Vector3};

use super::simulated::{CONTACT, Filmed, Filming, film_of};
use super::tests::lifted;

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

#[test]
fn a_ball_with_drag_and_spin_is_followed_from_bounce_to_contact_and_over_a_gap() {
    let gap = [0.80, 0.95];
    let mut tallies = [[0.0; 4]; 3];
    let (mut inside, mut all) = ([0_u32; 2], 0_u32);
    for seed in 0..6 {
        let spin = Vector3::new(-0.02 * seed as f64, 0.01, 0.03);
        let ball = Ball::new(0.018 + 0.002 * seed as f64, spin);
        let motion = flown(&ball, seed, "ball", gap);
        let plain = flown(&ball, seed, "another ball", gap);
        let mut count = |at: usize, t: f64, step: usize, point: &PointMotion, own: usize| {
            let errors = [
                Vector3::from(point.position_m.value) - ball.truth(t).coords,
                Vector3::from(point.velocity_m_s.value) - ball.states[step][1],
            ];
            tallies[at][own] += errors[0].norm_squared();
            tallies[at][own + 1] += errors[1].norm_squared();
            if own == 0 {
                all += 3;
                for (kind, estimate) in [point.position_m, point.velocity_m_s].iter().enumerate() {
                    let covariance = Matrix3::from(estimate.covariance);
                    let within = |axis: &usize| errors[kind][*axis].abs() < 1.96 * covariance[(*axis, *axis)].sqrt();
                    inside[kind] += (0..3).filter(within).count() as u32;
                }
            }
        };
        for (own, motion) in [(0, &motion), (2, &plain)] {
            count(0, CONTACT, STRUCK - 1, motion.before.at_contact(0).unwrap(), own);
            count(1, CONTACT, STRUCK, motion.after.at_contact(0).unwrap(), own);
            let middle = motion.before.session_seconds.partition_point(|t| *t < 0.875);
            let (t, point) = (motion.before.session_seconds[middle], motion.before.points[middle][0].unwrap());
            assert!(point.bridged);
            count(2, t, (t / STEP).round() as usize, &point, own);
        }
        // The bounce is not smoothed over: the ball falls until it and rises after it.
        let near = |t: f64| {
            let index = motion.before.session_seconds.partition_point(|s| *s < t);
            motion.before.points[index][0].unwrap().velocity_m_s.value[2]
        };
        let bounce = BOUNCE as f64 * STEP;
        assert!((near(bounce - 0.02) + 6.3).abs() < 0.7 && (near(bounce + 0.012) - 4.4).abs() < 0.7);
    }
    for (what, sums) in ["before contact", "after contact", "in the gap"].iter().zip(&tallies) {
        let [p, v, plain_p, plain_v] = sums.map(|sum| (sum / 6.0_f64).sqrt());
        println!(
            "{what}: {:.1} mm, {v:.2} m/s; without gravity and drag {:.1} mm, {plain_v:.2} m/s",
            1e3 * p,
            1e3 * plain_p
        );
        assert!(v < 0.5 * plain_v && p < plain_p, "{what}");
    }
    let share = inside.map(|count| f64::from(count) / f64::from(all));
    println!(
        "of {all} coordinates {:.1} % of positions and {:.1} % of velocities inside",
        100.0 * share[0],
        100.0 * share[1]
    );
    assert!(share.iter().all(|s| *s > 0.88), "{share:?}");
}
