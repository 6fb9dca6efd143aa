//! A made-up stroke in one picture, for the tests: all 21 points as a camera of 1920 x 1080 px at 150 px/m would see
//! them, with a trunk that turns (shoulders and hips cross in the picture), a racket tip that reaches about 30 m/s
//! (`PEAK`, of Landlinger et al. 2010: 33.1 ± 2.4 m/s) and turns at contact, and a ball that bounces and is hit.

use std::f64::consts::PI;

use midline_session::footage::Footage;
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints, default_names};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};

pub(crate) const PX_PER_M: f64 = 150.0;
pub(crate) const CONTACT_SECONDS: f64 = 1.4;
pub(crate) const BOUNCE_SECONDS: f64 = 1.0;
const PEAK_RAD_PER_SECOND: f64 = 23.0;
const TIP_RADIUS_M: f64 = 1.3;

pub(crate) fn footage(seconds: f64, rate_hz: f64) -> Footage {
    Footage {
        stored_size_px: [1920, 1080],
        size_px: [1920, 1080],
        quarter_turns_clockwise: 0,
        // Phones' frame times wander by a fraction of a millisecond.
        frame_pts_seconds: (0..(seconds * rate_hz) as usize)
            .map(|i| i as f64 / rate_hz + 2e-4 * (i as f64 * 1.7).sin())
            .collect(),
        codec: "h264".into(),
        gaps: Vec::new(),
        sound: None,
    }
}

/// Angle of the racket arm in the picture, rad: a slow take-back, a forward swing with a Gaussian speed curve that
/// loses a quarter of its speed at contact.
fn arm_angle(t: f64) -> f64 {
    let from_contact = t - CONTACT_SECONDS;
    let width = 0.09;
    // Integral of PEAK exp(-s² / 2 w²), by the logistic approximation of the normal distribution function (error <
    // 1e-2).
    let turned = |s: f64| PEAK_RAD_PER_SECOND * width * (2.0 * PI).sqrt() / (1.0 + (-1.702 * s / width).exp());
    let slower = if from_contact > 0.0 { 0.75 } else { 1.0 };
    let take_back = -1.2 / (1.0 + (-(t - 0.7) / 0.08).exp());
    take_back + turned(0.0) + slower * (turned(from_contact) - turned(0.0))
}

/// The true place of each default point in px; the ball is `None` before it is thrown and after it has left the
/// picture.
pub(crate) fn place_px(t: f64) -> Vec<Option<[f64; 2]>> {
    let trunk = 0.2 + 2.4 / (1.0 + (-(t - CONTACT_SECONDS + 0.05) / 0.06).exp()); // turn of the shoulder line, rad
    let sway = 0.1 * (2.0 * t).sin();
    let across = |half_m: f64, lag: f64, height: f64| {
        let x = half_m * (trunk - lag).cos();
        [[sway + x, height], [sway - x, height]]
    };
    let [shoulder_l, shoulder_r] = across(0.2, 0.0, 1.45);
    let [hip_l, hip_r] = across(0.14, 0.1, 0.95);
    let step = 0.15 * (5.0 * t).sin();
    let [knee_l, knee_r] = [[hip_l[0] + step, 0.5], [hip_r[0] - step, 0.5]];
    let [ankle_l, ankle_r] = [[hip_l[0] + 1.6 * step, 0.08], [hip_r[0] - 1.6 * step, 0.08]];
    let face = |dx: f64, dy: f64| [sway + dx * (trunk / 2.0).cos(), 1.65 + dy];
    let angle = arm_angle(t);
    // The racket arm's circle is seen from 30° above its plane; the shoulder is its centre.
    let on_arm = |radius_m: f64, bend: f64| {
        let a = angle + bend;
        [shoulder_r[0] + radius_m * a.cos(), shoulder_r[1] - 0.1 + 0.5 * radius_m * a.sin()]
    };
    let other = 0.6 * (t - 0.9).tanh();
    let elbow_l = [shoulder_l[0] - 0.2 * other, 1.2];
    let wrist_l = [shoulder_l[0] - 0.45 * other, 1.15 + 0.2 * (3.0 * t).sin()];
    let ball = (0.6..2.0).contains(&t).then(|| {
        let before = t - CONTACT_SECONDS;
        let x = if before < 0.0 { 0.9 - 14.0 * before } else { 0.9 + 25.0 * before };
        let since_bounce = t - BOUNCE_SECONDS;
        let rise = if since_bounce < 0.0 { -6.0 * since_bounce } else { 4.0 * since_bounce };
        let fall = if since_bounce < 0.0 { 0.0 } else { 4.9 * since_bounce * since_bounce };
        [x, 0.03 + rise - fall]
    });
    let body = [
        face(0.0, 0.0),
        face(0.03, 0.03),
        face(-0.03, 0.03),
        face(0.08, 0.0),
        face(-0.08, 0.0),
        shoulder_l,
        shoulder_r,
        elbow_l,
        on_arm(0.3, -0.5),
        wrist_l,
        on_arm(0.55, -0.2),
        hip_l,
        hip_r,
        knee_l,
        knee_r,
        ankle_l,
        ankle_r,
        on_arm(0.6, -0.15),
        on_arm(0.95, -0.05),
        on_arm(TIP_RADIUS_M, 0.0),
    ];
    let px = |[x, y]: [f64; 2]| [700.0 + PX_PER_M * x, 700.0 - PX_PER_M * y];
    let mut places: Vec<_> = body.into_iter().map(|p| Some(px(p))).collect();
    places.push(ball.map(px).filter(|[x, y]| (0.0..1920.0).contains(x) && (0.0..1080.0).contains(y)));
    places
}

/// Keypoints as a detector would give them: noise of `noise_px` per coordinate (twice that on the racket), 3 % missing.
pub(crate) fn detected(footage: &Footage, noise_px: f64, seed: u64) -> Keypoints {
    let mut random = StdRng::seed_from_u64(seed);
    let noise = Normal::new(0.0, noise_px).unwrap();
    let names = default_names();
    let frames = footage.frame_pts_seconds.iter().enumerate();
    let frames = frames
        .map(|(frame_index, &pts_seconds)| {
            let mut points = Vec::new();
            for (name, place) in names.iter().zip(place_px(pts_seconds)) {
                let times = if name.starts_with("racket") { 2.0 } else { 1.0 };
                let [dx, dy] = [0; 2].map(|_| times * noise.sample(&mut random));
                let lost = random.random_bool(0.03);
                points.push(place.filter(|_| !lost).map(|[x, y]| Keypoint { px: [x + dx, y + dy], score: 0.9 }));
            }
            KeypointFrame { frame_index, pts_seconds, points }
        })
        .collect();
    Keypoints { camera: "left".into(), names, frames, remarks: Vec::new() }
}
