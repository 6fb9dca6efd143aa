//! Which of several people in the picture is the player: the one that the session marks, else the one with the largest
//! continuous track.
//!
//! Detections of neighbouring frames are linked, nearest first, when the median distance of their common points is
//! small for the time between them. A track's weight is the sum of its detections' sizes in the picture, so that a near
//! player wins against a passer-by who is seen longer or a spectator who is seen whole but small.

use std::collections::BTreeMap;

use midline_session::description::PlayerMark;
use midline_session::keypoints::Keypoint;

use crate::PointsError;
use crate::coco::Detection;
use crate::collect::Collection;
use crate::crowd::{Crowd, from_mark, size_px};

/// A track ends when its person is not seen for this long.
const LOST_AFTER_SECONDS: f64 = 1.0;
/// Fastest way of a person or ball across the picture, in picture diagonals per second.
const DIAGONALS_PER_SECOND: f64 = 3.0;
/// Farthest link, as a share of the person's size and of the picture's diagonal (the larger of the two counts).
const FARTHEST: [f64; 2] = [0.5, 0.1];

/// A person found this near in time to a mark counts for it, where the marked frame itself has nobody.
const MARK_WITHIN_SECONDS: f64 = 0.1;

struct Track {
    members: Vec<usize>,
    weight: f64,
}

/// Keeps one detection per group and frame and puts its points into the collection.
pub(crate) fn follow(collection: &mut Collection<'_>, crowd: Crowd) -> Result<(), PointsError> {
    let marks = crowd.marks().to_vec();
    if crowd.left_out() > 0 {
        let count = crowd.left_out();
        collection
            .remarks
            .push(format!("Of very full pictures only the largest people were looked at; {count} were not."));
    }
    let mut unmet: Vec<Option<f64>> = vec![Some(f64::INFINITY); marks.len()];
    for mut group in crowd.into_groups() {
        let pts = &collection.footage().frame_pts_seconds;
        let marked = at_marks(&group, &marks, pts, &mut unmet);
        if group.windows(2).any(|w| w[0].frame == w[1].frame) {
            let [width, height] = collection.footage().size_px.map(f64::from);
            let tracks = link(&group, pts, width.hypot(height));
            let chosen: Vec<(usize, &Track)> = marked
                .iter()
                .filter_map(|(mark, member)| Some((*mark, tracks.iter().find(|t| t.members.contains(member))?)))
                .collect();
            group = if chosen.is_empty() {
                largest(collection, group, &tracks)
            } else {
                pointed_at(collection, group, &chosen)
            };
        }
        for detection in group {
            for (column, point) in detection.points {
                collection.put(detection.frame, column, point, detection.place)?;
            }
        }
    }
    for (mark, nearest) in marks.iter().zip(unmet) {
        if let Some(nearest) = nearest {
            return Err(PointsError::NobodyAtMark {
                path: collection.path().to_owned(),
                frame: mark.frame,
                x: mark.px[0],
                y: mark.px[1],
                nearest_px: Some(nearest).filter(|d| d.is_finite()),
            });
        }
    }
    Ok(())
}

/// For each mark that a detection of the group is under: the mark's frame and the detection. `unmet` holds, for each mark
/// that no group has met yet, the distance of the nearest person.
fn at_marks(
    group: &[Detection],
    marks: &[PlayerMark],
    pts_seconds: &[f64],
    unmet: &mut [Option<f64>],
) -> Vec<(usize, usize)> {
    let mut met = Vec::new();
    for (mark, unmet) in marks.iter().zip(unmet) {
        let Some(at) = pts_seconds.get(mark.frame) else { continue };
        let gap = |frame: usize| pts_seconds.get(frame).map_or(f64::INFINITY, |t| (t - at).abs());
        // The frame itself, or the nearest in which anybody was found.
        let nearest_frame = group.iter().map(|d| d.frame).min_by(|a, b| gap(*a).total_cmp(&gap(*b)));
        let Some(frame) = nearest_frame.filter(|f| gap(*f) <= MARK_WITHIN_SECONDS) else { continue };
        let people = group.iter().enumerate().filter(|(_, d)| d.frame == frame);
        let mut distances: Vec<(f64, bool, usize)> = people
            .map(|(i, d)| {
                let (distance, inside) = from_mark(&d.points, mark.px);
                (distance, inside, i)
            })
            .collect();
        distances.sort_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((_, _, member)) = distances.iter().find(|(_, inside, _)| *inside) {
            met.push((mark.frame, *member));
            *unmet = None;
        } else if let (Some(nearest), Some((distance, ..))) = (unmet.as_mut(), distances.first()) {
            *nearest = nearest.min(*distance);
        }
    }
    met
}

/// Of every frame the detection of the track whose mark is nearest among those that have one there.
fn pointed_at(collection: &mut Collection<'_>, group: Vec<Detection>, chosen: &[(usize, &Track)]) -> Vec<Detection> {
    let mut best: BTreeMap<usize, (usize, usize)> = BTreeMap::new();
    for (mark_frame, track) in chosen {
        for member in &track.members {
            let frame = group[*member].frame;
            let far = frame.abs_diff(*mark_frame);
            best.entry(frame).and_modify(|b| *b = (*b).min((far, *member))).or_insert((far, *member));
        }
    }
    let all = group.len();
    let mut keep = vec![false; all];
    for (_, member) in best.into_values() {
        keep[member] = true;
    }
    let kept = kept_of(group, &keep);
    if let (Some(first), Some(last)) = (kept.first(), kept.last()) {
        collection.remarks.push(format!(
            "Several people in one picture: the marked one was followed from frame {} to frame {}; {} of {all} \
             detections were left out.",
            first.frame,
            last.frame,
            all - kept.len()
        ));
    }
    kept
}

fn kept_of(group: Vec<Detection>, keep: &[bool]) -> Vec<Detection> {
    group.into_iter().zip(keep).filter_map(|(d, keep)| keep.then_some(d)).collect()
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
    let kept = kept_of(group, &keep);
    if let (Some(first), Some(last)) = (kept.first(), kept.last()) {
        collection.remarks.push(format!(
            "Several detections in one picture: the one with the largest continuous track was followed from frame {} \
             to frame {}; {} of {all} detections were left out. If that is not the player, mark the player in session.toml \
             (points_reading).",
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
