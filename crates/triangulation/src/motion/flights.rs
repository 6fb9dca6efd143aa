//! The ball on one side of contact: flights between the instants at which it bounced or was struck, each fitted alone.

use midline_session::lift_quality::ScoreCurve;

use super::chain_course::{ChainCourse, ChainState};
use super::course::Basis;
use super::fit::settle;
use super::flight_course::FlightCourse;
use super::kinks::kinks;
use super::section::{Seen, breaks, common_range, observations, seen};
use super::start::{Places, coefficients};
use super::stroke_motion::{FEWEST_OBSERVATIONS, HALF_TOUCH_SECONDS, Lifter, Side, SideResult, Wanted};

/// Distance of knots, seconds: between them the acceleration changes little.
const KNOT_SECONDS: f64 = 0.03;

/// A flight is carried on to the bounce or contact at its end over at most this time without a sight, seconds.
const LONGEST_BRIDGE_SECONDS: f64 = 0.15;

/// Where pixels scatter about the flight by this many times as much as about a plain spline, the ball was held, or rolled, or is another ball.
const NO_FLIGHT_TIMES: f64 = 1.3;

/// A bounce found so near to contact is the contact, seconds.
const AT_CONTACT_SECONDS: f64 = 5.0 * HALF_TOUCH_SECONDS;

/// An end of a flight.
#[derive(Clone, Copy)]
struct End {
    /// Sights beyond it belong to another flight or to the touch.
    range_seconds: f64,
    /// When the ball bounced or was struck there, if it was.
    event_seconds: Option<f64>,
}

impl Lifter<'_> {
    /// The ball's flights; `None` when what was seen is not a ball in flight.
    pub(super) fn flights(&self, name: &str, side: &Side) -> Option<SideResult> {
        let contact = side.contact_seconds;
        let bounces = kinks(&Places::new(self.tracks, name, side.range)?);
        let bounces = bounces.into_iter().filter(|t| (t - contact).abs() > AT_CONTACT_SECONDS);
        let struck = |at: f64| (contact - at).abs() < AT_CONTACT_SECONDS;
        let outer = side.range.map(|at| End { range_seconds: at, event_seconds: struck(at).then_some(contact) });
        let mut from = outer[0];
        let mut all: Option<SideResult> = None;
        for bounce in bounces.map(Some).chain([None]) {
            let near = |by: f64| bounce.map(|t| End { range_seconds: t + by, event_seconds: Some(t) });
            let to = near(-HALF_TOUCH_SECONDS).unwrap_or(outer[1]);
            if let Some(found) = self.flight(name, side, [from, to])? {
                all = Some(match all {
                    Some(earlier) => joined(earlier, &found),
                    None => found,
                });
            }
            from = near(HALF_TOUCH_SECONDS).unwrap_or(to);
        }
        all
    }

    /// One flight. `Some(None)` where too little was seen of it, `None` where it was none.
    fn flight(&self, name: &str, side: &Side, ends: [End; 2]) -> Option<Option<SideResult>> {
        let noise = self.settings.noise.get(name).copied().unwrap_or(ScoreCurve::assumed(1.0));
        let seen = seen(self.sources, &[name], ends.map(|end| end.range_seconds), &[noise]);
        let common = common_range(self.sources, &seen).filter(|_| seen.len() >= FEWEST_OBSERVATIONS);
        let Some(common) = common else { return Some(None) };
        let range = [0, 1].map(|end| {
            let near = ends[end].event_seconds.filter(|event| (event - common[end]).abs() < LONGEST_BRIDGE_SECONDS);
            near.unwrap_or(common[end])
        });
        let pieces = ((range[1] - range[0]) / KNOT_SECONDS).ceil().max(2.0) as usize;
        let even: Vec<f64> = (0..=pieces)
            .map(|i| if i == pieces { range[1] } else { range[0] + (range[1] - range[0]) * i as f64 / pieces as f64 })
            .collect();
        let (Some(basis), Some(places)) = (Basis::clamped(&even), Places::new(self.tracks, name, range)) else {
            return Some(None);
        };
        let observations = observations(self.sources, &seen, &basis);
        let start = coefficients(&basis, &places);
        let course = FlightCourse::new(basis);
        let Ok(fitted) = settle(&course, &observations, vec![1.0], course.start(start)) else { return Some(None) };
        if fitted.scales[0] > NO_FLIGHT_TIMES * self.plain_scale(&seen, &places, side, range)? {
            return None;
        }
        Some(self.result(&course, &fitted, &observations, 1, &Wanted { side, range }))
    }

    /// By how much pixels scatter about a plain spline, in what was assumed.
    fn plain_scale(&self, seen: &[Seen], places: &Places, side: &Side, range: [f64; 2]) -> Option<f64> {
        let frame_seconds = self.sources.iter().map(|s| s.frame_seconds).fold(f64::INFINITY, f64::min);
        let basis = Basis::clamped(&breaks(range, side.contact_seconds, frame_seconds))?;
        let observations = observations(self.sources, seen, &basis);
        let start = ChainState { lengths_m: Vec::new(), coefficients: vec![coefficients(&basis, places)] };
        let course = ChainCourse::new(basis, side.contact_seconds, 1, Vec::new());
        let fitted = settle(&course, &observations, vec![1.0], start).ok()?;
        fitted.scales.first().copied()
    }
}

/// The results of two flights, one after the other.
fn joined(mut earlier: SideResult, later: &SideResult) -> SideResult {
    for (own, more) in earlier.points.iter_mut().zip(&later.points) {
        own.iter_mut().zip(more).for_each(|(a, b)| *a = a.or(*b));
    }
    earlier.at_contact.iter_mut().zip(&later.at_contact).for_each(|(a, b)| *a = a.or(*b));
    for (camera, count) in &later.mistaken {
        *earlier.mistaken.entry(*camera).or_default() += count;
    }
    earlier
}
