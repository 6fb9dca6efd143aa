//! A made-up session of the Saltmarsh Racket School: two strokes, two cameras, one of them turned, with clocks that differ
//! and footage drawn from the same scene, so that what the recording lays over the footage can be compared with it.

use std::io::Write;
use std::process::{Command, Stdio};

use midline_session::calibration::{CalibratedCamera, Vertical};
use midline_session::court::Court;
use midline_session::description::Session;
use midline_session::footage::Footage;
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints, default_names};
use midline_session::strokes::{Curve, Event, EventKind, Statement, Stroke, Strokes, Verdict};
use midline_session::tracks::{Point3d, Tracks};
use nalgebra::{Isometry3, Matrix3, Point3, Rotation3, Translation3, UnitQuaternion, Vector3};
use serde_json::json;

use crate::ViewInput;

pub(crate) const CONTACTS: [f64; 2] = [1.0, 2.6];
/// Session seconds at which footage and tracks begin and end.
pub(crate) const SPAN: [f64; 2] = [0.0, 3.4];
pub(crate) const FRAMES_PER_SECOND: f64 = 30.0;

pub(crate) struct Fixture {
    folder: tempfile::TempDir,
    pub(crate) session: Session,
    pub(crate) cameras: Vec<CalibratedCamera>,
    pub(crate) footage: Vec<(String, Footage)>,
    pub(crate) tracks: Tracks,
    pub(crate) strokes: Strokes,
    pub(crate) court: Court,
    pub(crate) keypoints: Vec<Keypoints>,
}

const SESSION: &str = r#"schema = 1
[session]
question = "Does the racket *stop* in the drop?"
date = "2026-05-04"
[player]
code = "P12"
handedness = "right"
[court]
model = "itf-tennis"
[[camera]]
name = "fence"
footage = "fence.mp4"
points = "fence.json"
lens = { file = "fence-lens.json" }
[[camera]]
name = "gate"
footage = "gate.mp4"
points = "gate.json"
lens = { file = "gate-lens.json" }
"#;

impl Fixture {
    /// `scale` 1 makes pictures of 320 × 180 pixels.
    pub(crate) fn new(scale: u32) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("session.toml"), SESSION).unwrap();
        let cameras = vec![
            camera("fence", [320 * scale, 180 * scale], [4.6, -4.2, 2.3], 0.0, 1.0),
            camera("gate", [180 * scale, 320 * scale], [5.2, 3.4, 1.7], -0.35, 1.0005),
        ];
        let (footage, keypoints): (Vec<_>, Vec<_>) = cameras
            .iter()
            .zip([0u8, 1])
            .map(|(camera, turns)| {
                let footage = footage(camera, turns);
                let keypoints = keypoints(camera, &footage);
                let path = folder.path().join(format!("{}.mp4", camera.name));
                film(&path, camera, &footage, &keypoints);
                ((camera.name.clone(), footage), keypoints)
            })
            .unzip();
        Self {
            session: Session::open(folder.path()).unwrap(),
            folder,
            cameras,
            footage,
            tracks: tracks(),
            strokes: strokes(),
            court: Court::itf_tennis().unwrap(),
            keypoints,
        }
    }

    pub(crate) fn input(&self) -> ViewInput<'_> {
        ViewInput {
            session: &self.session,
            cameras: &self.cameras,
            footage: &self.footage,
            tracks: &self.tracks,
            strokes: &self.strokes,
            court: Some(&self.court),
            keypoints: &self.keypoints,
            vertical: Vertical::ZUp,
            before: None,
        }
    }

    pub(crate) fn path(&self, name: &str) -> std::path::PathBuf {
        self.folder.path().join(name)
    }
}

fn bell(t: f64, at: f64, width: f64) -> f64 {
    (-((t - at) / width).powi(2)).exp()
}

fn step(t: f64, at: f64, width: f64) -> f64 {
    1.0 / (1.0 + (-(t - at) / width).exp())
}

/// Places of the default set at a session time, metres in the court frame; the ball only around the contacts.
fn scene(seconds: f64) -> Vec<Option<Vector3<f64>>> {
    let t = CONTACTS.iter().map(|c| seconds - c).min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap();
    let middle = Vector3::new(0.4 + 0.05 * (seconds - 1.5), -0.3, 0.0);
    let turned =
        |offset: Vector3<f64>, angle: f64| middle + Rotation3::from_axis_angle(&Vector3::z_axis(), angle) * offset;
    let shoulders = -1.35 * bell(t, -0.45, 0.35) + 0.5 * step(t, 0.1, 0.08);
    let hips = 0.6 * shoulders;
    let body = |x: f64, y: f64, z: f64, angle: f64| turned(Vector3::new(x, y, z), angle);
    let wrist = body(
        0.45 - 0.3 * bell(t, -0.4, 0.25),
        0.35 * step(t, -0.08, 0.05) - 0.3 * bell(t, -0.4, 0.25),
        0.95 + 0.35 * bell(t, -0.5, 0.2) + 0.5 * step(t, 0.15, 0.06),
        shoulders,
    );
    let racket = Rotation3::from_euler_angles(
        0.0,
        -0.2 + 0.7 * bell(t, -0.45, 0.25),
        shoulders - 0.9 * bell(t, -0.2, 0.15) + 0.6 * step(t, 0.05, 0.05),
    );
    let along = |distance: f64| wrist + racket * Vector3::new(distance, 0.0, 0.0);
    let ball = Vector3::new(1.25, 0.25, 0.95) + Vector3::new(-0.1, 12.0, 1.0) * t.abs();
    let head = |x: f64, y: f64, z: f64| Some(body(x, y, z, 0.5 * shoulders));
    let mut places = vec![
        head(0.0, 0.12, 1.66),
        head(-0.03, 0.1, 1.7),
        head(0.03, 0.1, 1.7),
        head(-0.08, 0.02, 1.68),
        head(0.08, 0.02, 1.68),
        Some(body(-0.19, 0.0, 1.42, shoulders)),
        Some(body(0.19, 0.0, 1.42, shoulders)),
        Some(body(-0.32, 0.15, 1.2, shoulders)),
        Some((body(0.19, 0.0, 1.42, shoulders) + wrist) / 2.0 + Vector3::new(0.0, 0.0, -0.08)),
        Some(body(-0.25, 0.38, 1.2, shoulders)),
        Some(wrist),
        Some(body(-0.13, 0.0, 0.95, hips)),
        Some(body(0.13, 0.0, 0.95, hips)),
        Some(body(-0.2, 0.12, 0.52, 0.4 * hips)),
        Some(body(0.2, 0.05, 0.52, 0.4 * hips)),
        Some(body(-0.28, 0.1, 0.08, 0.0)),
        Some(body(0.3, -0.05, 0.08, 0.0)),
    ];
    places.extend([Some(along(-0.05)), Some(along(0.3)), Some(along(0.63))]);
    places.push((t.abs() < 0.3).then_some(ball));
    places
}

pub(crate) fn tracks() -> Tracks {
    let seconds: Vec<f64> = (0..).map(|i| SPAN[0] + f64::from(i) / 120.0).take_while(|t| *t <= SPAN[1]).collect();
    let point = |p: Vector3<f64>| Point3d {
        position_m: p.into(),
        covariance_m2: [[4e-5, 1e-5, 0.0], [1e-5, 2e-4, 0.0], [0.0, 0.0, 3e-5]],
        reprojection_px: 0.7,
        views: 2,
    };
    let points = seconds.iter().map(|t| scene(*t).into_iter().map(|p| p.map(point)).collect()).collect();
    // A gap: nothing is measured for 60 ms between the strokes.
    let mut tracks = Tracks { names: default_names(), session_seconds: seconds, points };
    for (t, points) in tracks.session_seconds.iter().zip(&mut tracks.points) {
        if (1.75..1.95).contains(t) {
            points.fill(None);
        }
    }
    tracks
}

fn camera(name: &str, size_px: [u32; 2], eye: [f64; 3], offset: f64, rate: f64) -> CalibratedCamera {
    let (eye, target) = (Vector3::from(eye), Vector3::new(0.5, -0.1, 1.0));
    let forward = (target - eye).normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let down = forward.cross(&right);
    let turn = Rotation3::from_matrix_unchecked(Matrix3::from_rows(&[
        right.transpose(),
        down.transpose(),
        forward.transpose(),
    ]));
    let pose = Isometry3::from_parts(Translation3::from(-(turn * eye)), UnitQuaternion::from_rotation_matrix(&turn));
    let focal = 0.95 * f64::from(size_px[0].max(size_px[1]));
    let centre = size_px.map(|s| f64::from(s) / 2.0 - 0.5);
    serde_json::from_value(json!({
        "name": name,
        "camera": {
            "intrinsics": {
                "focal_px": [focal, focal],
                "centre_px": centre,
                "model": {"kind": "pinhole"},
                "size_px": size_px,
            },
            "camera_from_world": pose,
            "read_out": {"seconds": 0.0, "direction": "down"},
        },
        "clock": {
            "camera": name,
            "offset_seconds": offset,
            "rate": rate,
            "covariance": [[0.0, 0.0], [0.0, 0.0]],
            "source": "motion",
            "estimates": [],
        },
    }))
    .unwrap()
}

/// Frames at a constant rate that cover the span, whatever the camera's clock says.
fn footage(camera: &CalibratedCamera, quarter_turns_clockwise: u8) -> Footage {
    let end = camera.clock.pts_seconds(SPAN[1]);
    let [width, height] = camera.camera.intrinsics.size_px;
    let stored = if quarter_turns_clockwise.is_multiple_of(2) { [width, height] } else { [height, width] };
    Footage {
        stored_size_px: stored,
        size_px: [width, height],
        quarter_turns_clockwise,
        frame_pts_seconds: (0..).map(|i| f64::from(i) / FRAMES_PER_SECOND).take_while(|t| *t < end).collect(),
        codec: "h264".into(),
        gaps: vec![],
        sound: None,
    }
}

fn keypoints(camera: &CalibratedCamera, footage: &Footage) -> Keypoints {
    let frames = footage.frame_pts_seconds.iter().enumerate().map(|(frame_index, pts)| {
        let places = scene(camera.clock.session_seconds(*pts));
        let point = |p: Vector3<f64>| Some(camera.camera.project(&Point3::from(p))?.into());
        let points = places.into_iter().map(|p| p.and_then(point).map(|px| Keypoint { px, score: 0.9 }));
        KeypointFrame { frame_index, pts_seconds: *pts, points: points.collect() }
    });
    Keypoints { camera: camera.name.clone(), names: default_names(), frames: frames.collect(), remarks: vec![] }
}

/// Draws the points as discs on a plain ground, turns the pictures to the stored orientation, and encodes them.
fn film(path: &std::path::Path, camera: &CalibratedCamera, footage: &Footage, keypoints: &Keypoints) {
    let [stored_width, stored_height] = footage.stored_size_px;
    let [width, _] = camera.camera.intrinsics.size_px;
    let rotate = format!("rotate={}", 90 * u32::from(footage.quarter_turns_clockwise));
    let mut ffmpeg = Command::new("ffmpeg")
        .args(["-hide_banner", "-loglevel", "error", "-y", "-f", "rawvideo", "-pix_fmt", "rgb24"])
        .args(["-s", &format!("{stored_width}x{stored_height}"), "-r", &FRAMES_PER_SECOND.to_string(), "-i", "-"])
        .args(["-c:v", "libx264", "-preset", "veryfast", "-crf", "24", "-pix_fmt", "yuv420p", "-bf", "2", "-g", "15"])
        .args(["-metadata:s:v:0", &rotate])
        .arg(path)
        .stdin(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = ffmpeg.stdin.take().unwrap();
    let ground: Vec<u8> = (0..stored_height * stored_width)
        .flat_map(|i| {
            let (row, column) = (i / stored_width, i % stored_width);
            let y = if footage.quarter_turns_clockwise == 0 { row } else { column };
            [60, 90, (80 + y % 64) as u8]
        })
        .collect();
    let radius = f64::from(width.max(180)) / 90.0;
    let reach = radius.ceil() as i64;
    for frame in &keypoints.frames {
        let mut picture = ground.clone();
        for [x, y] in frame.points.iter().flatten().map(|p| p.px) {
            let around = (-reach..=reach).flat_map(|dy| (-reach..=reach).map(move |dx| (dx, dy)));
            for (dx, dy) in around {
                let (px, py) = (x.round() as i64 + dx, y.round() as i64 + dy);
                let (column, row) = match footage.quarter_turns_clockwise {
                    0 => (px, py),
                    _ => (py, i64::from(width) - 1 - px),
                };
                let inside =
                    (0..i64::from(stored_width)).contains(&column) && (0..i64::from(stored_height)).contains(&row);
                if inside && (x - px as f64).hypot(y - py as f64) < radius {
                    let at = 3 * (row * i64::from(stored_width) + column) as usize;
                    picture[at..at + 3].copy_from_slice(&[240, 150, 40]);
                }
            }
        }
        input.write_all(&picture).unwrap();
    }
    drop(input);
    assert!(ffmpeg.wait().unwrap().success());
}

fn strokes() -> Strokes {
    let stroke = |(contact, number): (&f64, usize)| {
        let times = [
            (EventKind::TakeBackStart, -0.9),
            (EventKind::Bounce, -0.6),
            (EventKind::DropBottom, -0.16),
            (EventKind::Contact, 0.0),
            (EventKind::FollowThroughEnd, 0.45),
        ];
        let event = |(kind, t): (EventKind, f64)| Event {
            kind,
            session_seconds: contact + t,
            sd_seconds: 0.003,
            source: "tracks".into(),
            definition: String::new(),
        };
        let seconds: Vec<f64> = (-108..=54).map(|i| f64::from(i) / 120.0).collect();
        let speed = |t: f64| 8.0 * bell(t, -0.4, 0.2) + 29.0 * bell(t, 0.0, 0.13) * if t > 0.0 { 0.8 } else { 1.0 };
        let curve = |id: &str, name: &str, unit: &str, f: &dyn Fn(f64) -> f64| Curve {
            id: id.into(),
            name: name.into(),
            unit: unit.into(),
            definition: String::new(),
            seconds_to_contact: seconds.clone(),
            values: seconds.iter().map(|t| (!(-0.55..-0.5).contains(t)).then(|| f(*t) + number as f64)).collect(),
            sds: vec![Some(0.3); seconds.len()],
        };
        Stroke {
            number,
            events: times.map(event).into(),
            measures: vec![],
            curves: vec![
                curve("shoulder-alignment", "Shoulder alignment", "rad", &|t| -1.35 * bell(t, -0.45, 0.35)),
                curve("racket-tip-speed", "Racket-tip speed", "m/s", &speed),
            ],
            paths: vec![],
            statements: vec![Statement {
                id: "no-hitch".into(),
                text: "Racket speed keeps rising without a hitch until contact".into(),
                verdict: Verdict::DoesNotHold,
                probability: Some(0.02),
                rests_on: vec![],
                source: "common practice, no source".into(),
            }],
            style: String::new(),
        }
    };
    Strokes { strokes: CONTACTS.iter().zip(1..).map(stroke).collect(), ..Strokes::default() }
}
