//! The ball on one side of contact: flights between the instants at which it bounced or was struck, each fitted alone.

use midline_geometry::SplineBasis;
use midline_session::motion_draws::PointDraws;
use nalgebra::DMatrix;

use super::course::Basis;
use super::fit::settle;
use super::flight_course::FlightCourse;
use super::kinks::kinks;
use super::section::{common_range, observations, seen};
use super::start::{Places, coefficients};
use super::stroke_motion::{FEWEST_OBSERVATIONS, HALF_TOUCH_SECONDS, Lifter, Side, SideResult, Wanted};

/// Distance of knots, seconds: between them the acceleration changes little.
const KNOT_SECONDS: f64 = 0.03;

/// A flight is carried on to the bounce or contact at its end over at most this time without a sight, seconds.
const LONGEST_BRIDGE_SECONDS: f64 = 0.15;

/// A noise this many times the detector's is no noise: the ball was held, or rolled, or is another ball.
const NO_FLIGHT_SCALE: f64 = 5.0;

/// Half the time over which the draws of two flights are joined, seconds.
const JOIN_SECONDS: f64 = 0.001;

impl Lifter<'_> {
    /// `None` when what was seen is not a ball in flight.
    pub(super) fn flights(&self, name: &str, side: &Side, seed: u64) -> Option<SideResult> {
        let struck = kinks(&Places::new(self.tracks, name, side.range)?);
        let contact = side.contact_seconds;
        // What happens so near to contact is the contact.
        let struck = struck.into_iter().filter(|t| (t - contact).abs() > 5.0 * HALF_TOUCH_SECONDS);
        let mut edges = vec![(side.range[0], side.contact_seconds <= side.range[0])];
        edges.extend(struck.map(|t| (t, true)));
        edges.push((side.range[1], side.contact_seconds >= side.range[1]));
        let mut all: Option<SideResult> = None;
        for (pair, seed) in edges.windows(2).zip(seed + 1..) {
            // The limits of the side leave room for the touch already.
            let ends = [0, 1].map(|end| {
                let (at, event) = pair[end];
                let outer = at == side.range[end];
                let range = if outer { at } else { at + [HALF_TOUCH_SECONDS, -HALF_TOUCH_SECONDS][end] };
                (range, event.then_some(if outer { contact } else { at }))
            });
            let Some(found) = self.flight(name, side, ends, seed)? else { continue };
            all = Some(match all {
                None => found,
                Some(earlier) => joined(earlier, found),
            });
        }
        all
    }

    /// One flight between two ends, each with the event there, if any. `Some(None)` where too little was seen of it, `None` where it was none.
    fn flight(&self, name: &str, side: &Side, ends: [(f64, Option<f64>); 2], seed: u64) -> Option<Option<SideResult>> {
        let seen = seen(self.sources, &[name], ends.map(|(range, _)| range), self.settings.sd_px_at_full_score);
        let Some(common) = common_range(self.sources, &seen).filter(|_| seen.len() >= FEWEST_OBSERVATIONS) else {
            return Some(None);
        };
        let mut range = common;
        for (end, (_, event)) in ends.iter().enumerate() {
            if let Some(event) = event.filter(|event| (event - common[end]).abs() < LONGEST_BRIDGE_SECONDS) {
                range[end] = event;
            }
        }
        let pieces = ((range[1] - range[0]) / KNOT_SECONDS).ceil().max(2.0);
        let breaks: Vec<f64> = (0..=pieces as usize)
            .map(|i| if i as f64 == pieces { range[1] } else { range[0] + (range[1] - range[0]) * i as f64 / pieces })
            .collect();
        let (Some(basis), Some(places)) = (Basis::clamped(&breaks), Places::new(self.tracks, name, range)) else {
            return Some(None);
        };
        let observations = observations(self.sources, &seen, &basis);
        let start = coefficients(&basis, &places);
        let course = FlightCourse::new(basis);
        let Ok(fitted) = settle(&course, &observations, vec![1.0], course.start(start)) else { return Some(None) };
        if fitted.scales[0] > NO_FLIGHT_SCALE {
            return None;
        }
        Some(self.result(&course, &fitted, &observations, 1, &Wanted { side, range, seed }))
    }
}

/// The results of two flights, one after the other.
fn joined(mut earlier: SideResult, later: SideResult) -> SideResult {
    for (own, more) in earlier.points.iter_mut().zip(later.points) {
        own.iter_mut().zip(more).for_each(|(a, b)| *a = a.take().or(b));
    }
    earlier.at_contact.iter_mut().zip(later.at_contact).for_each(|(a, b)| *a = a.take().or(b));
    earlier.draws = earlier.draws.into_iter().zip(later.draws).map(|(a, b)| joined_draws(&a?, &b?)).collect();
    for (camera, count) in later.mistaken {
        *earlier.mistaken.entry(camera).or_default() += count;
    }
    earlier
}

/// One spline that follows the draws of two flights, over a short time between them as smoothly as it must.
fn joined_draws(earlier: &PointDraws, later: &PointDraws) -> Option<PointDraws> {
    let ([_, end], [start, _]) = (earlier.basis().ends_seconds(), later.basis().ends_seconds());
    let middle = 0.5 * (end + start);
    let mut breaks: Vec<f64> = earlier.basis().breaks_seconds().to_vec();
    breaks.extend([middle - JOIN_SECONDS, middle, middle + JOIN_SECONDS]);
    breaks.extend(later.basis().breaks_seconds());
    breaks.sort_by(f64::total_cmp);
    breaks.dedup_by(|a, b| *a - *b < 0.5 * JOIN_SECONDS);
    let basis = SplineBasis::clamped(&breaks)?;
    let (functions, count) = (basis.count(), earlier.count());
    let mut values = DMatrix::zeros(functions, 3 * count);
    for function in 0..functions {
        let at = basis.centre_seconds(function);
        let flight = if at < middle { earlier } else { later };
        let [from, to] = flight.basis().ends_seconds();
        let moment = flight.moment(at.clamp(from, to))?;
        for draw in 0..count {
            let departure = flight.departure(draw, &moment)?.position_m;
            (0..3).for_each(|axis| values[(function, 3 * draw + axis)] = departure[axis]);
        }
    }
    let found = basis.through_centres(&values)?.transpose();
    PointDraws::new(basis, count, found.iter().map(|c| *c as f32).collect())
}
