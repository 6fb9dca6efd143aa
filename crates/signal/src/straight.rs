//! Straight courses and where two of them meet: the instant at which something bounced or was struck.

use nalgebra::SVector;

/// The least-squares line through a point's places over time, `D` coordinates of equal and independent noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StraightCourse<const D: usize> {
    /// Place at the origin of time.
    pub place: SVector<f64, D>,
    /// Velocity, places' unit per second.
    pub velocity: SVector<f64, D>,
    /// Variance of a coordinate of the place for noise of variance 1.
    pub place_variance: f64,
    /// Variance of a coordinate of the velocity for noise of variance 1.
    pub velocity_variance: f64,
    /// Sum of the squared distances of the places from the line.
    pub squares: f64,
    /// Degrees of freedom of that sum.
    pub freedom: usize,
}

impl<const D: usize> StraightCourse<D> {
    /// Through `places` (seconds and place), with the time counted from `origin_seconds`; `None` with fewer than two instants.
    #[must_use]
    pub fn through(places: &[(f64, SVector<f64, D>)], origin_seconds: f64) -> Option<Self> {
        let n = places.len() as f64;
        let centre = places.iter().map(|(t, _)| t).sum::<f64>() / n;
        let middle = places.iter().map(|(_, p)| p).sum::<SVector<f64, D>>() / n;
        let spread: f64 = places.iter().map(|(t, _)| (t - centre).powi(2)).sum();
        if !(spread > 0.0 && spread.is_finite()) {
            return None;
        }
        let velocity = places.iter().map(|(t, p)| (p - middle) * (t - centre)).sum::<SVector<f64, D>>() / spread;
        Some(Self {
            place: middle + velocity * (origin_seconds - centre),
            velocity,
            place_variance: 1.0 / n + (origin_seconds - centre).powi(2) / spread,
            velocity_variance: 1.0 / spread,
            squares: places.iter().map(|(t, p)| (p - middle - velocity * (t - centre)).norm_squared()).sum(),
            freedom: D * (places.len() - 2),
        })
    }

    /// When this course and one that takes over from it are nearest to each other, seconds from their common origin, and how far apart they
    /// are then. With gap `d` and change of velocity `Δv` at the origin the time is `-d·Δv / |Δv|²`.
    #[must_use]
    pub fn meeting(&self, next: &Self) -> (f64, f64) {
        let (gap, change) = (next.place - self.place, next.velocity - self.velocity);
        let seconds = -gap.dot(&change) / change.norm_squared();
        (seconds, (gap + change * seconds).norm())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector2;

    #[test]
    fn two_lines_meet_where_they_cross() {
        let before = |t: f64| (t, Vector2::new(1.0 + 2.0 * t, -3.0 * t));
        let after = |t: f64| (t, Vector2::new(1.0 + 2.0 * 0.31 - 5.0 * (t - 0.31), -3.0 * 0.31 + t - 0.31));
        let line = |of: &dyn Fn(f64) -> (f64, Vector2<f64>), from: f64| {
            StraightCourse::through(&[0.0, 0.03, 0.1, 0.17].map(|t| of(from + t)), 0.3).unwrap()
        };
        let (seconds, gap) = line(&before, 0.1).meeting(&line(&after, 0.32));
        assert!((seconds - 0.01).abs() < 1e-12 && gap < 1e-12, "{seconds} {gap}");
        assert!(StraightCourse::through(&[before(0.1)], 0.0).is_none());
        assert!(StraightCourse::<2>::through(&[], 0.0).is_none());
    }

    /// Anscombe 1973, "Graphs in statistical analysis", American Statistician 27:17, first data set: y = 3 + 0.5 x, standard error of the
    /// slope 0.118, residual sum of squares 13.75 (further digits as statistics packages print them, from memory).
    #[test]
    fn line_and_variances_are_those_of_simple_regression() {
        let xs = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
        let ys = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68];
        let places: Vec<_> = xs.into_iter().zip(ys.map(SVector::<f64, 1>::new)).collect();
        let line = StraightCourse::through(&places, 0.0).unwrap();
        let noise = line.squares / line.freedom as f64;
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-6, "{a} {b}");
        near(line.velocity.x, 0.500_090_9);
        near(line.place.x, 3.000_090_9);
        near(line.squares, 13.762_690);
        near((noise * line.velocity_variance).sqrt(), 0.117_905_5);
        near((noise * line.place_variance).sqrt(), 1.124_746_8);
    }
}
