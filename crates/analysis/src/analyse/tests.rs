//! Whole strokes from smooth known curves ([`TestSwing`]), recorded with 10 mm of noise per coordinate unless said otherwise.

use std::collections::BTreeMap;

use midline_session::strokes::{Outcome, Verdict};
use nalgebra::{Isometry3, Vector3};

mod aims;
mod traps;

use super::*;
use crate::test_swing::{BOUNCE_SECONDS, Recorded, Recording, Slowing, TestSwing, measured, record};

/// Enough for a standard deviation to 14 %, and quick.
const FEW_TRIALS: usize = 24;

fn only_stroke(recorded: &Recorded) -> Stroke {
    let strokes = analyse_with(&recorded.input(), FEW_TRIALS).unwrap();
    assert_eq!(strokes.strokes.len(), 1, "{:?}", strokes.remarks);
    strokes.strokes.into_iter().next().unwrap()
}

fn because(stroke: &Stroke, id: &str) -> String {
    match &stroke.measure(id).unwrap().outcome {
        Outcome::NotMeasurable { because } => because.clone(),
        Outcome::Measured { value, .. } => panic!("{id} is {value}"),
    }
}

fn statement<'a>(stroke: &'a Stroke, id: &str) -> &'a midline_session::strokes::Statement {
    stroke.statements.iter().find(|s| s.id == id).unwrap()
}

fn event_to_contact(stroke: &Stroke, kind: EventKind, contact: f64) -> f64 {
    stroke.event(kind).unwrap().session_seconds - contact
}

/// Deepest fall of the tip's speed between two rises in the last 0.42 s: share of the lower neighbouring peak, and seconds
/// spent in its lower half. From the curve itself on a grid of 3 ms.
fn true_dip(swing: &TestSwing) -> (f64, f64) {
    let speeds: Vec<f64> = (-140..=0).map(|i| swing.speed_before(Spot::RacketTip, f64::from(i) * 0.003)).collect();
    let mut deepest = (0.0, 0.0, 0.0);
    for (l, top) in speeds.iter().enumerate() {
        let lowest_before = speeds[..=l].iter().copied().fold(f64::INFINITY, f64::min);
        let (m, bottom) = speeds.iter().enumerate().skip(l).min_by(|a, b| a.1.total_cmp(b.1)).unwrap();
        let peak = top.min(speeds[m..].iter().copied().fold(0.0, f64::max));
        let fall: f64 = (peak - bottom).min(top - lowest_before);
        if fall > deepest.0 {
            let low = speeds[l..].iter().filter(|v| **v < peak - fall / 2.0).count();
            deepest = (fall, fall / peak, low as f64 * 0.003);
        }
    }
    (deepest.1, deepest.2)
}

/// A swing whose slowing of this standard deviation leaves a dip of that depth. On a rising speed the slowing must be stronger than the dip.
fn with_dip(seed: u64, depth: f64, centre: f64, sd: f64) -> TestSwing {
    let with = |share: f64| TestSwing { slowing: Some(Slowing { centre, sd, share }), ..TestSwing::varied(seed) };
    let (mut low, mut high) = (0.0, 0.95);
    for _ in 0..7 {
        let middle = (low + high) / 2.0;
        if true_dip(&with(middle)).0 < depth { low = middle } else { high = middle }
    }
    with(high)
}

fn true_values(swing: &TestSwing, take_back_end: f64) -> BTreeMap<&'static str, f64> {
    let tip_across = |t: f64| swing.frame(t).coordinates(&swing.place(Spot::RacketTip, t)).x;
    let steps = (-take_back_end * 1e3).round() as i32;
    let shoulders = swing.place(Spot::DominantShoulder, 0.0) - swing.place(Spot::OtherShoulder, 0.0);
    let frame = swing.frame(0.0);
    let contact = frame.components(&(swing.ball(0.0) - frame.mid_shoulder));
    BTreeMap::from([
        ("tip-speed-contact", swing.speed_before(Spot::RacketTip, 0.0)),
        ("tip-farthest-across", (-steps..=0).map(|i| tip_across(f64::from(i) * 1e-3)).fold(f64::INFINITY, f64::min)),
        ("dominant-shoulder-ahead", shoulders.y),
        ("shoulder-alignment-contact", (-shoulders.y).atan2(shoulders.x)),
        ("contact-mid-shoulder-side", contact.x),
        ("contact-mid-shoulder-front", contact.y),
        ("contact-height", swing.ball(0.0).z),
    ])
}

#[derive(Default)]
struct Errors(Vec<(f64, bool)>);

impl Errors {
    fn rms(&self) -> f64 {
        (self.0.iter().map(|(e, _)| e * e).sum::<f64>() / self.0.len() as f64).sqrt()
    }

    fn mean(&self) -> f64 {
        self.0.iter().map(|(e, _)| e).sum::<f64>() / self.0.len() as f64
    }

    fn covered(&self) -> f64 {
        self.0.iter().filter(|(_, inside)| *inside).count() as f64 / self.0.len() as f64
    }
}

#[test]
fn a_hundred_clean_swings_are_measured_within_their_intervals_and_no_dip_is_claimed() {
    let mut errors: BTreeMap<&str, Errors> = BTreeMap::new();
    let mut speed_shares = Errors::default();
    let (mut strokes, mut claimed, mut denied) = (0, 0, 0);
    for seed in 0.. {
        let swing = TestSwing::varied(seed);
        if true_dip(&swing).0 > 0.03 {
            continue;
        }
        let recording = Recording { seed, ..Recording::default() };
        let stroke = only_stroke(&record(&swing, &recording));
        let values = measured(&stroke);
        let end = event_to_contact(&stroke, EventKind::TakeBackEnd, recording.contact_seconds);
        for (id, truth) in true_values(&swing, end) {
            let (value, [low, high]) = values[id];
            errors.entry(id).or_default().0.push((value - truth, (low..=high).contains(&truth)));
            if id == "tip-speed-contact" {
                speed_shares.0.push((value / truth - 1.0, true));
            }
        }
        let contact = stroke.event(EventKind::Contact).unwrap();
        let error = contact.session_seconds - recording.contact_seconds;
        errors.entry("contact").or_default().0.push((error, error.abs() < 1.96 * contact.sd_seconds));
        claimed += usize::from(values["tip-speed-dip-depth"].0 > 0.0 || values.contains_key("tip-speed-dip-duration"));
        denied += usize::from(statement(&stroke, "speed-rises-without-dip").verdict == Verdict::DoesNotHold);
        strokes += 1;
        if strokes == 100 {
            break;
        }
    }
    for (id, list) in &errors {
        println!("{id}: mean {:.4} rms {:.4} covered {:.2}", list.mean(), list.rms(), list.covered());
    }
    println!("speed share rms {:.4}; dips claimed {claimed}, rise denied {denied}", speed_shares.rms());
    assert_eq!((claimed, denied), (0, 0));
    assert!(errors["contact"].0.iter().all(|(e, _)| e.abs() < 0.003), "contact {}", errors["contact"].rms());
    // Wider than these swings alone would need: the prior must leave room for swings that accelerate harder.
    assert!(speed_shares.rms() < 0.05 && speed_shares.mean().abs() < 0.015);
    assert!(errors["tip-farthest-across"].rms() < 0.015);
    for id in ["tip-farthest-across", "tip-speed-contact", "dominant-shoulder-ahead", "contact-mid-shoulder-side"] {
        assert!((0.90..=0.99).contains(&errors[id].covered()), "{id} {}", errors[id].covered());
    }
}

#[test]
fn a_dip_of_a_quarter_over_60_ms_is_found() {
    let (mut found, mut denied) = (0, 0);
    let (mut depths, mut durations, mut true_durations) = (Vec::new(), Vec::new(), Vec::new());
    for seed in 0..100 {
        let swing = with_dip(seed, 0.25, -0.10, 0.062);
        true_durations.push(true_dip(&swing).1);
        let stroke = only_stroke(&record(&swing, &Recording { seed, ..Recording::default() }));
        let values = measured(&stroke);
        if let Some((duration, _)) = values.get("tip-speed-dip-duration") {
            found += 1;
            depths.push(values["tip-speed-dip-depth"].0);
            durations.push(*duration);
        }
        denied += usize::from(statement(&stroke, "speed-rises-without-dip").verdict == Verdict::DoesNotHold);
    }
    let (depth, duration, true_duration) = (median(depths), median(durations), median(true_durations));
    println!("found {found}, rise denied {denied}, depth {depth:.3}, duration {duration:.4} (true {true_duration:.4})");
    assert!((0.053..0.067).contains(&true_duration));
    assert!(found >= 95 && denied >= 80);
    assert!((depth - 0.25).abs() < 0.04 && (duration - true_duration).abs() < 0.01);
}

#[test]
fn a_speed_that_drops_from_30_to_18_at_contact_is_read_on_the_near_side() {
    // 120 and 240 Hz; mean and spread over 25 recordings. The true speed is 29.97 m/s before contact and 18.4 m/s after.
    let swing = TestSwing::default();
    let truth = swing.speed_before(Spot::RacketTip, 0.0);
    assert!((truth - 30.0).abs() < 0.1);
    for rate_hz in [120.0, 240.0] {
        let (mut speeds, mut peak_times, mut after) = (Errors::default(), Errors::default(), Vec::new());
        for seed in 0..25 {
            let stroke = only_stroke(&record(&swing, &Recording { rate_hz, seed, ..Recording::default() }));
            let values = measured(&stroke);
            speeds.0.push((values["tip-speed-contact"].0 - truth, true));
            peak_times.0.push((values["tip-speed-peak-time"].0, true));
            let curve = stroke.curves.iter().find(|c| c.id == "racket-tip-speed").unwrap();
            let next = curve.seconds_to_contact.iter().position(|t| *t > 1e-6).unwrap();
            after.push(curve.values[next].unwrap());
            assert!((curve.values[next - 1].unwrap() - values["tip-speed-contact"].0).abs() < 1e-6);
        }
        println!(
            "{rate_hz} Hz: mean {:.2} rms error {:.2} m/s, peak {:.4} s before contact on average (rms {:.4}), {:.1} m/s 5 ms after",
            truth + speeds.mean(),
            speeds.rms(),
            -peak_times.mean(),
            peak_times.rms(),
            median(after.clone())
        );
        assert!(speeds.mean().abs() < 0.7 && speeds.rms() < 1.3);
        assert!(peak_times.rms() < 0.005);
        assert!((median(after) - 18.4).abs() < 2.0);
    }
}

#[test]
fn events_are_where_the_curves_have_them() {
    // The steps of the made-up swing: take-back about -0.58 s, drop centred at -0.20 s; 3 mm of noise.
    let recording = Recording { noise_m: 0.003, ..Recording::default() };
    let swing = TestSwing::on_hitting_side();
    let stroke = only_stroke(&record(&swing, &recording));
    let at = |kind| event_to_contact(&stroke, kind, recording.contact_seconds);
    assert!(at(EventKind::Contact).abs() < 0.002);
    assert!((at(EventKind::Bounce) - BOUNCE_SECONDS).abs() < 0.002);
    // A bell falls to a fifth of its height 1.79 standard deviations from its centre: -0.58 ∓ 0.18 s for the arm's bells.
    assert!((at(EventKind::TakeBackStart) + 0.76).abs() < 0.04, "{}", at(EventKind::TakeBackStart));
    assert!((at(EventKind::TakeBackEnd) + 0.42).abs() < 0.04, "{}", at(EventKind::TakeBackEnd));
    let lowest = (-300..=0)
        .map(|i| f64::from(i) * 1e-3)
        .min_by(|a, b| swing.place(Spot::RacketTip, *a).z.total_cmp(&swing.place(Spot::RacketTip, *b).z))
        .unwrap();
    assert!((at(EventKind::DropBottom) - lowest).abs() < 0.012, "{} {lowest}", at(EventKind::DropBottom));
    assert!((at(EventKind::DropTop) + 0.39).abs() < 0.05, "{}", at(EventKind::DropTop));
    let order: Vec<EventKind> = stroke.events.iter().map(|e| e.kind).collect();
    let ranks = [
        EventKind::TakeBackStart,
        EventKind::Bounce,
        EventKind::TakeBackEnd,
        EventKind::DropTop,
        EventKind::ForwardSwingStart,
        EventKind::DropBottom,
        EventKind::Contact,
        EventKind::FollowThroughEnd,
    ];
    // These overlap with the others, differently from swing to swing.
    let elsewhere = [EventKind::FarthestAcross, EventKind::ShoulderTurnStart, EventKind::TrunkOpening];
    assert_eq!(order.into_iter().filter(|k| !elsewhere.contains(k)).collect::<Vec<_>>(), ranks);
    assert!(stroke.events.iter().all(|e| e.sd_seconds > 0.0 && !e.definition.is_empty() && !e.source.is_empty()));
}

#[test]
fn left_handers_and_turned_courts_give_the_same_numbers() {
    // The same noise in the mirrored or turned world is other noise to the body, so the noise is small here.
    let quiet = Recording { noise_m: 0.0005, ..Recording::default() };
    let swing = TestSwing::default();
    let right = measured(&only_stroke(&record(&swing, &quiet)));
    let left = measured(&only_stroke(&record(&swing, &Recording { mirrored: true, ..quiet.clone() })));
    let turned = Recording {
        world_from_court: Isometry3::new(Vector3::new(3.0, -2.0, 0.7), Vector3::new(0.9, -1.2, 0.5)),
        ..quiet.clone()
    };
    let recorded = record(&swing, &turned);
    let input = StrokeInput { vertical: Vertical::Unknown, ..recorded.input() };
    let turned = analyse_with(&input, FEW_TRIALS).unwrap().strokes.remove(0);
    let compare = |other: &BTreeMap<String, (f64, [f64; 2])>, least: usize| {
        let mut compared = 0;
        for (id, (value, _)) in other {
            let allowed = match id {
                _ if id.ends_with("rate") || id.contains("speed") => 0.5,
                // Its ends move with the instants.
                _ if id.contains("path") => 0.04,
                _ => 0.02,
            };
            assert!((value - right[id].0).abs() < allowed, "{id} {value} {:?}", right[id]);
            compared += 1;
        }
        assert!(compared >= least, "{compared}");
    };
    compare(&left, 55);
    compare(&measured(&turned), 35);
    for id in ["dominant-shoulder-ahead", "contact-height", "shoulder-alignment-contact", "drop-duration"] {
        assert!(because(&turned, id).contains("vertical"), "{}", because(&turned, id));
    }
    assert!(because(&turned, "take-back-minus-bounce-hand").contains("vertical"));
    assert!(turned.curves.iter().all(|c| !c.id.ends_with("alignment")));
}

#[test]
fn statements_follow_the_swing() {
    let recording = Recording { noise_m: 0.004, rate_hz: 240.0, ..Recording::default() };
    let stroke = |swing: TestSwing| only_stroke(&record(&swing, &recording));
    let open = stroke(TestSwing::default());
    assert_eq!(statement(&open, "dominant-shoulder-in-front").verdict, Verdict::Holds);
    assert_eq!(statement(&open, "speed-rises-without-dip").verdict, Verdict::Holds);
    assert_eq!(statement(&open, "take-back-around-bounce").verdict, Verdict::Holds);
    let closed = stroke(TestSwing { shoulder_opening: 1.2, ..TestSwing::default() });
    assert_eq!(statement(&closed, "dominant-shoulder-in-front").verdict, Verdict::DoesNotHold);

    let side = stroke(TestSwing::on_hitting_side());
    assert!(side.style.starts_with("Hitting side"), "{}", side.style);
    assert!(statement(&side, "trunk-opens-with-drop").text.contains("bottom of the racket drop"));
    let across = stroke(TestSwing { arm_elevation: -1.4, ..TestSwing::default() });
    assert!(across.style.starts_with("Across"), "{}", across.style);
    let nearer_top = statement(&across, "trunk-opens-with-drop");
    assert!(nearer_top.text.contains("near the top") && nearer_top.probability.is_some());
    for stroke in [&open, &closed, &side, &across] {
        let words = stroke.statements.iter().map(|s| &s.text).chain(stroke.measures.iter().map(|m| &m.definition));
        for text in words.chain([&stroke.style]) {
            let graded = text.split(|c: char| !c.is_alphabetic()).any(|w| ["too", "wrong", "bad"].contains(&w));
            assert!(!graded, "{text}");
        }
    }
}

#[test]
fn the_order_of_segments_is_claimed_only_when_the_footage_carries_it() {
    let at_120 = only_stroke(&record(&TestSwing::default(), &Recording::default()));
    assert!(because(&at_120, "segment-order").contains("uncertainty"));
    assert_eq!(statement(&at_120, "hips-outward").verdict, Verdict::CannotBeTold);
    // Peaks 60 ms apart would be told apart by clean footage: here hip line and racket are.
    let quiet = only_stroke(&record(
        &TestSwing::default(),
        &Recording { noise_m: 0.002, rate_hz: 240.0, ..Recording::default() },
    ));
    let values = measured(&quiet);
    assert!((values["hip-line-peak-time"].0 + 0.075).abs() < 0.006, "{:?}", values["hip-line-peak-time"]);
    assert!((values["shoulder-line-peak-time"].0 + 0.057).abs() < 0.008, "{:?}", values["shoulder-line-peak-time"]);
    let racket = values["racket-peak-time"];
    assert!(racket.0 - values["hip-line-peak-time"].0 > 0.05 && racket.1[1] - racket.1[0] < 0.06, "{racket:?}");
}

#[test]
fn contact_is_found_from_each_evidence_alone() {
    let swing = TestSwing::default();
    let error = |recording: &Recording| {
        let stroke = only_stroke(&record(&swing, recording));
        let contact = stroke.event(EventKind::Contact).unwrap().clone();
        (contact.session_seconds - recording.contact_seconds, contact.sd_seconds, contact.source)
    };
    let (off, sd, source) = error(&Recording { sound_sd_seconds: None, ..Recording::default() });
    assert!(off.abs() < 0.003 && sd < 0.003 && source.contains("ball"), "{off} {sd} {source}");
    let (off, sd, source) = error(&Recording { without: vec!["ball"], ..Recording::default() });
    assert!(off.abs() < 0.003 && sd < 0.003 && source.contains("sound"), "{off} {sd} {source}");
    let racket_only =
        Recording { without: vec!["ball"], sound_sd_seconds: None, noise_m: 0.003, ..Recording::default() };
    let (off, sd, source) = error(&racket_only);
    assert!(off.abs() < 0.010 && off.abs() < 2.5 * sd && source.contains("racket"), "{off} {sd} {source}");
}

#[test]
fn gaps_and_outliers_are_noticed_not_used() {
    let swing = TestSwing::default();
    let recording = Recording { missing: 0.06, outliers: 0.02, ..Recording::default() };
    let strokes = analyse_with(&record(&swing, &recording).input(), FEW_TRIALS).unwrap();
    let values = measured(&strokes.strokes[0]);
    let truth = true_values(&swing, -0.42);
    for id in ["tip-speed-contact", "tip-farthest-across", "dominant-shoulder-ahead", "contact-height"] {
        let (value, [low, high]) = values[id];
        let half = (high - low) / 2.0;
        assert!((value - truth[id]).abs() < 1.6 * half, "{id} {value} {} {half}", truth[id]);
    }
    assert!(
        strokes.remarks.iter().any(|r| r.contains("racket_tip") && r.contains("left out")),
        "{:?}",
        strokes.remarks
    );
    assert!(strokes.remarks.iter().any(|r| r.contains("interpolated")), "{:?}", strokes.remarks);
}

#[test]
fn a_body_without_racket_is_still_measured() {
    let without = vec!["racket_butt", "racket_throat", "racket_tip"];
    let recorded = record(&TestSwing::default(), &Recording { without, ..Recording::default() });
    let strokes = analyse_with(&recorded.input(), FEW_TRIALS).unwrap();
    let stroke = &strokes.strokes[0];
    assert!(because(stroke, "tip-speed-contact").contains("racket_tip"));
    assert!(measured(stroke).contains_key("dominant-shoulder-ahead"));
    assert!(measured(stroke).contains_key("take-back-start-to-contact"));
    assert!(
        strokes.remarks.iter().any(|r| r.contains("no racket_butt, racket_throat, racket_tip")),
        "{:?}",
        strokes.remarks
    );
}

#[test]
fn several_strokes_are_numbered_and_averaged() {
    let recording =
        |n: u32| Recording { seed: u64::from(n), contact_seconds: 10.0 + 3.0 * f64::from(n), ..Recording::default() };
    let swings = [0, 1, 2].map(|n| {
        record(&TestSwing { shoulder_opening: 1.9 + 0.1 * f64::from(n), ..TestSwing::default() }, &recording(n))
    });
    let [first, second, third] = swings;
    let recorded = first.followed_by(second).followed_by(third);
    let strokes = analyse_with(&recorded.input(), FEW_TRIALS).unwrap();
    assert_eq!(strokes.strokes.iter().map(|s| s.number).collect::<Vec<_>>(), [1, 2, 3]);
    let mean = strokes.over_strokes.iter().find(|m| m.id == "tip-speed-contact").unwrap();
    let Outcome::Measured { value, interval_95: [low, high] } = mean.outcome else { panic!("{mean:?}") };
    assert_eq!(mean.n, 3);
    assert!((value - 30.0).abs() < 1.5 && low < value && value < high);
    // The same input gives the same output, to the last digit.
    assert_eq!(strokes, analyse_with(&recorded.input(), FEW_TRIALS).unwrap());
}

#[test]
fn what_cannot_be_analysed_is_refused_with_the_reason() {
    let good = record(&TestSwing::default(), &Recording::default());
    let refused = |input: &StrokeInput| analyse_with(input, FEW_TRIALS).unwrap_err();

    let empty = Tracks::default();
    assert_eq!(refused(&StrokeInput { tracks: &empty, ..good.input() }), AnalysisError::NoTracks);

    let mut backward = good.tracks.clone();
    backward.session_seconds[7] = backward.session_seconds[6];
    assert!(matches!(
        refused(&StrokeInput { tracks: &backward, ..good.input() }),
        AnalysisError::Malformed { instant: 7, .. }
    ));

    assert!(matches!(
        refused(&StrokeInput { frame_rates_hz: &[120.0, 30.0], ..good.input() }),
        AnalysisError::TooSparse { .. }
    ));

    let other_hand = refused(&StrokeInput { handedness: Handedness::Left, ..good.input() });
    assert!(matches!(other_hand, AnalysisError::OtherHand { said: "left", other: "right", .. }), "{other_hand}");

    let slow = Recording { to_seconds: -0.2, ..Recording::default() };
    assert!(matches!(refused(&record(&TestSwing::on_hitting_side(), &slow).input()), AnalysisError::NoSwing { .. }));

    // Here the take-back alone is faster than 12 m/s, and the bounce is heard then; but the ball is metres away.
    let bounce_heard = record(&TestSwing::default(), &slow);
    assert!(matches!(refused(&bounce_heard.input()), AnalysisError::NoContact { .. }));

    let all = Spot::ALL.map(|spot| spot.track_name(Handedness::Right));
    let without = all.into_iter().filter(|n| n.starts_with("racket") || *n == "right_wrist").collect();
    let bodiless = record(&TestSwing::default(), &Recording { without, ..Recording::default() });
    assert!(matches!(refused(&bodiless.input()), AnalysisError::MissingPoints { .. }));

    // A swing in the air: nothing stops the racket, nothing is heard, no ball.
    let air = Recording { without: vec!["ball"], sound_sd_seconds: None, ..Recording::default() };
    let air = record(&TestSwing { after: 1.0, ..TestSwing::default() }, &air);
    assert!(matches!(refused(&air.input()), AnalysisError::NoContact { swings: 1, .. }));
}

#[test]
fn wrong_handedness_without_racket_is_asked_about() {
    let without = vec!["racket_butt", "racket_throat", "racket_tip"];
    let asks = |text: &str| text.contains("Is the player left-handed") && text.contains("the right wrist");
    let analysed =
        |recorded: &Recorded, handedness| analyse_with(&StrokeInput { handedness, ..recorded.input() }, FEW_TRIALS);
    // The ball never comes near the left wrist: no contact, and the error asks.
    let recorded = record(&TestSwing::default(), &Recording { without: without.clone(), ..Recording::default() });
    let refused = analysed(&recorded, Handedness::Left).unwrap_err();
    assert!(matches!(refused, AnalysisError::MaybeOtherHand { .. }) && asks(&refused.to_string()), "{refused}");
    let good = analysed(&recorded, Handedness::Right).unwrap();
    assert!(!good.remarks.iter().any(|r| r.starts_with("Is the player")), "{:?}", good.remarks);
    // Without the ball the sound alone gives a contact, and a remark asks.
    let without = without.into_iter().chain(["ball"]).collect();
    let heard = record(&TestSwing::default(), &Recording { without, noise_m: 0.002, ..Recording::default() });
    let strokes = analysed(&heard, Handedness::Left).unwrap();
    assert!(strokes.remarks.iter().any(|r| asks(r)), "{:?}", strokes.remarks);
}

#[test]
fn an_impact_without_a_fast_racket_is_no_stroke() {
    // The bounce and a later sound are heard too; only the contact counts.
    let strokes = analyse_with(&record(&TestSwing::default(), &Recording::default()).input(), FEW_TRIALS).unwrap();
    assert_eq!(strokes.strokes.len(), 1);
}

#[test]
fn every_measure_is_described() {
    let kinds = measures::all();
    let mut ids: Vec<&str> = kinds.iter().map(|k| k.id.as_str()).collect();
    println!("{}", ids.join(" "));
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), kinds.len());
    for kind in &kinds {
        assert!(["m", "s", "rad", "m/s", "rad/s", "share", "1"].contains(&kind.unit), "{}", kind.id);
        assert!(kind.definition.len() > 20 && kind.name.len() > 5, "{}", kind.id);
        assert!(kind.id.chars().all(|c| c.is_ascii_lowercase() || c == '-'), "{}", kind.id);
    }
}
