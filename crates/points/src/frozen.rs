//! Frozen points: a detector that lost its point and repeats the last place.

use midline_session::keypoints::Keypoints;

use crate::bend::LONGEST_GAP_SECONDS;

/// Exactly equal coordinates in this many frames in a row are suspicious.
const SHORTEST_RUN: usize = 3;
/// A step of this share of the picture's longer side into or out of the run shows that the point did move meanwhile.
const STEP_SHARE: f64 = 0.005;
/// Coordinates on a grid of 1/4 px repeat when a point rests.
const GRID_PER_PX: f64 = 4.0;

/// Removes frozen runs of one column except their first sighting; returns how many points were removed.
///
/// A run counts as frozen when its coordinates are exactly equal in three or more frames, are not on a grid of quarter
/// pixels (rounded coordinates of a resting point repeat too), and the point moves by a clear step into or out of it.
pub(crate) fn remove(keypoints: &mut Keypoints, column: usize, longer_side_px: f64) -> usize {
    let seen: Vec<(usize, f64, [f64; 2])> = keypoints
        .frames
        .iter()
        .enumerate()
        .filter_map(|(i, f)| Some((i, f.pts_seconds, f.points.get(column).copied().flatten()?.px)))
        .collect();
    let near = |a: usize, b: usize| seen[b].1 - seen[a].1 <= LONGEST_GAP_SECONDS;
    let step = |a: usize, b: usize| (seen[b].2[0] - seen[a].2[0]).hypot(seen[b].2[1] - seen[a].2[1]);
    let mut removed = 0;
    let mut start = 0;
    while start < seen.len() {
        let px = seen[start].2;
        let end = (start + 1..seen.len()).find(|i| seen[*i].2 != px || !near(i - 1, *i)).unwrap_or(seen.len());
        let on_grid = px.iter().all(|c| (c * GRID_PER_PX).fract().abs() < 1e-9);
        let moved = (start > 0 && near(start - 1, start) && step(start - 1, start) > STEP_SHARE * longer_side_px)
            || (end < seen.len() && near(end - 1, end) && step(end - 1, end) > STEP_SHARE * longer_side_px);
        if end - start >= SHORTEST_RUN && !on_grid && moved {
            for (frame, _, _) in &seen[start + 1..end] {
                keypoints.frames[*frame].points[column] = None;
                removed += 1;
            }
        }
        start = end;
    }
    removed
}
