//! What a session can ask of the rig stage, through the program: boards that were carried about where few rested, and the player's own
//! points.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::path::Path;
use std::process::Command;

use midline_geometry::RigidTransform;
use midline_session::calibration::RigCalibration;
use midline_session::read_computed;
use midline_synth::Truth;
use midline_tests::academy::{academy, copied_session, midline};

fn change(session: &Path, edit: impl Fn(&str) -> String) {
    let path = session.join("session.toml");
    let before = std::fs::read_to_string(&path).unwrap();
    let after = edit(&before);
    assert_ne!(before, after);
    std::fs::write(path, after).unwrap();
}

fn run(stage: &str, session: &Path) -> String {
    let output = midline(&[stage, &session.display().to_string()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn rig(session: &Path, file: &str) -> RigCalibration {
    read_computed(&session.join("midline").join(file)).unwrap().result
}

/// Takes the first camera's frame to the second's.
fn between(poses: [RigidTransform; 2]) -> RigidTransform {
    poses[1] * poses[0].inverse()
}

/// How far the second camera is off as seen from the first: place in mm, turn in degrees.
fn error(rig: &RigCalibration, truth: &Truth) -> (f64, f64) {
    let found = between([0, 1].map(|camera| rig.cameras[camera].camera_from_world));
    let expected = between([0, 1].map(|camera| truth.cameras[camera].camera.camera_from_world));
    let off = 1e3 * (found.inverse().translation.vector - expected.inverse().translation.vector).norm();
    (off, found.rotation.angle_to(&expected.rotation).to_degrees())
}

fn truth(name: &str) -> Truth {
    serde_json::from_slice(&std::fs::read(academy().join(format!("truth/{name}.json"))).unwrap()).unwrap()
}

/// Keeps the first seconds of the clips of the shared board, as someone would film who stopped early, and takes the court away.
fn board_alone(session: &Path, seconds: &str) {
    for camera in ["fence", "gate"] {
        let clip = session.join(format!("footage/{camera}-board.mp4"));
        let short = clip.with_file_name("short.mp4");
        let cut = ["-v", "error", "-nostdin", "-y", "-t", seconds, "-i"];
        assert!(
            Command::new("ffmpeg").args(cut).arg(&clip).args(["-c", "copy"]).arg(&short).status().unwrap().success()
        );
        // The clip is a link to the academy's.
        std::fs::rename(&short, &clip).unwrap();
    }
    change(session, |text| {
        let court = text.replace("[court]\nmodel = \"itf-tennis\"\n", "");
        let mut in_points = false;
        let kept = court.lines().filter(|line| {
            in_points =
                if in_points { !line.is_empty() && !line.starts_with('[') } else { *line == "[camera.court_points]" };
            !in_points
        });
        kept.collect::<Vec<_>>().join("\n") + "\n"
    });
}

#[test]
fn a_board_that_hardly_rested_is_taken_in_motion_too() {
    let (_folder, session) = copied_session("p07-first");
    board_alone(&session, "5.2");
    let said = run("rig", &session);
    println!("{said}");
    assert!(said.contains("Shared sightings used: 3 of the board at rest, "), "{said}");
    assert!(said.contains(" of the board in motion."), "{said}");
    let (off, turned) = error(&rig(&session, "rig.json"), &truth("p07-first"));
    println!("from the board alone: {off:.1} mm, {turned:.3}°");
    // The program says 0.05° about each axis of each camera and some 10 mm (1 sd).
    assert!(off < 40.0 && turned < 0.2, "{off} mm, {turned}°");
}

#[test]
fn the_players_points_refine_the_rig_that_everything_then_rests_on() {
    let (_folder, session) = copied_session("p07-first");
    let before = run("strokes", &session);
    change(&session, |text| format!("{text}\n[rig]\nrefine_with_points = true\n"));
    let said = run("rig", &session);
    assert!(said.contains("Refined jointly with "), "{said}");
    assert!(said.contains("what they get wrong in all three is counted in none"), "{said}");
    let after = run("strokes", &session);
    assert_ne!(before, after, "the strokes rest on the refined rig");
    let truth = truth("p07-first");
    let [plain, refined] = ["rig.json", "rig-refined.json"].map(|file| error(&rig(&session, file), &truth));
    println!(
        "court and board: {:.2} mm, {:.4}°; with the player's points: {:.2} mm, {:.4}°",
        plain.0, plain.1, refined.0, refined.1
    );
    assert!(refined.0 < plain.0 + 1.0 && refined.1 < plain.1 + 0.01, "no worse than before: {refined:?}, {plain:?}");

    // Without the points' clock there is nothing to refine with: the plain rig alone is not taken for it.
    std::fs::remove_file(session.join("points/gate.json")).ok();
    for file in std::fs::read_dir(session.join("points")).unwrap().flatten() {
        std::fs::remove_file(file.path()).unwrap();
    }
    let output = midline(&["rig", &session.display().to_string()]);
    let message = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{message}");
    assert!(message.contains("points"), "{message}");
}
