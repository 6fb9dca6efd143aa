//! Settings of a minimisation.

use crate::Loss;

/// Settings of a minimisation; the default suits whitened residuals.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Trial steps, accepted or not, before giving up.
    pub max_iterations: usize,
    /// Loss of each block's residual norm.
    pub loss: Loss,
    /// Ends when the cosine of the angle between the residual vector and every column of the Jacobian is below this
    /// (the scale-free criterion of Moré 1978).
    pub gradient_tolerance: f64,
    /// Ends when a step changes the residual vector, to first order, by less than this share of its length.
    pub step_tolerance: f64,
    /// Ends likewise when that change is below this many standard deviations; set it to 0 for residuals that are not
    /// whitened.
    pub absolute_step_tolerance: f64,
    /// Ends when an accepted step lowers the cost, and was predicted to lower it, by less than this share. With 0,
    /// steps go on below the rounding of the cost for as long as the gradient falls, for the last digits of the
    /// unknowns.
    pub cost_tolerance: f64,
    /// Damping of the first step as a multiple of `diag(JᵀJ)` (τ of Madsen et al.).
    pub initial_damping: f64,
    /// Corrects each step for the bend of the residuals along it, and refuses steps along which the bend outweighs the
    /// slope (geodesic acceleration, Transtrum & Sethna 2012).
    ///
    /// Costs another evaluation of residuals and Jacobians in every trial step, until the steps are short. It pays off
    /// from poor starts: along narrow curved valleys, and where a plain step would throw an unknown so far off that
    /// nothing depends on it any more.
    pub geodesic_acceleration: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            max_iterations: 100,
            loss: Loss::Squared,
            gradient_tolerance: 1e-12,
            step_tolerance: 1e-12,
            absolute_step_tolerance: 1e-11,
            cost_tolerance: 1e-13,
            initial_damping: 1e-3,
            geodesic_acceleration: false,
        }
    }
}
