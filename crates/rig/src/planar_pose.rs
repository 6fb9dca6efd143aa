//! The poses that one view of a plane fits.
//!
//! Seen from far enough, a plane and its mirror image about the line of sight look alike, so that the reprojection error
//! has two minima (Schweighofer & Pinz 2006, "Robust pose estimation from a planar target"). The second is reached by
//! turning the refined pose so that the plane's normal is mirrored about the line of sight to the plane's centre, and
//! refining again.

use midline_geometry::{Intrinsics, RigidTransform};
use midline_solver::Loss;
use nalgebra::{Matrix3, Point3, Rotation3, Translation3, Vector3};

use crate::homography::pose_of_plane;
use crate::input::Observed;
use crate::pose_problem::{Minimum, PoseProblem, distinct};

/// The poses that a view of the plane z = 0 fits, best first: two, or one where a minimum is alone. Empty when the points
/// do not fix a pose.
pub(crate) fn planar_minima(intrinsics: &Intrinsics, observed: &[Observed], sd_px: f64) -> Vec<Minimum> {
    let problem = PoseProblem { intrinsics, observed, sd_px };
    let start = pose_of_plane(intrinsics, &RigidTransform::identity(), observed);
    let first = start.and_then(|start| problem.refined(start, Loss::Squared));
    let centre = centroid(observed);
    let second = first
        .and_then(|first| problem.refined(mirrored(&first.camera_from_object, &centre, &Vector3::z()), Loss::Squared));
    distinct(first.into_iter().chain(second).collect())
}

/// The pose turned about the centre so that the normal is mirrored about the line of sight to the centre.
pub(crate) fn mirrored(
    camera_from_object: &RigidTransform,
    centre: &Point3<f64>,
    normal: &Vector3<f64>,
) -> RigidTransform {
    let seen = (camera_from_object * centre).coords;
    let sight = seen.normalize();
    let normal = camera_from_object.rotation * normal;
    // Two reflections make the turn by twice the angle between them.
    let reflection = |v: &Vector3<f64>| Matrix3::identity() - v * v.transpose() * 2.0;
    let turn = Rotation3::from_matrix_unchecked(reflection(&sight) * reflection(&normal));
    let rotation = turn * camera_from_object.rotation;
    RigidTransform::from_parts(Translation3::from(seen - rotation * centre.coords), rotation)
}

pub(crate) fn centroid(observed: &[Observed]) -> Point3<f64> {
    Point3::from(observed.iter().map(|o| o.point.coords).sum::<Vector3<f64>>() / observed.len().max(1) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose_problem::same_pose;
    use crate::test_scene::{board, lens_model, look_at, noise, observe};
    use midline_geometry::stepped;
    use nalgebra::Vector6;
    use rand::{SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn mirroring_twice_gives_the_pose_back() {
        let pose = look_at([0.5, -2.0, 0.8], [0.2, 0.1, 0.0]);
        let centre = Point3::new(0.15, 0.1, 0.0);
        let once = mirrored(&pose, &centre, &Vector3::z());
        assert!((once * centre - pose * centre).norm() < 1e-12);
        assert!(once.rotation.angle_to(&pose.rotation) > 0.5);
        assert!(same_pose(&mirrored(&once, &centre, &Vector3::z()), &pose));
    }

    /// Every minimum that a search from many random starts finds is among the two.
    #[test]
    fn no_other_minimum_in_front_of_the_camera_is_better() {
        let intrinsics = lens_model();
        let mut random = StdRng::seed_from_u64(4);
        let mut draw = move || -> f64 { StandardNormal.sample(&mut random) };
        let mut two = 0;
        for trial in 0..25 {
            let pose = look_at([1.5 * draw(), -2.0 + draw(), 5.0 + draw().abs()], [0.1, 0.1, 0.0]);
            let observed = observe(&intrinsics, &pose, &board().corners_m(), 0.5, &mut noise(trial));
            let minima = planar_minima(&intrinsics, &observed, 0.5);
            two += usize::from(minima.len() == 2);
            let problem = PoseProblem { intrinsics: &intrinsics, observed: &observed, sd_px: 0.5 };
            for _ in 0..40 {
                let step = Vector6::from_fn(|i, _| if i < 3 { 0.8 * draw() } else { 0.0 });
                let centre = centroid(&observed);
                let turned = stepped(&pose, &step);
                let back = (pose * centre) - (turned * centre);
                let start =
                    RigidTransform::from_parts(Translation3::from(turned.translation.vector + back), turned.rotation);
                if let Some(other) = problem.refined(start, Loss::Squared)
                    && other.cost < minima[0].cost * 1.5
                {
                    assert!(
                        minima.iter().any(|m| same_pose(&m.camera_from_object, &other.camera_from_object)),
                        "trial {trial}: cost {} beside {:?}",
                        other.cost,
                        minima.iter().map(|m| m.cost).collect::<Vec<_>>()
                    );
                }
            }
        }
        println!("{two} of 25 distant views have two minima");
        assert!(two > 10);
    }
}
