//! 2D keypoints as a detector would give them: the truth with the faults that detectors have.
//!
//! Every point is the true projection at its own row's exposure, plus white noise by joint (sd 1 to 2.5 px). Some
//! points are missing, alone or for a few frames; half a percent are grossly wrong; in a few short runs left and right
//! are exchanged. The score falls with the error. Around contact no run of gaps and no exchange is placed.

use midline_geometry::Camera;
use midline_session::description::Handedness;
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints, default_names};
use nalgebra::{Point3, Vector2};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

use crate::phone::ClipClock;
use crate::player::Figure;

/// Standard deviation of each point's noise in pixels, in the order of [`default_names`].
const NOISE_PX: [f64; 21] =
    [1.2, 1.0, 1.0, 1.4, 1.4, 1.8, 1.8, 1.7, 1.7, 1.6, 1.6, 2.5, 2.5, 1.9, 1.9, 1.8, 1.8, 1.5, 1.5, 1.5, 1.0];
const RACKET: std::ops::Range<usize> = 17..20;
const BALL: usize = 20;
/// Share of grossly wrong points.
const GROSS: f64 = 0.005;
/// No run of gaps and no exchange of sides within this time of a contact.
const QUIET_SECONDS: f64 = 0.08;

/// Pixel and row delay of a moving point in a frame: the fixed point of `px = projection at (row zero + delay(px))`.
///
/// `None` when it is out of the picture, not in front of the camera, or not there.
pub(crate) fn seen_in_frame(
    camera: &Camera,
    row_zero_seconds: f64,
    at: &dyn Fn(f64) -> Option<Point3<f64>>,
) -> Option<Vector2<f64>> {
    let mut seconds = row_zero_seconds + 0.5 * camera.read_out.seconds;
    let mut px = Vector2::zeros();
    for _ in 0..8 {
        let point = at(seconds)?;
        let seen = camera.camera_from_world * point;
        px = camera.project(&point).filter(|_| seen.x.hypot(seen.y) < 1.2 * seen.z)?;
        // Row delays run on a clock whose rate differs from the session's by tens of ppm: less than a microsecond.
        let next = row_zero_seconds + camera.row_delay_seconds(px).clamp(-0.001, camera.read_out.seconds + 0.001);
        if (next - seconds).abs() < 1e-9 {
            break;
        }
        seconds = next;
    }
    let [width, height] = camera.intrinsics.size_px.map(f64::from);
    let inside = (-0.5..width - 0.5).contains(&px.x) && (-0.5..height - 0.5).contains(&px.y);
    inside.then_some(px)
}

/// What is filmed.
pub(crate) struct Filmed<'a> {
    pub(crate) handedness: Handedness,
    pub(crate) figure: &'a (dyn Fn(f64) -> Figure + Sync),
    pub(crate) ball: &'a (dyn Fn(f64) -> Option<Point3<f64>> + Sync),
}

/// Exact pixels of all points in all frames: `[frame][point]`.
pub(crate) fn true_pixels(
    camera: &Camera,
    clock: ClipClock,
    pts_seconds: &[f64],
    filmed: &Filmed,
) -> Vec<Vec<Option<Vector2<f64>>>> {
    pts_seconds
        .iter()
        .map(|pts| {
            let row_zero = clock.session_seconds(*pts);
            let mut points: Vec<Option<Vector2<f64>>> = (0..BALL)
                .map(|point| {
                    let at = |t: f64| Some((filmed.figure)(t).points(filmed.handedness)[point]);
                    seen_in_frame(camera, row_zero, &at)
                })
                .collect();
            points.push(seen_in_frame(camera, row_zero, filmed.ball));
            points
        })
        .collect()
}

/// The detector's output from the exact pixels.
pub(crate) fn detect(
    name: &str,
    seed: u64,
    clock: ClipClock,
    pts_seconds: &[f64],
    pixels: &[Vec<Option<Vector2<f64>>>],
    contacts: &[f64],
) -> Keypoints {
    let mut random = StdRng::seed_from_u64(seed);
    let names = default_names();
    let quiet =
        |frame: usize| contacts.iter().any(|c| (clock.session_seconds(pts_seconds[frame]) - c).abs() < QUIET_SECONDS);
    let gaps = gap_runs(&mut random, pixels.len(), names.len(), &quiet);
    let mut frames = Vec::with_capacity(pixels.len());
    for (index, truth) in pixels.iter().enumerate() {
        let mut points: Vec<Option<Keypoint>> = Vec::with_capacity(names.len());
        for (point, px) in truth.iter().enumerate() {
            let alone = if RACKET.contains(&point) { 0.012 } else { 0.006 };
            let missing = gaps[point][index] || random.random_bool(alone);
            let found = px.map(|px| with_noise(&mut random, px, NOISE_PX[point]));
            points.push(found.filter(|_| !missing));
        }
        frames.push(KeypointFrame { frame_index: index, pts_seconds: pts_seconds[index], points });
    }
    for _ in 0..3 {
        let length = random.random_range(4..9);
        let start = random.random_range(0..frames.len().saturating_sub(length).max(1));
        let arms_too = random.random_bool(0.5);
        if (start..start + length).any(&quiet) {
            continue;
        }
        for frame in &mut frames[start..start + length] {
            // COCO's order: left and right alternate from index 1; 11 on are the legs.
            for left in (if arms_too { 5 } else { 11 }..17).step_by(2) {
                frame.points.swap(left, left + 1);
            }
        }
    }
    frames.retain(|frame| frame.points.iter().any(Option::is_some));
    Keypoints { camera: name.to_owned(), names, frames, remarks: Vec::new() }
}

/// `[point][frame]`: whether a point is missing because of a run of gaps.
fn gap_runs(random: &mut StdRng, frames: usize, points: usize, quiet: &dyn Fn(usize) -> bool) -> Vec<Vec<bool>> {
    (0..points)
        .map(|point| {
            let mut missing = vec![false; frames];
            // Runs of 2 to 6 frames: about 1.5 % of the frames for the racket, 0.5 % for the body.
            let starts = frames as f64 * if RACKET.contains(&point) { 0.004 } else { 0.0012 };
            for _ in 0..starts.round() as usize {
                let length = random.random_range(2..7);
                let start = random.random_range(0..frames.saturating_sub(length).max(1));
                if !(start..start + length).any(quiet) {
                    missing[start..start + length].fill(true);
                }
            }
            missing
        })
        .collect()
}

fn with_noise(random: &mut StdRng, px: Vector2<f64>, sd: f64) -> Keypoint {
    let mut draw = || -> f64 { StandardNormal.sample(random) };
    let error = Vector2::new(draw(), draw());
    let wobble = 0.03 * draw();
    let surprise = error.norm();
    if random.random_bool(GROSS) {
        let angle = random.random_range(0.0..std::f64::consts::TAU);
        let far = random.random_range(30.0..140.0);
        let px = px + Vector2::new(angle.cos(), angle.sin()) * far;
        return Keypoint { px: px.into(), score: random.random_range(0.15..0.55) };
    }
    let score = (0.96 - 0.06 * surprise - 0.02 * sd + wobble).clamp(0.3, 0.99);
    Keypoint { px: (px + error * sd).into(), score }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phone::{GATE, Place};

    #[test]
    fn a_moving_point_is_seen_where_it_is_when_its_row_is_read() {
        let camera = GATE.camera(&Place { centre: [-1.5, -8.3, 2.0], target: [0.5, 1.0, 1.0], roll: 0.0 });
        let at = |t: f64| Some(Point3::new(0.2 + 30.0 * (t - 1.0), 0.1, 1.0));
        let px = seen_in_frame(&camera, 0.997, &at).unwrap();
        let instant = 0.997 + camera.row_delay_seconds(px);
        let exact = camera.project(&at(instant).unwrap()).unwrap();
        assert!((px - exact).norm() < 1e-4);
        // Read out as a whole at the first row it would be elsewhere by many pixels.
        assert!((camera.project(&at(0.997).unwrap()).unwrap() - px).norm() > 5.0);
    }

    #[test]
    fn faults_have_the_promised_sizes() {
        let clock = ClipClock { offset_seconds: 0.0, rate: 1.0 };
        let pts: Vec<f64> = (0..3000).map(|i| f64::from(i) / 120.0).collect();
        let pixels = vec![vec![Some(Vector2::new(400.0, 300.0)); 21]; pts.len()];
        let found = detect("fence", 7, clock, &pts, &pixels, &[5.0, 10.0]);
        let column = |point: usize| found.frames.iter().filter_map(move |f| f.points[point]);
        let tip_missing = 1.0 - column(19).count() as f64 / 3000.0;
        assert!((0.015..0.045).contains(&tip_missing), "{tip_missing}");
        let errors: Vec<f64> = column(11).map(|k| k.px[0] - 400.0).collect();
        let gross = errors.iter().filter(|e| e.abs() > 15.0).count() as f64 / errors.len() as f64;
        assert!((0.001..0.012).contains(&gross), "{gross}");
        let small: Vec<f64> = errors.into_iter().filter(|e| e.abs() < 15.0).collect();
        let sd = (small.iter().map(|e| e * e).sum::<f64>() / small.len() as f64).sqrt();
        assert!((sd - 2.5).abs() < 0.15, "{sd}");
        // Larger errors come with lower scores.
        let mean_score = |far: bool| {
            let chosen: Vec<f64> = column(11)
                .filter(|k| ((k.px[0] - 400.0).hypot(k.px[1] - 300.0) > 4.0) == far)
                .map(|k| k.score)
                .collect();
            chosen.iter().sum::<f64>() / chosen.len() as f64
        };
        assert!(mean_score(false) > mean_score(true) + 0.05);
    }
}
