//! Normal, Student, Fisher and chi-squared distributions as far as intervals and probabilities need them.

use std::f64::consts::{FRAC_PI_2, PI, SQRT_2};

use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};
use statrs::function::beta::inv_beta_reg;

/// Probability that a standard normal number is below `z`.
///
/// Through the complementary error function by its series (small arguments) and continued fraction (large ones):
/// Abramowitz & Stegun 1964, 7.1.5 and 7.1.14. Absolute error below 1e-12.
#[must_use]
pub fn normal_probability(z: f64) -> f64 {
    let x = z.abs() / SQRT_2;
    let upper = if x < 2.5 { 0.5 * (1.0 - error_function_series(x)) } else { 0.5 * complementary_fraction(x) };
    if z > 0.0 { 1.0 - upper } else { upper }
}

/// The value below which a standard normal number lies with a probability. `None` unless the probability lies between 0 and 1 (both
/// excluded).
#[must_use]
pub fn normal_quantile(probability: f64) -> Option<f64> {
    (probability > 0.0 && probability < 1.0).then(|| Normal::standard().inverse_cdf(probability))
}

fn error_function_series(x: f64) -> f64 {
    let mut term = x;
    let mut sum = x;
    let mut n = 0.0;
    while term.abs() > 1e-17 {
        n += 1.0;
        term *= -x * x / n;
        sum += term / (2.0 * n + 1.0);
    }
    2.0 / PI.sqrt() * sum
}

fn complementary_fraction(x: f64) -> f64 {
    if x > 27.0 {
        return 0.0;
    }
    let mut tail = x;
    for k in (1..=40).rev() {
        tail = x + f64::from(k) / 2.0 / tail;
    }
    (-x * x).exp() / (PI.sqrt() * tail)
}

/// The `t` that a Student number with `degrees_of_freedom` exceeds in size with probability `1 - confidence`: the factor of
/// the standard error in a two-sided interval of that confidence.
///
/// The distribution for whole degrees of freedom is the finite sum of Abramowitz & Stegun 1964, 26.7.3 and 26.7.4, solved by
/// bisection. `None` for 0 degrees of freedom or a confidence outside 0 to 1 (both excluded).
#[must_use]
pub fn student_factor(degrees_of_freedom: usize, confidence: f64) -> Option<f64> {
    if degrees_of_freedom == 0 || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let (mut low, mut high) = (0.0, FRAC_PI_2);
    for _ in 0..80 {
        let middle = (low + high) / 2.0;
        if probability_within(middle, degrees_of_freedom) < confidence {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some((degrees_of_freedom as f64).sqrt() * ((low + high) / 2.0).tan())
}

/// P(|t| < √ν tan θ).
fn probability_within(theta: f64, degrees_of_freedom: usize) -> f64 {
    let (sin, cos) = theta.sin_cos();
    let odd = degrees_of_freedom % 2 == 1;
    let mut term = if odd { cos } else { 1.0 };
    let mut sum = if degrees_of_freedom == 1 { 0.0 } else { term };
    let mut k = if odd { 2 } else { 1 };
    while k + 3 <= degrees_of_freedom {
        term *= k as f64 / (k + 1) as f64 * cos * cos;
        sum += term;
        k += 2;
    }
    if odd { 2.0 / PI * (theta + sin * sum) } else { sin * sum }
}

/// The value below which an F-distributed number lies with a probability, for degrees of freedom (above, below the line) that
/// need not be whole.
///
/// Through the inverse of the regularised incomplete beta function (Abramowitz & Stegun 1964, 26.6.2). `None` unless the
/// probability lies between 0 and 1 (both excluded) and the degrees of freedom are positive and finite.
#[must_use]
pub fn fisher_quantile(probability: f64, above: f64, below: f64) -> Option<f64> {
    let usable = |degrees: f64| degrees.is_finite() && degrees > 0.0;
    if !(probability > 0.0 && probability < 1.0 && usable(above) && usable(below)) {
        return None;
    }
    // Taken from the nearer tail, so that 1 - x keeps its digits.
    let share = |p: f64, a: f64, b: f64| inv_beta_reg(a / 2.0, b / 2.0, p);
    let quantile = if probability < 0.5 {
        let x = share(probability, above, below);
        below * x / (above * (1.0 - x))
    } else {
        let x = share(1.0 - probability, below, above);
        below * (1.0 - x) / (above * x)
    };
    quantile.is_finite().then_some(quantile)
}

/// The value below which a chi-squared number lies with a probability. `None` unless the probability lies between 0 and 1 (both
/// excluded) and the degrees of freedom are positive and finite.
#[must_use]
pub fn chi_squared_quantile(probability: f64, degrees_of_freedom: f64) -> Option<f64> {
    if !(probability > 0.0 && probability < 1.0 && degrees_of_freedom.is_finite()) {
        return None;
    }
    Some(ChiSquared::new(degrees_of_freedom).ok()?.inverse_cdf(probability))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_quantiles_are_the_tabulated_ones() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1: the 0.95 and 0.975 points (values from memory).
        for (probability, z) in [(0.5, 0.0), (0.95, 1.644_854), (0.975, 1.959_964), (0.025, -1.959_964)] {
            let found = normal_quantile(probability).unwrap();
            assert!((found - z).abs() < 1e-6, "{found}");
            assert!((normal_probability(found) - probability).abs() < 1e-9);
        }
        assert!(
            normal_quantile(0.0).is_none() && normal_quantile(1.0).is_none() && normal_quantile(f64::NAN).is_none()
        );
    }

    #[test]
    fn student_factors_are_the_tabulated_ones() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2: upper critical values of Student's t, 0.975 column
        // (values from memory).
        let table = [
            (1, 12.706),
            (2, 4.303),
            (3, 3.182),
            (4, 2.776),
            (5, 2.571),
            (6, 2.447),
            (9, 2.262),
            (10, 2.228),
            (15, 2.131),
            (20, 2.086),
            (30, 2.042),
            (60, 2.000),
            (100, 1.984),
        ];
        for (degrees, expected) in table {
            let factor = student_factor(degrees, 0.95).unwrap();
            assert!((factor - expected).abs() < 6e-4, "{degrees}: {factor} {expected}");
        }
        assert!((student_factor(3, 0.99).unwrap() - 5.841).abs() < 6e-4);
        assert_eq!(student_factor(0, 0.95), None);
        assert_eq!(student_factor(3, 1.0), None);
    }

    #[test]
    fn fisher_and_chi_squared_quantiles_are_the_tabulated_ones() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.3 (F, 5 %) and 1.3.6.7.4 (chi-squared); values from memory.
        for (above, below, expected) in
            [(1.0, 1.0, 161.448), (5.0, 15.0, 2.901), (3.0, 10.0, 3.708), (10.0, 20.0, 2.348), (5.0, 18.0, 2.773)]
        {
            let found = fisher_quantile(0.95, above, below).unwrap();
            assert!((found - expected).abs() < 6e-4, "{above} {below}: {found}");
            let lower = fisher_quantile(0.05, below, above).unwrap();
            assert!((lower * found - 1.0).abs() < 1e-9, "the lower tail is the upper one turned over");
        }
        for (p, degrees, expected) in [(0.95, 3.0, 7.815), (0.975, 10.0, 20.483), (0.025, 10.0, 3.247)] {
            let found = chi_squared_quantile(p, degrees).unwrap();
            assert!((found - expected).abs() < 6e-4, "{p} {degrees}: {found}");
        }
        // t² has 1 and ν degrees of freedom.
        let t = student_factor(7, 0.95).unwrap();
        assert!((fisher_quantile(0.95, 1.0, 7.0).unwrap() / (t * t) - 1.0).abs() < 1e-9);
        assert_eq!(fisher_quantile(1.0, 2.0, 3.0), None);
        assert_eq!(fisher_quantile(0.5, 0.0, 3.0), None);
        assert_eq!(chi_squared_quantile(0.5, -1.0), None);
    }

    #[test]
    fn normal_probabilities_are_the_tabulated_ones() {
        // Abramowitz & Stegun 1964, table 26.1 (values from memory).
        for (z, expected) in
            [(0.0, 0.5), (1.0, 0.841_344_746_1), (1.96, 0.975_002_104_9), (3.0, 0.998_650_102), (4.0, 0.999_968_328_8)]
        {
            assert!((normal_probability(z) - expected).abs() < 1e-9, "{z}");
            assert!((normal_probability(-z) - (1.0 - expected)).abs() < 1e-9, "{z}");
        }
        let (below, above) = (normal_probability(2.5 * SQRT_2 - 1e-9), normal_probability(2.5 * SQRT_2 + 1e-9));
        assert!((above - below).abs() < 1e-11, "the two branches meet");
        assert!(normal_probability(-50.0) == 0.0 && normal_probability(50.0) == 1.0);
    }
}
