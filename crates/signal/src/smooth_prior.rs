//! Estimation at and beyond the end of the samples, where a polynomial runs away: a straight line of unknown course plus a smooth
//! random curve of known size and time scale.
//!
//! Gaussian-process regression with a squared-exponential kernel and a linear mean of unknown coefficients (Rasmussen &
//! Williams 2006, "Gaussian Processes for Machine Learning", sections 2.2 and 2.7). The estimate is linear in the samples; its
//! standard deviation counts both their noise and what the curve may do between and beyond them.

use nalgebra::{DMatrix, DVector, Dyn, Matrix2, Vector2, linalg::Cholesky};

/// How far and how fast the curve departs from a straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SmoothPrior {
    /// Standard deviation of the departure, in the samples' unit.
    pub amplitude: f64,
    /// Time over which it changes: the kernel is `amplitude² exp(-Δt² / (2 length²))`, seconds.
    pub length_seconds: f64,
}

/// Coefficients of the samples for the value and the slope at one instant, with their uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct SmoothEstimate {
    /// Coefficients of the value, one per sample.
    pub value: Vec<f64>,
    /// Coefficients of the slope, 1/s.
    pub slope: Vec<f64>,
    /// Standard deviation of the value from what the curve may do, without the samples' noise; in the samples' unit.
    pub value_doubt: f64,
    /// The same for the slope, per second.
    pub slope_doubt: f64,
}

/// Samples that estimates are made from; the factorisation is shared between instants.
#[derive(Debug, Clone)]
pub struct SmoothFit {
    seconds: Vec<f64>,
    variances: Vec<f64>,
    prior: SmoothPrior,
    factor: Cholesky<f64, Dyn>,
    /// Inverse covariance times the columns 1 and t.
    solved_line: DMatrix<f64>,
    /// Covariance of the line's coefficients.
    line_covariance: Matrix2<f64>,
}

impl SmoothFit {
    /// `None` with fewer than three samples, when lengths differ, when a variance or the prior is not positive and finite, or
    /// when times coincide.
    #[must_use]
    pub fn new(seconds: &[f64], variances: &[f64], prior: SmoothPrior) -> Option<Self> {
        let n = seconds.len();
        let positive = |x: &f64| x.is_finite() && *x > 0.0;
        let usable = n >= 3
            && variances.len() == n
            && variances.iter().all(positive)
            && positive(&prior.amplitude)
            && positive(&prior.length_seconds)
            && seconds.iter().all(|t| t.is_finite());
        if !usable {
            return None;
        }
        let covariance = DMatrix::from_fn(n, n, |i, j| {
            prior.kernel(seconds[i] - seconds[j]) + if i == j { variances[i] } else { 0.0 }
        });
        let factor = covariance.cholesky()?;
        let origin = seconds[n - 1];
        let line = DMatrix::from_fn(n, 2, |i, k| if k == 0 { 1.0 } else { seconds[i] - origin });
        let solved_line = factor.solve(&line);
        let normal = line.tr_mul(&solved_line);
        let line_covariance = normal.fixed_view::<2, 2>(0, 0).into_owned().try_inverse()?;
        Some(Self {
            seconds: seconds.to_vec(),
            variances: variances.to_vec(),
            prior,
            factor,
            solved_line,
            line_covariance,
        })
    }

    /// Logarithm of how likely these samples are under the prior, the line's coefficients integrated out (restricted
    /// likelihood: Rasmussen & Williams 2006, equation 2.45), up to a constant that does not depend on the prior; `None`
    /// when the number of samples does not match.
    #[must_use]
    pub fn log_evidence(&self, samples: &[f64]) -> Option<f64> {
        if samples.len() != self.seconds.len() {
            return None;
        }
        let y = DVector::from_column_slice(samples);
        let seen = self.solved_line.tr_mul(&y);
        let misfit = y.dot(&self.factor.solve(&y)) - seen.dot(&(self.line_covariance * &seen));
        let log_determinant = 2.0 * self.factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        Some(-0.5 * (misfit + log_determinant - self.line_covariance.determinant().ln()))
    }

    /// The estimate at an instant, inside or outside the samples.
    #[must_use]
    pub fn at(&self, seconds: f64) -> SmoothEstimate {
        let origin = self.seconds.last().copied().unwrap_or(0.0);
        let squared = self.prior.length_seconds.powi(2);
        let kernel = |t: &f64| self.prior.kernel(seconds - t);
        let value_kernel = DVector::from_iterator(self.seconds.len(), self.seconds.iter().map(kernel));
        let slope_kernel = DVector::from_iterator(
            self.seconds.len(),
            self.seconds.iter().map(|t| -(seconds - t) / squared * kernel(t)),
        );
        let amplitude_squared = self.prior.amplitude.powi(2);
        let (value, value_doubt) =
            self.functional(&value_kernel, Vector2::new(1.0, seconds - origin), amplitude_squared);
        let (slope, slope_doubt) = self.functional(&slope_kernel, Vector2::new(0.0, 1.0), amplitude_squared / squared);
        SmoothEstimate { value, slope, value_doubt, slope_doubt }
    }

    /// Coefficients and doubt of a linear functional with covariances `kernel` to the samples, `line` on the straight line's
    /// coefficients, and prior variance `own`.
    fn functional(&self, kernel: &DVector<f64>, line: Vector2<f64>, own: f64) -> (Vec<f64>, f64) {
        let solved = self.factor.solve(kernel);
        let seen = self.solved_line.tr_mul(kernel);
        let unseen = line - Vector2::new(seen[0], seen[1]);
        let correction = self.line_covariance * unseen;
        let coefficients: Vec<f64> = (0..self.seconds.len())
            .map(|i| solved[i] + self.solved_line[(i, 0)] * correction[0] + self.solved_line[(i, 1)] * correction[1])
            .collect();
        let total = own - kernel.dot(&solved) + unseen.dot(&correction);
        let noise: f64 = coefficients.iter().zip(&self.variances).map(|(a, v)| a * a * v).sum();
        (coefficients, (total - noise).max(0.0).sqrt())
    }
}

impl SmoothPrior {
    fn kernel(&self, gap_seconds: f64) -> f64 {
        self.amplitude.powi(2) * (-0.5 * (gap_seconds / self.length_seconds).powi(2)).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn apply(coefficients: &[f64], samples: &[f64]) -> f64 {
        coefficients.iter().zip(samples).map(|(a, x)| a * x).sum()
    }

    const PRIOR: SmoothPrior = SmoothPrior { amplitude: 0.2, length_seconds: 0.08 };

    #[test]
    fn two_samples_on_a_kernel_follow_the_formula_by_hand() {
        // With samples symmetric about 0 and a very uncertain middle one, the estimate at 0 is the mean of the outer two: the
        // line takes it all, and the doubt is that of the kernel: a² (1 + (1 + k(2h))/2 - 2 k(h)) with k for amplitude 1.
        let fit = SmoothFit::new(&[-0.05, 0.0, 0.05], &[1e-10, 1e10, 1e-10], PRIOR).unwrap();
        let estimate = fit.at(0.0);
        assert!((estimate.value[0] - 0.5).abs() < 1e-6 && (estimate.value[2] - 0.5).abs() < 1e-6, "{estimate:?}");
        let k = |gap: f64| (-0.5 * (gap / 0.08_f64).powi(2)).exp();
        let expected = 0.2 * (1.0 + (1.0 + k(0.1)) / 2.0 - 2.0 * k(0.05)).sqrt();
        assert!((estimate.value_doubt - expected).abs() < 1e-6, "{} {expected}", estimate.value_doubt);
    }

    #[test]
    fn far_from_the_samples_the_curve_is_unknown_again() {
        let seconds: Vec<f64> = (0..20).map(|i| f64::from(i) * 0.01).collect();
        let fit = SmoothFit::new(&seconds, &[1e-4; 20], PRIOR).unwrap();
        let inside = fit.at(0.1);
        let outside = fit.at(0.35);
        assert!(inside.value_doubt < 0.005 && outside.value_doubt > 0.19, "{inside:?} {outside:?}");
        assert!(outside.slope_doubt > inside.slope_doubt);
    }

    #[test]
    fn evidence_matches_the_density_of_the_samples_differences() {
        // Three even samples: integrating out the line leaves the second difference, a normal number with variance
        // d' K d, d = (1, -2, 1). Ratios of evidence between two priors must be those of its density.
        let (seconds, variances, samples) = ([0.0, 0.03, 0.06], [1e-3; 3], [0.1, 0.4, -0.2]);
        let difference: f64 = samples[0] - 2.0 * samples[1] + samples[2];
        let by_hand = |prior: SmoothPrior| {
            let k = |gap: f64| prior.kernel(gap);
            let variance = 6.0 * (k(0.0) + 1e-3) - 8.0 * k(0.03) + 2.0 * k(0.06);
            -0.5 * (difference * difference / variance + variance.ln())
        };
        let ours = |prior| SmoothFit::new(&seconds, &variances, prior).unwrap().log_evidence(&samples).unwrap();
        let wide = SmoothPrior { amplitude: 0.7, length_seconds: 0.05 };
        assert!((ours(PRIOR) - ours(wide) - (by_hand(PRIOR) - by_hand(wide))).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_fitted_is_none() {
        assert!(SmoothFit::new(&[0.0, 1.0], &[1.0, 1.0], PRIOR).is_none());
        assert!(SmoothFit::new(&[0.0, 0.1, 0.2], &[1.0, 0.0, 1.0], PRIOR).is_none());
        assert!(SmoothFit::new(&[0.0, 0.1, f64::NAN], &[1.0; 3], PRIOR).is_none());
        assert!(SmoothFit::new(&[0.1, 0.1, 0.1], &[1.0; 3], PRIOR).is_none());
    }

    proptest! {
        #[test]
        fn straight_lines_are_reproduced(
            a in -3.0..3.0f64, b in -30.0..30.0f64, at in -0.05..0.3f64,
            gaps in prop::collection::vec(0.004..0.02f64, 4..15),
        ) {
            let mut seconds = vec![0.0];
            seconds.extend(gaps.iter().scan(0.0, |t, gap| { *t += gap; Some(*t) }));
            let samples: Vec<f64> = seconds.iter().map(|t| a + b * t).collect();
            let estimate = SmoothFit::new(&seconds, &vec![1e-4; seconds.len()], PRIOR).unwrap().at(at);
            prop_assert!((apply(&estimate.value, &samples) - (a + b * at)).abs() < 1e-6);
            prop_assert!((apply(&estimate.slope, &samples) - b).abs() < 1e-4);
        }

        #[test]
        fn the_slope_is_the_derivative_of_the_value(at in 0.0..0.2f64) {
            let seconds: Vec<f64> = (0..15).map(|i| f64::from(i) * 0.01).collect();
            let samples: Vec<f64> = seconds.iter().map(|t| (20.0 * t).sin()).collect();
            let fit = SmoothFit::new(&seconds, &[1e-4; 15], PRIOR).unwrap();
            let h = 1e-5;
            let difference = (apply(&fit.at(at + h).value, &samples) - apply(&fit.at(at - h).value, &samples)) / (2.0 * h);
            prop_assert!((apply(&fit.at(at).slope, &samples) - difference).abs() < 1e-4);
        }
    }
}
