//! The final refinement against known truth.

use midline_geometry::{Intrinsics, step_between, stepped};
use midline_session::calibration::{LensCalibration, RigCalibration};
use midline_session::court::Court;
use nalgebra::{DMatrix, DVector, Point3, Vector6};
use rayon::prelude::*;

use crate::bundle::{Bundle, RigState, Spread};
use crate::input::Checked;
use crate::player::placed;
use crate::test_scene::{Scene, board, lens_model, noise, within};
use crate::{PlayerPoint, PlayerView, RigInput, RigSettings, SharedSighting, refine, refine_dense, solve_with};

/// Points in the hitting zone as two or more cameras see them.
fn player(scene: &Scene, count: usize, sd_px: f64, seed: u64) -> Vec<PlayerPoint> {
    let mut noise = noise(seed);
    let mut points = Vec::new();
    while points.len() < count {
        let point = Point3::new(0.6 * noise(), 1.0 + 0.6 * noise(), 1.1 + 0.4 * noise());
        let views: Vec<PlayerView> = scene
            .cameras
            .iter()
            .enumerate()
            .filter(|(_, pose)| within(&lens_model(), pose, &point))
            .map(|(camera, pose)| {
                let px = lens_model().project(&(pose * point).coords).unwrap();
                PlayerView { camera, px: [px.x + sd_px * noise(), px.y + sd_px * noise()], sd_px }
            })
            .collect();
        if views.len() >= 2 {
            points.push(PlayerPoint { views });
        }
    }
    points
}

/// Lenses that are off by what their covariance says.
fn wrong_lenses(scene: &Scene, seed: u64) -> Vec<LensCalibration> {
    let mut noise = noise(seed);
    let sds = [4.0, 4.0, 3.0, 3.0, 0.004, 0.004, 2e-4, 2e-4, 0.0];
    scene
        .lenses()
        .into_iter()
        .map(|mut lens| {
            let off = DVector::from_iterator(9, sds.iter().map(|sd| sd * noise()));
            lens.intrinsics = lens.intrinsics.with_parameters((lens.intrinsics.parameters() + off).as_slice());
            lens.covariance =
                (0..9).map(|i| (0..9).map(|j| if i == j { sds[i] * sds[i] } else { 0.0 }).collect()).collect();
            lens.standard_deviations = sds.iter().map(|sd| (*sd > 0.0).then_some(*sd)).collect();
            lens
        })
        .collect()
}

/// The pose of the second camera relative to the first, as a step from the truth, with its covariance.
pub(crate) fn relative(scene: &Scene, found: &RigCalibration) -> (Vector6<f64>, DMatrix<f64>) {
    let of = |step: &DVector<f64>| {
        let pose = |camera: usize| {
            let own = Vector6::from_column_slice(&step.as_slice()[6 * camera..6 * camera + 6]);
            stepped(&found.cameras[camera].camera_from_world, &own)
        };
        pose(1) * pose(0).inverse()
    };
    let here = of(&DVector::zeros(12));
    let mut by_poses = DMatrix::zeros(6, 12);
    for axis in 0..12 {
        let moved = |size: f64| of(&DVector::from_fn(12, |i, _| if i == axis { size } else { 0.0 }));
        let slope = (step_between(&here, &moved(1e-6)) - step_between(&here, &moved(-1e-6))) / 2e-6;
        by_poses.column_mut(axis).copy_from(&slope);
    }
    let covariance = DMatrix::from_fn(12, 12, |i, j| found.covariance[i][j]);
    let truth = scene.cameras[1] * scene.cameras[0].inverse();
    (step_between(&here, &truth), &by_poses * covariance * by_poses.transpose())
}

/// Share of the six parameters of the relative pose inside their 95 % intervals, and its mean error in degrees.
pub(crate) fn coverage(results: &[(Vector6<f64>, DMatrix<f64>)]) -> (f64, f64) {
    let inside: usize = results
        .iter()
        .map(|(error, covariance)| (0..6).filter(|&i| error[i].abs() < 1.96 * covariance[(i, i)].sqrt()).count())
        .sum();
    let turned: f64 = results.iter().map(|(error, _)| error.fixed_rows::<3>(0).norm()).sum();
    (inside as f64 / (6 * results.len()) as f64, turned.to_degrees() / results.len() as f64)
}

#[test]
fn the_players_points_make_the_relative_pose_better_and_its_interval_stays_honest() {
    let court = Court::itf_tennis().unwrap();
    let settings = RigSettings { click_sd_px: 1.5, ..RigSettings::default() };
    let results: Vec<_> = (0..120_u64)
        .into_par_iter()
        .filter_map(|seed| {
            let mut scene = Scene::random(seed, 2, 0);
            let marked = scene.court_points(&court, 1.5);
            if marked.iter().any(|m| m.len() < 6) {
                return None;
            }
            let lenses = scene.lenses();
            let input = RigInput { lenses: &lenses, boards: None, court: Some((&court, &marked)), lines: &[] };
            let mut points = player(&scene, 200, 2.0, 1000 + seed);
            // One point in forty is grossly wrong.
            for point in points.iter_mut().step_by(40) {
                point.views[0].px[1] += 60.0;
            }
            let before = solve_with(&input, &settings).unwrap();
            let after = refine(&input, &settings, &points, false).unwrap();
            assert_eq!(after.lenses, lenses);
            assert!(after.points > 150);
            Some((relative(&scene, &before), relative(&scene, &after.rig)))
        })
        .collect();
    let (before, after): (Vec<_>, Vec<_>) = results.into_iter().unzip();
    let ((_, turned_before), (share, turned_after)) = (coverage(&before), coverage(&after));
    println!(
        "{} rigs: rotation between the cameras {turned_before:.3}° off from the court alone, {turned_after:.3}° with the player's \
         points; 95 % intervals cover {:.1} %",
        after.len(),
        100.0 * share
    );
    assert!(after.len() > 40);
    // Points fix the cameras against each other but not about the line between them, which the court alone does.
    assert!(turned_after < 0.95 * turned_before);
    assert!((0.91..0.99).contains(&share));
}

#[test]
fn wrong_lenses_are_in_the_intervals_of_the_poses_held_or_free() {
    let court = Court::itf_tennis().unwrap();
    let board = board();
    let settings = RigSettings { click_sd_px: 1.0, ..RigSettings::default() };
    let results: Vec<_> = (0..60_u64)
        .into_par_iter()
        .filter_map(|seed| {
            let mut scene = Scene::random(300 + seed, 2, 6);
            let marked = scene.court_points(&court, 1.0);
            if marked.iter().any(|m| m.len() < 6) {
                return None;
            }
            let sightings: Vec<SharedSighting> = scene.sightings(0.3);
            let lenses = wrong_lenses(&scene, 2000 + seed);
            let input = RigInput {
                lenses: &lenses,
                boards: Some((&board, &sightings)),
                court: Some((&court, &marked)),
                lines: &[],
            };
            let held = solve_with(&input, &settings).ok()?;
            let free = refine(&input, &settings, &player(&scene, 60, 2.0, seed), true).unwrap();
            let truth = lens_model().parameters();
            let off = |lens: &Intrinsics| (lens.parameters() - &truth)[0].abs();
            let focal = (off(&lenses[0].intrinsics), off(&free.lenses[0].intrinsics));
            // What was held stays held.
            assert_eq!(free.lenses[0].standard_deviations[8], None);
            assert!(free.lenses[0].standard_deviations[0].unwrap() < 4.0);
            Some((relative(&scene, &held), relative(&scene, &free.rig), focal))
        })
        .collect();
    let held: Vec<_> = results.iter().map(|r| r.0.clone()).collect();
    let free: Vec<_> = results.iter().map(|r| r.1.clone()).collect();
    let ((held_share, held_turned), (free_share, free_turned)) = (coverage(&held), coverage(&free));
    let focal = |of: fn(&(f64, f64)) -> f64| results.iter().map(|r| of(&r.2)).sum::<f64>() / results.len() as f64;
    println!(
        "{} rigs with wrong lenses: held {held_turned:.3}° off, intervals cover {:.1} %; free {free_turned:.3}° off, intervals cover {:.1} %; \
         focal length {:.2} px off before, {:.2} px after",
        results.len(),
        100.0 * held_share,
        100.0 * free_share,
        focal(|f| f.0),
        focal(|f| f.1)
    );
    assert!(results.len() > 25);
    // What is not known of a held lens stands in the poses' covariance; before it did, held lenses covered little.
    assert!(free_share > 0.9 && held_share > 0.9 && free_turned < held_turned);
    assert!(focal(|f| f.1) < 0.8 * focal(|f| f.0));
}

/// How the poses follow the lenses, against solutions with lenses that are a little off. All weights are as assumed, without noise.
#[test]
fn poses_follow_the_lenses_as_solutions_with_moved_lenses_do() {
    let court = Court::itf_tennis().unwrap();
    let board = board();
    let mut scene = Scene::random(21, 2, 5);
    let (marked, sightings) = (scene.court_points(&court, 0.0), scene.sightings(0.0));
    let lenses = scene.lenses();
    let solved = |lenses: &[LensCalibration], marked: &[crate::CourtMarks], court: Option<&Court>| {
        let input = RigInput {
            lenses,
            boards: Some((&board, &sightings)),
            court: court.map(|court| (court, marked)),
            lines: &[],
        };
        solve_with(&input, &RigSettings::default()).unwrap()
    };
    for court in [Some(&court), None] {
        let here = solved(&lenses, &marked, court);
        for (camera, parameter, size) in
            [(0, 0, 0.1), (0, 3, 0.1), (1, 1, 0.1), (1, 2, 0.1), (1, 4, 1e-4), (0, 6, 1e-5)]
        {
            let moved = |by: f64| {
                let mut lenses = lenses.clone();
                let mut parameters = lens_model().parameters();
                parameters[parameter] += by;
                lenses[camera].intrinsics = lens_model().with_parameters(parameters.as_slice());
                solved(&lenses, &marked, court)
            };
            let (less, more) = (moved(-size), moved(size));
            for (other, (a, b)) in less.cameras.iter().zip(&more.cameras).enumerate() {
                let slope = step_between(&a.camera_from_world, &b.camera_from_world) / (2.0 * size);
                let stated = Vector6::from_fn(|axis, _| here.pose_by_lens[6 * other + axis][9 * camera + parameter]);
                let whole = Vector6::from_fn(|axis, _| {
                    here.pose_by_lens[6 * camera + axis][9 * camera + parameter].abs().max(1e-12)
                });
                assert!(
                    (slope - stated).norm() < 0.01 * whole.norm(),
                    "camera {other} by parameter {parameter} of lens {camera}: {slope} {stated}"
                );
            }
        }
    }
}

#[test]
fn elimination_changes_nothing_but_the_time() {
    let board = board();
    let mut scene = Scene::random(12, 2, 4);
    let sightings = scene.sightings(0.3);
    let lenses = scene.lenses();
    let input = RigInput { lenses: &lenses, boards: Some((&board, &sightings)), court: None, lines: &[] };
    let points = player(&scene, 25, 2.0, 5);
    let settings = RigSettings::default();
    let (sparse, dense) =
        (refine(&input, &settings, &points, false).unwrap(), refine_dense(&input, &settings, &points).unwrap());
    for (a, b) in sparse.rig.cameras.iter().zip(&dense.rig.cameras) {
        assert!(step_between(&a.camera_from_world, &b.camera_from_world).norm() < 1e-7);
    }
    for (a, b) in sparse.rig.covariance.iter().flatten().zip(dense.rig.covariance.iter().flatten()) {
        assert!((a - b).abs() < 1e-4 * (a.abs() + b.abs()) + 1e-12, "{a} {b}");
    }
}

#[test]
fn derivatives_with_points_and_free_lenses_match_differences() {
    let court = Court::itf_tennis().unwrap();
    let board = board();
    let mut scene = Scene::random(7, 3, 4);
    let marked = scene.court_points(&court, 1.0);
    let sightings = scene.sightings(1.0);
    let lenses = scene.lenses();
    for court in [Some((&court, marked.as_slice())), None] {
        let input = RigInput { lenses: &lenses, boards: Some((&board, &sightings)), court, lines: &[] };
        let checked = Checked::new(&input, &RigSettings::default()).unwrap();
        let (points, seen) = placed(&checked.intrinsics, &scene.cameras, &player(&scene, 5, 1.0, 3));
        let kept: Vec<usize> = (0..checked.sightings.len()).collect();
        let bundle = Bundle::new(&checked, &kept, Spread::AS_ASSUMED)
            .with_free_lenses(&checked.intrinsics)
            .with_points(points.len(), seen);
        let state = RigState { points, ..RigState::new(&checked, scene.cameras.clone(), scene.boards.clone()) };
        let error = midline_solver::worst_jacobian_error(&bundle, &state);
        assert!(error < 1e-5, "{error}");
    }
}
