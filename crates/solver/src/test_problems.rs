//! Problems shared by the tests.

use nalgebra::{DMatrix, DVector, UnitQuaternion, Vector3};

use crate::LeastSquares;

type Model = fn(&DVector<f64>, f64) -> (f64, Vec<f64>);

/// A curve through points `(x, y)`; the model gives the value and its derivatives by the parameters. Where the value is
/// not a number, the point is not computable.
pub(crate) struct Curve {
    pub(crate) model: Model,
    pub(crate) points: Vec<(f64, f64)>,
    pub(crate) parameters: usize,
}

impl LeastSquares for Curve {
    type State = DVector<f64>;

    fn tangent_dim(&self) -> usize {
        self.parameters
    }
    fn block_count(&self) -> usize {
        self.points.len()
    }
    fn block_rows(&self, _: usize) -> usize {
        1
    }
    fn block_columns(&self, _: usize) -> Vec<usize> {
        (0..self.parameters).collect()
    }
    fn evaluate(
        &self,
        state: &DVector<f64>,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let (x, y) = self.points[block];
        let (value, slopes) = (self.model)(state, x);
        residual[0] = value - y;
        if let Some(jacobian) = jacobian {
            for (column, slope) in slopes.iter().enumerate() {
                jacobian[(0, column)] = *slope;
            }
        }
        !value.is_nan()
    }
    fn step(&self, state: &DVector<f64>, delta: &DVector<f64>) -> DVector<f64> {
        state + delta
    }
}

pub(crate) fn line(b: &DVector<f64>, x: f64) -> (f64, Vec<f64>) {
    (b[0] + b[1] * x, vec![1.0, x])
}

/// A rotation and, per direction, a length: `observed = length · R direction`. Block i has the columns 0..3 of the rotation
/// and 3 + i of its own length, as poses share a lens.
pub(crate) struct TurnedArrows {
    pub(crate) directions: Vec<Vector3<f64>>,
    pub(crate) observed: Vec<Vector3<f64>>,
    /// A defect for the gradient checker to find.
    pub(crate) wrong_derivative: bool,
}

#[derive(Debug, Clone)]
pub(crate) struct Turn {
    pub(crate) rotation: UnitQuaternion<f64>,
    pub(crate) lengths: Vec<f64>,
}

impl LeastSquares for TurnedArrows {
    type State = Turn;

    fn tangent_dim(&self) -> usize {
        3 + self.directions.len()
    }
    fn block_count(&self) -> usize {
        self.directions.len()
    }
    fn block_rows(&self, _: usize) -> usize {
        3
    }
    fn block_columns(&self, block: usize) -> Vec<usize> {
        vec![0, 1, 2, 3 + block]
    }
    fn evaluate(
        &self,
        state: &Turn,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let turned = state.rotation * self.directions[block];
        residual.copy_from(&(turned * state.lengths[block] - self.observed[block]));
        if let Some(jacobian) = jacobian {
            let by_rotation = -(turned * state.lengths[block]).cross_matrix();
            jacobian.fixed_view_mut::<3, 3>(0, 0).copy_from(&by_rotation);
            jacobian.set_column(3, &turned);
            if self.wrong_derivative && block == 1 {
                jacobian[(2, 1)] *= 1.01;
            }
        }
        true
    }
    fn step(&self, state: &Turn, delta: &DVector<f64>) -> Turn {
        Turn {
            rotation: UnitQuaternion::from_scaled_axis(Vector3::new(delta[0], delta[1], delta[2])) * state.rotation,
            lengths: state.lengths.iter().enumerate().map(|(i, length)| length + delta[3 + i]).collect(),
        }
    }
}

/// Many arrows with made-up, repeatable disturbances.
pub(crate) fn turned_arrows(count: usize) -> (TurnedArrows, Turn) {
    let truth = UnitQuaternion::from_scaled_axis(Vector3::new(0.3, -0.5, 0.9));
    let directions: Vec<_> = (0..count)
        .map(|i| {
            let t = i as f64;
            Vector3::new((1.3 * t).sin(), (0.7 * t).cos(), (0.4 * t + 1.0).sin()).normalize()
        })
        .collect();
    let observed = directions
        .iter()
        .enumerate()
        .map(|(i, direction)| {
            let t = i as f64;
            let disturbance = Vector3::new((11.0 * t).sin(), (17.0 * t).cos(), (23.0 * t).sin()) * 1e-2;
            truth * direction * (1.0 + 0.1 * (t % 7.0)) + disturbance
        })
        .collect();
    let start = Turn { rotation: UnitQuaternion::identity(), lengths: vec![1.0; count] };
    (TurnedArrows { directions, observed, wrong_derivative: false }, start)
}
