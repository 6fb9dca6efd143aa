//! How errors of poses, lenses and clocks move a fitted course.
//!
//! The same first-order propagation as for single points (`calibration_error.rs`), through the whole fit: a small change of a
//! calibration parameter moves all residuals of its camera, and with them all coefficients by `-(JᵀWJ)⁻¹ JᵀW ∂r/∂p`.

use midline_session::calibration::CalibratedCamera;
use nalgebra::{DMatrix, Matrix3};

use super::course::Course;
use super::fit::Fitted;
use super::observations::Observation;
use crate::calibration_error::{CalibrationCovariance, ErrorParts};

/// The parameters of all cameras of a rig: six of the pose each, then the lenses', then offset and rate of each clock.
pub(crate) struct CalibrationParameters {
    calibration: CalibrationCovariance,
    clocks: Vec<[[f64; 2]; 2]>,
    clock_start: usize,
    count: usize,
}

impl CalibrationParameters {
    pub(crate) fn new(calibration: &CalibrationCovariance, cameras: &[CalibratedCamera]) -> Self {
        let count = calibration.camera_count();
        let mut clocks = vec![[[0.0; 2]; 2]; count];
        for camera in cameras {
            if let Some(index) = calibration.camera(&camera.name) {
                clocks[index] = camera.clock.covariance;
            }
        }
        let clock_start = 6 * count + calibration.lenses().ncols();
        Self { calibration: calibration.clone(), clocks, clock_start, count: clock_start + 2 * count }
    }

    /// Change of the coefficients per unit of each parameter (columns × parameters).
    pub(crate) fn shift<C: Course>(
        &self,
        course: &C,
        fitted: &Fitted<C::State>,
        observations: &[Observation],
    ) -> Option<DMatrix<f64>> {
        let mut moved = DMatrix::zeros(course.columns(), self.count);
        for (observation, weight) in observations.iter().zip(&fitted.weights) {
            if *weight == 0.0 {
                continue;
            }
            let (motion, by_columns) = course.motion(&fitted.state, observation.landmark, &observation.at);
            let position = motion.fixed_rows::<3>(0).into_owned();
            let Some(seen) = observation.camera.project_with_jacobians(&position.into()) else { continue };
            let scale = fitted.scales[observation.landmark] * observation.sd_px;
            let factor = -weight / (scale * scale);
            let pull = by_columns.rows(0, 3).tr_mul(&seen.by_point.transpose()) * factor;
            let columns = course.columns_of(observation.landmark, &observation.at);
            let camera = observation.rig_index;
            let mut add = |first: usize, by: &DMatrix<f64>| {
                let product = &pull * by;
                for (row, column) in columns.iter().enumerate() {
                    for parameter in 0..by.ncols() {
                        moved[(*column, first + parameter)] += product[(row, parameter)];
                    }
                }
            };
            add(6 * camera, &DMatrix::from_column_slice(2, 6, seen.by_pose.as_slice()));
            let lens = DMatrix::from_column_slice(2, seen.by_intrinsics.ncols(), seen.by_intrinsics.as_slice());
            add(self.calibration.poses().ncols() + self.calibration.lens_columns(camera).start, &lens);
            let velocity = seen.by_point * motion.fixed_rows::<3>(3);
            let clock = [velocity, velocity * observation.camera_seconds];
            add(self.clock_start + 2 * camera, &DMatrix::from_fn(2, 2, |i, j| clock[j][i]));
        }
        fitted.local.response(&moved).ok()
    }

    /// Covariances (9 × 9 each) of a motion whose change per unit of each parameter is given (9 × parameters).
    pub(crate) fn parts(&self, by_parameters: &DMatrix<f64>) -> [DMatrix<f64>; 3] {
        let (poses, lenses) = (self.calibration.poses(), self.calibration.lenses());
        let by_poses = by_parameters.columns(0, poses.ncols());
        // A lens error goes through the poses that lean on it too.
        let by_lenses =
            by_parameters.columns(poses.ncols(), lenses.ncols()) + by_poses * self.calibration.pose_by_lens();
        let poses = by_poses * poses * by_poses.transpose();
        let lenses = &by_lenses * lenses * by_lenses.transpose();
        let zero = DMatrix::zeros(by_parameters.nrows(), by_parameters.nrows());
        let clocks = self.clocks.iter().enumerate().fold(zero, |sum, (camera, [a, b])| {
            let by = by_parameters.columns(self.clock_start + 2 * camera, 2);
            sum + by * DMatrix::from_row_slice(2, 2, &[a[0], a[1], b[0], b[1]]) * by.transpose()
        });
        [poses, lenses, clocks]
    }
}

/// The 3 × 3 block of position, velocity or acceleration of all four parts.
pub(crate) fn block(pixels: &DMatrix<f64>, others: &[DMatrix<f64>; 3], order: usize) -> ErrorParts {
    let of = |m: &DMatrix<f64>| -> Matrix3<f64> { m.fixed_view::<3, 3>(3 * order, 3 * order).into_owned() };
    ErrorParts { pixels: of(pixels), poses: of(&others[0]), lenses: of(&others[1]), clocks: of(&others[2]) }
}
