//! A made-up swing with known truth, seen by cameras with rolling shutters, for tests.

use midline_geometry::{Camera, LensModel, ReadOut, ScanDirection};
use midline_session::calibration::{CalibratedCamera, CameraClock, ClockSource, LensCalibration, RigCalibration};
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints};
use nalgebra::{DMatrix, Point3, Vector3};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};

use crate::calibration_error::tests::{lens, rig};
use crate::point::tests::camera_at;

/// Session time of contact, seconds.
pub(crate) const CONTACT: f64 = 1.2;
pub(crate) const LENGTH_M: f64 = 0.68;
pub(crate) const THROAT_M: f64 = 0.335;

/// Names in the order of [`Swing::truth`].
pub(crate) const NAMES: [&str; 7] =
    ["racket_butt", "racket_throat", "racket_tip", "left_wrist", "right_wrist", "left_elbow", "left_shoulder"];

/// Lengths of the left arm, metres.
pub(crate) const FOREARM_M: f64 = 0.26;
pub(crate) const UPPER_ARM_M: f64 = 0.31;

/// A swing: all the same but for how hand and racket come into contact.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Swing {
    /// When the hand is fastest, seconds after contact.
    pub(crate) hand_peak: f64,
    /// Width of the hand's burst of speed, seconds.
    pub(crate) hand_width: f64,
    /// Rate of turn that the racket gains until contact, rad/s.
    pub(crate) gain: f64,
    /// How late it gains it: the power of the time since the start of the forward swing.
    pub(crate) lateness: f64,
}

impl Default for Swing {
    fn default() -> Self {
        Self { hand_peak: 0.0, hand_width: 0.12, gain: 31.0, lateness: 1.7 }
    }
}

impl Swing {
    /// One of many: the hand's peak up to 60 ms before contact (it is slowed while the racket gains), the racket fastest at contact.
    pub(crate) fn drawn(random: &mut StdRng) -> Self {
        Self {
            hand_peak: random.random_range(-0.060..0.0),
            hand_width: random.random_range(0.10..0.14),
            gain: random.random_range(24.0..33.0),
            lateness: random.random_range(1.3..2.2),
        }
    }

    /// Angle of the racket in its plane of turning: its rate grows until contact and falls to 19 rad/s at once.
    fn angle(&self, t: f64) -> f64 {
        let forward = 0.32;
        let since = t - CONTACT;
        if since < 0.0 {
            let x = ((since + forward) / forward).max(0.0);
            // The integral of 2 + gain x^lateness from contact backward.
            let power = self.lateness + 1.0;
            2.0 * since + self.gain * forward / power * (x.powf(power) - 1.0)
        } else {
            19.0 * 0.12 * (1.0 - (-since / 0.12).exp())
        }
    }

    /// Where a point is: metres, world frame.
    pub(crate) fn truth(&self, point: usize, t: f64) -> Point3<f64> {
        let since = t - CONTACT;
        // The hand runs on a bow; it loses speed at contact too.
        let own = if since < 0.0 { since } else { 0.75 * 0.3 * (1.0 - (-since / 0.3).exp()) };
        let fast = 0.45 * (0.5 + 0.5 * ((own - self.hand_peak) / self.hand_width).tanh());
        let butt = Point3::new(
            0.35 - 0.5 * (3.0 * own).sin() - 1.2 * fast,
            0.1 + 2.6 * fast + 0.15 * (4.0 * own).cos(),
            0.95 + 0.8 * fast + 0.1 * (5.0 * own).sin(),
        );
        let a = self.angle(t);
        let up = 0.35 * (2.5 * own).sin();
        let (along, across, axis) = (
            Vector3::new(0.8, 0.6, 0.0),
            Vector3::new(-0.54, 0.72, 0.436).normalize(),
            Vector3::new(0.8, 0.6, 0.0).cross(&Vector3::new(-0.54, 0.72, 0.436).normalize()),
        );
        let line = (along * a.cos() + across * a.sin()) * up.cos() + axis * up.sin();
        let left_wrist = Point3::new(-0.3 + 0.2 * (4.0 * t).sin(), 0.1 + 0.1 * t, 1.3 + 0.2 * (5.0 * t).cos());
        let left_elbow = left_wrist + Vector3::new(-0.5 + 0.3 * (4.0 * t).cos(), 0.4, -0.6).normalize() * FOREARM_M;
        match point {
            0 => butt,
            1 => butt + line * THROAT_M,
            2 => butt + line * LENGTH_M,
            3 => left_wrist,
            4 => butt - line * 0.02 + Vector3::new(0.0, 0.0, 0.03),
            5 => left_elbow,
            _ => left_elbow + Vector3::new(-0.2, 0.3 * (3.0 * t).sin(), 0.9).normalize() * UPPER_ARM_M,
        }
    }

    /// Velocity of a point just before or after an instant, m/s.
    pub(crate) fn velocity(&self, point: usize, t: f64, side: f64) -> Vector3<f64> {
        let h = 1e-6 * side;
        // Second order, from one side.
        (self.truth(point, t + h) * 4.0 - self.truth(point, t + 2.0 * h).coords - self.truth(point, t).coords * 3.0)
            .coords
            / (2.0 * h)
    }
}

/// What is filmed with.
#[derive(Debug, Clone)]
pub(crate) struct Filming {
    pub(crate) rates_hz: Vec<f64>,
    pub(crate) read_out_seconds: f64,
    /// Standard deviation of a pixel coordinate at score 1.
    pub(crate) noise_px: f64,
    /// Lowest and highest score; all are as likely.
    pub(crate) scores: [f64; 2],
    /// The standard deviation grows as 1 / score to this power.
    pub(crate) exponent: f64,
    /// Share of points that are missing, alone.
    pub(crate) missing: f64,
    /// Share of points that are grossly wrong.
    pub(crate) gross: f64,
    /// Session times between which the second camera takes the wrists for each other.
    pub(crate) exchanged: Option<[f64; 2]>,
    pub(crate) seed: u64,
    pub(crate) swing: Swing,
}

impl Default for Filming {
    fn default() -> Self {
        Self {
            rates_hz: vec![120.0, 120.0],
            read_out_seconds: 0.008,
            noise_px: 2.0,
            scores: [1.0, 1.0],
            exponent: 1.0,
            missing: 0.0,
            gross: 0.0,
            exchanged: None,
            seed: 1,
            swing: Swing::default(),
        }
    }
}

pub(crate) struct Filmed {
    pub(crate) cameras: Vec<CalibratedCamera>,
    pub(crate) lenses: Vec<LensCalibration>,
    pub(crate) rig: RigCalibration,
    pub(crate) keypoints: Vec<Keypoints>,
}

/// Places of up to four cameras.
const PLACES: [[f64; 3]; 4] = [[-5.0, -6.0, 1.6], [5.5, -5.0, 2.1], [6.0, 6.5, 2.4], [-6.0, 7.0, 2.0]];
const CAMERA_NAMES: [&str; 4] = ["fence", "corner", "net", "tower"];

/// 1.9 s of film with offsets and drift between the cameras' clocks.
pub(crate) fn film(filming: &Filming) -> Filmed {
    film_of(filming, &NAMES, &|point, t| filming.swing.truth(point, t))
}

/// Film of any points.
pub(crate) fn film_of(filming: &Filming, names: &[&str], truth: &dyn Fn(usize, f64) -> Point3<f64>) -> Filmed {
    let mut random = StdRng::seed_from_u64(filming.seed);
    let cameras: Vec<CalibratedCamera> = filming
        .rates_hz
        .iter()
        .enumerate()
        .map(|(i, _)| {
            let camera = Camera {
                read_out: ReadOut { seconds: filming.read_out_seconds, direction: ScanDirection::Down },
                ..camera_at(PLACES[i], [0.0, 0.3, 1.0], LensModel::BrownConrady([-0.1, 0.02, 0.0, 0.0, 0.0]))
            };
            let clock = CameraClock {
                camera: CAMERA_NAMES[i].to_owned(),
                offset_seconds: if i == 0 { 0.0 } else { -3.0 - i as f64 },
                rate: 1.0 + 2e-5 * i as f64,
                covariance: [[0.0; 2]; 2],
                source: if i == 0 { ClockSource::Reference } else { ClockSource::Motion },
                estimates: Vec::new(),
            };
            CalibratedCamera { name: CAMERA_NAMES[i].to_owned(), camera, clock }
        })
        .collect();
    let keypoints = cameras
        .iter()
        .zip(&filming.rates_hz)
        .map(|(camera, rate)| {
            let phase = random.random_range(0.0..1.0) / rate;
            let frames = (0..(1.9 * rate) as usize)
                .map(|frame| {
                    let session = frame as f64 / rate + phase;
                    let mut points: Vec<_> = (0..names.len())
                        .map(|p| detected(camera, session, &|t| truth(p, t), filming, &mut random))
                        .collect();
                    if filming.exchanged.is_some_and(|[a, b]| a < session && session < b)
                        && camera.name == CAMERA_NAMES[1]
                    {
                        points.swap(3, 4);
                    }
                    KeypointFrame { frame_index: frame, pts_seconds: camera.clock.pts_seconds(session), points }
                })
                .collect();
            Keypoints {
                camera: camera.name.clone(),
                names: names.iter().map(|name| (*name).to_owned()).collect(),
                frames,
                remarks: Vec::new(),
            }
        })
        .collect();
    let named: Vec<(&str, &Camera)> = cameras.iter().map(|c| (c.name.as_str(), &c.camera)).collect();
    let lenses = named.iter().map(|(name, camera)| lens(name, camera, &DMatrix::zeros(9, 9))).collect();
    let size = 6 * cameras.len();
    let rig = rig(&named, &DMatrix::zeros(size, size));
    Filmed { lenses, rig, keypoints, cameras: cameras.clone() }
}

fn detected(
    camera: &CalibratedCamera,
    session: f64,
    truth: &dyn Fn(f64) -> Point3<f64>,
    filming: &Filming,
    random: &mut StdRng,
) -> Option<Keypoint> {
    // The row at which the moving point is met is found by repetition.
    let mut px = camera.camera.project(&truth(session)).unwrap();
    for _ in 0..60 {
        let delay = camera.camera.row_delay_seconds(px) * camera.clock.rate;
        px = camera.camera.project(&truth(session + delay)).unwrap();
    }
    let [low, high] = filming.scores;
    let score = if low < high { random.random_range(low..high) } else { high };
    let sd_px = filming.noise_px * score.powf(-filming.exponent);
    let mut noise = || -> f64 { StandardNormal.sample(random) };
    let mut seen = [px.x + sd_px * noise(), px.y + sd_px * noise()];
    if random.random_bool(filming.gross) {
        seen = [seen[0] + random.random_range(40.0..200.0), seen[1] - random.random_range(40.0..200.0)];
    }
    (!random.random_bool(filming.missing)).then_some(Keypoint { px: seen, score })
}
