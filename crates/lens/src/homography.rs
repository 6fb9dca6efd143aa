//! Homographies from point pairs.

use nalgebra::{DMatrix, Matrix3, SMatrix, SVector, Vector2, Vector3};

/// The homography that takes `from` to `to`, by the normalised direct linear transform (Hartley & Zisserman 2004, algorithm
/// 4.2). Scaled to unit norm, with a sign that gives the mean of `from` a positive third coordinate. `None` for fewer than
/// four pairs or a degenerate arrangement.
pub(crate) fn homography(from: &[Vector2<f64>], to: &[Vector2<f64>]) -> Option<Matrix3<f64>> {
    if from.len() < 4 || from.len() != to.len() {
        return None;
    }
    let (from_scale, to_scale) = (normalising(from)?, normalising(to)?);
    // AᵀA is accumulated: with normalised points its loss of digits is far below the noise of corners.
    let mut squared = SMatrix::<f64, 9, 9>::zeros();
    for (a, b) in from.iter().zip(to) {
        let (p, q) = (from_scale * a.push(1.0), to_scale * b.push(1.0));
        let mut rows = SMatrix::<f64, 2, 9>::zeros();
        rows.fixed_view_mut::<1, 3>(0, 0).copy_from(&p.transpose());
        rows.fixed_view_mut::<1, 3>(0, 6).copy_from(&(-q.x * p.transpose()));
        rows.fixed_view_mut::<1, 3>(1, 3).copy_from(&p.transpose());
        rows.fixed_view_mut::<1, 3>(1, 6).copy_from(&(-q.y * p.transpose()));
        squared += rows.transpose() * rows;
    }
    let eigen = squared.symmetric_eigen();
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|&i, &j| eigen.eigenvalues[i].total_cmp(&eigen.eigenvalues[j]));
    // Two vanishing eigenvalues: more than one homography fits.
    if eigen.eigenvalues[order[1]] < 1e-12 * eigen.eigenvalues[order[8]] {
        return None;
    }
    let h: SVector<f64, 9> = eigen.eigenvectors.column(order[0]).into();
    let normalised = Matrix3::from_row_slice(h.as_slice());
    let full = to_scale.try_inverse()? * normalised * from_scale;
    let middle = from.iter().sum::<Vector2<f64>>() / from.len() as f64;
    let sign = (full * middle.push(1.0)).z.signum();
    let scaled = full * (sign / full.norm());
    scaled.iter().all(|v| v.is_finite()).then_some(scaled)
}

/// The similarity that brings points to mean 0 and mean distance √2.
fn normalising(points: &[Vector2<f64>]) -> Option<Matrix3<f64>> {
    let count = points.len() as f64;
    let mean = points.iter().sum::<Vector2<f64>>() / count;
    let distance = points.iter().map(|p| (p - mean).norm()).sum::<f64>() / count;
    if !(distance.is_finite() && distance > 0.0) {
        return None;
    }
    let s = std::f64::consts::SQRT_2 / distance;
    Some(Matrix3::new(s, 0.0, -s * mean.x, 0.0, s, -s * mean.y, 0.0, 0.0, 1.0))
}

/// The normal of a plane from the homography that takes it to pixels, for a pinhole lens, pointing away from the camera: the
/// plane's line at infinity is imaged at `H⁻ᵀ (0, 0, 1)`, whose back-projection is the parallel plane through the camera.
pub(crate) fn plane_normal(px_from_plane: &Matrix3<f64>, focal_px: f64, centre_px: [f64; 2]) -> Option<Vector3<f64>> {
    let line = px_from_plane.try_inverse()?.transpose() * Vector3::z();
    let normal =
        Vector3::new(focal_px * line.x, focal_px * line.y, centre_px[0] * line.x + centre_px[1] * line.y + line.z);
    let unit = normal.try_normalize(0.0)?;
    Some(if unit.z < 0.0 { -unit } else { unit })
}

/// Spread of points across their main direction as a share of the spread along it: 0 on a line, 1 in a round cloud.
pub(crate) fn spread_across(points: &[[f64; 2]]) -> f64 {
    let count = points.len().max(1) as f64;
    let mean = points.iter().fold([0.0; 2], |sum, p| [sum[0] + p[0] / count, sum[1] + p[1] / count]);
    let centred = DMatrix::from_fn(points.len(), 2, |i, j| points[i][j] - mean[j]);
    let scatter = centred.tr_mul(&centred);
    let eigenvalues = scatter.symmetric_eigenvalues();
    let (low, high) = (eigenvalues.min().max(0.0), eigenvalues.max());
    if high > 0.0 { (low / high).sqrt() } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_known_homography_is_found(
            entries in prop::array::uniform8(-0.2..0.2f64), shift in prop::array::uniform2(-500.0..500.0f64),
        ) {
            let [a, b, c, d, e, f, g, h] = entries;
            let truth = Matrix3::new(100.0 * (1.0 + a), 100.0 * b, shift[0] + c, 100.0 * d, 100.0 * (1.0 + e), shift[1] + f,
                0.3 * g, 0.3 * h, 1.0);
            let from: Vec<_> = (0..12).map(|i| Vector2::new(f64::from(i % 4), f64::from(i / 4))).collect();
            let to: Vec<_> = from.iter().map(|p| { let q = truth * p.push(1.0); q.xy() / q.z }).collect();
            let found = homography(&from, &to).unwrap();
            prop_assert!((found - truth / truth.norm()).norm() < 1e-8);
        }
    }

    #[test]
    fn points_on_a_line_have_no_homography() {
        let from: Vec<_> = (0..6).map(|i| Vector2::new(f64::from(i), 0.0)).collect();
        let to: Vec<_> = (0..6).map(|i| Vector2::new(3.0 * f64::from(i), f64::from(i))).collect();
        assert!(homography(&from, &to).is_none());
        assert!(spread_across(&[[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]]) < 1e-7);
        assert!((spread_across(&[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]]) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_normal_of_a_plane_is_recovered() {
        let rotation = nalgebra::Rotation3::from_euler_angles(0.4, -0.3, 0.2);
        let k = Matrix3::new(900.0, 0.0, 640.0, 0.0, 900.0, 360.0, 0.0, 0.0, 1.0);
        let pose = Matrix3::from_columns(&[
            rotation.matrix().column(0).into(),
            rotation.matrix().column(1).into(),
            Vector3::new(0.1, 0.2, 3.0),
        ]);
        let normal = plane_normal(&(k * pose), 900.0, [640.0, 360.0]).unwrap();
        assert!((normal - rotation.matrix().column(2)).norm() < 1e-12);
    }
}
