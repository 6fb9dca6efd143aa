//! Points of two views against OpenCV's `undistortPoints` and `triangulatePoints` in the same run.
//!
//! OpenCV minimises an algebraic error: without noise both give the same point; with noise ours reprojects better.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use midline_geometry::{Camera, Intrinsics, LensModel, ReadOut, RigidTransform, rotation_from_vector};
use midline_triangulation::{Pair, View, triangulate};
use midline_vision::reference::{project_points, triangulate_points, undistort_points};
use nalgebra::{Matrix3x4, Point3, Translation3, Vector2, Vector3};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};

fn camera(turn: [f64; 3], place: [f64; 3], model: LensModel) -> Camera {
    let rotation = rotation_from_vector(turn.into());
    let translation = rotation * -Vector3::from(place);
    Camera {
        intrinsics: Intrinsics { focal_px: [1510.0, 1490.0], centre_px: [955.0, 545.0], model, size_px: [1920, 1080] },
        camera_from_world: RigidTransform::from_parts(Translation3::from(translation), rotation),
        read_out: ReadOut::default(),
    }
}

#[test]
fn points_of_two_views_are_opencvs_without_noise_and_better_with_it() {
    let model = LensModel::BrownConrady([-0.12, 0.03, 0.0008, -0.0005, 0.002]);
    // Looking along +z with y down, turned toward each other.
    let cameras =
        [camera([0.0, -0.5, 0.0], [-4.0, 0.0, -7.0], model), camera([0.05, 0.6, 0.1], [4.5, -0.5, -6.0], model)];
    let mut random = StdRng::seed_from_u64(5);
    let points: Vec<Point3<f64>> = (0..500)
        .map(|_| {
            Point3::new(random.random_range(-1.0..1.0), random.random_range(-1.0..1.0), random.random_range(-1.0..1.0))
        })
        .collect();
    let exact = [0, 1].map(|i| project_points(&points, &cameras[i].camera_from_world, &cameras[i].intrinsics).unwrap());
    let pair = Pair::new([&cameras[0], &cameras[1]]);
    let pose = |c: &Camera| -> Matrix3x4<f64> { c.camera_from_world.to_matrix().fixed_view::<3, 4>(0, 0).into() };
    let poses = cameras.each_ref().map(pose);
    let (mut worst, mut ours_px2, mut theirs_px2) = (0.0_f64, 0.0, 0.0);
    for noise_px in [0.0, 2.0] {
        let mut noisy = exact.clone();
        for value in noisy.iter_mut().flatten().flatten() {
            let draw: f64 = StandardNormal.sample(&mut random);
            *value += noise_px * draw;
        }
        let rays = [0, 1].map(|i| undistort_points(&noisy[i], &cameras[i].intrinsics).unwrap());
        let theirs = triangulate_points([&poses[0], &poses[1]], [&rays[0], &rays[1]]).unwrap();
        for (index, theirs) in theirs.into_iter().enumerate() {
            let theirs = theirs.unwrap();
            let px = [0, 1].map(|i| Vector2::from(noisy[i][index]));
            let ours = pair.triangulate(px, [1.0; 2]).unwrap();
            let views = [0, 1].map(|i| View { camera: &cameras[i], px: px[i], sd_px: 1.0 });
            assert!((triangulate(&views).unwrap().position - ours.position).norm() < 1e-7);
            if noise_px == 0.0 {
                worst = worst.max((ours.position - theirs).norm()).max((ours.position - points[index]).norm());
            } else {
                ours_px2 += ours.chi_squared;
                theirs_px2 +=
                    (0..2).map(|i| (cameras[i].project(&theirs).unwrap() - px[i]).norm_squared()).sum::<f64>();
                assert!((ours.position - theirs).norm() < 0.5 * ours.covariance.trace().sqrt() * noise_px);
            }
        }
    }
    println!(
        "without noise at most {:.1e} m apart; squared residuals ours {ours_px2:.3}, theirs {theirs_px2:.3} px²",
        worst
    );
    assert!(worst < 1e-8, "{worst}");
    assert!(ours_px2 <= theirs_px2 * (1.0 + 1e-9));
}
