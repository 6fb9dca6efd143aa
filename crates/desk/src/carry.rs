//! Optical flow carries marked points forward and backward to the frames between: the ball, and the racket of cameras that are not calibrated.

use std::collections::BTreeMap;

use midline_session::keypoints::RACKET;
use midline_vision::{FlowRequest, follow_patch};

use crate::DeskError;
use crate::film::Film;

/// The racket's points, in the order of [`midline_triangulation::Thing::Racket`]'s landmarks.
pub const RACKET_POINTS: [&str; 3] = RACKET;

/// Standard deviation of a mark, px: a steady hand on an enlarged picture.
pub(crate) const MARK_SD_PX: f64 = 1.0;

/// What a step of the flow adds beyond its own noise, px: patches change as the racket turns, and slide along straight edges.
const STEP_SD_PX: f64 = 0.4;

/// The same for the butt: what is followed there is the hand around it, which turns otherwise.
const HAND_STEP_SD_PX: f64 = 1.0;

/// The flow's own noise counts its pixels as independent; blur and compression make them less so.
const NOISE_FACTOR: f64 = 2.0;

/// A point is carried no farther than to this standard deviation, px.
const LARGEST_SD_PX: f64 = 3.0;

/// A point carried on and back again must come home to within this, px.
const HOMECOMING_PX: f64 = 1.0;

/// Root mean square difference of grey values above which the patch shows something else.
const LARGEST_RMS_GREY: f64 = 38.0;

/// A course known better than this guides the next step; else the speed of the last one does.
const TRUSTED_SD_PX: f64 = 5.0;

/// Two carried places of one frame, from the mark before and the mark after, must agree to within this many standard deviations.
const AGREEMENT_SDS: f64 = 3.5;

/// Where the 3D course expects the point and, as the direction of the racket, how the patch lies; `None` where it is not known well.
pub(crate) type Expected<'a> = dyn Fn(usize) -> Option<Expectation> + Sync + 'a;

/// What is expected of one frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Expectation {
    pub(crate) px: [f64; 2],
    pub(crate) sd_px: f64,
    /// From butt to tip in the picture, px; `None` for the ball.
    pub(crate) line_px: Option<[f64; 2]>,
}

/// A carried place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Place {
    pub(crate) px: [f64; 2],
    pub(crate) sd_px: f64,
}

/// Carries one point of one camera from its marks to the frames of `range`, both ways. Frames in which the point is said to be
/// hidden (`None`) stop it.
pub(crate) fn carry(
    film: &Film,
    in_the_hand: bool,
    marks: &BTreeMap<usize, Option<[f64; 2]>>,
    range: [usize; 2],
    expected: &Expected<'_>,
) -> Result<BTreeMap<usize, Place>, DeskError> {
    let step_sd_px = if in_the_hand { HAND_STEP_SD_PX } else { STEP_SD_PX };
    let mut forward = BTreeMap::new();
    let mut backward = BTreeMap::new();
    for (frame, px) in marks {
        let Some(px) = px else { continue };
        let next = marks.range(frame + 1..).next().map_or(range[1] + 1, |(next, _)| *next);
        let before = marks.range(..frame).next_back().map(|(before, _)| *before);
        let on = (frame + 1..next.min(range[1] + 1)).collect();
        one_way(film, step_sd_px, (*frame, *px), on, expected, &mut forward)?;
        let start = before.map_or(range[0], |b| b + 1).max(range[0]);
        one_way(film, step_sd_px, (*frame, *px), (start..*frame).rev().collect(), expected, &mut backward)?;
    }
    let mut all = BTreeMap::new();
    let frames: std::collections::BTreeSet<usize> = forward.keys().chain(backward.keys()).copied().collect();
    for frame in frames {
        let place = match (forward.get(&frame), backward.get(&frame)) {
            (Some(a), Some(b)) => together(a, b),
            (one, other) => one.or(other).copied(),
        };
        if let Some(place) = place {
            all.insert(frame, place);
        }
    }
    Ok(all)
}

/// Two independent places of one point; `None` when they contradict each other.
fn together(a: &Place, b: &Place) -> Option<Place> {
    let (va, vb) = (a.sd_px * a.sd_px, b.sd_px * b.sd_px);
    let apart = (a.px[0] - b.px[0]).hypot(a.px[1] - b.px[1]);
    if apart > AGREEMENT_SDS * (va + vb).sqrt() {
        return None;
    }
    let mean = |i: usize| (a.px[i] * vb + b.px[i] * va) / (va + vb);
    Some(Place { px: [mean(0), mean(1)], sd_px: (va * vb / (va + vb)).sqrt() })
}

fn one_way(
    film: &Film,
    step_sd_px: f64,
    (from, px): (usize, [f64; 2]),
    frames: Vec<usize>,
    expected: &Expected<'_>,
    found: &mut BTreeMap<usize, Place>,
) -> Result<(), DeskError> {
    let background = film.background()?;
    let background = film.as_grey(&background);
    let times = &film.footage.frame_pts_seconds;
    let (mut last, mut px, mut variance) = (from, px, MARK_SD_PX * MARK_SD_PX);
    let mut velocity: Option<[f64; 2]> = None;
    for frame in frames {
        let (here, there) = (expected(last), expected(frame));
        let seconds = times[frame] - times[last];
        let guess = match (&here, &there) {
            (Some(a), Some(b)) if velocity.is_none() || b.sd_px < TRUSTED_SD_PX => {
                [px[0] + b.px[0] - a.px[0], px[1] + b.px[1] - a.px[1]]
            }
            _ => velocity.map_or(px, |v| [px[0] + v[0] * seconds, px[1] + v[1] * seconds]),
        };
        let (turn, growth) = turned(here.and_then(|e| e.line_px), there.and_then(|e| e.line_px));
        let (first, second) = (film.planes(last)?, film.planes(frame)?);
        let (first, second) = (film.as_grey(&first), film.as_grey(&second));
        let request = FlowRequest { from_px: px, guess_px: guess, turn, growth };
        let Some(flow) = follow_patch(&first, &second, Some(&background), &request) else { return Ok(()) };
        let home = FlowRequest { from_px: flow.px, guess_px: px, turn: -turn, growth: 1.0 / growth };
        let Some(back) = follow_patch(&second, &first, Some(&background), &home) else { return Ok(()) };
        if (back.px[0] - px[0]).hypot(back.px[1] - px[1]) > HOMECOMING_PX || flow.rms_grey > LARGEST_RMS_GREY {
            return Ok(());
        }
        variance += (NOISE_FACTOR * flow.sd_px).powi(2) + step_sd_px * step_sd_px;
        if variance > LARGEST_SD_PX * LARGEST_SD_PX {
            return Ok(());
        }
        velocity = Some([(flow.px[0] - px[0]) / seconds, (flow.px[1] - px[1]) / seconds]);
        (px, last) = (flow.px, frame);
        found.insert(frame, Place { px, sd_px: variance.sqrt() });
    }
    Ok(())
}

/// How a patch on the racket turns and grows from one frame to the next.
fn turned(from: Option<[f64; 2]>, to: Option<[f64; 2]>) -> (f64, f64) {
    /// A racket seen nearly end-on tells neither.
    const SHORTEST_PX: f64 = 12.0;
    let (Some(a), Some(b)) = (from, to) else { return (0.0, 1.0) };
    if a[0].hypot(a[1]) < SHORTEST_PX || b[0].hypot(b[1]) < SHORTEST_PX {
        return (0.0, 1.0);
    }
    // The rim grows across with nearness only, not as the line along does; nearness hardly changes within a frame.
    ((a[0] * b[1] - a[1] * b[0]).atan2(a[0] * b[0] + a[1] * b[1]), 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_that_agree_are_joined_and_others_dropped() {
        let place = |x: f64, sd_px: f64| Place { px: [x, 0.0], sd_px };
        let joined = together(&place(0.0, 1.0), &place(2.0, 1.0)).unwrap();
        assert!((joined.px[0] - 1.0).abs() < 1e-12 && (joined.sd_px - 0.5f64.sqrt()).abs() < 1e-12);
        assert!(together(&place(0.0, 1.0), &place(9.0, 1.0)).is_none());
    }

    #[test]
    fn a_patch_turns_with_the_racket() {
        let (turn, growth) = turned(Some([20.0, 0.0]), Some([0.0, 30.0]));
        assert!((turn - std::f64::consts::FRAC_PI_2).abs() < 1e-12 && growth == 1.0);
        assert_eq!(turned(Some([5.0, 0.0]), Some([0.0, 30.0])), (0.0, 1.0));
    }
}
