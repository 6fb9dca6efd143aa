//! One point's track in one camera as a time series, and its value at any instant.
//!
//! Local polynomial interpolation (Lagrange): cubic through the four neighbours where the frames are dense, linear through
//! two elsewhere. The value is a linear combination of the neighbours, so its variance is the same combination with
//! squared weights; neighbouring frames are taken as independent.

use midline_session::calibration::CalibratedCamera;
use midline_session::keypoints::Keypoints;
use midline_session::lift_quality::ScoreCurve;
use nalgebra::Vector2;

use crate::score_curves::{MOST_NODES, Share};

/// A gap longer than this many median frame spacings is never bridged.
const LONGEST_GAP_SPACINGS: f64 = 2.5;

/// Frames closer than this many median spacings are dense enough for the cubic.
const DENSE_SPACINGS: f64 = 1.5;

/// A point seen in one frame.
#[derive(Debug, Clone, Copy)]
struct Sample {
    seconds: f64,
    px: Vector2<f64>,
    score: f64,
    variance_px2: f64,
}

/// The value of a series at an instant.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Interpolated {
    pub(crate) px: Vector2<f64>,
    pub(crate) velocity_px_per_second: Vector2<f64>,
    pub(crate) sd_px: f64,
    /// The frames that it is made of, by the squares of their weights.
    pub(crate) shares: [Share; MOST_NODES],
}

/// One point of one camera, at the instants at which its rows were exposed.
#[derive(Debug, Clone)]
pub(crate) struct Series {
    samples: Vec<Sample>,
    spacing_seconds: f64,
}

impl Series {
    /// The series of column `column` of a camera's keypoints.
    pub(crate) fn new(camera: &CalibratedCamera, keypoints: &Keypoints, column: usize, noise: &ScoreCurve) -> Self {
        let mut samples: Vec<Sample> = keypoints
            .frames
            .iter()
            .filter_map(|frame| {
                let point = frame.points.get(column).copied().flatten()?;
                let seconds = camera.seen_at_seconds(frame.pts_seconds, point.px);
                let usable = seconds.is_finite() && point.px.iter().all(|v| v.is_finite()) && point.score.is_finite();
                usable.then(|| Sample {
                    seconds,
                    px: point.px.into(),
                    score: point.score,
                    variance_px2: noise.sd_px(point.score).powi(2),
                })
            })
            .collect();
        samples.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
        samples.dedup_by(|later, earlier| later.seconds - earlier.seconds < 1e-9);
        let mut spacings: Vec<f64> =
            keypoints.frames.windows(2).map(|w| (w[1].pts_seconds - w[0].pts_seconds) * camera.clock.rate).collect();
        spacings.sort_by(f64::total_cmp);
        Self { samples, spacing_seconds: spacings.get(spacings.len() / 2).copied().unwrap_or(0.0) }
    }

    /// First and last instant; `None` when the point was never seen.
    pub(crate) fn span_seconds(&self) -> Option<[f64; 2]> {
        Some([self.samples.first()?.seconds, self.samples.last()?.seconds])
    }

    /// The value at an instant; `None` outside the series and in a long gap.
    pub(crate) fn at(&self, seconds: f64) -> Option<Interpolated> {
        // The first sample has no left neighbour and stands in for it.
        let after = self.samples.partition_point(|s| s.seconds < seconds).max(1);
        let (left, right) = (after - 1, after);
        if right >= self.samples.len()
            || seconds < self.samples[left].seconds - 1e-12
            || self.gap(left) > LONGEST_GAP_SPACINGS
        {
            return None;
        }
        let dense = |first: usize| self.gap(first) <= DENSE_SPACINGS;
        let cubic = left > 0 && right + 1 < self.samples.len() && (left - 1..=right).all(dense);
        let nodes = if cubic { left - 1..right + 2 } else { left..right + 1 };
        Some(self.combined(seconds, nodes))
    }

    /// Length of the gap after a sample in median frame spacings.
    fn gap(&self, first: usize) -> f64 {
        (self.samples[first + 1].seconds - self.samples[first].seconds) / self.spacing_seconds
    }

    fn combined(&self, seconds: f64, nodes: std::ops::Range<usize>) -> Interpolated {
        let nodes = &self.samples[nodes];
        let mut sum = Interpolated {
            px: Vector2::zeros(),
            velocity_px_per_second: Vector2::zeros(),
            sd_px: 0.0,
            shares: Default::default(),
        };
        let mut variance = 0.0;
        for (j, node) in nodes.iter().enumerate() {
            let (weight, slope) = lagrange(nodes, j, seconds);
            sum.px += node.px * weight;
            sum.velocity_px_per_second += node.px * slope;
            variance += node.variance_px2 * weight * weight;
            sum.shares[j] = Share { weight: weight * weight, score: node.score };
        }
        sum.sd_px = variance.sqrt();
        sum
    }
}

/// Value and slope at `seconds` of the polynomial that is 1 at node `j` and 0 at the others.
fn lagrange(nodes: &[Sample], j: usize, seconds: f64) -> (f64, f64) {
    let others = || nodes.iter().enumerate().filter(move |(m, _)| *m != j);
    let span = |m: &Sample| nodes[j].seconds - m.seconds;
    let value = others().map(|(_, m)| (seconds - m.seconds) / span(m)).product();
    let slope = others()
        .map(|(m, node)| {
            let rest: f64 = others().filter(|(l, _)| *l != m).map(|(_, l)| (seconds - l.seconds) / span(l)).product();
            rest / span(node)
        })
        .sum();
    (value, slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(seconds: &[f64], px: impl Fn(f64) -> f64) -> Series {
        let samples = seconds
            .iter()
            .map(|&s| Sample { seconds: s, px: Vector2::new(px(s), -px(s)), score: 0.8, variance_px2: 4.0 })
            .collect();
        Series { samples, spacing_seconds: 0.1 }
    }

    fn every_tenth(count: usize) -> Vec<f64> {
        (0..count).map(|i| i as f64 * 0.1).collect()
    }

    #[test]
    fn a_cubic_and_its_slope_are_reproduced_between_uneven_samples() {
        let cubic = |t: f64| 3.0 - 20.0 * t + 55.0 * t * t - 31.0 * t * t * t;
        let seconds: Vec<f64> = every_tenth(10).iter().enumerate().map(|(i, t)| t + 0.02 * (i as f64).sin()).collect();
        let series = series(&seconds, cubic);
        for t in [0.15, 0.333, 0.5, 0.78] {
            let found = series.at(t).unwrap();
            assert!((found.px.x - cubic(t)).abs() < 1e-12);
            assert!((found.px.y + cubic(t)).abs() < 1e-12);
            let slope = -20.0 + 110.0 * t - 93.0 * t * t;
            assert!((found.velocity_px_per_second.x - slope).abs() < 1e-10);
        }
    }

    #[test]
    fn variance_is_that_of_the_weights() {
        let series = series(&every_tenth(6), |t| t);
        // Halfway, the cubic's weights are (-1, 9, 9, -1) / 16: variance 4 · 164 / 256.
        assert!((series.at(0.25).unwrap().sd_px.powi(2) - 4.0 * 164.0 / 256.0).abs() < 1e-12);
        // In the first gap there are only two neighbours: variance 4 / 2.
        assert!((series.at(0.05).unwrap().sd_px.powi(2) - 2.0).abs() < 1e-12);
        assert!((series.at(0.2).unwrap().sd_px - 2.0).abs() < 1e-12);
        assert!((series.at(0.0).unwrap().sd_px - 2.0).abs() < 1e-12);
    }

    #[test]
    fn a_long_gap_is_not_bridged_and_a_short_one_linearly() {
        let mut seconds = every_tenth(12);
        seconds.retain(|t| (t - 0.3).abs() > 0.01 && !(0.65..0.85).contains(t));
        let series = series(&seconds, |t| t * t);
        // One frame is missing at 0.3: the straight line from 0.2 to 0.4.
        assert!((series.at(0.3).unwrap().px.x - 0.1).abs() < 1e-12);
        // Two frames are missing at 0.7 and 0.8: a gap of three spacings.
        assert!(series.at(0.75).is_none());
        assert!(series.at(-0.01).is_none());
        assert!(series.at(1.11).is_none());
    }
}
