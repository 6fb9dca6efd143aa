//! Made-up rigs with known truth.

use midline_geometry::{Intrinsics, LensModel, RigidTransform, rotation_from_vector};
use midline_session::board::{Board, BoardView};
use midline_session::calibration::LensCalibration;
use midline_session::court::Court;
use nalgebra::{Point3, Translation3, Vector2, Vector3};
use rand::{SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal, Uniform};

use crate::input::Observed;
use crate::{CourtMarks, SharedSighting};

pub(crate) fn lens_model() -> Intrinsics {
    Intrinsics {
        focal_px: [1500.0, 1495.0],
        centre_px: [955.0, 545.0],
        model: LensModel::BrownConrady([-0.09, 0.02, 0.0006, -0.0004, 0.0]),
        size_px: [1920, 1080],
    }
}

pub(crate) fn lens(camera: &str) -> LensCalibration {
    LensCalibration { covariance: vec![vec![0.0; 9]; 9], rms_px: 0.2, ..LensCalibration::exact(camera, lens_model()) }
}

pub(crate) fn board() -> Board {
    Board { name: "plate".to_owned(), inner_corners: [5, 4], square_m: 0.15, markers: None }
}

/// `camera_from_world` of a camera at `eye` that looks at `target`, horizon level in a world with z up.
pub(crate) fn look_at(eye: [f64; 3], target: [f64; 3]) -> RigidTransform {
    RigidTransform::look_at_lh(&Point3::from(eye), &Point3::from(target), &-Vector3::z())
}

pub(crate) fn noise(seed: u64) -> impl FnMut() -> f64 {
    let mut random = StdRng::seed_from_u64(seed);
    move || StandardNormal.sample(&mut random)
}

pub(crate) fn observe(
    intrinsics: &Intrinsics,
    camera_from_object: &RigidTransform,
    points: &[Point3<f64>],
    sd_px: f64,
    noise: &mut impl FnMut() -> f64,
) -> Vec<Observed> {
    points
        .iter()
        .map(|point| {
            let px = intrinsics.project(&(camera_from_object * point).coords).unwrap();
            Observed { point: *point, px: px + Vector2::new(noise(), noise()) * sd_px }
        })
        .collect()
}

pub(crate) fn within(intrinsics: &Intrinsics, camera_from_object: &RigidTransform, point: &Point3<f64>) -> bool {
    let [width, height] = intrinsics.size_px.map(f64::from);
    intrinsics
        .project(&(camera_from_object * point).coords)
        .is_some_and(|px| (5.0..width - 5.0).contains(&px.x) && (5.0..height - 5.0).contains(&px.y))
}

/// Cameras on a court with a board that is shown to them.
pub(crate) struct Scene {
    pub(crate) cameras: Vec<RigidTransform>,
    /// `world_from_board`.
    pub(crate) boards: Vec<RigidTransform>,
    random: StdRng,
}

impl Scene {
    /// `count` cameras at random places around the hitting zone, the board `boards` times in front of them.
    pub(crate) fn random(seed: u64, count: usize, boards: usize) -> Self {
        let mut scene = Self { cameras: Vec::new(), boards: Vec::new(), random: StdRng::seed_from_u64(seed) };
        let middle = [0.0, 1.0, 1.0];
        let turn = scene.between(-0.5, 0.5);
        for camera in 0..count {
            // Neighbours 50 to 100 degrees apart, so that some board can face each pair.
            let angle = -2.2 + turn + camera as f64 * scene.between(0.9, 1.7);
            let distance = scene.between(5.0, 8.0);
            let eye = [middle[0] + distance * angle.cos(), middle[1] + distance * angle.sin(), scene.between(1.0, 2.6)];
            let target = [scene.between(-0.3, 0.3), 1.0 + scene.between(-0.3, 0.3), scene.between(0.6, 1.2)];
            scene.cameras.push(look_at(eye, target));
        }
        while scene.boards.len() < boards {
            let pair = scene.boards.len() % count.saturating_sub(1).max(1);
            let pose = scene.board_before([pair, (pair + 1) % count]);
            scene.boards.push(pose);
        }
        scene
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        Uniform::new(low, high).unwrap().sample(&mut self.random)
    }

    /// A board in sight of two cameras, facing between them and turned at random.
    fn board_before(&mut self, pair: [usize; 2]) -> RigidTransform {
        loop {
            let centre = Vector3::new(self.between(-0.8, 0.8), 1.0 + self.between(-0.8, 0.8), self.between(0.5, 1.6));
            let eyes = pair.map(|camera| self.cameras[camera].inverse_transform_point(&Point3::origin()).coords);
            let away = -((eyes[0] - centre).normalize() + (eyes[1] - centre).normalize());
            // The board's z axis points away from who looks at it, its y axis down.
            let facing =
                RigidTransform::face_towards(&Point3::from(centre), &Point3::from(centre + away), &-Vector3::z());
            let tilt = Vector3::new(self.between(-0.6, 0.6), self.between(-0.6, 0.6), self.between(-0.8, 0.8));
            let corners = board().corners_m();
            let middle = (corners[0].coords + corners[corners.len() - 1].coords) / 2.0;
            let rotation = facing.rotation * rotation_from_vector(tilt);
            let pose = RigidTransform::from_parts(Translation3::from(centre - rotation * middle), rotation);
            let normal = rotation * Vector3::z();
            let seen = pair.iter().zip(eyes).all(|(&camera, eye)| {
                let sight = (centre - eye).normalize();
                sight.dot(&normal) > 0.35
                    && corners.iter().all(|c| within(&lens_model(), &(self.cameras[camera] * pose), c))
            });
            if seen {
                return pose;
            }
        }
    }

    /// The same cameras and boards with other noise.
    pub(crate) fn clone_with_seed(&self, seed: u64) -> Self {
        Self { cameras: self.cameras.clone(), boards: self.boards.clone(), random: StdRng::seed_from_u64(seed) }
    }

    pub(crate) fn lenses(&self) -> Vec<LensCalibration> {
        ["fence", "corner", "net", "roof"][..self.cameras.len()].iter().map(|name| lens(name)).collect()
    }

    /// What every camera sees of the boards that show it their front.
    pub(crate) fn sightings(&mut self, sd_px: f64) -> Vec<SharedSighting> {
        let corners = board().corners_m();
        let boards = self.boards.clone();
        boards
            .iter()
            .map(|world_from_board| {
                let cameras = self.cameras.clone();
                let views = cameras
                    .iter()
                    .map(|camera_from_world| {
                        let camera_from_board = camera_from_world * world_from_board;
                        let middle = (camera_from_board * Point3::new(0.3, 0.15, 0.0)).coords;
                        let front = (camera_from_board.rotation * Vector3::z()).dot(&middle.normalize()) > 0.3;
                        let whole = corners.iter().all(|c| within(&lens_model(), &camera_from_board, c));
                        (front && whole).then(|| {
                            let mut noise = || StandardNormal.sample(&mut self.random);
                            let observed = observe(&lens_model(), &camera_from_board, &corners, sd_px, &mut noise);
                            BoardView {
                                frame_index: 0,
                                pts_seconds: 0.0,
                                corners_px: observed.iter().map(|o| [o.px.x, o.px.y]).collect(),
                                edge_width_px: None,
                                corner_ids: None,
                            }
                        })
                    })
                    .collect();
                SharedSighting::at_rest(views)
            })
            .collect()
    }

    /// The court points in each picture.
    pub(crate) fn court_points(&mut self, court: &Court, sd_px: f64) -> Vec<CourtMarks> {
        let cameras = self.cameras.clone();
        cameras
            .iter()
            .map(|camera_from_world| {
                let visible = court
                    .points_m
                    .iter()
                    .filter(|(_, point)| within(&lens_model(), camera_from_world, &Point3::from(**point)));
                let mut noise = || StandardNormal.sample(&mut self.random);
                visible
                    .map(|(name, point)| {
                        let point = [Point3::from(*point)];
                        let seen = observe(&lens_model(), camera_from_world, &point, sd_px, &mut noise)[0];
                        (name.clone(), [seen.px.x, seen.px.y])
                    })
                    .collect()
            })
            .collect()
    }
}
