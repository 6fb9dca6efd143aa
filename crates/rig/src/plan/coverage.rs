//! What is in the pictures.

use midline_geometry::Camera;
use midline_session::court::Court;
use nalgebra::Point3;

use super::file::Plan;

/// Points closer to the border than this share of the picture count as not in it.
const MARGIN_SHARE: f64 = 0.01;

/// Points of the zone along each axis that are looked at.
const ZONE_POINTS: usize = 5;

/// Points of the bounce along each axis that are looked at.
const BOUNCE_POINTS: usize = 5;

/// What one phone will see.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct PhoneView {
    /// The phone.
    pub name: String,
    /// Where its lens is, m.
    pub place_m: [f64; 3],
    /// Unit vector in which it looks.
    pub direction: [f64; 3],
    /// Share (0 to 1) of the hitting zone in the picture.
    pub zone_share: f64,
    /// Share of the bounce area in the picture.
    pub bounce_share: f64,
    /// Court points in the picture.
    pub court_points: usize,
    /// Distance to the middle of the zone, m.
    pub range_m: f64,
    /// Size of a pixel there, m.
    pub pixel_m: f64,
    /// By how much it stands inside the run-off area, m; `None` when outside.
    pub inside_run_off_m: Option<f64>,
}

/// How far a point lies outside the picture, as a share of the picture's size; 0 inside, 2 behind the camera.
pub(crate) fn outside_picture(camera: &Camera, point: &Point3<f64>) -> f64 {
    let Some(px) = camera.project(point) else { return 2.0 };
    let beyond = |value: f64, size: u32| {
        let size = f64::from(size);
        let margin = MARGIN_SHARE * size;
        ((margin - value).max(value - (size - 1.0 - margin)).max(0.0) / size).min(2.0)
    };
    let size = camera.intrinsics.size_px;
    beyond(px.x, size[0]).max(beyond(px.y, size[1]))
}

pub(crate) fn sees(camera: &Camera, point: &Point3<f64>) -> bool {
    outside_picture(camera, point) <= 0.0
}

/// How far a place is inside the run-off area, m; `None` outside or where the court has none.
pub(crate) fn inside_run_off_m(court: &Court, place: &[f64; 3]) -> Option<f64> {
    let [x0, y0, x1, y1] = court.run_off_outline_m()?;
    let inside = (place[0] - x0).min(x1 - place[0]).min(place[1] - y0).min(y1 - place[1]);
    (inside > 0.0).then_some(inside)
}

pub(crate) fn share(points: &[Point3<f64>], seen: impl Fn(&Point3<f64>) -> bool) -> f64 {
    points.iter().filter(|p| seen(p)).count() as f64 / points.len().max(1) as f64
}

pub(crate) fn phone_views(plan: &Plan, court: &Court, cameras: &[Camera]) -> Vec<PhoneView> {
    let (zone, bounce) = (plan.zone.grid(ZONE_POINTS), plan.bounce.grid(BOUNCE_POINTS));
    plan.phones
        .iter()
        .zip(cameras)
        .map(|(phone, camera)| {
            let centre = camera.centre_world();
            let range_m = (plan.zone.centre() - centre).norm();
            let forward = camera.camera_from_world.rotation.inverse_transform_vector(&nalgebra::Vector3::z());
            PhoneView {
                name: phone.name.clone(),
                place_m: centre.into(),
                direction: forward.into(),
                zone_share: share(&zone, |p| sees(camera, p)),
                bounce_share: share(&bounce, |p| sees(camera, p)),
                court_points: court.points_m.values().filter(|p| sees(camera, &Point3::from(**p))).count(),
                range_m,
                pixel_m: range_m / camera.intrinsics.focal_px[0],
                inside_run_off_m: inside_run_off_m(court, &centre.into()),
            }
        })
        .collect()
}

/// Shares of zone and bounce that two or more phones see.
pub(crate) fn in_two(plan: &Plan, cameras: &[Camera]) -> [f64; 2] {
    let two = |p: &Point3<f64>| cameras.iter().filter(|camera| sees(camera, p)).count() >= 2;
    [share(&plan.zone.grid(ZONE_POINTS), two), share(&plan.bounce.grid(BOUNCE_POINTS), two)]
}
