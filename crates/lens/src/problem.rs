//! Least squares over the lens and the poses of the board.

use midline_geometry::{Intrinsics, RigidTransform, skew, stepped};
use midline_session::board::{Board, BoardView};
use midline_solver::{LeastSquares, Structure};
use nalgebra::{DMatrix, DVector, Matrix2x3, Matrix2x6, Point3, Vector2, Vector3, Vector6};

use crate::settings::FreeParameters;

/// The lens, the board's bend and one pose per view.
#[derive(Debug, Clone)]
pub(crate) struct LensState {
    pub(crate) lens: Intrinsics,
    /// Heights `a b c` of [`BoardShape`], metres; 0 for a flat board.
    pub(crate) bend_m: Vector3<f64>,
    /// From [`LensProblem::change_from`] on: logarithm of the factor of the focal lengths, and shift of the principal point.
    pub(crate) change: Vector3<f64>,
    pub(crate) camera_from_board: Vec<RigidTransform>,
}

/// Where the board's points are, flat and bent.
#[derive(Debug, Clone)]
pub(crate) struct BoardShape {
    middle: [f64; 2],
    half: [f64; 2],
}

impl BoardShape {
    pub(crate) fn new(board: &Board) -> Self {
        let half = board.inner_corners.map(|count| 0.5 * (count.max(2) - 1) as f64 * board.square_m);
        Self { middle: half, half }
    }

    /// `∂height/∂(a b c)`: u², u v and v², which no pose of a flat board can imitate.
    fn by_bend(&self, point: &Point3<f64>) -> Vector3<f64> {
        let (u, v) = ((point.x - self.middle[0]) / self.half[0], (point.y - self.middle[1]) / self.half[1]);
        Vector3::new(u * u, u * v, v * v)
    }
}

/// The corners of one view.
#[derive(Debug, Clone)]
pub(crate) struct ViewCorners<'a> {
    /// In the board frame, flat.
    pub(crate) board_m: Vec<Point3<f64>>,
    pub(crate) corners_px: &'a [[f64; 2]],
    /// Standard deviation of a coordinate of a corner.
    pub(crate) sd_px: f64,
}

impl<'a> ViewCorners<'a> {
    /// The view's corners with their places on the board, whose corners are given.
    pub(crate) fn new(view: &'a BoardView, board_m: &[Point3<f64>], sd_px: f64) -> Self {
        let board_m = view.corner_indices().filter_map(|index| board_m.get(index).copied()).collect();
        Self { board_m, corners_px: &view.corners_px, sd_px }
    }
}

/// Reprojection of all views. One block per view; columns: free lens parameters, bend and change where they are estimated,
/// then 6 per pose.
#[derive(Clone)]
pub(crate) struct LensProblem<'a> {
    pub(crate) shape: BoardShape,
    pub(crate) views: Vec<&'a ViewCorners<'a>>,
    pub(crate) free: FreeParameters,
    pub(crate) bend_free: bool,
    /// First view, in their order, from which on zoom and principal point may differ.
    pub(crate) change_from: Option<usize>,
}

impl LensProblem<'_> {
    /// Columns before the poses.
    pub(crate) fn shared(&self) -> usize {
        self.free.count() + 3 * usize::from(self.bend_free) + 3 * usize::from(self.change_from.is_some())
    }

    fn changed(&self, view: usize) -> bool {
        self.change_from.is_some_and(|first| view >= first)
    }

    fn lens_of(&self, state: &LensState, view: usize) -> Intrinsics {
        let mut lens = state.lens;
        if self.changed(view) {
            let factor = state.change.x.exp();
            lens.focal_px = lens.focal_px.map(|focal| focal * factor);
            lens.centre_px = [lens.centre_px[0] + state.change.y, lens.centre_px[1] + state.change.z];
        }
        lens
    }

    /// Residuals of a view at a state, projected less seen, px; `None` when a corner is not in front of the camera.
    pub(crate) fn residuals_px(&self, state: &LensState, view: usize) -> Option<Vec<Vector2<f64>>> {
        let (lens, pose) = (self.lens_of(state, view), &state.camera_from_board[view]);
        let corners = self.views[view];
        corners
            .board_m
            .iter()
            .zip(corners.corners_px)
            .map(|(point, &px)| {
                let bent = point + Vector3::z() * self.shape.by_bend(point).dot(&state.bend_m);
                Some(lens.project(&(pose * bent).coords)? - Vector2::from(px))
            })
            .collect()
    }
}

impl LeastSquares for LensProblem<'_> {
    type State = LensState;

    fn tangent_dim(&self) -> usize {
        self.shared() + 6 * self.views.len()
    }

    fn block_count(&self) -> usize {
        self.views.len()
    }

    fn block_rows(&self, block: usize) -> usize {
        2 * self.views[block].corners_px.len()
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        let pose = self.shared() + 6 * block;
        (0..self.shared()).chain(pose..pose + 6).collect()
    }

    fn structure(&self) -> Structure {
        Structure::Arrow { shared: self.shared(), groups: vec![6; self.views.len()] }
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
        let (lens, pose) = (self.lens_of(state, block), &state.camera_from_board[block]);
        let view = self.views[block];
        let (rotation, weight) = (pose.rotation.to_rotation_matrix(), 1.0 / view.sd_px);
        let growth = if self.changed(block) { state.change.x.exp() } else { 1.0 };
        for (corner, (point, &px)) in view.board_m.iter().zip(view.corners_px).enumerate() {
            let row = 2 * corner;
            let by_bend = self.shape.by_bend(point);
            let rotated = rotation * (point.coords + Vector3::z() * by_bend.dot(&state.bend_m));
            let in_camera = rotated + pose.translation.vector;
            let Some(jacobian) = jacobian.as_deref_mut() else {
                let Some(projected) = lens.project(&in_camera) else { return false };
                write_residual(residual, row, projected, px, weight);
                continue;
            };
            let Some((projected, by_point, by_parameters)) = lens.project_with_all_jacobians(&in_camera) else {
                return false;
            };
            write_residual(residual, row, projected, px, weight);
            let mut column = 0;
            for entries in self.free.columns() {
                let mut by_free = Vector2::zeros();
                for &(parameter, factor) in entries {
                    // The focal lengths of the state, not those of the view.
                    let factor = if parameter < 2 { factor * growth } else { factor };
                    by_free += by_parameters.column(parameter) * factor;
                }
                jacobian.fixed_view_mut::<2, 1>(row, column).copy_from(&(by_free * weight));
                column += 1;
            }
            if self.bend_free {
                let by_height: Vector2<f64> = by_point * rotation.matrix().column(2);
                jacobian.fixed_view_mut::<2, 3>(row, column).copy_from(&(by_height * by_bend.transpose() * weight));
                column += 3;
            }
            if self.change_from.is_some() {
                if self.changed(block) {
                    let by_growth =
                        by_parameters.column(0) * lens.focal_px[0] + by_parameters.column(1) * lens.focal_px[1];
                    let by_change = Matrix2x3::from_columns(&[by_growth, Vector2::x(), Vector2::y()]);
                    jacobian.fixed_view_mut::<2, 3>(row, column).copy_from(&(by_change * weight));
                }
                column += 3;
            }
            let mut by_pose = Matrix2x6::zeros();
            by_pose.fixed_columns_mut::<3>(0).copy_from(&(by_point * -skew(&rotated)));
            by_pose.fixed_columns_mut::<3>(3).copy_from(&by_point);
            jacobian.fixed_view_mut::<2, 6>(row, column).copy_from(&(by_pose * weight));
        }
        true
    }

    fn step(&self, state: &LensState, delta: &DVector<f64>) -> LensState {
        let free = self.free.count();
        let parameters = state.lens.parameters() + self.free.matrix() * delta.rows(0, free);
        let mut stepped_state = LensState {
            lens: state.lens.with_parameters(parameters.as_slice()),
            bend_m: state.bend_m,
            change: state.change,
            camera_from_board: Vec::with_capacity(state.camera_from_board.len()),
        };
        let mut column = free;
        if self.bend_free {
            stepped_state.bend_m += delta.fixed_rows::<3>(column);
            column += 3;
        }
        if self.change_from.is_some() {
            stepped_state.change += delta.fixed_rows::<3>(column);
            column += 3;
        }
        stepped_state.camera_from_board.extend(
            state
                .camera_from_board
                .iter()
                .enumerate()
                .map(|(view, pose)| stepped(pose, &Vector6::from(delta.fixed_rows::<6>(column + 6 * view)))),
        );
        stepped_state
    }
}

fn write_residual(residual: &mut DVector<f64>, row: usize, projected: Vector2<f64>, px: [f64; 2], weight: f64) {
    residual[row] = (projected.x - px[0]) * weight;
    residual[row + 1] = (projected.y - px[1]) * weight;
}

/// Reprojection of one view with the lens and the board's bend held fixed.
pub(crate) struct PoseProblem<'a> {
    pub(crate) problem: &'a LensProblem<'a>,
    /// The view, by its number in the problem.
    pub(crate) view: usize,
    pub(crate) state: &'a LensState,
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
        self.problem.block_rows(self.view)
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
        let view = self.problem.views[self.view];
        let weight = 1.0 / view.sd_px;
        for (corner, (point, &px)) in view.board_m.iter().zip(view.corners_px).enumerate() {
            let height = self.problem.shape.by_bend(point).dot(&self.state.bend_m);
            let rotated = pose.rotation * (point.coords + Vector3::z() * height);
            let in_camera = rotated + pose.translation.vector;
            let Some((projected, by_point)) = self.state.lens.project_with_point_jacobian(&in_camera) else {
                return false;
            };
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
