//! Left and right of a pair of points taken for each other in one camera.
//!
//! It is looked for frame by frame in each camera, at the instants of its own frames, so that nothing is interpolated
//! between a frame that is right and one that is not. Exchanging the two in the camera that is mistaken makes both points
//! agree with the other cameras. With two cameras, exchanging in either one gives the same two positions with opposite
//! names; which camera it is, is told by where the points were just before (or just after), and where neither is known
//! nothing is exchanged.
//!
//! Two points on one epipolar line can be exchanged without any residual; the 2D checks of the points stage are for those.

use nalgebra::Point3;
use rayon::prelude::*;

use crate::agreement::Judge;
use crate::calibration_error::CalibratedView;
use crate::camera_tracks::CameraTracks;

/// Longest time from an instant at which both points are known to one that is named after it.
const LONGEST_MEMORY_SECONDS: f64 = 0.1;

/// A left and a right point.
type Sides<T> = [T; 2];

/// Columns of `left_…` and `right_…` of each pair.
pub(crate) fn pairs(names: &[String]) -> Vec<Sides<usize>> {
    let right_of = |left: &String| {
        let part = left.strip_prefix("left_")?;
        names.iter().position(|name| name.strip_prefix("right_") == Some(part))
    };
    names.iter().enumerate().filter_map(|(left, name)| Some([left, right_of(name)?])).collect()
}

/// What a pair looks like in one frame.
#[derive(Debug, Clone, Copy)]
enum PairState {
    /// Both points agree as they are named.
    Known(Sides<Point3<f64>>),
    /// Both agree, at these positions, when they are exchanged in this camera.
    Exchanged(Sides<Point3<f64>>),
    /// Neither.
    Unknown,
}

/// The frames of camera `at` in which it takes the two names of a pair for each other.
pub(crate) fn exchanged_frames(pair: Sides<usize>, at: usize, tracks: &[CameraTracks], judge: &Judge) -> Vec<usize> {
    let frames = &tracks[at].keypoints.frames;
    let states: Vec<PairState> =
        (0..frames.len()).into_par_iter().map(|frame| state(pair, at, frame, tracks, judge)).collect();
    let seconds: Vec<f64> =
        frames.iter().map(|frame| tracks[at].camera.clock.session_seconds(frame.pts_seconds)).collect();
    let decided = if tracks.len() > 2 {
        // The other cameras agree among themselves on which is which.
        states.iter().map(|state| matches!(state, PairState::Exchanged(_))).collect()
    } else {
        decide(&seconds, &states)
    };
    (0..frames.len()).filter(|&frame| decided[frame]).collect()
}

fn state(pair: Sides<usize>, at: usize, frame: usize, tracks: &[CameraTracks], judge: &Judge) -> PairState {
    let Some(sides) = both(pair.map(|name| tracks[at].detected(name, frame))) else {
        return PairState::Unknown;
    };
    let position = |name: usize, (seconds, own): (f64, CalibratedView)| {
        let others = tracks.iter().enumerate().filter(|(camera, _)| *camera != at);
        let mut views: Vec<CalibratedView> = others.filter_map(|(_, other)| other.seen_at(name, seconds)).collect();
        views.push(own);
        let found = judge.agreeing(&views).ok()?;
        (found.used.len() == views.len()).then_some(found.point.position)
    };
    let as_named = [position(pair[0], sides[0]), position(pair[1], sides[1])];
    if let Some(known) = both(as_named) {
        return PairState::Known(known);
    }
    both([position(pair[0], sides[1]), position(pair[1], sides[0])]).map_or(PairState::Unknown, PairState::Exchanged)
}

fn both<T>(sides: Sides<Option<T>>) -> Option<Sides<T>> {
    let [left, right] = sides;
    Some([left?, right?])
}

/// With two cameras: whether it is this camera that exchanges the two, forward in time, then backward for what is left.
/// Undecided counts as no.
fn decide(seconds: &[f64], states: &[PairState]) -> Vec<bool> {
    let mut decided: Vec<Option<bool>> = vec![None; states.len()];
    let forward: Vec<usize> = (0..states.len()).collect();
    let backward: Vec<usize> = forward.iter().rev().copied().collect();
    for order in [forward, backward] {
        let mut last: Option<(f64, Sides<Point3<f64>>)> = None;
        for frame in order {
            let here = match states[frame] {
                PairState::Known(sides) => Some(sides),
                PairState::Unknown => None,
                PairState::Exchanged(sides) => {
                    let recent = last.filter(|(then, _)| (seconds[frame] - then).abs() <= LONGEST_MEMORY_SECONDS);
                    if let (None, Some((_, before))) = (decided[frame], recent) {
                        decided[frame] = mine(&sides, &before);
                    }
                    decided[frame].map(|mine| if mine { sides } else { [sides[1], sides[0]] })
                }
            };
            last = here.map(|sides| (seconds[frame], sides)).or(last);
        }
    }
    decided.into_iter().map(|mine| mine == Some(true)).collect()
}

/// Whether the positions clearly continue from where the points were (true), or do so under opposite names (false).
fn mine(now: &Sides<Point3<f64>>, before: &Sides<Point3<f64>>) -> Option<bool> {
    let as_found = (now[0] - before[0]).norm() + (now[1] - before[1]).norm();
    let opposite = (now[1] - before[0]).norm() + (now[0] - before[1]).norm();
    if as_found <= 0.5 * opposite {
        Some(true)
    } else if opposite <= 0.5 * as_found {
        Some(false)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_are_found_by_name() {
        let names = ["nose", "left_wrist", "right_hip", "right_wrist", "left_hip", "left_ear"].map(str::to_owned);
        assert_eq!(pairs(&names), [[1, 3], [4, 2]]);
    }

    #[test]
    fn an_exchange_without_anything_known_nearby_is_left_alone() {
        let sides = [Point3::new(0.0, 0.0, 1.0), Point3::new(0.6, 0.0, 1.0)];
        let opposite = [sides[1], sides[0]];
        let states = [
            PairState::Exchanged(sides),
            PairState::Unknown,
            PairState::Known(sides),
            PairState::Exchanged(opposite),
            PairState::Exchanged(sides),
        ];
        assert_eq!(decide(&[0.0, 0.05, 0.3, 0.35, 0.4], &states), [false, false, false, false, true]);
        assert_eq!(decide(&[0.25, 0.28, 0.3, 0.35, 0.4], &states), [true, false, false, false, true]);
    }
}
