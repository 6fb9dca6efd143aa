//! From tracks to strokes.

use midline_session::calibration::Vertical;
use midline_session::description::Handedness;
use midline_session::keypoints::BALL;
use midline_session::strokes::{Answers, Event, EventKind, KindOfStroke, Stroke, Strokes};
use midline_session::tracks::Tracks;

use crate::bounce;
use crate::contact_time::{Contact, Evidence};
use crate::curves;
use crate::error::AnalysisError;
use crate::input::{MarkedEvent, StrokeInput};
use crate::kind;
use crate::measures;
use crate::model::StrokeModel;
use crate::over_strokes::summarise;
use crate::phases::Phase;
use crate::samples::{self, Sample, between};
use crate::set_events::{SET, SetEvents, marked_contact, set_contacts, with_marked};
use crate::spots::Spot;
use crate::statements;
use crate::style;
use crate::suspicions;
use crate::swings::{self, median};
use crate::trials::{self, Evaluations, TRIALS};
use crate::view::StrokeView;

/// Least instants per second.
const LEAST_RATE_HZ: f64 = 45.0;

/// Below this rate the events are said to be coarse.
const GOOD_RATE_HZ: f64 = 100.0;

/// The points whose speed makes a swing, best first, with the least speed in m/s. A racket tip that meets a ball is faster than
/// 12 m/s in all but touch shots; the hand moves at about a third of the tip's speed.
const MOVERS: [(Spot, f64); 3] = [(Spot::RacketTip, 12.0), (Spot::RacketThroat, 9.0), (Spot::DominantWrist, 5.0)];

/// A stroke begins at least this long after the contact before it, and ends as long before the next, seconds.
const APART_SECONDS: f64 = 0.4;

/// Share of the instants around contact in which the other hand must be nearer to the racket's butt to be noticed.
const OTHER_HAND_SHARE: f64 = 0.7;

/// Phases that are reported as events.
pub(crate) const EVENTS: [(Phase, EventKind); 9] = [
    (Phase::TakeBackStart, EventKind::TakeBackStart),
    (Phase::ShoulderTurnStart, EventKind::ShoulderTurnStart),
    (Phase::TrunkOpening, EventKind::TrunkOpening),
    (Phase::TakeBackEnd, EventKind::TakeBackEnd),
    (Phase::FarthestAcross, EventKind::FarthestAcross),
    (Phase::DropTop, EventKind::DropTop),
    (Phase::DropBottom, EventKind::DropBottom),
    (Phase::ForwardStart, EventKind::ForwardSwingStart),
    (Phase::FollowThroughEnd, EventKind::FollowThroughEnd),
];

/// Finds the strokes of a session and measures them.
///
/// # Errors
/// When the tracks are empty, malformed or too sparse, hold neither racket nor racket hand, show no swing or no contact, or
/// when the other hand holds the racket.
pub fn analyse(input: &StrokeInput) -> Result<Strokes, AnalysisError> {
    analyse_with(input, TRIALS)
}

/// [`analyse`] with a chosen number of trials.
pub(crate) fn analyse_with(input: &StrokeInput, trials: usize) -> Result<Strokes, AnalysisError> {
    check(input.tracks)?;
    let frame_seconds = frame_spacing(input)?;
    let mut remarks = Vec::new();
    if 1.0 / frame_seconds < GOOD_RATE_HZ {
        remarks.push(format!(
            "The footage has {:.0} frames per second: speeds near contact and short events are uncertain; film at 120 or more.",
            1.0 / frame_seconds
        ));
    }
    let Seen { points, ball, unusable } = Seen::new(input);
    if unusable > 0 {
        remarks.push(format!("{unusable} points with unusable numbers or covariances were left out."));
    }
    let (mover, least_speed) = mover(input, &points)?;
    let question = ask_for_hand(input.handedness, &points);
    let evidence = evidence(input, frame_seconds, mover, &points, &ball);
    let contacts =
        contacts(&evidence, mover, least_speed, input.marked_events, &mut remarks).map_err(
            |error| match &question {
                Some(question) => AnalysisError::MaybeOtherHand { question: question.clone(), error: Box::new(error) },
                None => error,
            },
        )?;
    remarks.extend(question);
    check_hand(input.handedness, &points, &contacts)?;
    let missing: Vec<&str> = Spot::ALL
        .into_iter()
        .filter(|spot| points[spot.index()].is_empty())
        .map(|spot| spot.track_name(input.handedness))
        .chain(ball.is_empty().then_some(BALL))
        .collect();
    if !missing.is_empty() {
        remarks.push(format!("The tracks hold no {}; what needs them is not measured.", missing.join(", ")));
    }
    if mover != Spot::RacketTip {
        remarks.push(format!("The racket tip is not seen; strokes were found from the {}.", mover.words()));
    }

    let mut answers = Answers { suspicions: Vec::new(), kinds: Vec::new(), set_events: Vec::new() };
    let set_events = with_marked(input.set_events, input.marked_events, &contacts, &mut remarks);
    let contacts = set_contacts(&set_events, frame_seconds, contacts, &mut answers.set_events, &mut remarks);
    let times: Vec<f64> = contacts.iter().map(|c| c.seconds).collect();
    let mut strokes = Vec::new();
    for (i, contact) in contacts.into_iter().enumerate() {
        let limits = [
            i.checked_sub(1).and_then(|j| times.get(j)).map_or(f64::NEG_INFINITY, |t| t + APART_SECONDS),
            times.get(i + 1).map_or(f64::INFINITY, |t| t - APART_SECONDS),
        ];
        let number = i + 1;
        remarks.extend(contact.remarks.iter().map(|remark| format!("Stroke {number}: {remark}")));
        if contact.ball.is_none() {
            remarks.push(format!(
                "Stroke {number}: the ball's flight was not seen on both sides of contact; the contact point is the middle between racket throat and tip."
            ));
        }
        let set = SetEvents::of(&set_events, number, frame_seconds);
        let bounce = set.bounce(bounce::before(&contact, &evidence), contact.seconds, &mut answers.set_events);
        let phases = set.phases(contact.seconds);
        let model = StrokeModel::new(input, frame_seconds, &points, limits, contact, bounce, phases);
        remarks.extend(left_out(number, &model, input.handedness));
        let (stroke, kind) = stroke(number, &model, trials, &ball);
        set.record_phases(&model.measured(), model.contact.seconds, &mut answers.set_events);
        answers.kinds.push(kind);
        strokes.push(stroke);
    }
    answers.suspicions = suspicions::answer(input.suspicions, &strokes);
    Ok(Strokes { over_strokes: summarise(&strokes), strokes, remarks, answers })
}

/// When a ball was met.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ContactTime {
    /// Session time, seconds.
    pub session_seconds: f64,
    /// Standard deviation, seconds.
    pub sd_seconds: f64,
}

/// The contacts that [`analyse`] finds, without measuring the strokes: the lift in continuous time is split there.
///
/// # Errors
/// As [`analyse`].
pub fn contact_times(input: &StrokeInput) -> Result<Vec<ContactTime>, AnalysisError> {
    check(input.tracks)?;
    let frame_seconds = frame_spacing(input)?;
    let Seen { points, ball, .. } = Seen::new(input);
    let (mover, least_speed) = mover(input, &points)?;
    let evidence = evidence(input, frame_seconds, mover, &points, &ball);
    let contacts = contacts(&evidence, mover, least_speed, input.marked_events, &mut Vec::new())?;
    let set_events = with_marked(input.set_events, input.marked_events, &contacts, &mut Vec::new());
    let contacts = set_contacts(&set_events, frame_seconds, contacts, &mut Vec::new(), &mut Vec::new());
    Ok(contacts.iter().map(|c| ContactTime { session_seconds: c.seconds, sd_seconds: c.sd_seconds }).collect())
}

/// The samples of all points.
struct Seen {
    /// Per point of [`Spot::ALL`].
    points: Vec<Vec<Sample>>,
    ball: Vec<Sample>,
    /// Samples left out because their numbers cannot be used.
    unusable: usize,
}

impl Seen {
    fn new(input: &StrokeInput) -> Self {
        let mut unusable = 0;
        let mut of_point = |name: &str| {
            let (samples, bad) = samples::of_point(input.tracks, name);
            unusable += bad;
            samples
        };
        let points = Spot::ALL.into_iter().map(|spot| of_point(spot.track_name(input.handedness))).collect();
        let ball = of_point(BALL);
        Self { points, ball, unusable }
    }
}

fn evidence<'a>(
    input: &'a StrokeInput,
    frame_seconds: f64,
    mover: Spot,
    points: &'a [Vec<Sample>],
    ball: &'a [Sample],
) -> Evidence<'a> {
    Evidence {
        ball,
        mover: &points[mover.index()],
        mover_is_racket: mover != Spot::DominantWrist,
        throat: &points[Spot::RacketThroat.index()],
        tip: &points[Spot::RacketTip.index()],
        impacts: input.impacts,
        clock_sd_seconds: input.clock_sd_seconds,
        frame_seconds,
        z_is_up: input.vertical == Vertical::ZUp,
        one_camera: input.one_camera,
    }
}

/// The contacts of all swings, in the order of time.
fn contacts(
    evidence: &Evidence,
    mover: Spot,
    least_speed: f64,
    marked: &[MarkedEvent],
    remarks: &mut Vec<String>,
) -> Result<Vec<Contact>, AnalysisError> {
    let (swings, fastest_m_s) = swings::find(evidence.mover, least_speed);
    let Some(first) = swings.first() else {
        return Err(AnalysisError::NoSwing { point: mover.words(), fastest_m_s, needed_m_s: least_speed });
    };
    let mut contacts: Vec<Contact> = Vec::new();
    for swing in &swings {
        match evidence.contact(swing).or_else(|| marked_contact(marked, swing.seconds)) {
            Some(contact) => contacts.push(contact),
            None => remarks.push(format!(
                "The swing at {:.2} s is not measured: nothing tells when a ball was met.",
                swing.seconds
            )),
        }
    }
    if contacts.is_empty() {
        return Err(AnalysisError::NoContact { swings: swings.len(), first_seconds: first.seconds });
    }
    Ok(contacts)
}

fn stroke(number: usize, model: &StrokeModel, trials: usize, ball: &[Sample]) -> (Stroke, KindOfStroke) {
    let view = model.measured();
    let phases = EVENTS.map(|(phase, _)| phase);
    let evaluations =
        trials::evaluate(model, &view, &model.smoothed_again(), measures::all(), &phases, trials, number as u64);
    let (kind, because) = kind::of(model, &view, &evaluations, ball);
    let stroke = Stroke {
        number,
        events: events(model, &view, &evaluations),
        measures: evaluations.measures(),
        curves: curves::curves(&view, &evaluations),
        paths: curves::paths(&view),
        statements: statements::all(&evaluations),
        style: style::words(&evaluations),
    };
    (stroke, KindOfStroke { stroke: number, kind, because })
}

fn events(model: &StrokeModel, view: &StrokeView, evaluations: &Evaluations) -> Vec<Event> {
    let contact = model.contact.seconds;
    let mut events = vec![Event {
        kind: EventKind::Contact,
        session_seconds: contact,
        sd_seconds: model.contact.sd_seconds,
        source: model.contact.source.clone(),
        definition: "the ball meets the strings: the meeting of the ball's two flights, the sound, and the drop of the racket's speed, weighted by their standard deviations".to_owned(),
    }];
    if let Ok(bounce) = &model.bounce {
        events.push(Event {
            kind: EventKind::Bounce,
            session_seconds: bounce.seconds,
            sd_seconds: bounce.sd_seconds,
            source: bounce.source.clone(),
            definition: "the incoming ball touches the ground: its vertical velocity turns from down to up near the ground; the sound then".to_owned(),
        });
    }
    for (phase, kind) in EVENTS {
        if let Some((_, seconds, sd_seconds)) = model.set_phases.iter().find(|(p, ..)| *p == phase) {
            events.push(Event {
                kind,
                session_seconds: contact + seconds,
                sd_seconds: *sd_seconds,
                source: SET.to_owned(),
                definition: phase.definition().to_owned(),
            });
        } else if let (Ok(seconds), Some(sd_seconds)) = (view.phase(phase), evaluations.phase_sd(phase)) {
            events.push(Event {
                kind,
                session_seconds: contact + seconds,
                sd_seconds,
                source: "motion of the player and the racket".to_owned(),
                definition: phase.definition().to_owned(),
            });
        }
    }
    events.sort_by(|a, b| a.session_seconds.total_cmp(&b.session_seconds));
    events
}

fn check(tracks: &Tracks) -> Result<(), AnalysisError> {
    if tracks.names.is_empty() || tracks.session_seconds.is_empty() {
        return Err(AnalysisError::NoTracks);
    }
    if tracks.points.len() != tracks.session_seconds.len() {
        let instant = tracks.points.len().min(tracks.session_seconds.len());
        return Err(AnalysisError::Malformed { instant, reason: "times and rows differ in number" });
    }
    if let Some(instant) = tracks.points.iter().position(|row| row.len() != tracks.names.len()) {
        return Err(AnalysisError::Malformed { instant, reason: "the row does not have one entry per point" });
    }
    if let Some(instant) = tracks.session_seconds.iter().position(|t| !t.is_finite()) {
        return Err(AnalysisError::Malformed { instant, reason: "the time is not a number" });
    }
    if let Some(before) = tracks.session_seconds.windows(2).position(|pair| pair[1] <= pair[0]) {
        return Err(AnalysisError::Malformed { instant: before + 1, reason: "the time does not rise" });
    }
    if tracks.points.iter().flatten().all(Option::is_none) {
        return Err(AnalysisError::NoTracks);
    }
    Ok(())
}

/// Spacing of the slowest camera's frames, or of the instants where that is larger, seconds.
fn frame_spacing(input: &StrokeInput) -> Result<f64, AnalysisError> {
    let between = median(input.tracks.session_seconds.windows(2).map(|pair| pair[1] - pair[0]).collect());
    let slowest =
        input.frame_rates_hz.iter().copied().filter(|r| r.is_finite() && *r > 0.0).fold(f64::INFINITY, f64::min);
    let spacing = between.max(1.0 / slowest);
    let rate_hz = if spacing > 0.0 { 1.0 / spacing } else { 0.0 };
    if rate_hz < LEAST_RATE_HZ {
        return Err(AnalysisError::TooSparse { rate_hz, needed_hz: LEAST_RATE_HZ });
    }
    Ok(spacing)
}

fn mover(input: &StrokeInput, points: &[Vec<Sample>]) -> Result<(Spot, f64), AnalysisError> {
    // A point that is there in few instants only cannot be followed.
    let least = input.tracks.session_seconds.len() / 10;
    MOVERS.into_iter().find(|(spot, _)| points[spot.index()].len() > least.max(10)).ok_or_else(|| {
        AnalysisError::MissingPoints { needed: MOVERS.map(|(spot, _)| spot.track_name(input.handedness)).join(", ") }
    })
}

/// Words for the session's hand and the other one.
fn hands(handedness: Handedness) -> (&'static str, &'static str) {
    match handedness {
        Handedness::Right => ("right", "left"),
        Handedness::Left => ("left", "right"),
    }
}

/// Asks when nothing shows which hand holds the racket, but the other wrist is the faster. Two hands at one racket move alike and a free
/// arm may be thrown, so that this refuses nothing.
fn ask_for_hand(handedness: Handedness, points: &[Vec<Sample>]) -> Option<String> {
    const FASTER: f64 = 1.1;
    let fastest = |spot: Spot| swings::find(&points[spot.index()], f64::INFINITY).1;
    let times = fastest(Spot::OtherWrist) / fastest(Spot::DominantWrist);
    let (said, other) = hands(handedness);
    (points[Spot::RacketButt.index()].is_empty() && times > FASTER).then(|| {
        format!(
            "Is the player {said}-handed, as the session says? The racket's butt is not seen, and the {other} wrist is {times:.1} times as fast at its fastest. If not, set handedness = \"{other}\" in session.toml; or check the points for left and right swapped."
        )
    })
}

/// Refuses when the other wrist is the one at the racket's butt in most instants of the last 0.6 s before the contacts.
fn check_hand(handedness: Handedness, points: &[Vec<Sample>], contacts: &[Contact]) -> Result<(), AnalysisError> {
    /// Both hands are at the racket when their distances to the butt differ by less than this, metres.
    const CLEAR_M: f64 = 0.08;
    let (mut other, mut clear) = (0, 0);
    for contact in contacts {
        for butt in between(&points[Spot::RacketButt.index()], contact.seconds - 0.6, contact.seconds) {
            let distance = |spot: Spot| {
                let at = between(&points[spot.index()], butt.seconds - 1e-9, butt.seconds + 1e-9).first()?;
                Some((at.position - butt.position).norm())
            };
            if let (Some(ours), Some(theirs)) = (distance(Spot::DominantWrist), distance(Spot::OtherWrist))
                && (ours - theirs).abs() > CLEAR_M
            {
                clear += 1;
                other += usize::from(theirs < ours);
            }
        }
    }
    let share = f64::from(other as u32) / f64::from(clear.max(1) as u32);
    if clear >= 10 && share > OTHER_HAND_SHARE {
        let (said, found) = hands(handedness);
        return Err(AnalysisError::OtherHand { said, other: found, share_percent: 100.0 * share });
    }
    Ok(())
}

/// What was left out of a stroke.
fn left_out(number: usize, model: &StrokeModel, handedness: Handedness) -> Vec<String> {
    let mut remarks = Vec::new();
    let across: usize = model.points.iter().flatten().map(|p| p.across_contact).sum();
    if across > 0 {
        remarks.push(format!(
            "Stroke {number}: {across} points within {:.0} ms of contact were left out, because they are interpolated between frames on both sides of it.",
            model.margin_seconds * 1e3
        ));
    }
    let outliers: Vec<String> = Spot::ALL
        .into_iter()
        .zip(&model.points)
        .filter_map(|(spot, point)| Some((spot, point.as_ref()?.outliers)).filter(|(_, n)| *n > 0))
        .map(|(spot, n)| format!("{} {n}", spot.track_name(handedness)))
        .collect();
    if !outliers.is_empty() {
        remarks.push(format!(
            "Stroke {number}: points far from the curve through their neighbours were left out ({}).",
            outliers.join(", ")
        ));
    }
    remarks
}

#[cfg(test)]
mod tests;
