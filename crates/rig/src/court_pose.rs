//! The pose of one camera from named court points.

use midline_geometry::{Intrinsics, RigidTransform};
use midline_session::court::Court;
use midline_solver::Loss;
use nalgebra::{DMatrix, Point3, Vector3};

use crate::RigError;
use crate::homography::{largest_plane, pose_of_plane};
use crate::input::{CourtPoints, Observed, RigSettings};
use crate::planar_pose::{centroid, mirrored};
use crate::pose_problem::{Minimum, PoseProblem, distinct};

/// Fewest points that fix a pose with something left over to check it.
pub(crate) const FEWEST_POINTS: usize = 4;

/// A mark farther off than this many standard deviations, and than this share of the picture's diagonal (courts are not
/// painted to the millimetre), is mistaken.
const MISTAKEN_SDS: f64 = 8.0;
const MISTAKEN_SHARE_OF_PICTURE: f64 = 0.008;

/// Scale of the loss that looks for the worst point, in standard deviations.
const ROBUST_SDS: f64 = 2.0;

/// Largest distance in pixels of a mark from where it should be.
pub(crate) fn limit_px(intrinsics: &Intrinsics, settings: &RigSettings) -> f64 {
    let [width, height] = intrinsics.size_px.map(f64::from);
    (MISTAKEN_SDS * settings.click_sd_px).max(MISTAKEN_SHARE_OF_PICTURE * width.hypot(height))
}

/// The poses above the ground that the points fit, best first.
pub(crate) fn court_minima(
    camera: &str,
    intrinsics: &Intrinsics,
    court: &Court,
    points: &CourtPoints,
    settings: &RigSettings,
) -> Result<Vec<Minimum>, RigError> {
    let camera = || camera.to_owned();
    let observed = points.observed.as_slice();
    // Whoever marked three points of one line must not be sent to mark a fourth of it.
    if observed.len() > 2 && collinear(observed) {
        return Err(RigError::Collinear { camera: camera(), points: points.names.join(", ") });
    }
    if observed.len() < FEWEST_POINTS {
        return Err(RigError::TooFewCourtPoints { camera: camera(), points: observed.len() });
    }
    let problem = PoseProblem { intrinsics, observed, sd_px: settings.click_sd_px };
    let limit_px = limit_px(intrinsics, settings);
    let fits = |minimum: &Minimum| worst(&problem.errors_px(&minimum.camera_from_object)).1 <= limit_px;

    let mut minima = from_plane(&problem);
    if !minima.iter().any(|m| above_ground(m) && fits(m)) {
        minima.extend(from_many_starts(&problem));
        minima = distinct(minima);
    }
    let above: Vec<Minimum> = minima.iter().copied().filter(above_ground).collect();
    if above.iter().any(fits) {
        return Ok(above);
    }
    if minima.iter().any(fits) {
        return Err(RigError::BelowGround { camera: camera() });
    }
    // A loss under which a few mistaken points lose their pull shows which they are.
    let robust = above
        .iter()
        .filter_map(|m| problem.refined(m.camera_from_object, Loss::Cauchy(ROBUST_SDS)))
        .min_by(|a, b| a.cost.total_cmp(&b.cost));
    let Some(robust) = robust else { return Err(RigError::BelowGround { camera: camera() }) };
    Err(contradiction(camera(), intrinsics, court, points, &robust.camera_from_object, limit_px))
}

/// The error that names the point farthest from where it should be.
pub(crate) fn contradiction(
    camera: String,
    intrinsics: &Intrinsics,
    court: &Court,
    points: &CourtPoints,
    camera_from_court: &RigidTransform,
    limit_px: f64,
) -> RigError {
    let problem = PoseProblem { intrinsics, observed: &points.observed, sd_px: 1.0 };
    let (index, residual_px) = worst(&problem.errors_px(camera_from_court));
    let marked = points.observed[index].px;
    let fits = court
        .points_m
        .iter()
        .filter(|(name, _)| **name != points.names[index])
        .filter_map(|(name, point)| {
            let px = intrinsics.project(&(camera_from_court * Point3::from(*point)).coords)?;
            Some((name, (px - marked).norm()))
        })
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .filter(|(_, distance)| *distance <= limit_px)
        .map(|(name, _)| name.clone());
    RigError::CourtContradiction { camera, point: points.names[index].clone(), residual_px, limit_px, fits }
}

/// The largest error and whose it is.
pub(crate) fn worst(errors_px: &[f64]) -> (usize, f64) {
    errors_px.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, 0.0))
}

fn above_ground(minimum: &Minimum) -> bool {
    minimum.camera_from_object.inverse_transform_point(&Point3::origin()).z > 0.0
}

/// Whether the points lie on one line to a hundredth of its length.
fn collinear(observed: &[Observed]) -> bool {
    let centre = centroid(observed);
    let spread = DMatrix::from_fn(observed.len(), 3, |i, j| observed[i].point[j] - centre[j]);
    let mut lengths: Vec<f64> = spread.singular_values().iter().copied().collect();
    lengths.sort_by(|a, b| b.total_cmp(a));
    lengths[1] < 0.01 * lengths[0]
}

/// Both minima that the largest plane among the points leads to, refined on all points.
fn from_plane(problem: &PoseProblem) -> Vec<Minimum> {
    let points: Vec<Point3<f64>> = problem.observed.iter().map(|o| o.point).collect();
    let start = largest_plane(&points).and_then(|(frame, on)| {
        let on: Vec<Observed> = on.iter().map(|&i| problem.observed[i]).collect();
        Some((pose_of_plane(problem.intrinsics, &frame, &on)?, centroid(&on), frame.rotation * Vector3::z()))
    });
    let Some((start, centre, normal)) = start else { return Vec::new() };
    let first = problem.refined(start, Loss::Squared);
    let turned = first.map_or(start, |first| first.camera_from_object);
    let second = problem.refined(mirrored(&turned, &centre, &normal), Loss::Squared);
    distinct(first.into_iter().chain(second).collect())
}

/// Minima from cameras all around the points that look at their middle, for points that no homography explains.
fn from_many_starts(problem: &PoseProblem) -> Vec<Minimum> {
    let centre = centroid(problem.observed);
    let mut found = Vec::new();
    for turn in 0..12 {
        let angle = f64::from(turn) * std::f64::consts::TAU / 12.0;
        for distance_m in [6.0, 14.0, 28.0] {
            for height_m in [1.5, 5.0] {
                let eye = Point3::new(
                    centre.x + distance_m * angle.cos(),
                    centre.y + distance_m * angle.sin(),
                    centre.z + height_m,
                );
                // The camera's y axis points down.
                let camera_from_court = RigidTransform::look_at_lh(&eye, &centre, &-Vector3::z());
                found.extend(problem.refined(camera_from_court, Loss::Squared));
            }
        }
    }
    distinct(found)
}
