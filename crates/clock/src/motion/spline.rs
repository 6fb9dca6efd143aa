//! Uniform cubic B-splines: one interval's four weights (C. de Boor, A Practical Guide to Splines, 1978, chapter IX).

/// Control points that a place on the spline depends on.
pub(crate) const SUPPORT: usize = 4;

/// The weights of the four control points at `u`, the share of the interval that has passed. Outside 0 to 1 the interval's
/// polynomial goes on.
pub(crate) fn weights(u: f64) -> [f64; SUPPORT] {
    let v = 1.0 - u;
    [v * v * v / 6.0, (u * u * (3.0 * u - 6.0) + 4.0) / 6.0, (v * v * (3.0 * v - 6.0) + 4.0) / 6.0, u * u * u / 6.0]
}

/// Their derivatives by `u`.
pub(crate) fn slopes(u: f64) -> [f64; SUPPORT] {
    let v = 1.0 - u;
    [-0.5 * v * v, u * (1.5 * u - 2.0), v * (2.0 - 1.5 * v), 0.5 * u * u]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn weights_sum_to_one_reproduce_lines_and_have_their_slopes(u in -0.3..1.3f64) {
            let (w, s) = (weights(u), slopes(u));
            prop_assert!((w.iter().sum::<f64>() - 1.0).abs() < 1e-12);
            // Control points on a line at -1, 0, 1, 2 give the line (Greville).
            let line: f64 = w.iter().zip([-1.0, 0.0, 1.0, 2.0]).map(|(w, c)| w * c).sum();
            prop_assert!((line - u).abs() < 1e-12);
            let h = 1e-6;
            for (k, slope) in s.iter().enumerate() {
                prop_assert!((slope - (weights(u + h)[k] - weights(u - h)[k]) / (2.0 * h)).abs() < 1e-8);
            }
        }
    }

    #[test]
    fn neighbouring_intervals_join() {
        let (end, start) = (weights(1.0), weights(0.0));
        assert!((0..3).all(|k| (end[k + 1] - start[k]).abs() < 1e-15) && end[0].abs() < 1e-15);
    }
}
