//! What the keypoints of a camera are worth, before anything is computed from them: a table by point and a verdict.
//!
//! # Conventions
//!
//! - Everything is judged in the picture alone, so that it can be said without calibration. Lengths are px, times seconds.
//! - A frame counts as looked at when any point was found in it, or when it lies in a gap of less than a quarter of a second:
//!   files may hold the strokes only.
//! - The ball comes and goes; it is in the table and never decides a verdict.

mod limbs;
mod scores;
mod speeds;
mod verdict;

use midline_session::footage::Footage;
use midline_session::keypoints::{BALL, Keypoints};
use serde::{Deserialize, Serialize};

use crate::{Cleaning, bend};

pub use limbs::{Limb, LimbComparison, compare_views};
pub use scores::{ScoreBin, ScoreCalibration};
pub use verdict::PointsVerdict;

/// Gaps of the whole set longer than this are stretches that nobody looked at.
const NOT_LOOKED_AT_SECONDS: f64 = 0.25;
/// A point that is missing for longer than this cannot be carried over: a racket turns by more than a radian meanwhile.
pub(crate) const LONG_RUN_SECONDS: f64 = bend::LONGEST_GAP_SECONDS;

/// What one point of a camera is worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointQuality {
    /// The point.
    pub name: String,
    /// Frames in which it was found, after cleaning.
    pub found: usize,
    /// The same as a share of the frames that were looked at.
    pub found_share: f64,
    /// Stretches without it of more than 0.1 s, between frames that were looked at.
    pub long_gaps: usize,
    /// The longest stretch without it, seconds.
    pub longest_gap_seconds: f64,
    /// Frames in which left and right had been exchanged.
    pub swapped: usize,
    /// Sightings removed because they were frozen.
    pub frozen: usize,
    /// Sightings removed because they jumped.
    pub jumped: usize,
    /// Steps left that are faster than the joint can be; `None` where the picture tells no scale.
    pub too_fast: Option<usize>,
    /// Fastest step left, in m/s by the player's trunk as a ruler; `None` where the picture tells no scale.
    pub fastest_mps: Option<f64>,
    /// Standard deviation of a coordinate's noise, px, from the quietest quarter of its path's bends.
    pub noise_px: Option<f64>,
}

/// What the keypoints of one camera are worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Quality {
    /// The camera.
    pub camera: String,
    /// Frames of the footage.
    pub frames: usize,
    /// Frames that were looked at.
    pub frames_looked_at: usize,
    /// Pixels per metre at the player, from the trunk of a person of 1.75 m; good to some 15 %.
    pub px_per_m: Option<f64>,
    /// One entry per point.
    pub points: Vec<PointQuality>,
    /// Lengths in the picture.
    pub limbs: Vec<Limb>,
    /// Whether scores say how good a point is.
    pub scores: ScoreCalibration,
    /// All in all.
    pub verdict: PointsVerdict,
    /// Why, one sentence each, the gravest first.
    pub reasons: Vec<String>,
}

/// Judges the keypoints of a camera; `raw` as imported, `cleaned` as left by [`crate::clean`], which said `cleaning`.
#[must_use]
pub fn quality(raw: &Keypoints, cleaned: &Keypoints, cleaning: &Cleaning, footage: &Footage) -> Quality {
    let looked_at = looked_at(raw, footage);
    let limbs = limbs::limbs(cleaned);
    let px_per_m = limbs::px_per_m(&limbs);
    let count = |counts: &[usize], column: usize| counts.get(column).copied().unwrap_or(0);
    let points: Vec<PointQuality> = cleaned
        .names
        .iter()
        .enumerate()
        .map(|(column, name)| {
            let path = path(cleaned, column);
            let (long_gaps, longest_gap_seconds) = gaps(&path, &looked_at, footage);
            let noise_px = noise_px(&path);
            let speeds = px_per_m.map(|scale| speeds::judge(name, &path, scale, noise_px.unwrap_or(0.0)));
            PointQuality {
                name: name.clone(),
                found: path.len(),
                found_share: path.len() as f64 / looked_at.len().max(1) as f64,
                long_gaps,
                longest_gap_seconds,
                swapped: count(&cleaning.swapped, column),
                frozen: count(&cleaning.frozen, column),
                jumped: count(&cleaning.jumped, column),
                too_fast: speeds.map(|s| s.too_fast),
                fastest_mps: speeds.map(|s| s.fastest_mps),
                noise_px,
            }
        })
        .collect();
    let scores = scores::calibration(raw);
    let (verdict, reasons) = verdict::judge(&points, &scores, looked_at.len());
    Quality {
        camera: cleaned.camera.clone(),
        frames: footage.frame_pts_seconds.len(),
        frames_looked_at: looked_at.len(),
        px_per_m,
        points,
        limbs,
        scores,
        verdict,
        reasons,
    }
}

/// One sighting: frame, presentation time, pixel.
pub(crate) type Seen = (usize, f64, [f64; 2]);

fn path(keypoints: &Keypoints, column: usize) -> Vec<Seen> {
    let seen = |f: &midline_session::keypoints::KeypointFrame| {
        Some((f.frame_index, f.pts_seconds, f.points.get(column).copied().flatten()?.px))
    };
    keypoints.frames.iter().filter_map(seen).collect()
}

/// The frames that somebody or something looked at, in order.
fn looked_at(raw: &Keypoints, footage: &Footage) -> Vec<usize> {
    let pts = &footage.frame_pts_seconds;
    let mut frames: Vec<usize> = Vec::with_capacity(raw.frames.len());
    for frame in raw.frames.iter().filter(|f| f.points.iter().any(Option::is_some)) {
        if let Some(last) = frames.last().copied()
            && let (Some(from), Some(to)) = (pts.get(last), pts.get(frame.frame_index))
            && to - from <= NOT_LOOKED_AT_SECONDS
        {
            frames.extend(last + 1..frame.frame_index);
        }
        frames.push(frame.frame_index);
    }
    frames
}

/// How many long stretches of frames that were looked at lack a point, and the longest of all stretches in seconds.
fn gaps(path: &[Seen], looked_at: &[usize], footage: &Footage) -> (usize, f64) {
    let pts = &footage.frame_pts_seconds;
    let mut seen = path.iter().map(|(frame, ..)| *frame).peekable();
    let (mut long, mut longest) = (0, 0.0_f64);
    let mut run: Option<(usize, usize)> = None;
    let mut close = |run: &mut Option<(usize, usize)>| {
        if let Some((first, last)) = run.take() {
            // A run lasts from the frame before it to the frame after it, as far as there are such.
            let from = pts.get(first.saturating_sub(1)).copied().unwrap_or(0.0);
            let to = pts.get((last + 1).min(pts.len().saturating_sub(1))).copied().unwrap_or(from);
            long += usize::from(to - from > LONG_RUN_SECONDS);
            longest = longest.max(to - from);
        }
    };
    for frame in looked_at {
        while seen.next_if(|f| f < frame).is_some() {}
        if seen.next_if_eq(frame).is_some() {
            close(&mut run);
        } else {
            run = match run {
                Some((first, last)) if last + 1 == *frame => Some((first, *frame)),
                _ => {
                    close(&mut run);
                    Some((*frame, *frame))
                }
            };
        }
    }
    close(&mut run);
    (long, longest)
}

/// Noise of a coordinate from the quietest quarter of the bends. White noise of standard deviation σ gives a bend (distance
/// from the middle of its neighbours) of √1.5 σ per coordinate, whose lower quartile is √(−2 ln 0.75) times that (Rayleigh
/// distribution): 0.929 σ.
fn noise_px(path: &[Seen]) -> Option<f64> {
    let mut bends: Vec<f64> = bends(path).into_iter().map(|(_, bend)| bend).collect();
    if bends.len() < 20 {
        return None;
    }
    bends.sort_by(f64::total_cmp);
    Some(bends[bends.len() / 4] / 0.929)
}

/// Index into the path and bend, where both neighbours are near in time.
pub(crate) fn bends(path: &[Seen]) -> Vec<(usize, f64)> {
    let near = |a: &Seen, b: &Seen| b.1 - a.1 <= bend::LONGEST_GAP_SECONDS;
    path.windows(3)
        .enumerate()
        .filter(|(_, w)| near(&w[0], &w[1]) && near(&w[1], &w[2]))
        .map(|(i, w)| (i + 1, bend::bend_px((w[0].1, w[0].2), (w[1].1, w[1].2), (w[2].1, w[2].2))))
        .collect()
}

/// Whether a point decides verdicts.
pub(crate) fn decides(name: &str) -> bool {
    name != BALL
}

pub(crate) fn quantile(mut values: Vec<f64>, share: f64) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let last = values.len().checked_sub(1)?;
    values.get((share * last as f64).round() as usize).copied()
}

#[cfg(test)]
mod tests;
