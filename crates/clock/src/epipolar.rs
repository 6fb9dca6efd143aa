//! How far two sightings are from belonging to one point: the Sampson distance.
//!
//! P. D. Sampson, "Fitting conic sections to 'very scattered' data", 1982; R. Hartley and A. Zisserman, Multiple View
//! Geometry, 2nd edition, 11.4.3. The first-order distance in pixels of a pair of sightings from the pairs that satisfy the
//! epipolar constraint; with independent noise of 1 px in every
//! detected coordinate its standard deviation is 1 px.

use midline_geometry::RigidTransform;
use nalgebra::{Matrix3, Vector2, Vector3};

use crate::path::Sighting;

/// The epipolar geometry of two cameras.
pub(crate) struct Pair {
    /// Rotation from the first camera to the second.
    rotation: Matrix3<f64>,
    /// Unit vector from the second camera's centre to the first's, in the second's frame.
    direction: Vector3<f64>,
    essential: Matrix3<f64>,
}

/// The Sampson distance in pixels with its slope by a small rotation of the second camera (px per radian).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Distance {
    pub(crate) px: f64,
    pub(crate) by_rotation: Vector3<f64>,
}

impl Pair {
    /// `None` when both cameras stand in the same place.
    pub(crate) fn new(first_from_world: &RigidTransform, second_from_world: &RigidTransform) -> Option<Self> {
        let second_from_first = second_from_world * first_from_world.inverse();
        let direction = second_from_first.translation.vector.try_normalize(1e-9)?;
        let rotation = second_from_first.rotation.to_rotation_matrix().into_inner();
        Some(Self { rotation, direction, essential: direction.cross_matrix() * rotation })
    }

    pub(crate) fn distance(&self, first: &Sighting, second: &Sighting) -> Option<Distance> {
        let ray = |s: &Sighting| Vector3::new(s.normalised.x, s.normalised.y, 1.0);
        let (x, y) = (ray(first), ray(second));
        let line_in_second = self.essential * x;
        let line_in_first = self.essential.transpose() * y;
        let flat = |line: Vector3<f64>| Vector2::new(line.x, line.y);
        let slope = first.variance * (first.by_px.transpose() * flat(line_in_first)).norm_squared()
            + second.variance * (second.by_px.transpose() * flat(line_in_second)).norm_squared();
        if slope <= 0.0 {
            return None;
        }
        let slope = slope.sqrt();
        // y·[d]ₓ(ω × R x) = ω·(R x × (y × d))
        let by_rotation = (self.rotation * x).cross(&y.cross(&self.direction)) / slope;
        Some(Distance { px: y.dot(&line_in_second) / slope, by_rotation })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_geometry::{Camera, Intrinsics, LensModel, ReadOut, stepped};
    use nalgebra::{Point3, Vector6};

    fn camera(rotation: [f64; 3], translation: [f64; 3]) -> Camera {
        Camera {
            intrinsics: Intrinsics {
                focal_px: [1000.0, 1000.0],
                centre_px: [640.0, 360.0],
                model: LensModel::BrownConrady([-0.1, 0.02, 0.0, 0.0, 0.0]),
                size_px: [1280, 720],
            },
            camera_from_world: RigidTransform::new(Vector3::from(translation), Vector3::from(rotation)),
            read_out: ReadOut::default(),
        }
    }

    fn sighting(camera: &Camera, px: Vector2<f64>) -> Sighting {
        let normalised = camera.intrinsics.normalised_from_px(px).unwrap();
        let by_px = camera.intrinsics.normalised_by_px(&normalised).unwrap();
        Sighting { seen_seconds: 0.0, normalised, by_px, variance: 1.0 }
    }

    #[test]
    fn the_distance_is_the_shift_off_the_line_and_its_slope_matches_differences() {
        let (first, second) = (camera([0.0, 0.3, 0.0], [1.0, 0.0, 8.0]), camera([0.1, -0.5, 0.0], [-1.0, 0.2, 9.0]));
        let pair = Pair::new(&first.camera_from_world, &second.camera_from_world).unwrap();
        let point = Point3::new(0.4, -0.3, 0.6);
        let (a, b) = (first.project(&point).unwrap(), second.project(&point).unwrap());
        assert!(pair.distance(&sighting(&first, a), &sighting(&second, b)).unwrap().px.abs() < 1e-9);
        // Moving one sighting by 2 px across its epipolar line is as far as moving both by half of it: 2 / √2 when both
        // cameras see the point alike.
        let moved = (0..360)
            .map(|degrees| {
                let (sin, cos) = f64::from(degrees).to_radians().sin_cos();
                let there = b + 2.0 * Vector2::new(cos, sin);
                pair.distance(&sighting(&first, a), &sighting(&second, there)).unwrap().px
            })
            .fold(0.0, f64::max);
        assert!((moved - 2f64.sqrt()).abs() < 0.15, "{moved}");
        let there = b + Vector2::new(1.0, 3.0);
        let at = pair.distance(&sighting(&first, a), &sighting(&second, there)).unwrap();
        for axis in 0..3 {
            let h = 1e-5;
            let turned = |h: f64| {
                let mut step = Vector6::zeros();
                step[axis] = h;
                // Turning about the second camera's centre keeps the direction to the first.
                let second_from_first = second.camera_from_world * first.camera_from_world.inverse();
                let turned = stepped(&second_from_first, &step) * first.camera_from_world;
                let pair = Pair::new(&first.camera_from_world, &turned).unwrap();
                pair.distance(&sighting(&first, a), &sighting(&second, there)).unwrap().px
            };
            let slope = (turned(h) - turned(-h)) / (2.0 * h);
            // The denominator's own change is second order in the distance.
            assert!((slope - at.by_rotation[axis]).abs() < 0.01 * at.by_rotation.norm(), "{slope} {at:?}");
        }
    }
}
