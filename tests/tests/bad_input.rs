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
    // The copy may carry what an earlier run computed.
    if session.join("midline").exists() {
        std::fs::remove_dir_all(session.join("midline")).unwrap();
    }
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

/// Bursts of hiss at uneven instants (seconds), the same for every listener, over the listener's own noise; 48 kHz, 16 bit.
fn write_wav(path: &Path, seconds: f64, listener: u64, bursts: &[f64]) {
    let hiss = |seed: u64, n: u64| -> f64 {
        let mut x = (seed << 32 ^ n).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        x = (x ^ (x >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        ((x ^ (x >> 32)) >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    };
    let count = (seconds * 48_000.0) as usize;
    let mut samples: Vec<f64> = (0..count as u64).map(|n| 0.004 * hiss(1000 + listener, n)).collect();
    for (index, at) in bursts.iter().enumerate() {
        let start = (at * 48_000.0) as isize;
        for n in 0..4000_isize {
            if let Some(sample) = usize::try_from(start + n).ok().and_then(|k| samples.get_mut(k)) {
                *sample += 0.5 * (-n as f64 / 400.0).exp() * hiss(index as u64, n as u64);
            }
        }
    }
    let data: Vec<u8> = samples.iter().flat_map(|s| ((s * 32_000.0) as i16).to_le_bytes()).collect();
    let length = u32::try_from(data.len()).unwrap();
    let mut file = Vec::new();
    file.extend(b"RIFF");
    file.extend((36 + length).to_le_bytes());
    file.extend(b"WAVEfmt ");
    file.extend(16u32.to_le_bytes());
    file.extend([1, 0, 1, 0]);
    file.extend(48_000u32.to_le_bytes());
    file.extend(96_000u32.to_le_bytes());
    file.extend([2, 0, 16, 0]);
    file.extend(b"data");
    file.extend(length.to_le_bytes());
    file.extend(data);
    std::fs::write(path, file).unwrap();
}

/// Gives a video another sound; `None` takes the sound away.
fn dub(video: &Path, sound: Option<&Path>) {
    let other = video.with_file_name("dubbed.mp4");
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "error", "-nostdin", "-y", "-i"]).arg(video);
    match sound {
        Some(sound) => command.arg("-i").arg(sound).args(["-map", "0:v", "-map", "1:a", "-c:v", "copy", "-c:a", "aac"]),
        None => command.args(["-map", "0:v", "-c:v", "copy"]),
    };
    assert!(command.arg(&other).status().unwrap().success());
    std::fs::remove_file(video).unwrap();
    std::fs::rename(&other, video).unwrap();
}

#[test]
fn the_same_file_for_two_cameras_is_refused() {
    let (_keep, session) = copied_session("p07-first");
    let (first, second) =
        (named(&session, |d| d.cameras[0].footage.clone()), named(&session, |d| d.cameras[1].footage.clone()));
    std::fs::remove_file(&second).unwrap();
    std::fs::copy(&first, &second).unwrap();
    for stage in ["run", "clock"] {
        refused(stage, &session, &["fence", "gate", "same file", "its own footage"]);
    }
}

#[test]
fn the_same_sound_for_two_cameras_is_refused() {
    let (_keep, session) = copied_session("p07-first");
    let (first, second) =
        (named(&session, |d| d.cameras[0].footage.clone()), named(&session, |d| d.cameras[1].footage.clone()));
    dub(&second, Some(&first));
    refused("clock", &session, &["fence", "gate", "the same recording"]);
}

#[test]
fn sound_of_another_session_is_refused() {
    let (_keep, session) = copied_session("p07-first");
    let sibling = midline_tests::academy::academy().join("p07-second");
    let other = named(&sibling, |d| d.cameras[1].footage.clone());
    dub(&named(&session, |d| d.cameras[1].footage.clone()), Some(&other));
    refused("clock", &session, &["fence", "gate", "share no sound"]);
}

#[test]
fn a_clock_that_jumps_is_named_with_code_2() {
    let (_keep, session) = copied_session("p07-first");
    let bursts: Vec<f64> = (0..26).map(|k| 0.5 + 0.41 * f64::from(k) + 0.13 * f64::from(k * k % 7) / 7.0).collect();
    // Half way two seconds are missing in the second file.
    let cut: Vec<f64> = bursts.iter().filter(|t| !(5.0..7.0).contains(*t)).copied().collect();
    let (first, second) = (session.join("first.wav"), session.join("second.wav"));
    write_wav(&first, 12.0, 1, &bursts);
    // The bursts keep their number, and with it their hiss.
    let cut: Vec<f64> = bursts
        .iter()
        .map(|t| {
            if *t < 5.0 {
                *t
            } else if cut.contains(t) {
                t - 2.0
            } else {
                -9.0
            }
        })
        .collect();
    write_wav(&second, 10.0, 2, &cut);
    dub(&named(&session, |d| d.cameras[0].footage.clone()), Some(&first));
    dub(&named(&session, |d| d.cameras[1].footage.clone()), Some(&second));
    let output = midline(&["clock", &session.display().to_string()]);
    let message = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{message}");
    for word in ["gate", "jumps by", "2.0", "recorded in two parts"] {
        assert!(message.contains(word), "\"{word}\" is missing in: {message}");
    }
    nothing_half_written(&session);
}

#[test]
fn silent_clips_that_do_not_overlap_are_not_measurable() {
    let (_keep, session) = copied_session("p07-first");
    for camera in 0..2 {
        dub(&named(&session, |d| d.cameras[camera].footage.clone()), None);
    }
    // The second camera started 1.8 s before the first; only what it saw before then is left.
    let csv = named(&session, |d| d.cameras[1].points.clone());
    let text = std::fs::read_to_string(&csv).unwrap();
    let early =
        |line: &&str| line.split(',').next().and_then(|f| f.parse::<u32>().ok()).is_none_or(|frame| frame < 190);
    std::fs::write(&csv, text.lines().filter(early).collect::<Vec<_>>().join("\n") + "\n").unwrap();
    let output = midline(&["clock", &session.display().to_string()]);
    let message = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{message}");
    for word in ["fence", "gate", "no sound", "overlap in time"] {
        assert!(message.contains(word), "\"{word}\" is missing in: {message}");
    }
    nothing_half_written(&session);
}

/// Where the cameras stand, as the rig stage wrote it.
fn poses(session: &Path) -> Vec<midline_geometry::RigidTransform> {
    let text = std::fs::read(session.join("midline/rig.json")).unwrap();
    let file: serde_json::Value = serde_json::from_slice(&text).unwrap();
    let pose = |camera: &serde_json::Value| serde_json::from_value(camera["camera_from_world"].clone()).unwrap();
    file["result"]["cameras"].as_array().unwrap().iter().map(pose).collect()
}

#[test]
fn a_silent_shared_board_clip_is_clocked_by_the_boards_motion() {
    let (_keep, session) = copied_session("p07-first");
    let with_sound = poses(&session);
    dub(&named(&session, |d| d.shared_board.as_ref().unwrap().clips["gate"].clone()), None);
    let output = midline(&["rig", &session.display().to_string()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    for (silent, heard) in poses(&session).iter().zip(&with_sound) {
        // The same rests are paired, so the same rig comes out.
        let apart = (silent.inverse() * heard).translation.vector.norm();
        println!("camera {:.3} mm from where it stands with sound", apart * 1e3);
        assert!(apart < 1e-4);
    }
    // Two seconds are too short for any motion to tell.
    let clip = named(&session, |d| d.shared_board.as_ref().unwrap().clips["gate"].clone());
    let short = clip.with_file_name("short.mp4");
    let cut = ["-v", "error", "-nostdin", "-y", "-t", "2", "-i"];
    assert!(Command::new("ffmpeg").args(cut).arg(&clip).args(["-c", "copy"]).arg(&short).status().unwrap().success());
    std::fs::rename(&short, &clip).unwrap();
    let output = midline(&["rig", &session.display().to_string()]);
    let message = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{message}");
    for word in ["fence", "gate", "shared-board clips", "clap three times"] {
        assert!(message.contains(word), "\"{word}\" is missing in: {message}");
    }
    nothing_half_written(&session);
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

/// Lines `name = [x, y]` of a camera's marked court points, changed.
fn change_court_points(session: &Path, camera: &str, change: impl Fn(Vec<(String, String)>) -> Vec<(String, String)>) {
    let path = session.join("session.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let from = text.find(&format!("name = \"{camera}\"")).unwrap();
    let heading = "[camera.court_points]\n";
    let start = from + text[from..].find(heading).unwrap() + heading.len();
    let points: Vec<(String, String)> = text[start..]
        .lines()
        .map_while(|line| line.split_once(" = ").map(|(name, px)| (name.to_owned(), px.to_owned())))
        .collect();
    let length: usize = points.iter().map(|(name, px)| name.len() + px.len() + " = \n".len()).sum();
    let changed: String = change(points).into_iter().map(|(name, px)| format!("{name} = {px}\n")).collect();
    std::fs::write(&path, format!("{}{changed}{}", &text[..start], &text[start + length..])).unwrap();
}

#[test]
fn court_points_that_cannot_place_a_camera_are_refused_by_name() {
    let refused_points = |change: &dyn Fn(Vec<(String, String)>) -> Vec<(String, String)>, words: &[&str]| {
        let (_keep, session) = copied_session("p12");
        change_court_points(&session, "fence", change);
        refused("rig", &session, words);
    };
    let baseline =
        |points: Vec<(String, String)>| points.into_iter().filter(|(n, _)| n.contains("baseline")).take(3).collect();
    refused_points(&baseline, &["fence", "lie on one line", "mark at least one point well off that line"]);
    let swapped = |mut points: Vec<(String, String)>| {
        let last = points.len() - 1;
        let px = points[0].1.clone();
        points[0].1 = std::mem::replace(&mut points[last].1, px);
        points
    };
    refused_points(&swapped, &["fence", "near-baseline-centre-mark", "lies where \"net-post-right-top\" would be"]);
    let mirrored = |points: Vec<(String, String)>| {
        let other = |name: String| match name.contains("left") {
            true => name.replace("left", "right"),
            false => name.replace("right", "left"),
        };
        points.into_iter().map(|(name, px)| (other(name), px)).collect()
    };
    refused_points(&mirrored, &["fence", "left and right", "taken for each other"]);
    refused_points(&|_| Vec::new(), &["fence", "cannot be placed", "mark court points"]);
    let (_keep, session) = copied_session("p12");
    edit(&session, "itf-tennis", "bwf-badminton");
    refused(
        "rig",
        &session,
        &["session.toml", "no court point named \"near-baseline-centre-mark\"", "near-back-centre"],
    );
}
