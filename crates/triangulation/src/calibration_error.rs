//! How errors of the camera poses, the lenses and the clocks reach a triangulated point.
//!
//! To first order a point moves by `δX = G δp`, where `G = (Jᵀ W J)⁻¹ Jᵀ W` and `δp` is how far the projections of the
//! fixed point move. A pose step moves them by the camera's pose Jacobian, a lens error by its intrinsics Jacobian, and a
//! clock error by the track's velocity in the picture. The parts are independent of each other; within a part, all
//! cameras are taken jointly.
//!
//! The poses were found with the lenses held and take up some of their error. What a lens error does therefore goes both ways, straight
//! and through all poses that lean on that lens ([`RigCalibration::pose_by_lens`]); near the points that fixed the poses most of it
//! cancels. That is the lens part; the pose part is what the poses have of their own.

use std::ops::Range;

use midline_geometry::PixelJacobians;
use midline_session::calibration::{LensCalibration, RigCalibration};
use nalgebra::{DMatrix, Matrix2, Matrix2xX, Matrix3, Matrix3x2, Matrix3x6, Matrix3xX, Matrix6, Point3, Vector2};

use crate::point::{TriangulationError, View};

/// Joint covariance of a rig's calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibrationCovariance {
    cameras: Vec<String>,
    /// Of the poses with the lenses held, 6 n × 6 n.
    poses: DMatrix<f64>,
    /// Of all lenses, parameters × parameters, in the order of the cameras.
    lenses: DMatrix<f64>,
    /// Columns of each lens.
    lens_columns: Vec<Range<usize>>,
    /// Change of the pose steps per unit of each lens parameter, 6 n × parameters.
    pose_by_lens: DMatrix<f64>,
}

/// Why a calibration's covariance cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// The rig knows a camera without a lens.
    #[error("camera \"{camera}\" stands in the rig but has no lens calibration; run the lens stage for it")]
    NoLens {
        /// The camera.
        camera: String,
    },
    /// A matrix has the wrong shape or holds something that is not a number.
    #[error("{what}: covariance must be {expected} × {expected} finite numbers; solve it again")]
    BadCovariance {
        /// Whose covariance.
        what: String,
        /// Rows and columns it should have.
        expected: usize,
    },
}

/// Where a view comes from, for the calibration's part of its error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ViewSource {
    /// Index of the camera in the rig.
    pub camera: usize,
    /// Velocity of the track in the picture, pixels per second of session time.
    pub velocity_px_per_second: Vector2<f64>,
    /// Standard deviation of the camera's session time in seconds; 0 for the reference camera.
    pub clock_sd_seconds: f64,
}

/// A view with what its calibration rests on.
#[derive(Debug, Clone, Copy)]
pub struct CalibratedView<'a> {
    /// The view.
    pub view: View<'a>,
    /// Its origin.
    pub source: ViewSource,
}

/// Covariance of a point by origin, m² (3×3 each).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ErrorParts {
    /// Noise of the pixels.
    pub pixels: Matrix3<f64>,
    /// Poses of the cameras.
    pub poses: Matrix3<f64>,
    /// Lenses.
    pub lenses: Matrix3<f64>,
    /// Clocks.
    pub clocks: Matrix3<f64>,
}

impl ErrorParts {
    /// Covariance of the point from all parts together, m².
    #[must_use]
    pub fn total(&self) -> Matrix3<f64> {
        self.pixels + self.poses + self.lenses + self.clocks
    }
}

impl CalibrationCovariance {
    /// Gathers the covariances of a rig and its lenses. A lens without any covariance counts as exact.
    ///
    /// # Errors
    /// A camera of the rig without lens; a matrix of the wrong shape.
    pub fn new(rig: &RigCalibration, lenses: &[LensCalibration]) -> Result<Self, CalibrationError> {
        let size = 6 * rig.cameras.len();
        let poses = square(&rig.covariance, size, || "poses of the rig".to_owned())?;
        let of_camera = |name: &String| {
            let lens = lenses
                .iter()
                .find(|lens| &lens.camera == name)
                .ok_or_else(|| CalibrationError::NoLens { camera: name.clone() })?;
            let count = lens.intrinsics.parameter_count();
            if lens.covariance.is_empty() {
                return Ok(DMatrix::zeros(count, count));
            }
            square(&lens.covariance, count, || format!("lens of camera \"{name}\""))
        };
        let cameras: Vec<String> = rig.cameras.iter().map(|camera| camera.name.clone()).collect();
        let each = cameras.iter().map(of_camera).collect::<Result<Vec<_>, _>>()?;
        let parameters = each.iter().map(DMatrix::nrows).sum();
        let mut lenses = DMatrix::zeros(parameters, parameters);
        let mut lens_columns: Vec<Range<usize>> = Vec::new();
        for own in &each {
            let start = lens_columns.last().map_or(0, |last| last.end);
            lenses.view_mut((start, start), own.shape()).copy_from(own);
            lens_columns.push(start..start + own.nrows());
        }
        let pose_by_lens = rig.pose_by_lens(parameters).ok_or_else(|| CalibrationError::BadCovariance {
            what: "poses of the rig by its lenses".to_owned(),
            expected: size,
        })?;
        let poses = poses - &pose_by_lens * &lenses * pose_by_lens.transpose();
        Ok(Self { cameras, poses, lenses, lens_columns, pose_by_lens })
    }

    /// Index of a camera in the rig.
    #[must_use]
    pub fn camera(&self, name: &str) -> Option<usize> {
        self.cameras.iter().position(|camera| camera == name)
    }

    pub(crate) fn camera_count(&self) -> usize {
        self.cameras.len()
    }

    /// Joint covariance of the pose steps with the lenses held, 6 n × 6 n.
    pub(crate) fn poses(&self) -> &DMatrix<f64> {
        &self.poses
    }

    /// Covariance of the parameters of all lenses.
    pub(crate) fn lenses(&self) -> &DMatrix<f64> {
        &self.lenses
    }

    /// Columns of a camera's lens among the parameters of all lenses.
    pub(crate) fn lens_columns(&self, camera: usize) -> Range<usize> {
        self.lens_columns[camera].clone()
    }

    /// Change of the pose steps per unit of each lens parameter.
    pub(crate) fn pose_by_lens(&self) -> &DMatrix<f64> {
        &self.pose_by_lens
    }

    /// Covariance of a point triangulated from these views, part by part.
    ///
    /// # Errors
    /// When the point is not in front of every camera or the views do not fix it.
    pub fn error_parts(&self, point: &Point3<f64>, seen: &[CalibratedView]) -> Result<ErrorParts, TriangulationError> {
        let moved = moved(point, seen)?;
        let weight = |s: &CalibratedView| 1.0 / (s.view.sd_px * s.view.sd_px);
        let mut normal = Matrix3::zeros();
        for (s, by) in seen.iter().zip(&moved) {
            normal += by.by_point.transpose() * by.by_point * weight(s);
        }
        let pixels = normal.try_inverse().ok_or(TriangulationError::NotSettled)?;
        let mut parts =
            ErrorParts { pixels, poses: Matrix3::zeros(), lenses: Matrix3::zeros(), clocks: Matrix3::zeros() };
        // The point's shift by each view's pixel, and by each camera's pose.
        let gains: Vec<Matrix3x2<f64>> =
            seen.iter().zip(&moved).map(|(s, by)| pixels * by.by_point.transpose() * weight(s)).collect();
        let by_pose: Vec<Matrix3x6<f64>> = gains.iter().zip(&moved).map(|(gain, by)| gain * by.by_pose).collect();
        let mut by_lenses = Matrix3xX::zeros(self.lenses.ncols());
        for (i, (a, gain)) in seen.iter().zip(&gains).enumerate() {
            by_lenses += gain * self.by_lenses(a, &moved[i]);
            let by_second = gain * a.source.velocity_px_per_second;
            parts.clocks += by_second * by_second.transpose() * a.source.clock_sd_seconds.powi(2);
            for (j, b) in seen.iter().enumerate() {
                parts.poses += by_pose[i] * self.joint_pose(a, b) * by_pose[j].transpose();
            }
        }
        parts.lenses = &by_lenses * &self.lenses * by_lenses.transpose();
        Ok(parts)
    }

    /// Covariance of the projections of a fixed point from everything but the pixels' own noise, px² (2 views × 2 views).
    pub(crate) fn in_pixels(
        &self,
        point: &Point3<f64>,
        seen: &[CalibratedView],
    ) -> Result<DMatrix<f64>, TriangulationError> {
        let moved = moved(point, seen)?;
        let mut covariance = DMatrix::zeros(2 * seen.len(), 2 * seen.len());
        let by_lenses: Vec<Matrix2xX<f64>> = seen.iter().zip(&moved).map(|(s, by)| self.by_lenses(s, by)).collect();
        for (i, (a, by_a)) in seen.iter().zip(&moved).enumerate() {
            for (j, (b, by_b)) in seen.iter().zip(&moved).enumerate() {
                let mut block: Matrix2<f64> = by_a.by_pose * self.joint_pose(a, b) * by_b.by_pose.transpose();
                block += &by_lenses[i] * &self.lenses * by_lenses[j].transpose();
                if i == j {
                    let velocity = a.source.velocity_px_per_second;
                    block += velocity * velocity.transpose() * a.source.clock_sd_seconds.powi(2);
                }
                covariance.fixed_view_mut::<2, 2>(2 * i, 2 * j).copy_from(&block);
            }
        }
        Ok(covariance)
    }

    /// How a view's projection moves with the parameters of all lenses.
    fn by_lenses(&self, seen: &CalibratedView, moved: &PixelJacobians) -> Matrix2xX<f64> {
        let mut by = moved.by_pose * self.pose_by_lens.fixed_rows::<6>(6 * seen.source.camera);
        let own = self.lens_columns(seen.source.camera);
        let mut straight = by.columns_mut(own.start, own.len());
        straight += &moved.by_intrinsics;
        by
    }

    fn joint_pose(&self, a: &CalibratedView, b: &CalibratedView) -> Matrix6<f64> {
        self.poses.fixed_view::<6, 6>(6 * a.source.camera, 6 * b.source.camera).into_owned()
    }
}

/// How the views' projections move with the point and their cameras' poses and lenses.
fn moved(point: &Point3<f64>, seen: &[CalibratedView]) -> Result<Vec<PixelJacobians>, TriangulationError> {
    seen.iter()
        .enumerate()
        .map(|(view, s)| s.view.camera.project_with_jacobians(point).ok_or(TriangulationError::NotInFront { view }))
        .collect()
}

fn square(rows: &[Vec<f64>], size: usize, what: impl Fn() -> String) -> Result<DMatrix<f64>, CalibrationError> {
    let shaped = rows.len() == size && rows.iter().all(|row| row.len() == size);
    if !shaped || !rows.iter().flatten().all(|v| v.is_finite()) {
        return Err(CalibrationError::BadCovariance { what: what(), expected: size });
    }
    Ok(DMatrix::from_fn(size, size, |i, j| rows[i][j]))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::point::{tests::camera_at, triangulate};
    use midline_geometry::{Camera, LensModel, stepped};
    use midline_session::calibration::{RigCamera, Scale, Vertical, World};
    use nalgebra::{DVector, Vector6};
    use rand::{SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, StandardNormal};

    /// A rig of these cameras with the given pose covariance.
    pub(crate) fn rig(cameras: &[(&str, &Camera)], covariance: &DMatrix<f64>) -> RigCalibration {
        RigCalibration {
            world: World::Court,
            scale: Scale::Metric,
            vertical: Vertical::ZUp,
            cameras: cameras.iter().map(|(name, camera)| RigCamera::given(name, camera.camera_from_world)).collect(),
            covariance: rows(covariance),
            pose_by_lens: Vec::new(),
            remarks: Vec::new(),
        }
    }

    pub(crate) fn lens(name: &str, camera: &Camera, covariance: &DMatrix<f64>) -> LensCalibration {
        LensCalibration {
            standard_deviations: covariance.diagonal().iter().map(|v| Some(v.sqrt())).collect(),
            covariance: rows(covariance),
            rms_px: 0.3,
            ..LensCalibration::exact(name, camera.intrinsics)
        }
    }

    fn rows(matrix: &DMatrix<f64>) -> Vec<Vec<f64>> {
        matrix.row_iter().map(|row| row.iter().copied().collect()).collect()
    }

    /// Errors of poses (correlated between the cameras), lenses and clocks are drawn from their covariance, the point is
    /// triangulated with the wrong calibration, and its scatter is compared with the propagated parts.
    #[test]
    fn scatter_under_calibration_errors_matches_the_parts() {
        let model = LensModel::BrownConrady([-0.1, 0.02, 0.0004, -0.0003, 0.0]);
        let truth =
            [camera_at([-5.0, -6.0, 1.6], [0.0, 0.5, 1.0], model), camera_at([6.0, -3.0, 2.1], [0.0, 0.5, 1.0], model)];
        let names = ["fence", "corner"];
        let mut random = StdRng::seed_from_u64(11);
        let mut noise = move |n: usize| DVector::from_fn(n, |_, _| -> f64 { StandardNormal.sample(&mut random) });
        let mixing = DMatrix::from_fn(12, 12, |i, j| {
            let size = if i % 6 < 3 { 4e-4 } else { 4e-3 };
            size * (if i == j { 1.0 } else { 0.0 } + 0.4 * ((i * 7 + j * 3) as f64).sin())
        });
        let poses = &mixing * mixing.transpose();
        let lens_sd = DVector::from_row_slice(&[2.0, 2.0, 1.5, 1.5, 0.004, 0.01, 2e-4, 2e-4, 0.0]);
        let lens_covariance = DMatrix::from_diagonal(&lens_sd.map(|v| v * v));
        let named: Vec<(&str, &Camera)> = names.into_iter().zip(&truth).collect();
        let lenses: Vec<LensCalibration> =
            named.iter().map(|(name, camera)| lens(name, camera, &lens_covariance)).collect();
        let calibration = CalibrationCovariance::new(&rig(&named, &poses), &lenses).unwrap();

        let point = Point3::new(0.4, 0.8, 1.3);
        let velocity_m = nalgebra::Vector3::new(12.0, 20.0, -6.0);
        let clock_sd = 0.0008;
        let velocity_px = |camera: &Camera| camera.project_with_point_jacobian(&point).unwrap().1 * velocity_m;
        let seen_by = |cameras: &[Camera; 2], px: [Vector2<f64>; 2]| -> Vec<(Camera, Vector2<f64>)> {
            cameras.iter().cloned().zip(px).collect()
        };
        let exact = truth.each_ref().map(|camera| camera.project(&point).unwrap());
        let sources = [0, 1].map(|camera| ViewSource {
            camera,
            velocity_px_per_second: velocity_px(&truth[camera]),
            clock_sd_seconds: if camera == 0 { 0.0 } else { clock_sd },
        });
        let calibrated: Vec<CalibratedView> = (0..2)
            .map(|i| CalibratedView { view: View { camera: &truth[i], px: exact[i], sd_px: 1.2 }, source: sources[i] })
            .collect();
        let parts = calibration.error_parts(&point, &calibrated).unwrap();

        let trials = 8000;
        let mut scatter = [Matrix3::zeros(); 4];
        for _ in 0..trials {
            for (part, sum) in scatter.iter_mut().enumerate() {
                let (mut cameras, mut px) = (truth.clone(), exact);
                match part {
                    0 => px.iter_mut().for_each(|p| *p += Vector2::from_column_slice(noise(2).as_slice()) * 1.2),
                    1 => {
                        let step = &mixing * noise(12);
                        for (i, camera) in cameras.iter_mut().enumerate() {
                            let own = Vector6::from_column_slice(&step.as_slice()[6 * i..6 * i + 6]);
                            camera.camera_from_world = stepped(&camera.camera_from_world, &own);
                        }
                    }
                    2 => {
                        for camera in &mut cameras {
                            let moved = camera.intrinsics.parameters() + noise(9).component_mul(&lens_sd);
                            camera.intrinsics = camera.intrinsics.with_parameters(moved.as_slice());
                        }
                    }
                    _ => {
                        // The second camera's clock is off: its picture shows the point a little later.
                        let late = point + velocity_m * (clock_sd * noise(1)[0]);
                        px[1] = truth[1].project(&late).unwrap();
                    }
                }
                let owned = seen_by(&cameras, px);
                let views: Vec<View> = owned.iter().map(|(camera, px)| View { camera, px: *px, sd_px: 1.2 }).collect();
                let error = triangulate(&views).unwrap().position - point;
                *sum += error * error.transpose() / f64::from(trials);
            }
        }
        for ((name, stated), found) in
            [("pixels", parts.pixels), ("poses", parts.poses), ("lenses", parts.lenses), ("clocks", parts.clocks)]
                .into_iter()
                .zip(scatter)
        {
            let ratio = found.trace() / stated.trace();
            println!("{name}: stated sd {:.2} mm, scatter / stated variance {ratio:.3}", 1e3 * stated.trace().sqrt());
            assert!((ratio - 1.0).abs() < 0.06, "{name}");
            assert!((found - stated).norm() < 0.08 * stated.norm(), "{name}\n{found}{stated}");
        }
    }

    #[test]
    fn a_covariance_of_the_wrong_shape_and_a_missing_lens_are_refused() {
        let camera = camera_at([-5.0, -6.0, 1.6], [0.0, 0.5, 1.0], LensModel::Pinhole);
        let good = rig(&[("fence", &camera)], &DMatrix::zeros(6, 6));
        let wrong = rig(&[("fence", &camera)], &DMatrix::zeros(5, 5));
        let own = [lens("fence", &camera, &DMatrix::zeros(4, 4))];
        assert!(CalibrationCovariance::new(&good, &own).is_ok());
        assert!(matches!(
            CalibrationCovariance::new(&wrong, &own),
            Err(CalibrationError::BadCovariance { expected: 6, .. })
        ));
        assert_eq!(
            CalibrationCovariance::new(&good, &[]),
            Err(CalibrationError::NoLens { camera: "fence".to_owned() })
        );
    }
}
