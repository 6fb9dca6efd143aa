//! Whether the views of a point agree, and which to trust when there are more than two.
//!
//! The residuals of a least-squares point are compared with all that could have caused them: pixel noise and the errors
//! of poses, lenses and clocks. With `C` the covariance of all projections and `J` the Jacobian by the point, the
//! statistic `min over δ of (r - J δ)ᵀ C⁻¹ (r - J δ)` is chi-square with `2 n - 3` degrees of freedom when nothing is
//! mistaken. It is told as a normal deviate by the transformation of Wilson & Hilferty 1931.

use nalgebra::{DMatrix, DVector};

use crate::calibration_error::{CalibratedView, CalibrationCovariance};
use crate::pair::Pairs;
use crate::point::{Triangulated, TriangulationError, View, projected};

/// A point whose views agree.
#[derive(Debug, Clone, PartialEq)]
pub struct Agreeing {
    /// The point.
    pub point: Triangulated,
    /// Indices of the views used, rising.
    pub used: Vec<usize>,
    /// Disagreement that remains, as a normal deviate.
    pub deviate: f64,
}

/// The point on which the views agree within `limit_sds`. With more than two views, one may be left out for it: the one
/// without which the others agree best, provided that no other choice gives a clearly different point.
///
/// # Errors
/// As [`triangulate`]; [`TriangulationError::Disagree`] when no choice of views agrees;
/// [`TriangulationError::Undecided`] when two choices do, on different points.
pub fn triangulate_agreeing(
    seen: &[CalibratedView],
    calibration: &CalibrationCovariance,
    limit_sds: f64,
) -> Result<Agreeing, TriangulationError> {
    Judge { calibration, pairs: Pairs::default(), limit_sds }.agreeing(seen)
}

/// What is needed to judge views.
#[derive(Debug, Clone)]
pub(crate) struct Judge<'a> {
    pub(crate) calibration: &'a CalibrationCovariance,
    /// The cameras' pairs; views of others are triangulated one by one.
    pub(crate) pairs: Pairs<'a>,
    pub(crate) limit_sds: f64,
}

impl Judge<'_> {
    /// As [`triangulate_agreeing`].
    pub(crate) fn agreeing(&self, seen: &[CalibratedView]) -> Result<Agreeing, TriangulationError> {
        let refusal = match self.attempt(seen, (0..seen.len()).collect()) {
            Ok(whole) if whole.deviate <= self.limit_sds => return Ok(whole),
            Ok(whole) => TriangulationError::Disagree { deviate: whole.deviate, limit: self.limit_sds },
            Err(error) => error,
        };
        if seen.len() < 3 {
            return Err(refusal);
        }
        let mut passing: Vec<(usize, Agreeing)> = (0..seen.len())
            .filter_map(|left_out| {
                let others = (0..seen.len()).filter(|&i| i != left_out).collect();
                Some((left_out, self.attempt(seen, others).ok()?))
            })
            .filter(|(_, choice)| choice.deviate <= self.limit_sds)
            .collect();
        passing.sort_by(|a, b| a.1.deviate.total_cmp(&b.1.deviate));
        let mut passing = passing.into_iter();
        let Some((left_out, best)) = passing.next() else { return Err(refusal) };
        for (other, choice) in passing {
            let apart = choice.point.position - best.point.position;
            let spread = self.calibration.error_parts(&best.point.position, &chosen(seen, &best.used))?.total()
                + self.calibration.error_parts(&choice.point.position, &chosen(seen, &choice.used))?.total();
            let squared = spread.cholesky().map_or(f64::INFINITY, |c| apart.dot(&c.solve(&apart)));
            if normal_deviate(squared, 3) > self.limit_sds {
                return Err(TriangulationError::Undecided { first: left_out, second: other });
            }
        }
        Ok(best)
    }

    fn attempt(&self, seen: &[CalibratedView], used: Vec<usize>) -> Result<Agreeing, TriangulationError> {
        let seen = chosen(seen, &used);
        let views: Vec<View> = seen.iter().map(|s| s.view).collect();
        let point = self.pairs.triangulate(&views)?;
        let deviate = disagreement(&point, &seen, self.calibration)?;
        Ok(Agreeing { point, used, deviate })
    }
}

fn chosen<'a>(seen: &[CalibratedView<'a>], used: &[usize]) -> Vec<CalibratedView<'a>> {
    used.iter().map(|&i| seen[i]).collect()
}

/// The disagreement of the views at their least-squares point, as a normal deviate.
fn disagreement(
    point: &Triangulated,
    seen: &[CalibratedView],
    calibration: &CalibrationCovariance,
) -> Result<f64, TriangulationError> {
    let size = 2 * seen.len();
    let mut covariance = calibration.in_pixels(&point.position, seen)?;
    let mut residual = DVector::zeros(size);
    let mut by_point = DMatrix::zeros(size, 3);
    for (index, s) in seen.iter().enumerate() {
        let (px, jacobian) = projected(&s.view, index, &point.position)?;
        residual.fixed_rows_mut::<2>(2 * index).copy_from(&(s.view.px - px));
        by_point.fixed_rows_mut::<2>(2 * index).copy_from(&jacobian);
        for axis in 0..2 {
            covariance[(2 * index + axis, 2 * index + axis)] += s.view.sd_px * s.view.sd_px;
        }
    }
    let factor = covariance.cholesky().ok_or(TriangulationError::NotSettled)?;
    let lower = factor.l();
    let whitened = lower.solve_lower_triangular(&residual).ok_or(TriangulationError::NotSettled)?;
    let basis = lower.solve_lower_triangular(&by_point).ok_or(TriangulationError::NotSettled)?;
    let along = basis.transpose() * &whitened;
    let normal = (basis.transpose() * &basis).cholesky().ok_or(TriangulationError::NotSettled)?;
    let squared = whitened.norm_squared() - along.dot(&normal.solve(&along));
    Ok(normal_deviate(squared, size - 3))
}

/// The normal deviate of the same upper tail as a chi-square (Wilson & Hilferty 1931).
fn normal_deviate(chi_squared: f64, freedom: usize) -> f64 {
    let spread = 2.0 / (9.0 * freedom as f64);
    ((chi_squared.max(0.0) / freedom as f64).cbrt() - (1.0 - spread)) / spread.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration_error::ViewSource;
    use crate::calibration_error::tests::{lens, rig};
    use crate::point::tests::camera_at;
    use midline_geometry::{Camera, LensModel};
    use nalgebra::{Point3, Vector2};

    fn cameras(count: usize) -> Vec<Camera> {
        let places = [[-6.0, -7.0, 1.5], [6.5, -6.0, 2.0], [7.0, 8.0, 1.8], [-6.0, 9.0, 2.5]];
        places[..count].iter().map(|place| camera_at(*place, [0.0, 0.0, 1.0], LensModel::Pinhole)).collect()
    }

    fn exact_calibration(cameras: &[Camera]) -> CalibrationCovariance {
        let names = ["a", "b", "c", "d"];
        let named: Vec<(&str, &Camera)> = names.into_iter().zip(cameras).collect();
        let lenses: Vec<_> = named.iter().map(|(name, camera)| lens(name, camera, &DMatrix::zeros(4, 4))).collect();
        CalibrationCovariance::new(&rig(&named, &DMatrix::zeros(6 * cameras.len(), 6 * cameras.len())), &lenses)
            .unwrap()
    }

    fn seen<'a>(cameras: &'a [Camera], point: &Point3<f64>) -> Vec<CalibratedView<'a>> {
        cameras
            .iter()
            .enumerate()
            .map(|(index, camera)| CalibratedView {
                view: View { camera, px: camera.project(point).unwrap(), sd_px: 1.0 },
                source: ViewSource { camera: index, velocity_px_per_second: Vector2::zeros(), clock_sd_seconds: 0.0 },
            })
            .collect()
    }

    #[test]
    fn the_deviate_follows_the_chi_square_table() {
        // Handbook table of the chi-square distribution, upper 5 % and 1 %; the normal deviates are 1.645 and 2.326.
        for (freedom, upper5, upper1) in [(1, 3.841, 6.635), (3, 7.815, 11.345), (5, 11.070, 15.086)] {
            assert!((normal_deviate(upper5, freedom) - 1.645).abs() < 0.03);
            assert!((normal_deviate(upper1, freedom) - 2.326).abs() < 0.04);
        }
    }

    #[test]
    fn one_mistaken_view_of_four_is_left_out_and_of_two_is_refused() {
        let point = Point3::new(0.2, 0.3, 1.1);
        let four = cameras(4);
        let calibration = exact_calibration(&four);
        let mut views = seen(&four, &point);
        views[2].view.px += Vector2::new(25.0, -40.0);
        let found = triangulate_agreeing(&views, &calibration, 4.0).unwrap();
        assert_eq!(found.used, [0, 1, 3]);
        assert!((found.point.position - point).norm() < 1e-8);

        let pair = [views[1], views[2]];
        assert!(matches!(triangulate_agreeing(&pair, &calibration, 4.0), Err(TriangulationError::Disagree { .. })));
    }

    #[test]
    fn two_explanations_with_different_points_are_undecided() {
        // The third view is moved along its epipolar line of the first: the pair (first, third) agrees on a wrong point.
        let point = Point3::new(0.2, 0.3, 1.1);
        let three = cameras(3);
        let calibration = exact_calibration(&three);
        let mut views = seen(&three, &point);
        let along_first = point + (point - three[0].centre_world()).normalize() * 0.4;
        views[2].view.px = three[2].project(&along_first).unwrap();
        assert!(matches!(triangulate_agreeing(&views, &calibration, 4.0), Err(TriangulationError::Undecided { .. })));
    }

    #[test]
    fn an_uncertain_clock_excuses_a_fast_point() {
        let point = Point3::new(0.2, 0.3, 1.1);
        let pair = cameras(2);
        let calibration = exact_calibration(&pair);
        let mut views = seen(&pair, &point);
        let velocity = Vector2::new(300.0, 4000.0);
        views[1].source.velocity_px_per_second = velocity;
        views[1].view.px += velocity * 0.004;
        assert!(triangulate_agreeing(&views, &calibration, 4.0).is_err());
        views[1].source.clock_sd_seconds = 0.003;
        assert!(triangulate_agreeing(&views, &calibration, 4.0).is_ok());
    }
}
