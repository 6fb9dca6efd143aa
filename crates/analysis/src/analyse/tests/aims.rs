//! What is aimed at on simulated strokes: 1 px of noise, 240 frames per second, 500 swings of their own.
//!
//! 1 px at 9 m and 1000 px focal length, two views that meet at 80°, is 6 to 10 mm per coordinate to first order (lateral
//! Zσ/(f√2 cos θ/2), depth Zσ/(f√2 sin θ/2), vertical Zσ/(f√2)); 8 mm here.

use rayon::prelude::*;

use super::*;
use crate::grid::GRID;
use crate::phases::{self, Phases};
use crate::smoothing::State;
use crate::view::{SEGMENTS, Setting, StrokeView, frame_at};

fn recording(seed: u64) -> Recording {
    Recording { seed, noise_m: 0.008, rate_hz: 240.0, ..Recording::default() }
}

/// The definitions of the phases applied to the exact curves.
fn exact_phases(swing: &TestSwing) -> Phases {
    let grid = GRID;
    let h = 1e-5;
    let points: Vec<Vec<Option<State>>> = Spot::ALL
        .into_iter()
        .map(|spot| {
            (0..grid.len)
                .map(|k| {
                    let t = grid.seconds(k as f64);
                    let at = |n: f64| swing.place(spot, t + n * h);
                    let velocity = if k == grid.contact {
                        (at(0.0) * 3.0 - at(-1.0) * 4.0 + at(-2.0)) / (2.0 * h)
                    } else {
                        (at(1.0) - at(-1.0)) / (2.0 * h)
                    };
                    Some(State { position: at(0.0), velocity })
                })
                .collect()
        })
        .collect();
    let setting = Setting {
        handedness: Handedness::Right,
        side: 1.0,
        z_is_up: true,
        one_camera: false,
        frame_seconds: 1.0 / 240.0,
        clock_sd_seconds: 0.0,
        present: [true; Spot::ALL.len()],
        velocity_sds: Vec::new(),
        tip_speed_sds: Vec::new(),
        quick_tip_sds: Vec::new(),
        dip_window: None,
    };
    let view = StrokeView {
        setting: &setting,
        grid: &grid,
        frames: (0..grid.len).map(|k| frame_at(&points, k, Handedness::Right)).collect(),
        points,
        contact_shift: 0.0,
        peak_draws: [0.0; SEGMENTS],
        ball_at_contact: None,
        bounce: Err("not asked"),
        tip_speed: Vec::new(),
        quick_tip_speeds: Vec::new(),
        tip_speed_at_contact: None,
        phases: None,
        set_phases: Vec::new(),
    };
    phases::find(&view)
}

/// Errors of one swing by name, each with whether its 95 % interval holds the truth; and whether a dip was claimed.
fn measure(swing: &TestSwing, recording: &Recording) -> (Vec<(&'static str, f64, bool)>, bool) {
    let stroke = only_stroke(&record(swing, recording));
    let values = measured(&stroke);
    let mut errors = Vec::new();
    let exact = exact_phases(swing);
    for (phase, kind) in EVENTS {
        let (Some(event), Ok(truth)) = (stroke.event(kind), exact.get(phase)) else { continue };
        let error = event.session_seconds - recording.contact_seconds - truth;
        errors.push((kind.label(), error, error.abs() < 1.96 * event.sd_seconds));
    }
    for (kind, truth) in [(EventKind::Contact, 0.0), (EventKind::Bounce, BOUNCE_SECONDS)] {
        // A bounce may fall into noise and is then refused; how many are is asserted below.
        let Some(event) = stroke.event(kind) else { continue };
        let error = event.session_seconds - recording.contact_seconds - truth;
        errors.push((kind.label(), error, error.abs() < 1.96 * event.sd_seconds));
    }
    let end = event_to_contact(&stroke, EventKind::TakeBackEnd, recording.contact_seconds);
    for (id, truth) in true_values(swing, end) {
        let Some((value, [low, high])) = values.get(id) else { continue };
        errors.push((id, value - truth, (*low..=*high).contains(&truth)));
    }
    (errors, values["tip-speed-dip-depth"].0 > 0.0)
}

#[test]
fn five_hundred_clean_swings_meet_the_aims() {
    let swings: Vec<(u64, TestSwing)> = (0..)
        .map(|seed| (seed, TestSwing::varied(seed)))
        .filter(|(_, swing)| true_dip(swing).0 < 0.03)
        .take(500)
        .collect();
    let results: Vec<_> = swings.par_iter().map(|(seed, swing)| measure(swing, &recording(*seed))).collect();
    let mut errors: BTreeMap<&str, Errors> = BTreeMap::new();
    for (id, error, inside) in results.iter().flat_map(|(errors, _)| errors) {
        errors.entry(id).or_default().0.push((*error, *inside));
    }
    for (id, list) in &errors {
        let mut sizes: Vec<f64> = list.0.iter().map(|(e, _)| e.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        println!(
            "{id}: n {} mean {:.4} rms {:.4} median {:.4} covered {:.3}",
            list.0.len(),
            list.mean(),
            list.rms(),
            sizes[sizes.len() / 2],
            list.covered()
        );
    }
    for (id, list) in &errors {
        let may_be_refused = id.contains("across");
        assert!(may_be_refused || list.0.len() >= 480, "{id} was measured in {} of 500 swings", list.0.len());
    }
    let claimed = results.iter().filter(|(_, dip)| *dip).count();
    println!("dips claimed: {claimed}");
    assert_eq!(claimed, 0);
    // Aimed at: contact 1 ms, other events 4 ms. Reached in the mean (rms) by contact, bounce, take-back start and bottom of the
    // drop; where a threshold is crossed slowly (end of take-back, top of the drop, forward start, end of follow-through) not.
    for (id, most_rms) in [
        ("contact", 0.001),
        ("bounce", 0.002),
        ("take-back start", 0.006),
        ("bottom of the racket drop", 0.006),
        ("forward-swing start", 0.008),
        ("end of take-back", 0.009),
        ("end of follow-through", 0.009),
        ("top of the racket drop", 0.016),
        ("tip-farthest-across", 0.015),
        ("shoulder-alignment-contact", 2.0_f64.to_radians()),
    ] {
        assert!(errors[id].rms() < most_rms, "{id} {}", errors[id].rms());
    }
    for id in ["tip-farthest-across", "dominant-shoulder-ahead", "contact-mid-shoulder-side", "tip-speed-contact"] {
        assert!((0.85..=0.995).contains(&errors[id].covered()), "{id} {}", errors[id].covered());
    }
}

#[test]
fn dips_of_15_percent_are_found_when_they_last_50_ms() {
    // Aimed at: every dip from 15 % and 15 ms on. With 8 mm of noise per coordinate the brief ones are found in part only; the
    // shares are printed, and what must not be lost is asserted.
    let n: u64 = 40;
    for (depth, sd, least) in [(0.15, 0.030, 0.3), (0.25, 0.030, 0.7), (0.15, 0.062, 0.75)] {
        let found: Vec<(bool, f64, f64)> = (0..n)
            .into_par_iter()
            .map(|seed| {
                let with = |share: f64| TestSwing {
                    slowing: Some(Slowing { centre: -0.11, sd, share }),
                    ..TestSwing::varied(seed)
                };
                let (mut low, mut high) = (0.0, 0.95);
                for _ in 0..7 {
                    let middle = (low + high) / 2.0;
                    if true_dip(&with(middle)).0 < depth { low = middle } else { high = middle }
                }
                let stroke = only_stroke(&record(&with(high), &recording(seed)));
                let values = measured(&stroke);
                let truth = true_dip(&with(high));
                (values["tip-speed-dip-depth"].0 > 0.0, values["tip-speed-dip-depth"].0, truth.1)
            })
            .collect();
        let hits = found.iter().filter(|(hit, ..)| *hit).count();
        println!(
            "depth {depth} sd {sd}: found {hits} of {n}, depth {:.3}, lasts {:.4}",
            median(found.iter().map(|f| f.1).collect()),
            median(found.iter().map(|f| f.2).collect())
        );
        assert!(hits as f64 >= least * n as f64, "depth {depth} sd {sd}: {hits} of {n}");
    }
}
