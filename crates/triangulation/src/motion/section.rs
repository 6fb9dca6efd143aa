//! One side of a contact: its time range, its knots, and what was seen in it.

use std::collections::BTreeSet;

use midline_session::calibration::CalibratedCamera;
use midline_session::keypoints::Keypoints;
use midline_session::lift_quality::ScoreCurve;

use super::course::Basis;
use super::observations::Observation;

/// Longest distance of knots, seconds: body segments hardly change their acceleration in that time.
const LONGEST_KNOT_SECONDS: f64 = 0.025;
/// Shortest: white noise in the jerk is not told apart below it.
const SHORTEST_KNOT_SECONDS: f64 = 0.006;
/// Near contact knots stand at their shortest distance this long.
const DENSE_SECONDS: f64 = 0.20;
/// Growth of the distance from knot to knot beyond.
const GROWTH: f64 = 1.15;

/// A camera with its keypoints.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Source<'a> {
    pub(crate) camera: &'a CalibratedCamera,
    pub(crate) rig_index: usize,
    pub(crate) keypoints: &'a Keypoints,
    /// Median distance of frames, seconds.
    pub(crate) frame_seconds: f64,
}

/// A pixel of one landmark before its basis is known.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seen {
    source: usize,
    landmark: usize,
    pub(crate) seconds: f64,
    camera_seconds: f64,
    px: [f64; 2],
    sd_px: f64,
}

/// Everything seen of some names within a time range, in the order of time; `noise` is one curve per name.
pub(crate) fn seen(sources: &[Source], names: &[&str], range: [f64; 2], noise: &[ScoreCurve]) -> Vec<Seen> {
    let mut all = Vec::new();
    for (index, source) in sources.iter().enumerate() {
        let columns: Vec<Option<usize>> = names.iter().map(|name| source.keypoints.column(name)).collect();
        for frame in &source.keypoints.frames {
            for (landmark, column) in columns.iter().enumerate() {
                let Some(point) = column.and_then(|c| *frame.points.get(c)?) else { continue };
                let camera_seconds = frame.pts_seconds + source.camera.camera.row_delay_seconds(point.px.into());
                let seconds = source.camera.clock.session_seconds(camera_seconds);
                if seconds >= range[0] && seconds <= range[1] {
                    let sd_px = noise[landmark].sd_px(point.score);
                    all.push(Seen { source: index, landmark, seconds, camera_seconds, px: point.px, sd_px });
                }
            }
        }
    }
    all.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    all
}

/// The range in which two cameras saw something; `None` when there is none.
pub(crate) fn common_range(sources: &[Source], seen: &[Seen]) -> Option<[f64; 2]> {
    let mut spans: Vec<[f64; 2]> = (0..sources.len())
        .filter_map(|index| {
            let own = || seen.iter().filter(|s| s.source == index).map(|s| s.seconds);
            Some([own().next()?, own().next_back()?])
        })
        .collect();
    if spans.len() < 2 {
        return None;
    }
    // From the second camera's first to the last but one camera's last.
    spans.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let from = spans[1][0];
    spans.sort_by(|a, b| b[1].total_cmp(&a[1]));
    let to = spans[1][1];
    (from < to).then_some([from, to])
}

/// Breaks of a spline over a range, dense toward the contact at `contact_seconds` (an end of the range, or beyond it).
pub(crate) fn breaks(range: [f64; 2], contact_seconds: f64, frame_seconds: f64) -> Vec<f64> {
    let dense = (0.5 * frame_seconds).clamp(SHORTEST_KNOT_SECONDS, LONGEST_KNOT_SECONDS);
    let forward = contact_seconds <= range[0];
    let (start, length) = (if forward { range[0] } else { range[1] }, range[1] - range[0]);
    let away = (start - contact_seconds).abs();
    let mut steps = vec![0.0];
    let (mut at, mut step) = (0.0, dense);
    while at < length {
        if away + at > DENSE_SECONDS {
            step = (step * GROWTH).min(LONGEST_KNOT_SECONDS);
        }
        at += step;
        steps.push(at);
    }
    // The last piece ends where the range does, and is not much shorter than its neighbour.
    if steps.len() > 2 && at - length > 0.5 * step {
        steps.pop();
    }
    if let Some(last) = steps.last_mut() {
        *last = length;
    }
    let mut found: Vec<f64> = if forward {
        steps.iter().map(|s| range[0] + s).collect()
    } else {
        steps.iter().rev().map(|s| range[1] - s).collect()
    };
    // Rounding must not move the ends.
    if let Some(first) = found.first_mut() {
        *first = range[0];
    }
    if let Some(last) = found.last_mut() {
        *last = range[1];
    }
    found
}

/// The observations with their basis.
pub(crate) fn observations<'a>(sources: &[Source<'a>], seen: &[Seen], basis: &Basis) -> Vec<Observation<'a>> {
    let ends = basis.ends_seconds();
    seen.iter()
        .filter(|s| s.seconds >= ends[0] && s.seconds <= ends[1])
        .map(|s| Observation {
            camera: &sources[s.source].camera.camera,
            rig_index: sources[s.source].rig_index,
            landmark: s.landmark,
            seconds: s.seconds,
            camera_seconds: s.camera_seconds,
            px: s.px.into(),
            sd_px: s.sd_px,
            at: basis.at(s.seconds),
        })
        .collect()
}

/// Whether fewer than two cameras saw a landmark within `reach` frames of an instant.
pub(crate) fn bridged(sources: &[Source], used: &[Observation], landmark: usize, seconds: f64) -> bool {
    /// Frames between an instant and the nearest one that counts.
    const REACH_FRAMES: f64 = 1.5;
    let longest = sources.iter().map(|s| s.frame_seconds).fold(0.0, f64::max) * REACH_FRAMES;
    let start = used.partition_point(|o| o.seconds < seconds - longest);
    let near: BTreeSet<usize> = used[start..]
        .iter()
        .take_while(|o| o.seconds <= seconds + longest)
        .filter(|o| o.landmark == landmark)
        .map(|o| o.rig_index)
        .collect();
    near.len() < 2
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn breaks_fill_the_range_and_are_dense_at_contact(
            length in 0.02..3.0f64, rate in 30.0..400.0f64, forward: bool, beyond in 0.0..0.05f64,
        ) {
            let range = [10.0, 10.0 + length];
            let contact = if forward { range[0] - beyond } else { range[1] + beyond };
            let found = breaks(range, contact, 1.0 / rate);
            prop_assert_eq!([found[0], found[found.len() - 1]], range);
            let gaps: Vec<f64> = found.windows(2).map(|w| w[1] - w[0]).collect();
            let limit = LONGEST_KNOT_SECONDS * 1.5;
            prop_assert!(gaps.iter().all(|g| *g > 1e-3 && *g <= limit), "{:?}", gaps);
            if length > 1.0 {
                let outward = if forward { gaps } else { gaps.into_iter().rev().collect() };
                // The last piece takes what is left, half to one and a half of a step; the one before it is whole.
                let (near, far) = (outward[0], outward[outward.len() - 2]);
                prop_assert!(near <= far * 1.01);
            }
        }
    }
}
