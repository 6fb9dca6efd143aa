//! The moments at which a board rests in sight of several cameras.

use std::collections::BTreeMap;

use midline_session::board::BoardView;
use nalgebra::Vector2;

/// Root mean square motion of the corners between neighbouring frames below which a board is at rest, px.
const REST_PX: f64 = 0.5;

/// The same from the first frame of the rest, so that slow drift ends it, px.
const DRIFT_PX: f64 = 1.0;

/// Shortest rest, seconds.
const SHORTEST_REST_SECONDS: f64 = 0.2;

/// Neighbouring frames farther apart than this do not show that the board rested in between, seconds.
const LONGEST_STEP_SECONDS: f64 = 0.5;

/// Shortest common rest of two cameras, seconds; a clock that is off by less than the rest does no harm.
const SHORTEST_OVERLAP_SECONDS: f64 = 0.1;

/// Fewest corners by which two views of one board are compared.
const FEWEST_COMMON: usize = 3;

/// One pose of the board, seen by several cameras.
#[derive(Debug, Clone, PartialEq)]
pub struct SharedSighting {
    /// One entry per camera; `None` where the camera did not see it.
    pub views: Vec<Option<BoardView>>,
    /// Of a board in motion, for each camera how every corner was carried to the sighting's instant, in the order of the view's
    /// corners; empty for a board at rest.
    pub carried: Vec<Vec<CarriedCorner>>,
}

/// How a corner of a board in motion was carried to an instant between frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarriedCorner {
    /// Its velocity in the picture, px per second.
    pub px_per_second: [f64; 2],
    /// Standard deviation of its pixel over that of a corner seen in one frame; below 1 where noise of several frames averages out.
    pub noise_ratio: f64,
}

impl SharedSighting {
    /// A board at rest.
    #[must_use]
    pub fn at_rest(views: Vec<Option<BoardView>>) -> Self {
        Self { views, carried: Vec::new() }
    }
}

/// A rest of the board in one camera.
struct Rest {
    camera: usize,
    start_seconds: f64,
    end_seconds: f64,
    view: BoardView,
}

/// The poses in which the board rests in sight of two or more cameras at overlapping times, in order of time. For each
/// camera, `views` lists session times with the board views; corners are averaged over the rest.
///
/// The board rests while its corners move by less than 0.5 px (root mean square) from frame to frame, and by less than
/// 1 px in all, for at least 0.2 s.
#[must_use]
pub fn pair_sightings(views: &[Vec<(f64, BoardView)>]) -> Vec<SharedSighting> {
    let mut rests: Vec<Rest> = views.iter().enumerate().flat_map(|(camera, own)| rests_of(camera, own)).collect();
    rests.sort_by(|a, b| a.start_seconds.total_cmp(&b.start_seconds).then(a.camera.cmp(&b.camera)));
    // The rests seen by the most cameras for longest come first; each rest serves one pose of the board.
    let mut groups: Vec<(Vec<usize>, f64)> =
        (0..rests.len()).map(|rest| group_around(rest, &rests, views.len())).collect();
    groups.retain(|(members, _)| members.len() >= 2);
    groups.sort_by(|a, b| b.0.len().cmp(&a.0.len()).then(b.1.total_cmp(&a.1)));
    let mut taken = vec![false; rests.len()];
    let mut chosen: Vec<Vec<usize>> = Vec::new();
    for (members, _) in groups {
        if members.iter().all(|&m| !taken[m]) {
            members.iter().for_each(|&m| taken[m] = true);
            chosen.push(members);
        }
    }
    chosen.sort_by(|a, b| {
        let start = |members: &[usize]| members.iter().map(|&m| rests[m].start_seconds).fold(f64::INFINITY, f64::min);
        start(a).total_cmp(&start(b))
    });
    chosen
        .into_iter()
        .map(|members| {
            let mut shared = vec![None; views.len()];
            for rest in members {
                shared[rests[rest].camera] = Some(rests[rest].view.clone());
            }
            SharedSighting::at_rest(shared)
        })
        .collect()
}

/// A rest with, of every other camera, the rest that overlaps it longest; and the sum of the overlaps in seconds.
fn group_around(rest: usize, rests: &[Rest], cameras: usize) -> (Vec<usize>, f64) {
    let mut members = vec![rest];
    let mut total = 0.0;
    let own = &rests[rest];
    for camera in (0..cameras).filter(|&camera| camera != own.camera) {
        let overlap =
            |other: &Rest| own.end_seconds.min(other.end_seconds) - own.start_seconds.max(other.start_seconds);
        let longest = rests
            .iter()
            .enumerate()
            .filter(|(_, other)| other.camera == camera)
            .map(|(index, other)| (index, overlap(other)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((index, overlap)) = longest.filter(|(_, overlap)| *overlap >= SHORTEST_OVERLAP_SECONDS) {
            members.push(index);
            total += overlap;
        }
    }
    (members, total)
}

fn rests_of(camera: usize, views: &[(f64, BoardView)]) -> Vec<Rest> {
    let mut sorted: Vec<&(f64, BoardView)> = views.iter().collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut rests = Vec::new();
    let mut first = 0;
    for next in 1..=sorted.len() {
        let goes_on = next < sorted.len() && {
            let (before, now) = (sorted[next - 1], sorted[next]);
            now.0 - before.0 <= LONGEST_STEP_SECONDS
                && motion_px(&before.1, &now.1) < REST_PX
                && motion_px(&sorted[first].1, &now.1) < DRIFT_PX
        };
        if goes_on {
            continue;
        }
        let (start_seconds, end_seconds) = (sorted[first].0, sorted[next - 1].0);
        if end_seconds - start_seconds >= SHORTEST_REST_SECONDS {
            let during: Vec<&BoardView> = sorted[first..next].iter().map(|(_, view)| view).collect();
            rests.push(Rest { camera, start_seconds, end_seconds, view: averaged(&during) });
        }
        first = next;
    }
    rests
}

/// A view's corners by their index on the board.
fn by_corner(view: &BoardView) -> BTreeMap<usize, Vector2<f64>> {
    view.corner_indices().zip(view.corners_px.iter().map(|px| Vector2::from(*px))).collect()
}

/// Root mean square motion of the corners that both views hold; infinite when those are too few or less than half of either.
fn motion_px(a: &BoardView, b: &BoardView) -> f64 {
    let (a, b) = (by_corner(a), by_corner(b));
    let squared: Vec<f64> = a.iter().filter_map(|(id, px)| Some((px - b.get(id)?).norm_squared())).collect();
    if squared.len() < FEWEST_COMMON || 2 * squared.len() < a.len().max(b.len()) {
        return f64::INFINITY;
    }
    (squared.iter().sum::<f64>() / squared.len() as f64).sqrt()
}

/// The mean of every corner that at least half of the views hold, told as the frame in the middle.
fn averaged(views: &[&BoardView]) -> BoardView {
    let middle = views[views.len() / 2];
    let mut sums: BTreeMap<usize, (Vector2<f64>, usize)> = BTreeMap::new();
    for (id, px) in views.iter().flat_map(|view| by_corner(view)) {
        let sum = sums.entry(id).or_insert((Vector2::zeros(), 0));
        *sum = (sum.0 + px, sum.1 + 1);
    }
    sums.retain(|_, (_, count)| 2 * *count >= views.len());
    BoardView {
        corners_px: sums.values().map(|(sum, count)| (sum / *count as f64).into()).collect(),
        corner_ids: middle.corner_ids.is_some().then(|| sums.keys().copied().collect()),
        ..middle.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view(frame_index: usize, x: f64) -> BoardView {
        BoardView {
            frame_index,
            pts_seconds: frame_index as f64 / 30.0,
            corners_px: vec![[x, 100.0], [x + 50.0, 100.0], [x, 150.0]],
            edge_width_px: Some(2.0),
            corner_ids: None,
        }
    }

    /// Corner position by time: three rests with motion between them.
    fn place(seconds: f64) -> f64 {
        match seconds {
            t if t < 1.0 => 100.0,
            t if t < 2.0 => 100.0 + 300.0 * (t - 1.0),
            t if t < 3.0 => 400.0,
            t if t < 4.0 => 400.0 + 300.0 * (t - 3.0),
            _ => 700.0,
        }
    }

    fn seen(from: f64, to: f64, shake_px: f64, clock_error: f64) -> Vec<(f64, BoardView)> {
        (0..150)
            .map(|frame| (frame, f64::from(frame) / 30.0))
            .filter(|(_, t)| (from..to).contains(t))
            .map(|(frame, t)| {
                let shake = if frame % 2 == 0 { shake_px } else { -shake_px };
                (t + clock_error, view(frame as usize, place(t) + shake))
            })
            .collect()
    }

    #[test]
    fn rests_in_common_are_found_and_averaged() {
        // Camera 1 misses the first rest, and its clock is off by 0.3 s.
        let shared = pair_sightings(&[seen(0.0, 5.0, 0.1, 0.0), seen(1.5, 5.0, 0.1, 0.3)]);
        assert_eq!(shared.len(), 2);
        for (sighting, x) in shared.iter().zip([400.0, 700.0]) {
            for view in sighting.views.iter().flatten() {
                assert!((view.corners_px[0][0] - x).abs() < 0.02);
            }
            assert!(sighting.views.iter().all(Option::is_some));
        }
    }

    #[test]
    fn three_cameras_share_what_each_pair_sees() {
        let shared = pair_sightings(&[seen(0.0, 1.1, 0.0, 0.0), seen(0.0, 5.0, 0.0, 0.0), seen(1.9, 5.0, 0.0, 0.0)]);
        let who: Vec<Vec<bool>> = shared.iter().map(|s| s.views.iter().map(Option::is_some).collect()).collect();
        assert_eq!(who, [vec![true, true, false], vec![false, true, true], vec![false, true, true]]);
    }

    /// A board with markers is told by its corners' numbers, and a corner may come and go.
    #[test]
    fn partly_seen_boards_rest_too() {
        let partial = |from: f64, to: f64, dropped: usize| -> Vec<(f64, BoardView)> {
            seen(from, to, 0.1, 0.0)
                .into_iter()
                .enumerate()
                .map(|(index, (seconds, view))| {
                    let x = view.corners_px[0][0];
                    let corner = |id: usize| [x + 40.0 * (id % 4) as f64, 100.0 + 40.0 * (id / 4) as f64];
                    // Every frame misses another corner; one is seen in a single frame only.
                    let missing = dropped + index % 3;
                    let ids: Vec<usize> =
                        (3..12).filter(|id| *id != missing).chain((index == 10).then_some(19)).collect();
                    let corners_px = ids.iter().map(|id| corner(*id)).collect();
                    (seconds, BoardView { corners_px, corner_ids: Some(ids), ..view })
                })
                .collect()
        };
        let shared = pair_sightings(&[partial(0.0, 5.0, 4), partial(0.0, 5.0, 8)]);
        assert_eq!(shared.len(), 3);
        for (sighting, x) in shared.iter().zip([100.0, 400.0, 700.0]) {
            for view in sighting.views.iter().flatten() {
                let ids = view.corner_ids.as_ref().unwrap();
                assert_eq!(*ids, (3..12).collect::<Vec<_>>());
                for (id, px) in ids.iter().zip(&view.corners_px) {
                    let expected = [x + 40.0 * (id % 4) as f64, 100.0 + 40.0 * (id / 4) as f64];
                    assert!((px[0] - expected[0]).abs() < 0.1 && px[1] == expected[1], "{id} {px:?}");
                }
            }
        }
        // Numbers that change from frame to frame are not a board at rest.
        let mut other = partial(0.0, 1.0, 4);
        for (_, view) in other.iter_mut().skip(1).step_by(2) {
            view.corner_ids.iter_mut().flatten().for_each(|id| *id += 20);
        }
        assert!(pair_sightings(&[other, partial(0.0, 1.0, 4)]).is_empty());
    }

    #[test]
    fn a_board_that_shakes_or_drifts_does_not_rest() {
        assert!(pair_sightings(&[seen(0.0, 5.0, 0.4, 0.0), seen(0.0, 5.0, 0.0, 0.0)]).is_empty());
        let drifting: Vec<(f64, BoardView)> =
            (0..60).map(|frame| (frame as f64 / 30.0, view(frame, 100.0 + 0.3 * frame as f64))).collect();
        assert!(pair_sightings(&[drifting.clone(), drifting]).is_empty());
        assert!(pair_sightings(&[]).is_empty());
        assert!(pair_sightings(&[Vec::new(), Vec::new()]).is_empty());
    }
}
