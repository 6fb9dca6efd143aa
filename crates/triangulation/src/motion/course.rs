//! What moves: the contract between a fit and the thing whose motion is fitted.

use nalgebra::{DMatrix, DVector, Matrix2x3, SVector, Vector3};

use super::basis::{Moment, SplineBasis};
use super::roughness::WIDTH;

/// Cubic splines: the third derivative is constant between knots.
pub(crate) const ORDER: usize = 4;

pub(crate) type Basis = SplineBasis<ORDER>;
pub(crate) type Instant = Moment<ORDER>;

/// Position, velocity and acceleration of a landmark: m, m/s, m/s².
pub(crate) type Motion = SVector<f64, 9>;

/// One thing with one or more landmarks whose motion is a spline.
pub(crate) trait Course: Sync {
    type State: Clone + Send + Sync + std::fmt::Debug;

    fn basis(&self) -> &Basis;

    /// Number of columns that are shared by all instants; they come first.
    fn shared(&self) -> usize;

    /// Columns that belong to each coefficient of the spline.
    fn columns_per_function(&self) -> usize;

    fn step(&self, state: &Self::State, delta: &DVector<f64>) -> Self::State;

    /// Position of a landmark.
    fn place(&self, state: &Self::State, landmark: usize, at: &Instant) -> Vector3<f64>;

    /// Columns on which a landmark's motion at an instant depends.
    fn columns_of(&self, landmark: usize, at: &Instant) -> Vec<usize>;

    /// Derivative, by the columns of the landmark at the instant, of a pixel whose derivative by the landmark's position is
    /// `by_position`.
    fn pull(
        &self,
        state: &Self::State,
        landmark: usize,
        at: &Instant,
        by_position: &Matrix2x3<f64>,
        jacobian: &mut DMatrix<f64>,
    );

    /// Position, velocity and acceleration of a landmark and their derivative (9 × columns of the landmark at the instant).
    fn motion(&self, state: &Self::State, landmark: usize, at: &Instant) -> (Motion, DMatrix<f64>);

    /// Number of prior blocks.
    fn prior_count(&self) -> usize;

    /// Rows and columns of a prior block.
    fn prior_shape(&self, prior: usize) -> (usize, Vec<usize>);

    /// The group whose precision scales a prior block; `None` for one that is fixed.
    fn prior_group(&self, prior: usize) -> Option<usize>;

    /// Residual of a prior block for precision 1, with its derivative.
    fn prior(
        &self,
        state: &Self::State,
        prior: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    );

    /// Number of groups of prior blocks, neighbours in time being neighbours in number within each of `kinds` equal parts.
    fn groups(&self) -> usize;

    /// First guess of every group's precision.
    fn first_precision(&self, group: usize) -> f64;

    /// Number of kinds of smoothness (position, turning), each with its own groups.
    fn kinds(&self) -> usize;

    fn columns(&self) -> usize {
        self.shared() + self.basis().count() * self.columns_per_function()
    }

    fn half_bandwidth(&self) -> usize {
        // A change of the jerk reaches one function farther than an instant.
        WIDTH * self.columns_per_function() - 1
    }
}
