use std::collections::{BTreeMap, BTreeSet};

use rerun::{ChunkStore, ChunkStoreConfig, StoreKind};

use crate::fixture::{CONTACTS, Fixture, SPAN};
use crate::recording::{SESSION_TIME, TIME_TO_CONTACT};
use crate::{ViewError, save};

/// Reads a recording back with rerun's own decoder: the store of the data and the number of layouts.
fn read(path: &std::path::Path) -> (ChunkStore, usize) {
    let mut file = std::fs::File::open(path).unwrap();
    let stores = ChunkStore::from_rrd_reader(&ChunkStoreConfig::default(), &mut file).unwrap();
    let (data, layouts): (Vec<_>, Vec<_>) = stores.into_values().partition(|s| s.id().kind() == StoreKind::Recording);
    assert_eq!(data.len(), 1);
    (data.into_iter().next().unwrap(), layouts.len())
}

/// Times in seconds of an entity's rows on a timeline, in order.
fn times(store: &ChunkStore, entity: &str, timeline: &str) -> Vec<f64> {
    let entity = rerun::EntityPath::from(entity);
    let chunks = store.iter_physical_chunks().filter(|c| *c.entity_path() == entity);
    let mut times: Vec<f64> = chunks
        .flat_map(|c| {
            c.timelines().iter().filter(|(name, _)| name.as_str() == timeline).map(|(_, t)| t.times_raw().to_vec())
        })
        .flatten()
        .map(|nanos| nanos as f64 * 1e-9)
        .collect();
    times.sort_by(f64::total_cmp);
    times
}

fn components(store: &ChunkStore, entity: &str) -> BTreeSet<String> {
    let entity = rerun::EntityPath::from(entity);
    let chunks = store.iter_physical_chunks().filter(|c| *c.entity_path() == entity);
    chunks.flat_map(|c| c.component_descriptors().map(|d| d.component.to_string()).collect::<Vec<_>>()).collect()
}

#[test]
fn everything_that_was_promised_is_in_the_file() {
    let fixture = Fixture::new(1);
    let path = fixture.path("out/recording.rrd");
    let remarks = save(&path, &fixture.input()).unwrap();
    assert_eq!(remarks, Vec::<String>::new());
    let (store, layouts) = read(&path);
    assert_eq!(layouts, 1);
    let entities: BTreeSet<String> = store.all_entities_sorted().iter().map(ToString::to_string).collect();
    let mut expected: BTreeSet<String> = [
        "/world",
        "/world/court/lines",
        "/world/court/net",
        "/world/player/points",
        "/world/player/trunk",
        "/world/player/dominant_side",
        "/world/player/other_side",
        "/world/player/racket",
        "/world/ball",
        "/world/racket_trail",
        "/world/uncertainty_95",
        "/world/body/midline_plane",
        "/world/body/midline_plane/outline",
        "/world/body/frontal_plane",
        "/world/body/frontal_plane/outline",
        "/strokes",
        "/events",
        "/about",
    ]
    .map(str::to_owned)
    .into();
    for camera in ["fence", "gate"] {
        let parts = ["", "/picture", "/picture/footage", "/picture/points"];
        let sides = ["trunk", "dominant_side", "other_side", "racket"].map(|side| format!("/picture/points/{side}"));
        let parts = parts.map(str::to_owned).into_iter().chain(sides);
        expected.extend(parts.map(|part| format!("/world/cameras/{camera}{part}")));
        let parts = ["trunk", "dominant_side", "other_side", "racket"];
        expected.extend(parts.map(|part| format!("/world/cameras/{camera}/picture/reprojected/{part}")));
    }
    for stroke in 1..=2 {
        expected.extend(["", "/skeleton", "/racket_path"].map(|part| format!("/strokes/stroke_{stroke}{part}")));
        expected.extend(["racket-tip-speed", "shoulder-alignment"].map(|id| format!("/curves/{id}/stroke_{stroke}")));
    }
    let own = |e: &String| e.starts_with("/__"); // the library's own properties
    let found: BTreeSet<String> = entities.into_iter().filter(|e| !own(e)).collect();
    assert_eq!(found, expected);
    let timelines: BTreeMap<&str, _> =
        [SESSION_TIME, TIME_TO_CONTACT].map(|name| (name, store.time_range(&name.into()).unwrap())).into();
    let seconds = |name: &str| [timelines[name].min().as_f64() * 1e-9, timelines[name].max().as_f64() * 1e-9];
    let [from, to] = seconds(SESSION_TIME);
    assert!(from < 1e-9 && (SPAN[1]..SPAN[1] + 0.2).contains(&to), "{from} {to}");
    let [from, to] = seconds(TIME_TO_CONTACT);
    assert!((-1.11..-0.89).contains(&from) && (0.44..0.71).contains(&to), "{from} {to}");
}

#[test]
fn frames_points_and_events_stand_at_their_session_times() {
    let fixture = Fixture::new(1);
    let path = fixture.path("recording.rrd");
    save(&path, &fixture.input()).unwrap();
    let (store, _) = read(&path);
    for (camera, (_, footage)) in fixture.cameras.iter().zip(&fixture.footage) {
        let seen = times(&store, &format!("/world/cameras/{}/picture/footage", camera.name), SESSION_TIME);
        assert_eq!(seen.len(), footage.frame_pts_seconds.len());
        for (seen, pts) in seen.iter().zip(&footage.frame_pts_seconds) {
            assert!((seen - camera.clock.session_seconds(*pts)).abs() < 1e-8);
        }
        let marks = times(&store, &format!("/world/cameras/{}/picture/points", camera.name), SESSION_TIME);
        assert!((marks[0] - camera.clock.session_seconds(0.0)).abs() < 1e-8);
        let parts = components(&store, &format!("/world/cameras/{}/picture/footage", camera.name));
        for part in ["AssetVideo:blob", "VideoFrameReference:timestamp", "Transform3D:mat3x3"] {
            assert!(parts.contains(part), "{part} not in {parts:?}");
        }
    }
    let events = times(&store, "/events", SESSION_TIME);
    assert_eq!(events.len(), 10);
    for contact in CONTACTS {
        assert!(events.iter().any(|t| (t - contact).abs() < 1e-8));
        let rows = times(&store, "/curves/racket-tip-speed/stroke_1", SESSION_TIME);
        let to_contact = times(&store, "/curves/racket-tip-speed/stroke_1", TIME_TO_CONTACT);
        assert_eq!(rows.len(), to_contact.len());
        assert!((rows[0] - to_contact[0] - CONTACTS[0]).abs() < 1e-8);
        // Samples, a row that breaks the line at contact, one at the end.
        assert_eq!(rows.len(), 163 + 2);
    }
    // All instants, one row to blank the gap between them where nothing follows, one at the end.
    let rows = times(&store, "/world/player/trunk", SESSION_TIME);
    assert_eq!(rows.len(), fixture.tracks.session_seconds.len() + 1);
}

/// Copies a clip with ffmpeg under options for the input; returns the copy and its frames' times as ffprobe shows them.
fn copied(fixture: &Fixture, name: &str, options: &[&str]) -> (std::path::PathBuf, Vec<f64>) {
    let copy = fixture.path(name);
    let ffmpeg = std::process::Command::new("ffmpeg")
        .args(["-hide_banner", "-loglevel", "error", "-y"])
        .args(options)
        .arg("-i")
        .arg(fixture.path("fence.mp4"))
        .args(["-c", "copy", "-avoid_negative_ts", "disabled"])
        .arg(&copy)
        .status()
        .unwrap();
    assert!(ffmpeg.success());
    let probe = std::process::Command::new("ffprobe")
        .args(["-v", "error", "-select_streams", "v:0", "-show_entries", "frame=pts_time", "-of", "csv=p=0"])
        .arg(&copy)
        .output()
        .unwrap();
    let text = String::from_utf8(probe.stdout).unwrap();
    (copy, text.lines().filter_map(|line| line.trim_end_matches(',').parse().ok()).collect())
}

#[test]
fn frames_are_found_behind_edit_lists_start_offsets_and_b_frames() {
    let fixture = Fixture::new(1);
    let all = &fixture.footage[0].1;
    let nanos = |path: &std::path::Path, pts: &[f64]| {
        let mut footage = all.clone();
        footage.frame_pts_seconds = pts.to_vec();
        crate::video::read(path, &footage).unwrap().frame_nanos
    };
    let spacing = 1e9 / crate::fixture::FRAMES_PER_SECOND;
    let one_by_one = |nanos: &[i64]| nanos.windows(2).all(|w| ((w[1] - w[0]) as f64 / spacing - 1.0).abs() < 0.01);
    let whole = nanos(&fixture.path("fence.mp4"), &all.frame_pts_seconds);
    assert!(whole[0] == 0 && one_by_one(&whole));
    // An edit list that skips the frames between the key frame and 0.7 s.
    let (cut, pts) = copied(&fixture, "cut.mp4", &["-ss", "0.7"]);
    assert!((50..all.frame_pts_seconds.len()).contains(&pts.len()));
    let found = nanos(&cut, &pts);
    assert!(found[0] > 0 && one_by_one(&found), "{:?}", &found[..3]);
    // The last frame of the file is the last of the whole clip too: the skipped ones are missing at the start.
    let skipped = (found[0] as f64 / spacing).round() as usize;
    assert!(skipped + pts.len() < all.frame_pts_seconds.len());
    // An empty edit that delays the first frame.
    let (late, pts) = copied(&fixture, "late.mp4", &["-itsoffset", "0.5"]);
    assert!((pts[0] - 0.5).abs() < 1e-3 && pts.len() == all.frame_pts_seconds.len());
    let found = nanos(&late, &pts);
    assert!(found[0] == 0 && one_by_one(&found));
}

#[test]
fn the_viewer_named_is_the_one_that_wrote_the_file() {
    assert_eq!(crate::VIEWER_VERSION, rerun::build_info().version.to_string());
}

#[test]
fn what_cannot_be_shown_is_said_and_the_rest_is_written() {
    let mut fixture = Fixture::new(1);
    std::fs::write(fixture.path("fence.mp4"), "not a film").unwrap();
    fixture.footage[1].1.frame_pts_seconds.push(99.0);
    let path = fixture.path("recording.rrd");
    let remarks = save(&path, &fixture.input()).unwrap();
    assert_eq!(remarks.len(), 2);
    assert!(remarks[0].contains("fence.mp4") && remarks[1].contains("do not match"), "{remarks:?}");
    let (store, _) = read(&path);
    assert!(times(&store, "/world/cameras/fence/picture/footage", SESSION_TIME).is_empty());
    assert!(!times(&store, "/world/cameras/fence/picture/points", SESSION_TIME).is_empty());
    std::fs::remove_file(fixture.path("gate.mp4")).unwrap();
    fixture.footage.remove(0);
    let remarks = save(&path, &fixture.input()).unwrap();
    assert!(remarks[0].contains("no footage was given") && remarks[1].contains("gate.mp4"), "{remarks:?}");
}

#[test]
fn an_empty_session_makes_a_recording_and_a_bad_folder_an_error() {
    let mut fixture = Fixture::new(1);
    fixture.tracks = Default::default();
    fixture.strokes = Default::default();
    let mut input = fixture.input();
    (input.cameras, input.footage, input.keypoints, input.court) = (&[], &[], &[], None);
    let path = fixture.path("recording.rrd");
    save(&path, &input).unwrap();
    assert!(read(&path).0.time_range(&SESSION_TIME.into()).is_none());
    let error = save(&fixture.path("session.toml/recording.rrd"), &input).unwrap_err();
    assert!(matches!(&error, ViewError::Io { .. }) && error.to_string().contains("session.toml"), "{error}");
    // Nothing half written is left behind.
    let left: Vec<_> = std::fs::read_dir(fixture.path("")).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(left.iter().all(|name| !name.to_string_lossy().starts_with(".tmp")), "{left:?}");
}

#[test]
#[ignore = "writes a recording into the temporary folder for a look in the viewer"]
fn writes_the_fixture_for_a_look() {
    let fixture = Fixture::new(3);
    let remarks = save(&std::env::temp_dir().join("midline-recording.rrd"), &fixture.input()).unwrap();
    assert_eq!(remarks, Vec::<String>::new());
}
