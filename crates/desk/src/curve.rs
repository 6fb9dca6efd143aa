//! Where in one picture a point must lie that was marked in another.

use midline_session::calibration::CalibratedCamera;
use nalgebra::{Point3, Vector2};
use serde::Serialize;

/// Nearest and farthest distance from the first camera that is drawn, metres.
const DISTANCES_M: [f64; 2] = [0.5, 80.0];

/// Points along the curve; they are evenly spaced in the reciprocal of the distance, which is nearly even in the picture.
const SAMPLES: usize = 240;

/// Repetitions until the row is found that sees the point.
const ROW_STEPS: usize = 6;

/// The curve is drawn this far beyond the picture, px.
const MARGIN_PX: f64 = 40.0;

/// The curve in the second picture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EpipolarCurve {
    /// Connected parts, near to far.
    pub parts_px: Vec<Vec<[f64; 2]>>,
    /// Distance from the first camera of every point of every part, metres.
    pub distances_m: Vec<Vec<f64>>,
    /// Time between what the two rows saw at the middle of the curve, seconds: second less first.
    pub seconds_apart: f64,
}

/// Where the second camera's frame sees a point that the first camera's frame saw at `px`, for all distances.
///
/// Lens distortion bends the curve. The rows of both pictures are exposed at times of their own: when the point's velocity
/// in the first picture is known (px/s of session time), it is carried to the time of the row that meets it in the second,
/// so that a fast racket lies on the curve and not beside it. Without a velocity the point is taken to rest.
///
/// `None` when the first lens has no ray for the pixel.
#[must_use]
pub fn epipolar_curve(
    first: &CalibratedCamera,
    first_pts_seconds: f64,
    px: [f64; 2],
    velocity_px_per_second: Option<[f64; 2]>,
    second: &CalibratedCamera,
    second_pts_seconds: f64,
) -> Option<EpipolarCurve> {
    let marked = Vector2::from(px);
    first.camera.ray_world(marked).ok()?;
    let seen_first = first.seen_at_seconds(first_pts_seconds, px);
    let velocity = Vector2::from(velocity_px_per_second.unwrap_or([0.0; 2]));
    let at = |distance: f64| -> Option<(Vector2<f64>, f64)> {
        let mut moved = marked;
        let mut found = None;
        for _ in 0..ROW_STEPS {
            let ray = first.camera.ray_world(moved).ok()?;
            let point: Point3<f64> = first.camera.centre_world() + ray * distance;
            let there = second.camera.project(&point)?;
            // Far outside the picture a lens model may fold back; such a pixel is seen along another ray.
            let towards = (point - second.camera.centre_world()).normalize();
            if second.camera.ray_world(there).ok()?.dot(&towards) < 1.0 - 1e-6 {
                return None;
            }
            let apart = second.seen_at_seconds(second_pts_seconds, there.into()) - seen_first;
            moved = marked + velocity * apart;
            found = Some((there, apart));
        }
        found
    };
    let [width, height] = second.camera.intrinsics.size_px.map(f64::from);
    let near = |p: &Vector2<f64>| {
        (-MARGIN_PX..width + MARGIN_PX).contains(&p.x) && (-MARGIN_PX..height + MARGIN_PX).contains(&p.y)
    };
    let mut curve = EpipolarCurve { parts_px: Vec::new(), distances_m: Vec::new(), seconds_apart: 0.0 };
    let mut apart = Vec::new();
    let mut open = false;
    for sample in 0..=SAMPLES {
        let share = sample as f64 / SAMPLES as f64;
        let distance = 1.0 / ((1.0 - share) / DISTANCES_M[0] + share / DISTANCES_M[1]);
        let Some((there, seconds)) = at(distance).filter(|(p, _)| near(p)) else {
            open = false;
            continue;
        };
        if !open {
            curve.parts_px.push(Vec::new());
            curve.distances_m.push(Vec::new());
            open = true;
        }
        if let (Some(part), Some(distances)) = (curve.parts_px.last_mut(), curve.distances_m.last_mut()) {
            part.push(there.into());
            distances.push(distance);
        }
        apart.push(seconds);
    }
    curve.seconds_apart = apart.get(apart.len() / 2).copied().unwrap_or(0.0);
    Some(curve)
}
