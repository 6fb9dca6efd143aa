//! The player's own points as further evidence of where the cameras stand.

use midline_geometry::{Intrinsics, RigidTransform};
use nalgebra::{Matrix3, Point3, Vector2, Vector3};

use crate::bundle::{Observation, Seen};

/// Rays that meet at less than this give no start, as a sine.
const LEAST_SINE: f64 = 0.03;

/// One point of the player at one instant, as two or more cameras saw it. The pixels must be of one instant: interpolate to
/// it, and count the clock's error times the point's speed into `sd_px`.
#[derive(Debug, Clone, PartialEq)]
pub struct PlayerPoint {
    /// The views.
    pub views: Vec<PlayerView>,
}

/// One view of a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlayerView {
    /// Index of the camera among the lenses.
    pub camera: usize,
    /// Where it is seen, px.
    pub px: [f64; 2],
    /// Standard deviation of each coordinate, px.
    pub sd_px: f64,
}

/// The points that rays place in front of the cameras, and how they are seen.
pub(crate) fn placed(
    intrinsics: &[Intrinsics],
    cameras: &[RigidTransform],
    points: &[PlayerPoint],
) -> (Vec<Point3<f64>>, Vec<Observation>) {
    let (mut found, mut seen) = (Vec::new(), Vec::new());
    for point in points {
        let usable = |v: &&PlayerView| v.camera < cameras.len() && v.sd_px > 0.0 && v.sd_px.is_finite();
        let views: Vec<&PlayerView> = point.views.iter().filter(usable).collect();
        let Some(position) = met(intrinsics, cameras, &views) else { continue };
        seen.extend(views.iter().map(|view| Observation {
            camera: view.camera,
            seen: Seen::Player(found.len()),
            px: Vector2::from(view.px),
            sd_px: view.sd_px,
        }));
        found.push(position);
    }
    (found, seen)
}

/// The point nearest to all rays.
fn met(intrinsics: &[Intrinsics], cameras: &[RigidTransform], views: &[&PlayerView]) -> Option<Point3<f64>> {
    let mut rays: Vec<(Vector3<f64>, Vector3<f64>)> = Vec::with_capacity(views.len());
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for view in views {
        let ray = intrinsics[view.camera].normalised_from_px(Vector2::from(view.px)).ok()?;
        let world_from_camera = cameras[view.camera].inverse();
        let direction = (world_from_camera.rotation * Vector3::new(ray.x, ray.y, 1.0)).normalize();
        let origin = world_from_camera.translation.vector;
        let across = Matrix3::identity() - direction * direction.transpose();
        normal += across;
        right += across * origin;
        rays.push((origin, direction));
    }
    let widest = rays.iter().enumerate().flat_map(|(i, a)| rays[..i].iter().map(|b| a.1.cross(&b.1).norm()));
    if widest.fold(0.0, f64::max) < LEAST_SINE {
        return None;
    }
    let point = normal.cholesky()?.solve(&right);
    rays.iter().all(|(origin, direction)| (point - origin).dot(direction) > 0.1).then(|| Point3::from(point))
}
