//! How far the cameras may be off their calibration: poses jointly, each lens on its own, as directions of unit variance.
//!
//! With these as unknowns that the sightings may move, an error of a pose or lens is told from an error of a clock wherever
//! the motion allows it, and counts in the clock's covariance where it does not.

use midline_geometry::{Camera, PixelJacobians, skew, stepped};
use nalgebra::{DMatrix, DVector, Matrix2xX, Vector3, Vector6};

/// Columns of one camera's pose.
const POSE: usize = 6;
/// Smallest eigenvalue of the correlation matrix that is a direction of its own.
const LEAST_EIGENVALUE: f64 = 1e-9;

/// Cameras as calibrated, with the directions in which they may be off.
#[derive(Debug, Clone)]
pub(crate) struct Calibration {
    pub(crate) cameras: Vec<Camera>,
    /// For each camera, change of its pose step and its lens parameters by the directions (6 + parameters × directions).
    by_direction: Vec<DMatrix<f64>>,
    directions: usize,
}

/// Covariances of what is known of some cameras.
#[derive(Debug, Clone)]
pub(crate) struct CalibrationErrors {
    /// Joint covariance of the cameras' pose steps, 6 n × 6 n.
    pub(crate) poses: DMatrix<f64>,
    /// Covariance of each lens, empty for one that counts as exact.
    pub(crate) lenses: Vec<DMatrix<f64>>,
    /// Covariance of the pose steps with each lens's parameters, 6 n × as many.
    pub(crate) poses_with_lenses: Vec<DMatrix<f64>>,
}

impl CalibrationErrors {
    /// Those of some of the cameras.
    pub(crate) fn of(&self, cameras: &[usize]) -> Self {
        let column = |k: usize| POSE * cameras[k / POSE] + k % POSE;
        let size = POSE * cameras.len();
        Self {
            poses: DMatrix::from_fn(size, size, |i, j| self.poses[(column(i), column(j))]),
            lenses: cameras.iter().map(|camera| self.lenses[*camera].clone()).collect(),
            poses_with_lenses: cameras
                .iter()
                .map(|camera| {
                    let own = &self.poses_with_lenses[*camera];
                    DMatrix::from_fn(size, own.ncols(), |i, j| own[(column(i), j)])
                })
                .collect(),
        }
    }
}

impl Calibration {
    pub(crate) fn new(cameras: Vec<Camera>, errors: &CalibrationErrors) -> Self {
        let CalibrationErrors { poses, lenses, poses_with_lenses } = errors;
        let lens_size = |camera: usize| lenses[camera].nrows();
        let lens_start = |camera: usize| POSE * cameras.len() + (0..camera).map(lens_size).sum::<usize>();
        let size = lens_start(cameras.len());
        let mut covariance = DMatrix::zeros(size, size);
        covariance.view_mut((0, 0), poses.shape()).copy_from(poses);
        for (camera, lens) in lenses.iter().enumerate() {
            covariance.view_mut((lens_start(camera), lens_start(camera)), lens.shape()).copy_from(lens);
            let across = &poses_with_lenses[camera];
            covariance.view_mut((0, lens_start(camera)), across.shape()).copy_from(across);
            covariance
                .view_mut((lens_start(camera), 0), (across.ncols(), across.nrows()))
                .copy_from(&across.transpose());
        }
        let directions = directions(&covariance);
        let by_direction = cameras
            .iter()
            .enumerate()
            .map(|(camera, posed)| {
                let mut own = DMatrix::zeros(POSE + posed.intrinsics.parameter_count(), directions.ncols());
                own.rows_mut(0, POSE).copy_from(&directions.rows(POSE * camera, POSE));
                let lens = directions.rows(lens_start(camera), lens_size(camera));
                own.rows_mut(POSE, lens_size(camera)).copy_from(&lens);
                own
            })
            .collect();
        Self { cameras, by_direction, directions: directions.ncols() }
    }

    /// Number of directions.
    pub(crate) fn directions(&self) -> usize {
        self.directions
    }

    /// The cameras, moved along the directions.
    pub(crate) fn cameras_at(&self, along: &DVector<f64>) -> Vec<Camera> {
        self.cameras
            .iter()
            .zip(&self.by_direction)
            .map(|(camera, by_direction)| {
                let moved = by_direction * along;
                let step = Vector6::from_column_slice(&moved.as_slice()[..POSE]);
                let parameters = camera.intrinsics.parameters() + moved.rows(POSE, moved.nrows() - POSE);
                Camera {
                    intrinsics: camera.intrinsics.with_parameters(parameters.as_slice()),
                    camera_from_world: stepped(&camera.camera_from_world, &step),
                    read_out: camera.read_out,
                }
            })
            .collect()
    }

    /// ∂pixel/∂directions (2 × directions) of a point seen by a camera that has been moved along them.
    pub(crate) fn by_directions(&self, camera: usize, along: &DVector<f64>, seen: &PixelJacobians) -> Matrix2xX<f64> {
        let by_direction = &self.by_direction[camera];
        let mut by_step = Matrix2xX::zeros(by_direction.nrows());
        let turned: Vector3<f64> = (by_direction.rows(0, 3) * along).fixed_rows::<3>(0).into_owned();
        // A step further turns on top of the turn so far: the left Jacobian of SO(3), to second order in it.
        let across = skew(&turned);
        let further = nalgebra::Matrix3::identity() + 0.5 * across + across * across / 6.0;
        by_step.fixed_columns_mut::<3>(0).copy_from(&(seen.by_pose.fixed_columns::<3>(0) * further));
        by_step.fixed_columns_mut::<3>(3).copy_from(&seen.by_pose.fixed_columns::<3>(3));
        by_step.columns_mut(POSE, seen.by_intrinsics.ncols()).copy_from(&seen.by_intrinsics);
        by_step * by_direction
    }
}

/// A matrix `D` with `D Dᵀ` the covariance: its main directions, scaled so that units do not matter for which are kept.
fn directions(covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let sds = covariance.diagonal().map(|v| v.max(0.0).sqrt());
    let inverse = sds.map(|sd| if sd > 0.0 { 1.0 / sd } else { 0.0 });
    let correlation = DMatrix::from_fn(sds.len(), sds.len(), |i, j| {
        0.5 * (covariance[(i, j)] + covariance[(j, i)]) * inverse[i] * inverse[j]
    });
    let eigen = correlation.symmetric_eigen();
    let kept: Vec<DVector<f64>> = eigen
        .eigenvalues
        .iter()
        .zip(eigen.eigenvectors.column_iter())
        .filter(|(value, _)| **value > LEAST_EIGENVALUE)
        .map(|(value, vector)| vector.component_mul(&sds) * value.sqrt())
        .collect();
    if kept.is_empty() { DMatrix::zeros(sds.len(), 0) } else { DMatrix::from_columns(&kept) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn directions_give_back_the_covariance_and_leave_out_what_is_exact() {
        let mixing =
            DMatrix::from_fn(5, 3, |i, j| [1e-4, 1e-3, 2.0, 0.3, 1.0][i] * ((i * i + 3 * i * j + 7 * j) as f64).sin());
        let mut covariance = DMatrix::zeros(6, 6);
        covariance.view_mut((0, 0), (5, 5)).copy_from(&(&mixing * mixing.transpose()));
        let found = directions(&covariance);
        assert_eq!(found.ncols(), 3);
        let back = &found * found.transpose();
        for i in 0..6 {
            for j in 0..6 {
                let scale = (covariance[(i, i)] * covariance[(j, j)]).sqrt();
                assert!((back[(i, j)] - covariance[(i, j)]).abs() <= 1e-9 * scale, "{i} {j}");
            }
        }
        assert_eq!(directions(&DMatrix::zeros(4, 4)).ncols(), 0);
    }
}
