//! Bad input ends with what, where, why and what to do; exit code 1; nothing written half.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::path::Path;
use std::process::Command;

use midline_tests::academy::{copied_session, midline};

/// Runs a stage on a session and demands exit code 1 and all of `words` in one message.
fn refused(stage: &str, session: &Path, words: &[&str]) {
    let output = midline(&[stage, &session.display().to_string()]);
    let message = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{message}");
    for word in words {
        assert!(message.contains(word), "\"{word}\" is missing in: {message}");
    }
    assert!(!message.contains("panicked"), "{message}");
    nothing_half_written(session);
}

/// Every computed JSON file is whole, and no temporary file is left.
fn nothing_half_written(session: &Path) {
    let Ok(files) = std::fs::read_dir(session.join("midline")) else { return };
    for file in files.flatten().map(|f| f.path()) {
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        assert!(!name.starts_with(".tmp"), "{name} is left over");
        if name.ends_with(".json") {
            serde_json::from_slice::<serde_json::Value>(&std::fs::read(&file).unwrap()).expect("a whole file");
        }
    }
}

fn edit(session: &Path, from: &str, to: &str) {
    let file = session.join("session.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    assert!(text.contains(from), "the demo's session.toml has no \"{from}\"");
    std::fs::write(&file, text.replacen(from, to, 1)).unwrap();
}

/// A path given in session.toml for one camera.
fn named(
    session: &Path,
    get: impl Fn(&midline_session::description::Description) -> std::path::PathBuf,
) -> std::path::PathBuf {
    let described = midline_session::description::Session::open(session).unwrap();
    session.join(get(&described.description))
}

#[test]
fn a_missing_session_is_named() {
    let folder = tempfile::tempdir().unwrap();
    refused("run", &folder.path().join("nowhere"), &["nowhere", "reading the session"]);
}

#[test]
fn malformed_toml_is_named_with_its_line() {
    let (_keep, session) = copied_session("p07-first");
    edit(&session, "handedness = \"right\"", "handedness = right");
    refused("run", &session, &["session.toml:"]);
}

#[test]
fn two_cameras_of_one_name_are_refused() {
    let (_keep, session) = copied_session("p07-first");
    edit(&session, "name = \"gate\"", "name = \"fence\"");
    refused("run", &session, &["session.toml:", "two cameras are named \"fence\""]);
}

#[test]
fn a_slowed_export_is_refused_before_anything_is_computed() {
    let (_keep, session) = copied_session("p07-first");
    let footage = named(&session, |d| d.cameras[1].footage.clone());
    let slow = session.join("slow.mp4");
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-itsscale", "2", "-i"])
        .args([&footage])
        .args(["-c", "copy", "-map_metadata", "-1"])
        .arg(&slow)
        .status()
        .unwrap();
    assert!(made.success());
    std::fs::rename(&slow, &footage).unwrap();
    refused("run", &session, &["slowed down", "without slow motion", &footage.file_name().unwrap().to_string_lossy()]);
    assert!(!session.join("midline").join("clock.json").exists());
    assert!(!session.join("midline").join("rig.json").exists());
}

#[test]
fn a_missing_file_is_named() {
    let (_keep, session) = copied_session("p07-first");
    std::fs::remove_file(named(&session, |d| d.cameras[0].footage.clone())).unwrap();
    refused("run", &session, &["footage", "is missing", "session.toml"]);
}

#[test]
fn an_unreadable_video_is_named() {
    let (_keep, session) = copied_session("p07-first");
    let video = named(&session, |d| d.cameras[0].footage.clone());
    std::fs::remove_file(&video).unwrap();
    std::fs::write(&video, "this is not a video").unwrap();
    refused("media", &session, &[&video.file_name().unwrap().to_string_lossy()]);
    std::fs::write(&video, "").unwrap();
    refused("media", &session, &[&video.file_name().unwrap().to_string_lossy()]);
}

#[test]
fn a_board_that_is_not_there_is_said() {
    let (_keep, session) = copied_session("p07-first");
    edit(&session, "inner_corners = [9, 6]", "inner_corners = [4, 13]");
    refused("lens", &session, &["4 × 13", "not found", "check"]);
}

#[test]
fn too_few_views_of_a_board_are_refused() {
    let (_keep, session) = copied_session("p07-first");
    let clip = named(&session, |d| match &d.cameras[0].lens {
        midline_session::description::LensSource::Clip { clip, .. } => clip.clone(),
        midline_session::description::LensSource::File { .. } => panic!("the first session films the board"),
    });
    let short = clip.with_file_name("short.mp4");
    let cut = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-i"])
        .arg(&clip)
        .args(["-frames:v", "4", "-an"])
        .arg(&short)
        .status()
        .unwrap();
    assert!(cut.success());
    std::fs::remove_file(&clip).unwrap();
    std::fs::rename(&short, &clip).unwrap();
    refused("lens", &session, &["fence", "view"]);
}

#[test]
fn an_unknown_keypoint_name_is_named_with_its_line() {
    let (_keep, session) = copied_session("p07-first");
    let file = named(&session, |d| d.cameras[1].points.clone());
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replacen("left_wrist", "left_paw", 1)).unwrap();
    refused("points", &session, &["left_paw", "left_wrist", &file.file_name().unwrap().to_string_lossy()]);
}

#[test]
fn malformed_keypoint_files_are_named_with_their_line() {
    let (_keep, session) = copied_session("p07-first");
    let json = named(&session, |d| d.cameras[0].points.clone());
    let text = std::fs::read_to_string(&json).unwrap();
    std::fs::write(&json, &text[..text.len() / 2]).unwrap();
    refused("points", &session, &[&json.file_name().unwrap().to_string_lossy()]);
    std::fs::write(&json, text).unwrap();
    let csv = named(&session, |d| d.cameras[1].points.clone());
    let text = std::fs::read_to_string(&csv).unwrap();
    let mut lines: Vec<&str> = text.lines().collect();
    lines[7] = "3,nose,not-a-number,4,0.5";
    std::fs::write(&csv, lines.join("\n")).unwrap();
    refused("points", &session, &[&csv.file_name().unwrap().to_string_lossy(), "8", "not-a-number"]);
}

#[test]
fn footage_that_shares_no_sound_is_refused() {
    let (_keep, session) = copied_session("p07-first");
    let video = named(&session, |d| d.cameras[1].footage.clone());
    let other = video.with_file_name("other.mp4");
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-i"])
        .arg(&video)
        .args([
            "-f",
            "lavfi",
            "-i",
            "anoisesrc=d=12:c=white:a=0.1:seed=7",
            "-map",
            "0:v",
            "-map",
            "1:a",
            "-c:v",
            "copy",
            "-c:a",
            "aac",
        ])
        .arg(&other)
        .status()
        .unwrap();
    assert!(made.success());
    std::fs::remove_file(&video).unwrap();
    std::fs::rename(&other, &video).unwrap();
    refused("clock", &session, &["gate", "clap"]);
}

#[test]
fn one_camera_alone_is_not_measurable_and_says_so_with_code_2() {
    let (_keep, session) = copied_session("p12");
    let mut text = std::fs::read_to_string(session.join("session.toml")).unwrap();
    let second = text.rfind("[[camera]]").unwrap();
    text.truncate(second);
    std::fs::write(session.join("session.toml"), text).unwrap();
    // The lens comes from a sibling session that the copy does not have: point at the original.
    let text = std::fs::read_to_string(session.join("session.toml")).unwrap();
    let sibling = midline_tests::academy::academy().join("p07-first").display().to_string();
    std::fs::write(session.join("session.toml"), text.replace("../p07-first", &sibling)).unwrap();
    let output = midline(&["lift", &session.display().to_string()]);
    assert_eq!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(String::from_utf8_lossy(&output.stderr).contains("at least two cameras"));
}

#[test]
fn a_wrong_plan_is_named_with_its_line_and_one_that_shows_nothing_ends_with_code_2() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("plan.toml");
    let path = file.display().to_string();
    let example = String::from_utf8(midline(&["plan", "--example"]).stdout).unwrap();
    std::fs::write(&file, example.replacen("x_m = [-1.2, 1.8]", "x_m = [1.8, -1.2]", 1)).unwrap();
    let output = midline(&["plan", &path]);
    let message = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{message}");
    assert!(message.contains("plan.toml: line ") && message.contains("empty"), "{message}");
    assert!(!file.with_extension("svg").exists());

    let away = "look_at_m = [0.0, -60.0, 1.0]\nname = \"";
    std::fs::write(&file, example.replace("name = \"", away)).unwrap();
    let output = midline(&["plan", &path]);
    let message = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{message}");
    assert!(message.contains("two phones"), "{message}");
}
