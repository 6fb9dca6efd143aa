//! The whole calibration on views whose truth is known. The comparison with OpenCV on its sample boards is in the
//! workspace's tests.

use midline_geometry::LensModel;
use midline_session::board::BoardView;
use midline_solver::worst_jacobian_error;
use nalgebra::{Vector2, Vector3};
use rayon::prelude::*;

use crate::made_up_views::{PHONE, SIZE, board, lens, pose, spread_poses, views};
use crate::problem::{BoardShape, LensProblem, LensState, PoseProblem, ViewCorners};
use crate::start::start;
use crate::{Aspect, LensError, LensModelChoice, LensSettings, calibrate, choose_views};

const MODELS: [(LensModelChoice, LensModel); 4] = [
    (LensModelChoice::Pinhole, LensModel::Pinhole),
    (LensModelChoice::BrownConrady, PHONE),
    (LensModelChoice::Rational, LensModel::Rational([0.31, -0.12, 0.0008, -0.0004, 0.02, 0.55, -0.09, 0.015])),
    (LensModelChoice::Fisheye, LensModel::Fisheye([-0.013, 0.021, -0.016, 0.004])),
];

#[test]
fn jacobians_of_all_models_match_differences() {
    let board_m = board().corners_m();
    for (choice, model) in MODELS {
        let lens = lens(model);
        let poses = spread_poses(&lens, 4);
        let seen = views(&lens, &poses, 0.5, 1);
        let corners: Vec<_> = seen.iter().map(|view| ViewCorners::new(view, &board_m, 0.1)).collect();
        for aspect in [Aspect::Free, Aspect::Fixed(1.02)] {
            let settings = LensSettings { model: choice, aspect, ..LensSettings::default() };
            for change_from in [None, Some(2)] {
                let problem = LensProblem {
                    shape: BoardShape::new(&board()),
                    views: corners.iter().collect(),
                    free: settings.free_parameters(&lens),
                    bend_free: change_from.is_some(),
                    change_from,
                };
                let state = LensState {
                    lens,
                    bend_m: Vector3::new(0.002, -0.001, 0.003),
                    change: Vector3::new(0.02, 5.0, -3.0),
                    camera_from_board: poses.clone(),
                };
                let error = worst_jacobian_error(&problem, &state);
                assert!(error < 1e-6, "{choice:?} {aspect:?}: {error}");
                let problem = PoseProblem { problem: &problem, view: 0, state: &state };
                assert!(worst_jacobian_error(&problem, &poses[0]) < 1e-6);
            }
        }
    }
}

#[test]
fn a_lens_almost_without_noise_is_recovered() {
    for (model, truth) in MODELS {
        let truth = lens(truth);
        let poses = spread_poses(&truth, 14);
        let seen = views(&truth, &poses, 1e-4, 1);
        let settings = LensSettings { model, ..LensSettings::default() };
        let found = calibrate("a", &board(), &seen, SIZE, &settings).unwrap();
        assert!(found.rms_px < 2e-4, "{model:?}: {}", found.rms_px);
        // The coefficients of the rational form trade with each other; what counts is where points project.
        for px in [[100.0, 80.0], [640.0, 360.0], [1200.0, 640.0], [90.0, 600.0]] {
            let ray = truth.normalised_from_px(Vector2::from(px)).unwrap();
            let back = found.intrinsics.project(&Vector3::new(ray.x, ray.y, 1.0)).unwrap();
            let error = (back - Vector2::from(px)).norm();
            let limit = if model == LensModelChoice::Rational { 0.1 } else { 0.02 };
            assert!(error < limit, "{model:?} {px:?}: {error:.1e} px");
        }
    }
}

#[test]
fn the_closed_form_is_exact_without_distortion() {
    let truth = lens(LensModel::Pinhole);
    let seen = views(&truth, &spread_poses(&truth, 6), 0.0, 1);
    let board_m = board().corners_m();
    let corners: Vec<_> = seen.iter().map(|view| ViewCorners::new(view, &board_m, 0.1)).collect();
    let settings = LensSettings { model: LensModelChoice::Pinhole, ..LensSettings::default() };
    let found = start(&corners.iter().collect::<Vec<_>>(), SIZE, &settings).unwrap().lens;
    assert!((found.parameters() - truth.parameters()).amax() < 1e-4, "{found:?}");
}

/// A calibration is unbiased with honest deviations: over repeated noise, (estimate - truth) / sd has mean square 1.
#[test]
fn standard_deviations_are_honest() {
    const TRIALS: u64 = 60;
    const NOISE_PX: f64 = 0.25;
    let truth = lens(PHONE);
    let poses = spread_poses(&truth, 15);
    let squares: Vec<Vec<f64>> = (0..TRIALS)
        .into_par_iter()
        .map(|seed| {
            let found =
                calibrate("a", &board(), &views(&truth, &poses, NOISE_PX, seed), SIZE, &LensSettings::default())
                    .unwrap();
            // Held out views see the errors of the lens on top of the noise.
            assert!(found.held_out_rms_px.unwrap() > found.rms_px);
            assert!(found.held_out_rms_px.unwrap() < 1.5 * found.rms_px);
            // 2 n coordinates less the unknowns, over n corners.
            let (n, unknowns): (f64, f64) = (15.0 * 28.0, 9.0 + 15.0 * 6.0);
            let expected = NOISE_PX * ((2.0 * n - unknowns) / n).sqrt();
            assert!((found.rms_px / expected - 1.0).abs() < 0.15);
            let error = found.intrinsics.parameters() - truth.parameters();
            error.iter().zip(&found.standard_deviations).map(|(e, sd)| (e / sd.unwrap()).powi(2)).collect()
        })
        .collect();
    for parameter in 0..9 {
        let mean = squares.iter().map(|trial| trial[parameter]).sum::<f64>() / TRIALS as f64;
        // The mean of 60 squares of standard normals is within 0.5 to 1.7 in all but about one case in a thousand.
        assert!((0.5..1.7).contains(&mean), "parameter {parameter}: {mean}");
    }
}

#[test]
fn what_is_held_fixed_stays_and_has_no_deviation() {
    let truth = lens(PHONE);
    let seen = views(&truth, &spread_poses(&truth, 12), 0.2, 3);
    let settings = LensSettings {
        aspect: Aspect::Fixed(1.01),
        principal_point_free: false,
        tangential_free: false,
        ..LensSettings::default()
    };
    let found = calibrate("a", &board(), &seen, SIZE, &settings).unwrap();
    assert!((found.intrinsics.focal_px[0] / found.intrinsics.focal_px[1] - 1.01).abs() < 1e-12);
    assert_eq!(found.intrinsics.centre_px, [639.5, 359.5]);
    let LensModel::BrownConrady([_, _, p1, p2, _]) = found.intrinsics.model else { panic!("another model") };
    assert_eq!([p1, p2], [0.0, 0.0]);
    let fixed: Vec<bool> = found.standard_deviations.iter().map(Option::is_none).collect();
    assert_eq!(fixed, [false, false, true, true, false, false, true, true, false]);
    // One focal length: both deviations go together.
    let [fx, fy] = [0, 1].map(|i| found.standard_deviations[i].unwrap());
    assert!((fx / fy - 1.01).abs() < 1e-9);
    assert!((found.covariance[0][1] - fx * fy).abs() < 1e-9 * fx * fy);
    assert!(found.covariance[2].iter().all(|&entry| entry == 0.0));
}

#[test]
fn refusals_say_the_numbers_seen() {
    let truth = lens(PHONE);
    let good = views(&truth, &spread_poses(&truth, 8), 0.1, 4);
    let run = |seen: &[BoardView]| calibrate("left", &board(), seen, SIZE, &LensSettings::default());

    assert!(matches!(run(&good[..2]), Err(LensError::TooFewViews { found: 2, needed: 3, .. })));

    let mut short = good.clone();
    short[3].corners_px.pop();
    let error = run(&short).unwrap_err();
    assert_eq!(error, LensError::CornerCount { camera: "left".to_owned(), frame: 30, found: 27, wanted: 28 });
    assert!(error.to_string().contains("frame 30: 27 corners, but the board has 28"), "{error}");

    let mut larger = good.clone();
    for corner in &mut larger[5].corners_px {
        *corner = [corner[0] * 3.0, corner[1] * 3.0];
    }
    assert!(matches!(run(&larger), Err(LensError::CornerOutside { frame: 50, width: 1280, .. })));

    let mut missing = good.clone();
    missing[0].corners_px[0][0] = f64::NAN;
    assert!(matches!(run(&missing), Err(LensError::CornerOutside { frame: 0, .. })));

    let mut edge_on = good.clone();
    for (index, corner) in edge_on[1].corners_px.iter_mut().enumerate() {
        *corner = [100.0 + index as f64, 50.0 + 2.0 * index as f64];
    }
    assert!(matches!(run(&edge_on), Err(LensError::Collinear { frame: 10, .. })));

    // The same tilt at five places, turned only in its plane.
    let parallel: Vec<_> =
        (0..5).map(|i| pose(&truth, [0.3 + 0.1 * f64::from(i), 0.5], 0.8, [0.0, 0.0, 0.1 * f64::from(i)])).collect();
    let error = run(&views(&truth, &parallel, 0.1, 5)).unwrap_err();
    let LensError::ParallelViews { views: 5, spread_degrees, .. } = error else { panic!("{error}") };
    assert!(spread_degrees < 10.0);
    // Strong distortion makes the planes look different at first; the fit finds out.
    let bent = lens(LensModel::BrownConrady([-0.3, 0.1, 0.0, 0.0, 0.0]));
    let error = run(&views(&bent, &parallel, 0.1, 5)).unwrap_err();
    assert!(matches!(error, LensError::ParallelViews { .. }), "{error}");

    let flat = calibrate("left", &board(), &good, SIZE, &LensSettings { corner_sd_px: 0.0, ..LensSettings::default() });
    assert!(matches!(flat, Err(LensError::Setting { name: "corner_sd_px", .. })));
}

#[test]
fn advice_names_what_is_missing() {
    let truth = lens(PHONE);
    // Far away, in the left half, little tilt, few views, blurred, and one view spoiled.
    let poses: Vec<_> = (0..6)
        .map(|i| {
            let t = f64::from(i);
            pose(
                &truth,
                [0.15 + 0.02 * t, 0.3 + 0.05 * t],
                2.2,
                [0.2 * (t - 2.5) / 2.5, 0.15 * (t % 3.0 - 1.0), 0.1 * t],
            )
        })
        .collect();
    let mut seen = views(&truth, &poses, 0.02, 6);
    for view in &mut seen {
        view.edge_width_px = Some(7.0);
    }
    for corner in &mut seen[4].corners_px[..8] {
        corner[0] += 2.0;
    }
    let settings =
        LensSettings { model: LensModelChoice::Pinhole, principal_point_free: false, ..LensSettings::default() };
    let advice = calibrate("a", &board(), &seen, SIZE, &settings).unwrap().advice.join("\n");
    for wanted in [
        "Only 6 board views",
        "top, top right, middle, right, bottom left, bottom and bottom right of the picture",
        "tilted by 1",
        "The board fills about 8 %",
        "7.0 px wide",
        "Frame 40 fits badly",
    ] {
        assert!(advice.contains(wanted), "\"{wanted}\" is not in:\n{advice}");
    }
    // Boards in the middle only, and so much freedom that the lens cannot be inverted at the picture's rim.
    let barrel = lens(LensModel::BrownConrady([-0.35, 0.0, 0.0, 0.0, 0.0]));
    let poses: Vec<_> = spread_poses(&barrel, 14)
        .iter()
        .enumerate()
        .map(|(i, spread)| {
            let (roll, pitch, yaw) = spread.rotation.euler_angles();
            pose(&barrel, [0.5, 0.4 + 0.01 * i as f64], 1.4, [roll, pitch, yaw])
        })
        .collect();
    let found = calibrate("a", &board(), &views(&barrel, &poses, 0.6, 9), SIZE, &LensSettings::default()).unwrap();
    assert!(found.advice[0].contains("cannot be inverted"), "{:?}", found.advice);
    // A good set needs no advice.
    let all_over = views(&truth, &spread_poses(&truth, 30), 0.1, 7);
    let found = calibrate("a", &board(), &all_over, SIZE, &LensSettings::default()).unwrap();
    assert!(found.advice.is_empty(), "{:?}", found.advice);
    assert!(found.coverage > 0.6, "{}", found.coverage);
}

#[test]
fn still_sharp_and_different_views_are_chosen() {
    // A board carried through 12 places, resting 1 s at each, seen at 10 Hz.
    let truth = lens(PHONE);
    let rests = spread_poses(&truth, 12);
    let mut seen = Vec::new();
    let mut resting = Vec::new();
    for (place, pair) in rests.windows(2).enumerate() {
        for tick in 0..20 {
            let moving = f64::from((tick - 10).max(0)) / 10.0;
            let pose = pair[0].try_lerp_slerp(&pair[1], moving, 1e-9).unwrap();
            let mut view = views(&truth, &[pose], 0.05, 100 + seen.len() as u64).remove(0);
            view.frame_index = seen.len();
            view.pts_seconds = 0.1 * seen.len() as f64;
            // The third rest is out of focus.
            view.edge_width_px = Some(if place == 2 { 6.0 } else { 2.0 + 0.1 * moving });
            resting.push(tick < 10 && place != 2);
            seen.push(view);
        }
    }
    let chosen = choose_views(&seen, SIZE, 30);
    assert!(chosen.iter().all(|&index| resting[index]), "{chosen:?}");
    assert!(chosen.windows(2).all(|pair| pair[0] < pair[1]));
    let mut places: Vec<usize> = chosen.iter().map(|index| index / 20).collect();
    places.dedup();
    assert_eq!(places, [0, 1, 3, 4, 5, 6, 7, 8, 9, 10]);
    assert_eq!(choose_views(&seen, SIZE, 4).len(), 4);
    assert!(choose_views(&[], SIZE, 4).is_empty());
    let chosen: Vec<_> = chosen.iter().map(|&index| seen[index].clone()).collect();
    let found = calibrate("a", &board(), &chosen, SIZE, &LensSettings::default()).unwrap();
    assert!((found.intrinsics.focal_px[0] - 1010.0).abs() < 5.0);
}

#[test]
fn a_mirrored_or_wrongly_numbered_board_does_not_pass_as_a_lens() {
    let truth = lens(PHONE);
    let mut seen = views(&truth, &spread_poses(&truth, 6), 0.1, 8);
    // The numbering of every other view starts at the wrong end.
    for view in seen.iter_mut().step_by(2) {
        view.corners_px.swap(0, 27);
        view.corners_px.swap(3, 20);
    }
    let outcome = calibrate("a", &board(), &seen, SIZE, &LensSettings::default());
    assert!(outcome.is_err() || outcome.is_ok_and(|lens| lens.rms_px > 5.0));
}
