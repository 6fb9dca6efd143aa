//! Where in one picture a point must lie that was marked in another.

use midline_session::calibration::CalibratedCamera;
use nalgebra::{Point3, Vector2};
use serde::Serialize;

/// Nearest and farthest distance from the first camera that is drawn, metres.
const DISTANCES_M: [f64; 2] = [1.0, 80.0];

/// Points along the curve; they are evenly spaced in the reciprocal of the distance, which is nearly even in the picture.
const SAMPLES: usize = 480;

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
    if !px.iter().all(|v| v.is_finite()) {
        return None;
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Two phones beside a court, one upright, with distortion and read-outs of 8 ms; poses as in the demo.
    fn cameras() -> [CalibratedCamera; 2] {
        let camera = |name: &str,
                      focal: [f64; 2],
                      centre: [f64; 2],
                      size: [u32; 2],
                      pose: &str,
                      direction: &str,
                      offset: f64| {
            let text = format!(
                r#"{{"name": "{name}", "camera": {{
                    "intrinsics": {{"focal_px": {focal:?}, "centre_px": {centre:?}, "size_px": {size:?},
                        "model": {{"kind": "brown-conrady", "coefficients": [-0.118, 0.041, 0.0004, -0.0003, 0.0]}}}},
                    "camera_from_world": {pose}, "read_out": {{"seconds": 0.008, "direction": "{direction}"}}}},
                    "clock": {{"camera": "{name}", "offset_seconds": {offset}, "rate": 1.0, "covariance": [[0.0, 0.0], [0.0, 0.0]],
                        "source": "reference", "estimates": []}}}}"#
            );
            serde_json::from_str(&text).unwrap()
        };
        [
            camera("fence", [985.2, 984.1], [642.3, 357.8], [1280, 720], POSES[0], "down", 0.0),
            camera("gate", [1012.6, 1013.9], [356.9, 644.7], [720, 1280], POSES[1], "left", -1.8312),
        ]
    }

    const POSES: [&str; 2] = [
        r#"{"rotation": [0.6164424213887454, 0.41587697939795926, -0.36781512404120403, 0.5583521412565404], "translation": [-1.1792772271687175, 0.9068466866106202, 7.88792965919858]}"#,
        r#"{"rotation": [0.7410019316751278, -0.09816134250747206, 0.08196601573168356, 0.6592132131229875], "translation": [-0.07277569254167338, 1.1164765118450042, 8.020017699299267]}"#,
    ];

    /// A point that flies at 30 m/s across both pictures.
    fn place(seconds: f64) -> Point3<f64> {
        Point3::new(0.3, 0.2, 1.1) + nalgebra::Vector3::new(18.0, 22.0, 8.0) * (seconds - 2.0)
    }

    /// Pixel and time at which a frame meets the moving point.
    fn seen(camera: &CalibratedCamera, pts: f64) -> (Vector2<f64>, f64) {
        let mut at = camera.clock.session_seconds(pts);
        let mut px = Vector2::zeros();
        for _ in 0..50 {
            px = camera.camera.project(&place(at)).unwrap();
            at = camera.seen_at_seconds(pts, px.into());
        }
        (px, at)
    }

    fn distance_px(curve: &EpipolarCurve, px: Vector2<f64>) -> f64 {
        let to_segment = |pair: &[[f64; 2]]| {
            let (a, b) = (Vector2::from(pair[0]), Vector2::from(pair[1]));
            let share = ((px - a).dot(&(b - a)) / (b - a).norm_squared()).clamp(0.0, 1.0);
            (px - a.lerp(&b, share)).norm()
        };
        curve.parts_px.iter().flat_map(|part| part.windows(2).map(to_segment)).fold(f64::INFINITY, f64::min)
    }

    #[test]
    fn a_fast_point_lies_on_the_curve_when_rows_are_heeded() {
        let [fence, gate] = cameras();
        let mut without_rows: f64 = 0.0;
        for shift in [-0.004, 0.0, 0.0037] {
            let (pts_fence, pts_gate) = (1.996, 2.0 + 1.8312 + shift);
            let ((px, at), (there, _)) = (seen(&fence, pts_fence), seen(&gate, pts_gate));
            let h = 1e-4;
            let ahead = fence.camera.project(&place(at + h)).unwrap();
            let behind = fence.camera.project(&place(at - h)).unwrap();
            let velocity = (ahead - behind) / (2.0 * h);
            let curve = epipolar_curve(&fence, pts_fence, px.into(), Some(velocity.into()), &gate, pts_gate).unwrap();
            // What is left is the bend of the path in the picture over some milliseconds.
            assert!(distance_px(&curve, there) < 0.3, "{}", distance_px(&curve, there));
            let still = epipolar_curve(&fence, pts_fence, px.into(), None, &gate, pts_gate).unwrap();
            without_rows = without_rows.max(distance_px(&still, there));
            assert!(curve.seconds_apart.abs() < 0.02);
        }
        println!("without rows up to {without_rows:.1} px beside the curve");
        assert!(without_rows > 5.0);
    }

    #[test]
    fn a_resting_point_lies_on_the_curve_and_the_curve_stays_near_the_picture() {
        let [fence, gate] = cameras();
        for point in [[0.3, 0.2, 1.1], [-0.5, -0.4, 0.2], [1.0, 1.5, 2.0]].map(Point3::from) {
            let (px, there) = (fence.camera.project(&point).unwrap(), gate.camera.project(&point).unwrap());
            let curve = epipolar_curve(&fence, 0.0, px.into(), None, &gate, 0.0).unwrap();
            assert!(distance_px(&curve, there) < 0.05);
            let margin = |p: &[f64; 2]| (-41.0..761.0).contains(&p[0]) && (-41.0..1321.0).contains(&p[1]);
            assert!(curve.parts_px.iter().flatten().all(margin));
        }
        assert!(epipolar_curve(&fence, 0.0, [f64::NAN, 1.0], None, &gate, 0.0).is_none());
    }
}
