//! What the player's own points add to the rig of the demo: figures for the decision to refine by them only where a session asks for it.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::path::Path;

use midline_geometry::RigidTransform;
use midline_media::PictureFormat;
use midline_rig::{LinePoint, PlayerSettings, RigInput, RigSettings, player_points, refine, solve_on_pictures};
use midline_session::calibration::{CalibratedCamera, ClockCalibration, LensCalibration, RigCalibration};
use midline_session::court::Court;
use midline_session::description::{CameraDescription, Session};
use midline_session::footage::Footage;
use midline_session::keypoints::Keypoints;
use midline_session::read_computed;
use midline_synth::Truth;
use midline_tests::academy::academy;
use midline_vision::{Grey, court_lines, median_picture};
use nalgebra::Point3;

fn computed<T: serde::de::DeserializeOwned>(folder: &Path, file: &str) -> T {
    read_computed(&folder.join("midline").join(file)).expect("the stage's result").result
}

/// Errors of the places, mm, and of the rotation between the two cameras, degrees.
fn errors(rig: &RigCalibration, truth: &Truth) -> ([f64; 2], f64) {
    let true_pose = |camera: usize| truth.cameras[camera].camera.camera_from_world;
    let found = |camera: usize| rig.cameras[camera].camera_from_world;
    let centre = |pose: RigidTransform| pose.inverse_transform_point(&Point3::origin());
    let off = [0, 1].map(|camera| 1e3 * (centre(found(camera)) - centre(true_pose(camera))).norm());
    let between = (found(1) * found(0).inverse()).rotation;
    let expected = (true_pose(1) * true_pose(0).inverse()).rotation;
    (off, between.angle_to(&expected).to_degrees())
}

fn reference(session: &Session, camera: &CameraDescription, footage: &Footage) -> Vec<u8> {
    let count = footage.frame_pts_seconds.len();
    let frames: Vec<usize> = (0..11).map(|i| i * (count - 1) / 10).collect();
    let pictures =
        midline_media::pictures_at(&session.path(&camera.footage), footage, PictureFormat::Gray, &frames).unwrap();
    let pixels: Vec<&[u8]> = pictures.iter().map(|p| p.pixels.as_slice()).collect();
    median_picture(&pixels).unwrap()
}

/// The detector of the demo errs alike over many frames and otherwise in each view, as real ones do. Lines found in the pictures
/// fix the cameras better than such points can: the program therefore refines by them only where the session asks for it.
#[test]
fn the_players_points_against_the_courts_lines() {
    let court = Court::itf_tennis().unwrap();
    let (mut before, mut after) = (Vec::new(), Vec::new());
    for name in ["p07-first", "p12"] {
        let folder = academy().join(name);
        let session = Session::open(&folder).unwrap();
        let truth: Truth =
            serde_json::from_slice(&std::fs::read(academy().join(format!("truth/{name}.json"))).unwrap()).unwrap();
        let cameras = &session.description.cameras;
        let lenses: Vec<LensCalibration> =
            cameras.iter().map(|c| computed(&academy().join("p07-first"), &format!("lens-{}.json", c.name))).collect();
        let footage: Vec<Footage> =
            cameras.iter().map(|c| computed(&folder, &format!("media-{}.json", c.name))).collect();
        let pictures: Vec<Vec<u8>> =
            cameras.iter().zip(&footage).map(|(camera, footage)| reference(&session, camera, footage)).collect();
        let marks: Vec<_> = cameras.iter().map(|c| c.court_points.clone()).collect();
        let look = |camera: usize, pose: &RigidTransform, reach_px: f64| -> Vec<LinePoint> {
            let grey = Grey { pixels: &pictures[camera], size_px: footage[camera].size_px };
            court_lines(&grey, &lenses[camera].intrinsics, pose, &court, reach_px)
                .into_iter()
                .map(|seen| LinePoint { line: seen.line, edge: seen.edge, px: seen.px, sd_px: Some(seen.sd_px) })
                .collect()
        };
        let settings = RigSettings::default();
        let input = RigInput { lenses: &lenses, boards: None, court: Some((&court, &marks)), lines: &[] };
        let found = solve_on_pictures(&input, &settings, &[], look).unwrap();
        let clock: ClockCalibration = computed(&folder, "clock.json");
        let keypoints: Vec<Keypoints> =
            cameras.iter().map(|c| computed(&folder, &format!("points-{}.json", c.name))).collect();
        let calibrated: Vec<CalibratedCamera> = truth
            .cameras
            .iter()
            .zip(&lenses)
            .map(|(camera, lens)| CalibratedCamera::join(lens, &found.rig, &clock, camera.camera.read_out).unwrap())
            .collect();
        let with_lines = RigInput { lines: &found.lines, ..input };
        let ([a, b], turned) = errors(&found.rig, &truth);
        println!("{name}, marks and lines: {a:.1} and {b:.1} mm, {turned:.3}° between the cameras");
        before.push(turned);
        for (what, sd_px, free) in
            [("points at 3 px", 3.0, false), ("points at 6 px", 6.0, false), ("points at 3 px, lenses free", 3.0, true)]
        {
            let points = player_points(&calibrated, &keypoints, &PlayerSettings { sd_px, ..PlayerSettings::default() });
            let refined = refine(&with_lines, &settings, &points, free).unwrap();
            let ([a, b], turned) = errors(&refined.rig, &truth);
            println!("{name}, {what}, {}: {a:.1} and {b:.1} mm, {turned:.3}° between the cameras", refined.points);
            assert!(refined.points > 300);
            if what == "points at 3 px" {
                after.push(turned);
            }
        }
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    println!("mean turn between the cameras: {:.3}° before, {:.3}° after", mean(&before), mean(&after));
}
