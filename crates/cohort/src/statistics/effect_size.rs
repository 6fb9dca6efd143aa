//! Differences in units of the spread between players.

use serde::Serialize;
use statrs::distribution::{ChiSquared, Continuous, ContinuousCDF, Normal};
use statrs::function::gamma::ln_gamma;

use crate::CohortError;

/// A standardised difference of two groups.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct EffectSize {
    /// Hedges' g: difference of the means over the pooled standard deviation, without small-sample bias.
    pub g: f64,
    /// 95 % interval from the noncentral t distribution.
    pub interval_95: [f64; 2],
    /// Sizes of the groups.
    pub n: [usize; 2],
}

/// Hedges' g of two groups of players' means (Hedges 1981), with the interval from the noncentral t distribution (Cumming & Finch 2001)
/// scaled by the same correction.
///
/// # Errors
/// When a group has fewer than two members or nothing varies.
pub fn hedges_g(first: &[f64], second: &[f64]) -> Result<EffectSize, CohortError> {
    let (n1, n2) = (first.len() as f64, second.len() as f64);
    if first.len() < 2 || second.len() < 2 {
        return Err(CohortError::too_few(
            "effect size",
            format!("groups of {} and {} players; two each are needed", n1, n2),
        ));
    }
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let squares = |v: &[f64]| v.iter().map(|x| (x - mean(v)).powi(2)).sum::<f64>();
    let df = n1 + n2 - 2.0;
    let sd = ((squares(first) + squares(second)) / df).sqrt();
    if sd <= 0.0 || !sd.is_finite() {
        return Err(CohortError::too_few("effect size", "nothing varies within the groups"));
    }
    let d = (mean(first) - mean(second)) / sd;
    let scale = (n1 * n2 / (n1 + n2)).sqrt();
    let correction = (ln_gamma(df / 2.0) - ln_gamma((df - 1.0) / 2.0)).exp() / (df / 2.0).sqrt();
    let limit = |probability: f64| noncentrality(d * scale, df, probability) / scale * correction;
    Ok(EffectSize { g: d * correction, interval_95: [limit(0.975), limit(0.025)], n: [first.len(), second.len()] })
}

/// The noncentrality at which t has that probability from below.
fn noncentrality(t: f64, df: f64, probability: f64) -> f64 {
    let reach = 10.0 + 2.0 * t.abs();
    let (mut low, mut high) = (t - reach, t + reach);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        // The greater the noncentrality, the less lies below t.
        if noncentral_t_cdf(t, df, middle) > probability { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// P(T ≤ t) of the noncentral t distribution: the normal's probability averaged over the chi distribution of the standard deviation, by
/// Simpson's rule over the range that holds all but 1e-14 of it.
fn noncentral_t_cdf(t: f64, df: f64, noncentrality: f64) -> f64 {
    let (Ok(chi_squared), Ok(normal)) = (ChiSquared::new(df), Normal::new(0.0, 1.0)) else { return f64::NAN };
    let (low, high) = (chi_squared.inverse_cdf(1e-14).sqrt(), (df + 12.0 * (2.0 * df).sqrt() + 60.0).sqrt());
    const STEPS: usize = 400;
    let step = (high - low) / STEPS as f64;
    let mut sum = 0.0;
    for k in 0..=STEPS {
        let chi = low + step * k as f64;
        let weight = if k == 0 || k == STEPS {
            1.0
        } else if k % 2 == 1 {
            4.0
        } else {
            2.0
        };
        sum += weight * chi_squared.pdf(chi * chi) * 2.0 * chi * normal.cdf(t * chi / df.sqrt() - noncentrality);
    }
    sum * step / 3.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// scipy 1.14.1, `scipy.stats.nct.cdf(t, df, nc)` (tests/reference/cohort_values.py).
    #[test]
    fn the_noncentral_t_distribution_as_scipy() {
        for (t, df, nc, value) in NCT {
            let here = noncentral_t_cdf(t, df, nc);
            assert!((here - value).abs() < 1e-8, "{t} {df} {nc}: {here} {value}");
        }
    }

    const NCT: [(f64, f64, f64, f64); 4] = [
        (2.0, 18.0, 1.0, 0.822_010_244_626_876_9),
        (-0.5, 5.0, 0.3, 0.221_638_896_139_165),
        (4.0, 38.0, 3.0, 0.811_992_631_649_215_9),
        (1.5, 10.0, 0.0, 0.917_746_336_777_279_9),
    ];

    #[test]
    fn the_interval_holds_g_and_shrinks_with_players() {
        let spread =
            |count: usize, shift: f64| -> Vec<f64> { (0..count).map(|i| shift + (i as f64 * 2.39).sin()).collect() };
        let few = hedges_g(&spread(8, 1.0), &spread(8, 0.0)).unwrap();
        let many = hedges_g(&spread(80, 1.0), &spread(80, 0.0)).unwrap();
        for e in [few, many] {
            assert!(e.interval_95[0] < e.g && e.g < e.interval_95[1], "{e:?}");
        }
        assert!(many.interval_95[1] - many.interval_95[0] < 0.5 * (few.interval_95[1] - few.interval_95[0]));
        assert!(hedges_g(&[1.0], &[1.0, 2.0]).is_err());
        assert!(hedges_g(&[1.0, 1.0], &[2.0, 2.0]).is_err());
    }
}
