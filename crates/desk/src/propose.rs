//! From some marked frames to all others of a stroke, and to the frame that should be marked next.

use std::collections::BTreeMap;
use std::sync::Mutex;

use midline_session::calibration::CalibratedCamera;
use midline_session::keypoints::BALL;
use midline_session::marks::{CarriedPoint, Marks};
use midline_session::strokes::EventKind;
use midline_triangulation::{Sight, SightCourse, Thing};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::carry::{Expectation, MARK_SD_PX, Place, RACKET_POINTS, carry};
use crate::film::Film;
use crate::racket::{Memory, Watched, follow};
use crate::{Desk, DeskError};

/// Longest passage that is worked on at once, seconds.
const LONGEST_SECONDS: f64 = 4.0;

/// Most frames of one camera in a passage: what is held in memory stays bounded at any frame rate.
const MOST_FRAMES: usize = 600;

/// The radius of a ring in standard deviations: 95 % of a round normal distribution lies within (chi squared, 2 degrees of freedom).
const RING_SDS: f64 = 2.4477;

/// A course is believed enough to guide the flow where its standard deviation is below this, px.
const GUIDING_SD_PX: f64 = 25.0;

/// Carried places of neighbouring frames share their errors: each counts as this many times less sure in the course.
const SHARED_ERRORS: f64 = 2.0;

/// A known event gives way to a marked one of its kind this near, seconds.
const SAME_EVENT_SECONDS: f64 = 0.3;

/// Times that the pictures are followed under the guidance of the course that they made.
const ROUNDS: usize = 2;

/// A stretch of session time, seconds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Passage {
    /// Start.
    pub from_seconds: f64,
    /// End.
    pub to_seconds: f64,
}

impl Passage {
    pub(crate) fn checked(self) -> Result<Self, DeskError> {
        let seconds = self.to_seconds - self.from_seconds;
        if seconds > 0.0 && seconds <= LONGEST_SECONDS && self.from_seconds.is_finite() {
            return Ok(self);
        }
        Err(DeskError::BadPassage { seconds, longest: LONGEST_SECONDS })
    }
}

/// Where a proposal comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProposalSource {
    /// A person marked it.
    Marked,
    /// Carried by the pictures and kept by a person.
    Kept,
    /// Carried by the pictures, and where there is a course in 3D, joined with it.
    Carried,
    /// From the course in 3D alone: no picture supports it here.
    Course,
}

/// Where a point is thought to be in a frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proposal {
    /// Name of the point.
    pub name: String,
    /// Where, px.
    pub px: [f64; 2],
    /// Radius of the ring, px: meant to hold 95 % (`tests/tests/marking_aim.rs` counts).
    pub ring_px: f64,
    /// Where it comes from.
    pub source: ProposalSource,
    /// The mark is far from the course that all other sights tell: it, or its neighbours, deserve a second look.
    pub doubtful: bool,
}

/// The proposals of one frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FrameProposals {
    /// Index of the frame in the footage.
    pub frame: usize,
    /// At most one per point.
    pub points: Vec<Proposal>,
}

/// The proposals of one camera.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CameraProposals {
    /// The camera.
    pub camera: String,
    /// Its frames within the passage, in the order of time.
    pub frames: Vec<FrameProposals>,
}

/// The frame whose mark would help most.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextFrame {
    /// The camera.
    pub camera: String,
    /// Index of the frame in the footage.
    pub frame: usize,
    /// The ring there now, px; `None` where nothing is known yet.
    pub ring_px: Option<f64>,
    /// Why this one, a sentence.
    pub why: String,
}

/// Everything proposed for a passage.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proposals {
    /// In the order of the session's cameras.
    pub cameras: Vec<CameraProposals>,
    /// The frame that should be marked next; `None` when every ring is small.
    pub next: Option<NextFrame>,
    /// What the pictures alone found, by camera and name: what is kept when the person keeps it.
    #[serde(skip)]
    pub carried: Vec<BTreeMap<String, Vec<CarriedPoint>>>,
}

/// One camera's part of the passage.
struct View<'a> {
    film: &'a Film,
    calibrated: Option<&'a CalibratedCamera>,
    frames: [usize; 2],
    /// By landmark.
    marks: Vec<BTreeMap<usize, Option<[f64; 2]>>>,
    kept: Vec<BTreeMap<usize, CarriedPoint>>,
}

/// A ring below this needs no further mark, px (radius).
const SMALL_RING_PX: f64 = 4.0;

/// Carries the marks of a passage to all its frames.
///
/// The racket is followed by its outline in all cameras from every marked moment to the next, forward and backward (`racket`), the ball by
/// optical flow (`carry`), as is the racket without calibration. What was marked and carried in all cameras then makes one course (the
/// racket rigid, nothing carried across contact), which guides both a second time.
///
/// # Errors
/// A passage without length or too long, and pictures that cannot be decoded.
pub fn propose(desk: &Desk, marks: &Marks, passage: Passage) -> Result<Proposals, DeskError> {
    let passage = passage.checked()?;
    let calibrated = desk.calibrated();
    let calibrated = calibrated.as_ref().as_ref().ok().map(Vec::as_slice);
    let mut cameras: Vec<CameraProposals> = Vec::new();
    let mut ranges = Vec::new();
    for (index, film) in desk.films().iter().enumerate() {
        let frames = frames_within(film, calibrated.and_then(|c| c.get(index)), passage)?;
        cameras.push(CameraProposals {
            camera: film.camera.clone(),
            frames: (frames[0]..=frames[1]).map(|frame| FrameProposals { frame, points: Vec::new() }).collect(),
        });
        ranges.push(frames);
    }
    let mut proposals = Proposals { carried: vec![BTreeMap::new(); cameras.len()], cameras, next: None };
    let mut next: Option<(f64, NextFrame)> = None;
    for (thing, names) in [(Thing::Racket, &RACKET_POINTS[..]), (Thing::Ball, &[BALL][..])] {
        let views: Vec<View> = desk
            .films()
            .iter()
            .enumerate()
            .map(|(index, film)| {
                let own = marks.camera(&film.camera);
                let within = ranges[index][0]..=ranges[index][1];
                View {
                    film,
                    calibrated: calibrated.and_then(|c| c.get(index)),
                    frames: ranges[index],
                    marks: names.iter().map(|name| of_name(&own.points, &within, name)).collect(),
                    kept: names.iter().map(|name| of_name(&own.carried, &within, name)).collect(),
                }
            })
            .collect();
        if views.iter().all(|v| v.marks.iter().all(BTreeMap::is_empty) && v.kept.iter().all(BTreeMap::is_empty))
            && thing == Thing::Ball
        {
            continue;
        }
        let breaks = break_seconds(desk, marks, thing);
        let found = Found::of(thing, &views, calibrated, passage, &breaks, desk.followed())?;
        found.into_proposals(&views, names, &mut proposals);
        if let Some(candidate) = found.next(&views, names, calibrated, &breaks)
            && next.as_ref().is_none_or(|(score, _)| candidate.0 > *score)
        {
            next = Some(candidate);
        }
    }
    proposals.next = next.map(|(_, next)| next);
    Ok(proposals)
}

fn of_name<T: Clone>(
    by_frame: &BTreeMap<usize, BTreeMap<String, T>>,
    within: &std::ops::RangeInclusive<usize>,
    name: &str,
) -> BTreeMap<usize, T> {
    by_frame.range(within.clone()).filter_map(|(frame, named)| Some((*frame, named.get(name)?.clone()))).collect()
}

/// First and last frame of a film within a passage.
fn frames_within(
    film: &Film,
    calibrated: Option<&CalibratedCamera>,
    passage: Passage,
) -> Result<[usize; 2], DeskError> {
    let session = |pts: f64| calibrated.map_or(pts, |c| c.clock.session_seconds(pts));
    let times = &film.footage.frame_pts_seconds;
    let first = times.partition_point(|t| session(*t) < passage.from_seconds);
    let end = times.partition_point(|t| session(*t) <= passage.to_seconds);
    let seconds = passage.to_seconds - passage.from_seconds;
    if end <= first || end - first > MOST_FRAMES {
        return Err(DeskError::BadPassage { seconds, longest: LONGEST_SECONDS });
    }
    Ok([first, end - 1])
}

/// Session times that nothing is carried across.
fn break_seconds(desk: &Desk, marks: &Marks, thing: Thing) -> Vec<f64> {
    let breaking = |kind: EventKind| match thing {
        Thing::Racket => kind == EventKind::Contact,
        Thing::Ball => matches!(kind, EventKind::Contact | EventKind::Bounce),
    };
    let marked: Vec<(EventKind, f64)> = marks
        .events
        .iter()
        .filter(|e| breaking(e.kind))
        .filter_map(|e| Some((e.kind, desk.session_seconds(&e.camera, e.frame)?)))
        .collect();
    let mut breaks: Vec<f64> = desk
        .known_events()
        .iter()
        .filter(|e| breaking(e.kind))
        .filter(|e| !marked.iter().any(|(k, t)| *k == e.kind && (t - e.session_seconds).abs() < SAME_EVENT_SECONDS))
        .map(|e| e.session_seconds)
        .chain(marked.iter().map(|(_, t)| *t))
        .collect();
    breaks.sort_by(f64::total_cmp);
    breaks
}

/// What became of one thing.
struct Found {
    thing: Thing,
    /// By view and landmark.
    carried: Vec<Vec<BTreeMap<usize, Place>>>,
    course: Option<SightCourse>,
    /// Marks that are far from the course: view, landmark, frame.
    doubtful: Vec<(usize, usize, usize)>,
}

impl Found {
    fn of(
        thing: Thing,
        views: &[View],
        calibrated: Option<&[CalibratedCamera]>,
        passage: Passage,
        breaks: &[f64],
        memory: &Mutex<Memory>,
    ) -> Result<Self, DeskError> {
        let range = [passage.from_seconds, passage.to_seconds];
        let landmarks = views.first().map_or(0, |v| v.marks.len());
        let mut carried = vec![vec![BTreeMap::new(); landmarks]; views.len()];
        let mut course = None;
        let mut doubtful = Vec::new();
        for round in 0..=ROUNDS {
            if let Some(cameras) = calibrated {
                let (sights, whose) = sights(views, &carried);
                let made = SightCourse::through(cameras, thing, &sights, range, breaks);
                doubtful = whose
                    .iter()
                    .zip(made.far_off())
                    .filter(|((_, _, _, marked), far)| *marked && **far)
                    .map(|((view, landmark, frame, _), _)| (*view, *landmark, *frame))
                    .collect();
                if round > 0 {
                    // What the course of all sights does not believe is not shown as carried.
                    for ((view, landmark, frame, marked), far) in whose.iter().zip(made.far_off()) {
                        if *far && !*marked {
                            carried[*view][*landmark].remove(frame);
                        }
                    }
                }
                course = (!made.is_empty()).then_some(made);
            }
            // Without a course the flow learns nothing from another round.
            if round == ROUNDS || (round > 0 && course.is_none()) {
                break;
            }
            carried = match (&course, watched(views, thing)) {
                (Some(course), Some(watched)) => {
                    follow(&watched, course, breaks, memory)?.into_iter().map(Vec::from).collect()
                }
                (course, _) => carry_all(views, landmarks, course.as_ref())?,
            };
        }
        Ok(Self { thing, carried, course, doubtful })
    }

    fn into_proposals(&self, views: &[View], names: &[&str], proposals: &mut Proposals) {
        for (index, view) in views.iter().enumerate() {
            for (landmark, name) in names.iter().enumerate() {
                let carried: Vec<CarriedPoint> = self.carried[index][landmark]
                    .iter()
                    .filter(|(frame, _)| !view.marks[landmark].contains_key(frame))
                    .map(|(frame, place)| CarriedPoint { frame: *frame, px: place.px, sd_px: place.sd_px })
                    .collect();
                if !carried.is_empty() {
                    proposals.carried[index].insert((*name).to_owned(), carried);
                }
                for at in &mut proposals.cameras[index].frames {
                    if let Some(proposal) = self.proposal(view, index, landmark, name, at.frame) {
                        at.points.push(proposal);
                    }
                }
            }
        }
    }

    fn proposal(&self, view: &View, index: usize, landmark: usize, name: &str, frame: usize) -> Option<Proposal> {
        let proposal = |px: [f64; 2], sd_px: f64, source: ProposalSource| Proposal {
            name: name.to_owned(),
            px,
            ring_px: RING_SDS * sd_px,
            source,
            doubtful: self.doubtful.contains(&(index, landmark, frame)),
        };
        if let Some(mark) = view.marks[landmark].get(&frame) {
            return mark.map(|px| proposal(px, MARK_SD_PX, ProposalSource::Marked));
        }
        if let Some(kept) = view.kept[landmark].get(&frame) {
            return Some(proposal(kept.px, kept.sd_px, ProposalSource::Kept));
        }
        let predicted = self.predicted(view, landmark, frame);
        match (self.carried[index][landmark].get(&frame), predicted) {
            (Some(_), Some(p)) => Some(proposal(p.px, p.sd_px, ProposalSource::Carried)),
            (Some(place), None) => Some(proposal(place.px, place.sd_px, ProposalSource::Carried)),
            (None, Some(p)) => Some(proposal(p.px, p.sd_px, ProposalSource::Course)),
            (None, None) => None,
        }
    }

    fn predicted(&self, view: &View, landmark: usize, frame: usize) -> Option<Place> {
        let pts = *view.film.footage.frame_pts_seconds.get(frame)?;
        let seen = self.course.as_ref()?.seen_by(view.calibrated?, pts, landmark)?;
        Some(Place { px: seen.px, sd_px: seen.sd_px() })
    }

    /// First the seeds: both sides of every break, the ends of the passage, and moments evenly between, the same in all cameras, so
    /// that each is seen from two places. Then the frame with the largest ring of the thing's farthest landmark (the tip). With a number
    /// by which things compare.
    fn next(
        &self,
        views: &[View],
        names: &[&str],
        calibrated: Option<&[CalibratedCamera]>,
        breaks: &[f64],
    ) -> Option<(f64, NextFrame)> {
        /// Seeds come before all rings.
        const SEED: f64 = 1e6;
        let landmark = names.len() - 1;
        // The ball waits until it was begun: a person who marks rackets is not sent to balls.
        let begun = views.iter().any(|v| v.marks.iter().any(|m| !m.is_empty()));
        if !begun && self.thing == Thing::Ball {
            return None;
        }
        let session = |view: &View, index: usize, frame: usize| -> f64 {
            let pts = view.film.footage.frame_pts_seconds[frame];
            calibrated.and_then(|c| c.get(index)).map_or(pts, |c| c.clock.session_seconds(pts))
        };
        let mut best: Option<(f64, NextFrame)> = None;
        for (index, view) in views.iter().enumerate() {
            let times: Vec<(usize, f64)> =
                (view.frames[0]..=view.frames[1]).map(|f| (f, session(view, index, f))).collect();
            let marks = &view.marks[landmark];
            let answered = |t: f64, within: f64| {
                let mut marked = marks.range(view.frames[0]..=view.frames[1]).map(|(f, _)| session(view, index, *f));
                marked.any(|mark| stands_for(mark, t, within, breaks))
            };
            let (Some(first), Some(last)) = (times.first(), times.last()) else { continue };
            for (number, seed) in seeds([first.1, last.1], breaks).into_iter().enumerate() {
                if answered(seed, 0.5 * SEED_SPACING_SECONDS.min(0.06)) {
                    continue;
                }
                let near = times.iter().min_by(|a, b| (a.1 - seed).abs().total_cmp(&(b.1 - seed).abs()));
                let score = SEED - number as f64 - 0.1 * index as f64;
                if let Some((frame, _)) = near.filter(|_| best.as_ref().is_none_or(|(most, _)| score > *most)) {
                    let ring_px = self.predicted(view, landmark, *frame).map(|p| RING_SDS * p.sd_px);
                    let why = "every stroke starts with a few frames that both cameras share".to_owned();
                    best = Some((score, NextFrame { camera: view.film.camera.clone(), frame: *frame, ring_px, why }));
                }
            }
            for (frame, at) in &times {
                if answered(*at, 0.016) {
                    continue;
                }
                let Some(place) = self.predicted(view, landmark, *frame).filter(|p| p.sd_px.is_finite()) else {
                    continue;
                };
                let ring = RING_SDS * place.sd_px;
                if ring >= SMALL_RING_PX && best.as_ref().is_none_or(|(most, _)| ring > *most) {
                    let why = format!("the ring of {} is largest here", shown(names[landmark]));
                    let camera = view.film.camera.clone();
                    best = Some((ring, NextFrame { camera, frame: *frame, ring_px: Some(ring), why }));
                }
            }
        }
        best
    }
}

/// Distance of seeds within a piece, seconds.
const SEED_SPACING_SECONDS: f64 = 0.33;

/// Seeds keep this far from a break, seconds: ball and strings touch for some milliseconds, and a frame takes its time.
const FROM_BREAK_SECONDS: f64 = 0.012;

/// Whether a mark makes one at another time needless: it is near, and nothing broke the course in between.
fn stands_for(mark: f64, seconds: f64, within: f64, breaks: &[f64]) -> bool {
    let between = mark.min(seconds)..=mark.max(seconds);
    (mark - seconds).abs() < within && !breaks.iter().any(|at| between.contains(at))
}

/// Session times of the frames that are asked for first: the breaks' sides, the ends, then evenly between, piece by piece.
fn seeds(ends: [f64; 2], breaks: &[f64]) -> Vec<f64> {
    let inner = breaks.iter().copied().filter(|b| ends[0] < *b && *b < ends[1]);
    let edges: Vec<f64> = std::iter::once(ends[0]).chain(inner).chain(std::iter::once(ends[1])).collect();
    let (mut sides, mut between) = (Vec::new(), Vec::new());
    for pair in edges.windows(2) {
        let (from, to) = (pair[0] + FROM_BREAK_SECONDS, pair[1] - FROM_BREAK_SECONDS);
        if to <= from {
            continue;
        }
        sides.extend([to, from]);
        let parts = ((to - from) / SEED_SPACING_SECONDS).round().max(2.0) as usize;
        between.extend((1..parts).map(|i| from + (to - from) * i as f64 / parts as f64));
    }
    sides.extend(between);
    sides
}

fn shown(name: &str) -> &str {
    match name {
        "racket_tip" => "the tip",
        other => other,
    }
}

/// All sights with view, landmark, frame, and whether a person marked them.
fn sights(views: &[View], carried: &[Vec<BTreeMap<usize, Place>>]) -> (Vec<Sight>, Vec<(usize, usize, usize, bool)>) {
    let (mut sights, mut whose) = (Vec::new(), Vec::new());
    for (camera, view) in views.iter().enumerate() {
        for landmark in 0..view.marks.len() {
            let mut put = |frame: usize, px: [f64; 2], sd_px: f64, marked: bool| {
                if let Some(pts) = view.film.footage.frame_pts_seconds.get(frame) {
                    sights.push(Sight { camera, landmark, frame_pts_seconds: *pts, px, sd_px });
                    whose.push((camera, landmark, frame, marked));
                }
            };
            for (frame, px) in &view.marks[landmark] {
                if let Some(px) = px {
                    put(*frame, *px, MARK_SD_PX, true);
                }
            }
            let open = |frame: &usize| !view.marks[landmark].contains_key(frame);
            for (frame, kept) in view.kept[landmark].iter().filter(|(frame, _)| open(frame)) {
                put(*frame, kept.px, kept.sd_px * SHARED_ERRORS, false);
            }
            let open = |frame: &usize| open(frame) && !view.kept[landmark].contains_key(frame);
            for (frame, place) in carried[camera][landmark].iter().filter(|(frame, _)| open(frame)) {
                put(*frame, place.px, place.sd_px * SHARED_ERRORS, false);
            }
        }
    }
    (sights, whose)
}

/// The racket's views, when all cameras are calibrated.
fn watched<'a>(views: &'a [View], thing: Thing) -> Option<Vec<Watched<'a>>> {
    let own = |view: &'a View<'a>| {
        Some(Watched { film: view.film, calibrated: view.calibrated?, frames: view.frames, marks: &view.marks })
    };
    if thing == Thing::Racket { views.iter().map(own).collect() } else { None }
}

/// Optical flow of all landmarks in all views.
fn carry_all(
    views: &[View],
    landmarks: usize,
    course: Option<&SightCourse>,
) -> Result<Vec<Vec<BTreeMap<usize, Place>>>, DeskError> {
    let work: Vec<(usize, usize)> = (0..views.len()).flat_map(|v| (0..landmarks).map(move |l| (v, l))).collect();
    let mut found: Vec<BTreeMap<usize, Place>> = work
        .par_iter()
        .map(|(index, landmark)| {
            let view = &views[*index];
            let seen = |frame: usize, landmark: usize| {
                course?.seen_by(view.calibrated?, *view.film.footage.frame_pts_seconds.get(frame)?, landmark)
            };
            let expected = |frame: usize| -> Option<Expectation> {
                let own = seen(frame, *landmark)?;
                let line_px = (landmarks == RACKET_POINTS.len()).then(|| {
                    let (butt, tip) = (seen(frame, 0)?.px, seen(frame, 2)?.px);
                    Some([tip[0] - butt[0], tip[1] - butt[1]])
                });
                let sd_px = own.sd_px();
                (sd_px < GUIDING_SD_PX).then(|| Expectation { px: own.px, sd_px, line_px: line_px.flatten() })
            };
            let in_the_hand = landmarks == RACKET_POINTS.len() && *landmark == 0;
            carry(view.film, in_the_hand, &view.marks[*landmark], view.frames, &expected)
        })
        .collect::<Result<_, DeskError>>()?;
    found.reverse();
    Ok((0..views.len()).map(|_| (0..landmarks).filter_map(|_| found.pop()).collect()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seeds_stand_on_both_sides_of_contact_and_between() {
        let found = seeds([0.0, 1.7], &[1.05, 9.0]);
        let near = |t: f64| found.iter().any(|s| (s - t).abs() < 0.013);
        assert!(near(0.0) && near(1.05 - 0.012) && near(1.05 + 0.012) && near(1.7), "{found:?}");
        assert!(found.len() <= 8, "{found:?}");
        assert!(found.iter().all(|s| (0.0..=1.7).contains(s) && (s - 1.05).abs() > 0.011));
        assert_eq!(seeds([0.0, 0.01], &[]), [0.0; 0]);
    }

    #[test]
    fn a_mark_just_before_contact_once_stood_for_the_one_just_after_it() {
        let contact = [1.05];
        let marks_wanted: Vec<f64> = seeds([0.0, 1.7], &contact);
        assert_eq!(marks_wanted.iter().filter(|seed| stands_for(1.038, **seed, 0.03, &contact)).count(), 1);
        assert!(stands_for(1.038, 1.062, 0.03, &[]));
        assert!(!stands_for(1.0, 1.062, 0.03, &[]));
    }

    #[test]
    fn a_passage_has_a_length_and_an_end() {
        let passage = |from_seconds, to_seconds| Passage { from_seconds, to_seconds }.checked();
        assert!(passage(1.0, 2.5).is_ok());
        for (from, to) in [(1.0, 1.0), (2.0, 1.0), (0.0, 1e9), (f64::NAN, 1.0), (f64::NEG_INFINITY, 0.0)] {
            assert!(passage(from, to).is_err(), "{from} {to}");
        }
    }
}
