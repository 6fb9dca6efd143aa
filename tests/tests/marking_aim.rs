//! Marking few frames by hand: how near the carried racket tip comes to the truth of the demo.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::path::Path;
use std::sync::Arc;

use midline_desk::{Desk, DeskInput, KnownEvent, Passage, ProposalSource, Proposals, RACKET_POINTS};
use midline_session::calibration::{CalibratedCamera, ClockCalibration, LensCalibration, RigCalibration};
use midline_session::description::Session;
use midline_session::footage::Footage;
use midline_session::marks::Act;
use midline_session::read_computed;
use midline_session::strokes::{EventKind, Strokes};
use midline_session::tracks::Tracks;
use midline_synth::Truth;
use midline_tests::academy::{academy, copied_session};
use nalgebra::{Point3, Vector2, Vector3};
use rand::{SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};

/// Frames of each camera that are marked.
const MARKED_FRAMES: usize = 8;

fn desk(session: &Path) -> Desk {
    let session = Session::open(session).unwrap();
    let computed = |name: &str| session.computed(name);
    let footage: Vec<Footage> = session
        .description
        .cameras
        .iter()
        .map(|c| read_computed(&computed(&format!("media-{}.json", c.name))).unwrap().result)
        .collect();
    let rig: RigCalibration = read_computed(&computed("rig.json")).unwrap().result;
    let clock: ClockCalibration = read_computed(&computed("clock.json")).unwrap().result;
    let cameras: Vec<CalibratedCamera> = session
        .description
        .cameras
        .iter()
        .zip(&footage)
        .map(|(camera, footage)| {
            // Sessions without board clips take the lens files of the one beside them.
            let file = format!("lens-{}.json", camera.name);
            let own = computed(&file);
            let file =
                if own.is_file() { own } else { session.path(Path::new(&format!("../p07-first/midline/{file}"))) };
            let lens: LensCalibration = read_computed(&file).unwrap().result;
            let read_out = midline_geometry::ReadOut {
                seconds: camera.readout_seconds,
                direction: midline_geometry::ScanDirection::after_turning(footage.quarter_turns_clockwise),
            };
            CalibratedCamera::join(&lens, &rig, &clock, read_out).unwrap()
        })
        .collect();
    let strokes: Strokes = read_computed(&computed("strokes.json")).unwrap().result;
    let known_events = strokes
        .strokes
        .iter()
        .flat_map(|s| &s.events)
        .map(|e| KnownEvent { kind: e.kind, session_seconds: e.session_seconds })
        .collect();
    Desk::new(DeskInput {
        session,
        footage,
        calibrated: Ok(cameras),
        known_events,
        recalibrate: Box::new(|| Err("not asked for here".to_owned())),
    })
    .unwrap()
}

/// Where a point truly is in a frame, px: the row that meets the moving point is found by repetition.
fn true_px(truth: &Truth, tracks: &Tracks, camera: usize, frame: usize, name: &str) -> Option<[f64; 2]> {
    let camera = &truth.cameras[camera];
    let column = tracks.column(name)?;
    let place = |t: f64| -> Option<Point3<f64>> {
        let after = tracks.session_seconds.partition_point(|s| *s < t).clamp(1, tracks.session_seconds.len() - 1);
        let (a, b) = (tracks.at(after - 1, column)?, tracks.at(after, column)?);
        let (ta, tb) = (tracks.session_seconds[after - 1], tracks.session_seconds[after]);
        let share = (t - ta) / (tb - ta);
        (tb - ta < 0.01).then(|| Vector3::from(a.position_m).lerp(&Vector3::from(b.position_m), share).into())
    };
    let row_zero = camera.clock.offset_seconds + camera.clock.rate * camera.frame_pts_seconds[frame];
    let mut px = Vector2::zeros();
    for _ in 0..12 {
        let delay = camera.camera.row_delay_seconds(px);
        px = camera.camera.project(&place(row_zero + delay)?)?;
    }
    Some(px.into())
}

/// What a stroke of about 200 frames comes to.
struct Result {
    /// Of the tip, by camera.
    errors_px: Vec<Vec<f64>>,
    /// Errors with the length of the tip's motion blur in that frame, px.
    by_blur: Vec<(f64, f64)>,
    /// Unmarked frames whose ring holds the truth, and all of them.
    within: [usize; 2],
    frames: usize,
}

fn mark_a_stroke(session: &str, stroke: usize, seed: u64) -> Result {
    let truth: Truth =
        serde_json::from_slice(&std::fs::read(academy().join("truth").join(format!("{session}.json"))).unwrap())
            .unwrap();
    let (tracks, _) = Tracks::read_parquet(&academy().join("truth").join(&truth.tracks)).unwrap();
    let (_folder, path) = copied_session(session);
    let desk = Arc::new(desk(&path));
    let contact = truth.strokes[stroke].events.iter().find(|e| e.kind == EventKind::Contact).unwrap().session_seconds;
    let passage = Passage { from_seconds: contact - 1.05, to_seconds: contact + 0.62 };
    let mut random = StdRng::seed_from_u64(seed);
    let mut marked = vec![0usize; truth.cameras.len()];
    let cameras: Vec<String> = truth.cameras.iter().map(|c| c.name.clone()).collect();
    let mut found: Proposals = desk.proposals(passage).unwrap();
    while let Some(next) = found.next.clone() {
        let camera = cameras.iter().position(|c| *c == next.camera).unwrap();
        if marked[camera] == MARKED_FRAMES {
            break;
        }
        for name in RACKET_POINTS {
            let px = true_px(&truth, &tracks, camera, next.frame, name).map(|px| {
                let mut noisy = |v: f64| {
                    let noise: f64 = StandardNormal.sample(&mut random);
                    v + noise
                };
                [noisy(px[0]), noisy(px[1])]
            });
            desk.act(Act::Point { camera: next.camera.clone(), frame: next.frame, name: name.to_owned(), px }).unwrap();
        }
        marked[camera] += 1;
        let started = std::time::Instant::now();
        found = desk.proposals(passage).unwrap();
        println!(
            "  {} frame {} ({:?} px; {}) proposals in {:.2?}; next {:?}",
            next.camera,
            next.frame,
            next.ring_px.map(|r| r.round()),
            next.why,
            started.elapsed(),
            found.next.as_ref().map(|n| (&n.camera, n.frame, n.ring_px.map(|r| r.round())))
        );
    }
    let mut result =
        Result { errors_px: vec![Vec::new(); cameras.len()], by_blur: Vec::new(), within: [0, 0], frames: 0 };
    for (camera, own) in found.cameras.iter().enumerate() {
        for frame in &own.frames {
            let Some(px) = true_px(&truth, &tracks, camera, frame.frame, "racket_tip") else { continue };
            let tip = frame.points.iter().find(|p| p.name == "racket_tip");
            // No proposal is an error as large as the picture.
            let error = tip.map_or(1000.0, |tip| (tip.px[0] - px[0]).hypot(tip.px[1] - px[1]));
            result.errors_px[camera].push(error);
            let frame_seconds = truth.cameras[camera].frame_pts_seconds[1] - truth.cameras[camera].frame_pts_seconds[0];
            if let Some(next) = true_px(&truth, &tracks, camera, frame.frame + 1, "racket_tip") {
                let per_frame = (next[0] - px[0]).hypot(next[1] - px[1]);
                result.by_blur.push((per_frame * truth.cameras[camera].exposure_seconds / frame_seconds, error));
            }
            result.frames += 1;
            if let Some(tip) = tip.filter(|t| t.source != ProposalSource::Marked) {
                result.within[0] += usize::from(error <= tip.ring_px);
                result.within[1] += 1;
            }
        }
    }
    println!("{session} stroke {stroke}: marked {marked:?}");
    result
}

fn rms(errors: &[f64]) -> f64 {
    (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt()
}

/// Aim, px rms.
const AIM_PX: f64 = 3.0;

/// Share of unmarked frames whose ring must hold the truth: 95 % are meant; neighbouring frames err together, so that one stroke of some
/// 385 counts for a few dozen.
const RING_SHARE: std::ops::RangeInclusive<f64> = 0.9..=1.0;

/// The tip over a stroke of 200 frames from at most 8 marked frames per camera, those that the page asks for; marks at the truth plus 1 px
/// of noise. One stroke by default; `MIDLINE_TRIALS=6` takes those of the first visits. In the seventh, the second visit's first, the pictures lose the racket
/// in the take-back, and it takes a ninth mark.
#[test]
fn eight_marked_frames_carry_the_racket_tip_over_a_stroke() {
    let trials = std::env::var("MIDLINE_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    let strokes = ["p07-first", "p12", "p07-second"].into_iter().flat_map(|session| {
        let truth = academy().join("truth").join(format!("{session}.json"));
        let truth: Truth = serde_json::from_slice(&std::fs::read(truth).unwrap()).unwrap();
        (0..truth.strokes.len()).map(move |stroke| (session, stroke))
    });
    for (seed, (session, stroke)) in strokes.take(trials).enumerate() {
        let result = mark_a_stroke(session, stroke, seed as u64 + 1);
        let all: Vec<f64> = result.errors_px.concat();
        let share = result.within[0] as f64 / result.within[1] as f64;
        println!(
            "{} frames, tip {:.2} px rms (by camera {:?}; aim 3 px), {} of {} unmarked in their 95 % ring",
            result.frames,
            rms(&all),
            result.errors_px.iter().map(|e| (rms(e) * 100.0).round() / 100.0).collect::<Vec<_>>(),
            result.within[0],
            result.within[1]
        );
        for [from, to] in [[0.0, 0.5], [0.5, 1.5], [1.5, f64::INFINITY]] {
            let own: Vec<f64> =
                result.by_blur.iter().filter(|(blur, _)| (from..to).contains(blur)).map(|(_, e)| *e).collect();
            println!("  blur of {from} to {to} px: {} frames, {:.2} px rms", own.len(), rms(&own));
        }
        assert!(result.errors_px.iter().all(|e| e.len() >= 190), "a stroke of about 200 frames");
        assert!(rms(&all) < AIM_PX, "{session} stroke {stroke}");
        assert!(RING_SHARE.contains(&share), "{session} stroke {stroke}: {share}");
    }
}
