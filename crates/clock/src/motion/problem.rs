//! Clocks, read-outs and the moving points' paths as one least-squares problem.
//!
//! Every point's path through the world is a uniform cubic B-spline on the session clock; a sighting is the projection of the
//! path at the instant at which its row was exposed. Frames need not coincide and nothing is interpolated. Unknown are the
//! clocks (offset and rate), read-outs and a small rotation of each camera but the reference, and the splines' control points.
//! The idea of continuous-time estimation with temporal calibration: P. Furgale, J. Rehder and R. Siegwart, "Unified temporal
//! and spatial calibration for multi-sensor systems", IROS 2013.
//!
//! # Conventions
//!
//! - Columns: for each camera but the reference middle (s), rate (1), rotation (3, rad); then each unknown read-out (s); then
//!   three per control point (m), segment after segment, so that the rest of the normal matrix is a band.
//! - Blocks: sightings (2 rows), then bends (3 rows), then the priors of rate, rotation and read-out.

use midline_geometry::{Camera, rotation_from_vector, skew, vector_from_rotation};
use midline_solver::{LeastSquares, Structure};
use nalgebra::{DMatrix, DVector, Matrix2x3, Point3, UnitQuaternion, Vector2, Vector3};

use super::filmed::Straight;
use super::spline::{SUPPORT, slopes, weights};

/// Columns of one camera's clock and rotation.
pub(crate) const PER_CAMERA: usize = 5;
/// Rows of one camera's priors: rate and rotation.
const CAMERA_PRIORS: usize = 4;

/// One sighting of one point in one frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sight {
    pub(crate) camera: usize,
    /// Column of the point's name.
    pub(crate) point: usize,
    pub(crate) pts_seconds: f64,
    /// Delay of its row as a share of the read-out.
    pub(crate) share: f64,
    pub(crate) px: Vector2<f64>,
    /// Standard deviation of each coordinate, pixels.
    pub(crate) sd_px: f64,
    /// First of its four control points.
    pub(crate) control: usize,
    /// Session time at which its interval begins, and how long it lasts.
    pub(crate) interval_seconds: f64,
    pub(crate) knot_seconds: f64,
}

/// What stays as it is.
pub(crate) struct JointProblem {
    pub(crate) cameras: Vec<Camera>,
    /// Index of the camera whose clock is the session clock.
    pub(crate) reference: usize,
    /// Prior of each camera's rate: value and standard deviation.
    pub(crate) rates: Vec<(f64, f64)>,
    /// Prior standard deviation of each camera's rotation, radians.
    pub(crate) rotation_sds: Vec<f64>,
    /// Prior of each camera's read-out: value and standard deviation, 0 where it is known.
    pub(crate) read_outs: Vec<(f64, f64)>,
    /// Mean share of the read-out over each camera's sightings: clocks hold for this row, so that an unknown read-out hardly
    /// touches them.
    pub(crate) middle_shares: Vec<f64>,
    pub(crate) sights: Vec<Sight>,
    /// First control point of each run of three neighbours whose bend is held near zero, and its standard deviation, metres.
    pub(crate) bends: Vec<(usize, f64)>,
    pub(crate) controls: usize,
}

/// The unknowns.
#[derive(Debug, Clone)]
pub(crate) struct Joint {
    pub(crate) clocks: Vec<Straight>,
    pub(crate) rotations: Vec<UnitQuaternion<f64>>,
    pub(crate) read_outs: Vec<f64>,
    pub(crate) controls: Vec<Vector3<f64>>,
}

/// Pixel of the path at a sighting's instant, with what its derivatives need.
struct Seen {
    px: Vector2<f64>,
    weights: [f64; SUPPORT],
    /// ∂pixel/∂world point.
    by_point: Matrix2x3<f64>,
    /// ∂pixel/∂rotation of the camera.
    by_rotation: Matrix2x3<f64>,
    /// ∂pixel/∂session time, px/s.
    by_time: Vector2<f64>,
}

impl JointProblem {
    /// First column of a camera's clock; `None` for the reference.
    pub(crate) fn camera_column(&self, camera: usize) -> Option<usize> {
        match camera.cmp(&self.reference) {
            std::cmp::Ordering::Less => Some(PER_CAMERA * camera),
            std::cmp::Ordering::Equal => None,
            std::cmp::Ordering::Greater => Some(PER_CAMERA * (camera - 1)),
        }
    }

    /// Column of a camera's read-out; `None` where it is known.
    pub(crate) fn read_out_column(&self, camera: usize) -> Option<usize> {
        let unknown = |c: &&(f64, f64)| c.1 > 0.0;
        unknown(&self.read_outs.get(camera)?)
            .then(|| PER_CAMERA * (self.cameras.len() - 1) + self.read_outs[..camera].iter().filter(unknown).count())
    }

    /// Columns shared by all sightings.
    pub(crate) fn shared(&self) -> usize {
        PER_CAMERA * (self.cameras.len() - 1) + self.read_outs.iter().filter(|r| r.1 > 0.0).count()
    }

    fn control_column(&self, control: usize) -> usize {
        self.shared() + 3 * control
    }

    /// Presentation time at which the sighting's row was exposed, were the camera's middle row the first.
    pub(crate) fn exposed_pts(&self, state: &Joint, sight: &Sight) -> f64 {
        sight.pts_seconds + self.from_middle(sight) * state.read_outs[sight.camera]
    }

    /// The sighting's share of the read-out from the middle of the rows in which points are seen.
    fn from_middle(&self, sight: &Sight) -> f64 {
        sight.share - self.middle_shares[sight.camera]
    }

    fn seen(&self, state: &Joint, sight: &Sight) -> Option<Seen> {
        let session = state.clocks[sight.camera].session(self.exposed_pts(state, sight));
        let u = (session - sight.interval_seconds) / sight.knot_seconds;
        let (weights, slopes) = (weights(u), slopes(u));
        let controls = state.controls.get(sight.control..sight.control + SUPPORT)?;
        let combined =
            |shares: &[f64; SUPPORT]| controls.iter().zip(shares).map(|(c, share)| c * *share).sum::<Vector3<f64>>();
        let (place, velocity) = (combined(&weights), combined(&slopes) / sight.knot_seconds);
        let camera = &self.cameras[sight.camera];
        let turned = state.rotations[sight.camera] * (camera.camera_from_world * Point3::from(place)).coords;
        let (px, by_camera_point) = camera.intrinsics.project_with_point_jacobian(&turned)?;
        let rotation = (state.rotations[sight.camera] * camera.camera_from_world.rotation).to_rotation_matrix();
        let by_point = by_camera_point * rotation.matrix();
        Some(Seen {
            px,
            weights,
            by_point,
            by_rotation: by_camera_point * -skew(&turned),
            by_time: by_point * velocity,
        })
    }

    /// The sighting's error in pixels; `None` behind the camera.
    pub(crate) fn error_px(&self, state: &Joint, sight: &Sight) -> Option<Vector2<f64>> {
        Some(self.seen(state, sight)?.px - sight.px)
    }

    fn sight_residual(
        &self,
        state: &Joint,
        sight: &Sight,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> Option<()> {
        let seen = self.seen(state, sight)?;
        residual.copy_from(&((seen.px - sight.px) / sight.sd_px));
        let Some(jacobian) = jacobian else { return Some(()) };
        let mut column = 0;
        let mut put = |values: &[Vector2<f64>]| {
            for value in values {
                jacobian.column_mut(column).copy_from(&(value / sight.sd_px));
                column += 1;
            }
        };
        let rate = state.clocks[sight.camera].rate;
        if self.camera_column(sight.camera).is_some() {
            let since = self.exposed_pts(state, sight) - state.clocks[sight.camera].centre_pts;
            let turn = |axis: usize| seen.by_rotation.column(axis).into_owned();
            put(&[seen.by_time, seen.by_time * since, turn(0), turn(1), turn(2)]);
        }
        if self.read_out_column(sight.camera).is_some() {
            put(&[seen.by_time * (rate * self.from_middle(sight))]);
        }
        for weight in seen.weights {
            for axis in 0..3 {
                put(&[seen.by_point.column(axis) * weight]);
            }
        }
        Some(())
    }

    fn prior_residual(
        &self,
        state: &Joint,
        prior: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) {
        match self.prior(prior) {
            Prior::Camera(camera) => {
                let (rate, rate_sd) = self.rates[camera];
                let rotation = vector_from_rotation(&state.rotations[camera]);
                residual[0] = (state.clocks[camera].rate - rate) / rate_sd;
                residual.rows_mut(1, 3).copy_from(&(rotation / self.rotation_sds[camera]));
                if let Some(jacobian) = jacobian {
                    jacobian[(0, 0)] = 1.0 / rate_sd;
                    // The logarithm's derivative by a step from the left, to first order in the rotation.
                    let by_step = nalgebra::Matrix3::identity() - 0.5 * skew(&rotation);
                    jacobian.view_mut((1, 1), (3, 3)).copy_from(&(by_step / self.rotation_sds[camera]));
                }
            }
            Prior::ReadOut(camera) => {
                let (value, sd) = self.read_outs[camera];
                residual[0] = (state.read_outs[camera] - value) / sd;
                if let Some(jacobian) = jacobian {
                    jacobian[(0, 0)] = 1.0 / sd;
                }
            }
        }
    }

    /// What the prior of a number is about.
    fn prior(&self, prior: usize) -> Prior {
        let others = self.cameras.len() - 1;
        if prior < others {
            return Prior::Camera(if prior < self.reference { prior } else { prior + 1 });
        }
        let mut unknown = self.read_outs.iter().enumerate().filter(|(_, r)| r.1 > 0.0).map(|(camera, _)| camera);
        Prior::ReadOut(unknown.nth(prior - others).unwrap_or_default())
    }

    fn block(&self, block: usize) -> Block<'_> {
        let (sights, bends) = (self.sights.len(), self.bends.len());
        match (self.sights.get(block), block.checked_sub(sights).and_then(|b| self.bends.get(b))) {
            (Some(sight), _) => Block::Sight(sight),
            (None, Some((first, sd_m))) => Block::Bend(*first, *sd_m),
            _ => Block::Prior(block - sights - bends),
        }
    }
}

enum Block<'a> {
    Sight(&'a Sight),
    Bend(usize, f64),
    Prior(usize),
}

enum Prior {
    Camera(usize),
    ReadOut(usize),
}

impl LeastSquares for JointProblem {
    type State = Joint;

    fn tangent_dim(&self) -> usize {
        self.control_column(self.controls)
    }

    fn block_count(&self) -> usize {
        let unknown = self.shared() - PER_CAMERA * (self.cameras.len() - 1);
        self.sights.len() + self.bends.len() + self.cameras.len() - 1 + unknown
    }

    fn block_rows(&self, block: usize) -> usize {
        match self.block(block) {
            Block::Sight(_) => 2,
            Block::Bend(..) => 3,
            Block::Prior(prior) => match self.prior(prior) {
                Prior::Camera(_) => CAMERA_PRIORS,
                Prior::ReadOut(_) => 1,
            },
        }
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        match self.block(block) {
            Block::Sight(sight) => {
                let clock = self.camera_column(sight.camera).map(|c| c..c + PER_CAMERA);
                let from = self.control_column(sight.control);
                clock
                    .into_iter()
                    .flatten()
                    .chain(self.read_out_column(sight.camera))
                    .chain(from..from + 3 * SUPPORT)
                    .collect()
            }
            Block::Bend(first, _) => (self.control_column(first)..self.control_column(first + 3)).collect(),
            Block::Prior(prior) => match self.prior(prior) {
                Prior::Camera(camera) => {
                    self.camera_column(camera).map(|c| c + 1..c + PER_CAMERA).into_iter().flatten().collect()
                }
                Prior::ReadOut(camera) => self.read_out_column(camera).into_iter().collect(),
            },
        }
    }

    fn evaluate(
        &self,
        state: &Joint,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        match self.block(block) {
            Block::Sight(sight) => self.sight_residual(state, sight, residual, jacobian).is_some(),
            Block::Bend(first, sd_m) => {
                let Some([a, b, c]) = state.controls.get(first..first + 3) else { return false };
                residual.copy_from(&((a - 2.0 * b + c) / sd_m));
                if let Some(jacobian) = jacobian {
                    for (control, share) in [1.0, -2.0, 1.0].into_iter().enumerate() {
                        for axis in 0..3 {
                            jacobian[(axis, 3 * control + axis)] = share / sd_m;
                        }
                    }
                }
                true
            }
            Block::Prior(prior) => {
                self.prior_residual(state, prior, residual, jacobian);
                true
            }
        }
    }

    fn structure(&self) -> Structure {
        Structure::Band { shared: self.shared(), half_bandwidth: 3 * SUPPORT - 1 }
    }

    fn step(&self, state: &Joint, delta: &DVector<f64>) -> Joint {
        let mut moved = state.clone();
        for camera in 0..self.cameras.len() {
            if let Some(column) = self.camera_column(camera) {
                moved.clocks[camera].middle_seconds += delta[column];
                moved.clocks[camera].rate += delta[column + 1];
                let turn = Vector3::new(delta[column + 2], delta[column + 3], delta[column + 4]);
                moved.rotations[camera] = rotation_from_vector(turn) * state.rotations[camera];
            }
            if let Some(column) = self.read_out_column(camera) {
                moved.read_outs[camera] += delta[column];
            }
        }
        for (control, place) in moved.controls.iter_mut().enumerate() {
            let column = self.control_column(control);
            *place += Vector3::new(delta[column], delta[column + 1], delta[column + 2]);
        }
        moved
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::made_motion::{camera, place};
    use midline_geometry::{ReadOut, ScanDirection};

    #[test]
    fn jacobians_match_differences() {
        let left = ReadOut { seconds: 0.012, direction: ScanDirection::Left };
        let cameras = vec![camera(-4.0, -7.0, [1920, 1080], ReadOut::default()), camera(5.0, -6.0, [1080, 1920], left)];
        let sights = (0..12u32)
            .map(|k| Sight {
                camera: k as usize % 2,
                point: 0,
                pts_seconds: 0.02 * f64::from(k),
                share: 0.3 + 0.05 * f64::from(k),
                px: Vector2::new(500.0, 400.0),
                sd_px: 1.3,
                control: k as usize / 4,
                interval_seconds: 0.06 * f64::from(k / 4) - 0.01,
                knot_seconds: 0.06,
            })
            .collect();
        let problem = JointProblem {
            cameras,
            reference: 0,
            rates: vec![(1.0, 5e-5); 2],
            rotation_sds: vec![1e-3; 2],
            read_outs: vec![(0.004, 0.002), (0.012, 0.004)],
            middle_shares: vec![0.5, 0.6],
            sights,
            bends: (0..4).map(|first| (first, 0.3)).collect(),
            controls: 6,
        };
        let state = Joint {
            clocks: vec![
                Straight { centre_pts: 0.1, middle_seconds: 0.1, rate: 1.0 },
                Straight { centre_pts: 0.3, middle_seconds: 0.31, rate: 1.0 + 2e-5 },
            ],
            rotations: vec![UnitQuaternion::identity(), rotation_from_vector(Vector3::new(1e-3, -2e-3, 5e-4))],
            read_outs: vec![0.0045, 0.011],
            controls: (0..6).map(|k| place(5, 0.06 * f64::from(k)).coords).collect(),
        };
        let worst = midline_solver::worst_jacobian_error(&problem, &state);
        println!("worst relative error of a Jacobian: {worst:.2e}");
        assert!(worst < 1e-5, "{worst}");
    }
}
