//! Intrinsics of one lens: projection of a point in the camera frame, its Jacobians, and the way back.
//!
//! Pinhole with Brown-Conrady distortion (Brown 1966; Conrady 1919), its rational extension, and the equidistant fisheye
//! of Kannala & Brandt 2006, with the coefficient order that OpenCV documents, so that calibrations can be exchanged.

use nalgebra::{DVector, Matrix2, Matrix2x3, Matrix2xX, SMatrix, Vector2, Vector3};
use serde::{Deserialize, Serialize};

/// The family of lens model and its distortion coefficients.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "coefficients", rename_all = "kebab-case")]
pub enum LensModel {
    /// No distortion.
    Pinhole,
    /// Brown-Conrady: `k1 k2 p1 p2 k3`.
    BrownConrady([f64; 5]),
    /// Rational: `k1 k2 p1 p2 k3 k4 k5 k6`, the last three in the denominator.
    Rational([f64; 8]),
    /// Equidistant fisheye: `k1 k2 k3 k4` in `θ (1 + k1 θ² + k2 θ⁴ + k3 θ⁶ + k4 θ⁸)`.
    Fisheye([f64; 4]),
}

impl LensModel {
    /// The distortion coefficients in the order of the variant's documentation.
    #[must_use]
    pub fn coefficients(&self) -> &[f64] {
        match self {
            Self::Pinhole => &[],
            Self::BrownConrady(c) => c,
            Self::Rational(c) => c,
            Self::Fisheye(c) => c,
        }
    }

    fn coefficients_mut(&mut self) -> &mut [f64] {
        match self {
            Self::Pinhole => &mut [],
            Self::BrownConrady(c) => c,
            Self::Rational(c) => c,
            Self::Fisheye(c) => c,
        }
    }

    /// Names of the coefficients, in order.
    #[must_use]
    pub fn coefficient_names(&self) -> &'static [&'static str] {
        match self {
            Self::Pinhole => &[],
            Self::BrownConrady(_) => &["k1", "k2", "p1", "p2", "k3"],
            Self::Rational(_) => &["k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6"],
            Self::Fisheye(_) => &["k1", "k2", "k3", "k4"],
        }
    }
}

/// Intrinsics of one camera in display orientation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Intrinsics {
    /// Focal lengths `(fx, fy)` in pixels.
    pub focal_px: [f64; 2],
    /// Principal point `(cx, cy)` in pixels, the centre of the top-left pixel being (0, 0).
    pub centre_px: [f64; 2],
    /// Lens model with its coefficients.
    pub model: LensModel,
    /// Width and height of the displayed picture in pixels.
    pub size_px: [u32; 2],
}

/// Why a pixel has no ray or an intrinsics set cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum IntrinsicsError {
    /// The pixel lies where the lens model cannot be inverted.
    #[error(
        "the pixel ({x:.1}, {y:.1}) lies outside the region where the lens model can be inverted; calibrate with board views that reach this part of the picture"
    )]
    NotInvertible {
        /// Column in pixels.
        x: f64,
        /// Row in pixels.
        y: f64,
    },
}

/// Newton's step of the undistortion after which the iteration ends, in normalised coordinates.
const LAST_STEP: f64 = 1e-7;

/// Most parameters that a lens has: `fx fy cx cy` and the eight coefficients of the rational form.
pub const MOST_LENS_PARAMETERS: usize = 12;

/// ∂pixel/∂parameters; the columns after [`Intrinsics::parameter_count`] are 0.
pub type ByLensParameters = SMatrix<f64, 2, MOST_LENS_PARAMETERS>;

/// A projected point with its derivatives.
#[derive(Debug, Clone)]
pub struct LensProjection {
    /// The pixel.
    pub px: Vector2<f64>,
    /// ∂pixel/∂point in the camera frame, px per metre (2×3).
    pub by_point: Matrix2x3<f64>,
    /// ∂pixel/∂parameters in the order of [`Intrinsics::parameters`] (2×n).
    pub by_parameters: Matrix2xX<f64>,
}

/// Distorted normalised coordinates with derivatives by the undistorted ones.
struct Distorted {
    point: Vector2<f64>,
    by_point: Matrix2<f64>,
}

impl Intrinsics {
    /// Number of parameters: `fx fy cx cy` and the distortion coefficients.
    #[must_use]
    pub fn parameter_count(&self) -> usize {
        4 + self.model.coefficients().len()
    }

    /// `fx fy cx cy`, then the distortion coefficients.
    #[must_use]
    pub fn parameters(&self) -> DVector<f64> {
        let head = [self.focal_px[0], self.focal_px[1], self.centre_px[0], self.centre_px[1]];
        DVector::from_iterator(
            self.parameter_count(),
            head.into_iter().chain(self.model.coefficients().iter().copied()),
        )
    }

    /// Names of the parameters, in the order of [`Intrinsics::parameters`].
    #[must_use]
    pub fn parameter_names(&self) -> Vec<String> {
        ["fx", "fy", "cx", "cy"].iter().chain(self.model.coefficient_names()).map(ToString::to_string).collect()
    }

    /// The same model and picture with other parameter values; `parameters` has [`Intrinsics::parameter_count`] entries,
    /// of which surplus ones are ignored and missing ones leave the present value.
    #[must_use]
    pub fn with_parameters(&self, parameters: &[f64]) -> Self {
        let mut changed = *self;
        let [fx, fy] = &mut changed.focal_px;
        let [cx, cy] = &mut changed.centre_px;
        let slots = [fx, fy, cx, cy].into_iter().chain(changed.model.coefficients_mut());
        for (slot, value) in slots.zip(parameters) {
            *slot = *value;
        }
        changed
    }

    /// The pixel of a point in the camera frame; `None` when the point is not in front of the camera.
    #[must_use]
    pub fn project(&self, point_camera: &Vector3<f64>) -> Option<Vector2<f64>> {
        if point_camera.z <= f64::EPSILON {
            return None;
        }
        let normalised = Vector2::new(point_camera.x / point_camera.z, point_camera.y / point_camera.z);
        Some(self.px_from_distorted(&self.distort(&normalised).point))
    }

    /// The pixel with its derivative by the point in the camera frame (2×3, px per metre), without allocation; `None` when
    /// the point is not in front of the camera.
    #[must_use]
    pub fn project_with_point_jacobian(&self, point_camera: &Vector3<f64>) -> Option<(Vector2<f64>, Matrix2x3<f64>)> {
        if point_camera.z <= f64::EPSILON {
            return None;
        }
        let iz = 1.0 / point_camera.z;
        let normalised = Vector2::new(point_camera.x * iz, point_camera.y * iz);
        let Distorted { point, by_point } = self.distort(&normalised);
        let (u, v) = (self.focal_px[0] * iz, self.focal_px[1] * iz);
        let [[a, b], [c, d]] = [[u * by_point.m11, u * by_point.m12], [v * by_point.m21, v * by_point.m22]];
        let along = [-(a * normalised.x + b * normalised.y), -(c * normalised.x + d * normalised.y)];
        Some((self.px_from_distorted(&point), Matrix2x3::new(a, b, along[0], c, d, along[1])))
    }

    /// The pixel with its derivatives; `None` when the point is not in front of the camera.
    #[must_use]
    pub fn project_with_jacobians(&self, point_camera: &Vector3<f64>) -> Option<LensProjection> {
        let (px, by_point, by_parameters) = self.project_with_all_jacobians(point_camera)?;
        let by_parameters = by_parameters.columns(0, self.parameter_count()).into_owned();
        Some(LensProjection { px, by_point, by_parameters })
    }

    /// The pixel with its derivatives by the point (2×3, px per metre) and by the parameters, without allocation; `None` when
    /// the point is not in front of the camera.
    #[must_use]
    pub fn project_with_all_jacobians(
        &self,
        point_camera: &Vector3<f64>,
    ) -> Option<(Vector2<f64>, Matrix2x3<f64>, ByLensParameters)> {
        let (px, by_point) = self.project_with_point_jacobian(point_camera)?;
        let normalised = Vector2::new(point_camera.x / point_camera.z, point_camera.y / point_camera.z);
        let [fx, fy] = self.focal_px;
        let mut by_parameters = ByLensParameters::zeros();
        by_parameters[(0, 0)] = (px.x - self.centre_px[0]) / fx;
        by_parameters[(1, 1)] = (px.y - self.centre_px[1]) / fy;
        by_parameters[(0, 2)] = 1.0;
        by_parameters[(1, 3)] = 1.0;
        let (by_coefficients, count) = self.distortion_by_coefficients(&normalised);
        for (column, by_coefficient) in by_coefficients[..count].iter().enumerate() {
            by_parameters[(0, 4 + column)] = fx * by_coefficient.x;
            by_parameters[(1, 4 + column)] = fy * by_coefficient.y;
        }
        Some((px, by_point, by_parameters))
    }

    /// The undistorted normalised coordinates `(x/z, y/z)` of a pixel, by Newton's method with the analytic Jacobian.
    ///
    /// # Errors
    /// [`IntrinsicsError::NotInvertible`] when the pixel lies past the fold of the distortion polynomial or the iteration
    /// does not settle; the result is never a guess.
    pub fn normalised_from_px(&self, px: Vector2<f64>) -> Result<Vector2<f64>, IntrinsicsError> {
        Ok(self.normalised_with_jacobian_from_px(px)?.0)
    }

    /// The undistorted normalised coordinates of a pixel with their derivative by the pixel (2×2, exact to about 1e-7 of
    /// itself: it is that of Newton's last step).
    ///
    /// # Errors
    /// As [`Intrinsics::normalised_from_px`].
    pub fn normalised_with_jacobian_from_px(
        &self,
        px: Vector2<f64>,
    ) -> Result<(Vector2<f64>, Matrix2<f64>), IntrinsicsError> {
        let over_focal = Vector2::new(1.0 / self.focal_px[0], 1.0 / self.focal_px[1]);
        let target =
            Vector2::new((px.x - self.centre_px[0]) / self.focal_px[0], (px.y - self.centre_px[1]) / self.focal_px[1]);
        let fail = IntrinsicsError::NotInvertible { x: px.x, y: px.y };
        let mut guess = match self.model {
            LensModel::Pinhole => {
                let known = target.x.is_finite() && target.y.is_finite();
                return known.then(|| (target, Matrix2::from_diagonal(&over_focal))).ok_or(fail);
            }
            LensModel::Fisheye(_) => {
                let radius = target.norm();
                if radius >= std::f64::consts::FRAC_PI_2 {
                    return Err(fail);
                }
                if radius > 1e-9 { target * (radius.tan() / radius) } else { target }
            }
            _ => target,
        };
        for _ in 0..50 {
            let Distorted { point, by_point } = self.distort(&guess);
            let (off_x, off_y) = (point.x - target.x, point.y - target.y);
            let determinant = by_point.m11 * by_point.m22 - by_point.m12 * by_point.m21;
            // The same for what is not a number.
            if determinant.is_nan() || determinant <= 0.0 {
                return Err(fail);
            }
            let over = 1.0 / determinant;
            let [[a, b], [c, d]] =
                [[by_point.m22 * over, -by_point.m12 * over], [-by_point.m21 * over, by_point.m11 * over]];
            let step = Vector2::new(a * off_x + b * off_y, c * off_x + d * off_y);
            let length = (step.x * step.x + step.y * step.y).sqrt();
            // Newton's error is squared by each step: what is left after this one is near rounding.
            if length < LAST_STEP {
                let by_px = Matrix2::new(a * over_focal.x, b * over_focal.y, c * over_focal.x, d * over_focal.y);
                return Ok((guess - step, by_px));
            }
            // A step longer than the picture is wide means that the guess left the region of convergence.
            guess -= if length > 0.5 { step * (0.5 / length) } else { step };
            if !(guess.x.is_finite() && guess.y.is_finite()) {
                return Err(fail);
            }
        }
        Err(fail)
    }

    /// ∂(normalised)/∂(pixel) at undistorted normalised coordinates, the inverse of the forward Jacobian (2×2).
    #[must_use]
    pub fn normalised_by_px(&self, normalised: &Vector2<f64>) -> Option<Matrix2<f64>> {
        let focal = Matrix2::new(self.focal_px[0], 0.0, 0.0, self.focal_px[1]);
        (focal * self.distort(normalised).by_point).try_inverse()
    }

    fn px_from_distorted(&self, distorted: &Vector2<f64>) -> Vector2<f64> {
        Vector2::new(
            self.focal_px[0] * distorted.x + self.centre_px[0],
            self.focal_px[1] * distorted.y + self.centre_px[1],
        )
    }

    fn polynomial(&self) -> [f64; 8] {
        let mut c = [0.0; 8];
        if !matches!(self.model, LensModel::Fisheye(_)) {
            for (slot, value) in c.iter_mut().zip(self.model.coefficients()) {
                *slot = *value;
            }
        }
        c
    }

    #[inline]
    fn distort(&self, p: &Vector2<f64>) -> Distorted {
        let (x, y) = (p.x, p.y);
        let r2 = x * x + y * y;
        if let LensModel::Fisheye(k) = &self.model {
            let (scale, scale_by_r_over_r) = fisheye_scale(k, r2.sqrt());
            return Distorted {
                point: p * scale,
                by_point: Matrix2::identity() * scale + p * p.transpose() * scale_by_r_over_r,
            };
        }
        let (radial, radial_by_r2, [p1, p2]) = match &self.model {
            LensModel::Rational([k1, k2, p1, p2, k3, k4, k5, k6]) => {
                let above = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
                let over_below = 1.0 / (1.0 + r2 * (k4 + r2 * (k5 + r2 * k6)));
                let above_by_r2 = k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3);
                let below_by_r2 = k4 + r2 * (2.0 * k5 + r2 * 3.0 * k6);
                let radial = above * over_below;
                (radial, (above_by_r2 - radial * below_by_r2) * over_below, [*p1, *p2])
            }
            LensModel::BrownConrady([k1, k2, p1, p2, k3]) => {
                let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
                (radial, k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3), [*p1, *p2])
            }
            LensModel::Pinhole | LensModel::Fisheye(_) => (1.0, 0.0, [0.0; 2]),
        };
        let across = 2.0 * (x * y * radial_by_r2 + p1 * x + p2 * y);
        Distorted {
            point: Vector2::new(
                x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
                y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
            ),
            by_point: Matrix2::new(
                radial + 2.0 * x * x * radial_by_r2 + 2.0 * p1 * y + 6.0 * p2 * x,
                across,
                across,
                radial + 2.0 * y * y * radial_by_r2 + 6.0 * p1 * y + 2.0 * p2 * x,
            ),
        }
    }

    /// Derivatives of the distorted coordinates by the coefficients, and how many there are.
    fn distortion_by_coefficients(&self, p: &Vector2<f64>) -> ([Vector2<f64>; 8], usize) {
        let (x, y) = (p.x, p.y);
        let r2 = x * x + y * y;
        let (r4, r6) = (r2 * r2, r2 * r2 * r2);
        let mut columns = [Vector2::zeros(); 8];
        match self.model {
            LensModel::Pinhole => {}
            LensModel::Fisheye(_) => {
                let r = r2.sqrt();
                let theta = r.atan();
                let over_r = if r > 1e-9 { theta / r } else { 1.0 };
                let t2 = theta * theta;
                let mut power = over_r;
                for column in &mut columns[..4] {
                    power *= t2;
                    *column = p * power;
                }
            }
            LensModel::BrownConrady(_) | LensModel::Rational(_) => {
                let [k1, k2, _, _, k3, k4, k5, k6] = self.polynomial();
                let above = 1.0 + k1 * r2 + k2 * r4 + k3 * r6;
                let below = 1.0 + k4 * r2 + k5 * r4 + k6 * r6;
                let factor = -above / (below * below);
                columns = [
                    p * (r2 / below),
                    p * (r4 / below),
                    Vector2::new(2.0 * x * y, r2 + 2.0 * y * y),
                    Vector2::new(r2 + 2.0 * x * x, 2.0 * x * y),
                    p * (r6 / below),
                    p * (factor * r2),
                    p * (factor * r4),
                    p * (factor * r6),
                ];
            }
        }
        (columns, self.model.coefficients().len())
    }
}

/// `s = θd(r)/r` and `(ds/dr)/r` of the equidistant fisheye.
fn fisheye_scale(k: &[f64; 4], r: f64) -> (f64, f64) {
    let theta = r.atan();
    let t2 = theta * theta;
    let distorted = theta * (1.0 + t2 * (k[0] + t2 * (k[1] + t2 * (k[2] + t2 * k[3]))));
    if r < 1e-4 {
        // θd/r = 1 + (k1 - 1/3) r² + O(r⁴)
        let c = k[0] - 1.0 / 3.0;
        return (1.0 + c * r * r, 2.0 * c);
    }
    let by_theta = 1.0 + t2 * (3.0 * k[0] + t2 * (5.0 * k[1] + t2 * (7.0 * k[2] + t2 * 9.0 * k[3])));
    let scale = distorted / r;
    (scale, (by_theta / (1.0 + r * r) - scale) / (r * r))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn models() -> [LensModel; 4] {
        [
            LensModel::Pinhole,
            LensModel::BrownConrady([-0.28, 0.09, 0.0011, -0.0007, -0.012]),
            LensModel::Rational([0.31, -0.12, 0.0008, -0.0004, 0.02, 0.55, -0.09, 0.015]),
            LensModel::Fisheye([-0.013, 0.021, -0.016, 0.004]),
        ]
    }

    fn lens(model: LensModel) -> Intrinsics {
        Intrinsics { focal_px: [950.0, 941.0], centre_px: [633.2, 355.9], model, size_px: [1280, 720] }
    }

    #[test]
    fn projection_follows_the_published_brown_conrady_form() {
        // The definition printed in the OpenCV documentation (calib3d, distortion model), numbers written out; the library
        // itself is the reference in the workspace tests.
        let lens = lens(LensModel::BrownConrady([-0.28, 0.09, 0.0011, -0.0007, -0.012]));
        let px = lens.project(&Vector3::new(0.4, -0.2, 2.0)).unwrap();
        let (x, y, r2): (f64, f64, f64) = (0.2, -0.1, 0.05);
        let radial = 1.0 - 0.28 * r2 + 0.09 * r2.powi(2) - 0.012 * r2.powi(3);
        let xd = x * radial + 2.0 * 0.0011 * x * y - 0.0007 * (r2 + 2.0 * x * x);
        let yd = y * radial + 0.0011 * (r2 + 2.0 * y * y) + 2.0 * -0.0007 * x * y;
        assert!((px - Vector2::new(950.0 * xd + 633.2, 941.0 * yd + 355.9)).norm() < 1e-10);
    }

    #[test]
    fn a_pixel_past_the_fold_is_refused() {
        let lens = lens(LensModel::BrownConrady([-0.4, 0.0, 0.0, 0.0, 0.0]));
        assert!(lens.normalised_from_px(Vector2::new(5000.0, 360.0)).is_err());
    }

    #[test]
    fn a_point_behind_the_camera_has_no_pixel() {
        assert!(lens(LensModel::Pinhole).project(&Vector3::new(0.0, 0.0, -1.0)).is_none());
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(1000))]
        #[test]
        fn jacobians_match_differences(x in -0.55..0.55f64, y in -0.35..0.35f64, z in 0.5..20.0f64, which in 0..4usize) {
            let lens = lens(models()[which]);
            let point = Vector3::new(x * z, y * z, z);
            let full = lens.project_with_jacobians(&point).unwrap();
            prop_assert!((full.px - lens.project(&point).unwrap()).norm() < 1e-12);
            for axis in 0..3 {
                let h = 1e-5 * z;
                let mut forward = point;
                forward[axis] += h;
                let mut backward = point;
                backward[axis] -= h;
                let slope = (lens.project(&forward).unwrap() - lens.project(&backward).unwrap()) / (2.0 * h);
                prop_assert!((slope - full.by_point.column(axis)).norm() < 1e-6 * full.by_point.norm());
            }
            let parameters = lens.parameters();
            for column in 0..parameters.len() {
                let h = 1e-5 * parameters[column].abs().max(1.0);
                let (mut forward, mut backward) = (parameters.clone(), parameters.clone());
                forward[column] += h;
                backward[column] -= h;
                let slope = (lens.with_parameters(forward.as_slice()).project(&point).unwrap()
                    - lens.with_parameters(backward.as_slice()).project(&point).unwrap()) / (2.0 * h);
                prop_assert!((slope - full.by_parameters.column(column)).norm() < 1e-6 * full.by_parameters.norm());
            }
        }

        #[test]
        fn undistortion_undoes_projection(x in -0.55..0.55f64, y in -0.35..0.35f64, which in 0..4usize) {
            let lens = lens(models()[which]);
            let px = lens.project(&Vector3::new(x, y, 1.0)).unwrap();
            let (back, by_px) = lens.normalised_with_jacobian_from_px(px).unwrap();
            prop_assert!((back - Vector2::new(x, y)).norm() < 1e-12);
            let expected = lens.normalised_by_px(&back).unwrap();
            prop_assert!((by_px - expected).norm() < 1e-6 * expected.norm());
        }
    }
}
