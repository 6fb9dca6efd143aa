//! One keypoint's path through the picture of one camera, read between its frames.

use midline_geometry::Camera;
use midline_session::keypoints::Keypoints;
use nalgebra::{Matrix2, Matrix3, Vector2};

/// A gap between two sightings above this multiple of the usual spacing is not bridged.
const LONGEST_GAP: f64 = 2.5;
/// Sightings within this many spacings of an instant tell where the point was.
const REACH: f64 = 3.0;
/// Sightings that a quadratic needs.
const QUADRATIC: usize = 4;

/// One sighting, freed of lens distortion.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sighting {
    /// Presentation time at which its row was exposed, seconds.
    pub(crate) seen_seconds: f64,
    /// Normalised coordinates `(x/z, y/z)`.
    pub(crate) normalised: Vector2<f64>,
    /// ∂normalised/∂pixel.
    pub(crate) by_px: Matrix2<f64>,
    /// Variance of its noise over that of one detection; below 1 where several are combined.
    pub(crate) variance: f64,
}

/// All sightings of one point by one camera, in order of time.
#[derive(Debug, Clone, Default)]
pub(crate) struct Path {
    pub(crate) sightings: Vec<Sighting>,
    spacing_seconds: f64,
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
                    variance: 1.0,
                })
            })
            .collect();
        sightings.sort_by(|a, b| a.seen_seconds.total_cmp(&b.seen_seconds));
        sightings.dedup_by(|a, b| a.seen_seconds - b.seen_seconds < 1e-9);
        Self { sightings, spacing_seconds }
    }

    /// Where the point was at a presentation time; `None` in a gap and outside the path.
    ///
    /// A quadratic is fitted to the sightings within [`REACH`] spacings, weighted by their nearness (local polynomial
    /// regression, Cleveland 1979), or a line where they are few. Interpolating instead would make the noise depend on how
    /// far the instant is from a sighting, which pulls a matching offset toward the middle between frames.
    pub(crate) fn at(&self, seconds: f64) -> Option<Sighting> {
        let after = self.sightings.partition_point(|s| s.seen_seconds <= seconds);
        let (before, next) = (self.sightings.get(after.checked_sub(1)?)?, self.sightings.get(after)?);
        if !self.joined(before, next) {
            return None;
        }
        let reach = REACH * self.spacing_seconds;
        let (mut from, mut to) = (after - 1, after + 1);
        while from > 0
            && seconds - self.sightings[from - 1].seen_seconds < reach
            && self.joined(&self.sightings[from - 1], &self.sightings[from])
        {
            from -= 1;
        }
        while to < self.sightings.len()
            && self.sightings[to].seen_seconds - seconds < reach
            && self.joined(&self.sightings[to - 1], &self.sightings[to])
        {
            to += 1;
        }
        let near = &self.sightings[from..to];
        let shares = shares(near, seconds, reach).or_else(|| {
            let share = (seconds - before.seen_seconds) / (next.seen_seconds - before.seen_seconds);
            let mut line = vec![0.0; near.len()];
            *line.get_mut(after - 1 - from)? = 1.0 - share;
            *line.get_mut(after - from)? = share;
            Some(line)
        })?;
        let nearer = if seconds - before.seen_seconds < next.seen_seconds - seconds { before } else { next };
        Some(Sighting {
            seen_seconds: seconds,
            normalised: near.iter().zip(&shares).map(|(s, share)| s.normalised * *share).sum(),
            by_px: nearer.by_px,
            variance: shares.iter().map(|share| share * share).sum(),
        })
    }

    /// The path read once and for all at even instants.
    pub(crate) fn sampled(&self, step_seconds: f64) -> Sampled {
        let (Some(first), Some(last)) = (self.sightings.first(), self.sightings.last()) else {
            return Sampled::default();
        };
        let count = ((last.seen_seconds - first.seen_seconds) / step_seconds) as usize + 1;
        let at = |k: usize| self.at(first.seen_seconds + k as f64 * step_seconds);
        Sampled { start_seconds: first.seen_seconds, step_seconds, sightings: (0..count).map(at).collect() }
    }

    fn joined(&self, earlier: &Sighting, later: &Sighting) -> bool {
        later.seen_seconds - earlier.seen_seconds <= LONGEST_GAP * self.spacing_seconds
    }

    /// Speed in pixels per second around a sighting; 0 where it has no neighbour.
    pub(crate) fn speed_px(&self, index: usize) -> f64 {
        let (Some(here), Some(next)) = (self.sightings.get(index), self.sightings.get(index + 1)) else { return 0.0 };
        let seconds = next.seen_seconds - here.seen_seconds;
        if !self.joined(here, next) {
            return 0.0;
        }
        let moved = here.by_px.try_inverse().unwrap_or_else(Matrix2::zeros) * (next.normalised - here.normalised);
        moved.norm() / seconds
    }
}

/// A path at even instants, quick to read.
#[derive(Debug, Clone, Default)]
pub(crate) struct Sampled {
    start_seconds: f64,
    step_seconds: f64,
    sightings: Vec<Option<Sighting>>,
}

impl Sampled {
    /// Where the point was, on the line between the two instants around; `None` in a gap and outside.
    pub(crate) fn at(&self, seconds: f64) -> Option<Sighting> {
        let position = (seconds - self.start_seconds) / self.step_seconds;
        if position.is_nan() || position < 0.0 {
            return None;
        }
        let index = position as usize;
        let (before, after) = (self.sightings.get(index)?.as_ref()?, self.sightings.get(index + 1)?.as_ref()?);
        let share = position - index as f64;
        Some(Sighting {
            seen_seconds: seconds,
            normalised: before.normalised + share * (after.normalised - before.normalised),
            by_px: before.by_px,
            variance: before.variance,
        })
    }
}

/// Median spacing of the frames of `keypoints` in seconds; `None` with fewer than two.
pub(crate) fn spacing_seconds(keypoints: &Keypoints) -> Option<f64> {
    let spacing: Vec<f64> = keypoints.frames.windows(2).map(|w| w[1].pts_seconds - w[0].pts_seconds).collect();
    (!spacing.is_empty()).then(|| crate::level::median(&spacing)).filter(|s| *s > 0.0)
}

/// How much each sighting counts for the place at an instant: the value there of the quadratic fitted with tricube weights.
/// `None` where they are too few or all on one side.
fn shares(near: &[Sighting], seconds: f64, reach: f64) -> Option<Vec<f64>> {
    if near.len() < QUADRATIC {
        return None;
    }
    let at: Vec<(f64, f64)> = near
        .iter()
        .map(|s| {
            let u = (s.seen_seconds - seconds) / reach;
            (u, (1.0 - u.abs().min(1.0).powi(3)).powi(3))
        })
        .collect();
    let moment = |power: i32| -> f64 { at.iter().map(|(u, w)| w * u.powi(power)).sum() };
    let normal = Matrix3::new(
        moment(0),
        moment(1),
        moment(2), //
        moment(1),
        moment(2),
        moment(3), //
        moment(2),
        moment(3),
        moment(4),
    );
    let value = normal.try_inverse()?.row(0).into_owned();
    let shares: Vec<f64> = at.iter().map(|(u, w)| w * (value[0] + value[1] * u + value[2] * u * u)).collect();
    // A quadratic that leans far beyond its points says less than a line through the nearest two.
    (shares.iter().map(|s| s * s).sum::<f64>() <= 1.0).then_some(shares)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn path(times: &[f64], place: impl Fn(f64) -> [f64; 2]) -> Path {
        let sighting = |t: &f64| Sighting {
            seen_seconds: *t,
            normalised: place(*t).into(),
            by_px: Matrix2::identity(),
            variance: 1.0,
        };
        Path { sightings: times.iter().map(sighting).collect(), spacing_seconds: 0.01 }
    }

    #[test]
    fn a_parabola_is_read_exactly_and_noise_hardly_depends_on_the_instant() {
        let times: Vec<f64> = (0..30).map(|k| f64::from(k) * 0.01).collect();
        let path = path(&times, |t| [1.0 + 3.0 * t - 20.0 * t * t, -2.0 * t]);
        let mut variances = Vec::new();
        for k in 0..20 {
            let t = 0.1 + 0.000_5 * f64::from(k);
            let read = path.at(t).unwrap();
            assert!((read.normalised.x - (1.0 + 3.0 * t - 20.0 * t * t)).abs() < 1e-12);
            assert!((read.normalised.y + 2.0 * t).abs() < 1e-12);
            variances.push(read.variance);
        }
        let (least, most) =
            (variances.iter().copied().fold(1.0, f64::min), variances.iter().copied().fold(0.0, f64::max));
        println!("variance over one detection's: {least:.3} to {most:.3}");
        assert!(most < 1.1 * least && most < 0.6);
    }

    #[test]
    fn a_gap_is_not_bridged_and_ends_are_not_passed() {
        let path = path(&[0.0, 0.01, 0.02, 0.03, 0.06, 0.07], |t| [t, 0.0]);
        assert!(path.at(0.045).is_none() && path.at(-0.001).is_none() && path.at(0.071).is_none());
        assert!((path.at(0.065).unwrap().normalised.x - 0.065).abs() < 1e-12);
        assert!((path.at(0.0).unwrap().normalised.x).abs() < 1e-12);
    }
}
