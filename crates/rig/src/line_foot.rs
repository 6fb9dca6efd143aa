//! The point of a line in space that is seen nearest to a pixel.

use midline_geometry::{Intrinsics, RigidTransform};
use nalgebra::{Point3, Vector2, Vector3};

/// Steps along the line before giving up; three are usual, since only distortion bends the picture of a line.
const MOST_STEPS: usize = 30;

/// A step below this ends the search, px.
const SETTLED_PX: f64 = 1e-10;

/// The foot of a pixel on a line.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LineFoot {
    /// In the world, metres.
    pub(crate) point: Point3<f64>,
    /// Unit vector across the line's picture there.
    pub(crate) across: Vector2<f64>,
}

/// Minimises the distance in the picture along the line, from the point of the line nearest to the pixel's ray. `None` when
/// the line is not in front of the camera there, or is seen end-on.
pub(crate) fn foot(
    intrinsics: &Intrinsics,
    camera_from_world: &RigidTransform,
    origin: &Point3<f64>,
    direction: &Vector3<f64>,
    px: Vector2<f64>,
) -> Option<LineFoot> {
    let ray = intrinsics.normalised_from_px(px).ok()?;
    let ray = Vector3::new(ray.x, ray.y, 1.0).normalize();
    let at = (camera_from_world * origin).coords;
    let along = camera_from_world.rotation * direction;
    // Nearest to the ray: the part across the ray of at + s along vanishes in the sense of least squares.
    let across_ray = |v: &Vector3<f64>| v - ray * ray.dot(v);
    let (at_across, along_across) = (across_ray(&at), across_ray(&along));
    let mut s = -at_across.dot(&along_across) / along_across.norm_squared().max(1e-18);
    for _ in 0..MOST_STEPS {
        let (seen, by_point) = intrinsics.project_with_point_jacobian(&(at + along * s))?;
        let tangent = by_point * along;
        let speed = tangent.norm();
        if speed < 1e-9 {
            return None;
        }
        let step_px = (px - seen).dot(&tangent) / speed;
        if step_px.abs() < SETTLED_PX {
            let across = Vector2::new(-tangent.y, tangent.x) / speed;
            return Some(LineFoot { point: origin + direction * s, across });
        }
        s += step_px / speed;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_scene::{lens_model, look_at};

    #[test]
    fn the_foot_is_the_nearest_point_of_the_bent_picture_of_the_line() {
        let (intrinsics, pose) = (lens_model(), look_at([-6.0, -7.0, 2.2], [0.5, 3.0, 0.3]));
        let (origin, direction) = (Point3::new(-4.115, 0.0, 0.0), Vector3::y());
        let px = Vector2::new(420.0, 610.0);
        let found = foot(&intrinsics, &pose, &origin, &direction, px).unwrap();
        let distance = |y: f64| {
            let seen = intrinsics.project(&(pose * (origin + direction * y)).coords).unwrap();
            (seen - px).norm()
        };
        let own = distance(found.point.y);
        assert!((0..4000).all(|i| distance(f64::from(i) * 0.005) > own - 1e-9));
        let seen = intrinsics.project(&(pose * found.point).coords).unwrap();
        assert!(((px - seen).dot(&found.across).abs() - own).abs() < 1e-9);
    }

    #[test]
    fn a_line_behind_the_camera_has_no_foot() {
        let (intrinsics, pose) = (lens_model(), look_at([0.0, -6.0, 2.0], [0.0, -20.0, 1.0]));
        assert!(foot(&intrinsics, &pose, &Point3::origin(), &Vector3::x(), Vector2::new(900.0, 500.0)).is_none());
    }
}
