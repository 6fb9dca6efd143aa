//! Points of two cameras, many at a time: the same estimate as [`triangulate`] gives, at a fraction of its cost.
//!
//! The two pixels are undistorted and then corrected as little as possible, in standard deviations, so that their rays meet:
//! Lindstrom 2010 ("Triangulation Made Easy", CVPR, method niter2), with the covariances of the two undistorted pixels in
//! place of his equal circles. His correction starts from the root of a quadratic in the Lagrange multiplier and refines it
//! once; what is left of the epipolar constraint is checked, not assumed. Where a lens has distortion, the covariance of an
//! undistorted pixel changes a little over the correction, and one Gauss-Newton step on the distorted pixels takes that up.
//! The covariance is the inverse of the normal matrix at the point, as for [`triangulate`]. What any check doubts (large
//! corrections, rays that part, rays that are nearly parallel) goes through [`triangulate`].

use midline_geometry::{Camera, LensModel};
use nalgebra::{Matrix2, Matrix3, Point3, Vector2, Vector3};

use crate::point::{LARGEST_RELATIVE_SD, Triangulated, TriangulationError, View, triangulate};

/// Part of the epipolar constraint, in standard deviations, that may be left after the correction.
const LARGEST_LEFT_SDS: f64 = 1e-6;

/// Largest correction of both pixels together, in normalised coordinates (some 15 px of a phone's picture): what the second
/// step leaves grows with its square, and so large an error is a gross one.
const LARGEST_CORRECTION: f64 = 0.01;

/// Longest last step, in standard deviations: what it leaves is a thousandth of it or less.
const LONGEST_STEP_SDS: f64 = 0.02;

/// Two cameras made ready for many points.
#[derive(Debug, Clone)]
pub struct Pair<'a> {
    sides: [Side<'a>; 2],
    /// `a · essential b = 0` for rays `a` and `b` of one point in the frames of the first and second camera.
    essential: Matrix3<f64>,
    /// Takes directions in the second camera's frame to the first's.
    first_from_second: Matrix3<f64>,
    /// From the first camera's centre to the second's in the first camera's frame, metres.
    baseline: Vector3<f64>,
}

#[derive(Debug, Clone)]
struct Side<'a> {
    camera: &'a Camera,
    /// Rows of the rotation that takes the world to the camera.
    rows: [[f64; 3]; 3],
    centre: Vector3<f64>,
    pinhole: bool,
    focal_px: [f64; 2],
    over_focal: [f64; 2],
    centre_px: [f64; 2],
}

/// All ordered pairs of some cameras.
#[derive(Debug, Clone, Default)]
pub(crate) struct Pairs<'a>(Vec<Pair<'a>>);

/// How far two pixels are from the views of one point.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Disparity {
    /// The epipolar constraint's value, of no unit of its own.
    pub(crate) value: f64,
    /// Squared length of its derivative by each of the two pixels: to first order its variance is the sum of these times the
    /// pixels' variances (Sampson 1982; Hartley & Zisserman 2004, section 11.4.3).
    pub(crate) variance_by_pixel: [f64; 2],
}

/// A pixel without its distortion.
struct Undistorted {
    /// Normalised coordinates.
    at: Vector2<f64>,
    /// Their covariance.
    covariance: Matrix2<f64>,
}

/// Normal equations of the reprojection error; of the symmetric matrix xx, xy, xz, yy, yz, zz.
#[derive(Default)]
struct Sums {
    normal: [f64; 6],
    gradient: [f64; 3],
    chi_squared: f64,
    squared_px: f64,
}

impl<'a> Pair<'a> {
    /// Makes two cameras ready.
    #[must_use]
    pub fn new(cameras: [&'a Camera; 2]) -> Self {
        let rotations = cameras.map(|camera| camera.camera_from_world.rotation.to_rotation_matrix().into_inner());
        let sides = [0, 1].map(|i| Side {
            camera: cameras[i],
            rows: rotations[i].transpose().into(),
            centre: cameras[i].centre_world().coords,
            pinhole: cameras[i].intrinsics.model == LensModel::Pinhole,
            focal_px: cameras[i].intrinsics.focal_px,
            over_focal: cameras[i].intrinsics.focal_px.map(|f| 1.0 / f),
            centre_px: cameras[i].intrinsics.centre_px,
        });
        let first_from_second = rotations[0] * rotations[1].transpose();
        let baseline = rotations[0] * (sides[1].centre - sides[0].centre);
        Self { essential: baseline.cross_matrix() * first_from_second, first_from_second, baseline, sides }
    }

    /// Whether these are its cameras, in this order.
    fn is_of(&self, cameras: [&Camera; 2]) -> bool {
        (0..2).all(|i| std::ptr::eq(self.sides[i].camera, cameras[i]))
    }

    /// The point that best explains two pixels with these standard deviations per coordinate, in pixels; as [`triangulate`]
    /// with these two views. Allocates nothing.
    ///
    /// Against [`triangulate`], positions differ by less than 1e-4 of their standard deviation, covariances by less than 1e-4
    /// of their size.
    ///
    /// # Errors
    /// As [`triangulate`].
    pub fn triangulate(&self, px: [Vector2<f64>; 2], sd_px: [f64; 2]) -> Result<Triangulated, TriangulationError> {
        match self.quickly(px, sd_px) {
            Some(found) => Ok(found),
            None => self.carefully(px, sd_px),
        }
    }

    /// Many points into a list that is emptied first and can be used again: pixels and their standard deviations as for
    /// [`Pair::triangulate`], answers in the same order. Allocates only while the list grows.
    pub fn triangulate_into(
        &self,
        seen: impl IntoIterator<Item = ([Vector2<f64>; 2], [f64; 2])>,
        found: &mut Vec<Result<Triangulated, TriangulationError>>,
    ) {
        found.clear();
        found.extend(seen.into_iter().map(|(px, sd_px)| self.triangulate(px, sd_px)));
    }

    /// How far two pixels are from the views of one point; `None` where a lens cannot be inverted.
    pub(crate) fn disparity(&self, px: [Vector2<f64>; 2]) -> Option<Disparity> {
        let [x, y] = [self.sides[0].undistorted(px[0], 1.0)?, self.sides[1].undistorted(px[1], 1.0)?];
        let [a, b] = [&x, &y].map(|side| Vector3::new(side.at.x, side.at.y, 1.0));
        let (by_x, by_y) = ((self.essential * b).xy(), self.essential.tr_mul(&a).xy());
        let value = a.dot(&(self.essential * b));
        let variance_by_pixel = [by_x.dot(&(x.covariance * by_x)), by_y.dot(&(y.covariance * by_y))];
        (value.is_finite() && variance_by_pixel.iter().all(|v| *v > 0.0 && v.is_finite()))
            .then_some(Disparity { value, variance_by_pixel })
    }

    #[cold]
    fn carefully(&self, px: [Vector2<f64>; 2], sd_px: [f64; 2]) -> Result<Triangulated, TriangulationError> {
        triangulate(&[0, 1].map(|i| View { camera: self.sides[i].camera, px: px[i], sd_px: sd_px[i] }))
    }

    #[inline]
    fn quickly(&self, px: [Vector2<f64>; 2], sd_px: [f64; 2]) -> Option<Triangulated> {
        let positive = |sd: f64| sd > 0.0 && sd < f64::INFINITY;
        if !(positive(sd_px[0]) && positive(sd_px[1])) {
            return None;
        }
        let seen = [self.sides[0].undistorted(px[0], sd_px[0])?, self.sides[1].undistorted(px[1], sd_px[1])?];
        let corrected = self.corrected(&seen)?;
        let [a, b] = corrected.map(|at| Vector3::new(at.x, at.y, 1.0));
        let b_in_first = self.first_from_second * b;
        // a · depth_a = baseline + b · depth_b
        let normal = a.cross(&b_in_first);
        let over = 1.0 / normal.norm_squared();
        let depths =
            [self.baseline.cross(&b_in_first).dot(&normal) * over, self.baseline.cross(&a).dot(&normal) * over];
        if depths.iter().any(|depth| depth.is_nan() || *depth <= 0.0) {
            return None;
        }
        let mut point = self.sides[0].centre + self.sides[0].to_world(&(a * depths[0]));
        let mut sums = Sums::default();
        for i in 0..2 {
            self.sides[i].add(&corrected[i], depths[i], &px[i], sd_px[i], &mut sums)?;
        }
        let covariance = inverse(&sums.normal)?;
        let mut chi_squared = sums.chi_squared;
        if !(self.sides[0].pinhole && self.sides[1].pinhole) {
            let gradient = Vector3::from(sums.gradient);
            let step = covariance * gradient;
            let gain = step.dot(&gradient);
            if gain.is_nan() || gain > LONGEST_STEP_SDS * LONGEST_STEP_SDS {
                return None;
            }
            point += step;
            chi_squared -= gain;
        }
        let near = depths[0].min(depths[1]);
        // Otherwise the careful way says what is wrong. A point's distance is at least its depth.
        (covariance.trace() <= LARGEST_RELATIVE_SD * LARGEST_RELATIVE_SD * near * near).then(|| Triangulated {
            position: Point3::from(point),
            covariance,
            reprojection_px: (0.5 * sums.squared_px).sqrt(),
            chi_squared,
        })
    }

    /// The nearest normalised coordinates, in standard deviations, whose rays meet.
    #[inline]
    fn corrected(&self, seen: &[Undistorted; 2]) -> Option<[Vector2<f64>; 2]> {
        let e = &self.essential;
        let part = Matrix2::new(e.m11, e.m12, e.m21, e.m22);
        let [x, y] = [seen[0].at, seen[1].at];
        let [s, t] = [&seen[0].covariance, &seen[1].covariance];
        // The constraint's derivatives by the two points, its value, and the directions in which to correct.
        let by_x = part * y + Vector2::new(e.m13, e.m23);
        let by_y = part.tr_mul(&x) + Vector2::new(e.m31, e.m32);
        let value = x.dot(&by_x) + e.m31 * y.x + e.m32 * y.y + e.m33;
        let (along_x, along_y) = (s * by_x, t * by_y);
        let a = along_x.dot(&(part * along_y));
        let b = 0.5 * (by_x.dot(&along_x) + by_y.dot(&along_y));
        let root = (b * b - a * value).sqrt();
        let multiplier = value / (b + root);
        let by_x = by_x - part * (along_y * multiplier);
        let by_y = by_y - part.tr_mul(&(along_x * multiplier));
        let (along_x, along_y) = (s * by_x, t * by_y);
        let slope = by_x.dot(&along_x) + by_y.dot(&along_y);
        let multiplier = multiplier * 2.0 * root / slope;
        let (shift_x, shift_y) = (along_x * multiplier, along_y * multiplier);
        let [x, y] = [x - shift_x, y - shift_y];
        let left = x.dot(&(part * y)) + e.m13 * x.x + e.m23 * x.y + e.m31 * y.x + e.m32 * y.y + e.m33;
        let shift_squared = shift_x.norm_squared() + shift_y.norm_squared();
        // False for what is not a number.
        (left * left <= LARGEST_LEFT_SDS * LARGEST_LEFT_SDS * slope
            && shift_squared <= LARGEST_CORRECTION * LARGEST_CORRECTION)
            .then_some([x, y])
    }
}

impl<'a> Pairs<'a> {
    pub(crate) fn new(cameras: &[&'a Camera]) -> Self {
        let others = |a: usize| (0..cameras.len()).filter(move |b| *b != a);
        let all = (0..cameras.len()).flat_map(|a| others(a).map(move |b| Pair::new([cameras[a], cameras[b]])));
        Self(all.collect())
    }

    pub(crate) fn of(&self, cameras: [&Camera; 2]) -> Option<&Pair<'a>> {
        self.0.iter().find(|pair| pair.is_of(cameras))
    }

    /// As [`triangulate`], the quick way where there are two views.
    pub(crate) fn triangulate(&self, views: &[View]) -> Result<Triangulated, TriangulationError> {
        if let [a, b] = views
            && let Some(pair) = self.of([a.camera, b.camera])
        {
            return pair.triangulate([a.px, b.px], [a.sd_px, b.sd_px]);
        }
        triangulate(views)
    }
}

impl Side<'_> {
    #[inline]
    fn undistorted(&self, px: Vector2<f64>, sd_px: f64) -> Option<Undistorted> {
        if self.pinhole {
            let at = Vector2::new(
                (px.x - self.centre_px[0]) * self.over_focal[0],
                (px.y - self.centre_px[1]) * self.over_focal[1],
            );
            let sds = self.over_focal.map(|over| sd_px * over);
            return Some(Undistorted { at, covariance: Matrix2::new(sds[0] * sds[0], 0.0, 0.0, sds[1] * sds[1]) });
        }
        let (at, by) = self.camera.intrinsics.normalised_with_jacobian_from_px(px).ok()?;
        let variance = sd_px * sd_px;
        let across = (by.m11 * by.m21 + by.m12 * by.m22) * variance;
        let xx = (by.m11 * by.m11 + by.m12 * by.m12) * variance;
        let yy = (by.m21 * by.m21 + by.m22 * by.m22) * variance;
        Some(Undistorted { at, covariance: Matrix2::new(xx, across, across, yy) })
    }

    /// A direction in the camera's frame, in the world's.
    #[inline]
    fn to_world(&self, seen: &Vector3<f64>) -> Vector3<f64> {
        let [a, b, c] = &self.rows;
        Vector3::new(
            a[0] * seen.x + b[0] * seen.y + c[0] * seen.z,
            a[1] * seen.x + b[1] * seen.y + c[1] * seen.z,
            a[2] * seen.x + b[2] * seen.y + c[2] * seen.z,
        )
    }

    /// Adds this view of a point at normalised coordinates and a depth.
    #[inline]
    fn add(&self, at: &Vector2<f64>, depth: f64, px: &Vector2<f64>, sd_px: f64, sums: &mut Sums) -> Option<()> {
        let ([fx, fy], [cx, cy]) = (self.focal_px, self.centre_px);
        let (off, [[xx, xy], [yx, yy]]) = if self.pinhole {
            ([px.x - fx * at.x - cx, px.y - fy * at.y - cy], [[fx, 0.0], [0.0, fy]])
        } else {
            let ray = Vector3::new(at.x, at.y, 1.0);
            let (seen, by_point) = self.camera.intrinsics.project_with_point_jacobian(&ray)?;
            ([px.x - seen.x, px.y - seen.y], [[by_point.m11, by_point.m12], [by_point.m21, by_point.m22]])
        };
        let over_sd = 1.0 / sd_px;
        let scale = over_sd / depth;
        // Derivatives of the normalised coordinates by the point, times the depth.
        let [first, second, third] = &self.rows;
        let by_x = [first[0] - at.x * third[0], first[1] - at.x * third[1], first[2] - at.x * third[2]];
        let by_y = [second[0] - at.y * third[0], second[1] - at.y * third[1], second[2] - at.y * third[2]];
        for (u, v, off) in [(xx * scale, xy * scale, off[0] * over_sd), (yx * scale, yy * scale, off[1] * over_sd)] {
            let (a, b, c) = (u * by_x[0] + v * by_y[0], u * by_x[1] + v * by_y[1], u * by_x[2] + v * by_y[2]);
            let [aa, ab, ac, bb, bc, cc] = &mut sums.normal;
            *aa += a * a;
            *ab += a * b;
            *ac += a * c;
            *bb += b * b;
            *bc += b * c;
            *cc += c * c;
            let [by_a, by_b, by_c] = &mut sums.gradient;
            *by_a += a * off;
            *by_b += b * off;
            *by_c += c * off;
            sums.chi_squared += off * off;
        }
        sums.squared_px += off[0] * off[0] + off[1] * off[1];
        Some(())
    }
}

/// Inverse of a symmetric positive matrix by its cofactors.
#[inline]
fn inverse(&[xx, xy, xz, yy, yz, zz]: &[f64; 6]) -> Option<Matrix3<f64>> {
    let (a, b, c) = (yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy);
    let determinant = xx * a + xy * b + xz * c;
    // Relative to the product of the diagonal: below, the digits are used up.
    if determinant.is_nan() || determinant <= 1e-11 * xx * yy * zz {
        return None;
    }
    let over = 1.0 / determinant;
    let (d, e, f) = (xx * zz - xz * xz, xy * xz - xx * yz, xx * yy - xy * xy);
    let [a, b, c, d, e, f] = [a * over, b * over, c * over, d * over, e * over, f * over];
    Some(Matrix3::new(a, b, c, b, d, e, c, e, f))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::point::tests::{camera_at, converging};
    use midline_solver::{LeastSquares, Options, minimise};
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};

    proptest! {
        #[test]
        fn the_quick_way_is_the_careful_way(
            x in -1.5..1.5f64, y in -1.5..1.5f64, z in 0.0..2.5f64,
            off in proptest::array::uniform4(-4.0..4.0f64), lens in 0..3usize, sd in 0.3..3.0f64,
        ) {
            let model = [
                LensModel::Pinhole,
                LensModel::BrownConrady([-0.12, 0.03, 0.0008, -0.0005, 0.0]),
                LensModel::Fisheye([0.02, -0.01, 0.0, 0.0]),
            ][lens];
            let cameras =
                [camera_at([-5.0, -6.0, 1.6], [0.0, 0.3, 1.0], model), camera_at([5.5, -5.0, 2.1], [0.0, 0.3, 1.0], model)];
            let point = Point3::new(x, y, z);
            let px = [0, 1].map(|i| cameras[i].project(&point).unwrap() + Vector2::new(off[2 * i], off[2 * i + 1]));
            let pair = Pair::new([&cameras[0], &cameras[1]]);
            let quick = pair.quickly(px, [1.0, sd]).unwrap();
            let careful = pair.carefully(px, [1.0, sd]).unwrap();
            let sd_m = careful.covariance.trace().sqrt();
            prop_assert!((quick.position - careful.position).norm() < 1e-4 * sd_m);
            prop_assert!((quick.covariance - careful.covariance).norm() < 1e-4 * careful.covariance.norm());
            prop_assert!((quick.chi_squared - careful.chi_squared).abs() < 1e-6 * (1.0 + careful.chi_squared));
            prop_assert!((quick.reprojection_px - careful.reprojection_px).abs() < 1e-3 * (1.0 + careful.reprojection_px));
        }
    }

    /// The reprojection error of two views as a problem of the general solver.
    struct TwoViews<'a> {
        cameras: &'a [Camera; 2],
        px: [Vector2<f64>; 2],
    }

    impl LeastSquares for TwoViews<'_> {
        type State = Point3<f64>;

        fn tangent_dim(&self) -> usize {
            3
        }
        fn block_count(&self) -> usize {
            2
        }
        fn block_rows(&self, _: usize) -> usize {
            2
        }
        fn block_columns(&self, _: usize) -> Vec<usize> {
            vec![0, 1, 2]
        }
        fn evaluate(
            &self,
            state: &Point3<f64>,
            block: usize,
            residual: &mut DVector<f64>,
            jacobian: Option<&mut DMatrix<f64>>,
        ) -> bool {
            let Some((px, by_point)) = self.cameras[block].project_with_point_jacobian(state) else { return false };
            residual.copy_from(&(px - self.px[block]));
            if let Some(jacobian) = jacobian {
                jacobian.copy_from(&by_point);
            }
            true
        }
        fn step(&self, state: &Point3<f64>, delta: &DVector<f64>) -> Point3<f64> {
            state + Vector3::new(delta[0], delta[1], delta[2])
        }
    }

    /// For pinhole cameras and equal noise the correction is Lindstrom's own, without a further step. The reference is the
    /// Levenberg-Marquardt of `midline-solver` (checked on NIST StRD) from the true point.
    #[test]
    fn lindstroms_optimum_is_that_of_levenberg_marquardt() {
        let mut random = StdRng::seed_from_u64(29);
        let (mut farthest_sds, mut worst_chi) = (0.0_f64, 0.0_f64);
        for _ in 0..200 {
            let mut draw = |low: f64, high: f64| random.random_range(low..high);
            let cameras = [
                camera_at([draw(-8.0, -1.0), draw(-9.0, -4.0), draw(1.0, 3.0)], [0.0, 0.3, 1.0], LensModel::Pinhole),
                camera_at([draw(1.0, 8.0), draw(-9.0, -4.0), draw(1.0, 3.0)], [0.0, 0.3, 1.0], LensModel::Pinhole),
            ];
            let point = Point3::new(draw(-1.5, 1.5), draw(-1.5, 1.5), draw(0.0, 2.5));
            let px = cameras
                .each_ref()
                .map(|camera| camera.project(&point).unwrap() + Vector2::new(draw(-4.0, 4.0), draw(-4.0, 4.0)));
            let ours = Pair::new([&cameras[0], &cameras[1]]).quickly(px, [1.0; 2]).unwrap();
            let reference = minimise(&TwoViews { cameras: &cameras, px }, point, &Options::default()).unwrap();
            let sd_m = ours.covariance.trace().sqrt();
            farthest_sds = farthest_sds.max((ours.position - reference.state).norm() / sd_m);
            worst_chi = worst_chi.max((ours.chi_squared - 2.0 * reference.cost).abs());
        }
        println!("at most {farthest_sds:.1e} sd and {worst_chi:.1e} px² from Levenberg-Marquardt's optimum");
        assert!(farthest_sds < 2e-5 && worst_chi < 1e-7);
    }

    /// How far the quick way is from the careful one, in standard deviations, by the size of the residuals.
    #[test]
    fn large_residuals_go_the_careful_way_or_agree() {
        let model = LensModel::BrownConrady([0.11, -0.24, 0.0006, -0.0004, 0.08]);
        let mut random = StdRng::seed_from_u64(17);
        for (model, name) in [(LensModel::Pinhole, "pinhole"), (model, "distorted")] {
            let cameras = [
                camera_at([-5.0, -6.0, 1.6], [0.0, 0.3, 1.0], model),
                camera_at([5.5, -5.0, 2.1], [0.0, 0.3, 1.0], model),
            ];
            let pair = Pair::new([&cameras[0], &cameras[1]]);
            for off_px in [1.0, 5.0, 20.0, 100.0] {
                let (mut worst, mut quickly) = (0.0_f64, 0);
                for _ in 0..500 {
                    let mut draw = |low: f64, high: f64| random.random_range(low..high);
                    let point = Point3::new(draw(-1.5, 1.5), draw(-1.5, 1.5), draw(0.0, 2.5));
                    let px = cameras.each_ref().map(|camera| {
                        camera.project(&point).unwrap() + Vector2::new(draw(-off_px, off_px), draw(-off_px, off_px))
                    });
                    let Some(quick) = pair.quickly(px, [1.0; 2]) else { continue };
                    let careful = pair.carefully(px, [1.0; 2]).unwrap();
                    worst = worst.max((quick.position - careful.position).norm() / careful.covariance.trace().sqrt());
                    quickly += 1;
                }
                println!("{name}, ± {off_px} px: {quickly} of 500 quickly, at most {worst:.1e} sd apart");
                assert!(worst < 1e-4, "{worst}");
                assert!(off_px > 5.0 || quickly == 500, "{quickly}");
            }
        }
    }

    #[test]
    fn what_is_no_point_is_refused_for_the_same_reason() {
        let cameras = converging(0.02, 10.0);
        let middle = Vector2::new(960.0, 540.0);
        let pair = Pair::new([&cameras[0], &cameras[1]]);
        assert!(matches!(pair.triangulate([middle; 2], [1.0; 2]), Err(TriangulationError::NearlyParallel { .. })));
        let cameras = converging(60.0, 10.0);
        let pair = Pair::new([&cameras[0], &cameras[1]]);
        // Each sees it on its outer side: the rays part.
        let parting = [Vector2::new(0.0, 540.0), Vector2::new(1919.0, 540.0)];
        assert!(matches!(pair.triangulate(parting, [1.0; 2]), Err(TriangulationError::NotInFront { .. })));
        assert!(pair.triangulate([Vector2::new(f64::NAN, 1.0), middle], [1.0; 2]).is_err());
        assert_eq!(
            pair.triangulate([middle; 2], [1.0, 0.0]),
            Err(TriangulationError::NoSpread { view: 1, sd_px: 0.0 })
        );
    }
}
