//! Rigid transforms and their tangent steps.

use nalgebra::{Isometry3, Matrix3, Translation3, UnitQuaternion, Vector3, Vector6};

/// A rotation followed by a translation; named `b_from_a` wherever it is used.
pub type RigidTransform = Isometry3<f64>;

/// The rotation by `|vector|` radians about `vector` (exponential map of SO(3)).
#[must_use]
pub fn rotation_from_vector(vector: Vector3<f64>) -> UnitQuaternion<f64> {
    UnitQuaternion::from_scaled_axis(vector)
}

/// The rotation vector of a rotation, of length at most π (logarithm of SO(3)).
#[must_use]
pub fn vector_from_rotation(rotation: &UnitQuaternion<f64>) -> Vector3<f64> {
    rotation.scaled_axis()
}

/// The matrix `S` with `S b = a × b`.
#[must_use]
pub fn skew(a: &Vector3<f64>) -> Matrix3<f64> {
    a.cross_matrix()
}

/// The transform after the tangent step `(ω, τ)`: `R' = exp(ω) R`, `t' = t + τ`.
///
/// For a point `X = R p + t` this gives `∂X/∂ω = -[R p]ₓ` and `∂X/∂τ = I` at a zero step.
#[must_use]
pub fn stepped(transform: &RigidTransform, step: &Vector6<f64>) -> RigidTransform {
    let omega = Vector3::new(step[0], step[1], step[2]);
    let tau = Vector3::new(step[3], step[4], step[5]);
    RigidTransform::from_parts(
        Translation3::from(transform.translation.vector + tau),
        rotation_from_vector(omega) * transform.rotation,
    )
}

/// The tangent step that leads from `from` to `to`: the inverse of [`stepped`].
#[must_use]
pub fn step_between(from: &RigidTransform, to: &RigidTransform) -> Vector6<f64> {
    let omega = vector_from_rotation(&(to.rotation * from.rotation.inverse()));
    let tau = to.translation.vector - from.translation.vector;
    Vector6::new(omega.x, omega.y, omega.z, tau.x, tau.y, tau.z)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn vector(limit: f64) -> impl Strategy<Value = Vector3<f64>> {
        prop::array::uniform3(-limit..limit).prop_map(Vector3::from)
    }

    proptest! {
        #[test]
        fn step_between_undoes_stepped(r in vector(1.7), t in vector(5.0), w in vector(1.7), d in vector(5.0)) {
            let start = RigidTransform::new(t, r);
            let step = Vector6::new(w.x, w.y, w.z, d.x, d.y, d.z);
            prop_assert!((step_between(&start, &stepped(&start, &step)) - step).norm() < 1e-9);
        }

        #[test]
        fn skew_is_the_cross_product(a in vector(3.0), b in vector(3.0)) {
            prop_assert!((skew(&a) * b - a.cross(&b)).norm() < 1e-12);
        }
    }
}
