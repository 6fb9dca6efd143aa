//! Made-up strokes in pictures: seen by two cameras, lifted in continuous time as the program does it, for tests.
//!
//! The cameras are the design's symmetric pair: views that meet at 90°, f 1500 px, 10 m away, 1 px of noise, rolling shutters, unlike
//! phases. The second clock, and the sound's, are off by what is stated of them; lenses and poses are exact.

use midline_geometry::{Camera, Intrinsics, LensModel, ReadOut, RigidTransform, ScanDirection};
use midline_session::calibration::{
    CalibratedCamera, CameraClock, ClockSource, LensCalibration, RigCalibration, RigCamera, Scale, Vertical, World,
};
use midline_session::description::Handedness;
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints};
use midline_triangulation::{ContactTime, LiftSettings, MotionSettings, lift, lift_strokes};
use nalgebra::{Point3, Vector3};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

use crate::contact_times;
use crate::spots::Spot;
use crate::test_swing::{Recorded, TestSwing, sounds};

/// How a stroke is filmed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Filming {
    pub(crate) rate_hz: f64,
    /// Standard deviation of a pixel coordinate.
    pub(crate) noise_px: f64,
    pub(crate) seed: u64,
}

/// Session time of contact, seconds.
pub(crate) const CONTACT_SECONDS: f64 = 12.345;

const FROM_SECONDS: f64 = -1.7;
const TO_SECONDS: f64 = 0.9;
const SOUND_SD_SECONDS: f64 = 0.001;

/// Of the offset of the second clock, and of the sound against the pictures.
const CLOCK_SD_SECONDS: f64 = 0.0005;

/// What both cameras are turned to: the player's middle.
const TARGET: Vector3<f64> = Vector3::new(0.5, -0.3, 1.1);
const RANGE_M: f64 = 10.0;
const SIZE_PX: [u32; 2] = [1920, 1080];

/// From behind the player, to the left (-1) or to the right (1).
fn camera(side: f64, rate_hz: f64) -> Camera {
    let centre = TARGET + Vector3::new(side, -1.0, 0.0) * (RANGE_M * std::f64::consts::FRAC_1_SQRT_2);
    Camera {
        intrinsics: Intrinsics {
            focal_px: [1500.0; 2],
            centre_px: [960.0, 540.0],
            model: LensModel::BrownConrady([0.0; 5]),
            size_px: SIZE_PX,
        },
        camera_from_world: RigidTransform::look_at_lh(&centre.into(), &TARGET.into(), &-Vector3::z()),
        read_out: ReadOut { seconds: 0.9 / rate_hz, direction: ScanDirection::Down },
    }
}

fn rig(cameras: &[CalibratedCamera]) -> RigCalibration {
    RigCalibration {
        world: World::Court,
        scale: Scale::Metric,
        vertical: Vertical::ZUp,
        cameras: cameras.iter().map(|c| RigCamera::given(&c.name, c.camera.camera_from_world)).collect(),
        covariance: vec![vec![0.0; 6 * cameras.len()]; 6 * cameras.len()],
        pose_by_lens: Vec::new(),
        remarks: Vec::new(),
    }
}

/// A stroke filmed and lifted.
pub(crate) fn filmed(swing: &TestSwing, filming: &Filming) -> Recorded {
    let mut random = StdRng::seed_from_u64(filming.seed);
    let mut points: Vec<(&str, Option<Spot>)> =
        Spot::ALL.into_iter().map(|spot| (spot.track_name(Handedness::Right), Some(spot))).collect();
    points.push(("ball", None));
    let place = |point: Option<Spot>, session_seconds: f64| {
        let seconds = session_seconds - CONTACT_SECONDS;
        Point3::from(point.map_or_else(|| swing.ball(seconds), |spot| swing.place(spot, seconds)))
    };
    let mut normal = |sd: f64| sd * Distribution::<f64>::sample(&StandardNormal, &mut random);
    let clock_errors_seconds = [0.0, normal(CLOCK_SD_SECONDS)];
    let sound_error_seconds = normal(CLOCK_SD_SECONDS);
    let cameras: Vec<CalibratedCamera> = [("left", -1.0), ("right", 1.0)]
        .into_iter()
        .map(|(name, side)| CalibratedCamera {
            name: name.to_owned(),
            camera: camera(side, filming.rate_hz),
            clock: CameraClock {
                camera: name.to_owned(),
                offset_seconds: 0.0,
                rate: 1.0,
                covariance: [[if side < 0.0 { 0.0 } else { CLOCK_SD_SECONDS.powi(2) }, 0.0], [0.0; 2]],
                source: if side < 0.0 { ClockSource::Reference } else { ClockSource::Motion },
                estimates: Vec::new(),
            },
        })
        .collect();
    let keypoints: Vec<Keypoints> = cameras
        .iter()
        .zip(clock_errors_seconds)
        .map(|(camera, clock_error_seconds)| {
            let start = CONTACT_SECONDS + FROM_SECONDS + random.random_range(0.0..1.0) / filming.rate_hz;
            let frames = (0..((TO_SECONDS - FROM_SECONDS) * filming.rate_hz) as usize).map(|frame_index| {
                let session = start + frame_index as f64 / filming.rate_hz;
                let seen = points.iter().map(|(_, point)| {
                    let noise =
                        [0, 1].map(|_| filming.noise_px * Distribution::<f64>::sample(&StandardNormal, &mut random));
                    // The row at which the moving point is met is found by repetition.
                    let mut px = camera.camera.project(&place(*point, session))?;
                    for _ in 0..20 {
                        px = camera.camera.project(&place(*point, session + camera.camera.row_delay_seconds(px)))?;
                    }
                    let inside =
                        (0.0..f64::from(SIZE_PX[0])).contains(&px.x) && (0.0..f64::from(SIZE_PX[1])).contains(&px.y);
                    inside.then(|| Keypoint { px: [px.x + noise[0], px.y + noise[1]], score: 1.0 })
                });
                KeypointFrame { frame_index, pts_seconds: session - clock_error_seconds, points: seen.collect() }
            });
            let frames = frames.collect();
            let names = points.iter().map(|(name, _)| (*name).to_owned()).collect();
            Keypoints { camera: camera.name.clone(), names, frames, remarks: Vec::new() }
        })
        .collect();
    let lenses: Vec<LensCalibration> =
        cameras.iter().map(|c| LensCalibration::exact(&c.name, c.camera.intrinsics)).collect();
    let rig = rig(&cameras);
    let lifted = lift(&cameras, &lenses, &rig, &keypoints, &LiftSettings::default()).unwrap();
    let mut recorded = Recorded {
        tracks: lifted.tracks,
        motions: Vec::new(),
        impacts: sounds(CONTACT_SECONDS + sound_error_seconds, SOUND_SD_SECONDS, &mut random),
        rates_hz: vec![filming.rate_hz; 2],
        handedness: Handedness::Right,
    };
    let contacts: Vec<ContactTime> = contact_times(&recorded.input())
        .unwrap()
        .into_iter()
        .map(|c| ContactTime { session_seconds: c.session_seconds, sd_seconds: c.sd_seconds })
        .collect();
    let settings = MotionSettings::with_noise(&lifted.quality);
    let motions =
        lift_strokes(&cameras, &lenses, &rig, &lifted.keypoints, &recorded.tracks, &contacts, &settings).unwrap();
    recorded.motions = motions.strokes;
    recorded
}
