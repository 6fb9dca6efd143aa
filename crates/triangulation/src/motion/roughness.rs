//! How a motion is expected to roughen: the jerk as a first-order Gauss-Markov process.
//!
//! Muscles change their pull over some hundredths of a second, so the jerk of one instant tells something of the next. White
//! jerk (the cubic smoothing spline) does not know that; where a motion is roughest at its end, as at contact, its intervals
//! are too narrow there. The model is that of Mehrotra & Mahapatra 1997, "A jerk model for tracking highly maneuvering
//! targets", on the pieces of a cubic spline, whose jerk is constant in each.

use std::ops::Range;

use super::course::{Basis, ORDER};

/// Time over which the jerk keeps to itself, seconds (correlation 1/e).
const CORRELATION_SECONDS: f64 = 0.020;

/// How much larger the jerk of a point, and of a turn, may be at contact than what is seen before tells, and how fast that fades away from it, seconds. What
/// begins in the last hundredths of a second is not seen before it has moved the point by more than the noise: a hand whose
/// jerk grows to 600 m/s³ in the last 40 ms is 1 m/s slower than it seemed, and 7 mm from where it seemed. Only what strokes do
/// can tell; the numbers are those with which intervals hold over the simulated swings, whose hands are fastest up to 60 ms
/// before contact.
pub(crate) const ROUGHER_POINT: f64 = 10.0;
pub(crate) const ROUGHER_RACKET: f64 = 5.0;
const ROUGHER_SECONDS: f64 = 0.040;

/// Functions of which a change of the jerk from one piece to the next is made.
pub(crate) const WIDTH: usize = ORDER + 1;

/// The jerk of a piece less what the piece before foretells of it, in units of its standard deviation when the jerk's is 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Change {
    /// First function.
    pub(crate) first: usize,
    /// Number of functions.
    pub(crate) count: usize,
    weights: [f64; WIDTH],
}

impl Change {
    /// The functions that it is made of.
    pub(crate) fn functions(&self) -> Range<usize> {
        self.first..self.first + self.count
    }

    /// Weights of the coefficients from the first function on.
    pub(crate) fn weights(&self) -> &[f64] {
        &self.weights[..self.count]
    }

    /// Weights of the differences of neighbouring coefficients, by the later one; the first is 0.
    pub(crate) fn of_differences(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        (1..self.count).map(|j| (j, self.weights()[j..].iter().sum::<f64>()))
    }
}

/// One change for each piece; the first piece's is its whole jerk.
pub(crate) fn changes(basis: &Basis, contact_seconds: f64, rougher_at_contact: f64) -> Vec<Change> {
    let middle = |span: usize| basis.span_seconds(span).iter().sum::<f64>() * 0.5;
    let third = |span: usize| basis.at(middle(span)).derivatives[3];
    (0..basis.spans())
        .map(|span| {
            let mut weights = [0.0; WIDTH];
            let away = (middle(span) - contact_seconds).abs();
            let usual = 1.0 + (rougher_at_contact - 1.0) * (-away / ROUGHER_SECONDS).exp();
            let Some(before) = span.checked_sub(1) else {
                weights[..ORDER].copy_from_slice(&third(span).map(|weight| weight / usual));
                return Change { first: 0, count: ORDER, weights };
            };
            let kept = (-(middle(span) - middle(before)) / CORRELATION_SECONDS).exp();
            let spread = usual * (1.0 - kept * kept).sqrt();
            let (earlier, own) = (third(before), third(span));
            for j in 0..ORDER {
                weights[j] -= kept * earlier[j] / spread;
                weights[j + 1] += own[j] / spread;
            }
            Change { first: before, count: WIDTH, weights }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_constant_jerk_changes_only_as_it_is_forgotten() {
        let basis = Basis::clamped(&[0.0, 0.01, 0.02, 0.04, 0.06]).unwrap();
        // t³ / 6 has jerk 1; its coefficients are the blossom's products of three knots.
        let knots = [0.0, 0.0, 0.0, 0.0, 0.01, 0.02, 0.04, 0.06, 0.06, 0.06, 0.06];
        let coefficients: Vec<f64> = (0..7).map(|i| knots[i + 1] * knots[i + 2] * knots[i + 3] / 6.0).collect();
        for (span, change) in changes(&basis, -1e9, ROUGHER_POINT).iter().enumerate() {
            let found: f64 = change.weights().iter().zip(&coefficients[change.first..]).map(|(w, c)| w * c).sum();
            let differences: f64 = change
                .of_differences()
                .map(|(j, w)| w * (coefficients[change.first + j] - coefficients[change.first + j - 1]))
                .sum();
            let kept = match span {
                0 => 0.0,
                1 => (-0.01_f64 / CORRELATION_SECONDS).exp(),
                2 => (-0.015_f64 / CORRELATION_SECONDS).exp(),
                _ => (-0.02_f64 / CORRELATION_SECONDS).exp(),
            };
            let expected = (1.0 - kept) / (1.0 - kept * kept).sqrt();
            assert!((found - expected).abs() < 1e-9 && (differences - expected).abs() < 1e-9, "{span}: {found}");
        }
    }
}
