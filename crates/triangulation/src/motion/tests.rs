//! Tests of the fits as a whole.

use midline_session::motion::{PointMotion, StrokeMotion};
use midline_solver::worst_jacobian_error;
use nalgebra::{Matrix3, UnitQuaternion, Vector3};

use super::basis::SplineBasis;
use super::course::Course;
use super::fit::Fit;
use super::rigid_course::{Distance, RigidCourse, RigidState};
use super::simulated::{CONTACT, Filmed, Filming, NAMES, film, true_velocity, truth};
use super::stroke_motion::{ContactTime, MotionSettings, lift_strokes};
use crate::lift::{LiftSettings, lift};

pub(super) fn lifted(filmed: &Filmed) -> StrokeMotion {
    let settings = LiftSettings { breaks_seconds: vec![CONTACT], ..LiftSettings::default() };
    let first = lift(&filmed.cameras, &filmed.lenses, &filmed.rig, &filmed.keypoints, &settings).unwrap();
    let contact = ContactTime { session_seconds: CONTACT, sd_seconds: 0.0 };
    let motions = lift_strokes(
        &filmed.cameras,
        &filmed.lenses,
        &filmed.rig,
        &first.keypoints,
        &first.tracks,
        &[contact],
        &MotionSettings::default(),
    )
    .unwrap();
    for remark in &motions.remarks {
        println!("{remark}");
    }
    motions.strokes.into_iter().next().unwrap()
}

/// Errors in standard deviations and plain, of positions and velocities.
#[derive(Default)]
struct Tally {
    inside: [usize; 2],
    all: usize,
    squared_error: [f64; 2],
    variance: [f64; 2],
}

impl Tally {
    fn add(&mut self, point: &PointMotion, name: usize, seconds: f64, side: f64) {
        let truths = [truth(name, seconds).coords, true_velocity(name, seconds, side)];
        for (kind, (estimate, truth)) in [point.position_m, point.velocity_m_s].iter().zip(truths).enumerate() {
            let error = Vector3::from(estimate.value) - truth;
            let covariance = Matrix3::from(estimate.covariance);
            for axis in 0..3 {
                self.inside[kind] += usize::from(error[axis].abs() < 1.96 * covariance[(axis, axis)].sqrt());
            }
            self.squared_error[kind] += error.norm_squared();
            self.variance[kind] += covariance.trace();
        }
        self.all += 3;
    }

    fn told(&self, what: &str) {
        let share = |kind: usize| 100.0 * self.inside[kind] as f64 / self.all as f64;
        let rms = |sum: f64| (sum / (self.all / 3) as f64).sqrt();
        println!(
            "{what}: position {:.2} mm rms (stated {:.2}), {:.1} % inside; velocity {:.3} m/s rms (stated {:.3}), {:.1} % inside; {} coordinates",
            1e3 * rms(self.squared_error[0]),
            1e3 * rms(self.variance[0]),
            share(0),
            rms(self.squared_error[1]),
            rms(self.variance[1]),
            share(1),
            self.all
        );
    }
}

#[test]
fn trial_run() {
    for (rate, seeds) in [(120.0, 0..12), (240.0, 0..6)] {
        let mut edge: Vec<Tally> = (0..NAMES.len()).map(|_| Tally::default()).collect();
        let mut within: Vec<Tally> = (0..NAMES.len()).map(|_| Tally::default()).collect();
        let mut speeds = Vec::new();
        for seed in seeds {
            let filmed =
                film(&Filming { rates_hz: vec![rate, rate], read_out_seconds: 0.9 / rate, seed, ..Filming::default() });
            let began = std::time::Instant::now();
            let stroke = lifted(&filmed);
            println!("{:.2} s", began.elapsed().as_secs_f64());
            for name in 0..NAMES.len() {
                for (side, motion) in [(-1.0, &stroke.before), (1.0, &stroke.after)] {
                    if let Some(point) = motion.at_contact(name) {
                        edge[name].add(point, name, CONTACT, side);
                        if name == 2 && side < 0.0 {
                            let v = Vector3::from(point.velocity_m_s.value);
                            let along = v.normalize();
                            let sd = along.dot(&(Matrix3::from(point.velocity_m_s.covariance) * along)).sqrt();
                            speeds.push((v.norm(), sd, true_velocity(2, CONTACT, -1.0).norm()));
                        }
                    }
                    for (seconds, row) in motion.session_seconds.iter().zip(&motion.points) {
                        if let Some(point) = &row[name] {
                            within[name].add(point, name, *seconds, side);
                        }
                    }
                }
            }
        }
        println!("{rate} Hz {speeds:.2?}");
        for name in 0..NAMES.len() {
            edge[name].told(&format!("{} at contact", NAMES[name]));
            within[name].told(NAMES[name]);
        }
    }
}

fn some_line() -> (RigidCourse, RigidState) {
    let breaks: Vec<f64> = vec![0.0, 0.01, 0.025, 0.03, 0.05, 0.06, 0.08];
    let basis = SplineBasis::clamped(&breaks).unwrap();
    let count = basis.count();
    let turned = |i: usize| {
        let x = i as f64;
        UnitQuaternion::from_euler_angles(0.3 * x, 0.5 * (0.9 * x).sin(), 0.4 * x)
    };
    let state = RigidState {
        distances_m: vec![0.34, 0.66],
        positions: (0..count).map(|i| Vector3::new(0.1 * i as f64, (i as f64).sin() * 0.2, 1.0)).collect(),
        rotations: (0..count).map(turned).collect(),
    };
    let distances = vec![Distance { nominal_m: 0.33, sd_m: 0.05 }, Distance { nominal_m: 0.685, sd_m: 0.05 }];
    (RigidCourse::new(basis, distances, turned(1)), state)
}

#[test]
fn the_rigid_lines_derivatives_are_right() {
    let (course, state) = some_line();
    let precisions = vec![1.0; course.groups()];
    let fit = Fit {
        course: &course,
        observations: &[],
        mistaken: Vec::new(),
        scales: Vec::new(),
        precisions,
        last_steps: Vec::new(),
    };
    let worst = worst_jacobian_error(&fit, &state);
    assert!(worst < 1e-6, "{worst}");
    for landmark in 0..3 {
        for seconds in [0.0, 0.004, 0.027, 0.055, 0.08] {
            let at = course.basis().at(seconds);
            let (motion, by_columns) = course.motion(&state, landmark, &at);
            let columns = course.columns_at(&at);
            for (index, column) in columns.iter().enumerate() {
                let h = 1e-5;
                let moved = |sign: f64| {
                    let mut delta = nalgebra::DVector::zeros(course.columns());
                    delta[*column] = sign * h;
                    course.motion(&course.step(&state, &delta), landmark, &at).0
                };
                let slope = (moved(1.0) - moved(-1.0)) / (2.0 * h);
                let error = (slope - by_columns.column(index)).norm() / (1.0 + slope.norm());
                assert!(error < 1e-5, "landmark {landmark} at {seconds} column {column}: {error}");
            }
            // Velocity and acceleration are the derivatives of what stands before them.
            if seconds > 0.0 && seconds < 0.08 {
                let h = 1e-6;
                let near = |s: f64| course.motion(&state, landmark, &course.basis().at(seconds + s)).0;
                let slope = (near(h) - near(-h)) / (2.0 * h);
                let expected = motion.fixed_rows::<6>(3);
                let error = (slope.fixed_rows::<6>(0) - expected).norm() / expected.norm();
                assert!(error < 1e-5, "{error}");
            }
        }
    }
}
