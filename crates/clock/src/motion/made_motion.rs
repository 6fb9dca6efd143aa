//! Made-up motion for tests: a player whose racket swings, filmed by phones with rolling shutter.

use midline_geometry::{Camera, Intrinsics, LensModel, ReadOut, RigidTransform};
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints};
use nalgebra::{DMatrix, DVector, Point3, Vector2, Vector3};
use rand::RngExt;
use rand::rngs::StdRng;
use rand_distr::{Distribution, StandardNormal};

use super::calibration::{Calibration, CalibrationErrors};

/// A camera 1.2 m above the ground at (x, y), looking at a point 1 m above the origin.
pub(crate) fn camera(x: f64, y: f64, size_px: [u32; 2], read_out: ReadOut) -> Camera {
    let eye = Point3::new(x, y, 1.2);
    let camera_from_world = RigidTransform::look_at_rh(&eye, &Point3::new(0.0, 0.0, 1.0), &Vector3::z());
    // `look_at_rh` looks along -z with y up; a camera looks along z with y down.
    let turned = RigidTransform::rotation(Vector3::x() * std::f64::consts::PI) * camera_from_world;
    Camera {
        intrinsics: Intrinsics {
            focal_px: [1500.0, 1500.0],
            centre_px: [f64::from(size_px[0]) / 2.0, f64::from(size_px[1]) / 2.0],
            model: LensModel::BrownConrady([-0.08, 0.02, 0.0, 0.0, 0.0]),
            size_px,
        },
        camera_from_world: turned,
        read_out,
    }
}

/// Covariances as a good lens and rig have them: half a milliradian and 5 mm, focal length and centre to a pixel or two.
pub(crate) fn made_errors(cameras: usize) -> CalibrationErrors {
    let pose_sds = [4e-4, 5e-4, 3e-4, 4e-3, 5e-3, 6e-3];
    let lens_sds = [1.5, 1.5, 1.2, 1.0, 0.002, 0.004, 1e-4, 1e-4, 0.0];
    let of = |sds: &[f64], n: usize| {
        DMatrix::from_diagonal(&DVector::from_fn(sds.len() * n, |k, _| sds[k % sds.len()].powi(2)))
    };
    let lenses = vec![of(&lens_sds, 1); cameras];
    let apart = DMatrix::zeros(6 * cameras, lens_sds.len());
    CalibrationErrors { poses: of(&pose_sds, cameras), lenses, poses_with_lenses: vec![apart; cameras] }
}

pub(crate) fn made_calibration(cameras: &[Camera]) -> Calibration {
    Calibration::new(cameras.to_vec(), &made_errors(cameras.len()))
}

pub(crate) const NAMES: [&str; 6] =
    ["right_ankle", "left_shoulder", "right_elbow", "right_wrist", "racket_throat", "racket_tip"];

/// How a player moves: swings at some instants, and a sway that never repeats itself.
#[derive(Debug, Clone)]
pub(crate) struct Motion {
    /// When, how long (seconds) and how far (radians) the racket swings.
    pub(crate) swings: Vec<[f64; 3]>,
    pub(crate) sway: [f64; 4],
}

impl Motion {
    /// One stroke at an instant and a player who otherwise stands ready.
    pub(crate) fn stroke(random: &mut StdRng, at: f64) -> Self {
        let mut draw = |low: f64, high: f64| random.random_range(low..high);
        Self {
            // Take-back, then a forward swing of some 25 m/s at the tip.
            swings: vec![[at - 0.45, 0.25, -draw(0.5, 0.9)], [at, draw(0.10, 0.13), draw(1.8, 2.4)]],
            sway: [draw(1.5, 2.3), draw(1.0, 1.6), draw(2.4, 3.4), draw(0.0, 6.0)],
        }
    }

    /// The player's point at an instant: a still foot, a swaying shoulder, an elbow, a wrist and two racket points.
    pub(crate) fn place(&self, point: usize, t: f64) -> Point3<f64> {
        let [a, b, c, phase] = self.sway;
        let swings: f64 = self.swings.iter().map(|[at, long, far]| far * (-((t - at) / long).powi(2)).exp()).sum();
        let swing = swings + 0.3 * (c * t + phase).sin();
        let reach = [0.0, 0.0, 0.35, 0.6, 0.9, 1.25][point];
        let height = [0.05, 1.4, 1.2, 1.1, 1.05, 1.0][point];
        let sway = if point == 0 { 0.0 } else { 0.1 };
        Point3::new(
            sway * (a * t + phase).sin() + reach * swing.cos(),
            sway * (b * t).cos() + reach * swing.sin(),
            height + 0.3 * reach * (1.7 * swing).sin(),
        )
    }
}

/// One swing, for tests that need a path only.
pub(crate) fn place(point: usize, t: f64) -> Point3<f64> {
    Motion { swings: vec![[0.2, 0.12, 2.0]], sway: [1.9, 1.3, 3.1, 0.0] }.place(point, t)
}

/// How a clip is filmed and its points are detected.
pub(crate) struct Filming<'a> {
    pub(crate) camera: &'a Camera,
    pub(crate) motion: &'a Motion,
    /// Session time of a presentation time.
    pub(crate) session: &'a dyn Fn(f64) -> f64,
    pub(crate) rate_hz: f64,
    pub(crate) from_pts: f64,
    pub(crate) seconds: f64,
    pub(crate) noise_px: f64,
    /// Share of the points that are not found.
    pub(crate) missing: f64,
}

impl Filming<'_> {
    /// What the camera's detector reports: every point at the instant at which its own row is exposed.
    pub(crate) fn keypoints(&self, name: &str, random: &mut StdRng) -> Keypoints {
        let count = (self.seconds * self.rate_hz) as usize;
        let frames = (0..count)
            .map(|frame_index| {
                let pts_seconds = self.from_pts + frame_index as f64 / self.rate_hz;
                let points = (0..NAMES.len())
                    .map(|point| {
                        let (mut delay, mut px) = (0.0, Vector2::zeros());
                        for _ in 0..6 {
                            let at = (self.session)(pts_seconds + delay);
                            px = self.camera.project(&self.motion.place(point, at)).unwrap();
                            delay = self.camera.row_delay_seconds(px);
                        }
                        let mut noise = || self.noise_px * Distribution::<f64>::sample(&StandardNormal, random);
                        let px = [px.x + noise(), px.y + noise()];
                        let missing = random.random_range(0.0..1.0) < self.missing;
                        (!missing).then_some(Keypoint { px, score: 0.9 })
                    })
                    .collect();
                KeypointFrame { frame_index, pts_seconds, points }
            })
            .collect();
        Keypoints { camera: name.into(), names: NAMES.map(String::from).to_vec(), frames, remarks: Vec::new() }
    }
}
