//! Pose of a plane from its homography.

use midline_geometry::{Intrinsics, RigidTransform};
use nalgebra::{Matrix3, Point3, Rotation3, SMatrix, SVector, Translation3, UnitQuaternion, Vector2, Vector3};

use crate::input::Observed;

/// Ratio of the second-smallest to the largest eigenvalue of the normal matrix below which more than one homography fits.
const LEAST_DETERMINED: f64 = 1e-12;

/// Pose of a plane (z = 0 of `object_from_plane`) from four or more of its points: direct linear transform of undistorted
/// points, normalised after Hartley 1997 ("In defense of the eight-point algorithm"), taken apart after Zhang 2000 ("A
/// flexible new technique for camera calibration", section 3.1). A start for a refinement; `None` when the points do not
/// fix a homography.
pub(crate) fn pose_of_plane(
    intrinsics: &Intrinsics,
    object_from_plane: &RigidTransform,
    observed: &[Observed],
) -> Option<RigidTransform> {
    let plane: Vec<Vector2<f64>> =
        observed.iter().map(|o| object_from_plane.inverse_transform_point(&o.point).coords.xy()).collect();
    let seen = observed.iter().map(|o| intrinsics.normalised_from_px(o.px).ok()).collect::<Option<Vec<_>>>()?;
    let homography = homography(&plane, &seen)?;
    let (first, second) = (homography.column(0), homography.column(1));
    let scale = 2.0 / (first.norm() + second.norm());
    // The plane is in front of the camera.
    let centre = plane.iter().sum::<Vector2<f64>>() / plane.len() as f64;
    let depth = (homography * Vector3::new(centre.x, centre.y, 1.0)).z;
    let scaled = homography * (scale * depth.signum());
    let (x, y) = (scaled.column(0).into_owned(), scaled.column(1).into_owned());
    let rotation = nearest_rotation(&Matrix3::from_columns(&[x, y, x.cross(&y)]))?;
    let camera_from_plane = RigidTransform::from_parts(Translation3::from(scaled.column(2).into_owned()), rotation);
    Some(camera_from_plane * object_from_plane.inverse())
}

fn homography(from: &[Vector2<f64>], to: &[Vector2<f64>]) -> Option<Matrix3<f64>> {
    if from.len() < 4 {
        return None;
    }
    let (from_normal, to_normal) = (normalisation(from)?, normalisation(to)?);
    let apply = |m: &Matrix3<f64>, p: &Vector2<f64>| (m * Vector3::new(p.x, p.y, 1.0)).xy();
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    for (a, b) in from.iter().zip(to) {
        let (a, b) = (apply(&from_normal, a), apply(&to_normal, b));
        let u = SVector::<f64, 9>::from([a.x, a.y, 1.0, 0.0, 0.0, 0.0, -b.x * a.x, -b.x * a.y, -b.x]);
        let v = SVector::<f64, 9>::from([0.0, 0.0, 0.0, a.x, a.y, 1.0, -b.y * a.x, -b.y * a.y, -b.y]);
        normal += u * u.transpose() + v * v.transpose();
    }
    let eigen = normal.symmetric_eigen();
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|&a, &b| eigen.eigenvalues[a].total_cmp(&eigen.eigenvalues[b]));
    if eigen.eigenvalues[order[1]] < LEAST_DETERMINED * eigen.eigenvalues[order[8]] {
        return None;
    }
    let h = eigen.eigenvectors.column(order[0]);
    let normalised = Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], h[8]);
    Some(to_normal.try_inverse()? * normalised * from_normal)
}

/// Moves the centroid to 0 and the mean distance from it to √2.
fn normalisation(points: &[Vector2<f64>]) -> Option<Matrix3<f64>> {
    let centre = points.iter().sum::<Vector2<f64>>() / points.len() as f64;
    let distance = points.iter().map(|p| (p - centre).norm()).sum::<f64>() / points.len() as f64;
    let scale = std::f64::consts::SQRT_2 / distance;
    scale.is_finite().then(|| Matrix3::new(scale, 0.0, -scale * centre.x, 0.0, scale, -scale * centre.y, 0.0, 0.0, 1.0))
}

fn nearest_rotation(matrix: &Matrix3<f64>) -> Option<UnitQuaternion<f64>> {
    let svd = matrix.svd(true, true);
    let (u, v_t) = (svd.u?, svd.v_t?);
    let sign = Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, (u * v_t).determinant().signum()));
    let rotation = Rotation3::from_matrix_unchecked(u * sign * v_t);
    Some(UnitQuaternion::from_rotation_matrix(&rotation)).filter(|q| q.coords.iter().all(|v| v.is_finite()))
}

/// The plane with the most of these points: its frame (z = 0) and the indices of the points on it. `None` when no four
/// points lie on one plane without lying on one line.
pub(crate) fn largest_plane(points: &[Point3<f64>]) -> Option<(RigidTransform, Vec<usize>)> {
    let mut best: Option<(RigidTransform, Vec<usize>)> = None;
    for i in 0..points.len() {
        for j in i + 1..points.len() {
            for k in j + 1..points.len() {
                let Some(frame) = frame_through(&points[i], &points[j], &points[k]) else { continue };
                let on: Vec<usize> =
                    (0..points.len()).filter(|&p| frame.inverse_transform_point(&points[p]).z.abs() < 1e-3).collect();
                if on.len() >= 4 && best.as_ref().is_none_or(|(_, most)| on.len() > most.len()) {
                    best = Some((frame, on));
                }
            }
        }
    }
    best
}

/// The frame with its origin at `a`, x toward `b`, and `c` in its xy plane; `None` when they lie on one line.
fn frame_through(a: &Point3<f64>, b: &Point3<f64>, c: &Point3<f64>) -> Option<RigidTransform> {
    let x = (b - a).try_normalize(1e-9)?;
    let off = c - a;
    let y = (off - x * x.dot(&off)).try_normalize(0.05 * off.norm().max(1e-9))?;
    let rotation = Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[x, y, x.cross(&y)]));
    Some(RigidTransform::from_parts(Translation3::from(a.coords), rotation.into()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_scene::{board, lens_model, look_at, noise, observe};
    use midline_session::court::Court;

    #[test]
    fn an_exact_view_of_a_plane_gives_its_pose() {
        let intrinsics = lens_model();
        let pose = look_at([0.4, -1.2, 0.9], [0.1, 0.1, 0.0]);
        let observed = observe(&intrinsics, &pose, &board().corners_m(), 0.0, &mut noise(1));
        let found = pose_of_plane(&intrinsics, &RigidTransform::identity(), &observed).unwrap();
        assert!(found.rotation.angle_to(&pose.rotation) < 1e-9);
        assert!((found.translation.vector - pose.translation.vector).norm() < 1e-8);
    }

    #[test]
    fn points_on_one_line_fix_no_plane() {
        let line: Vec<Point3<f64>> = (0..6).map(|i| Point3::new(f64::from(i), 2.0 * f64::from(i), 0.0)).collect();
        assert!(largest_plane(&line).is_none());
        let intrinsics = lens_model();
        let observed: Vec<Observed> = line
            .iter()
            .map(|p| Observed { point: *p, px: Vector2::new(500.0 + 20.0 * p.x, 300.0 + 11.0 * p.x) })
            .collect();
        assert!(pose_of_plane(&intrinsics, &RigidTransform::identity(), &observed).is_none());
    }

    #[test]
    fn the_ground_is_the_largest_plane_of_a_court() {
        let court = Court::itf_tennis().unwrap();
        let points: Vec<Point3<f64>> = court.points_m.values().map(|p| Point3::from(*p)).collect();
        let (frame, on) = largest_plane(&points).unwrap();
        assert_eq!(on.len(), points.iter().filter(|p| p.z == 0.0).count());
        assert!((frame.rotation * Vector3::z()).z.abs() > 1.0 - 1e-12);
    }
}
