//! Every stage of the demo against its truth. The footage is made up, so this shows that the stages do what they say with files
//! as phones write them; what a stage is worth against the outside stands in its own checks.
//!
//! Tolerances are what the method can reach with this footage, not what it happened to give: each says why.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use midline_session::calibration::{ClockCalibration, LensCalibration, RigCalibration};
use midline_session::footage::Footage;
use midline_session::keypoints::{BALL, Keypoints, RACKET};
use midline_session::motion::read_motion_parquet;
use midline_session::read_computed;
use midline_session::strokes::{EventKind, Outcome, Stroke, Strokes};
use midline_session::tracks::Tracks;
use midline_synth::Truth;
use midline_tests::academy::academy;
use nalgebra::{Matrix3, Point3, Vector2, Vector3};

const SESSIONS: [&str; 3] = ["p07-first", "p07-second", "p12"];

fn truth(name: &str) -> (Truth, PathBuf) {
    let folder = academy().join("truth");
    let truth = std::fs::read(folder.join(format!("{name}.json"))).expect("the truth was written");
    (serde_json::from_slice(&truth).expect("the truth can be read"), folder)
}

fn computed<T: serde::de::DeserializeOwned>(session: &str, file: &str) -> T {
    read_computed(&academy().join(session).join("midline").join(file)).expect("the stage's result").result
}

fn tracks(session: &str) -> Tracks {
    Tracks::read_parquet(&academy().join(session).join("midline/tracks.parquet")).expect("the tracks").0
}

fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    assert!(!values.is_empty(), "nothing to compare");
    values.sort_by(f64::total_cmp);
    values[((values.len() - 1) as f64 * share).round() as usize]
}

#[test]
fn media_gives_every_frame_its_true_time() {
    for session in SESSIONS {
        for camera in truth(session).0.cameras {
            let footage: Footage = computed(session, &format!("media-{}.json", camera.name));
            assert_eq!(footage.size_px, camera.camera.intrinsics.size_px, "{session} {}", camera.name);
            assert_eq!(footage.frame_pts_seconds.len(), camera.frame_pts_seconds.len(), "{session} {}", camera.name);
            let pairs = footage.frame_pts_seconds.iter().zip(&camera.frame_pts_seconds);
            let worst = pairs.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            println!("{session} {}: worst time stamp error {:.1} µs", camera.name, worst * 1e6);
            // One tick of the container's 90 kHz clock.
            assert!(worst < 1.2e-5, "{session} {}: {worst}", camera.name);
            assert_eq!(footage.gaps.len(), 2, "two places with dropped frames");
        }
    }
}

#[test]
fn lens_is_right_where_the_player_is_seen() {
    for camera in truth("p07-first").0.cameras {
        let lens: LensCalibration = computed("p07-first", &format!("lens-{}.json", camera.name));
        let true_lens = camera.camera.intrinsics;
        let (found, expected) = (lens.intrinsics.parameters(), true_lens.parameters());
        for (index, name) in lens.parameter_names.iter().enumerate() {
            // The model chosen holds at 0 what views left out do not ask for.
            let Some(sd) = lens.standard_deviations[index] else {
                println!("{} {name}: held, true {:.5}", camera.name, expected[index]);
                continue;
            };
            println!(
                "{} {name}: {:.5}, true {:.5}, error {:+.2} sd",
                camera.name,
                found[index],
                expected[index],
                (found[index] - expected[index]) / sd
            );
        }
        // Error of a ray's pixel over the picture, after the pose that a rig solve would absorb is taken out.
        let [width, height] = true_lens.size_px.map(f64::from);
        let mut pairs = Vec::new();
        for i in 0..=20 {
            for j in 0..=20 {
                let px = Vector2::new(width * (0.05 + 0.045 * f64::from(i)), height * (0.05 + 0.045 * f64::from(j)));
                let ray = |lens: &midline_geometry::Intrinsics| {
                    let n = lens.normalised_from_px(px).expect("inside the picture");
                    Vector3::new(n.x, n.y, 1.0).normalize()
                };
                pairs.push((ray(&lens.intrinsics), ray(&true_lens)));
            }
        }
        let correlation: Matrix3<f64> = pairs.iter().map(|(a, b)| b * a.transpose()).sum();
        let svd = correlation.svd(true, true);
        let rotation = svd.u.unwrap() * svd.v_t.unwrap();
        let errors = pairs.iter().map(|(a, b)| (rotation * a).angle(b) * true_lens.focal_px[0]).collect::<Vec<_>>();
        let (median, worst) = (quantile(errors.clone(), 0.5), quantile(errors, 1.0));
        println!("{}: rms {:.3} px; ray error {median:.3} px median, {worst:.3} px worst", camera.name, lens.rms_px);
        // The board was rendered with rolling shutter and blur by a hand that never holds quite still.
        assert!(median < 0.5 && worst < 2.0, "{}: {median} {worst}", camera.name);
        let relative = (found[0] - expected[0]).abs() / expected[0];
        assert!(relative < 0.005, "{}: focal length off by {relative}", camera.name);
    }
}

#[test]
fn rig_stands_where_the_tripods_stood() {
    for session in SESSIONS {
        let rig: RigCalibration = computed(session, "rig.json");
        for (index, camera) in truth(session).0.cameras.iter().enumerate() {
            let found = &rig.cameras[index];
            assert_eq!(found.name, camera.name);
            let centre = found.camera_from_world.inverse_transform_point(&Point3::origin());
            let off = (centre - camera.camera.centre_world()).norm();
            let turned = found.camera_from_world.rotation.angle_to(&camera.camera.camera_from_world.rotation);
            println!("{session} {}: {:.1} mm and {:.3}° off", camera.name, off * 1e3, turned.to_degrees());
            // Court points are clicked to about a pixel at 10 m and 1000 px focal length: centimetres.
            assert!(off < 0.10 && turned.to_degrees() < 0.6, "{session} {}: {off} m {turned} rad", camera.name);
        }
    }
}

/// Error of the second camera's session time over the strokes, seconds.
fn clock_error(session: &str) -> (f64, f64) {
    let clock: ClockCalibration = computed(session, "clock.json");
    let truth = truth(session).0;
    let (reference, other) = (&truth.cameras[0].clock, &truth.cameras[1]);
    let found = clock.camera(&other.name).expect("its clock");
    let middle = other.frame_pts_seconds[other.frame_pts_seconds.len() / 2];
    let true_session = other.clock.offset_seconds + other.clock.rate * middle;
    let true_reference_pts = (true_session - reference.offset_seconds) / reference.rate;
    (found.session_seconds(middle) - true_reference_pts, found.sd_seconds(middle))
}

#[test]
fn clock_is_right_to_a_fraction_of_a_frame() {
    for session in SESSIONS {
        let (error, sd) = clock_error(session);
        println!("{session}: clock error {:+.2} ms, stated sd {:.2} ms", error * 1e3, sd * 1e3);
        // A frame lasts 8.3 ms. The phones' sound lags their pictures by up to 10 ms, which motion must find.
        assert!(error.abs() < 2e-3, "{session}: {error}");
        assert!(error.abs() < 4.0 * sd, "{session}: {error} against a stated sd of {sd}");
    }
}

#[test]
fn points_are_cleaned_of_swaps_and_gross_errors() {
    for session in SESSIONS {
        let (truth, folder) = truth(session);
        let true_tracks = TrueTracks::read(&folder.join(&truth.tracks));
        for camera in &truth.cameras {
            let keypoints: Keypoints = computed(session, &format!("points-{}.json", camera.name));
            let mut errors = Vec::new();
            for frame in &keypoints.frames {
                for (name, point) in keypoints.names.iter().zip(&frame.points) {
                    let Some(point) = point else { continue };
                    let seen = frame.pts_seconds + camera.camera.row_delay_seconds(point.px.into());
                    let session_seconds = camera.clock.offset_seconds + camera.clock.rate * seen;
                    let Some(position) = true_tracks.at(name, session_seconds) else { continue };
                    let Some(px) = camera.camera.project(&position) else { continue };
                    errors.push((px - Vector2::from(point.px)).norm());
                }
            }
            let gross = errors.iter().filter(|e| **e > 25.0).count() as f64 / errors.len() as f64;
            println!(
                "{session} {}: {} points, error {:.2} px median, {:.2} px at 95 %, {:.3} % beyond 25 px",
                camera.name,
                errors.len(),
                quantile(errors.clone(), 0.5),
                quantile(errors.clone(), 0.95),
                gross * 100.0
            );
            assert!(gross < 0.004, "{session} {}: {gross}", camera.name);
        }
    }
}

/// The dense truth, interpolated.
struct TrueTracks(Tracks);

impl TrueTracks {
    fn read(path: &Path) -> Self {
        Self(Tracks::read_parquet(path).expect("the true tracks").0)
    }

    fn at(&self, name: &str, session_seconds: f64) -> Option<Point3<f64>> {
        let column = self.0.column(name)?;
        let after = self.0.session_seconds.partition_point(|t| *t < session_seconds);
        let before = after.checked_sub(1)?;
        let (t0, t1) = (self.0.session_seconds[before], *self.0.session_seconds.get(after)?);
        if t1 - t0 > 0.0021 {
            return None;
        }
        let (a, b) = (self.0.at(before, column)?.position_m, self.0.at(after, column)?.position_m);
        let share = (session_seconds - t0) / (t1 - t0);
        Some(Point3::from(Vector3::from(a).lerp(&Vector3::from(b), share)))
    }
}

#[test]
fn lift_finds_the_points_and_states_its_error_honestly() {
    for session in SESSIONS {
        let (truth, folder) = truth(session);
        let true_tracks = TrueTracks::read(&folder.join(&truth.tracks));
        let tracks = tracks(session);
        // The session clock is the reference camera's time stamps; the truth's clock may have another origin.
        let reference = truth.cameras[0].clock;
        let (mut body, mut racket, mut within, mut all) = (Vec::new(), Vec::new(), 0usize, 0usize);
        for (instant, seconds) in tracks.session_seconds.iter().enumerate() {
            let true_seconds = reference.offset_seconds + reference.rate * seconds;
            for (column, name) in tracks.names.iter().enumerate() {
                let (Some(point), Some(position)) = (tracks.at(instant, column), true_tracks.at(name, true_seconds))
                else {
                    continue;
                };
                let error = Point3::from(point.position_m) - position;
                let covariance = Matrix3::from_fn(|i, j| point.covariance_m2[i][j]);
                let squared = covariance.try_inverse().map_or(f64::INFINITY, |p| (error.transpose() * p * error).x);
                // 95 % point of χ² with 3 degrees of freedom (any statistics table): 7.815.
                within += usize::from(squared < 7.815);
                all += 1;
                if RACKET.contains(&name.as_str()) { racket.push(error.norm()) } else { body.push(error.norm()) }
            }
        }
        let share = within as f64 / all as f64;
        println!(
            "{session}: body and ball {:.1} mm median, {:.1} mm at 95 %; racket {:.1} mm median, {:.1} mm at 95 %; {:.1} % of {all} inside their 95 % ellipsoids",
            quantile(body.clone(), 0.5) * 1e3,
            quantile(body.clone(), 0.95) * 1e3,
            quantile(racket.clone(), 0.5) * 1e3,
            quantile(racket.clone(), 0.95) * 1e3,
            share * 100.0
        );
        // 1 to 2.5 px at 8 to 10 m and about 1000 px focal length: 10 to 25 mm per coordinate.
        assert!(quantile(body, 0.5) < 0.035 && quantile(racket.clone(), 0.5) < 0.04, "{session}");
        assert!(quantile(racket, 0.95) < 0.15, "{session}");
        assert!(share > 0.85, "{session}: {share}");
    }
}

/// Errors of one thing in continuous time.
#[derive(Default)]
struct Course {
    /// Squared errors of positions and velocities, m² and m²/s².
    squares: [f64; 2],
    /// Coordinates inside their 95 % intervals.
    inside: [usize; 2],
    instants: usize,
}

#[test]
fn the_lift_in_continuous_time_follows_racket_and_ball_to_contact_and_from_it() {
    let mut courses: BTreeMap<(&str, &str), Course> = BTreeMap::new();
    for session in SESSIONS {
        let (truth, folder) = truth(session);
        let true_tracks = TrueTracks::read(&folder.join(&truth.tracks));
        let (motions, _) = read_motion_parquet(&academy().join(session).join("midline/motion.parquet")).unwrap();
        let reference = truth.cameras[0].clock;
        assert_eq!(motions.len(), truth.strokes.len(), "{session}");
        for (motion, stroke) in motions.iter().zip(&truth.strokes) {
            let contact = stroke.events.iter().find(|e| e.kind == EventKind::Contact).unwrap().session_seconds;
            for (when, side, sign) in [("before", &motion.before, -1.0), ("after", &motion.after, 1.0)] {
                for (seconds, row) in side.session_seconds.iter().zip(&side.points) {
                    let at = reference.offset_seconds + reference.rate * seconds;
                    // Nothing is asked of the touch itself, whose instant is known to a millisecond or two.
                    if (at - contact) * sign < 0.004 {
                        continue;
                    }
                    for (name, point) in motion.names.iter().zip(row) {
                        let thing = if name == BALL {
                            "ball"
                        } else if RACKET.contains(&name.as_str()) {
                            "racket"
                        } else {
                            "body"
                        };
                        let places = [-0.0015, 0.0, 0.0015].map(|by| true_tracks.at(name, at + by));
                        let (Some(point), [Some(earlier), Some(place), Some(later)]) = (point, places) else {
                            continue;
                        };
                        let truths = [place.coords, (later - earlier) / 0.003];
                        let course = courses.entry((thing, when)).or_default();
                        for (kind, (found, truth)) in
                            [point.position_m, point.velocity_m_s].iter().zip(truths).enumerate()
                        {
                            let error = Vector3::from(found.value) - truth;
                            course.squares[kind] += error.norm_squared();
                            course.inside[kind] +=
                                (0..3).filter(|k| error[*k].abs() < 1.96 * found.covariance[*k][*k].sqrt()).count();
                        }
                        course.instants += 1;
                    }
                }
            }
        }
    }
    // Seen: positions 4 to 5 mm, 98 to 100 % inside; velocities of ball and racket 0.08 to 0.23 m/s, 93 to 98 % inside. Detectors of a body err
    // alike over many frames: its velocities are inside in 84 to 89 %.
    for ((thing, when), course) in &courses {
        let rms = course.squares.map(|sum| (sum / course.instants as f64).sqrt());
        let share = course.inside.map(|inside| inside as f64 / (3 * course.instants) as f64);
        println!(
            "{thing} {when} contact: {:.1} mm and {:.2} m/s rms; {:.1} and {:.1} % of {} instants' coordinates inside",
            rms[0] * 1e3,
            rms[1],
            share[0] * 100.0,
            share[1] * 100.0,
            course.instants
        );
        let least_velocities = if *thing == "body" { 0.8 } else { 0.9 };
        assert!(rms[0] < 0.008 && rms[1] < 0.35, "{thing} {when} contact: {rms:?}");
        assert!(share[0] > 0.93 && share[1] > least_velocities, "{thing} {when} contact: {share:?}");
    }
    assert_eq!(courses.len(), 6);
}

fn measured(stroke: &Stroke, id: &str) -> (f64, [f64; 2]) {
    match &stroke.measure(id).unwrap_or_else(|| panic!("no measure {id}")).outcome {
        Outcome::Measured { value, interval_95 } => (*value, *interval_95),
        Outcome::NotMeasurable { because } => panic!("{id}: {because}"),
    }
}

#[test]
fn strokes_are_found_with_their_events_and_measures() {
    let (mut covered, mut all, mut unseen_bounces) = (0, 0, 0);
    for session in SESSIONS {
        let truth = truth(session).0;
        let strokes: Strokes = computed(session, "strokes.json");
        let reference = truth.cameras[0].clock;
        assert_eq!(strokes.strokes.len(), truth.strokes.len(), "{session}");
        for (stroke, expected) in strokes.strokes.iter().zip(&truth.strokes) {
            let mut line = format!("{session} stroke {}:", stroke.number);
            // Contact and bounce are sharp; the others rest on thresholds crossed slowly. A frame lasts 8.3 ms.
            for (kind, tolerance) in
                [(EventKind::Contact, 0.004), (EventKind::Bounce, 0.010), (EventKind::TakeBackStart, 0.100)]
            {
                let Some(at) = expected.events.iter().find(|e| e.kind == kind) else { continue };
                let at = (at.session_seconds - reference.offset_seconds) / reference.rate;
                let Some(found) = stroke.event(kind) else {
                    // The ball is missing in some frames; a bounce that falls into such a gap is refused, not guessed.
                    assert_eq!(kind, EventKind::Bounce, "{session} stroke {}: not found", stroke.number);
                    unseen_bounces += 1;
                    continue;
                };
                let error = found.session_seconds - at;
                line += &format!(" {} {:+.1} ms;", kind.label(), error * 1e3);
                assert!(error.abs() < tolerance, "{session} stroke {}: {kind:?} off by {error} s", stroke.number);
            }
            for (id, expected, tolerance) in [
                // One sample's 10 mm at 120 Hz, extrapolated over the sample that contact takes: a few m/s.
                ("tip-speed-contact", expected.tip_speed_before_contact_mps, 6.0),
                // Joint centres to 15 mm make the body axes uncertain by some degrees, the racket is 0.8 m behind them.
                ("tip-farthest-across", expected.farthest_across.lateral_m, 0.12),
                ("dominant-shoulder-ahead", expected.dominant_shoulder_ahead_m, 0.05),
            ] {
                let (value, [low, high]) = measured(stroke, id);
                line += &format!(" {id} {value:.3} ({low:.3} to {high:.3}), true {expected:.3};");
                assert!((value - expected).abs() < tolerance, "{line}");
                covered += usize::from((low..=high).contains(&expected));
                all += 1;
            }
            println!("{line}");
        }
    }
    assert!(unseen_bounces <= 2, "{unseen_bounces} of 9 bounces were not seen");
    println!("{covered} of {all} true values inside their 95 % intervals");
    // 27 intervals at 95 %: 21 or fewer would happen once in 300 sessions like this.
    assert!(covered >= 22, "{covered} of {all}");
}

/// What the coach of P07 suspects: a dip in the drop and an early take-back at first, neither three weeks later.
#[test]
fn suspicions_of_the_demo_are_answered() {
    use midline_session::strokes::{Answer, Verdict};
    let verdicts = |session: &str, id: &str| -> Vec<Verdict> {
        let strokes: Strokes = computed(session, "strokes.json");
        let found: Vec<_> = strokes
            .strokes
            .iter()
            .flat_map(|s| s.statements.iter().filter(|t| t.id == id).map(|t| t.verdict))
            .collect();
        println!("{session} {id}: {found:?}");
        found
    };
    let count = |found: &[Verdict], wanted: Verdict| found.iter().filter(|v| **v == wanted).count();
    for id in ["speed-rises-without-dip", "take-back-around-bounce"] {
        let (first, second) = (verdicts("p07-first", id), verdicts("p07-second", id));
        // A dip of a quarter in one stroke is at the edge of what 120 pictures per second tell; strokes together tell it.
        assert!(count(&first, Verdict::DoesNotHold) >= 1 && count(&first, Verdict::Holds) == 0, "{first:?}");
        assert!(count(&second, Verdict::DoesNotHold) == 0, "{second:?}");
    }
    let answer = |session: &str, word: &str| {
        let strokes: Strokes = computed(session, "strokes.json");
        let found = strokes.answers.suspicions.iter().find(|s| s.text.contains(word)).map(|s| s.answer);
        println!("{session} \"{word}\": {found:?}");
        found
    };
    assert_eq!(answer("p07-first", "slows"), Some(Answer::Supported));
    assert_eq!(answer("p07-first", "too early"), Some(Answer::Supported));
    assert_ne!(answer("p07-second", "slows"), Some(Answer::Supported));
    for session in SESSIONS {
        let found = verdicts(session, "dominant-shoulder-in-front");
        assert!(count(&found, Verdict::DoesNotHold) == 0, "{session}: {found:?}");
    }
}

/// The analysis of true tracks at a frame rate.
fn analysed(truth: &Truth, tracks: &Tracks, rate_hz: f64) -> Strokes {
    let impacts: Vec<_> = truth
        .strokes
        .iter()
        .flat_map(|s| s.events.iter().filter(|e| matches!(e.kind, EventKind::Contact | EventKind::Bounce)))
        .map(|e| midline_analysis::SoundImpact { session_seconds: e.session_seconds, sd_seconds: 0.36 / rate_hz })
        .collect();
    midline_analysis::analyse(&midline_analysis::StrokeInput {
        motions: &[],
        tracks,
        handedness: truth.handedness,
        impacts: &impacts,
        frame_rates_hz: &[rate_hz, rate_hz],
        clock_sd_seconds: 1e-4,
        vertical: midline_session::calibration::Vertical::ZUp,
        one_camera: false,
        picture_scale_sd_share: None,
        set_events: &[],
        marked_events: &[],
        suspicions: &[],
    })
    .expect("strokes in the truth")
}

/// Every measure of every stroke against the same analysis of the true places, one per millisecond.
#[test]
fn measures_lie_in_their_intervals() {
    let mut errors: BTreeMap<String, Vec<(f64, bool)>> = BTreeMap::new();
    for session in SESSIONS {
        let (truth, folder) = truth(session);
        let dense = TrueTracks::read(&folder.join(&truth.tracks)).0;
        let exact = analysed(&truth, &dense, 1000.0);
        let found: Strokes = computed(session, "strokes.json");
        assert_eq!(found.strokes.len(), exact.strokes.len());
        for (found, exact) in found.strokes.iter().zip(&exact.strokes) {
            // What the noise may hide is a property of the footage.
            for measure in found.measures.iter().filter(|measure| measure.id != "tip-speed-dip-hidden") {
                let Some(Outcome::Measured { value: truth, .. }) = exact.measure(&measure.id).map(|m| &m.outcome)
                else {
                    continue;
                };
                let Outcome::Measured { value, interval_95: [low, high] } = measure.outcome else { continue };
                errors.entry(measure.id.clone()).or_default().push((value - truth, (low..=high).contains(truth)));
            }
        }
    }
    let rms = |list: &[(f64, bool)]| (list.iter().map(|(e, _)| e * e).sum::<f64>() / list.len() as f64).sqrt();
    for (id, list) in &errors {
        let inside = list.iter().filter(|(_, inside)| *inside).count();
        println!("{id}: {:.4} rms, {inside} of {} inside", rms(list), list.len());
    }
    let all = errors.values().flatten();
    let share = all.clone().filter(|(_, inside)| *inside).count() as f64 / all.count() as f64;
    println!("{:.1} % of all inside", share * 100.0);
    // From points per instant alone 91 %, the racket's place beside the body 29 mm off and its peak rate of turn 12 rad/s.
    assert!(share > 0.91, "{share}");
    assert!(rms(&errors["tip-farthest-across"]) < 0.025 && rms(&errors["racket-peak-rate"]) < 6.0);
}

#[test]
fn analysis_alone_is_right_on_true_tracks_at_the_phones_frame_rate() {
    for session in SESSIONS {
        let (truth, folder) = truth(session);
        let dense = TrueTracks::read(&folder.join(&truth.tracks));
        let end = *dense.0.session_seconds.last().expect("some truth");
        let mut tracks = Tracks { names: dense.0.names.clone(), ..Tracks::default() };
        for k in 0..(end * 120.0) as u32 {
            let seconds = f64::from(k) / 120.0;
            tracks.session_seconds.push(seconds);
            tracks.points.push(
                tracks
                    .names
                    .iter()
                    .map(|name| {
                        let position = dense.at(name, seconds)?;
                        let variance = 0.010_f64.powi(2);
                        Some(midline_session::tracks::Point3d {
                            position_m: position.into(),
                            covariance_m2: [[variance, 0.0, 0.0], [0.0, variance, 0.0], [0.0, 0.0, variance]],
                            reprojection_px: 0.5,
                            views: 2,
                        })
                    })
                    .collect(),
            );
        }
        let strokes = analysed(&truth, &tracks, 120.0);
        assert_eq!(strokes.strokes.len(), truth.strokes.len());
        for (stroke, expected) in strokes.strokes.iter().zip(&truth.strokes) {
            let (speed, [low, high]) = measured(stroke, "tip-speed-contact");
            let (across, _) = measured(stroke, "tip-farthest-across");
            let (ahead, _) = measured(stroke, "dominant-shoulder-ahead");
            println!(
                "{session} stroke {}: tip speed at contact {speed:.2} ({low:.2} to {high:.2}), true {:.2} m/s; farthest across {across:.3}, true {:.3} m; shoulder ahead {ahead:.3}, true {:.3} m",
                stroke.number,
                expected.tip_speed_before_contact_mps,
                expected.farthest_across.lateral_m,
                expected.dominant_shoulder_ahead_m
            );
            assert!((ahead - expected.dominant_shoulder_ahead_m).abs() < 0.01);
            assert!((across - expected.farthest_across.lateral_m).abs() < 0.03);
        }
    }
}
