//! The lift in continuous time: its time against the stroke's own length, over many strokes, and the memory it takes.
//!
//! Two phones at 240 frames per second, 17 points of the body, 3 of the racket and the ball, 2 px of noise. The peer of a stroke
//! is the stroke itself: four seconds of it must take less than four seconds on one core. Strokes in parallel are lifted one
//! session each, so that what is held at a time does not grow with their number.

use std::error::Error;
use std::time::Instant;

use midline_benches::scene::{PHONE, two_cameras};
use midline_geometry::{Camera, ReadOut, ScanDirection};
use midline_session::calibration::{
    CalibratedCamera, CameraClock, ClockSource, LensCalibration, RigCalibration, RigCamera, Scale, Vertical, World,
};
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints, default_names};
use midline_triangulation::{ContactTime, LiftSettings, MotionSettings, StrokeMotions, lift, lift_strokes};
use nalgebra::{Point3, Vector3};
use rand::{SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

const RATE_HZ: f64 = 240.0;
const LENGTH_SECONDS: f64 = 4.0;
const CONTACT_SECONDS: f64 = 2.5;
const CAMERAS: [&str; 2] = ["left", "right"];

type Outcome<T> = Result<T, Box<dyn Error + Send + Sync>>;

/// Body points stand on their places and sway; racket points turn about the first, faster until contact; the ball flies by.
fn place(point: usize, t: f64) -> Point3<f64> {
    let since = t - CONTACT_SECONDS;
    let hand = Point3::new(0.4, 0.1, 1.0) + Vector3::new((3.0 * t).sin(), (2.0 * t).cos(), (2.5 * t).sin()) * 0.2;
    match point {
        0..17 => {
            let k = point as f64;
            let rest = Point3::new(0.3 * (2.1 * k).sin(), 0.2 * (1.3 * k).cos(), 0.1 + 0.1 * k);
            rest + Vector3::new((3.0 * t + k).sin(), (4.0 * t + k).cos(), (2.0 * t).sin()) * 0.1
        }
        17..20 => {
            let turned = if since < 0.0 { 25.0 * 0.15 * (since / 0.15).exp() } else { 3.75 + 15.0 * since.min(0.2) };
            hand + Vector3::new(turned.cos(), turned.sin(), 0.2) * [0.0, 0.33, 0.685][point - 17]
        }
        _ => Point3::new(0.6, 1.0 + 8.0 * since.abs(), 1.0 + 2.0 * since.abs() - 4.9 * since * since),
    }
}

struct Session {
    cameras: Vec<CalibratedCamera>,
    lenses: Vec<LensCalibration>,
    rig: RigCalibration,
    keypoints: Vec<Keypoints>,
}

fn session(seed: u64) -> Session {
    let mut random = StdRng::seed_from_u64(seed);
    let names = default_names();
    let cameras: Vec<CalibratedCamera> = two_cameras(PHONE)
        .into_iter()
        .zip(CAMERAS)
        .map(|(camera, name)| CalibratedCamera {
            name: name.to_owned(),
            camera: Camera { read_out: ReadOut { seconds: 0.004, direction: ScanDirection::Down }, ..camera },
            clock: CameraClock {
                camera: name.to_owned(),
                offset_seconds: 0.0,
                rate: 1.0,
                covariance: [[0.0; 2]; 2],
                source: if name == CAMERAS[0] { ClockSource::Reference } else { ClockSource::Motion },
                estimates: Vec::new(),
            },
        })
        .collect();
    let mut seen = |camera: &Camera, point: usize, at: f64| {
        let mut px = camera.project(&place(point, at))?;
        for _ in 0..4 {
            px = camera.project(&place(point, at + camera.row_delay_seconds(px)))?;
        }
        let mut noise = || -> f64 { 2.0 * Distribution::<f64>::sample(&StandardNormal, &mut random) };
        Some(Keypoint { px: [px.x + noise(), px.y + noise()], score: 0.9 })
    };
    let keypoints = cameras
        .iter()
        .enumerate()
        .map(|(index, camera)| Keypoints {
            camera: camera.name.clone(),
            names: names.clone(),
            frames: (0..(LENGTH_SECONDS * RATE_HZ) as usize)
                .map(|frame| {
                    let pts_seconds = (frame as f64 + 0.4 * index as f64) / RATE_HZ;
                    let points = (0..names.len()).map(|point| seen(&camera.camera, point, pts_seconds)).collect();
                    KeypointFrame { frame_index: frame, pts_seconds, points }
                })
                .collect(),
            remarks: Vec::new(),
        })
        .collect();
    let lenses = cameras
        .iter()
        .map(|camera| LensCalibration { rms_px: 0.3, ..LensCalibration::exact(&camera.name, PHONE) })
        .collect();
    let rig = RigCalibration {
        world: World::Court,
        scale: Scale::Metric,
        vertical: Vertical::ZUp,
        cameras: cameras.iter().map(|camera| RigCamera::given(&camera.name, camera.camera.camera_from_world)).collect(),
        covariance: vec![vec![0.0; 12]; 12],
        pose_by_lens: Vec::new(),
        remarks: Vec::new(),
    };
    Session { cameras, lenses, rig, keypoints }
}

fn lifted(seed: u64) -> Outcome<(f64, StrokeMotions)> {
    let s = session(seed);
    let start = Instant::now();
    let first = lift(&s.cameras, &s.lenses, &s.rig, &s.keypoints, &LiftSettings::default())?;
    let contact = ContactTime { session_seconds: CONTACT_SECONDS, sd_seconds: 5e-4 };
    let found = lift_strokes(
        &s.cameras,
        &s.lenses,
        &s.rig,
        &first.keypoints,
        &first.tracks,
        &[contact],
        &MotionSettings::with_noise(&first.quality),
    )?;
    Ok((start.elapsed().as_secs_f64(), found))
}

/// Most memory held so far, MB, where the system tells.
fn peak_megabytes() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().trim_end_matches(" kB").parse::<f64>().ok()? / 1024.0)
}

fn main() -> Outcome<()> {
    let strokes = std::env::args().skip_while(|a| a != "--strokes").nth(1).map_or(Ok(8), |n| n.parse::<u64>())?;
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build()?;
    let mut times = Vec::new();
    for seed in 0..3 {
        times.push(one.install(|| lifted(seed))?.0);
    }
    times.sort_by(f64::total_cmp);
    let verdict = if times[1] < LENGTH_SECONDS { "reached" } else { "missed" };
    println!(
        "a stroke of {LENGTH_SECONDS} s, 2 x {RATE_HZ} fps, 21 points, one core: {:.2} s, {:.2} of its length (aim below 1) {verdict}",
        times[1],
        times[1] / LENGTH_SECONDS
    );
    let same = |threads: usize| -> Outcome<String> {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
        Ok(format!("{:?}", pool.install(|| lifted(0))?.1))
    };
    println!("bit-equal on one and two threads: {}", same(1)? == same(2)?);
    let before = peak_megabytes();
    let start = Instant::now();
    (0..strokes).into_par_iter().try_for_each(|seed| lifted(100 + seed).map(drop))?;
    println!(
        "{strokes} strokes over all cores: {:.2} s each; peak memory {:.0} MB before, {:.0} MB after",
        start.elapsed().as_secs_f64() / strokes as f64,
        before.unwrap_or(f64::NAN),
        peak_megabytes().unwrap_or(f64::NAN)
    );
    Ok(())
}
