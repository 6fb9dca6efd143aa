//! One point from any number of views.
//!
//! Linear start in the inhomogeneous form of Hartley & Sturm 1997 ("Triangulation", section 5.1) from undistorted rays,
//! then Gauss-Newton on the reprojection error in (distorted) pixels: the maximum-likelihood estimate for Gaussian pixel
//! noise. The covariance is the inverse of the normal matrix.

use midline_geometry::{Camera, IntrinsicsError};
use nalgebra::{Matrix2x3, Matrix3, Point3, Vector2, Vector3};

/// Gauss-Newton steps before giving up; three to five are usual.
const MOST_STEPS: usize = 30;

/// A step that moves the projections by less than this many standard deviations ends the iteration.
const SETTLED_SDS: f64 = 1e-9;

/// Largest standard deviation, as a share of the distance to the nearest camera, of a point that is still returned. The
/// distance is nearly Gaussian in its inverse only: past about a quarter, the first-order interval no longer holds.
pub(crate) const LARGEST_RELATIVE_SD: f64 = 0.25;

/// One view of a point.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// The camera.
    pub camera: &'a Camera,
    /// Where it sees the point, in pixels.
    pub px: Vector2<f64>,
    /// Standard deviation of each coordinate, in pixels.
    pub sd_px: f64,
}

/// A point found from its views.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Triangulated {
    /// World position in metres.
    pub position: Point3<f64>,
    /// Covariance from the pixel noise alone, m² (3×3).
    pub covariance: Matrix3<f64>,
    /// Root mean square over the views of the reprojection error's length, in pixels.
    pub reprojection_px: f64,
    /// Sum of the squared residuals in standard deviations; `2 views - 3` degrees of freedom.
    pub chi_squared: f64,
}

/// Why there is no point.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum TriangulationError {
    /// One view fixes only a ray.
    #[error("{views} view(s) of the point; at least two cameras must see it")]
    TooFewViews {
        /// Views given.
        views: usize,
    },
    /// The pixel's standard deviation is not a positive number.
    #[error("view {view}: the pixel's standard deviation is {sd_px}; it must be a positive number of pixels")]
    NoSpread {
        /// Index of the view.
        view: usize,
        /// What was given.
        sd_px: f64,
    },
    /// The lens model has no ray for the pixel.
    #[error("view {view}: {source}")]
    NoRay {
        /// Index of the view.
        view: usize,
        /// Why.
        source: IntrinsicsError,
    },
    /// The rays meet behind a camera: wrong correspondence, wrong pose, or nearly parallel rays.
    #[error(
        "view {view}: the rays meet behind the camera; the pixels do not belong to one point, or the rays are nearly parallel"
    )]
    NotInFront {
        /// Index of the view.
        view: usize,
    },
    /// The rays meet at so small an angle that the distance is not known.
    #[error(
        "the rays meet at {angle_degrees:.2} degrees, which leaves {sd_m:.2} m of standard deviation at {range_m:.2} m; place the cameras farther apart"
    )]
    NearlyParallel {
        /// Largest angle between two rays.
        angle_degrees: f64,
        /// Root of the covariance's trace.
        sd_m: f64,
        /// Distance to the nearest camera.
        range_m: f64,
    },
    /// The iteration does not settle.
    #[error(
        "no minimum of the reprojection error was found near the rays' common point; the views contradict each other grossly"
    )]
    NotSettled,
    /// The views contradict each other.
    #[error(
        "the views disagree by {deviate:.1} standard deviations (limit {limit:.1}); a point is mistaken in one of them"
    )]
    Disagree {
        /// Disagreement as a normal deviate.
        deviate: f64,
        /// Largest allowed.
        limit: f64,
    },
    /// Different subsets of the views agree on different points.
    #[error(
        "leaving out view {first} or view {second} makes the others agree, but on different points; a further camera would decide"
    )]
    Undecided {
        /// View left out by the best explanation.
        first: usize,
        /// View left out by another.
        second: usize,
    },
}

/// Weighted normal equations of the reprojection error at a point.
struct Linearised {
    normal: Matrix3<f64>,
    gradient: Vector3<f64>,
    chi_squared: f64,
    squared_px: f64,
}

fn linearise(views: &[View], point: &Point3<f64>) -> Result<Linearised, TriangulationError> {
    let mut sum =
        Linearised { normal: Matrix3::zeros(), gradient: Vector3::zeros(), chi_squared: 0.0, squared_px: 0.0 };
    for (index, view) in views.iter().enumerate() {
        let (px, by_point) = projected(view, index, point)?;
        let weight = 1.0 / (view.sd_px * view.sd_px);
        let residual = view.px - px;
        sum.normal += by_point.transpose() * by_point * weight;
        sum.gradient += by_point.transpose() * residual * weight;
        sum.chi_squared += residual.norm_squared() * weight;
        sum.squared_px += residual.norm_squared();
    }
    Ok(sum)
}

/// Pixel and its derivative by the point, or which view cannot see it.
pub(crate) fn projected(
    view: &View,
    index: usize,
    point: &Point3<f64>,
) -> Result<(Vector2<f64>, Matrix2x3<f64>), TriangulationError> {
    view.camera.project_with_point_jacobian(point).ok_or(TriangulationError::NotInFront { view: index })
}

/// The point that best explains all views (least squares of the reprojection errors in standard deviations).
///
/// # Errors
/// Fewer than two views, a pixel without a ray, rays that meet behind a camera or at too small an angle to know the
/// distance (standard deviation above a quarter of it); see [`TriangulationError`].
pub fn triangulate(views: &[View]) -> Result<Triangulated, TriangulationError> {
    if views.len() < 2 {
        return Err(TriangulationError::TooFewViews { views: views.len() });
    }
    if let Some(view) = views.iter().position(|v| !(v.sd_px > 0.0 && v.sd_px.is_finite())) {
        return Err(TriangulationError::NoSpread { view, sd_px: views[view].sd_px });
    }
    let mut point = linear_start(views)?;
    let mut here = linearise(views, &point)?;
    for _ in 0..MOST_STEPS {
        let step = solve(&here.normal, &here.gradient).ok_or_else(|| nearly_parallel(views, &point, f64::INFINITY))?;
        let predicted = step.dot(&here.gradient);
        let Some((moved, there)) = lower(views, &point, &step, here.chi_squared) else {
            // At a minimum, rounding alone decides whether the cost falls.
            if predicted > 1e-6 * (1.0 + here.chi_squared) {
                return Err(TriangulationError::NotSettled);
            }
            return finished(views, point, &here);
        };
        (point, here) = (moved, there);
        if predicted < SETTLED_SDS * SETTLED_SDS {
            return finished(views, point, &here);
        }
    }
    Err(TriangulationError::NotSettled)
}

/// The farthest point along the step, halving it, that does not raise the cost.
fn lower(
    views: &[View],
    point: &Point3<f64>,
    step: &Vector3<f64>,
    chi_squared: f64,
) -> Option<(Point3<f64>, Linearised)> {
    let mut share = 1.0;
    for _ in 0..12 {
        let moved = point + step * share;
        if let Ok(there) = linearise(views, &moved)
            && there.chi_squared <= chi_squared * (1.0 + 1e-14)
        {
            return Some((moved, there));
        }
        share *= 0.5;
    }
    None
}

fn finished(views: &[View], position: Point3<f64>, here: &Linearised) -> Result<Triangulated, TriangulationError> {
    let covariance = here.normal.cholesky().ok_or_else(|| nearly_parallel(views, &position, f64::INFINITY))?.inverse();
    let sd_m = covariance.trace().sqrt();
    if !sd_m.is_finite() || sd_m > LARGEST_RELATIVE_SD * nearest_m(views, &position) {
        return Err(nearly_parallel(views, &position, sd_m));
    }
    Ok(Triangulated {
        position,
        covariance,
        reprojection_px: (here.squared_px / views.len() as f64).sqrt(),
        chi_squared: here.chi_squared,
    })
}

fn solve(normal: &Matrix3<f64>, gradient: &Vector3<f64>) -> Option<Vector3<f64>> {
    Some(normal.cholesky()?.solve(gradient)).filter(|step| step.iter().all(|v| v.is_finite()))
}

/// Solves `(x r3 - r1) X = t1 - x t3`, `(y r3 - r2) X = t2 - y t3` over all views.
fn linear_start(views: &[View]) -> Result<Point3<f64>, TriangulationError> {
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    for (index, view) in views.iter().enumerate() {
        let ray = view
            .camera
            .intrinsics
            .normalised_from_px(view.px)
            .map_err(|source| TriangulationError::NoRay { view: index, source })?;
        let rotation = view.camera.camera_from_world.rotation.to_rotation_matrix();
        let translation = view.camera.camera_from_world.translation.vector;
        for axis in 0..2 {
            let row = (rotation.matrix().row(2) * ray[axis] - rotation.matrix().row(axis)).transpose();
            normal += row * row.transpose();
            right += row * (translation[axis] - ray[axis] * translation[2]);
        }
    }
    let start = solve(&normal, &right).ok_or_else(|| nearly_parallel(views, &Point3::origin(), f64::INFINITY))?;
    Ok(Point3::from(start))
}

fn nearest_m(views: &[View], point: &Point3<f64>) -> f64 {
    views.iter().map(|v| (point - v.camera.centre_world()).norm()).fold(f64::INFINITY, f64::min)
}

fn nearly_parallel(views: &[View], point: &Point3<f64>, sd_m: f64) -> TriangulationError {
    let rays: Vec<Vector3<f64>> = views.iter().filter_map(|v| v.camera.ray_world(v.px).ok()).collect();
    let pairs = rays.iter().enumerate().flat_map(|(i, a)| rays[..i].iter().map(move |b| a.angle(b)));
    TriangulationError::NearlyParallel {
        angle_degrees: pairs.fold(0.0, f64::max).to_degrees(),
        sd_m,
        range_m: nearest_m(views, point),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::Pair;
    use midline_geometry::{Intrinsics, LensModel, ReadOut, RigidTransform};
    use nalgebra::Rotation3;
    use proptest::prelude::*;
    use rand::{SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, StandardNormal};

    /// A camera at `centre` that looks at `target` with the horizon level; 1500 px focal length, 1920 × 1080.
    pub(crate) fn camera_at(centre: [f64; 3], target: [f64; 3], model: LensModel) -> Camera {
        let (centre, target) = (Vector3::from(centre), Vector3::from(target));
        let forward = (target - centre).normalize();
        let right = forward.cross(&Vector3::z()).normalize();
        let down = forward.cross(&right);
        let rotation = Rotation3::from_matrix_unchecked(Matrix3::from_rows(&[
            right.transpose(),
            down.transpose(),
            forward.transpose(),
        ]));
        Camera {
            intrinsics: Intrinsics {
                focal_px: [1500.0, 1500.0],
                centre_px: [960.0, 540.0],
                model,
                size_px: [1920, 1080],
            },
            camera_from_world: RigidTransform::from_parts((-(rotation * centre)).into(), rotation.into()),
            read_out: ReadOut::default(),
        }
    }

    pub(crate) fn converging(degrees: f64, range_m: f64) -> [Camera; 2] {
        let half = (degrees / 2.0).to_radians();
        [-1.0, 1.0].map(|side: f64| {
            let centre = [side * range_m * half.sin(), -range_m * half.cos(), 0.0];
            camera_at(centre, [0.0; 3], LensModel::Pinhole)
        })
    }

    fn views(cameras: &[Camera], px: &[Vector2<f64>]) -> Vec<View<'static>> {
        let cameras: &'static [Camera] = Box::leak(cameras.to_vec().into_boxed_slice());
        cameras.iter().zip(px).map(|(camera, px)| View { camera, px: *px, sd_px: 1.0 }).collect()
    }

    /// The two cameras of the reference case below, taken apart from their 3 × 4 matrices.
    fn reference_cameras() -> [Camera; 2] {
        let half = std::f64::consts::FRAC_1_SQRT_2;
        [1.0, -1.0].map(|side| {
            let rotation = Matrix3::new(half, -half * side, 0.0, 0.0, 0.0, -1.0, half * side, half, 0.0);
            Camera {
                camera_from_world: RigidTransform::from_parts(
                    Vector3::new(0.0, 1.0, 10.0).into(),
                    Rotation3::from_matrix_unchecked(rotation).into(),
                ),
                ..camera_at([0.0, -10.0, 0.0], [0.0; 3], LensModel::Pinhole)
            }
        })
    }

    #[test]
    fn agrees_with_a_general_least_squares_optimiser() {
        // Reference: scipy.optimize.least_squares on the four reprojection residuals of the 3 × 4 projection matrices
        // P1 = [[1739.4827, -381.8377, 0, 9600], [381.8377, 381.8377, -1500, 6900], [0.7071, 0.7071, 0, 10]] and P2, its
        // mirror image in x (`tests/reference/two_view_optimum.py`).
        let cameras = reference_cameras();
        let point = Point3::new(0.3, -0.4, 1.2);
        let exact = [Vector2::new(1034.7749507721, 509.7863572835), Vector2::new(948.8410588764, 508.4377482427)];
        for (camera, px) in cameras.iter().zip(&exact) {
            assert!((camera.project(&point).unwrap() - px).norm() < 1e-9);
        }
        let found = triangulate(&views(&cameras, &exact)).unwrap();
        assert!((found.position - point).norm() < 1e-9);

        let moved = [exact[0] + Vector2::new(2.0, -3.0), exact[1] + Vector2::new(-1.0, 4.0)];
        let quickly = Pair::new([&cameras[0], &cameras[1]]).triangulate(moved, [1.0; 2]);
        for found in [triangulate(&views(&cameras, &moved)), quickly] {
            let found = found.unwrap();
            assert!((found.position - Point3::new(0.304_042_98, -0.413_499_51, 1.196_065_51)).norm() < 2e-8);
            assert!((found.chi_squared - 24.480_217_08).abs() < 1e-7, "{}", found.chi_squared);
            assert!((found.reprojection_px - (24.480_217_08f64 / 2.0).sqrt()).abs() < 1e-8);
        }
    }

    #[test]
    fn covariance_is_the_closed_form_of_a_symmetric_pair() {
        // First-order bound of a symmetric pair: lateral Zσ/(f√2 cos θ/2), depth Zσ/(f√2 sin θ/2), vertical Zσ/(f√2).
        // At 90 degrees, f 1500 px, 10 m, 1 px: 6.667, 6.667 and 4.714 mm.
        for (degrees, expected_mm) in [(90.0, [6.6667, 6.6667, 4.7140]), (40.0, [5.0166, 13.7830, 4.7140])] {
            let cameras = converging(degrees, 10.0);
            let px = [cameras[0].project(&Point3::origin()).unwrap(), cameras[1].project(&Point3::origin()).unwrap()];
            let quickly = Pair::new([&cameras[0], &cameras[1]]).triangulate(px, [1.0; 2]);
            for found in [triangulate(&views(&cameras, &px)), quickly] {
                let covariance = found.unwrap().covariance;
                for (axis, expected) in expected_mm.into_iter().enumerate() {
                    let sd_mm = 1000.0 * covariance[(axis, axis)].sqrt();
                    assert!((sd_mm - expected).abs() < 1e-3, "{degrees} degrees, axis {axis}: {sd_mm} for {expected}");
                }
            }
        }
    }

    #[test]
    fn scatter_of_noisy_points_matches_the_stated_covariance() {
        let model = LensModel::BrownConrady([-0.12, 0.03, 0.0008, -0.0005, 0.0]);
        let cameras = [
            camera_at([-5.0, -6.0, 1.6], [0.0, 0.5, 1.0], model),
            camera_at([6.0, -3.0, 2.1], [0.0, 0.5, 1.0], LensModel::Pinhole),
            camera_at([0.5, 9.0, 2.4], [0.0, 0.5, 1.0], LensModel::Fisheye([0.02, -0.01, 0.0, 0.0])),
        ];
        let truth = Point3::new(0.4, 0.8, 1.3);
        let sds = [1.0, 2.0, 1.5];
        let mut random = StdRng::seed_from_u64(7);
        let trials = 20_000;
        let (mut scatter, mut inside, mut chi_squared) = (Matrix3::zeros(), 0, 0.0);
        let mut stated = Matrix3::zeros();
        for _ in 0..trials {
            let noisy: Vec<View> = cameras
                .iter()
                .zip(sds)
                .map(|(camera, sd_px)| {
                    let mut noise = || -> f64 { StandardNormal.sample(&mut random) };
                    let px = camera.project(&truth).unwrap() + Vector2::new(noise(), noise()) * sd_px;
                    View { camera, px, sd_px }
                })
                .collect();
            let found = triangulate(&noisy).unwrap();
            let error = found.position - truth;
            scatter += error * error.transpose() / f64::from(trials);
            stated = found.covariance;
            chi_squared += found.chi_squared / f64::from(trials);
            // 95 % of a chi-square with 3 degrees of freedom: 7.815 (handbook table).
            inside += i32::from(error.dot(&found.covariance.cholesky().unwrap().solve(&error)) < 7.815);
        }
        let ratio = scatter.trace() / stated.trace();
        let share = f64::from(inside) / f64::from(trials);
        println!(
            "scatter / stated variance {ratio:.4}; 95 % region covers {share:.4}; mean chi-square {chi_squared:.3} of 3"
        );
        assert!((ratio - 1.0).abs() < 0.03);
        assert!((share - 0.95).abs() < 0.006);
        assert!((chi_squared - 3.0).abs() < 0.06);
    }

    #[test]
    fn nearly_parallel_rays_never_give_a_confident_point() {
        // A point 40 m away seen from places 20 mm and 200 mm apart: disparities of 0.75 px and 7.5 px with a standard
        // deviation of 1.41 px. The first is lost in the noise; the second leaves about a fifth of the distance open.
        let truth = Point3::new(0.0, 40.0, 0.0);
        let mut random = StdRng::seed_from_u64(3);
        let mut trial = |apart_m: f64| {
            let cameras = [-0.5, 0.5].map(|side| {
                let x = side * apart_m;
                camera_at([x, 0.0, 0.0], [x, 1.0, 0.0], LensModel::Pinhole)
            });
            let px: Vec<Vector2<f64>> = cameras
                .iter()
                .map(|c| {
                    let noise: [f64; 2] = [StandardNormal.sample(&mut random), StandardNormal.sample(&mut random)];
                    c.project(&truth).unwrap() + Vector2::from(noise)
                })
                .collect();
            triangulate(&views(&cameras, &px))
        };
        for (apart_m, accepted_between) in [(0.02, 0..60), (0.2, 1400..2000)] {
            let found: Vec<Triangulated> = (0..2000)
                .filter_map(|_| match trial(apart_m) {
                    Ok(found) => Some(found),
                    Err(
                        TriangulationError::NearlyParallel { .. }
                        | TriangulationError::NotInFront { .. }
                        | TriangulationError::NotSettled,
                    ) => None,
                    Err(other) => panic!("{other}"),
                })
                .collect();
            println!("{apart_m} m apart: {} of 2000 accepted", found.len());
            assert!(accepted_between.contains(&found.len()));
            for point in &found {
                let sd = point.covariance.trace().sqrt();
                assert!(sd > 0.08 * point.position.y);
                assert!((point.position.y - 40.0).abs() < 10.0 * sd);
            }
        }
    }

    #[test]
    fn bad_views_are_told_apart() {
        let cameras = converging(90.0, 10.0);
        let centre = Vector2::new(960.0, 540.0);
        let one = views(&cameras[..1], &[centre]);
        assert_eq!(triangulate(&one), Err(TriangulationError::TooFewViews { views: 1 }));
        let mut two = views(&cameras, &[centre, centre]);
        two[1].sd_px = 0.0;
        assert_eq!(triangulate(&two), Err(TriangulationError::NoSpread { view: 1, sd_px: 0.0 }));
        two[1].sd_px = 1.0;
        two[0].px.x = f64::NAN;
        assert!(matches!(triangulate(&two), Err(TriangulationError::NoRay { view: 0, .. })));
        // Diverging rays: the left camera looks left, the right camera right.
        let apart = [-1.0, 1.0].map(|x| camera_at([x, 0.0, 0.0], [5.0 * x, 3.0, 0.0], LensModel::Pinhole));
        assert!(matches!(triangulate(&views(&apart, &[centre, centre])), Err(TriangulationError::NotInFront { .. })));
    }

    proptest! {
        #[test]
        fn exact_pixels_give_the_point_back(
            p in prop::array::uniform3(-1.5..1.5f64), count in 2..5usize, k1 in -0.2..0.1f64,
        ) {
            let model = LensModel::BrownConrady([k1, 0.01, 0.0005, -0.0005, 0.0]);
            let places = [[-6.0, -7.0, 1.5], [6.5, -6.0, 2.0], [7.0, 8.0, 1.8], [-6.0, 9.0, 2.5]];
            let cameras: Vec<Camera> =
                places[..count].iter().map(|place| camera_at(*place, [0.0, 0.0, 0.5], model)).collect();
            let point = Point3::from(p);
            let px: Vec<Vector2<f64>> = cameras.iter().map(|c| c.project(&point).unwrap()).collect();
            let found = triangulate(&views(&cameras, &px)).unwrap();
            prop_assert!((found.position - point).norm() < 1e-8);
            prop_assert!(found.chi_squared < 1e-12);
        }
    }
}
