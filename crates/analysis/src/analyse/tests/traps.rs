//! Cases in which a plausible method goes wrong.

use midline_session::description::SetEvent;
use midline_session::strokes::{Answer, StrokeKind};

use super::*;
use crate::input::MarkedEvent;

#[test]
fn a_swing_that_drops_from_30_to_20_at_contact_is_reported_at_30_with_its_peak_at_contact() {
    // What smoothing through contact makes of such a speed: `midline_signal`, butterworth.rs.
    let swing = TestSwing { after: 0.66, ..TestSwing::default() };
    let truth = swing.speed_before(Spot::RacketTip, 0.0);
    assert!((truth - 30.0).abs() < 0.1);
    let (mut speeds, mut peaks) = (Errors::default(), Errors::default());
    for seed in 0..12 {
        let recording = Recording { rate_hz: 240.0, noise_m: 0.001, seed, ..Recording::default() };
        let values = measured(&only_stroke(&record(&swing, &recording)));
        speeds.0.push((values["tip-speed-contact"].0 - truth, true));
        peaks.0.push((values["tip-speed-peak-time"].0, true));
    }
    println!("speed off by {:.3} on average (rms {:.3}), peak {:.4}", speeds.mean(), speeds.rms(), peaks.mean());
    assert!(speeds.mean().abs() < 0.3 && speeds.rms() < 0.4, "{} {}", speeds.mean(), speeds.rms());
    assert!(peaks.rms() < 0.003);
}

#[test]
fn peaks_18_ms_apart_are_ordered_at_240_frames_per_second_and_not_at_60() {
    // Landlinger et al. 2010 (J Sports Sci Med 9:643): pelvis 75 ms, trunk 57 ms before impact; so has the made-up swing.
    let lags = |rate_hz: f64| -> Vec<Option<(f64, [f64; 2])>> {
        (0..12)
            .map(|seed| {
                let recording = Recording { rate_hz, noise_m: 0.002, seed, ..Recording::default() };
                let stroke = only_stroke(&record(&TestSwing::default(), &recording));
                if rate_hz < 100.0 {
                    assert!(matches!(stroke.measure("segment-order").unwrap().outcome, Outcome::NotMeasurable { .. }));
                    assert_eq!(statement(&stroke, "hips-outward").verdict, Verdict::CannotBeTold);
                }
                measured(&stroke).get("hip-line-to-shoulder-line-lag").copied()
            })
            .collect()
    };
    let ordered = |found: &[Option<(f64, [f64; 2])>]| found.iter().flatten().filter(|(_, [low, _])| *low > 0.0).count();
    let (fast, slow) = (lags(240.0), lags(60.0));
    assert!(slow.iter().all(Option::is_none));
    println!("240: {fast:.4?}\n60: {slow:.4?}");
    assert!(ordered(&fast) >= 11, "{}", ordered(&fast));
    assert_eq!(ordered(&slow), 0);
    let errors = fast.iter().flatten().map(|(lag, _)| lag - 0.018).fold(0.0_f64, |a, b| a.max(b.abs()));
    assert!(errors < 0.012, "{errors}");
}

#[test]
fn what_the_analyst_sets_stands_in_and_is_recorded() {
    let recorded = record(&TestSwing::default(), &Recording::default());
    let contact = Recording::default().contact_seconds;
    let set = |kind, seconds: f64| SetEvent {
        stroke: 1,
        kind,
        session_seconds: contact + seconds,
        sd_seconds: Some(0.004),
        reason: "seen on the frames".to_owned(),
    };
    let events = [
        set(EventKind::TakeBackStart, -0.90),
        set(EventKind::Contact, 0.003),
        set(EventKind::Bounce, -0.60),
        SetEvent { stroke: 7, ..set(EventKind::Contact, 0.0) },
    ];
    let input = StrokeInput { set_events: &events, ..recorded.input() };
    let strokes = analyse_with(&input, FEW_TRIALS).unwrap();
    let stroke = &strokes.strokes[0];
    for event in &events[..3] {
        let found = stroke.event(event.kind).unwrap();
        assert!((found.session_seconds - event.session_seconds).abs() < 1e-9, "{found:?}");
        assert!((found.sd_seconds - 0.004).abs() < 1e-9 && found.source == "set by the analyst");
        let record = strokes.answers.set_events.iter().find(|r| r.kind == event.kind).unwrap();
        assert!(record.found_seconds.is_some_and(|t| (t - event.session_seconds).abs() > 0.001), "{record:?}");
        assert_eq!(record.reason, "seen on the frames");
    }
    let values = measured(stroke);
    assert!((values["take-back-minus-bounce-hand"].0 + 0.30).abs() < 1e-6);
    assert!((values["take-back-start-to-contact"].0 - 0.903).abs() < 1e-6);
    assert!(strokes.remarks.iter().any(|r| r.contains("stroke 7") && r.contains("not used")), "{:?}", strokes.remarks);
}

/// Where there is no room for a dip, none is denied. A trial's end of the take-back after contact once stopped the analysis.
#[test]
fn a_take_back_that_is_set_to_end_at_contact_leaves_the_rise_open() {
    let recorded = record(&TestSwing::default(), &Recording::default());
    let contact = Recording::default().contact_seconds;
    let with_end = |seconds: f64| {
        let set = [SetEvent {
            stroke: 1,
            kind: EventKind::TakeBackEnd,
            session_seconds: contact + seconds,
            sd_seconds: Some(0.004),
            reason: "seen on the frames".to_owned(),
        }];
        analyse_with(&StrokeInput { set_events: &set, ..recorded.input() }, FEW_TRIALS).unwrap()
    };
    for seconds in [-0.03, -0.003] {
        let strokes = with_end(seconds);
        let stroke = &strokes.strokes[0];
        assert_eq!(statement(stroke, "speed-rises-without-dip").verdict, Verdict::CannotBeTold, "{seconds}");
        assert!(matches!(stroke.measure("tip-speed-dip-hidden").unwrap().outcome, Outcome::NotMeasurable { .. }));
    }
    let strokes = with_end(0.02);
    assert!(strokes.answers.set_events.is_empty());
    assert!(strokes.remarks.iter().any(|r| r.contains("is not used: its contact was found")), "{:?}", strokes.remarks);
}

#[test]
fn suspicions_are_answered_with_their_evidence() {
    let recording = Recording { noise_m: 0.003, rate_hz: 240.0, ..Recording::default() };
    let slowed = TestSwing {
        slowing: Some(Slowing { centre: -0.11, sd: 0.05, share: 0.75 }),
        shoulder_opening: 1.2,
        ..TestSwing::default()
    };
    let suspicions = ["racket slows in the drop", "the dominant shoulder stays back", "take-back starts too early"];
    let suspicions = suspicions.map(str::to_owned);
    let answers = |swing: &TestSwing| {
        let recorded = record(swing, &recording);
        let input = StrokeInput { suspicions: &suspicions, ..recorded.input() };
        analyse_with(&input, FEW_TRIALS).unwrap().answers.suspicions
    };
    let found = answers(&slowed);
    assert!(found.iter().all(|s| !s.evidence.is_empty() && !s.rests_on.is_empty()), "{found:?}");
    assert_eq!(found.iter().map(|s| s.answer).collect::<Vec<_>>()[..2], [Answer::Supported; 2], "{found:?}");
    let clean = answers(&TestSwing::default());
    assert_eq!(clean.iter().map(|s| s.answer).collect::<Vec<_>>(), [Answer::Contradicted; 3], "{clean:?}");
}

#[test]
fn kinds_of_strokes_are_told_apart_or_left_unknown() {
    let kind = |recorded: &Recorded| {
        let strokes = analyse_with(&recorded.input(), FEW_TRIALS).unwrap();
        (strokes.kind(1), strokes.answers.kinds[0].because.clone())
    };
    let forehand = record(&TestSwing::default(), &Recording::default());
    assert_eq!(kind(&forehand).0, StrokeKind::Forehand);
    let left = record(&TestSwing::default(), &Recording { mirrored: true, ..Recording::default() });
    assert_eq!(kind(&left).0, StrokeKind::Forehand);
    // The trunk turned about by half a turn: the same racket path is then on the other side of the body.
    let turned = |hands_together: bool| {
        let mut recorded = record(&TestSwing::default(), &Recording::default());
        let column = |name: &str| recorded.tracks.column(name).unwrap();
        let (pairs, wrists) = (
            [("right_shoulder", "left_shoulder"), ("right_hip", "left_hip")].map(|(a, b)| [column(a), column(b)]),
            [column("left_wrist"), column("right_wrist")],
        );
        for row in &mut recorded.tracks.points {
            for [a, b] in pairs {
                row.swap(a, b);
            }
            if hands_together {
                row[wrists[0]] = row[wrists[1]].map(|mut p| {
                    p.position_m[2] += 0.09;
                    p
                });
            }
        }
        recorded
    };
    assert_eq!(kind(&turned(false)).0, StrokeKind::OneHandedBackhand, "{:?}", kind(&turned(false)));
    assert_eq!(kind(&turned(true)).0, StrokeKind::TwoHandedBackhand, "{:?}", kind(&turned(true)));
    let unseen = record(&TestSwing::default(), &Recording { without: vec!["left_shoulder"], ..Recording::default() });
    assert_eq!(kind(&unseen).0, StrokeKind::Unknown);
}

/// The stroke with another ball: its place by time to contact and where it is met; `None` where it is not seen.
fn with_ball(mut recorded: Recorded, ball: impl Fn(f64, Vector3<f64>) -> Option<Vector3<f64>>) -> Recorded {
    let contact = Recording::default().contact_seconds;
    let column = |name: &str| recorded.tracks.column(name).unwrap();
    let (own, throat, tip) = (column("ball"), column("racket_throat"), column("racket_tip"));
    let at = recorded.tracks.session_seconds.partition_point(|t| *t < contact);
    let place = |c: usize| Vector3::from(recorded.tracks.points[at][c].unwrap().position_m);
    let met = (place(throat) + place(tip)) / 2.0;
    for (seconds, row) in recorded.tracks.session_seconds.iter().zip(&mut recorded.tracks.points) {
        let seen = row[own];
        row[own] = ball(seconds - contact, met).and_then(|p| {
            let mut point = seen?;
            point.position_m = p.into();
            Some(point)
        });
    }
    recorded
}

fn falls(seconds: f64) -> Vector3<f64> {
    Vector3::new(0.0, 0.0, -0.5 * crate::kink::GRAVITY_M_S2 * seconds * seconds)
}

#[test]
fn a_toss_met_overhead_is_a_serve_and_a_ball_that_never_bounced_a_volley() {
    let kind = |recorded: &Recorded| {
        let strokes = analyse_with(&recorded.input(), FEW_TRIALS).unwrap();
        (strokes.kind(1), strokes.answers.kinds[0].because.clone())
    };
    // Arm and racket lifted above the head; the ball is tossed, comes down slowly and is sent off at 40 m/s.
    let overhead = || {
        let mut recorded = record(&TestSwing::default(), &Recording::default());
        let names = ["right_elbow", "right_wrist", "racket_butt", "racket_throat", "racket_tip"];
        let lifted = names.map(|name| recorded.tracks.column(name).unwrap());
        for row in &mut recorded.tracks.points {
            for column in lifted {
                row[column].as_mut().unwrap().position_m[2] += 1.3;
            }
        }
        recorded
    };
    let off = Vector3::new(-1.0, 40.0, -3.0);
    let tossed = |t: f64, met: Vector3<f64>| {
        let velocity = if t < 0.0 { Vector3::new(0.2, 0.4, -1.0) } else { off };
        (t > -0.9).then(|| met + velocity * t + falls(t))
    };
    let serve = kind(&with_ball(overhead(), tossed));
    assert_eq!(serve.0, StrokeKind::Serve, "{}", serve.1);
    // The same overhead, but the ball comes from the other side: neither a serve nor any kind told apart here.
    let incoming = |t: f64, met: Vector3<f64>| {
        let velocity = if t < 0.0 { Vector3::new(0.8, -17.0, -4.0) } else { off };
        (t > -0.95).then(|| met + velocity * t + falls(t))
    };
    let smash = kind(&with_ball(overhead(), incoming));
    assert_eq!(smash.0, StrokeKind::Unknown, "{}", smash.1);
    assert!(smash.1.contains("overhead"), "{}", smash.1);
    // Below the head, from beyond the net without a bounce.
    let low = || record(&TestSwing::default(), &Recording::default());
    let volley = kind(&with_ball(low(), incoming));
    assert_eq!(volley.0, StrokeKind::Volley, "{}", volley.1);
    // A gap in which it may have bounced: not called a volley.
    let hidden = kind(&with_ball(low(), |t, met| incoming(t, met).filter(|_| !(-0.6..-0.35).contains(&t))));
    assert_ne!(hidden.0, StrokeKind::Volley, "{}", hidden.1);
    // Overhead without a ball: a serve cannot be told.
    let unseen = kind(&with_ball(overhead(), |_, _| None));
    assert_eq!(unseen.0, StrokeKind::Unknown, "{}", unseen.1);
}

#[test]
fn what_is_marked_on_the_pictures_stands_in_for_what_is_found() {
    let recorded = record(&TestSwing::default(), &Recording::default());
    let contact = Recording::default().contact_seconds;
    let mark = |kind, seconds: f64, place: &str| MarkedEvent {
        kind,
        session_seconds: contact + seconds,
        sd_seconds: 0.002,
        place: place.to_owned(),
    };
    let marked = [
        mark(EventKind::TakeBackStart, -0.902, "frame 10 of camera \"a\""),
        mark(EventKind::TakeBackStart, -0.898, "frame 12 of camera \"b\""),
        mark(EventKind::FollowThroughEnd, 0.5, "frame 99 of camera \"a\""),
        mark(EventKind::Bounce, -0.6, "frame 40 of camera \"a\""),
        mark(EventKind::DropTop, 3.0, "frame 700 of camera \"a\""),
    ];
    let set = [SetEvent {
        stroke: 1,
        kind: EventKind::Bounce,
        session_seconds: contact - 0.61,
        sd_seconds: Some(0.004),
        reason: String::new(),
    }];
    let input = StrokeInput { marked_events: &marked, set_events: &set, ..recorded.input() };
    let strokes = analyse_with(&input, FEW_TRIALS).unwrap();
    let stroke = &strokes.strokes[0];
    let start = stroke.event(EventKind::TakeBackStart).unwrap();
    assert!((start.session_seconds - contact + 0.9).abs() < 1e-9 && start.sd_seconds < 0.002, "{start:?}");
    assert!((event_to_contact(stroke, EventKind::FollowThroughEnd, contact) - 0.5).abs() < 1e-9);
    // What is set by number stands before what is marked.
    assert!((event_to_contact(stroke, EventKind::Bounce, contact) + 0.61).abs() < 1e-9);
    let record_of = |kind| strokes.answers.set_events.iter().find(|r| r.kind == kind).unwrap();
    assert!(record_of(EventKind::TakeBackStart).reason.contains("camera \"a\" and frame 12"));
    assert!(record_of(EventKind::TakeBackStart).found_seconds.is_some());
    for words in ["because session.toml sets it", "top of the racket drop marked on frame 700"] {
        assert!(strokes.remarks.iter().any(|r| r.contains(words)), "{words}: {:?}", strokes.remarks);
    }
}

#[test]
fn a_marked_contact_serves_where_nothing_else_tells() {
    // A swing without sound, ball or a racket that slows: refused, unless a person saw the contact.
    let air = Recording { without: vec!["ball"], sound_sd_seconds: None, ..Recording::default() };
    let recorded = record(&TestSwing { after: 1.0, ..TestSwing::default() }, &air);
    assert!(matches!(analyse_with(&recorded.input(), FEW_TRIALS), Err(AnalysisError::NoContact { .. })));
    let marked = [MarkedEvent {
        kind: EventKind::Contact,
        session_seconds: air.contact_seconds,
        sd_seconds: 0.002,
        place: "frame 5 of camera \"a\"".to_owned(),
    }];
    let strokes = analyse_with(&StrokeInput { marked_events: &marked, ..recorded.input() }, FEW_TRIALS).unwrap();
    let contact = strokes.strokes[0].event(EventKind::Contact).unwrap();
    assert!((contact.session_seconds - air.contact_seconds).abs() < 1e-9);
    assert_eq!(contact.source, "set by the analyst");
}

#[test]
fn a_player_who_leaves_the_picture_is_measured_until_then() {
    // Nothing of the player is seen from 0.3 s before contact on, only the racket and the ball.
    let mut recorded = record(&TestSwing::default(), &Recording::default());
    let contact = Recording::default().contact_seconds;
    let body: Vec<usize> =
        (0..recorded.tracks.names.len()).filter(|c| !recorded.tracks.names[*c].starts_with("racket")).collect();
    let ball = recorded.tracks.column("ball").unwrap();
    for (seconds, row) in recorded.tracks.session_seconds.iter().zip(&mut recorded.tracks.points) {
        for column in body.iter().filter(|c| **c != ball && *seconds > contact - 0.3) {
            row[*column] = None;
        }
    }
    let stroke = only_stroke(&recorded);
    let values = measured(&stroke);
    assert!(values.contains_key("tip-speed-contact"));
    for id in ["dominant-shoulder-ahead", "contact-mid-shoulder-front", "take-back-duration", "tip-farthest-across"] {
        assert!(because(&stroke, id).contains("not seen"), "{id}: {}", because(&stroke, id));
    }
}
