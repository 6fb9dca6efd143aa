//! Least squares over the lens and the poses of the board.

use midline_geometry::{Intrinsics, RigidTransform, skew, stepped};
use midline_solver::LeastSquares;
use nalgebra::{DMatrix, DVector, Matrix2x6, Point3, Vector2, Vector6};

/// The lens and one pose per view.
#[derive(Debug, Clone)]
pub(crate) struct LensState {
    pub(crate) lens: Intrinsics,
    pub(crate) camera_from_board: Vec<RigidTransform>,
}

/// Reprojection of all views. One block per view; columns: free lens parameters, then 6 per pose.
pub(crate) struct LensProblem<'a> {
    pub(crate) board_m: &'a [Point3<f64>],
    pub(crate) views: Vec<&'a [[f64; 2]]>,
    /// ∂(lens parameters)/∂(free parameters).
    pub(crate) free: DMatrix<f64>,
    pub(crate) corner_sd_px: f64,
}

impl LensProblem<'_> {
    pub(crate) fn free_count(&self) -> usize {
        self.free.ncols()
    }
}

impl LeastSquares for LensProblem<'_> {
    type State = LensState;

    fn tangent_dim(&self) -> usize {
        self.free_count() + 6 * self.views.len()
    }

    fn block_count(&self) -> usize {
        self.views.len()
    }

    fn block_rows(&self, block: usize) -> usize {
        2 * self.views[block].len()
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        let pose = self.free_count() + 6 * block;
        (0..self.free_count()).chain(pose..pose + 6).collect()
    }

    fn evaluate(
        &self,
        state: &LensState,
        block: usize,
        residual: &mut DVector<f64>,
        mut jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        if !state.lens.focal_px.iter().all(|&focal| focal > 0.0) {
            return false;
        }
        let pose = &state.camera_from_board[block];
        let weight = 1.0 / self.corner_sd_px;
        for (corner, (point, &px)) in self.board_m.iter().zip(self.views[block]).enumerate() {
            let row = 2 * corner;
            let rotated = pose.rotation * point.coords;
            let in_camera = rotated + pose.translation.vector;
            let Some(jacobian) = jacobian.as_deref_mut() else {
                let Some(projected) = state.lens.project(&in_camera) else { return false };
                write_residual(residual, row, projected, px, weight);
                continue;
            };
            let Some(projected) = state.lens.project_with_jacobians(&in_camera) else { return false };
            write_residual(residual, row, projected.px, px, weight);
            let mut by_pose = Matrix2x6::zeros();
            by_pose.fixed_columns_mut::<3>(0).copy_from(&(projected.by_point * -skew(&rotated)));
            by_pose.fixed_columns_mut::<3>(3).copy_from(&projected.by_point);
            let free = self.free_count();
            jacobian.view_mut((row, 0), (2, free)).copy_from(&(projected.by_parameters * &self.free * weight));
            jacobian.fixed_view_mut::<2, 6>(row, free).copy_from(&(by_pose * weight));
        }
        true
    }

    fn step(&self, state: &LensState, delta: &DVector<f64>) -> LensState {
        let free = self.free_count();
        let parameters = state.lens.parameters() + &self.free * delta.rows(0, free);
        LensState {
            lens: state.lens.with_parameters(parameters.as_slice()),
            camera_from_board: state
                .camera_from_board
                .iter()
                .enumerate()
                .map(|(view, pose)| stepped(pose, &Vector6::from(delta.fixed_rows::<6>(free + 6 * view))))
                .collect(),
        }
    }
}

fn write_residual(residual: &mut DVector<f64>, row: usize, projected: Vector2<f64>, px: [f64; 2], weight: f64) {
    residual[row] = (projected.x - px[0]) * weight;
    residual[row + 1] = (projected.y - px[1]) * weight;
}

/// Reprojection of one view with the lens held fixed.
pub(crate) struct PoseProblem<'a> {
    pub(crate) lens: &'a Intrinsics,
    pub(crate) board_m: &'a [Point3<f64>],
    pub(crate) corners_px: &'a [[f64; 2]],
    pub(crate) corner_sd_px: f64,
}

impl LeastSquares for PoseProblem<'_> {
    type State = RigidTransform;

    fn tangent_dim(&self) -> usize {
        6
    }

    fn block_count(&self) -> usize {
        1
    }

    fn block_rows(&self, _: usize) -> usize {
        2 * self.corners_px.len()
    }

    fn block_columns(&self, _: usize) -> Vec<usize> {
        (0..6).collect()
    }

    fn evaluate(
        &self,
        pose: &RigidTransform,
        _: usize,
        residual: &mut DVector<f64>,
        mut jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let weight = 1.0 / self.corner_sd_px;
        for (corner, (point, &px)) in self.board_m.iter().zip(self.corners_px).enumerate() {
            let rotated = pose.rotation * point.coords;
            let in_camera = rotated + pose.translation.vector;
            let Some((projected, by_point)) = self.lens.project_with_point_jacobian(&in_camera) else { return false };
            write_residual(residual, 2 * corner, projected, px, weight);
            if let Some(jacobian) = jacobian.as_deref_mut() {
                let by_rotation = by_point * -skew(&rotated) * weight;
                jacobian.fixed_view_mut::<2, 3>(2 * corner, 0).copy_from(&by_rotation);
                jacobian.fixed_view_mut::<2, 3>(2 * corner, 3).copy_from(&(by_point * weight));
            }
        }
        true
    }

    fn step(&self, pose: &RigidTransform, delta: &DVector<f64>) -> RigidTransform {
        stepped(pose, &Vector6::from(delta.fixed_rows::<6>(0)))
    }
}
