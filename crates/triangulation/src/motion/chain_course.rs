//! Points on splines in space, one alone or some joined by segments that keep their length: shoulder, elbow and wrist.

use std::ops::Range;

use nalgebra::{DMatrix, DMatrixViewMut, DVector, Matrix2x3, Vector3};

use super::course::{Basis, Course, Instant, Motion, ORDER};
use super::roughness::{Change, ROUGHER_POINT, changes};
use super::smoothness_groups::stretches;

/// First guess of the jerk, m/s³.
const FIRST_JERK: f64 = 300.0;

/// How far the distance of two marked joints is from the segment's length, metres, and for how long it stays so, seconds: a
/// joint's mark moves over the skin as the limb turns. Common practice knows centimetres for markers on skin; from memory.
const WANDER_M: f64 = 0.008;
const WANDER_SECONDS: f64 = 0.05;

/// A segment between two landmarks, with what is known of its length beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Segment {
    pub(crate) landmarks: [usize; 2],
    pub(crate) nominal_m: f64,
    pub(crate) sd_m: f64,
}

/// Points and segments.
#[derive(Debug, Clone)]
pub(crate) struct ChainCourse {
    basis: Basis,
    stretches: Vec<usize>,
    changes: Vec<Change>,
    landmarks: usize,
    segments: Vec<Segment>,
}

/// Lengths and coefficients.
#[derive(Debug, Clone)]
pub(crate) struct ChainState {
    /// Of the segments, metres.
    pub(crate) lengths_m: Vec<f64>,
    /// `coefficients[landmark][function]`, metres.
    pub(crate) coefficients: Vec<Vec<Vector3<f64>>>,
}

/// What a prior block is about.
enum Prior {
    Jerk {
        landmark: usize,
        span: usize,
    },
    /// The distance of a segment's ends in the middle of a span.
    Distance {
        segment: usize,
        span: usize,
    },
    Length(usize),
}

impl ChainCourse {
    pub(crate) fn new(basis: Basis, contact_seconds: f64, landmarks: usize, segments: Vec<Segment>) -> Self {
        let (stretches, changes) = (stretches(&basis), changes(&basis, contact_seconds, ROUGHER_POINT));
        Self { basis, stretches, changes, landmarks, segments }
    }

    fn kind(&self, prior: usize) -> Prior {
        let spans = self.basis.spans();
        let (row, span) = (prior / spans, prior % spans);
        if row < self.landmarks {
            Prior::Jerk { landmark: row, span }
        } else if row < self.landmarks + self.segments.len() {
            Prior::Distance { segment: row - self.landmarks, span }
        } else {
            Prior::Length(prior - (self.landmarks + self.segments.len()) * spans)
        }
    }

    /// First column of a landmark's coefficient.
    fn column(&self, landmark: usize, function: usize) -> usize {
        self.shared() + 3 * (self.landmarks * function + landmark)
    }

    fn columns_of_functions(&self, landmark: usize, functions: Range<usize>) -> impl Iterator<Item = usize> {
        functions.flat_map(move |function| {
            let column = self.column(landmark, function);
            column..column + 3
        })
    }
}

impl Course for ChainCourse {
    type State = ChainState;

    fn basis(&self) -> &Basis {
        &self.basis
    }

    fn shared(&self) -> usize {
        self.segments.len()
    }

    fn columns_per_function(&self) -> usize {
        3 * self.landmarks
    }

    fn step(&self, state: &ChainState, delta: &DVector<f64>) -> ChainState {
        let own = |landmark: usize, function: usize| -> Vector3<f64> {
            delta.fixed_rows::<3>(self.column(landmark, function)).into_owned()
        };
        ChainState {
            lengths_m: state.lengths_m.iter().zip(delta.iter()).map(|(a, b)| a + b).collect(),
            coefficients: state
                .coefficients
                .iter()
                .enumerate()
                .map(|(landmark, all)| all.iter().enumerate().map(|(i, c)| c + own(landmark, i)).collect())
                .collect(),
        }
    }

    fn place(&self, state: &ChainState, landmark: usize, at: &Instant) -> Vector3<f64> {
        value(&state.coefficients[landmark], at)
    }

    fn columns_of(&self, landmark: usize, at: &Instant) -> Vec<usize> {
        self.columns_of_functions(landmark, at.first..at.first + ORDER).collect()
    }

    fn pull(&self, _: &ChainState, _: usize, at: &Instant, by_position: &Matrix2x3<f64>, jacobian: &mut DMatrix<f64>) {
        pull(at, by_position, jacobian);
    }

    fn motion(&self, state: &ChainState, landmark: usize, at: &Instant) -> (Motion, DMatrix<f64>) {
        motion(&state.coefficients[landmark], at)
    }

    fn prior_count(&self) -> usize {
        (self.landmarks + self.segments.len()) * self.basis.spans() + self.segments.len()
    }

    fn prior_shape(&self, prior: usize) -> (usize, Vec<usize>) {
        match self.kind(prior) {
            Prior::Jerk { landmark, span } => {
                (3, self.columns_of_functions(landmark, self.changes[span].functions()).collect())
            }
            Prior::Distance { segment, span } => {
                let ends = self.segments[segment].landmarks;
                let own = |landmark: usize| self.columns_of_functions(landmark, span..span + ORDER);
                (1, std::iter::once(segment).chain(own(ends[0])).chain(own(ends[1])).collect())
            }
            Prior::Length(segment) => (1, vec![segment]),
        }
    }

    fn prior_group(&self, prior: usize) -> Option<usize> {
        match self.kind(prior) {
            Prior::Jerk { landmark, span } => Some(landmark * self.groups() / self.landmarks + self.stretches[span]),
            Prior::Distance { .. } | Prior::Length(_) => None,
        }
    }

    fn prior(
        &self,
        state: &ChainState,
        prior: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) {
        match self.kind(prior) {
            Prior::Jerk { landmark, span } => {
                jerk(&self.changes[span], &state.coefficients[landmark], residual, jacobian);
            }
            Prior::Distance { segment, span } => {
                let [from, to] = self.basis.span_seconds(span);
                let at = self.basis.at(0.5 * (from + to));
                // What wanders slowly counts once per its own time, however dense the knots.
                let weight = ((to - from) / WANDER_SECONDS).min(1.0).sqrt() / WANDER_M;
                let ends = self.segments[segment].landmarks;
                let line = value(&state.coefficients[ends[1]], &at) - value(&state.coefficients[ends[0]], &at);
                let Some(along) = line.try_normalize(1e-6) else { return };
                residual[0] = (line.norm() - state.lengths_m[segment]) * weight;
                let Some(jacobian) = jacobian else { return };
                jacobian[(0, 0)] = -weight;
                for (end, sign) in [-weight, weight].into_iter().enumerate() {
                    for (j, share) in at.derivatives[0].iter().enumerate() {
                        let column = 1 + 3 * (ORDER * end + j);
                        jacobian.fixed_view_mut::<1, 3>(0, column).copy_from(&(along.transpose() * (sign * share)));
                    }
                }
            }
            Prior::Length(segment) => {
                let Segment { nominal_m, sd_m, .. } = self.segments[segment];
                residual[0] = (state.lengths_m[segment] - nominal_m) / sd_m;
                if let Some(jacobian) = jacobian {
                    jacobian[(0, 0)] = 1.0 / sd_m;
                }
            }
        }
    }

    fn groups(&self) -> usize {
        self.landmarks * self.stretches.last().map_or(0, |last| last + 1)
    }

    fn first_precision(&self, _: usize) -> f64 {
        FIRST_JERK.powi(-2)
    }

    fn kinds(&self) -> usize {
        self.landmarks
    }
}

/// The spline's value.
pub(super) fn value(coefficients: &[Vector3<f64>], at: &Instant) -> Vector3<f64> {
    at.derivatives[0].iter().zip(&coefficients[at.first..]).map(|(weight, c)| c * *weight).sum()
}

/// Derivative of a pixel by the coefficients of the point's spline.
pub(super) fn pull(at: &Instant, by_position: &Matrix2x3<f64>, jacobian: &mut DMatrix<f64>) {
    for (j, weight) in at.derivatives[0].iter().enumerate() {
        jacobian.fixed_view_mut::<2, 3>(0, 3 * j).copy_from(&(by_position * *weight));
    }
}

/// Position, velocity and acceleration on the spline, and their derivative by its coefficients.
pub(super) fn motion(coefficients: &[Vector3<f64>], at: &Instant) -> (Motion, DMatrix<f64>) {
    let mut jacobian = DMatrix::zeros(9, 3 * ORDER);
    let mut motion = Motion::zeros();
    for order in 0..3 {
        let mut own = jacobian.columns_mut(0, 3 * ORDER);
        let value = combined(coefficients, at, order, &mut own, 3 * order, 3);
        motion.fixed_rows_mut::<3>(3 * order).copy_from(&value);
    }
    (motion, jacobian)
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

/// A change of the jerk, with its derivative by the coefficients.
pub(super) fn jerk(
    change: &Change,
    coefficients: &[Vector3<f64>],
    residual: &mut DVector<f64>,
    jacobian: Option<&mut DMatrix<f64>>,
) {
    for (weight, coefficient) in change.weights().iter().zip(&coefficients[change.first..]) {
        for axis in 0..3 {
            residual[axis] += weight * coefficient[axis];
        }
    }
    if let Some(jacobian) = jacobian {
        for (j, weight) in change.weights().iter().enumerate() {
            for axis in 0..3 {
                jacobian[(axis, 3 * j + axis)] = *weight;
            }
        }
    }
}
