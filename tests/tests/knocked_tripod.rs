//! A tripod that is knocked during the footage: noticed, reported with the time, and nothing measured after it.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use midline_session::calibration::RigCalibration;
use midline_session::keypoints::Keypoints;
use midline_session::read_computed;
use midline_session::steadiness::Steadiness;
use midline_session::strokes::Strokes;
use midline_synth::{KNOCKED_SECONDS, KNOCKED_SESSION, Truth, write_knocked_session};
use midline_tests::academy::{copied_session, midline};
use nalgebra::Point3;

#[test]
fn a_knocked_tripod_is_reported_with_its_time_and_what_follows_is_left_out() {
    // The lens comes from the first session, which is copied beside the new one.
    let (folder, first) = copied_session("p07-first");
    write_knocked_session(folder.path()).expect("the footage is written");
    let session = folder.path().join(KNOCKED_SESSION);
    assert!(first.join("midline/lens-fence.json").is_file());
    let output = midline(&["strokes", &session.display().to_string()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let kept = |name: &str| session.join("midline").join(name);

    let fence: Steadiness = read_computed(&kept("steady-fence.json")).unwrap().result;
    let gate: Steadiness = read_computed(&kept("steady-gate.json")).unwrap().result;
    println!("{:?}\n{:?}", fence.remarks, gate.remarks);
    let [moved] = fence.moves[..] else { panic!("{fence:?}") };
    // To one frame of 120 per second (the first camera's clock is the session's); by the scenario some 7 px.
    assert!((moved.from_seconds - KNOCKED_SECONDS).abs() < 0.02, "{moved:?}");
    assert!(moved.until_seconds.is_none() && (3.0..30.0).contains(&moved.shift_px), "{moved:?}");
    assert!(gate.moves.is_empty() && gate.wobble_px.unwrap() < 0.3, "{gate:?}");

    let points: Keypoints = read_computed(&kept("points-fence.json")).unwrap().result;
    assert!(points.frames.last().unwrap().pts_seconds < moved.from_seconds);
    let strokes: Strokes = read_computed(&kept("strokes.json")).unwrap().result;
    assert_eq!(strokes.strokes.len(), 1, "the stroke before the knock and no other");

    // The place is that of the time before.
    let rig: RigCalibration = read_computed(&kept("rig.json")).unwrap().result;
    assert!(rig.remarks.iter().any(|r| r.contains("was knocked at 4.3")), "{:?}", rig.remarks);
    let truth = std::fs::read(folder.path().join("truth").join(format!("{KNOCKED_SESSION}.json"))).unwrap();
    let truth: Truth = serde_json::from_slice(&truth).unwrap();
    for (found, camera) in rig.cameras.iter().zip(&truth.cameras) {
        let centre = found.camera_from_world.inverse_transform_point(&Point3::origin());
        let off = (centre - camera.camera.centre_world()).norm();
        println!("{}: {:.1} mm off", found.name, 1e3 * off);
        assert!(off < 0.04, "{}: {off}", found.name);
    }
}
