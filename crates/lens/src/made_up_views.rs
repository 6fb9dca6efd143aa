//! Board views with known truth, for tests.

use midline_geometry::{Intrinsics, LensModel, RigidTransform};
use midline_session::board::{Board, BoardView};
use nalgebra::{Translation3, UnitQuaternion, Vector3};
use rand::{SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, Normal};

pub(crate) const SIZE: [u32; 2] = [1280, 720];

pub(crate) fn board() -> Board {
    Board { name: "test".to_owned(), inner_corners: [7, 4], square_m: 0.04, markers: None }
}

pub(crate) fn lens(model: LensModel) -> Intrinsics {
    Intrinsics { focal_px: [1010.0, 1003.0], centre_px: [646.0, 352.0], model, size_px: SIZE }
}

pub(crate) const PHONE: LensModel = LensModel::BrownConrady([0.12, -0.25, 0.0012, -0.0008, 0.09]);

/// A pose with the board's middle at `middle` (shares of the picture, 0 to 1, at the depth in metres) and tilted.
pub(crate) fn pose(lens: &Intrinsics, middle: [f64; 2], depth: f64, tilt: [f64; 3]) -> RigidTransform {
    let board = board();
    let half = Vector3::new(
        0.5 * (board.inner_corners[0] - 1) as f64 * board.square_m,
        0.5 * (board.inner_corners[1] - 1) as f64 * board.square_m,
        0.0,
    );
    let rotation = UnitQuaternion::from_scaled_axis(Vector3::from(tilt));
    let ray = Vector3::new(
        (middle[0] * f64::from(SIZE[0]) - lens.centre_px[0]) / lens.focal_px[0],
        (middle[1] * f64::from(SIZE[1]) - lens.centre_px[1]) / lens.focal_px[1],
        1.0,
    );
    RigidTransform::from_parts(Translation3::from(ray * depth - rotation * half), rotation)
}

/// Poses all over the picture with tilts to all sides.
pub(crate) fn spread_poses(lens: &Intrinsics, count: usize) -> Vec<RigidTransform> {
    (0..count)
        .map(|i| {
            let t = i as f64;
            // Low-discrepancy steps (multiples of irrational numbers) spread any number of poses evenly.
            let step = |ratio: f64| (t * ratio + 0.5).fract();
            let middle = [0.22 + 0.56 * step(0.754_877_666), 0.24 + 0.52 * step(0.569_840_291)];
            let tilt =
                [1.1 * step(0.618_033_989) - 0.55, 1.1 * step(0.414_213_562) - 0.55, 0.8 * step(0.732_050_808) - 0.4];
            pose(lens, middle, 0.6 + 0.35 * step(0.236_067_977), tilt)
        })
        .collect()
}

/// The views of a lens; panics when a corner leaves the picture.
pub(crate) fn views(lens: &Intrinsics, poses: &[RigidTransform], noise_px: f64, seed: u64) -> Vec<BoardView> {
    let mut random = StdRng::seed_from_u64(seed);
    let noise = Normal::new(0.0, noise_px).unwrap();
    poses
        .iter()
        .enumerate()
        .map(|(index, pose)| BoardView {
            frame_index: 10 * index,
            pts_seconds: index as f64,
            corners_px: board()
                .corners_m()
                .iter()
                .map(|corner| {
                    let px = lens.project(&(pose * corner).coords).unwrap();
                    [px.x + noise.sample(&mut random), px.y + noise.sample(&mut random)]
                })
                .collect(),
            edge_width_px: Some(2.0),
            corner_ids: None,
        })
        .collect()
}
