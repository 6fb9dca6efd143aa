//! How well poses will be known from court points and a shared board, and how a lens error reaches them.
//!
//! The lens is held fixed while poses are solved, as the rig does. With the normal matrix `N` of all observations by poses
//! and boards (`p`) and by the lenses (`l`), the poses' covariance is the camera part of `N_pp⁻¹`, and a lens error `δl`
//! moves them by `-N_pp⁻¹ N_pl δl`: they take up part of it.

use midline_geometry::{Camera, RigidTransform, rotation_from_vector, skew};
use midline_session::board::Board;
use midline_session::court::Court;
use nalgebra::{DMatrix, DVector, Matrix2xX, Matrix3, Matrix3x6, Point3, Translation3, Vector3};

use super::coverage::sees;
use super::file::{Plan, SharedBoardPlan};

/// Lens parameters of a pinhole: focal lengths and principal point.
pub(crate) const LENS_PARAMETERS: usize = 4;

/// What is known of a pose without any observation, so that a phone that sees nothing gets a large covariance and not none.
const VAGUE_RADIANS: f64 = 1.0;
const VAGUE_METRES: f64 = 10.0;

/// A board that is seen more obliquely than this is not found.
const LEAST_FACING: f64 = 0.4;

/// Tilt of the board from facing the phones, radians; turned in four directions from place to place.
const TILT_RADIANS: f64 = 0.6;

/// What poses and lenses will be worth.
pub(crate) struct ExpectedCalibration {
    /// 6 n × 6 n, rad and m, pose steps as in [`midline_geometry::stepped`].
    pub(crate) poses: DMatrix<f64>,
    /// Steps of the poses by lens parameters, 6 n × 4 n.
    pub(crate) poses_by_lenses: DMatrix<f64>,
    /// Variance of the lens parameters, 4 n.
    pub(crate) lenses: DVector<f64>,
}

/// The board in its places: in the zone, low-discrepancy (Halton), each facing a pair of neighbouring phones, tilted.
pub(crate) fn board_places(plan: &Plan, board: &SharedBoardPlan, cameras: &[Camera]) -> Vec<RigidTransform> {
    let corners = planned_board(board).corners_m();
    let middle = (corners[0].coords + corners[corners.len() - 1].coords) / 2.0;
    let within = |range: [f64; 2], share: f64| range[0] + (range[1] - range[0]) * share;
    (0..board.places)
        .map(|index| {
            let centre = Point3::new(
                within(plan.zone.x_m, halton(index + 1, 2)),
                within(plan.zone.y_m, halton(index + 1, 3)),
                within(plan.zone.z_m, 0.2 + 0.5 * halton(index + 1, 5)),
            );
            let pair = [index % cameras.len(), (index + 1) % cameras.len()];
            let toward: Vector3<f64> =
                pair.iter().map(|&camera| (cameras[camera].centre_world() - centre).normalize()).sum();
            // The board's z axis points away from who looks at it, its y axis down.
            let facing = RigidTransform::face_towards(&centre, &(centre - toward), &-Vector3::z());
            let turn = [Vector3::x(), Vector3::y(), -Vector3::x(), -Vector3::y()][index % 4] * TILT_RADIANS;
            let rotation = facing.rotation * rotation_from_vector(turn);
            RigidTransform::from_parts(Translation3::from(centre.coords - rotation * middle), rotation)
        })
        .collect()
}

pub(crate) fn planned_board(board: &SharedBoardPlan) -> Board {
    Board { name: "planned".to_owned(), inner_corners: board.inner_corners, square_m: board.square_m, markers: None }
}

/// Whether a camera will find the board in this place.
pub(crate) fn finds_board(camera: &Camera, world_from_board: &RigidTransform, corners_m: &[Point3<f64>]) -> bool {
    let middle = world_from_board * Point3::from((corners_m[0].coords + corners_m[corners_m.len() - 1].coords) / 2.0);
    let sight = (middle - camera.centre_world()).normalize();
    (world_from_board.rotation * Vector3::z()).dot(&sight) > LEAST_FACING
        && corners_m.iter().all(|corner| sees(camera, &(world_from_board * corner)))
}

fn halton(index: usize, base: usize) -> f64 {
    let (mut rest, mut share, mut sum) = (index, 1.0, 0.0);
    while rest > 0 {
        share /= base as f64;
        sum += share * (rest % base) as f64;
        rest /= base;
    }
    sum
}

/// Accumulates the normal matrix over poses, boards and lenses, in this order.
struct Normal {
    matrix: DMatrix<f64>,
    cameras: usize,
    boards: usize,
}

impl Normal {
    fn lens_start(&self) -> usize {
        6 * (self.cameras + self.boards)
    }

    /// Adds an observation of a point with the given weight (1/px²).
    fn add(
        &mut self,
        camera: usize,
        board: Option<(usize, &Matrix3x6<f64>)>,
        seen: &Camera,
        at: &Point3<f64>,
        weight: f64,
    ) {
        let Some(by) = seen.project_with_jacobians(at) else { return };
        let mut parts: Vec<(usize, Matrix2xX<f64>)> = vec![
            (6 * camera, Matrix2xX::from_column_slice(by.by_pose.as_slice())),
            (self.lens_start() + LENS_PARAMETERS * camera, by.by_intrinsics),
        ];
        if let Some((board, point_by_board)) = board {
            let by_board = by.by_point * point_by_board;
            parts.push((6 * (self.cameras + board), Matrix2xX::from_column_slice(by_board.as_slice())));
        }
        for (row, a) in &parts {
            for (column, b) in &parts {
                let mut block = self.matrix.view_mut((*row, *column), (a.ncols(), b.ncols()));
                block.gemm(weight, &a.transpose(), b, 1.0);
            }
        }
    }
}

/// What poses and lenses will be worth with the phones in these places.
pub(crate) fn expected(plan: &Plan, court: &Court, cameras: &[Camera]) -> ExpectedCalibration {
    let shared = plan.shared_board.as_ref();
    let places = shared.map(|board| board_places(plan, board, cameras)).unwrap_or_default();
    let corners = shared.map(|board| planned_board(board).corners_m()).unwrap_or_default();
    let size = 6 * (cameras.len() + places.len()) + LENS_PARAMETERS * cameras.len();
    let mut normal = Normal { matrix: DMatrix::zeros(size, size), cameras: cameras.len(), boards: places.len() };

    for (index, camera) in cameras.iter().enumerate() {
        let seen: Vec<Point3<f64>> =
            court.points_m.values().map(|p| Point3::from(*p)).filter(|p| sees(camera, p)).collect();
        // Where more are in view than will be marked, all of them share the weight of those.
        let marked = (plan.accuracy.court_points as f64 / seen.len().max(1) as f64).min(1.0);
        for point in &seen {
            normal.add(index, None, camera, point, marked / plan.accuracy.court_click_px.powi(2));
        }
    }
    for (board, world_from_board) in places.iter().enumerate() {
        let finders: Vec<usize> =
            (0..cameras.len()).filter(|&c| finds_board(&cameras[c], world_from_board, &corners)).collect();
        let (Some(shared), true) = (shared, finders.len() >= 2) else { continue };
        for corner in &corners {
            let rotated = world_from_board.rotation * corner.coords;
            let mut by_board = Matrix3x6::zeros();
            by_board.fixed_columns_mut::<3>(0).copy_from(&-skew(&rotated));
            by_board.fixed_columns_mut::<3>(3).copy_from(&Matrix3::identity());
            let at = world_from_board * corner;
            for &camera in &finders {
                let weight = shared.corner_px.powi(-2);
                normal.add(camera, Some((board, &by_board)), &cameras[camera], &at, weight);
            }
        }
    }
    let free = normal.lens_start();
    for pose in 0..cameras.len() + places.len() {
        for axis in 0..6 {
            let vague = if axis < 3 { VAGUE_RADIANS } else { VAGUE_METRES };
            normal.matrix[(6 * pose + axis, 6 * pose + axis)] += vague.powi(-2);
        }
    }
    let of_poses = normal.matrix.view((0, 0), (free, free)).into_owned();
    let with_lenses = normal.matrix.view((0, free), (free, size - free)).into_owned();
    let poses = 6 * cameras.len();
    // The vague prior makes the matrix positive definite.
    let inverse = of_poses.cholesky().map_or_else(|| DMatrix::zeros(free, free), |factor| factor.inverse());
    let lenses = DVector::from_iterator(
        size - free,
        cameras.iter().flat_map(|camera| {
            let focal = plan.accuracy.focal_share * camera.intrinsics.focal_px[0];
            [focal, focal, plan.accuracy.centre_px, plan.accuracy.centre_px].map(|sd| sd * sd)
        }),
    );
    ExpectedCalibration {
        poses: inverse.view((0, 0), (poses, poses)).into_owned(),
        poses_by_lenses: -(inverse.rows(0, poses) * with_lenses),
        lenses,
    }
}
