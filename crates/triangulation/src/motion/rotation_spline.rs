//! A cumulative cubic B-spline of rotations with its angular velocity, angular acceleration and all derivatives.
//!
//! `R(t) = R₀ exp(c₁(t) d₁) exp(c₂(t) d₂) exp(c₃(t) d₃)` with `dⱼ = log(Rⱼ₋₁ᵀ Rⱼ)` and cumulative basis functions `cⱼ` (Kim, Kim &
//! Shin 1995, "A general construction scheme for unit quaternion curves with simple high order derivatives"); velocities,
//! accelerations and their derivatives by the control rotations recursively (Sommer et al. 2020, "Efficient derivative
//! computation for cumulative B-splines on Lie groups").

use midline_geometry::skew;
use nalgebra::{Matrix3, SMatrix, UnitQuaternion, Vector3};

use super::course::{Instant, ORDER};

/// Derivative of a vector by the tangent steps of the four control rotations.
pub(super) type ByControls = SMatrix<f64, 3, 12>;

/// A rotation and its motion in body axes.
pub(super) struct Turning {
    pub(super) rotation: UnitQuaternion<f64>,
    /// Angular velocity in body axes, rad/s.
    pub(super) velocity: Vector3<f64>,
    /// Angular acceleration in body axes, rad/s².
    pub(super) acceleration: Vector3<f64>,
    /// Derivatives by `δ` in `Rᵢ exp(δᵢ)`: of the rotation (as a step in body axes), velocity and acceleration.
    pub(super) rotation_by: ByControls,
    pub(super) velocity_by: ByControls,
    pub(super) acceleration_by: ByControls,
}

/// The rotation at an instant, from the four control rotations there.
pub(super) fn rotation(controls: &[UnitQuaternion<f64>], at: &Instant) -> UnitQuaternion<f64> {
    (1..ORDER).fold(controls[0], |turned, j| {
        let share = at.derivatives[0][j..].iter().sum::<f64>();
        turned * UnitQuaternion::from_scaled_axis((controls[j - 1].inverse() * controls[j]).scaled_axis() * share)
    })
}

/// The rotation with its derivative and, when `moving`, angular velocity and acceleration with theirs.
pub(super) fn turning(controls: &[UnitQuaternion<f64>], at: &Instant, moving: bool) -> Turning {
    let mut found = Turning {
        rotation: controls[0],
        velocity: Vector3::zeros(),
        acceleration: Vector3::zeros(),
        rotation_by: ByControls::zeros(),
        velocity_by: ByControls::zeros(),
        acceleration_by: ByControls::zeros(),
    };
    found.rotation_by.fixed_columns_mut::<3>(0).copy_from(&Matrix3::identity());
    for j in 1..ORDER {
        // Cumulative functions: the sum over the basis functions from j on.
        let [value, slope, bend] = [0, 1, 2].map(|order| at.derivatives[order][j..].iter().sum::<f64>());
        let (difference, by_before, by_here) = difference(&controls[j - 1], &controls[j]);
        let mut difference_by = ByControls::zeros();
        difference_by.fixed_columns_mut::<3>(3 * (j - 1)).copy_from(&by_before);
        difference_by.fixed_columns_mut::<3>(3 * j).copy_from(&by_here);

        let factor = UnitQuaternion::from_scaled_axis(difference * value);
        let back = factor.inverse().to_rotation_matrix().into_inner();
        let factor_by = right_jacobian(&(difference * value)) * value * difference_by;
        found.rotation *= factor;
        found.rotation_by = back * found.rotation_by + factor_by;
        if !moving {
            continue;
        }

        let carried = back * found.velocity;
        let carried_by = back * found.velocity_by + skew(&carried) * factor_by;
        found.velocity = carried + difference * slope;
        found.velocity_by = carried_by + difference_by * slope;

        let carried = back * found.acceleration;
        let carried_by = back * found.acceleration_by + skew(&carried) * factor_by;
        found.acceleration = carried + found.velocity.cross(&difference) * slope + difference * bend;
        found.acceleration_by = carried_by
            + (skew(&found.velocity) * difference_by - skew(&difference) * found.velocity_by) * slope
            + difference_by * bend;
    }
    found
}

/// `log(aᵀ b)` with its derivatives by steps of `a` and `b` in body axes.
pub(super) fn difference(
    a: &UnitQuaternion<f64>,
    b: &UnitQuaternion<f64>,
) -> (Vector3<f64>, Matrix3<f64>, Matrix3<f64>) {
    let vector = (a.inverse() * b).scaled_axis();
    // The left Jacobian is the right one of the opposite vector.
    (vector, -inverse_right_jacobian(&-vector), inverse_right_jacobian(&vector))
}

/// `exp(v + δ) = exp(v) exp(J δ)`.
fn right_jacobian(vector: &Vector3<f64>) -> Matrix3<f64> {
    let squared = vector.norm_squared();
    let (a, b) = if squared < 1e-8 {
        (0.5 - squared / 24.0, 1.0 / 6.0 - squared / 120.0)
    } else {
        let angle = squared.sqrt();
        ((1.0 - angle.cos()) / squared, (angle - angle.sin()) / (squared * angle))
    };
    let cross = skew(vector);
    Matrix3::identity() - cross * a + cross * cross * b
}

fn inverse_right_jacobian(vector: &Vector3<f64>) -> Matrix3<f64> {
    let squared = vector.norm_squared();
    let c = if squared < 1e-8 {
        1.0 / 12.0 + squared / 720.0
    } else {
        let half = 0.5 * squared.sqrt();
        (1.0 - half / half.tan()) / squared
    };
    let cross = skew(vector);
    Matrix3::identity() + cross * 0.5 + cross * cross * c
}
