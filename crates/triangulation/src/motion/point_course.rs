//! One point on a spline in space.

use nalgebra::{DMatrix, DMatrixViewMut, DVector, Matrix2x3, Vector3};

use super::course::{Basis, Course, Instant, Motion, ORDER};
use super::roughness::{Change, changes};
use super::smoothness_groups::stretches;

/// First guess of the jerk, m/s³.
const FIRST_JERK: f64 = 300.0;

/// A point; its coefficients are the state.
#[derive(Debug, Clone)]
pub(crate) struct PointCourse {
    basis: Basis,
    stretches: Vec<usize>,
    changes: Vec<Change>,
}

impl PointCourse {
    pub(crate) fn new(basis: Basis, contact_seconds: f64) -> Self {
        let (stretches, changes) = (stretches(&basis), changes(&basis, contact_seconds));
        Self { basis, stretches, changes }
    }
}

impl Course for PointCourse {
    type State = Vec<Vector3<f64>>;

    fn basis(&self) -> &Basis {
        &self.basis
    }

    fn shared(&self) -> usize {
        0
    }

    fn columns_per_function(&self) -> usize {
        3
    }

    fn step(&self, state: &Self::State, delta: &DVector<f64>) -> Self::State {
        state.iter().enumerate().map(|(i, c)| c + Vector3::from(delta.fixed_rows::<3>(3 * i))).collect()
    }

    fn place(&self, state: &Self::State, _: usize, at: &Instant) -> Vector3<f64> {
        value(state, at)
    }

    fn pull(&self, _: &Self::State, _: usize, at: &Instant, by_position: &Matrix2x3<f64>, jacobian: &mut DMatrix<f64>) {
        for (j, weight) in at.derivatives[0].iter().enumerate() {
            jacobian.fixed_view_mut::<2, 3>(0, 3 * j).copy_from(&(by_position * *weight));
        }
    }

    fn motion(&self, state: &Self::State, _: usize, at: &Instant) -> (Motion, DMatrix<f64>) {
        let mut jacobian = DMatrix::zeros(9, 3 * ORDER);
        let mut motion = Motion::zeros();
        for order in 0..3 {
            let mut all = jacobian.columns_mut(0, 3 * ORDER);
            let value = combined(state, at, order, &mut all, 3 * order, 3);
            motion.fixed_rows_mut::<3>(3 * order).copy_from(&value);
        }
        (motion, jacobian)
    }

    fn prior_count(&self) -> usize {
        self.basis.spans()
    }

    fn prior_shape(&self, prior: usize) -> (usize, Vec<usize>) {
        let Change { first, count, .. } = self.changes[prior];
        (3, self.columns_of_functions(first..first + count))
    }

    fn prior_group(&self, prior: usize) -> Option<usize> {
        Some(self.stretches[prior])
    }

    fn prior(
        &self,
        state: &Self::State,
        prior: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) {
        jerk(&self.changes[prior], state, residual, jacobian, 3);
    }

    fn groups(&self) -> usize {
        self.stretches.last().map_or(0, |last| last + 1)
    }

    fn first_precision(&self, _: usize) -> f64 {
        FIRST_JERK.powi(-2)
    }

    fn kinds(&self) -> usize {
        1
    }
}

/// The spline's value.
pub(super) fn value(coefficients: &[Vector3<f64>], at: &Instant) -> Vector3<f64> {
    at.derivatives[0].iter().zip(&coefficients[at.first..]).map(|(weight, c)| c * *weight).sum()
}

/// A derivative of the spline; its own derivative by the coefficients goes to row `row`, `stride` columns per coefficient.
pub(super) fn combined(
    coefficients: &[Vector3<f64>],
    at: &Instant,
    order: usize,
    jacobian: &mut DMatrixViewMut<f64>,
    row: usize,
    stride: usize,
) -> Vector3<f64> {
    let mut sum = Vector3::zeros();
    for (j, weight) in at.derivatives[order].iter().enumerate() {
        sum += coefficients[at.first + j] * *weight;
        for axis in 0..3 {
            jacobian[(row + axis, stride * j + axis)] = *weight;
        }
    }
    sum
}

/// A change of the jerk, with its derivative by the coefficients, `stride` columns each.
pub(super) fn jerk(
    change: &Change,
    coefficients: &[Vector3<f64>],
    residual: &mut DVector<f64>,
    jacobian: Option<&mut DMatrix<f64>>,
    stride: usize,
) {
    for (weight, coefficient) in change.weights().iter().zip(&coefficients[change.first..]) {
        for axis in 0..3 {
            residual[axis] += weight * coefficient[axis];
        }
    }
    if let Some(jacobian) = jacobian {
        for (j, weight) in change.weights().iter().enumerate() {
            for axis in 0..3 {
                jacobian[(axis, stride * j + axis)] = *weight;
            }
        }
    }
}
