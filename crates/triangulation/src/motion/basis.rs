//! B-spline basis functions with their derivatives, on any rising knots.
//!
//! Recurrences of Cox 1972 and de Boor 1972 for values; a derivative lowers the degree by one: `N'ᵢₚ = p (Nᵢ,ₚ₋₁ / (tᵢ₊ₚ -
//! tᵢ) - Nᵢ₊₁,ₚ₋₁ / (tᵢ₊ₚ₊₁ - tᵢ₊₁))` (de Boor, "A practical guide to splines", chapter X). Checked against scipy's
//! `BSpline` (`tests/reference/`).

/// Highest derivative that is evaluated.
const DERIVATIVES: usize = 3;

/// A basis of splines of degree `ORDER - 1` whose end knots are repeated, so that the first and the last coefficient are the
/// values at the ends.
#[derive(Debug, Clone, PartialEq)]
pub struct SplineBasis<const ORDER: usize> {
    knots: Vec<f64>,
}

/// The basis functions that are not 0 at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment<const ORDER: usize> {
    /// Index of the first of them, which is also that of the span between two breaks.
    pub first: usize,
    /// `derivatives[k][j]`: k-th derivative (0 to 3) of function `first + j`, per second to the power k.
    pub derivatives: [[f64; ORDER]; DERIVATIVES + 1],
}

impl<const ORDER: usize> SplineBasis<ORDER> {
    /// The basis with these breaks between its polynomial pieces, seconds; `None` unless there are two or more, finite and
    /// rising.
    #[must_use]
    pub fn clamped(breaks_seconds: &[f64]) -> Option<Self> {
        let (first, last) = (*breaks_seconds.first()?, *breaks_seconds.last()?);
        let rising = breaks_seconds.windows(2).all(|pair| pair[0] < pair[1]);
        if ORDER < 2 || breaks_seconds.len() < 2 || !rising || !first.is_finite() || !last.is_finite() {
            return None;
        }
        let mut knots = vec![first; ORDER - 1];
        knots.extend_from_slice(breaks_seconds);
        knots.extend(std::iter::repeat_n(last, ORDER - 1));
        Some(Self { knots })
    }

    /// Number of basis functions.
    #[must_use]
    pub fn count(&self) -> usize {
        self.knots.len() - ORDER
    }

    /// Number of polynomial pieces.
    #[must_use]
    pub fn spans(&self) -> usize {
        self.knots.len() + 1 - 2 * ORDER
    }

    /// First and last instant, seconds.
    #[must_use]
    pub fn ends_seconds(&self) -> [f64; 2] {
        [self.knots[ORDER - 1], self.knots[self.knots.len() - ORDER]]
    }

    /// All instants at which pieces begin or end, seconds.
    #[must_use]
    pub fn breaks_seconds(&self) -> &[f64] {
        &self.knots[ORDER - 1..=self.knots.len() - ORDER]
    }

    /// Start and end of a piece, seconds.
    #[must_use]
    pub fn span_seconds(&self, span: usize) -> [f64; 2] {
        [self.knots[ORDER - 1 + span], self.knots[ORDER + span]]
    }

    /// The instant at which a coefficient acts (Greville's abscissa), seconds.
    #[must_use]
    pub fn centre_seconds(&self, function: usize) -> f64 {
        self.knots[function + 1..function + ORDER].iter().sum::<f64>() / (ORDER - 1) as f64
    }

    /// The basis at an instant; beyond the ends the outermost pieces are continued.
    #[must_use]
    pub fn at(&self, seconds: f64) -> Moment<ORDER> {
        let inner = self.breaks_seconds();
        let first = inner.partition_point(|knot| *knot <= seconds).clamp(1, inner.len() - 1) - 1;
        let span = first + ORDER - 1;
        let mut derivatives = [[0.0; ORDER]; DERIVATIVES + 1];
        // `low` holds the functions of degree `degree` of the span, `low[j]` being function `span - degree + j`.
        let mut low = [0.0; ORDER];
        low[0] = 1.0;
        for degree in 0..ORDER {
            if degree > 0 {
                low = self.raised(&low, span, degree, seconds);
            }
            let order = ORDER - 1 - degree;
            if order <= DERIVATIVES {
                let mut lifted = low;
                for next in degree + 1..ORDER {
                    lifted = self.differentiated(&lifted, span, next);
                }
                derivatives[order] = lifted;
            }
        }
        Moment { first, derivatives }
    }

    /// Distance of the knots under function `function` of a degree.
    fn width(&self, function: usize, degree: usize) -> f64 {
        self.knots[function + degree] - self.knots[function]
    }

    fn raised(&self, low: &[f64; ORDER], span: usize, degree: usize, seconds: f64) -> [f64; ORDER] {
        let rising = |function| (seconds - self.knots[function]) / self.width(function, degree);
        let falling = |function| (self.knots[function + degree + 1] - seconds) / self.width(function + 1, degree);
        Self::one_degree_higher(low, span, degree, rising, falling)
    }

    /// Functions of `degree` whose derivatives are wanted, from those one degree lower.
    fn differentiated(&self, low: &[f64; ORDER], span: usize, degree: usize) -> [f64; ORDER] {
        let rising = |function| degree as f64 / self.width(function, degree);
        let falling = |function| -(degree as f64) / self.width(function + 1, degree);
        Self::one_degree_higher(low, span, degree, rising, falling)
    }

    /// The functions of `degree` on a span, each from the two of one degree lower under it, by the weights of those (of the
    /// function's index).
    fn one_degree_higher(
        low: &[f64; ORDER],
        span: usize,
        degree: usize,
        rising: impl Fn(usize) -> f64,
        falling: impl Fn(usize) -> f64,
    ) -> [f64; ORDER] {
        let mut high = [0.0; ORDER];
        for (j, value) in high.iter_mut().enumerate().take(degree + 1) {
            let function = span - degree + j;
            if j > 0 {
                *value += rising(function) * low[j - 1];
            }
            if j < degree {
                *value += falling(function) * low[j];
            }
        }
        high
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BREAKS: [f64; 7] = [0.0, 0.1, 0.25, 0.3, 0.55, 0.6, 1.0];

    fn agrees<const ORDER: usize>(expected: &[(f64, [f64; 4])]) {
        let basis = SplineBasis::<ORDER>::clamped(&BREAKS).unwrap();
        for (at, values) in expected {
            let moment = basis.at(*at);
            for (order, value) in values.iter().enumerate() {
                let found: f64 = moment.derivatives[order]
                    .iter()
                    .enumerate()
                    .map(|(j, b)| b * (1.3 * (moment.first + j) as f64 + 0.4).sin())
                    .sum();
                assert!((found - value).abs() < 1e-9 * (1.0 + value.abs()), "{at} derivative {order}: {found} {value}");
            }
        }
    }

    #[test]
    fn values_and_derivatives_are_those_of_scipy() {
        // Source: scipy.interpolate.BSpline, tests/reference/spline_values.py.
        #[allow(clippy::excessive_precision)] // as printed
        agrees::<4>(&[
            (0.00, [0.3894183423086505, 18.06739404431454, -565.4786334605151, 5625.4805890545895]),
            (0.07, [0.5903032471066938, -7.73368285473777, -171.69499222669376, 5625.4805890545895]),
            (0.30, [-0.7343619280393946, 3.310925885880062, 56.46388906796666, -460.9552148123774]),
            (0.58, [0.7236342452595613, 1.4547657091118942, -45.71055075640832, 435.4787959573146]),
            (0.99, [-0.9130229314463293, -6.787734037172412, -1.026637933751326, 92.24188949618124]),
        ]);
        #[allow(clippy::excessive_precision)] // as printed
        agrees::<6>(&[
            (0.00, [0.3894183423086505, 30.1123234071909, -1884.928778201717, 56254.805890545904]),
            (0.07, [0.17861766901618595, -14.350155924514873, 40.33147838404523, 7034.170391984099]),
            (0.30, [-0.023592346313787444, 6.642155687144296, -9.020141631251851, -635.975093047421]),
            (0.58, [0.4296804051490954, -3.827185832465626, -26.511585138591105, 227.24804741967318]),
            (0.99, [0.5961325339571282, 13.971206348874302, 91.02486281262185, -109.115592493778]),
        ]);
    }

    #[test]
    fn breaks_that_do_not_rise_are_refused() {
        assert!(SplineBasis::<4>::clamped(&[0.0]).is_none());
        assert!(SplineBasis::<4>::clamped(&[0.0, 1.0, 1.0]).is_none());
        assert!(SplineBasis::<4>::clamped(&[0.0, f64::NAN, 1.0]).is_none());
        assert!(SplineBasis::<4>::clamped(&[0.0, f64::INFINITY]).is_none());
    }
}
