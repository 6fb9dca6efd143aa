//! A rigid line of landmarks, the racket: one point on a spline in space, the line's direction on a spline of rotations.
//!
//! Landmarks lie on the body's x axis at distances from the first that are estimated with a prior. The turn about the line
//! itself is seen by none of them; it follows from the smoothness of the angular velocity and a wide prior on its rate.

use std::ops::Range;

use nalgebra::{DMatrix, DVector, Matrix2x3, Matrix3, UnitQuaternion, Vector3};

use super::chain_course::{combined, jerk, value};
use super::course::{Basis, Course, Instant, Motion, ORDER};
use super::rotation_spline::{ByControls, difference, rotation, turning};
use super::roughness::{Change, changes};
use super::smoothness_groups::stretches;
use midline_geometry::skew;

/// Columns per coefficient: position, rotation.
const OWN: usize = 6;
const POSITION: Range<usize> = 0..3;
const ROTATION: Range<usize> = 3..6;

/// First guesses of the jerk, m/s³, and of the same of the turn, rad/s³.
const FIRST_JERK: f64 = 500.0;
const FIRST_TURNING: f64 = 700.0;

/// Standard deviation of the rate of turn about the line itself, rad/s; a racket is rolled over at up to 30 rad/s.
const ROLL_RATE_SD: f64 = 20.0;

/// Standard deviation of the first turn about the line itself, rad: any, it only fixes what nothing can see.
const FIRST_ROLL_SD: f64 = 0.5;

/// A distance from the first landmark, with what is known beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Distance {
    pub(crate) nominal_m: f64,
    pub(crate) sd_m: f64,
}

/// The line.
#[derive(Debug, Clone)]
pub(crate) struct RigidCourse {
    basis: Basis,
    stretches: Vec<usize>,
    changes: Vec<Change>,
    distances: Vec<Distance>,
    first_rotation: UnitQuaternion<f64>,
}

/// Its coefficients.
#[derive(Debug, Clone)]
pub(crate) struct RigidState {
    /// Of the landmarks after the first, metres.
    pub(crate) distances_m: Vec<f64>,
    pub(crate) positions: Vec<Vector3<f64>>,
    pub(crate) rotations: Vec<UnitQuaternion<f64>>,
}

/// What a prior block is about.
enum Prior {
    Jerk(usize),
    Turning(usize),
    RollRate(usize),
    FirstRoll,
    Distance(usize),
}

impl RigidCourse {
    pub(crate) fn new(
        basis: Basis,
        contact_seconds: f64,
        rougher_at_contact: f64,
        distances: Vec<Distance>,
        first_rotation: UnitQuaternion<f64>,
    ) -> Self {
        let (stretches, changes) = (stretches(&basis), changes(&basis, contact_seconds, rougher_at_contact));
        Self { basis, stretches, changes, distances, first_rotation }
    }

    fn kind(&self, prior: usize) -> Prior {
        let spans = self.basis.spans();
        let steps = self.basis.count() - 1;
        match prior {
            p if p < spans => Prior::Jerk(p),
            p if p < 2 * spans => Prior::Turning(p - spans),
            p if p < 2 * spans + steps => Prior::RollRate(p - 2 * spans),
            p if p == 2 * spans + steps => Prior::FirstRoll,
            p => Prior::Distance(p - 2 * spans - steps - 1),
        }
    }

    fn distance_m(&self, state: &RigidState, landmark: usize) -> f64 {
        landmark.checked_sub(1).map_or(0.0, |i| state.distances_m[i])
    }

    /// Time between the centres of two neighbouring coefficients, seconds.
    fn between_centres(&self, first: usize) -> f64 {
        self.basis.centre_seconds(first + 1) - self.basis.centre_seconds(first)
    }
}

impl Course for RigidCourse {
    type State = RigidState;

    fn basis(&self) -> &Basis {
        &self.basis
    }

    fn shared(&self) -> usize {
        self.distances.len()
    }

    fn columns_per_function(&self) -> usize {
        OWN
    }

    fn step(&self, state: &RigidState, delta: &DVector<f64>) -> RigidState {
        let shared = self.shared();
        let own = |i: usize, at: usize| Vector3::from(delta.fixed_rows::<3>(shared + OWN * i + at));
        RigidState {
            distances_m: state.distances_m.iter().zip(delta.iter()).map(|(a, b)| a + b).collect(),
            positions: state.positions.iter().enumerate().map(|(i, p)| p + own(i, 0)).collect(),
            rotations: state
                .rotations
                .iter()
                .enumerate()
                .map(|(i, r)| r * UnitQuaternion::from_scaled_axis(own(i, 3)))
                .collect(),
        }
    }

    fn place(&self, state: &RigidState, landmark: usize, at: &Instant) -> Vector3<f64> {
        let line = rotation(&state.rotations[at.first..at.first + ORDER], at) * Vector3::x();
        value(&state.positions, at) + line * self.distance_m(state, landmark)
    }

    fn columns_of(&self, landmark: usize, at: &Instant) -> Vec<usize> {
        let functions = at.first..at.first + ORDER;
        match landmark.checked_sub(1) {
            None => self.own_columns(functions, POSITION).collect(),
            Some(distance) => std::iter::once(distance).chain(self.own_columns(functions, 0..OWN)).collect(),
        }
    }

    fn pull(
        &self,
        state: &RigidState,
        landmark: usize,
        at: &Instant,
        by_position: &Matrix2x3<f64>,
        jacobian: &mut DMatrix<f64>,
    ) {
        // The first landmark is the point on the spline of positions.
        if landmark == 0 {
            for (j, weight) in at.derivatives[0].iter().enumerate() {
                jacobian.fixed_view_mut::<2, 3>(0, 3 * j).copy_from(&(by_position * *weight));
            }
            return;
        }
        for (j, weight) in at.derivatives[0].iter().enumerate() {
            jacobian.fixed_view_mut::<2, 3>(0, 1 + OWN * j).copy_from(&(by_position * *weight));
        }
        let turning = turning(&state.rotations[at.first..at.first + ORDER], at, false);
        let by_body = by_position * turning.rotation.to_rotation_matrix().matrix();
        jacobian.fixed_view_mut::<2, 1>(0, 0).copy_from(&by_body.column(0));
        let by_turn = by_body * skew(&Vector3::x()) * -self.distance_m(state, landmark);
        for control in 0..ORDER {
            let by_control = turning.rotation_by.fixed_columns::<3>(3 * control);
            jacobian.fixed_view_mut::<2, 3>(0, 1 + OWN * control + 3).copy_from(&(by_turn * by_control));
        }
    }

    fn motion(&self, state: &RigidState, landmark: usize, at: &Instant) -> (Motion, DMatrix<f64>) {
        // Columns before and per coefficient.
        let (first, stride) = if landmark == 0 { (0, 3) } else { (1, OWN) };
        let mut jacobian = DMatrix::zeros(9, first + stride * ORDER);
        let mut motion = Motion::zeros();
        let mut own = jacobian.columns_mut(first, stride * ORDER);
        for order in 0..3 {
            let value = combined(&state.positions, at, order, &mut own, 3 * order, stride);
            motion.fixed_rows_mut::<3>(3 * order).copy_from(&value);
        }
        if landmark == 0 {
            return (motion, jacobian);
        }
        let distance = self.distance_m(state, landmark);
        let turning = turning(&state.rotations[at.first..at.first + ORDER], at, true);
        let rotation = turning.rotation.to_rotation_matrix().into_inner();
        let line = Vector3::x();
        let (w, a) = (turning.velocity, turning.acceleration);
        // The line, its rate and its second rate in body axes, with derivatives by the controls.
        let parts = [line, w.cross(&line), a.cross(&line) + w.cross(&w.cross(&line))];
        let by_velocity: Matrix3<f64> = -(skew(&w.cross(&line)) + skew(&w) * skew(&line));
        let across = skew(&line);
        let by_parts = [
            ByControls::zeros(),
            -across * turning.velocity_by,
            by_velocity * turning.velocity_by - across * turning.acceleration_by,
        ];
        for (order, (part, by_part)) in parts.iter().zip(by_parts).enumerate() {
            let outward = rotation * part;
            let mut rows = motion.fixed_rows_mut::<3>(3 * order);
            rows += outward * distance;
            let turned = rotation * (by_part - skew(part) * turning.rotation_by) * distance;
            for control in 0..ORDER {
                jacobian
                    .fixed_view_mut::<3, 3>(3 * order, first + OWN * control + 3)
                    .copy_from(&turned.fixed_columns::<3>(3 * control));
            }
            jacobian.fixed_view_mut::<3, 1>(3 * order, 0).copy_from(&outward);
        }
        (motion, jacobian)
    }

    fn prior_count(&self) -> usize {
        2 * self.basis.spans() + self.basis.count() + self.distances.len()
    }

    fn prior_shape(&self, prior: usize) -> (usize, Vec<usize>) {
        match self.kind(prior) {
            Prior::Jerk(span) => (3, self.own_columns(self.changes[span].functions(), POSITION).collect()),
            Prior::Turning(span) => (3, self.own_columns(self.changes[span].functions(), ROTATION).collect()),
            Prior::RollRate(first) => (1, self.own_columns(first..first + 2, ROTATION).collect()),
            Prior::FirstRoll => (1, self.own_columns(0..1, ROTATION).collect()),
            Prior::Distance(index) => (1, vec![index]),
        }
    }

    fn prior_group(&self, prior: usize) -> Option<usize> {
        match self.kind(prior) {
            Prior::Jerk(span) => Some(self.stretches[span]),
            Prior::Turning(span) => Some(self.groups() / 2 + self.stretches[span]),
            Prior::RollRate(_) | Prior::FirstRoll | Prior::Distance(_) => None,
        }
    }

    fn prior(
        &self,
        state: &RigidState,
        prior: usize,
        residual: &mut DVector<f64>,
        mut jacobian: Option<&mut DMatrix<f64>>,
    ) {
        match self.kind(prior) {
            Prior::Jerk(span) => jerk(&self.changes[span], &state.positions, residual, jacobian),
            Prior::Turning(span) => {
                let change = &self.changes[span];
                let mut sum = Vector3::zeros();
                for (j, weight) in change.of_differences() {
                    let here = change.first + j;
                    let (vector, by_before, by_here) = difference(&state.rotations[here - 1], &state.rotations[here]);
                    sum += vector * weight;
                    if let Some(jacobian) = jacobian.as_deref_mut() {
                        let mut before = jacobian.fixed_view_mut::<3, 3>(0, 3 * (j - 1));
                        before += by_before * weight;
                        let mut here = jacobian.fixed_view_mut::<3, 3>(0, 3 * j);
                        here += by_here * weight;
                    }
                }
                residual.copy_from(&sum);
            }
            Prior::RollRate(first) => {
                let weight = self.between_centres(first).sqrt().recip() / ROLL_RATE_SD / ROLL_SHARE_SECONDS.sqrt();
                let (vector, by_before, by_here) = difference(&state.rotations[first], &state.rotations[first + 1]);
                residual[0] = weight * vector.x;
                if let Some(jacobian) = jacobian {
                    jacobian.fixed_view_mut::<1, 3>(0, 0).copy_from(&(by_before.row(0) * weight));
                    jacobian.fixed_view_mut::<1, 3>(0, 3).copy_from(&(by_here.row(0) * weight));
                }
            }
            Prior::FirstRoll => {
                let (vector, _, by_here) = difference(&self.first_rotation, &state.rotations[0]);
                residual[0] = vector.x / FIRST_ROLL_SD;
                if let Some(jacobian) = jacobian {
                    jacobian.fixed_view_mut::<1, 3>(0, 0).copy_from(&(by_here.row(0) / FIRST_ROLL_SD));
                }
            }
            Prior::Distance(index) => {
                let Distance { nominal_m, sd_m } = self.distances[index];
                residual[0] = (state.distances_m[index] - nominal_m) / sd_m;
                if let Some(jacobian) = jacobian {
                    jacobian[(0, 0)] = 1.0 / sd_m;
                }
            }
        }
    }

    fn groups(&self) -> usize {
        2 * self.stretches.last().map_or(0, |last| last + 1)
    }

    fn first_precision(&self, group: usize) -> f64 {
        if group < self.groups() / 2 { FIRST_JERK.powi(-2) } else { FIRST_TURNING.powi(-2) }
    }

    fn kinds(&self) -> usize {
        2
    }
}

/// The rate of turn about the line counts as independent after this time, seconds.
const ROLL_SHARE_SECONDS: f64 = 0.05;

impl RigidCourse {
    /// A part of the columns of each coefficient.
    fn own_columns(&self, functions: Range<usize>, part: Range<usize>) -> impl Iterator<Item = usize> {
        let shared = self.shared();
        functions.flat_map(move |function| part.clone().map(move |own| shared + OWN * function + own))
    }
}
