//! The racket as a moving rigid body, filtered from frame to frame.
//!
//! An iterated extended Kalman filter (Bell & Cathey 1993: the update is a Gauss-Newton step from the prediction) with constant
//! acceleration and white jerk between frames (Bar-Shalom, Li & Kirubarajan 2001, section 6.2.3). Errors are vectors of 18: place (of the
//! butt), turn, velocity, angular velocity, acceleration, angular acceleration, each in world axes.

use nalgebra::{Matrix3, SMatrix, SVector, UnitQuaternion, Vector3, Vector6};

/// Errors of a [`Motion`].
pub(super) const SIZE: usize = 18;

/// Spectral density of the jerk, (m/s³)² s, and of the same of the turn, (rad/s³)² s: within 8 ms it adds some 3 mm and 8 mrad.
const JERK_DENSITY: f64 = 5e6;
const TURNING_DENSITY: f64 = 4e7;

/// The racket at an instant.
#[derive(Debug, Clone)]
pub(super) struct Motion {
    pub(super) seconds: f64,
    /// Of the butt, metres.
    pub(super) place: Vector3<f64>,
    /// Takes the racket's own frame to the world.
    pub(super) turn: UnitQuaternion<f64>,
    pub(super) velocity: Vector3<f64>,
    pub(super) spin: Vector3<f64>,
    pub(super) acceleration: Vector3<f64>,
    pub(super) spin_change: Vector3<f64>,
    pub(super) covariance: SMatrix<f64, SIZE, SIZE>,
}

/// One number that was seen: how far a line or mark is from where the motion puts it, along one direction of the picture.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub(super) off_px: f64,
    pub(super) sd_px: f64,
    /// By place and turn at the row's own time.
    pub(super) by_pose: Vector6<f64>,
    /// By the shape of the outline; 0 for a mark.
    pub(super) by_shape: Vector3<f64>,
    /// The row's time after the motion's, seconds.
    pub(super) delay_seconds: f64,
}

impl Row {
    /// By the whole error vector.
    pub(super) fn by_motion(&self) -> SVector<f64, SIZE> {
        let mut all = SVector::<f64, SIZE>::zeros();
        let t = self.delay_seconds;
        for (block, factor) in [1.0, t, 0.5 * t * t].into_iter().enumerate() {
            all.fixed_rows_mut::<6>(6 * block).copy_from(&(self.by_pose * factor));
        }
        all
    }

    /// Cauchy's weight: a point of the line that was taken for another has little say.
    pub(super) fn weight(&self) -> f64 {
        1.0 / (self.sd_px * self.sd_px * (1.0 + (self.off_px / (2.0 * self.sd_px)).powi(2)))
    }
}

impl Motion {
    /// Place and turn a little later or earlier.
    pub(super) fn pose_after(&self, seconds: f64) -> (Vector3<f64>, UnitQuaternion<f64>) {
        let t = seconds;
        let place = self.place + self.velocity * t + self.acceleration * (0.5 * t * t);
        let turned = UnitQuaternion::from_scaled_axis(self.spin * t + self.spin_change * (0.5 * t * t));
        (place, turned * self.turn)
    }

    /// The same motion at another time, less well known.
    pub(super) fn moved_to(&self, seconds: f64) -> Self {
        let t = seconds - self.seconds;
        let (place, turn) = self.pose_after(t);
        let mut transition = SMatrix::<f64, SIZE, SIZE>::identity();
        for (from, to, factor) in [(0, 6, t), (6, 12, t), (0, 12, 0.5 * t * t)] {
            for axis in 0..6 {
                transition[(from + axis, to + axis)] = factor;
            }
        }
        let mut covariance = transition * self.covariance * transition.transpose();
        // Integrals of white jerk over |t|; going back in time, odd orders change their sign against each other.
        let (length, sign) = (t.abs(), t.signum());
        let orders = [
            [length.powi(5) / 20.0, sign * length.powi(4) / 8.0, length.powi(3) / 6.0],
            [sign * length.powi(4) / 8.0, length.powi(3) / 3.0, sign * length.powi(2) / 2.0],
            [length.powi(3) / 6.0, sign * length.powi(2) / 2.0, length],
        ];
        for (i, row) in orders.iter().enumerate() {
            for (j, value) in row.iter().enumerate() {
                for axis in 0..6 {
                    let density = if axis < 3 { JERK_DENSITY } else { TURNING_DENSITY };
                    covariance[(6 * i + axis, 6 * j + axis)] += density * value;
                }
            }
        }
        Self {
            seconds,
            place,
            turn,
            velocity: self.velocity + self.acceleration * t,
            spin: self.spin + self.spin_change * t,
            covariance,
            ..*self
        }
    }

    fn stepped(&self, by: &SVector<f64, SIZE>) -> Self {
        let part = |at: usize| Vector3::from(by.fixed_rows::<3>(at));
        Self {
            seconds: self.seconds,
            place: self.place + part(0),
            turn: UnitQuaternion::from_scaled_axis(part(3)) * self.turn,
            velocity: self.velocity + part(6),
            spin: self.spin + part(9),
            acceleration: self.acceleration + part(12),
            spin_change: self.spin_change + part(15),
            covariance: self.covariance,
        }
    }

    fn minus(&self, other: &Self) -> SVector<f64, SIZE> {
        let mut all = SVector::<f64, SIZE>::zeros();
        for (at, part) in [
            (0, self.place - other.place),
            (3, (self.turn * other.turn.inverse()).scaled_axis()),
            (6, self.velocity - other.velocity),
            (9, self.spin - other.spin),
            (12, self.acceleration - other.acceleration),
            (15, self.spin_change - other.spin_change),
        ] {
            all.fixed_rows_mut::<3>(at).copy_from(&part);
        }
        all
    }

    /// The motion as it may be as well: draws from its covariance, always the same ones.
    pub(super) fn draws(&self, count: usize) -> Vec<Self> {
        let Some(factor) = self.covariance.cholesky() else { return Vec::new() };
        let root = factor.l();
        let mut number: u64 = 1;
        // SplitMix64 (Steele, Lea & Flood 2014); twelve uniform numbers make a normal one, near enough for a search.
        let mut uniform = || {
            number = number.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut mixed = number;
            mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((mixed ^ (mixed >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        };
        let mut normal = || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
        (0..count).map(|_| self.stepped(&(root * SVector::<f64, SIZE>::from_fn(|_, _| normal())))).collect()
    }

    /// What is known after looking: `look` gives the rows seen from a motion, and is asked again from every better one, `from` being the
    /// first. `None` when nothing is seen or the numbers run away.
    pub(super) fn corrected(
        &self,
        from: &Self,
        steps: usize,
        mut look: impl FnMut(&Self, usize) -> Vec<Row>,
    ) -> Option<Self> {
        let known = self.covariance.cholesky()?.inverse();
        let mut now = from.clone();
        for step in 0..steps {
            let rows = look(&now, step);
            if rows.is_empty() {
                return None;
            }
            let away = now.minus(self);
            let (mut information, mut pull) = (known, SVector::<f64, SIZE>::zeros());
            for row in &rows {
                let (by, weight) = (row.by_motion(), row.weight());
                information.ger(weight, &by, &by, 1.0);
                pull += by * (weight * (row.off_px + by.dot(&away)));
            }
            let factor = information.cholesky()?;
            let best = factor.solve(&pull);
            if !best.iter().all(|v| v.is_finite()) {
                return None;
            }
            now = self.stepped(&best);
            now.covariance = factor.inverse();
        }
        Some(now)
    }

    /// Matrix that takes place and turn errors to the error of a point of the body, with the point.
    pub(super) fn point(
        place: &Vector3<f64>,
        turn: &UnitQuaternion<f64>,
        own_m: &Vector3<f64>,
    ) -> (Vector3<f64>, SMatrix<f64, 3, 6>) {
        let arm = turn * own_m;
        let mut by = SMatrix::<f64, 3, 6>::zeros();
        by.fixed_view_mut::<3, 3>(0, 0).copy_from(&Matrix3::identity());
        by.fixed_view_mut::<3, 3>(0, 3).copy_from(&(-arm.cross_matrix()));
        (place + arm, by)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some() -> Motion {
        Motion {
            seconds: 2.0,
            place: Vector3::new(0.3, 1.0, 1.1),
            turn: UnitQuaternion::from_scaled_axis(Vector3::new(0.4, -0.9, 0.3)),
            velocity: Vector3::new(3.0, 8.0, -1.0),
            spin: Vector3::new(2.0, 1.0, 14.0),
            acceleration: Vector3::new(20.0, -60.0, 10.0),
            spin_change: Vector3::new(-30.0, 10.0, 80.0),
            covariance: SMatrix::identity() * 0.01,
        }
    }

    #[test]
    fn there_and_back_is_the_same_motion_less_well_known() {
        let start = some();
        let back = start.moved_to(2.02).moved_to(2.0);
        assert!(back.minus(&start).fixed_rows::<3>(0).norm() < 1e-12);
        assert!((back.velocity - start.velocity).norm() < 1e-12);
        assert!((0..SIZE).all(|i| back.covariance[(i, i)] >= start.covariance[(i, i)]));
        assert!(back.covariance.cholesky().is_some());
    }

    #[test]
    fn draws_scatter_as_the_covariance_says() {
        let start = some();
        let draws = start.draws(4000);
        let squares: f64 = draws.iter().map(|d| d.minus(&start)[1].powi(2)).sum();
        assert!((squares / 4000.0 - 0.01).abs() < 0.001, "{}", squares / 4000.0);
        assert_eq!(draws[7].place, start.draws(8)[7].place, "always the same");
    }

    /// A linear filter has a closed form: the posterior of one direct sight of the place.
    #[test]
    fn a_direct_sight_is_weighed_as_bayes_does() {
        let start = some();
        let seen = |m: &Motion, _: usize| {
            vec![Row {
                off_px: start.place.x + 0.05 - m.place.x,
                sd_px: 0.1,
                by_pose: Vector6::x(),
                by_shape: Vector3::zeros(),
                delay_seconds: 0.0,
            }]
        };
        let after = start.corrected(&start, 30, seen).unwrap();
        // Weight of Cauchy at the answer, solved by the same repetition on paper: w (0.05 - x) = 100 x with w = 100 / (1 + (off/0.2)^2).
        let x = after.place.x - start.place.x;
        let off = 0.05 - x;
        assert!((off / (1.0 + (off / 0.2f64).powi(2)) - x).abs() < 1e-6, "{x}");
        assert!(after.covariance[(0, 0)] < start.covariance[(0, 0)] && (after.covariance[(1, 1)] - 0.01).abs() < 1e-9);
    }
}
