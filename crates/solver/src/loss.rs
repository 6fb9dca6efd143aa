//! Robust losses as weights.

/// The loss of one block's residual norm `s`, in standard deviations; scales are in standard deviations too.
///
/// Robust losses are handled by iteratively reweighted least squares: the block's residual and Jacobian enter the normal
/// equations with the weight `dρ/d(s²)`. The second-order correction of Triggs et al. 2000 is left out: the reweighted
/// normal matrix is positive semi-definite without it, and the step is still checked against the true loss.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Loss {
    /// `ρ = s²`.
    #[default]
    Squared,
    /// `ρ = s²` up to the scale `k`, then `2 k s - k²` (Huber 1964).
    Huber(f64),
    /// `ρ = c² ln(1 + s²/c²)`.
    Cauchy(f64),
    /// `ρ = c² s² / (c² + s²)` (Geman & McClure 1987): bounded by `c²`, so that gross outliers lose all influence.
    GemanMcClure(f64),
}

impl Loss {
    /// `(ρ, dρ/d(s²))` at the squared norm `s²`.
    #[must_use]
    pub fn value_and_weight(&self, squared_norm: f64) -> (f64, f64) {
        match *self {
            Self::Squared => (squared_norm, 1.0),
            Self::Huber(k) => {
                let norm = squared_norm.sqrt();
                if norm <= k { (squared_norm, 1.0) } else { (2.0 * k * norm - k * k, k / norm) }
            }
            Self::Cauchy(c) => {
                let ratio = squared_norm / (c * c);
                (c * c * ratio.ln_1p(), 1.0 / (1.0 + ratio))
            }
            Self::GemanMcClure(c) => {
                let share = c * c / (c * c + squared_norm);
                (squared_norm * share, share * share)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_weight_is_the_derivative_of_the_loss(s2 in 0.01..50.0f64, scale in 0.5..5.0f64) {
            for loss in [Loss::Squared, Loss::Huber(scale), Loss::Cauchy(scale), Loss::GemanMcClure(scale)] {
                // The kink of the second derivative of Huber's loss costs the difference an order.
                let h = 1e-5;
                let slope = (loss.value_and_weight(s2 + h).0 - loss.value_and_weight(s2 - h).0) / (2.0 * h);
                let (value, weight) = loss.value_and_weight(s2);
                prop_assert!((slope - weight).abs() < 1e-5, "{loss:?}: {slope} {weight}");
                prop_assert!(value <= s2 * (1.0 + 1e-12) && weight <= 1.0);
            }
        }
    }
}
