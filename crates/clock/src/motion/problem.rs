//! Clocks, read-outs and the moving points' paths as one least-squares problem.
//!
//! Every point's path through the world is a uniform cubic B-spline on the session clock; a sighting is the projection of the
//! path at the instant at which its row was exposed. Frames need not coincide and nothing is interpolated. Unknown are the
//! clocks (offset and rate), read-outs, the calibration within its covariance, an offset of each detector's points, and the
//! splines' control points. The idea of continuous-time estimation with temporal calibration: P. Furgale, J. Rehder and
//! R. Siegwart, "Unified temporal and spatial calibration for multi-sensor systems", IROS 2013.
//!
//! # Conventions
//!
//! - Columns: for each camera but the reference middle (s) and rate (1); then each unknown read-out (s); then the directions of
//!   the calibration (standard deviations); then the offset (2, px) of each point in each camera but the reference; then three
//!   per control point (m), segment after segment, so that the rest of the normal matrix is a band.
//! - Blocks: sightings (2 rows), then jerks (3 rows), then the priors of rates, read-outs, calibration (1 row each) and offsets
//!   (2 rows each).

use midline_geometry::Camera;
use midline_solver::{LeastSquares, Structure};
use nalgebra::{DMatrix, DVector, Matrix2x3, Point3, Vector2, Vector3};

use super::calibration::Calibration;
use super::filmed::Straight;
use super::spline::{SUPPORT, slopes, weights};

/// Columns of one camera's clock.
pub(crate) const PER_CAMERA: usize = 2;

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
    /// Whether it is too far off to be a sighting of the point; it has no say then.
    pub(crate) mistaken: bool,
    /// First of its four control points.
    pub(crate) control: usize,
    /// Session time at which its interval begins, and how long it lasts.
    pub(crate) interval_seconds: f64,
    pub(crate) knot_seconds: f64,
}

/// The third difference of four neighbouring control points, held near zero.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Jerk {
    /// The first of the four.
    pub(crate) control: usize,
    /// Which precision it has.
    pub(crate) group: usize,
}

/// Shares of four control points in their third difference.
const THIRD_DIFFERENCE: [f64; SUPPORT] = [-1.0, 3.0, -3.0, 1.0];

/// What stays as it is.
pub(crate) struct JointProblem {
    /// Index of the camera whose clock is the session clock.
    pub(crate) reference: usize,
    /// Cameras as calibrated, and how far they may be off.
    pub(crate) calibration: Calibration,
    /// Number of points that have names.
    pub(crate) points: usize,
    /// Standard deviation of a detector's offset, pixels.
    pub(crate) offset_sd_px: f64,
    /// Prior of each camera's rate: value and standard deviation.
    pub(crate) rates: Vec<(f64, f64)>,
    /// Prior of each camera's read-out: value and standard deviation, 0 where it is known.
    pub(crate) read_outs: Vec<(f64, f64)>,
    /// Mean share of the read-out over each camera's sightings: clocks hold for this row, so that an unknown read-out hardly
    /// touches them.
    pub(crate) middle_shares: Vec<f64>,
    pub(crate) sights: Vec<Sight>,
    pub(crate) jerks: Vec<Jerk>,
    /// Precision of each group of jerks, 1/m².
    pub(crate) precisions: Vec<f64>,
    /// Those that were first assumed.
    pub(crate) first_precisions: Vec<f64>,
    pub(crate) controls: usize,
}

/// The unknowns.
#[derive(Debug, Clone)]
pub(crate) struct Joint {
    pub(crate) clocks: Vec<Straight>,
    pub(crate) read_outs: Vec<f64>,
    /// Along each direction of the calibration, in standard deviations.
    pub(crate) calibration: DVector<f64>,
    /// The cameras that follow from it.
    pub(crate) cameras: Vec<Camera>,
    /// Offset of each camera's detector, point by point, pixels; that of the reference stays 0.
    pub(crate) offsets: Vec<Vec<Vector2<f64>>>,
    pub(crate) controls: Vec<Vector3<f64>>,
}

/// What a path gives at a sighting's instant.
struct Placed {
    place: Point3<f64>,
    velocity: Vector3<f64>,
    weights: [f64; SUPPORT],
}

impl JointProblem {
    pub(crate) fn camera_count(&self) -> usize {
        self.calibration.cameras.len()
    }

    /// Number of a camera among those that are not the reference.
    fn other(&self, camera: usize) -> Option<usize> {
        match camera.cmp(&self.reference) {
            std::cmp::Ordering::Less => Some(camera),
            std::cmp::Ordering::Equal => None,
            std::cmp::Ordering::Greater => Some(camera - 1),
        }
    }

    fn unknown_read_outs(&self) -> impl Iterator<Item = usize> {
        self.read_outs.iter().enumerate().filter(|(_, read_out)| read_out.1 > 0.0).map(|(camera, _)| camera)
    }

    /// First column of a camera's clock; `None` for the reference.
    pub(crate) fn camera_column(&self, camera: usize) -> Option<usize> {
        Some(PER_CAMERA * self.other(camera)?)
    }

    /// Column of a camera's read-out; `None` where it is known.
    pub(crate) fn read_out_column(&self, camera: usize) -> Option<usize> {
        let place = self.unknown_read_outs().position(|c| c == camera)?;
        Some(PER_CAMERA * (self.camera_count() - 1) + place)
    }

    pub(crate) fn calibration_column(&self) -> usize {
        PER_CAMERA * (self.camera_count() - 1) + self.unknown_read_outs().count()
    }

    /// First column of a detector's offset; `None` for the reference.
    fn offset_column(&self, camera: usize, point: usize) -> Option<usize> {
        let first = self.calibration_column() + self.calibration.directions();
        Some(first + 2 * (self.points * self.other(camera)? + point))
    }

    /// Columns shared by all sightings.
    pub(crate) fn shared(&self) -> usize {
        self.calibration_column() + self.calibration.directions() + 2 * self.points * (self.camera_count() - 1)
    }

    fn control_column(&self, control: usize) -> usize {
        self.shared() + 3 * control
    }

    /// Presentation time at which the sighting's row was exposed, were the camera's middle row the first.
    pub(crate) fn exposed_pts(&self, state: &Joint, sight: &Sight) -> f64 {
        sight.pts_seconds + self.share_past_middle(sight) * state.read_outs[sight.camera]
    }

    /// The sighting's share of the read-out from the middle of the rows in which points are seen.
    fn share_past_middle(&self, sight: &Sight) -> f64 {
        sight.share - self.middle_shares[sight.camera]
    }

    fn placed(&self, state: &Joint, sight: &Sight) -> Option<Placed> {
        let session = state.clocks[sight.camera].session(self.exposed_pts(state, sight));
        let u = (session - sight.interval_seconds) / sight.knot_seconds;
        let (weights, slopes) = (weights(u), slopes(u));
        let controls = state.controls.get(sight.control..sight.control + SUPPORT)?;
        let combined =
            |shares: &[f64; SUPPORT]| controls.iter().zip(shares).map(|(c, share)| c * *share).sum::<Vector3<f64>>();
        Some(Placed {
            place: Point3::from(combined(&weights)),
            velocity: combined(&slopes) / sight.knot_seconds,
            weights,
        })
    }

    /// The sighting's error in pixels; `None` behind the camera.
    pub(crate) fn error_px(&self, state: &Joint, sight: &Sight) -> Option<Vector2<f64>> {
        let px = state.cameras[sight.camera].project(&self.placed(state, sight)?.place)?;
        Some(px + state.offsets[sight.camera][sight.point] - sight.px)
    }

    fn sight_residual(
        &self,
        state: &Joint,
        sight: &Sight,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> Option<()> {
        // What is mistaken has no say, not even with a derivative.
        if sight.mistaken {
            return Some(());
        }
        let Some(jacobian) = jacobian else {
            residual.copy_from(&(self.error_px(state, sight)? / sight.sd_px));
            return Some(());
        };
        let placed = self.placed(state, sight)?;
        let seen = state.cameras[sight.camera].project_with_jacobians(&placed.place)?;
        let offset = state.offsets[sight.camera][sight.point];
        residual.copy_from(&((seen.px + offset - sight.px) / sight.sd_px));
        let by_time: Vector2<f64> = seen.by_point * placed.velocity;
        let mut column = 0;
        let mut put = |value: Vector2<f64>| {
            jacobian.column_mut(column).copy_from(&(value / sight.sd_px));
            column += 1;
        };
        if self.other(sight.camera).is_some() {
            put(by_time);
            put(by_time * (self.exposed_pts(state, sight) - state.clocks[sight.camera].centre_pts));
        }
        if self.read_out_column(sight.camera).is_some() {
            put(by_time * (state.clocks[sight.camera].rate * self.share_past_middle(sight)));
        }
        let by_calibration = self.calibration.by_directions(sight.camera, &state.calibration, &seen);
        for direction in by_calibration.column_iter() {
            put(direction.into_owned());
        }
        if self.other(sight.camera).is_some() {
            put(Vector2::x());
            put(Vector2::y());
        }
        let by_point: Matrix2x3<f64> = seen.by_point;
        for weight in placed.weights {
            for axis in 0..3 {
                put(by_point.column(axis) * weight);
            }
        }
        Some(())
    }

    /// What the prior of a number is about.
    fn prior(&self, prior: usize) -> Prior {
        let others = self.camera_count() - 1;
        let not_reference = |number: usize| if number < self.reference { number } else { number + 1 };
        let Some(after_rates) = prior.checked_sub(others) else { return Prior::Rate(not_reference(prior)) };
        if let Some(camera) = self.unknown_read_outs().nth(after_rates) {
            return Prior::ReadOut(camera);
        }
        let after_read_outs = after_rates - self.unknown_read_outs().count();
        match after_read_outs.checked_sub(self.calibration.directions()) {
            None => Prior::Direction(after_read_outs),
            Some(offset) => Prior::Offset(not_reference(offset / self.points), offset % self.points),
        }
    }

    /// First column of a prior, and its rows.
    fn prior_shape(&self, prior: &Prior) -> (usize, usize) {
        let none = usize::MAX;
        match prior {
            Prior::Rate(camera) => (self.camera_column(*camera).map_or(none, |c| c + 1), 1),
            Prior::ReadOut(camera) => (self.read_out_column(*camera).unwrap_or(none), 1),
            Prior::Direction(direction) => (self.calibration_column() + direction, 1),
            Prior::Offset(camera, point) => (self.offset_column(*camera, *point).unwrap_or(none), 2),
        }
    }

    fn prior_residual(&self, state: &Joint, prior: &Prior, residual: &mut DVector<f64>) -> f64 {
        let scalar = |value: f64, (expected, sd): (f64, f64)| ((value - expected) / sd, sd);
        let (first, sd) = match prior {
            Prior::Rate(camera) => scalar(state.clocks[*camera].rate, self.rates[*camera]),
            Prior::ReadOut(camera) => scalar(state.read_outs[*camera], self.read_outs[*camera]),
            Prior::Direction(direction) => (state.calibration[*direction], 1.0),
            Prior::Offset(camera, point) => {
                let offset = state.offsets[*camera][*point] / self.offset_sd_px;
                residual[1] = offset.y;
                (offset.x, self.offset_sd_px)
            }
        };
        residual[0] = first;
        sd
    }

    /// Whose learned size a block has; `None` for priors of a given size and for mistaken sightings.
    pub(crate) fn learned(&self, block: usize) -> Option<Learned> {
        match self.block(block) {
            Block::Sight(sight) => (!sight.mistaken).then_some(Learned::Noise(sight.camera, sight.point)),
            Block::Jerk(jerk) => Some(Learned::Smoothness(jerk.group)),
            Block::Prior(Prior::Offset(..)) => Some(Learned::Offsets),
            Block::Prior(_) => None,
        }
    }

    fn block(&self, block: usize) -> Block<'_> {
        let (sights, jerks) = (self.sights.len(), self.jerks.len());
        match (self.sights.get(block), block.checked_sub(sights).and_then(|b| self.jerks.get(b))) {
            (Some(sight), _) => Block::Sight(sight),
            (None, Some(jerk)) => Block::Jerk(jerk),
            _ => Block::Prior(self.prior(block - sights - jerks)),
        }
    }
}

/// What is learned from the data along with the unknowns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Learned {
    /// The noise of one point in one camera.
    Noise(usize, usize),
    /// The smoothness of one stretch of a path.
    Smoothness(usize),
    /// The size of the detectors' offsets.
    Offsets,
}

enum Block<'a> {
    Sight(&'a Sight),
    Jerk(&'a Jerk),
    Prior(Prior),
}

enum Prior {
    Rate(usize),
    ReadOut(usize),
    Direction(usize),
    /// Camera and point.
    Offset(usize, usize),
}

impl LeastSquares for JointProblem {
    type State = Joint;

    fn tangent_dim(&self) -> usize {
        self.control_column(self.controls)
    }

    fn block_count(&self) -> usize {
        let others = self.camera_count() - 1;
        let priors = others + self.unknown_read_outs().count() + self.calibration.directions() + others * self.points;
        self.sights.len() + self.jerks.len() + priors
    }

    fn block_rows(&self, block: usize) -> usize {
        match self.block(block) {
            Block::Sight(_) => 2,
            Block::Jerk(_) => 3,
            Block::Prior(prior) => self.prior_shape(&prior).1,
        }
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        match self.block(block) {
            Block::Sight(sight) => {
                let clock = self.camera_column(sight.camera).map(|c| c..c + PER_CAMERA);
                let calibration = self.calibration_column();
                let offset = self.offset_column(sight.camera, sight.point).map(|c| c..c + 2);
                let from = self.control_column(sight.control);
                clock
                    .into_iter()
                    .flatten()
                    .chain(self.read_out_column(sight.camera))
                    .chain(calibration..calibration + self.calibration.directions())
                    .chain(offset.into_iter().flatten())
                    .chain(from..from + 3 * SUPPORT)
                    .collect()
            }
            Block::Jerk(jerk) => {
                (self.control_column(jerk.control)..self.control_column(jerk.control + SUPPORT)).collect()
            }
            Block::Prior(prior) => {
                let (first, rows) = self.prior_shape(&prior);
                (first..first + rows).collect()
            }
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
            Block::Jerk(jerk) => {
                let Some(controls) = state.controls.get(jerk.control..jerk.control + SUPPORT) else { return false };
                let root = self.precisions[jerk.group].sqrt();
                let third: Vector3<f64> = controls.iter().zip(THIRD_DIFFERENCE).map(|(c, share)| c * share).sum();
                residual.copy_from(&(third * root));
                if let Some(jacobian) = jacobian {
                    for (control, share) in THIRD_DIFFERENCE.into_iter().enumerate() {
                        for axis in 0..3 {
                            jacobian[(axis, 3 * control + axis)] = share * root;
                        }
                    }
                }
                true
            }
            Block::Prior(prior) => {
                let sd = self.prior_residual(state, &prior, residual);
                if let Some(jacobian) = jacobian {
                    jacobian.fill_diagonal(1.0 / sd);
                }
                true
            }
        }
    }

    fn structure(&self) -> Structure {
        Structure::Band { shared: self.shared(), half_bandwidth: 3 * SUPPORT - 1 }
    }

    fn step(&self, state: &Joint, delta: &DVector<f64>) -> Joint {
        let mut moved = state.clone();
        for camera in 0..self.camera_count() {
            if let Some(column) = self.camera_column(camera) {
                moved.clocks[camera].middle_seconds += delta[column];
                moved.clocks[camera].rate += delta[column + 1];
            }
            if let Some(column) = self.read_out_column(camera) {
                moved.read_outs[camera] += delta[column];
            }
            for (point, offset) in moved.offsets[camera].iter_mut().enumerate() {
                if let Some(column) = self.offset_column(camera, point) {
                    *offset += Vector2::new(delta[column], delta[column + 1]);
                }
            }
        }
        moved.calibration += delta.rows(self.calibration_column(), self.calibration.directions());
        moved.cameras = self.calibration.cameras_at(&moved.calibration);
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
    use crate::motion::made_motion::{camera, made_calibration, place};
    use midline_geometry::{ReadOut, ScanDirection};

    #[test]
    fn jacobians_match_differences() {
        let left = ReadOut { seconds: 0.012, direction: ScanDirection::Left };
        let cameras = vec![camera(-4.0, -7.0, [1920, 1080], ReadOut::default()), camera(5.0, -6.0, [1080, 1920], left)];
        let sights = (0..12u32)
            .map(|k| Sight {
                camera: k as usize % 2,
                point: k as usize / 2 % 2,
                mistaken: false,
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
            reference: 0,
            points: 2,
            offset_sd_px: 0.7,
            calibration: made_calibration(&cameras),
            rates: vec![(1.0, 5e-5); 2],
            read_outs: vec![(0.004, 0.002), (0.012, 0.004)],
            middle_shares: vec![0.5, 0.6],
            sights,
            jerks: (0..3).map(|control| Jerk { control, group: control % 2 }).collect(),
            precisions: vec![3.0, 40.0],
            first_precisions: vec![1.0; 2],
            controls: 6,
        };
        let moved = DVector::from_fn(problem.calibration.directions(), |k, _| (1.3 * k as f64).sin());
        let state = Joint {
            clocks: vec![
                Straight { centre_pts: 0.1, middle_seconds: 0.1, rate: 1.0 },
                Straight { centre_pts: 0.3, middle_seconds: 0.31, rate: 1.0 + 2e-5 },
            ],
            read_outs: vec![0.0045, 0.011],
            cameras: problem.calibration.cameras_at(&moved),
            calibration: moved,
            offsets: vec![vec![Vector2::zeros(); 2], vec![Vector2::new(0.3, -0.2), Vector2::new(0.1, 0.4)]],
            controls: (0..6).map(|k| place(5, 0.06 * f64::from(k)).coords).collect(),
        };
        let worst = midline_solver::worst_jacobian_error(&problem, &state);
        println!("worst relative error of a Jacobian: {worst:.2e}");
        assert!(worst < 1e-5, "{worst}");
    }
}
