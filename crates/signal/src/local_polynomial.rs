//! Weighted local polynomials on true sample times: values and derivatives as linear combinations of the samples.
//!
//! The estimate is linear in the samples, so its covariance is exact for independent samples: with coefficients `a_i` the
//! estimate `Σ a_i x_i` has the covariance `Σ a_i² C_i`. For even spacing and equal weights the coefficients are those of
//! Savitzky & Golay 1964 (Anal. Chem. 36:1627); the general case is local polynomial regression (Fan & Gijbels 1996,
//! "Local Polynomial Modelling and Its Applications", section 3.1).

use std::ops::Range;

/// Coefficients that turn samples into derivatives of their local polynomial at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct Stencil {
    coefficients: Vec<Vec<f64>>,
}

impl Stencil {
    /// Coefficients of a derivative, one per sample; order 0 is the value itself. Empty above the polynomial's degree.
    #[must_use]
    pub fn coefficients(&self, order: usize) -> &[f64] {
        self.coefficients.get(order).map_or(&[], Vec::as_slice)
    }

    /// The derivative of that order of scalar samples, in the samples' unit per second to that power.
    #[must_use]
    pub fn apply(&self, order: usize, samples: &[f64]) -> f64 {
        self.coefficients(order).iter().zip(samples).map(|(a, x)| a * x).sum()
    }

    /// Variance of that derivative for independent samples of these variances.
    #[must_use]
    pub fn variance(&self, order: usize, variances: &[f64]) -> f64 {
        self.coefficients(order).iter().zip(variances).map(|(a, v)| a * a * v).sum()
    }

    /// Standard deviation of the estimate for samples of standard deviation 1: how much noise it passes.
    #[must_use]
    pub fn gain(&self, order: usize) -> f64 {
        self.coefficients(order).iter().map(|a| a * a).sum::<f64>().sqrt()
    }
}

/// Fits a polynomial of `degree` to samples at `seconds` with `weights` (1/variance, any common factor) and gives the
/// coefficients of its value and all its derivatives at the instant `at`.
///
/// `at` may lie outside the samples; the coefficients' growth then tells how little the samples know there. `None` when
/// there are fewer samples than unknowns, when two lengths differ, when a weight is not positive and finite, or when the
/// times are too close to each other to tell the unknowns apart.
#[must_use]
pub fn stencil(seconds: &[f64], weights: &[f64], at: f64, degree: usize) -> Option<Stencil> {
    let unknowns = degree + 1;
    let n = seconds.len();
    if n < unknowns || weights.len() != n || weights.iter().any(|w| !(w.is_finite() && *w > 0.0)) {
        return None;
    }
    // Times are centred on the samples and scaled to -1..1, where the normal equations are well conditioned; the polynomial
    // is then moved to `at`.
    let middle = (seconds.first()? + seconds.last()?) / 2.0;
    let scale = seconds.iter().map(|t| (t - middle).abs()).fold(0.0, f64::max);
    let total: f64 = weights.iter().sum();
    if !(scale.is_finite() && scale > 0.0 && at.is_finite() && total.is_finite()) {
        return None;
    }
    let scaled: Vec<(f64, f64)> = seconds.iter().zip(weights).map(|(t, w)| ((t - middle) / scale, w / total)).collect();
    let mut moments = vec![0.0; 2 * degree + 1];
    for (u, w) in &scaled {
        let mut power = *w;
        for moment in &mut moments {
            *moment += power;
            power *= u;
        }
    }
    let lower = cholesky(unknowns, |i, j| moments[i + j])?;
    let u = (at - middle) / scale;
    let coefficients = (0..unknowns)
        .map(|order| {
            let mut row = vec![0.0; unknowns];
            for (k, entry) in row.iter_mut().enumerate().skip(order) {
                let falling: f64 = (0..order).map(|j| (k - j) as f64).product();
                *entry = falling * u.powi((k - order) as i32) / scale.powi(order as i32);
            }
            solve(&lower, &mut row);
            scaled.iter().map(|(u, w)| w * row.iter().rev().fold(0.0, |sum, c| sum * u + c)).collect()
        })
        .collect();
    Some(Stencil { coefficients })
}

/// Lower Cholesky factor of a small positive definite matrix, row by row; `None` when it is singular to about 1e-12.
fn cholesky(n: usize, entry: impl Fn(usize, usize) -> f64) -> Option<Vec<Vec<f64>>> {
    let mut lower: Vec<Vec<f64>> = Vec::with_capacity(n);
    for i in 0..n {
        let mut row = vec![0.0; i + 1];
        for j in 0..=i {
            let other = if j == i { &row } else { &lower[j] };
            let rest = entry(i, j) - (0..j).map(|k| row[k] * other[k]).sum::<f64>();
            if j == i {
                if rest < 1e-12 {
                    return None;
                }
                row[i] = rest.sqrt();
            } else {
                row[j] = rest / lower[j][j];
            }
        }
        lower.push(row);
    }
    Some(lower)
}

/// Solves `L Lᵀ x = b` in place.
fn solve(lower: &[Vec<f64>], b: &mut [f64]) {
    for (i, row) in lower.iter().enumerate() {
        let rest = b[i] - (0..i).map(|k| row[k] * b[k]).sum::<f64>();
        b[i] = rest / row[i];
    }
    for i in (0..lower.len()).rev() {
        let rest = b[i] - (i + 1..lower.len()).map(|k| lower[k][i] * b[k]).sum::<f64>();
        b[i] = rest / lower[i][i];
    }
}

/// Indices of the samples in the window `at ± half_width` among `seconds[span]` (rising times), moved inward where it
/// would stick out at the first or last sample of the span so that it keeps its length.
///
/// This is how a window stays on one side of an instant that no filter may cross: the caller ends the span there.
#[must_use]
pub fn window_within(seconds: &[f64], span: Range<usize>, at: f64, half_width: f64) -> Range<usize> {
    let Some(inside) = seconds.get(span.clone()).filter(|s| !s.is_empty()) else {
        return span.start..span.start;
    };
    let (first, last) = (inside[0], inside[inside.len() - 1]);
    let middle = at.min(last - half_width).max(first + half_width);
    let middle = if last - first < 2.0 * half_width { (first + last) / 2.0 } else { middle };
    // A sample on the window's edge belongs to it in spite of rounding.
    let reach = half_width * (1.0 + 1e-9);
    let from = inside.partition_point(|t| *t < middle - reach);
    let to = inside.partition_point(|t| *t <= middle + reach);
    span.start + from..span.start + to
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(stencil: &Stencil, order: usize, expected: &[f64]) {
        assert_eq!(stencil.coefficients(order).len(), expected.len());
        for (a, b) in stencil.coefficients(order).iter().zip(expected) {
            assert!((a - b).abs() < 1e-12, "{:?} {expected:?}", stencil.coefficients(order));
        }
    }

    #[test]
    fn even_spacing_gives_the_tables_of_savitzky_and_golay() {
        // Savitzky & Golay 1964, tables I and following (values from memory): 5-point quadratic smoothing over 35, 5-point
        // quadratic first derivative over 10, 7-point cubic first derivative over 252.
        let times = |m: i32| (-m..=m).map(f64::from).collect::<Vec<_>>();
        let five = stencil(&times(2), &[1.0; 5], 0.0, 2).unwrap();
        close(&five, 0, &[-3.0, 12.0, 17.0, 12.0, -3.0].map(|x| x / 35.0));
        close(&five, 1, &[-2.0, -1.0, 0.0, 1.0, 2.0].map(|x| x / 10.0));
        let seven = stencil(&times(3), &[1.0; 7], 0.0, 3).unwrap();
        close(&seven, 1, &[22.0, -67.0, -58.0, 0.0, 58.0, 67.0, -22.0].map(|x| x / 252.0));
    }

    #[test]
    fn straight_line_has_the_textbook_variance() {
        // Simple regression: var(slope) = σ² / Σ (t - mean t)².
        let times = [0.0, 0.01, 0.03, 0.04, 0.08];
        let fit = stencil(&times, &[1.0; 5], 0.5, 1).unwrap();
        let mean = times.iter().sum::<f64>() / 5.0;
        let spread: f64 = times.iter().map(|t| (t - mean).powi(2)).sum();
        assert!((fit.variance(1, &[4.0; 5]) - 4.0 / spread).abs() < 1e-6);
        assert!((fit.gain(1) - (1.0 / spread).sqrt()).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_fitted_is_none() {
        assert_eq!(stencil(&[0.0, 1.0], &[1.0, 1.0], 0.0, 2), None);
        assert_eq!(stencil(&[0.0, 0.0, 0.0], &[1.0; 3], 0.0, 1), None);
        assert_eq!(stencil(&[0.0, 1.0, 1.0], &[1.0; 3], 0.0, 2), None);
        assert_eq!(stencil(&[0.0, 1.0, 2.0], &[1.0, 0.0, 1.0], 0.0, 1), None);
        assert_eq!(stencil(&[0.0, 1.0, 2.0], &[1.0, f64::NAN, 1.0], 0.0, 1), None);
    }

    #[test]
    fn a_window_keeps_its_length_at_the_ends_of_its_span() {
        let times: Vec<f64> = (0..20).map(f64::from).collect();
        assert_eq!(window_within(&times, 0..10, 5.0, 2.0), 3..8);
        assert_eq!(window_within(&times, 0..10, 9.7, 2.0), 5..10);
        assert_eq!(window_within(&times, 10..20, 9.7, 2.0), 10..15);
        assert_eq!(window_within(&times, 4..7, 0.0, 2.0), 4..7);
        assert!(window_within(&times, 7..7, 7.0, 2.0).is_empty());
    }

    proptest! {
        #[test]
        fn polynomials_are_reproduced_with_all_derivatives(
            gaps in prop::collection::vec(0.004..0.03f64, 5..12),
            weights in prop::collection::vec(0.2..5.0f64, 13),
            c in prop::array::uniform4(-3.0..3.0f64),
            at in -0.05..0.3f64,
        ) {
            let mut times = vec![10.0];
            times.extend(gaps.iter().scan(10.0, |t, gap| { *t += gap; Some(*t) }));
            let at = 10.0 + at;
            let value = |t: f64| c[0] + c[1] * (t - 10.0) + c[2] * (t - 10.0).powi(2) + c[3] * (t - 10.0).powi(3);
            let samples: Vec<f64> = times.iter().map(|t| value(*t)).collect();
            let fit = stencil(&times, &weights[..times.len()], at, 3).unwrap();
            let s = at - 10.0;
            prop_assert!((fit.apply(0, &samples) - value(at)).abs() < 1e-6);
            prop_assert!((fit.apply(1, &samples) - (c[1] + 2.0 * c[2] * s + 3.0 * c[3] * s * s)).abs() < 1e-4);
            prop_assert!((fit.apply(2, &samples) - (2.0 * c[2] + 6.0 * c[3] * s)).abs() < 1e-2);
        }
    }
}
