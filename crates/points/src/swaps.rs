//! Left-right swaps: frames in which a detector gave a left name to the right point and the other way round.
//!
//! For a set of left-right pairs that swap together, each frame is either as given or swapped. The sequence of states
//! is chosen by dynamic programming (Viterbi 1967; the state is the pair of states of two neighbouring frames) so that
//! the sum of the paths' bends (see [`crate::bend`]) and a price for every change of state is smallest. Because a bend
//! looks at three frames, limbs that cross in the picture keep their names: each goes on with its own velocity. A
//! swapped frame also costs a little by itself, so that of two equally smooth readings the one with fewer swaps wins.

use midline_session::keypoints::Keypoints;

use crate::bend::{LONGEST_GAP_SECONDS, bend_px, cost, limits_px};

/// Price of a change of state, in bends at the limit; for several pairs it grows by [`PRICE_PER_PAIR`], so that one
/// pair alone cannot swap the others with it.
const PRICE: f64 = 1.0;
const PRICE_PER_PAIR: f64 = 0.3;
/// Price of a swapped frame.
const PRICE_OF_SWAPPED: f64 = 0.02;
/// Limit of a bend in medians of the bends around it, and as a share of the picture's longer side.
const MEDIANS: f64 = 4.0;
const FLOOR_SHARE: f64 = 0.005;

/// Columns of a left and a right point.
pub(crate) type Pair = (usize, usize);

/// The left-right pairs of a set, by the names' `left_` and `right_`, with what the names share.
pub(crate) fn pairs(names: &[String]) -> Vec<(String, Pair)> {
    let right_of = |part: &str| names.iter().position(|n| n.strip_prefix("right_") == Some(part));
    names
        .iter()
        .enumerate()
        .filter_map(|(left, name)| {
            let part = name.strip_prefix("left_")?;
            Some((part.to_owned(), (left, right_of(part)?)))
        })
        .collect()
}

/// Exchanges left and right of all `pairs` in the frames in which they are swapped together; returns how many frames.
pub(crate) fn undo(keypoints: &mut Keypoints, pairs: &[Pair], longer_side_px: f64) -> usize {
    // Frames in which at least one pair is complete.
    let frames: Vec<usize> = keypoints
        .frames
        .iter()
        .enumerate()
        .filter(|(_, f)| pairs.iter().any(|(l, r)| f.points[*l].is_some() && f.points[*r].is_some()))
        .map(|(i, _)| i)
        .collect();
    let swapped = swapped(&evidence(keypoints, pairs, &frames, longer_side_px), frames.len(), pairs.len());
    for frame in swapped.iter().map(|i| frames[*i]) {
        for (left, right) in pairs {
            keypoints.frames[frame].points.swap(*left, *right);
        }
    }
    swapped.len()
}

/// For each three neighbouring frames the cost of their bends, by whether the state changes between the first two and
/// between the last two.
type Evidence = [[f64; 2]; 2];

fn evidence(keypoints: &Keypoints, pairs: &[Pair], frames: &[usize], longer_side_px: f64) -> Vec<Evidence> {
    let mut evidence = vec![Evidence::default(); frames.len().saturating_sub(2)];
    for (left, right) in pairs {
        let sides = |frame: usize| {
            let frame = &keypoints.frames[frame];
            let (l, r) = (frame.points[*left]?, frame.points[*right]?);
            Some([(frame.pts_seconds, l.px), (frame.pts_seconds, r.px)])
        };
        // (three frames, the sides in each) where the pair is complete and the frames are near in time.
        let triples: Vec<(usize, [[_; 2]; 3])> = frames
            .windows(3)
            .enumerate()
            .filter_map(|(i, w)| Some((i, [sides(w[0])?, sides(w[1])?, sides(w[2])?])))
            .filter(|(_, [a, b, c])| b[0].0 - a[0].0 <= LONGEST_GAP_SECONDS && c[0].0 - b[0].0 <= LONGEST_GAP_SECONDS)
            .collect();
        let bends = |[a, b, c]: &[[_; 2]; 3], first: usize, last: usize| {
            [0, 1].map(|side: usize| bend_px(a[side], b[side ^ first], c[side ^ first ^ last]))
        };
        let as_given: Vec<f64> = triples.iter().map(|(_, t)| bends(t, 0, 0).iter().sum::<f64>() / 2.0).collect();
        let limits = limits_px(&as_given, MEDIANS, FLOOR_SHARE * longer_side_px);
        for ((i, triple), limit) in triples.iter().zip(limits) {
            for (first, row) in evidence[*i].iter_mut().enumerate() {
                for (last, slot) in row.iter_mut().enumerate() {
                    *slot += bends(triple, first, last).iter().map(|b| cost(*b, limit)).sum::<f64>();
                }
            }
        }
    }
    evidence
}

/// Indices of the frames that are swapped.
fn swapped(evidence: &[Evidence], frames: usize, pairs: usize) -> Vec<usize> {
    if evidence.is_empty() {
        return Vec::new();
    }
    let price = PRICE + PRICE_PER_PAIR * (pairs - 1) as f64;
    let change = |a: usize, b: usize| if a == b { 0.0 } else { price };
    let own = |s: usize| PRICE_OF_SWAPPED * s as f64;
    // ways[a][b]: cheapest cost with the last two frames in states a and b.
    let mut ways = [0, 1].map(|a| [0, 1].map(|b| own(a) + own(b) + change(a, b)));
    // came[i][b][c]: the state two before, on the cheapest way to states b, c at frames i + 1, i + 2.
    let mut came: Vec<[[usize; 2]; 2]> = Vec::with_capacity(evidence.len());
    for triple in evidence {
        let mut next = [[f64::INFINITY; 2]; 2];
        let mut from = [[0; 2]; 2];
        for (a, row) in ways.iter().enumerate() {
            for (b, before) in row.iter().enumerate() {
                for c in [0, 1] {
                    let total = before + triple[a ^ b][b ^ c] + change(b, c) + own(c);
                    if total < next[b][c] {
                        next[b][c] = total;
                        from[b][c] = a;
                    }
                }
            }
        }
        ways = next;
        came.push(from);
    }
    let mut last = (0, 0);
    for (b, c) in [(0, 1), (1, 0), (1, 1)] {
        if ways[b][c] < ways[last.0][last.1] {
            last = (b, c);
        }
    }
    let mut states = vec![0; frames];
    let (mut b, mut c) = last;
    for (i, from) in came.iter().enumerate().rev() {
        states[i + 2] = c;
        (b, c) = (from[b][c], b);
    }
    states[0] = b;
    states[1] = c;
    (0..frames).filter(|i| states[*i] == 1).collect()
}
