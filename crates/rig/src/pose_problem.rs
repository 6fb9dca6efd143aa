//! The pose of one camera relative to known points: least squares of the reprojection errors.

use midline_geometry::{Intrinsics, RigidTransform, skew, stepped};
use midline_solver::{LeastSquares, Loss, Options, minimise};
use nalgebra::{DMatrix, DVector, Matrix2x6, Vector2, Vector6};

use crate::input::Observed;

/// A pose with how badly it fits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Minimum {
    pub(crate) camera_from_object: RigidTransform,
    /// Half the sum of squared residuals in standard deviations (of the loss that was asked for).
    pub(crate) cost: f64,
}

pub(crate) struct PoseProblem<'a> {
    pub(crate) intrinsics: &'a Intrinsics,
    pub(crate) observed: &'a [Observed],
    pub(crate) sd_px: f64,
}

/// Where a point of the object is projected, with the derivative by the pose step (2×6).
pub(crate) fn projected(
    intrinsics: &Intrinsics,
    camera_from_object: &RigidTransform,
    observed: &Observed,
) -> Option<(Vector2<f64>, Matrix2x6<f64>)> {
    let rotated = camera_from_object.rotation * observed.point.coords;
    let (px, by_point) = intrinsics.project_with_point_jacobian(&(rotated + camera_from_object.translation.vector))?;
    let mut by_pose = Matrix2x6::zeros();
    by_pose.fixed_columns_mut::<3>(0).copy_from(&(by_point * -skew(&rotated)));
    by_pose.fixed_columns_mut::<3>(3).copy_from(&by_point);
    Some((px, by_pose))
}

impl LeastSquares for PoseProblem<'_> {
    type State = RigidTransform;

    fn tangent_dim(&self) -> usize {
        6
    }

    fn block_count(&self) -> usize {
        self.observed.len()
    }

    fn block_rows(&self, _block: usize) -> usize {
        2
    }

    fn block_columns(&self, _block: usize) -> Vec<usize> {
        (0..6).collect()
    }

    fn evaluate(
        &self,
        state: &RigidTransform,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let observed = &self.observed[block];
        let Some((px, by_pose)) = projected(self.intrinsics, state, observed) else { return false };
        residual.copy_from(&((px - observed.px) / self.sd_px));
        if let Some(jacobian) = jacobian {
            jacobian.copy_from(&(by_pose / self.sd_px));
        }
        true
    }

    fn step(&self, state: &RigidTransform, delta: &DVector<f64>) -> RigidTransform {
        stepped(state, &Vector6::from_column_slice(delta.as_slice()))
    }
}

impl PoseProblem<'_> {
    /// The minimum that a start leads to; `None` when the points are not all in front of the camera there.
    pub(crate) fn refined(&self, start: RigidTransform, loss: Loss) -> Option<Minimum> {
        let solution = minimise(self, start, &Options { loss, ..Options::default() }).ok()?;
        Some(Minimum { camera_from_object: solution.state, cost: solution.cost })
    }

    /// Reprojection error of each point in pixels; infinite for a point behind the camera.
    pub(crate) fn errors_px(&self, camera_from_object: &RigidTransform) -> Vec<f64> {
        self.observed
            .iter()
            .map(|observed| {
                let px = self.intrinsics.project(&(camera_from_object * observed.point).coords);
                px.map_or(f64::INFINITY, |px| (px - observed.px).norm())
            })
            .collect()
    }
}

/// The minima among results, best first, each once.
pub(crate) fn distinct(mut minima: Vec<Minimum>) -> Vec<Minimum> {
    minima.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    let mut kept: Vec<Minimum> = Vec::new();
    for minimum in minima {
        if !kept.iter().any(|k| same_pose(&k.camera_from_object, &minimum.camera_from_object)) {
            kept.push(minimum);
        }
    }
    kept
}

/// Whether two poses are one up to what a minimisation leaves open.
pub(crate) fn same_pose(a: &RigidTransform, b: &RigidTransform) -> bool {
    let apart = (a.translation.vector - b.translation.vector).norm();
    a.rotation.angle_to(&b.rotation) < 1e-3 && apart < 1e-3 * a.translation.vector.norm().max(1e-3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_scene::{board, lens_model, look_at, noise, observe};

    #[test]
    fn derivatives_match_differences() {
        let intrinsics = lens_model();
        let pose = look_at([0.6, -0.9, -1.5], [0.1, 0.1, 0.0]);
        let observed = observe(&intrinsics, &pose, &board().corners_m(), 1.0, &mut noise(1));
        let problem = PoseProblem { intrinsics: &intrinsics, observed: &observed, sd_px: 0.5 };
        let moved = stepped(&pose, &Vector6::new(0.02, -0.01, 0.03, 0.05, 0.02, -0.04));
        assert!(midline_solver::worst_jacobian_error(&problem, &moved) < 1e-6);
    }
}
