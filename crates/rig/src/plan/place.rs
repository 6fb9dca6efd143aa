//! A phone on a tripod.

use midline_geometry::{Camera, ReadOut, RigidTransform};
use nalgebra::{Point3, Vector3};

use super::coverage::outside_picture;
use super::file::{Phone, Plan};

/// A lens closer than this to straight above what it looks at has no level horizon, metres.
const LEAST_HORIZONTAL_M: f64 = 1e-3;

/// Where the phones stand: x, y, height of each lens in metres, in the order of the plan.
pub type Stand = Vec<[f64; 3]>;

/// The camera at a place that looks at a point with the horizon level.
fn looking(phone: &Phone, place: Point3<f64>, target: Point3<f64>) -> Camera {
    let apart = (target - place).xy().norm();
    let target = if apart < LEAST_HORIZONTAL_M { target + Vector3::y() * LEAST_HORIZONTAL_M } else { target };
    Camera {
        intrinsics: phone.intrinsics(),
        // The camera's y axis points down.
        camera_from_world: RigidTransform::look_at_lh(&place, &target, &-Vector3::z()),
        read_out: ReadOut { seconds: phone.readout_seconds, direction: phone.readout_direction },
    }
}

/// The camera of a phone at a place. Where the plan does not say what it looks at, the direction is chosen that keeps the
/// zone in the picture first, then the bounce, then court points.
fn at(plan: &Plan, court_points: &[Point3<f64>], phone: &Phone, place: [f64; 3]) -> Camera {
    let place = Point3::from(place);
    if let Some(target) = phone.look_at_m {
        return looking(phone, place, Point3::from(target));
    }
    let (zone, bounce) = (plan.zone.grid(2), plan.bounce.grid(2));
    let (from, to) = (plan.zone.centre(), plan.bounce.centre());
    let low = Point3::new(from.x, from.y, plan.zone.z_m[0]);
    let mean = |camera: &Camera, points: &[Point3<f64>]| {
        points.iter().map(|p| outside_picture(camera, p)).sum::<f64>() / points.len().max(1) as f64
    };
    let misses = |camera: &Camera| {
        let hidden = court_points.iter().filter(|p| outside_picture(camera, p) > 0.0).count();
        mean(camera, &zone) * 100.0 + mean(camera, &bounce) + 0.1 * hidden as f64 / court_points.len().max(1) as f64
    };
    let targets =
        [0.0, 0.25, 0.5, 0.75].into_iter().flat_map(|share| [from + (to - from) * share, low + (to - low) * share]);
    targets
        .map(|target| looking(phone, place, target))
        .map(|camera| (misses(&camera), camera))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map_or_else(|| looking(phone, place, from), |(_, camera)| camera)
}

/// The cameras of a stand.
#[must_use]
pub fn posted(plan: &Plan, stand: &Stand) -> Vec<Camera> {
    let court_points: Vec<Point3<f64>> =
        plan.court_model().map(|court| court.points_m.values().map(|p| Point3::from(*p)).collect()).unwrap_or_default();
    plan.phones.iter().zip(stand).map(|(phone, place)| at(plan, &court_points, phone, *place)).collect()
}
