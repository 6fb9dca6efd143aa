//! Unknowns that are not vectors: how a tangent step moves them, and which step leads from one to another.

use nalgebra::{DMatrix, DVector, Isometry3, Matrix3, Translation3, UnitQuaternion, Vector3};

/// A point that is moved by tangent steps `⊞` and compared by the step `⊟` that leads from one to another (Hertzberg et al.
/// 2013), with `x ⊞ (y ⊟ x) = y` near `x`.
pub trait Manifold: Clone {
    /// Dimension of a tangent step.
    fn dim(&self) -> usize;

    /// The point after a tangent step of [`Manifold::dim`] entries.
    #[must_use]
    fn plus(&self, step: &[f64]) -> Self;

    /// The step that leads from another point to this one.
    fn minus(&self, from: &Self) -> DVector<f64>;

    /// The derivative of `(self ⊞ δ) ⊟ from` by `δ` at zero, dim × dim.
    fn minus_by_step(&self, from: &Self) -> DMatrix<f64>;
}

impl Manifold for f64 {
    fn dim(&self) -> usize {
        1
    }
    fn plus(&self, step: &[f64]) -> Self {
        self + step[0]
    }
    fn minus(&self, from: &Self) -> DVector<f64> {
        DVector::from_element(1, self - from)
    }
    fn minus_by_step(&self, _: &Self) -> DMatrix<f64> {
        DMatrix::identity(1, 1)
    }
}

impl Manifold for DVector<f64> {
    fn dim(&self) -> usize {
        self.len()
    }
    fn plus(&self, step: &[f64]) -> Self {
        self + DVector::from_column_slice(step)
    }
    fn minus(&self, from: &Self) -> DVector<f64> {
        self - from
    }
    fn minus_by_step(&self, _: &Self) -> DMatrix<f64> {
        DMatrix::identity(self.len(), self.len())
    }
}

/// Rotations: `exp(step) · self`, in radians about the axes of the frame that the rotation leads to.
impl Manifold for UnitQuaternion<f64> {
    fn dim(&self) -> usize {
        3
    }
    fn plus(&self, step: &[f64]) -> Self {
        Self::from_scaled_axis(Vector3::from_column_slice(step)) * self
    }
    fn minus(&self, from: &Self) -> DVector<f64> {
        DVector::from_column_slice((self * from.inverse()).scaled_axis().as_slice())
    }
    fn minus_by_step(&self, from: &Self) -> DMatrix<f64> {
        let inverse = inverse_left_jacobian(&(self * from.inverse()).scaled_axis());
        DMatrix::from_column_slice(3, 3, inverse.as_slice())
    }
}

/// Rigid transforms: a rotation as above, then the translation, each stepped alone (`R' = exp(ω) R`, `t' = t + τ`).
impl Manifold for Isometry3<f64> {
    fn dim(&self) -> usize {
        6
    }
    fn plus(&self, step: &[f64]) -> Self {
        let translation = self.translation.vector + Vector3::from_column_slice(&step[3..6]);
        Self::from_parts(Translation3::from(translation), self.rotation.plus(&step[..3]))
    }
    fn minus(&self, from: &Self) -> DVector<f64> {
        let mut step = self.rotation.minus(&from.rotation).resize_vertically(6, 0.0);
        step.rows_mut(3, 3).copy_from(&(self.translation.vector - from.translation.vector));
        step
    }
    fn minus_by_step(&self, from: &Self) -> DMatrix<f64> {
        let mut by_step = DMatrix::identity(6, 6);
        by_step.view_mut((0, 0), (3, 3)).copy_from(&self.rotation.minus_by_step(&from.rotation));
        by_step
    }
}

/// `J_l(φ)⁻¹`: the derivative of `log(exp(δ) exp(φ))` by `δ` (Barfoot 2017, equation 7.77).
fn inverse_left_jacobian(phi: &Vector3<f64>) -> Matrix3<f64> {
    let angle2 = phi.norm_squared();
    let angle = angle2.sqrt();
    // (1 - θ/2 · cot θ/2) / θ², by its series near 0.
    let factor =
        if angle < 1e-3 { 1.0 / 12.0 + angle2 / 720.0 } else { (1.0 - 0.5 * angle / (0.5 * angle).tan()) / angle2 };
    let skew = phi.cross_matrix();
    Matrix3::identity() - skew * 0.5 + skew * skew * factor
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check<M: Manifold>(point: &M, from: &M, step: &[f64]) -> Result<(), TestCaseError> {
        let moved = from.plus(step);
        prop_assert!((moved.minus(from) - DVector::from_column_slice(step)).norm() < 1e-12);
        prop_assert!(from.minus(from).norm() < 1e-12);
        let by_step = point.minus_by_step(from);
        for axis in 0..point.dim() {
            let h = 1e-6;
            let along = |length: f64| {
                let mut step = vec![0.0; point.dim()];
                step[axis] = length;
                point.plus(&step).minus(from)
            };
            let slope = (along(h) - along(-h)) / (2.0 * h);
            prop_assert!((slope - by_step.column(axis)).norm() < 1e-7, "axis {axis}");
        }
        Ok(())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(1000))]
        #[test]
        fn steps_lead_there_and_back(
            a in prop::array::uniform6(-1.5..1.5f64), b in prop::array::uniform6(-1.5..1.5f64),
            step in prop::array::uniform6(-0.8..0.8f64), small in -9i32..1,
        ) {
            let isometry = |v: &[f64; 6]| {
                Isometry3::new(Vector3::new(v[3], v[4], v[5]), Vector3::new(v[0], v[1], v[2]) * 0.5)
            };
            let (p, q) = (isometry(&a), isometry(&b));
            check(&p, &q, &step)?;
            // Two rotations that are nearly the same.
            let near = q.plus(&step.map(|s| s * 10f64.powi(small)));
            check(&near, &q, &step)?;
            check(&p.rotation, &q.rotation, &step[..3])?;
            check(&a[0], &b[0], &step[..1])?;
            check(&DVector::from_column_slice(&a), &DVector::from_column_slice(&b), &step)?;
        }
    }
}
