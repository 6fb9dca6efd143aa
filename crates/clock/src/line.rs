//! A robust straight line through offsets over time.

use crate::level::{median, robust_sd};

/// Prior standard deviation of a clock's rate error: crystals of phones are within some tens of parts per million (common
/// practice).
pub(crate) const RATE_SD: f64 = 50e-6;

/// Residuals are never trusted below this, seconds: about one sample at 48 kHz.
const LEAST_SCALE_SECONDS: f64 = 20e-6;

/// Cauchy's tuning constant (95 % efficiency on normal residuals).
const CAUCHY: f64 = 2.385;

/// Passes of iteratively reweighted least squares.
const PASSES: usize = 30;

/// `y = level + slope · (x - centre)` with its covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Line {
    pub(crate) centre: f64,
    pub(crate) level: f64,
    pub(crate) slope: f64,
    /// Covariance of (level, slope).
    pub(crate) covariance: [[f64; 2]; 2],
}

impl Line {
    pub(crate) fn at(&self, x: f64) -> f64 {
        self.level + self.slope * (x - self.centre)
    }
}

/// Fits a line: start by Theil-Sen (Theil 1950, Sen 1968: the median of the slopes between pairs, which a quarter of wrong
/// points does not move), then least squares reweighted with Cauchy's loss, the slope with its prior. The covariance is the
/// one of a robust estimate (Huber, Robust Statistics, 1981, 7.6) and takes the scatter of the points, so it is wide when
/// they are few or disagree. `None` with fewer than two points.
pub(crate) fn fit(points: &[(f64, f64)]) -> Option<Line> {
    if points.len() < 2 {
        return None;
    }
    let n = points.len() as f64;
    let centre = points.iter().map(|p| p.0).sum::<f64>() / n;
    let spread = points.iter().map(|p| (p.0 - centre).abs()).fold(0.0, f64::max);
    let slopes: Vec<f64> = points
        .iter()
        .enumerate()
        .flat_map(|(i, a)| points[i + 1..].iter().map(move |b| (b.0 - a.0, b.1 - a.1)))
        // Neighbours tell little about the slope and much about the noise.
        .filter(|(dx, _)| dx.abs() > 0.2 * spread)
        .map(|(dx, dy)| dy / dx)
        .collect();
    let mut slope = median(&slopes).clamp(-3.0 * RATE_SD, 3.0 * RATE_SD);
    let mut level = median(&points.iter().map(|(x, y)| y - slope * (x - centre)).collect::<Vec<_>>());
    let mut covariance = [[0.0; 2]; 2];
    for _ in 0..PASSES {
        let residuals: Vec<f64> = points.iter().map(|(x, y)| y - level - slope * (x - centre)).collect();
        let scale = CAUCHY * robust_sd(&residuals, 0.0).max(LEAST_SCALE_SECONDS);
        let weights: Vec<f64> = residuals.iter().map(|r| 1.0 / (1.0 + (r / scale).powi(2))).collect();
        // Variance of one point: Σψ²/(n - 2) over the square of the mean slope of ψ, ψ = w r.
        let influence: f64 = residuals.iter().zip(&weights).map(|(r, w)| (w * r).powi(2)).sum();
        let slope_of_influence: f64 =
            residuals.iter().zip(&weights).map(|(r, w)| (1.0 - (r / scale).powi(2)) * w * w).sum::<f64>() / n;
        let variance =
            (influence / (n - 2.0).max(1.0) / slope_of_influence.max(0.1).powi(2)).max(LEAST_SCALE_SECONDS.powi(2));
        let prior = 1.0 / (RATE_SD * RATE_SD);
        let sum = |f: &dyn Fn(f64, f64) -> f64| -> f64 {
            points.iter().zip(&weights).map(|((x, y), w)| w * f(x - centre, *y)).sum()
        };
        // Weighted so that all points together count as n.
        let share = n / (sum(&|_, _| 1.0) * variance);
        let normal = [share * sum(&|_, _| 1.0), share * sum(&|x, _| x), share * sum(&|x, _| x * x) + prior];
        let inverse = inverted(normal)?;
        let (by_level, by_slope) = (share * sum(&|_, y| y), share * sum(&|x, y| x * y));
        level = inverse[0][0] * by_level + inverse[0][1] * by_slope;
        slope = inverse[1][0] * by_level + inverse[1][1] * by_slope;
        let squares: f64 = points.iter().map(|p| (p.0 - centre).powi(2)).sum();
        covariance = inverted([n / variance, 0.0, squares / variance + prior])?;
    }
    Some(Line { centre, level, slope, covariance })
}

/// The inverse of the symmetric matrix `[[a, b], [b, c]]`, given as `[a, b, c]`.
fn inverted([a, b, c]: [f64; 3]) -> Option<[[f64; 2]; 2]> {
    let determinant = a * c - b * b;
    (determinant > 0.0).then(|| [[c / determinant, -b / determinant], [-b / determinant, a / determinant]])
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn the_line_survives_wrong_points_and_its_intervals_cover() {
        let mut random = StdRng::seed_from_u64(1);
        let (mut level_covered, mut slope_covered) = (0, 0);
        let rounds = 400;
        for _ in 0..rounds {
            let points: Vec<(f64, f64)> = (0..40)
                .map(|k| {
                    let x = 100.0 + 1.5 * f64::from(k);
                    let noise: f64 = StandardNormal.sample(&mut random);
                    let wrong = if k % 5 == 0 { random.random_range(-0.03..0.03) } else { 0.0 };
                    (x, 2.37 + 30e-6 * x + 1e-4 * noise + wrong)
                })
                .collect();
            let line = fit(&points).unwrap();
            let truth = 2.37 + 30e-6 * line.centre;
            level_covered += usize::from((line.level - truth).abs() < 1.96 * line.covariance[0][0].sqrt());
            slope_covered += usize::from((line.slope - 30e-6).abs() < 1.96 * line.covariance[1][1].sqrt());
        }
        let share = |n: usize| n as f64 / f64::from(rounds);
        println!("95 % intervals cover: level {:.3}, slope {:.3}", share(level_covered), share(slope_covered));
        assert!((0.90..0.99).contains(&share(level_covered)) && (0.90..0.99).contains(&share(slope_covered)));
    }

    #[test]
    fn a_short_stretch_falls_back_on_the_prior_and_says_so() {
        let points: Vec<(f64, f64)> =
            (0..8).map(|k| (f64::from(k) * 0.1, 1.0 + if k % 2 == 0 { 1e-3 } else { -1e-3 })).collect();
        let line = fit(&points).unwrap();
        let sd = line.covariance[1][1].sqrt();
        assert!(sd > 0.9 * RATE_SD && sd <= RATE_SD && line.slope.abs() < RATE_SD, "{line:?}");
    }
}
