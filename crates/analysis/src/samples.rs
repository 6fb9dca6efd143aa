//! The measured places of one point, in the order of time.

use midline_session::tracks::{Point3d, Tracks};
use nalgebra::{Matrix3, Vector3};

/// Variance added to every coordinate, m²: no point on a body is defined better than to a millimetre.
const LEAST_VARIANCE_M2: f64 = 1e-6;

/// One measured place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Sample {
    /// Session time, seconds.
    pub(crate) seconds: f64,
    /// World position, metres.
    pub(crate) position: Vector3<f64>,
    /// Covariance, m², positive definite.
    pub(crate) covariance: Matrix3<f64>,
    /// Lower Cholesky factor of the covariance, metres.
    pub(crate) root: Matrix3<f64>,
}

impl Sample {
    /// `None` when a number is not finite or the covariance is not one.
    pub(crate) fn new(seconds: f64, point: &Point3d) -> Option<Self> {
        let position = Vector3::from(point.position_m);
        let given = Matrix3::from_fn(|i, j| (point.covariance_m2[i][j] + point.covariance_m2[j][i]) / 2.0);
        if !(position.iter().all(|x| x.is_finite()) && given.iter().all(|x| x.is_finite())) {
            return None;
        }
        let covariance = given + Matrix3::identity() * LEAST_VARIANCE_M2;
        let root = covariance.cholesky()?.l();
        Some(Self { seconds, position, covariance, root })
    }

    /// Mean variance of a coordinate, m².
    pub(crate) fn variance(&self) -> f64 {
        self.covariance.trace() / 3.0
    }

    /// Squared distance of a residual in standard deviations (three degrees of freedom).
    pub(crate) fn mahalanobis_squared(&self, residual: &Vector3<f64>) -> f64 {
        self.root.solve_lower_triangular(residual).map_or(f64::INFINITY, |z| z.norm_squared())
    }
}

/// The samples of a point, and how many had to be left out because their numbers are unusable.
pub(crate) fn of_point(tracks: &Tracks, name: &str) -> (Vec<Sample>, usize) {
    let Some(column) = tracks.column(name) else {
        return (Vec::new(), 0);
    };
    let given = tracks.session_seconds.iter().enumerate().filter_map(|(i, t)| Some((*t, tracks.at(i, column)?)));
    let mut unusable = 0;
    let samples = given
        .filter_map(|(seconds, point)| {
            let sample = Sample::new(seconds, point);
            unusable += usize::from(sample.is_none());
            sample
        })
        .collect();
    (samples, unusable)
}

/// The samples of a time range.
pub(crate) fn between(samples: &[Sample], from: f64, to: f64) -> &[Sample] {
    let start = samples.partition_point(|s| s.seconds < from);
    let end = samples.partition_point(|s| s.seconds <= to);
    samples.get(start..end).unwrap_or(&[])
}
