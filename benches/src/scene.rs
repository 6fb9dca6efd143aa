//! A known phone camera, a board in front of it, and points seen by two such cameras.

use midline_geometry::{Camera, Intrinsics, LensModel, ReadOut, RigidTransform, rotation_from_vector};
use midline_session::board::{Board, BoardView};
use nalgebra::{Matrix3, Point3, Rotation3, Translation3, Vector2, Vector3};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

/// Picture size, px.
pub const SIZE_PX: [u32; 2] = [1920, 1080];

/// Standard deviation of a simulated corner or point, px per coordinate.
pub const NOISE_PX: f64 = 0.2;

/// A phone's main camera: Brown-Conrady with mild barrel distortion.
pub const PHONE: Intrinsics = Intrinsics {
    focal_px: [1500.0, 1496.0],
    centre_px: [966.0, 534.0],
    model: LensModel::BrownConrady([0.11, -0.24, 0.0006, -0.0004, 0.08]),
    size_px: SIZE_PX,
};

/// A checkerboard with 9 × 6 inner corners.
#[must_use]
pub fn board() -> Board {
    Board { name: "bench".into(), inner_corners: [9, 6], square_m: 0.03, markers: None }
}

/// `count` views of the [`board`] by the [`PHONE`], tilted up to 40°, all corners in the picture.
#[must_use]
pub fn board_views(count: usize, seed: u64) -> Vec<BoardView> {
    let mut random = StdRng::seed_from_u64(seed);
    let corners = board().corners_m();
    let centre = corners.iter().fold(Vector3::zeros(), |sum, c| sum + c.coords) / corners.len() as f64;
    let mut views = Vec::with_capacity(count);
    while views.len() < count {
        let tilt = Vector3::from([0.7, 0.7, 0.3].map(|most: f64| random.random_range(-most..most)));
        let place = Vector3::new(
            random.random_range(-0.3..0.3),
            random.random_range(-0.15..0.15),
            random.random_range(0.35..0.9),
        );
        let rotation = rotation_from_vector(tilt);
        let noise: Vec<Vector2<f64>> =
            corners.iter().map(|_| Vector2::from_fn(|_, _| NOISE_PX * normal(&mut random))).collect();
        let corners_px: Option<Vec<[f64; 2]>> = corners
            .iter()
            .zip(noise)
            .map(|(corner, noise)| {
                let px = PHONE.project(&(rotation * (corner.coords - centre) + place))? + noise;
                in_picture(px).then_some(px.into())
            })
            .collect();
        if let Some(corners_px) = corners_px {
            let frame_index = 10 * views.len();
            views.push(BoardView {
                frame_index,
                pts_seconds: frame_index as f64 / 30.0,
                corners_px,
                edge_width_px: None,
                corner_ids: None,
            });
        }
    }
    views
}

fn normal(random: &mut StdRng) -> f64 {
    StandardNormal.sample(random)
}

fn in_picture(px: Vector2<f64>) -> bool {
    (0..2).all(|axis| (0.0..=f64::from(SIZE_PX[axis]) - 1.0).contains(&px[axis]))
}

/// Two cameras on tripods behind and beside a player at the origin, 6 m away, 70° apart.
#[must_use]
pub fn two_cameras(intrinsics: Intrinsics) -> [Camera; 2] {
    [-35.0f64, 35.0].map(|degrees| {
        let (sin, cos) = degrees.to_radians().sin_cos();
        let centre = Vector3::new(6.0 * sin, -6.0 * cos, 1.5);
        let forward = (Vector3::new(0.0, 0.0, 1.1) - centre).normalize();
        let right = forward.cross(&Vector3::z()).normalize();
        let rows = [right.transpose(), forward.cross(&right).transpose(), forward.transpose()];
        let rotation = Rotation3::from_matrix_unchecked(Matrix3::from_rows(&rows));
        let camera_from_world = RigidTransform::from_parts(Translation3::from(-(rotation * centre)), rotation.into());
        Camera { intrinsics, camera_from_world, read_out: ReadOut::default() }
    })
}

/// Points around the player and where both cameras see them.
pub struct SeenPoints {
    /// Where they are, m.
    pub truth: Vec<Point3<f64>>,
    /// Where each camera sees them, px.
    pub px: [Vec<[f64; 2]>; 2],
}

/// `count` points within a metre of the player, seen by both cameras.
#[must_use]
pub fn seen_points(cameras: &[Camera; 2], count: usize, seed: u64) -> SeenPoints {
    let mut random = StdRng::seed_from_u64(seed);
    let mut seen = SeenPoints { truth: Vec::with_capacity(count), px: [Vec::new(), Vec::new()] };
    while seen.truth.len() < count {
        let point =
            Point3::new(random.random_range(-1.0..1.0), random.random_range(-1.0..1.0), random.random_range(0.0..2.2));
        let mut pixel = |camera: &Camera| {
            let noise = Vector2::from_fn(|_, _| NOISE_PX * normal(&mut random));
            camera.project(&point).map(|px| px + noise).filter(|px| in_picture(*px))
        };
        if let [Some(first), Some(second)] = [pixel(&cameras[0]), pixel(&cameras[1])] {
            seen.truth.push(point);
            seen.px[0].push(first.into());
            seen.px[1].push(second.into());
        }
    }
    seen
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scenes_are_seen_whole_and_alike_in_every_run() {
        let views = board_views(80, 1);
        assert!(views.len() == 80 && views.iter().all(|v| v.corners_px.len() == 54));
        assert_eq!(views, board_views(80, 1));
        let cameras = two_cameras(PHONE);
        let seen = seen_points(&cameras, 200, 2);
        for (camera, px) in cameras.iter().zip(&seen.px) {
            let off =
                |(point, px): (&Point3<f64>, &[f64; 2])| (camera.project(point).unwrap() - Vector2::from(*px)).norm();
            assert!(seen.truth.iter().zip(px).map(off).all(|d| d < 6.0 * NOISE_PX));
        }
    }
}
