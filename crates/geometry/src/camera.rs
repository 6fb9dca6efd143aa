//! A camera in the world: intrinsics, pose and read-out together.

use nalgebra::{Matrix2x3, Matrix2x6, Matrix2xX, Point3, Vector2, Vector3};
use serde::{Deserialize, Serialize};

use crate::{Intrinsics, IntrinsicsError, ReadOut, RigidTransform, skew};

/// One calibrated camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Camera {
    /// Lens and picture.
    pub intrinsics: Intrinsics,
    /// Takes world coordinates to the camera frame.
    pub camera_from_world: RigidTransform,
    /// Rolling-shutter read-out.
    pub read_out: ReadOut,
}

/// A projected world point with derivatives.
#[derive(Debug, Clone)]
pub struct PixelJacobians {
    /// The pixel.
    pub px: Vector2<f64>,
    /// ∂pixel/∂world point (2×3), px per metre.
    pub by_point: Matrix2x3<f64>,
    /// ∂pixel/∂pose step `(ω, τ)` of `camera_from_world` (2×6), see [`crate::stepped`].
    pub by_pose: Matrix2x6<f64>,
    /// ∂pixel/∂intrinsic parameters (2×n).
    pub by_intrinsics: Matrix2xX<f64>,
}

impl Camera {
    /// The pixel of a world point; `None` when it is not in front of the camera.
    #[must_use]
    pub fn project(&self, point_world: &Point3<f64>) -> Option<Vector2<f64>> {
        self.intrinsics.project(&(self.camera_from_world * point_world).coords)
    }

    /// The pixel with its derivative by the world point (2×3, px per metre), without allocation; `None` when it is not in
    /// front of the camera.
    #[must_use]
    pub fn project_with_point_jacobian(&self, point_world: &Point3<f64>) -> Option<(Vector2<f64>, Matrix2x3<f64>)> {
        let (px, by_point) =
            self.intrinsics.project_with_point_jacobian(&(self.camera_from_world * point_world).coords)?;
        Some((px, by_point * self.camera_from_world.rotation.to_rotation_matrix().matrix()))
    }

    /// The pixel with its derivatives; `None` when the point is not in front of the camera.
    #[must_use]
    pub fn project_with_jacobians(&self, point_world: &Point3<f64>) -> Option<PixelJacobians> {
        let rotated = self.camera_from_world.rotation * point_world.coords;
        let projected =
            self.intrinsics.project_with_jacobians(&(rotated + self.camera_from_world.translation.vector))?;
        let mut by_pose = Matrix2x6::zeros();
        by_pose.fixed_columns_mut::<3>(0).copy_from(&(projected.by_point * -skew(&rotated)));
        by_pose.fixed_columns_mut::<3>(3).copy_from(&projected.by_point);
        Some(PixelJacobians {
            px: projected.px,
            by_point: projected.by_point * self.camera_from_world.rotation.to_rotation_matrix().matrix(),
            by_pose,
            by_intrinsics: projected.by_parameters,
        })
    }

    /// Where the camera stands in the world, in metres.
    #[must_use]
    pub fn centre_world(&self) -> Point3<f64> {
        self.camera_from_world.inverse_transform_point(&Point3::origin())
    }

    /// Unit direction in the world of the ray through a pixel.
    ///
    /// # Errors
    /// When the lens model cannot be inverted at the pixel.
    pub fn ray_world(&self, px: Vector2<f64>) -> Result<Vector3<f64>, IntrinsicsError> {
        let normalised = self.intrinsics.normalised_from_px(px)?;
        Ok(self
            .camera_from_world
            .rotation
            .inverse_transform_vector(&Vector3::new(normalised.x, normalised.y, 1.0))
            .normalize())
    }

    /// Delay in seconds of the pixel after the frame's time stamp.
    #[must_use]
    pub fn row_delay_seconds(&self, px: Vector2<f64>) -> f64 {
        self.read_out.delay_seconds(px, self.intrinsics.size_px)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{LensModel, stepped};
    use nalgebra::Vector6;
    use proptest::prelude::*;

    fn camera(rotation: [f64; 3], translation: [f64; 3]) -> Camera {
        Camera {
            intrinsics: Intrinsics {
                focal_px: [1100.0, 1090.0],
                centre_px: [640.0, 360.0],
                model: LensModel::BrownConrady([-0.1, 0.02, 0.001, -0.001, 0.0]),
                size_px: [1280, 720],
            },
            camera_from_world: RigidTransform::new(Vector3::from(translation), Vector3::from(rotation)),
            read_out: ReadOut::default(),
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(1000))]
        #[test]
        fn pose_and_point_jacobians_match_differences(
            r in prop::array::uniform3(-0.3..0.3f64), t in prop::array::uniform3(-0.5..0.5f64),
            p in prop::array::uniform3(-1.0..1.0f64),
        ) {
            let camera = camera(r, [t[0], t[1], t[2] + 6.0]);
            let point = Point3::from(p);
            let full = camera.project_with_jacobians(&point).unwrap();
            let h = 1e-5;
            for axis in 0..6 {
                let mut step = Vector6::zeros();
                step[axis] = h;
                let moved = |s: &Vector6<f64>| Camera {
                    camera_from_world: stepped(&camera.camera_from_world, s), ..camera.clone()
                }.project(&point).unwrap();
                let slope = (moved(&step) - moved(&-step)) / (2.0 * h);
                prop_assert!((slope - full.by_pose.column(axis)).norm() < 1e-6 * full.by_pose.norm());
            }
            for axis in 0..3 {
                let mut step = Vector3::zeros();
                step[axis] = h;
                let slope = (camera.project(&(point + step)).unwrap() - camera.project(&(point - step)).unwrap()) / (2.0 * h);
                prop_assert!((slope - full.by_point.column(axis)).norm() < 1e-6 * full.by_point.norm());
            }
        }

        #[test]
        fn the_ray_through_a_projected_point_passes_the_point(p in prop::array::uniform3(-1.0..1.0f64)) {
            let camera = camera([0.1, -0.2, 0.05], [0.1, 0.2, 6.0]);
            let point = Point3::from(p);
            let ray = camera.ray_world(camera.project(&point).unwrap()).unwrap();
            let to_point = (point - camera.centre_world()).normalize();
            prop_assert!((ray - to_point).norm() < 1e-9);
        }
    }
}
