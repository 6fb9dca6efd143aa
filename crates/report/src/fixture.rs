//! A made-up session of the Saltmarsh Racket School, with all that a real one has: gaps, missing points, open questions.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use midline_session::Provenance;
use midline_session::calibration::{
    CameraClock, ClockCalibration, ClockEstimate, ClockSource, LensCalibration, RigCalibration, RigCamera, Scale,
    Vertical, World,
};
use midline_session::description::Session;
use midline_session::footage::{Footage, FrameGap, Sound};
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints, default_names};
use midline_session::strokes::{
    Answer, Answers, BodyPath, Curve, Event, EventKind, KindOfStroke, Measure, Outcome, SetEventRecord, Statement,
    Stroke, StrokeKind, Strokes, SuspicionAnswer, Verdict,
};
use midline_session::tracks::{Point3d, Tracks};
use nalgebra::{Isometry3, Vector3};
use serde_json::json;

use crate::{KeyPicture, ReportInput};

pub(crate) struct Fixture {
    pub(crate) session: Session,
    pub(crate) strokes: Strokes,
    pub(crate) lenses: Vec<LensCalibration>,
    pub(crate) rig: RigCalibration,
    pub(crate) clock: ClockCalibration,
    pub(crate) footage: Vec<(String, Footage)>,
    pub(crate) keypoints: Vec<Keypoints>,
    pub(crate) tracks: Tracks,
    pub(crate) lift_remarks: Vec<String>,
    pub(crate) pictures: Vec<KeyPicture>,
    pub(crate) provenance: Vec<Provenance>,
}

impl Fixture {
    pub(crate) fn new() -> Self {
        Self {
            session: session(),
            strokes: strokes(),
            lenses: vec![lens("fence", [1280, 720]), lens("gate", [720, 1280])],
            rig: rig(),
            clock: clock(),
            footage: footage(),
            keypoints: keypoints(),
            tracks: tracks(),
            lift_remarks: vec!["4 sights of the racket tip lie off the rest and count less.".to_owned()],
            pictures: PICTURES.clone(),
            provenance: provenance(),
        }
    }

    pub(crate) fn input(&self) -> ReportInput<'_> {
        ReportInput {
            session: &self.session,
            strokes: &self.strokes,
            lenses: &self.lenses,
            rig: &self.rig,
            clock: &self.clock,
            footage: &self.footage,
            keypoints: &self.keypoints,
            tracks: &self.tracks,
            lift_remarks: &self.lift_remarks,
            pictures: &self.pictures,
            provenance: &self.provenance,
            program: "midline 0.1.0",
            before: None,
            missing: &[],
        }
    }
}

const SESSION: &str = r#"schema = 1
[session]
question = "The racket seems to stop in the drop before it comes forward. Is there a hitch, and does it cost speed?"
date = "2026-05-04"
air_celsius = 21.5
[player]
code = "P07"
handedness = "right"
[court]
model = "itf-tennis"
[[board]]
name = "plate"
inner_corners = [9, 6]
square_m = 0.04
[[camera]]
name = "fence"
footage = "footage/fence.mp4"
points = "points/fence.json"
readout_seconds = 0.0082
lens = { clip = "footage/fence-lens.mp4", board = "plate" }
[[camera]]
name = "gate"
footage = "footage/gate.mp4"
points = "points/gate.csv"
lens = { clip = "footage/gate-lens.mp4", board = "plate" }
"#;

fn session() -> Session {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("session.toml"), SESSION).unwrap();
    Session::open(folder.path()).unwrap()
}

/// How much each stroke differs from the mean one.
const SPREAD: [f64; 6] = [-0.9, 0.3, 1.1, -0.2, 0.6, -1.2];

pub(crate) fn strokes() -> Strokes {
    let strokes: Vec<Stroke> = SPREAD.iter().zip(1..).map(|(w, number)| stroke(*w, number)).collect();
    let over_strokes = strokes[0].measures.iter().map(|m| over(m, &strokes)).collect();
    let remarks = vec![
        "Stroke 3: the ball is hidden behind the player in \"gate\" for 60 ms before contact.".to_owned(),
        "One impact sound at 14.2 s has no stroke near it; it was left out.".to_owned(),
    ];
    let answers = Answers {
        kinds: (1..=6)
            .map(|stroke| KindOfStroke {
                stroke,
                kind: StrokeKind::Forehand,
                because: "the ball is met on the side of the racket arm".into(),
            })
            .collect(),
        set_events: vec![SetEventRecord {
            stroke: 3,
            kind: EventKind::TakeBackEnd,
            session_seconds: 10.965,
            found_seconds: Some(10.971),
            reason: "the shirt hid the hand".into(),
        }],
        suspicions: vec![SuspicionAnswer {
            text: "the racket slows in the drop".into(),
            tested: "whether the racket-tip speed dips by more than a tenth before contact".into(),
            answer: Answer::Supported,
            evidence: vec!["stroke 1: yes (probability 0.97)".into()],
            rests_on: vec!["racket-speed-contact".into(), "no-hitch".into()],
        }],
    };
    Strokes { strokes, over_strokes, remarks, answers }
}

fn stroke(w: f64, number: usize) -> Stroke {
    let contact = 3.2 + 4.1 * (number - 1) as f64;
    let times = [
        (EventKind::TakeBackStart, -0.93 + 0.02 * w),
        (EventKind::Bounce, -0.71 + 0.03 * w),
        (EventKind::TakeBackEnd, -0.44 + 0.01 * w),
        (EventKind::FarthestAcross, -0.40 + 0.01 * w),
        (EventKind::DropTop, -0.36 + 0.01 * w),
        (EventKind::ForwardSwingStart, -0.24 + 0.01 * w),
        (EventKind::DropBottom, -0.16 + 0.006 * w),
        (EventKind::Contact, 0.0),
        (EventKind::FollowThroughEnd, 0.44 + 0.02 * w),
    ];
    // In the fourth stroke the bounce is out of both pictures.
    let seen = times.iter().filter(|(kind, _)| !(number == 4 && *kind == EventKind::Bounce));
    let events = seen.map(|(kind, t)| Event {
        kind: *kind,
        session_seconds: contact + t,
        sd_seconds: if *kind == EventKind::Contact { 0.0004 } else { 0.004 },
        source: if *kind == EventKind::Contact { "sound of two cameras" } else { "racket and body tracks" }.into(),
        definition: format!("Instant of the {}, from the tracks of racket and body.", kind.label()),
    });
    Stroke {
        number,
        events: events.collect(),
        measures: measures(w, number),
        curves: curves(w, number),
        paths: vec![racket_path(w)],
        statements: statements(number),
        style: "The racket goes across the midline behind the body (probability 97 %) and comes forward on the hitting side."
            .into(),
    }
}

fn measure(id: &str, name: &str, unit: &str, definition: &str, value: f64, half: f64) -> Measure {
    Measure {
        id: id.into(),
        name: name.into(),
        unit: unit.into(),
        definition: definition.into(),
        n: 1,
        outcome: Outcome::Measured { value, interval_95: [value - half, value + half] },
    }
}

fn measures(w: f64, number: usize) -> Vec<Measure> {
    let mut all = vec![
        measure(
            "racket-farthest-across",
            "racket tip farthest across",
            "m",
            "Smallest signed distance of the racket tip to the midline plane (through mid-shoulder and mid-hip, normal along the shoulder line) between take-back start and contact; positive on the hitting side, negative on the other side.",
            -0.27 + 0.05 * w,
            0.021,
        ),
        measure(
            "racket-behind-frontal",
            "racket tip to the frontal plane when farthest across",
            "m",
            "Signed distance of the racket tip to the frontal plane when it is farthest across; negative is behind.",
            -0.41 + 0.03 * w,
            0.024,
        ),
        measure(
            "take-back-path",
            "path of the racket tip in the take-back",
            "m",
            "Length of the racket tip's path in body axes from take-back start to its end.",
            1.84 + 0.11 * w,
            0.06,
        ),
        measure(
            "take-back-after-bounce",
            "take-back start minus bounce",
            "s",
            "Instant of take-back start minus instant of the ball's bounce; negative is before the bounce.",
            -0.22 - 0.01 * w,
            0.012,
        ),
        measure(
            "forward-duration",
            "forward-swing start to contact",
            "s",
            "Time from forward-swing start to contact.",
            0.24 - 0.01 * w,
            0.009,
        ),
        measure(
            "racket-speed-contact",
            "racket-tip speed at contact",
            "m/s",
            "Speed of the racket tip at contact, from the side before contact only.",
            30.6 + 1.3 * w,
            0.7,
        ),
        measure(
            "racket-speed-dip",
            "deepest dip of the racket-tip speed",
            "1",
            "Largest drop between the end of the take-back and contact, as a share of the neighbouring lower peak.",
            0.23 + 0.04 * w,
            0.05,
        ),
        measure(
            "shoulder-front",
            "dominant shoulder ahead of the other at contact",
            "m",
            "Distance by which the dominant shoulder is ahead of the other along the hitting direction; positive is ahead.",
            0.081 + 0.02 * w,
            0.018,
        ),
        measure(
            "shoulder-alignment-contact",
            "shoulder alignment at contact",
            "rad",
            "Angle of the shoulder line to the baseline, seen from above; positive when opened to the net.",
            0.31 + 0.06 * w,
            0.05,
        ),
        measure(
            "contact-ahead",
            "contact in front of the dominant shoulder",
            "m",
            "Distance of the ball from the dominant shoulder along the hitting direction at contact; positive is in front.",
            0.43 + 0.04 * w,
            0.03,
        ),
        measure(
            "trunk-peak",
            "peak angular speed of the shoulder line",
            "rad/s",
            "Largest angular speed of the shoulder line about the vertical before contact.",
            11.8 + 0.7 * w,
            0.9,
        ),
        measure(
            "sparc",
            "Smoothness of the racket-tip speed (SPARC)",
            "1",
            "Spectral arc length of the racket-tip speed from forward-swing start to contact, 20 Hz limit; nearer to zero is smoother.",
            -1.93 - 0.06 * w,
            0.04,
        ),
    ];
    all.push(Measure {
        n: 1,
        outcome: Outcome::NotMeasurable {
            because: "the gap between the peaks is 11 ms and the clock, the frame rate and the noise carry no less than 19 ms; film at 240 frames per second or with a better clock".into(),
        },
        ..measure("sequence-hip-shoulder", "Hip line's peak before the shoulder line's", "s", "Time of the hip line's peak angular speed minus that of the shoulder line.", 0.0, 0.0)
    });
    if number == 4 {
        all[3].outcome = Outcome::NotMeasurable { because: "the bounce is outside both pictures".into() };
    }
    all
}

/// Mean over the strokes with the t interval of the mean.
fn over(like: &Measure, strokes: &[Stroke]) -> Measure {
    let values = strokes.iter().filter_map(|s| match s.measure(&like.id)?.outcome {
        Outcome::Measured { value, .. } => Some(value),
        Outcome::NotMeasurable { .. } => None,
    });
    let values: Vec<f64> = values.collect();
    let n = values.len();
    let outcome = if n < 2 {
        Outcome::NotMeasurable { because: "fewer than two strokes carry it".into() }
    } else {
        let mean = values.iter().sum::<f64>() / n as f64;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1) as f64;
        let half = if n == 6 { 2.571 } else { 2.776 } * (variance / n as f64).sqrt();
        Outcome::Measured { value: mean, interval_95: [mean - half, mean + half] }
    };
    Measure { n, outcome, ..like.clone() }
}

fn bell(t: f64, at: f64, width: f64) -> f64 {
    (-((t - at) / width).powi(2)).exp()
}

fn curves(w: f64, number: usize) -> Vec<Curve> {
    let speed = |t: f64| {
        let rise = 8.6 * bell(t, -0.40, 0.20) + (30.0 + 1.3 * w) * bell(t, 0.0, 0.13);
        let hitch = (2.4 + 0.6 * w) * bell(t, -0.26, 0.055);
        let after = if t > 0.0 { 0.78 } else { 1.0 };
        (rise - hitch).max(0.3) * after + 0.4
    };
    // The tip is hidden for a while in the third stroke.
    let hidden = move |t: f64| number == 3 && (-0.52..-0.45).contains(&t);
    let shoulders = |t: f64| -1.5 + (1.9 + 0.06 * w) / (1.0 + (-(t + 0.10) / 0.055).exp());
    let hips = |t: f64| -0.9 + (1.15 + 0.04 * w) / (1.0 + (-(t + 0.15) / 0.06).exp());
    let forearm = |t: f64| 3.0 * bell(t, -0.5, 0.2) + (21.0 + w) * bell(t, -0.03, 0.07);
    let curve = |id: &str, name: &str, unit: &str, definition: &str, f: &dyn Fn(f64) -> f64, sd: f64| {
        let times: Vec<f64> = (-264..=120).map(|i| f64::from(i) / 240.0).collect();
        let seen = |t: f64| (!(id == "racket-tip-speed" && hidden(t))).then_some(t);
        Curve {
            id: id.into(),
            name: name.into(),
            unit: unit.into(),
            definition: definition.into(),
            values: times.iter().map(|t| seen(*t).map(f)).collect(),
            sds: times.iter().map(|t| seen(*t).map(|t| sd * (1.0 + 2.0 * bell(t, 0.0, 0.05)))).collect(),
            seconds_to_contact: times,
        }
    };
    vec![
        curve(
            "racket-tip-speed",
            "racket-tip speed",
            "m/s",
            "Speed of the racket tip in the court frame; the sides of contact are estimated apart.",
            &speed,
            0.3,
        ),
        curve(
            "shoulder-alignment",
            "alignment of the shoulder line",
            "rad",
            "Angle of the shoulder line to the baseline, seen from above; positive when opened to the net.",
            &shoulders,
            0.03,
        ),
        curve(
            "hip-alignment",
            "alignment of the hip line",
            "rad",
            "Angle of the hip line to the baseline, seen from above; positive when opened to the net.",
            &hips,
            0.035,
        ),
        curve(
            "forearm-angular-speed",
            "angular speed of the forearm",
            "rad/s",
            "Angular speed of the line from elbow to wrist.",
            &forearm,
            0.6,
        ),
    ]
}

fn racket_path(w: f64) -> BodyPath {
    let times: Vec<f64> = (-264..=108).map(|i| f64::from(i) / 240.0).collect();
    let place = |t: f64| {
        let forward = 1.0 / (1.0 + (-(t + 0.13) / 0.06).exp());
        let side = 0.55 - (0.86 + 0.04 * w) * bell(t, -0.38, 0.26) - 0.95 * (t - 0.05).max(0.0) * 3.0;
        let front = 0.35 * bell(t, -1.1, 0.3) - 0.75 * bell(t, -0.42, 0.30) + 0.85 * forward - 1.6 * (t - 0.1).max(0.0);
        let up = 0.15 + 0.75 * bell(t, -0.62, 0.22) - 0.55 * bell(t, -0.17, 0.10) + 1.1 * t.max(0.0);
        [side, front, up]
    };
    let position_m = times.iter().map(|t| (!(-0.02..-0.005).contains(&(t + 0.7))).then(|| place(*t))).collect();
    BodyPath { name: "racket_tip".into(), seconds_to_contact: times, position_m }
}

fn statements(number: usize) -> Vec<Statement> {
    let statement = |id: &str, text: &str, probability: Option<f64>, rests_on: &[&str], source: &str| Statement {
        id: id.into(),
        text: text.into(),
        verdict: match probability {
            Some(p) if p > 0.95 => Verdict::Holds,
            Some(p) if p < 0.05 => Verdict::DoesNotHold,
            _ => Verdict::CannotBeTold,
        },
        probability,
        rests_on: rests_on.iter().map(ToString::to_string).collect(),
        source: source.into(),
    };
    let common = "common practice, no source";
    let pick = |values: [Option<f64>; 6]| values[number - 1];
    vec![
        statement(
            "shoulder-in-front",
            "The ball is met with the dominant shoulder in front of the other.",
            pick([Some(0.998), Some(0.99), Some(0.97), Some(0.81), Some(0.999), Some(0.96)]),
            &["shoulder-front"],
            common,
        ),
        statement(
            "no-hitch",
            "The racket speed rises without a hitch until contact.",
            pick([Some(0.02), Some(0.01), Some(0.004), Some(0.38), Some(0.03), Some(0.97)]),
            &["racket-speed-dip", "sparc"],
            common,
        ),
        statement(
            "take-back-around-bounce",
            "The take-back starts around the bounce (within 0.1 s of it).",
            pick([Some(0.001), Some(0.02), Some(0.01), None, Some(0.03), Some(0.02)]),
            &["take-back-after-bounce"],
            common,
        ),
        statement(
            "hips-before-shoulders",
            "The hips fire before the shoulders.",
            None,
            &["sequence-hip-shoulder"],
            "Landlinger et al. 2010, J Sports Sci Med 9:643",
        ),
    ]
}

fn lens(camera: &str, size_px: [u32; 2]) -> LensCalibration {
    let centre = size_px.map(|s| f64::from(s) / 2.0 - 0.5);
    let names = ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"];
    serde_json::from_value(json!({
        "camera": camera,
        "intrinsics": {
            "focal_px": [1012.46, 1012.91],
            "centre_px": centre,
            "model": {"kind": "brown-conrady", "coefficients": [0.061, -0.12, 0.0, 0.0, 0.0]},
            "size_px": size_px,
        },
        "parameter_names": names,
        "standard_deviations": [0.83, 0.86, 1.1, 1.3, 0.002, 0.01, null, null, null],
        "covariance": vec![vec![0.0; 9]; 9],
        "rms_px": 0.2134,
        "held_out_rms_px": 0.2391,
        "views": [],
        "coverage": 0.84,
        "advice": if camera == "gate" { vec!["Film the board in the lower left corner too: no corner was seen there."] } else { vec![] },
    }))
    .unwrap()
}

fn rig() -> RigCalibration {
    let camera = |name: &str, x: f64| RigCamera {
        name: name.into(),
        camera_from_world: Isometry3::new(Vector3::new(x, 1.5, 6.2), Vector3::new(1.4, 0.25 * x, 0.0)),
        court_rms_px: Some(0.61),
        court_points: 9,
        board_rms_px: Some(0.34),
        board_views: 14,
    };
    let mut covariance = vec![vec![0.0; 12]; 12];
    for (i, row) in covariance.iter_mut().enumerate() {
        row[i] = if i % 6 < 3 { 4e-7 } else { 6e-5 };
    }
    RigCalibration {
        world: World::Court,
        scale: Scale::Metric,
        vertical: Vertical::ZUp,
        cameras: vec![camera("fence", 0.4), camera("gate", -0.7)],
        covariance,
        pose_by_lens: vec![],
        remarks: vec!["Boards and court agree to 3 mm over the baseline.".into()],
    }
}

fn clock() -> ClockCalibration {
    let estimate = |method, offset_seconds, sd_seconds, n| ClockEstimate { method, offset_seconds, sd_seconds, n };
    let reference = CameraClock {
        camera: "fence".into(),
        offset_seconds: 0.0,
        rate: 1.0,
        covariance: [[0.0; 2]; 2],
        source: ClockSource::Reference,
        estimates: vec![],
    };
    let gate = CameraClock {
        camera: "gate".into(),
        offset_seconds: -1.274_31,
        rate: 1.000_012_4,
        covariance: [[1.6e-7, -1e-9], [-1e-9, 1e-10]],
        source: ClockSource::Motion,
        estimates: vec![
            estimate(ClockSource::Sound, -1.271_9, 0.0031, 11),
            estimate(ClockSource::Motion, -1.274_31, 0.0004, 1480),
        ],
    };
    ClockCalibration {
        reference: "fence".into(),
        cameras: vec![reference, gate],
        read_outs: Vec::new(),
        remarks: vec!["Sound and motion differ by 2.4 ms, within the latency allowed for sound.".into()],
    }
}

fn footage() -> Vec<(String, Footage)> {
    let footage = |size_px: [u32; 2], turns: u8, rate: f64, gaps| Footage {
        stored_size_px: [1280, 720],
        size_px,
        quarter_turns_clockwise: turns,
        frame_pts_seconds: (0..6300).map(|i| f64::from(i) / rate).collect(),
        codec: "h264".into(),
        gaps,
        sound: Some(Sound { sample_rate_hz: 48_000, channels: 2, start_pts_seconds: 0.0, duration_seconds: 26.0 }),
    };
    let gap = FrameGap { after_frame: 812, seconds: 0.0125 };
    vec![
        ("fence".into(), footage([1280, 720], 0, 240.02, vec![gap])),
        ("gate".into(), footage([720, 1280], 1, 239.81, vec![])),
    ]
}

fn keypoints() -> Vec<Keypoints> {
    let names = default_names();
    let of = |camera: &str, hidden: &str| Keypoints {
        camera: camera.into(),
        frames: (0..500)
            .map(|i| KeypointFrame {
                frame_index: 12 * i,
                pts_seconds: i as f64 * 0.05,
                points: names
                    .iter()
                    .enumerate()
                    .map(|(c, name)| {
                        let found = name != hidden && (i + c) % (c + 2) != 0;
                        found.then_some(Keypoint { px: [400.0 + c as f64, 300.0], score: 0.93 - 0.01 * c as f64 })
                    })
                    .collect(),
            })
            .collect(),
        names: names.clone(),
        remarks: vec![format!("{camera}: left and right were swapped in 3 frames; undone.")],
    };
    vec![of("fence", "none"), of("gate", "left_ear")]
}

fn tracks() -> Tracks {
    let names = default_names();
    let point = |i: usize, c: usize| Point3d {
        position_m: [0.1 * i as f64, 0.2 * c as f64, 1.0],
        covariance_m2: [[1e-5, 0.0, 0.0], [0.0, 2e-5, 0.0], [0.0, 0.0, 1e-5]],
        reprojection_px: 0.6 + 0.03 * c as f64,
        views: 2,
    };
    let points = (0..120).map(|i| {
        names.iter().enumerate().map(|(c, name)| (name != "left_ear" && (i + c) % 9 > 0).then(|| point(i, c))).collect()
    });
    Tracks { session_seconds: (0..120).map(|i| f64::from(i) / 240.0).collect(), points: points.collect(), names }
}

fn provenance() -> Vec<Provenance> {
    let stage = |stage: &str, inputs: &[&str], settings| Provenance {
        schema: 1,
        program: "midline 0.1.0".into(),
        stage: stage.into(),
        inputs: inputs
            .iter()
            .map(|name| ((*name).to_owned(), "5f0c9e7a41d2b8c3".repeat(4)))
            .collect::<BTreeMap<_, _>>(),
        settings,
    };
    vec![
        stage("lens", &["footage/fence-lens.mp4"], json!({"views": 60, "model": "brown-conrady"})),
        stage(
            "lift",
            &["points/fence.json", "points/gate.csv"],
            json!({"knot_seconds": 0.0125, "loss": {"cauchy": 2.0}}),
        ),
    ]
}

static PICTURES: LazyLock<Vec<KeyPicture>> = LazyLock::new(|| {
    let events = [
        (EventKind::TakeBackStart, -0.93),
        (EventKind::FarthestAcross, -0.40),
        (EventKind::DropBottom, -0.16),
        (EventKind::Contact, 0.0),
    ];
    let both = |(event, t)| [picture("fence", [1280, 720], event, t), picture("gate", [720, 1280], event, t)];
    events.into_iter().flat_map(both).collect()
});

/// A court in flat colours with a figure of thick lines on it; no footage.
fn picture(camera: &str, size_px: [u32; 2], event: EventKind, t: f64) -> KeyPicture {
    let [width, height] = size_px.map(|v| v as usize);
    let scale = 300.0;
    let (x0, y0) = (0.52 * width as f64, 0.45 * height as f64);
    let turn = if camera == "fence" { 1.0 } else { -0.6 };
    let at = |x: f64, y: f64| [x0 + turn * scale * x, y0 + scale * y];
    let hand = at(0.30 + 0.35 * t, 0.05 - 0.5 * (t + 0.3).abs());
    let tip = at(0.62 + 1.1 * t, -0.12 - 0.4 * (t + 0.3).abs());
    let (neck, hip) = (at(0.0, -0.25), at(0.0, 0.2));
    let mut skeleton = vec![[at(-0.14, -0.24), at(0.14, -0.24)], [at(-0.1, 0.2), at(0.1, 0.2)], [neck, hip]];
    skeleton.extend([[at(-0.14, -0.24), at(-0.3, 0.0)], [at(0.14, -0.24), hand], [hand, tip]]);
    skeleton.extend([[at(-0.1, 0.2), at(-0.2, 0.75)], [at(0.1, 0.2), at(0.2, 0.75)]]);
    let path = (0..=40).map(|i| -1.0 + (t + 1.0) * f64::from(i) / 40.0);
    let path: Vec<[f64; 2]> = path.map(|t| at(0.62 + 1.1 * t, -0.12 - 0.4 * (t + 0.3).abs())).collect();
    let mut rgb = Vec::with_capacity(3 * width * height);
    for y in 0..height {
        for x in 0..width {
            let [px, py] = [x as f64, y as f64];
            let near = skeleton.iter().map(|s| distance([px, py], *s)).fold(f64::INFINITY, f64::min);
            let line = (py - 0.78 * height as f64 + 0.1 * px).abs() < 4.0;
            rgb.extend(if near < 16.0 {
                [196, 178, 160]
            } else if line {
                [235, 235, 230]
            } else if y * 5 < 2 * height {
                [92, 112, 104]
            } else {
                [92, 128, 158]
            });
        }
    }
    KeyPicture {
        camera: camera.into(),
        stroke: 2,
        event,
        seconds_to_contact: t,
        size_px,
        rgb,
        skeleton_px: skeleton,
        racket_path_px: path,
    }
}

fn distance(p: [f64; 2], [a, b]: [[f64; 2]; 2]) -> f64 {
    let d = [b[0] - a[0], b[1] - a[1]];
    let along = ((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / (d[0] * d[0] + d[1] * d[1]);
    let along = along.clamp(0.0, 1.0);
    (p[0] - a[0] - along * d[0]).hypot(p[1] - a[1] - along * d[1])
}
