//! Gross jumps: sightings that stray far from the path and come back.
//!
//! For each point the sightings to keep are chosen so that the sum of the kept path's bends (see [`crate::bend`]) and a
//! price for every sighting left out is smallest, by dynamic programming over the last two kept sightings. A bend costs
//! at most 1, a sighting left out costs [`PRICE`]: leaving out a lone stray sighting saves three bends, a run of two or
//! three that agree with each other saves four. Where the path itself turns sharply (the ball at a bounce, the racket
//! at contact) the turn remains whichever sighting is left out, so nothing is gained and all are kept. The same holds
//! for the ends of a path, where a turn cannot be told from a stray sighting.

use midline_session::keypoints::Keypoints;

use crate::bend::{LONGEST_GAP_SECONDS, Sighting, bend_px, cost, limits_px};

/// Price of leaving out one sighting, in bends at the limit. Above 1, so that in a wild stretch (every bend at its
/// limit) nothing is won by thinning; below 4/3, so that three sightings that strayed together are found.
const PRICE: f64 = 1.2;
/// Longest run of sightings left out.
const LONGEST_RUN: usize = 3;
/// Limit of a bend in medians of the bends around it. For normal noise the median bend is 1.4 sd, so this is 7 sd.
const MEDIANS: f64 = 5.0;
/// Smallest limit, as a share of the picture's longer side.
const FLOOR_SHARE: f64 = 0.01;

/// Removes gross jumps of one column; returns how many points were removed.
pub(crate) fn remove(keypoints: &mut Keypoints, column: usize, longer_side_px: f64) -> usize {
    let seen: Vec<(usize, Sighting)> = keypoints
        .frames
        .iter()
        .enumerate()
        .filter_map(|(i, f)| Some((i, (f.pts_seconds, f.points.get(column).copied().flatten()?.px))))
        .collect();
    let mut removed = 0;
    for piece in seen.chunk_by(|a, b| b.1.0 - a.1.0 <= LONGEST_GAP_SECONDS) {
        let path: Vec<Sighting> = piece.iter().map(|(_, s)| *s).collect();
        for stray in strays(&path, FLOOR_SHARE * longer_side_px) {
            keypoints.frames[piece[stray].0].points[column] = None;
            removed += 1;
        }
    }
    removed
}

/// The cheapest way to a pair of last kept sightings, and where it came from.
#[derive(Clone, Copy)]
struct Way {
    cost: f64,
    /// Distance back to the kept sighting before the pair; 0 at the start.
    back: usize,
}

/// Indices of the sightings to leave out.
fn strays(path: &[Sighting], floor_px: f64) -> Vec<usize> {
    let n = path.len();
    if n < 4 {
        return Vec::new();
    }
    let bends: Vec<f64> = path.windows(3).map(|w| bend_px(w[0], w[1], w[2])).collect();
    let inner = limits_px(&bends, MEDIANS, floor_px);
    let limit = |middle: usize| inner[(middle.max(1) - 1).min(inner.len() - 1)];
    // ways[q][gap - 1]: q is the last kept sighting, q - gap the one before it.
    let mut ways = vec![[Way { cost: f64::INFINITY, back: 0 }; LONGEST_RUN + 1]; n];
    for q in 1..n {
        for gap in 1..=(LONGEST_RUN + 1).min(q) {
            let p = q - gap;
            let left_out = PRICE * (gap - 1) as f64;
            // Start: everything before p left out.
            let mut best = Way { cost: f64::INFINITY, back: 0 };
            if p <= LONGEST_RUN {
                best.cost = PRICE * p as f64 + left_out;
            }
            for back in 1..=(LONGEST_RUN + 1).min(p) {
                let before = ways[p][back - 1].cost;
                let total = before + left_out + cost(bend_px(path[p - back], path[p], path[q]), limit(p));
                if total < best.cost {
                    best = Way { cost: total, back };
                }
            }
            ways[q][gap - 1] = best;
        }
    }
    let mut best = (f64::INFINITY, n - 1, 1);
    for left_out in 0..=LONGEST_RUN.min(n - 2) {
        let q = n - 1 - left_out;
        for gap in 1..=(LONGEST_RUN + 1).min(q) {
            let total = ways[q][gap - 1].cost + PRICE * left_out as f64;
            if total < best.0 {
                best = (total, q, gap);
            }
        }
    }
    let mut keep = vec![false; n];
    let (_, mut q, mut gap) = best;
    keep[q] = true;
    while gap > 0 {
        let back = ways[q][gap - 1].back;
        q -= gap;
        keep[q] = true;
        gap = back;
    }
    (0..n).filter(|i| !keep[*i]).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn path(n: usize, rate_hz: f64, px: impl Fn(f64) -> [f64; 2]) -> Vec<Sighting> {
        (0..n).map(|i| i as f64 / rate_hz).map(|t| (t, px(t))).collect()
    }

    #[test]
    fn single_and_short_runs_of_strays_are_found() {
        for run in 1..=3 {
            let mut line = path(40, 60.0, |t| [200.0 + 300.0 * t, 400.0]);
            for sighting in &mut line[20..20 + run] {
                sighting.1[1] += 80.0;
            }
            assert_eq!(strays(&line, 19.2), (20..20 + run).collect::<Vec<_>>());
        }
    }

    #[test]
    fn a_stray_sighting_at_uneven_times_is_found_and_a_dropped_frame_is_not_one() {
        let mut line: Vec<Sighting> =
            [0.0, 0.03, 0.07, 0.1, 0.19, 0.2, 0.24].map(|t| (t, [100.0 + 2000.0 * t, 300.0])).to_vec();
        assert!(strays(&line, 19.2).is_empty());
        line[3].1[0] += 90.0;
        assert_eq!(strays(&line, 19.2), [3]);
    }

    proptest! {
        /// Straight pieces with two sudden turns anywhere, at up to 40 m/s and 150 px/m, with every third frame lost.
        #[test]
        fn sudden_turns_are_no_strays(
            rate_hz in 25.0..240.0f64, turns in prop::array::uniform2(0.05..0.55f64), lost in 0usize..3,
            speeds in prop::array::uniform3(prop::array::uniform2(-4000.0..4000.0f64)),
        ) {
            let [first, second] = [turns[0].min(turns[1]), turns[0].max(turns[1])];
            let mut ball = path((0.6 * rate_hz) as usize, rate_hz, |t| [0, 1].map(|axis| {
                let piece = [t.min(first), (t - first).clamp(0.0, second - first), (t - second).max(0.0)];
                piece.iter().zip(speeds).map(|(s, v)| s * v[axis]).sum()
            }));
            let mut index = 0;
            ball.retain(|_| { index += 1; index % 3 != lost });
            let far = strays(&ball, 19.2);
            // Two turns within three sightings are a stray sighting, whatever made them.
            let between = ball.iter().filter(|(t, _)| (first..second).contains(t)).count();
            prop_assert!(far.is_empty() || between <= LONGEST_RUN, "{far:?} with {between} between the turns");
        }
    }

    #[test]
    fn a_bounce_and_a_hit_are_kept() {
        // 25 m/s at 150 px/m; turns at 0.2 s (bounce) and 0.4 s (hit), one of them on a frame, one between two frames.
        for rate_hz in [30.0, 60.0, 120.0, 240.0] {
            let ball = path((0.6 * rate_hz) as usize, rate_hz, |t| {
                let x = if t < 0.41 { 3000.0 * t } else { 3000.0 * 0.41 - 4500.0 * (t - 0.41) };
                [x, if t < 0.2 { 2000.0 * t } else { 400.0 - 1500.0 * (t - 0.2) }]
            });
            assert_eq!(strays(&ball, 19.2), [0usize; 0], "{rate_hz} Hz");
        }
    }
}
