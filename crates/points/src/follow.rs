//! Which of several people in the picture is the player: the one with the largest continuous track.
//!
//! Detections of neighbouring frames are linked, nearest first, when the median distance of their common points is
//! small for the time between them. A track's weight is the sum of its detections' sizes in the picture, so that a near
//! player wins against a passer-by who is seen longer or a spectator who is seen whole but small.

use std::collections::BTreeMap;

use midline_session::keypoints::Keypoint;

use crate::PointsError;
use crate::coco::Detection;
use crate::collect::Collection;

/// A track ends when its person is not seen for this long.
const LOST_AFTER_SECONDS: f64 = 1.0;
/// Fastest way of a person or ball across the picture, in picture diagonals per second.
const DIAGONALS_PER_SECOND: f64 = 3.0;
/// Farthest link, as a share of the person's size and of the picture's diagonal (the larger of the two counts).
const FARTHEST: [f64; 2] = [0.5, 0.1];

struct Track {
    members: Vec<usize>,
    weight: f64,
}

/// Keeps one detection per group and frame and puts its points into the collection.
pub(crate) fn follow(collection: &mut Collection<'_>, detections: Vec<Detection>) -> Result<(), PointsError> {
    let mut groups: BTreeMap<u64, Vec<Detection>> = BTreeMap::new();
    for detection in detections.into_iter().filter(|d| !d.points.is_empty()) {
        groups.entry(detection.group).or_default().push(detection);
    }
    for (_, mut group) in groups {
        group.sort_by_key(|d| d.frame); // stable: the order in the file decides ties
        if group.windows(2).any(|w| w[0].frame == w[1].frame) {
            let pts = &collection.footage().frame_pts_seconds;
            let [width, height] = collection.footage().size_px.map(f64::from);
            let tracks = link(&group, pts, width.hypot(height));
            group = largest(collection, group, &tracks);
        }
        for detection in group {
            for (column, point) in detection.points {
                collection.put(detection.frame, column, point, detection.place)?;
            }
        }
    }
    Ok(())
}

fn largest(collection: &mut Collection<'_>, group: Vec<Detection>, tracks: &[Track]) -> Vec<Detection> {
    let Some(best) = tracks.iter().reduce(|best, t| if t.weight > best.weight { t } else { best }) else {
        return group;
    };
    let all = group.len();
    let mut keep = vec![false; all];
    for member in &best.members {
        keep[*member] = true;
    }
    let kept: Vec<Detection> = group.into_iter().zip(keep).filter_map(|(d, keep)| keep.then_some(d)).collect();
    if let (Some(first), Some(last)) = (kept.first(), kept.last()) {
        collection.remarks.push(format!(
            "Several detections in one picture: the one with the largest continuous track was followed from frame {} \
             to frame {}; {} of {all} detections were left out.",
            first.frame,
            last.frame,
            all - kept.len()
        ));
    }
    kept
}

fn link(detections: &[Detection], pts_seconds: &[f64], diagonal_px: f64) -> Vec<Track> {
    let mut tracks: Vec<Track> = Vec::new();
    let mut alive: Vec<usize> = Vec::new();
    let mut next = 0;
    while let Some(frame) = detections.get(next).map(|d| d.frame) {
        let end = next + detections[next..].iter().take_while(|d| d.frame == frame).count();
        let now = pts_seconds.get(frame).copied().unwrap_or(0.0);
        let age = |track: &Track| {
            let last = track.members.last().and_then(|m| pts_seconds.get(detections[*m].frame)).copied();
            last.map_or(f64::INFINITY, |last| now - last)
        };
        alive.retain(|t| age(&tracks[*t]) <= LOST_AFTER_SECONDS);
        let mut links: Vec<(f64, usize, usize)> = Vec::new();
        for track in &alive {
            let Some(last) = tracks[*track].members.last().map(|m| &detections[*m]) else { continue };
            let farthest = (FARTHEST[0] * size_px(&last.points)).max(FARTHEST[1] * diagonal_px);
            let reach = farthest.min(DIAGONALS_PER_SECOND * diagonal_px * age(&tracks[*track]));
            for (index, detection) in detections.iter().enumerate().take(end).skip(next) {
                let distance = distance_px(&last.points, &detection.points);
                if distance <= reach {
                    links.push((distance, *track, index));
                }
            }
        }
        links.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
        let mut track_of: BTreeMap<usize, usize> = BTreeMap::new();
        for (_, track, detection) in links {
            if !track_of.contains_key(&detection) && !track_of.values().any(|t| *t == track) {
                track_of.insert(detection, track);
            }
        }
        for (index, detection) in detections.iter().enumerate().take(end).skip(next) {
            let track = track_of.get(&index).copied().unwrap_or_else(|| {
                tracks.push(Track { members: Vec::new(), weight: 0.0 });
                alive.push(tracks.len() - 1);
                tracks.len() - 1
            });
            tracks[track].members.push(index);
            tracks[track].weight += 1.0 + size_px(&detection.points);
        }
        next = end;
    }
    tracks
}

/// Diagonal of the box around the points, px.
fn size_px(points: &[(usize, Keypoint)]) -> f64 {
    let spread = |axis: usize| {
        let low = points.iter().map(|(_, p)| p.px[axis]).fold(f64::INFINITY, f64::min);
        let high = points.iter().map(|(_, p)| p.px[axis]).fold(f64::NEG_INFINITY, f64::max);
        (high - low).max(0.0)
    };
    spread(0).hypot(spread(1))
}

/// Median distance of the points that both have; of the centres when they share none.
fn distance_px(a: &[(usize, Keypoint)], b: &[(usize, Keypoint)]) -> f64 {
    let mut distances: Vec<f64> = a
        .iter()
        .filter_map(|(column, p)| Some((p, &b.iter().find(|(c, _)| c == column)?.1)))
        .map(|(p, q)| (p.px[0] - q.px[0]).hypot(p.px[1] - q.px[1]))
        .collect();
    distances.sort_by(f64::total_cmp);
    distances.get(distances.len() / 2).copied().unwrap_or_else(|| {
        let centre = |points: &[(usize, Keypoint)], axis: usize| {
            points.iter().map(|(_, p)| p.px[axis]).sum::<f64>() / points.len().max(1) as f64
        };
        (centre(a, 0) - centre(b, 0)).hypot(centre(a, 1) - centre(b, 1))
    })
}
