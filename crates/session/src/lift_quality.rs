//! How good the points per instant are, and why: the noise of the pixels by the detector's score, and what makes up the uncertainty.

use serde::{Deserialize, Serialize};

use crate::motion::SdParts;

/// Standard deviation of a pixel coordinate by the detector's score: `sd_px · (at_score / score)^exponent`, the score held
/// within `scores`. It never rises with the score.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ScoreCurve {
    /// Standard deviation per coordinate at the score `at_score`, pixels.
    pub sd_px: f64,
    /// Score in the middle of those that the curve rests on, where it is known best.
    pub at_score: f64,
    /// 0 when the score says nothing; 1 when halving it doubles the standard deviation.
    pub exponent: f64,
    /// Lowest and highest score that the curve rests on; beyond them it is level.
    pub scores: [f64; 2],
}

impl ScoreCurve {
    /// Scores below this are counted as this.
    pub const LOWEST_SCORE: f64 = 0.1;

    /// What is assumed before anything is known: the standard deviation grows as 1 / score. A guess at the right order of
    /// magnitude, not a measurement.
    #[must_use]
    pub fn assumed(sd_px_at_full_score: f64) -> Self {
        Self { sd_px: sd_px_at_full_score, at_score: 1.0, exponent: 1.0, scores: [Self::LOWEST_SCORE, 1.0] }
    }

    /// Standard deviation of a coordinate at a score, pixels.
    #[must_use]
    pub fn sd_px(&self, score: f64) -> f64 {
        let [low, high] = self.scores;
        self.sd_px * (self.at_score / score.max(low).min(high)).powf(self.exponent)
    }
}

/// A curve with what it rests on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PixelNoise {
    /// The curve.
    pub curve: ScoreCurve,
    /// Residuals of this keypoint that it was estimated from; with 0 it is what all keypoints have in common, or the assumed
    /// one.
    pub residuals: usize,
    /// Standard deviation of the natural logarithm of `curve.sd_px`.
    pub log_sd_error: f64,
    /// Standard deviation of `curve.exponent`.
    pub exponent_error: f64,
    /// Share of the residuals beyond 3 standard deviations (0.3 % for Gaussian noise), which did not count.
    pub beyond: f64,
}

/// One keypoint in the lift.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointQuality {
    /// The keypoint.
    pub name: String,
    /// Noise of its pixels.
    pub noise: PixelNoise,
    /// Instants at which it was measured.
    pub measured: usize,
    /// Instants at which two or more cameras saw it, but contradicted each other or met at too small an angle.
    pub refused: usize,
    /// Median over the instants of its standard deviation by origin, metres; `None` when it was never measured.
    pub sd_m: Option<SdParts>,
}

/// Quality of the points per instant.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LiftQuality {
    /// What was noticed and done, one sentence each.
    pub remarks: Vec<String>,
    /// One per keypoint.
    pub points: Vec<PointQuality>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_assumed_curve_is_one_over_the_score() {
        let curve = ScoreCurve::assumed(1.5);
        for (score, sd_px) in [(1.0, 1.5), (0.5, 3.0), (0.1, 15.0), (0.0, 15.0), (1.7, 1.5)] {
            assert!((curve.sd_px(score) - sd_px).abs() < 1e-12);
        }
    }
}
