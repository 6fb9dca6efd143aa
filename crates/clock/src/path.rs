//! One keypoint's path through the picture of one camera, read between its frames.

use midline_geometry::Camera;
use midline_session::keypoints::Keypoints;
use nalgebra::{Matrix2, Vector2};

/// A gap between two sightings above this multiple of the usual spacing is not bridged.
const LONGEST_GAP: f64 = 2.5;

/// One sighting, freed of lens distortion.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sighting {
    /// Presentation time at which its row was exposed, seconds.
    pub(crate) seen_seconds: f64,
    /// Normalised coordinates `(x/z, y/z)`.
    pub(crate) normalised: Vector2<f64>,
    /// ∂normalised/∂pixel.
    pub(crate) by_px: Matrix2<f64>,
}

/// All sightings of one point by one camera, in order of time.
#[derive(Debug, Clone)]
pub(crate) struct Path {
    pub(crate) sightings: Vec<Sighting>,
    longest_gap_seconds: f64,
}

impl Path {
    /// The path of a column of `keypoints`; sightings where the lens cannot be inverted are left out.
    pub(crate) fn new(camera: &Camera, keypoints: &Keypoints, column: usize, spacing_seconds: f64) -> Self {
        let mut sightings: Vec<Sighting> = keypoints
            .frames
            .iter()
            .filter_map(|frame| {
                let px = Vector2::from(frame.points.get(column)?.as_ref()?.px);
                let normalised = camera.intrinsics.normalised_from_px(px).ok()?;
                Some(Sighting {
                    seen_seconds: frame.pts_seconds + camera.row_delay_seconds(px),
                    normalised,
                    by_px: camera.intrinsics.normalised_by_px(&normalised)?,
                })
            })
            .collect();
        sightings.sort_by(|a, b| a.seen_seconds.total_cmp(&b.seen_seconds));
        sightings.dedup_by(|a, b| a.seen_seconds - b.seen_seconds < 1e-9);
        Self { sightings, longest_gap_seconds: LONGEST_GAP * spacing_seconds }
    }

    /// Where the point was at a presentation time: cubic through four neighbours (Lagrange), linear at the edge of a gap;
    /// `None` in a gap and outside the path.
    pub(crate) fn at(&self, seconds: f64) -> Option<Sighting> {
        let after = self.sightings.partition_point(|s| s.seen_seconds <= seconds);
        let (b, c) = (self.sightings.get(after.checked_sub(1)?)?, self.sightings.get(after)?);
        let joined = |x: &Sighting, y: &Sighting| y.seen_seconds - x.seen_seconds <= self.longest_gap_seconds;
        if !joined(b, c) {
            return None;
        }
        let a = after.checked_sub(2).and_then(|i| self.sightings.get(i)).filter(|a| joined(a, b));
        let d = self.sightings.get(after + 1).filter(|d| joined(c, d));
        let near: Vec<&Sighting> = match (a, d) {
            (Some(a), Some(d)) => vec![a, b, c, d],
            _ => vec![b, c],
        };
        let normalised = near
            .iter()
            .enumerate()
            .map(|(i, s)| {
                let weight: f64 = near
                    .iter()
                    .enumerate()
                    .filter(|(j, _)| *j != i)
                    .map(|(_, o)| (seconds - o.seen_seconds) / (s.seen_seconds - o.seen_seconds))
                    .product();
                s.normalised * weight
            })
            .sum();
        let nearer = if seconds - b.seen_seconds < c.seen_seconds - seconds { b } else { c };
        Some(Sighting { seen_seconds: seconds, normalised, by_px: nearer.by_px })
    }

    /// Speed in pixels per second around a sighting; 0 where it has no neighbour.
    pub(crate) fn speed_px(&self, index: usize) -> f64 {
        let (Some(here), Some(next)) = (self.sightings.get(index), self.sightings.get(index + 1)) else { return 0.0 };
        let seconds = next.seen_seconds - here.seen_seconds;
        if seconds > self.longest_gap_seconds {
            return 0.0;
        }
        let moved = here.by_px.try_inverse().unwrap_or_else(Matrix2::zeros) * (next.normalised - here.normalised);
        moved.norm() / seconds
    }
}

/// Median spacing of the frames of `keypoints` in seconds; `None` with fewer than two.
pub(crate) fn spacing_seconds(keypoints: &Keypoints) -> Option<f64> {
    let spacing: Vec<f64> = keypoints.frames.windows(2).map(|w| w[1].pts_seconds - w[0].pts_seconds).collect();
    (!spacing.is_empty()).then(|| crate::level::median(&spacing)).filter(|s| *s > 0.0)
}
