//! Smooth functions of one variable: the eases and splines that the movement is made of.

/// Minimum-jerk rise from 0 to 1 over `0..1`, flat outside: `10 x³ - 15 x⁴ + 6 x⁵` (Flash & Hogan 1985).
pub(crate) fn ease(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * x * (10.0 - 15.0 * x + 6.0 * x * x)
}

/// [`ease`] between two times.
pub(crate) fn ease_between(t: f64, from: f64, to: f64) -> f64 {
    ease((t - from) / (to - from))
}

/// A turn whose angular velocity is a bell with its peak at a known time.
///
/// The velocity is `amplitude / (rise + fall) · sech²((t - peak) / w)` with `w` = `rise` before and `fall` after the
/// peak; the angle runs from 0 to `amplitude`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bell {
    pub(crate) amplitude: f64,
    pub(crate) peak_seconds: f64,
    pub(crate) rise_seconds: f64,
    pub(crate) fall_seconds: f64,
}

impl Bell {
    /// The angle at a time.
    pub(crate) fn at(&self, t: f64) -> f64 {
        let since = t - self.peak_seconds;
        let width = if since < 0.0 { self.rise_seconds } else { self.fall_seconds };
        self.amplitude * (self.rise_seconds + width * (since / width).tanh()) / (self.rise_seconds + self.fall_seconds)
    }
}

/// How a [`Spline`] ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Ends {
    /// Second derivative 0.
    Natural,
    /// First derivative 0.
    Flat,
}

/// Twice continuously differentiable cubic spline through rows of numbers; constant outside its knots.
#[derive(Debug, Clone)]
pub(crate) struct Spline<const N: usize> {
    knots: Vec<f64>,
    values: Vec<[f64; N]>,
    second: Vec<[f64; N]>,
}

impl<const N: usize> Spline<N> {
    /// `knots` rise; one value per knot.
    pub(crate) fn through(knots: Vec<f64>, values: Vec<[f64; N]>, ends: Ends) -> Self {
        let count = knots.len().min(values.len());
        let mut second = vec![[0.0; N]; count];
        for column in 0..N {
            let y: Vec<f64> = values.iter().map(|row| row[column]).collect();
            for (row, value) in second.iter_mut().zip(second_derivatives(&knots, &y, ends)) {
                row[column] = value;
            }
        }
        Self { knots, values, second }
    }

    pub(crate) fn last_knot(&self) -> f64 {
        self.knots.last().copied().unwrap_or(0.0)
    }

    /// Value at `x`.
    pub(crate) fn at(&self, x: f64) -> [f64; N] {
        let last = self.knots.len() - 1;
        if x <= self.knots[0] {
            return self.values[0];
        }
        if x >= self.knots[last] {
            return self.values[last];
        }
        let high = self.knots.partition_point(|k| *k <= x).clamp(1, last);
        let low = high - 1;
        let h = self.knots[high] - self.knots[low];
        let (a, b) = ((self.knots[high] - x) / h, (x - self.knots[low]) / h);
        std::array::from_fn(|i| {
            a * self.values[low][i]
                + b * self.values[high][i]
                + ((a * a * a - a) * self.second[low][i] + (b * b * b - b) * self.second[high][i]) * h * h / 6.0
        })
    }
}

/// Second derivatives at the knots of the interpolating cubic spline (tridiagonal system, Thomas' algorithm).
fn second_derivatives(x: &[f64], y: &[f64], ends: Ends) -> Vec<f64> {
    let n = x.len().min(y.len());
    if n < 2 {
        return vec![0.0; n];
    }
    let (mut below, mut diagonal, mut above, mut right) = (vec![0.0; n], vec![1.0; n], vec![0.0; n], vec![0.0; n]);
    for i in 1..n - 1 {
        let (h0, h1) = (x[i] - x[i - 1], x[i + 1] - x[i]);
        below[i] = h0 / 6.0;
        diagonal[i] = (h0 + h1) / 3.0;
        above[i] = h1 / 6.0;
        right[i] = (y[i + 1] - y[i]) / h1 - (y[i] - y[i - 1]) / h0;
    }
    if ends == Ends::Flat {
        let (h0, h1) = (x[1] - x[0], x[n - 1] - x[n - 2]);
        (diagonal[0], above[0], right[0]) = (h0 / 3.0, h0 / 6.0, (y[1] - y[0]) / h0);
        (diagonal[n - 1], below[n - 1], right[n - 1]) = (h1 / 3.0, h1 / 6.0, -(y[n - 1] - y[n - 2]) / h1);
    }
    for i in 1..n {
        let factor = below[i] / diagonal[i - 1];
        diagonal[i] -= factor * above[i - 1];
        right[i] -= factor * right[i - 1];
    }
    let mut second = vec![0.0; n];
    for i in (0..n).rev() {
        let next = if i + 1 < n { above[i] * second[i + 1] } else { 0.0 };
        second[i] = (right[i] - next) / diagonal[i];
    }
    second
}

/// A sampled function with known slopes: cubic Hermite interpolation on an even grid.
#[derive(Debug, Clone)]
pub(crate) struct Sampled {
    pub(crate) start: f64,
    pub(crate) step: f64,
    /// Value and slope.
    pub(crate) samples: Vec<[f64; 2]>,
}

impl Sampled {
    /// Value at `x`, held at the ends.
    pub(crate) fn at(&self, x: f64) -> f64 {
        let place = ((x - self.start) / self.step).clamp(0.0, (self.samples.len() - 1) as f64);
        let low = (place.floor() as usize).min(self.samples.len().saturating_sub(2));
        let s = place - low as f64;
        let ([y0, m0], [y1, m1]) = (self.samples[low], self.samples[(low + 1).min(self.samples.len() - 1)]);
        let (s2, s3) = (s * s, s * s * s);
        (2.0 * s3 - 3.0 * s2 + 1.0) * y0
            + (s3 - 2.0 * s2 + s) * self.step * m0
            + (3.0 * s2 - 2.0 * s3) * y1
            + (s3 - s2) * self.step * m1
    }
}

/// The quintic with given value, slope and curvature at both ends of `0..length`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Quintic {
    coefficients: [f64; 6],
}

impl Quintic {
    pub(crate) fn between(start: [f64; 3], end: [f64; 3], length: f64) -> Self {
        let [p0, v0, a0] = start;
        let [p1, v1, a1] = end;
        let (h, h2) = (length, length * length);
        let (dp, dv, da) = (p1 - p0 - v0 * h - 0.5 * a0 * h2, (v1 - v0 - a0 * h) * h, (a1 - a0) * h2);
        let c3 = (10.0 * dp - 4.0 * dv + 0.5 * da) / (h2 * h);
        let c4 = (-15.0 * dp + 7.0 * dv - da) / (h2 * h2);
        let c5 = (6.0 * dp - 3.0 * dv + 0.5 * da) / (h2 * h2 * h);
        Self { coefficients: [p0, v0, 0.5 * a0, c3, c4, c5] }
    }

    pub(crate) fn at(&self, x: f64) -> f64 {
        self.coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slope(f: impl Fn(f64) -> f64, x: f64) -> f64 {
        (f(x + 1e-5) - f(x - 1e-5)) / 2e-5
    }

    #[test]
    fn the_bell_turns_by_its_amplitude_and_is_fastest_at_its_peak() {
        let bell = Bell { amplitude: 2.0, peak_seconds: -0.06, rise_seconds: 0.05, fall_seconds: 0.08 };
        assert!((bell.at(5.0) - bell.at(-5.0) - 2.0).abs() < 1e-12);
        assert!((slope(|t| bell.at(t), -0.06) - 2.0 / 0.13).abs() < 1e-4);
        assert!(slope(|t| bell.at(t), -0.06) > slope(|t| bell.at(t), -0.063));
        assert!(slope(|t| bell.at(t), -0.06) > slope(|t| bell.at(t), -0.057));
    }

    #[test]
    fn splines_reproduce_a_straight_line_and_their_ends_are_as_asked() {
        let knots = vec![0.0, 0.4, 1.0, 1.5];
        let line = Spline::through(knots.clone(), knots.iter().map(|k| [2.0 * k - 1.0]).collect(), Ends::Natural);
        assert!((line.at(0.7)[0] - 0.4).abs() < 1e-12);
        let flat = Spline::through(knots, vec![[0.0], [1.0], [-1.0], [2.0]], Ends::Flat);
        assert!(slope(|x| flat.at(x)[0], 1e-5).abs() < 1e-3);
        assert!(slope(|x| flat.at(x)[0], 1.5 - 1e-5).abs() < 1e-3);
        // Twice differentiable at an inner knot.
        let second = |x: f64| (flat.at(x + 1e-4)[0] - 2.0 * flat.at(x)[0] + flat.at(x - 1e-4)[0]) / 1e-8;
        assert!((second(0.4 - 2e-4) - second(0.4 + 2e-4)).abs() < 0.2);
    }

    #[test]
    fn the_quintic_meets_both_ends() {
        let q = Quintic::between([0.1, 0.0, 3.0], [2.0, 1.5, -0.5], 0.4);
        assert!((q.at(0.0) - 0.1).abs() < 1e-12 && (q.at(0.4) - 2.0).abs() < 1e-12);
        assert!((slope(|x| q.at(x), 0.4) - 1.5).abs() < 1e-6);
        let second = |x: f64| (q.at(x + 1e-4) - 2.0 * q.at(x) + q.at(x - 1e-4)) / 1e-8;
        assert!((second(0.0) - 3.0).abs() < 1e-3 && (second(0.4) + 0.5).abs() < 1e-3);
    }
}
