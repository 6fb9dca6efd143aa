//! How far the calibration may be trusted: coverage of its intervals, choice of the model, and what is noticed in a clip.

use midline_geometry::{Intrinsics, LensModel, ReadOut, RigidTransform};
use midline_session::board::BoardView;
use midline_session::calibration::{LensCalibration, LensQuality};
use nalgebra::{Matrix3x6, Matrix6, Vector2, Vector3, Vector6};
use rayon::prelude::*;

use crate::made_up_views::{PHONE, SIZE, board, lens, spread_poses, views};
use crate::{ClipSettings, LensError, LensModelChoice, LensSettings, calibrate, calibrate_clip};

fn quality(found: &LensCalibration) -> &LensQuality {
    found.quality.as_ref().unwrap()
}

/// The rigid step that leads from the true poses of the boards to those found, all corners weighing alike.
fn camera_motion(truth: &[RigidTransform], found: &LensCalibration) -> Vector6<f64> {
    let (mut normal, mut right) = (Matrix6::zeros(), Vector6::zeros());
    for (truth, view) in truth.iter().zip(&found.views) {
        for corner in board().corners_m() {
            let point = truth * corner;
            let mut by_motion = Matrix3x6::zeros();
            by_motion.fixed_columns_mut::<3>(0).copy_from(&-point.coords.cross_matrix());
            by_motion.fixed_columns_mut::<3>(3).fill_with_identity();
            normal += by_motion.transpose() * by_motion;
            right += by_motion.transpose() * (view.camera_from_board * corner - point);
        }
    }
    normal.try_inverse().unwrap() * right
}

/// 1000 calibrations of a known lens with known noise: each parameter's 95 % interval holds the truth in 93 to 97 % of them, and
/// the map of the projection's standard deviation is that of the true errors, at infinity and at 10 m.
#[test]
fn intervals_cover_the_truth_and_the_map_foretells_the_errors() {
    const TRIALS: u64 = 1000;
    let truth = lens(PHONE);
    let poses = spread_poses(&truth, 15);
    let grid = [[1, 1], [6, 4], [11, 7], [3, 6]];
    let trials: Vec<(Vec<bool>, Vec<f64>)> = (0..TRIALS)
        .into_par_iter()
        .map(|seed| {
            let seen = views(&truth, &poses, 0.25, seed);
            let found = calibrate("a", &board(), &seen, SIZE, &LensSettings::default()).unwrap();
            let error = found.intrinsics.parameters() - truth.parameters();
            let inside =
                error.iter().zip(&found.standard_deviations).map(|(e, sd)| e.abs() < 1.96 * sd.unwrap()).collect();
            let motion = camera_motion(&poses, &found);
            let (turn, shift) = (motion.fixed_rows::<3>(0).into_owned(), motion.fixed_rows::<3>(3).into_owned());
            let map = &quality(&found).projection_sd;
            let mut squares = Vec::new();
            for [column, row] in grid {
                let px = Vector2::new(map.columns_px[column], map.rows_px[row]);
                let ray = truth.normalised_from_px(px).unwrap().push(1.0);
                for (depth, shift, sd) in [(1.0, Vector3::zeros(), &map.at_infinity_px), (10.0, shift, &map.at_10_m_px)]
                {
                    let moved = ray * depth + turn.cross(&(ray * depth)) + shift;
                    let error = (found.intrinsics.project(&moved).unwrap() - px).norm_squared();
                    // The map tells the worse direction, so that the expected square lies between it and twice it.
                    squares.push(error / sd[row][column].unwrap().powi(2));
                }
            }
            (inside, squares)
        })
        .collect();
    for parameter in 0..9 {
        let share = trials.iter().filter(|(inside, _)| inside[parameter]).count() as f64 / TRIALS as f64;
        println!("parameter {parameter}: {:.1} % of 95 % intervals hold the truth", 100.0 * share);
        assert!((0.93..0.97).contains(&share), "parameter {parameter}: {share}");
    }
    for place in 0..2 * grid.len() {
        let mean = trials.iter().map(|(_, squares)| squares[place]).sum::<f64>() / TRIALS as f64;
        println!("place {}, {}: squared error {mean:.2} of the foretold", place / 2, ["infinity", "10 m"][place % 2]);
        assert!((0.95..2.1).contains(&mean), "{mean}");
    }
}

/// Few views, a lens with one coefficient: the error of the fit prefers eight, the error on views left out does not.
#[test]
fn the_fit_prefers_the_larger_model_and_views_left_out_do_not() {
    let truth = lens(LensModel::BrownConrady([-0.12, 0.0, 0.0, 0.0, 0.0]));
    let seen = views(&truth, &spread_poses(&truth, 9), 0.4, 17);
    let fitted = |model, radial_terms, tangential_free| {
        let settings = LensSettings { model, radial_terms, tangential_free, ..LensSettings::default() };
        let found = calibrate("a", &board(), &seen, SIZE, &settings).unwrap();
        (found.rms_px, found.held_out_rms_px.unwrap())
    };
    let one = fitted(LensModelChoice::BrownConrady, 1, false);
    let eight = fitted(LensModelChoice::Rational, 3, true);
    println!("fit and left out: one coefficient {one:.4?} px, eight {eight:.4?} px");
    assert!(eight.0 < one.0 && eight.1 > 1.005 * one.1);

    let found = calibrate_clip("a", &board(), &seen, SIZE, &ClipSettings::default()).unwrap();
    let choice = quality(&found).choice.as_ref().unwrap();
    println!("{}", choice.reason);
    assert_eq!(choice.candidates.len(), 7);
    let taken: Vec<&str> = choice.candidates.iter().filter(|c| c.taken).map(|c| c.name.as_str()).collect();
    assert_eq!(taken, ["Brown-Conrady k1"]);
    let none = &choice.candidates[0];
    assert!(none.held_out_rms_px.unwrap() > 1.02 * one.1 && none.information_loss.unwrap() > 10.0, "{none:?}");
    assert!(choice.reason.contains("Brown-Conrady k1"), "{}", choice.reason);
}

#[test]
fn each_lens_gets_a_model_that_predicts_as_well_as_its_own() {
    for (truth, own) in [
        (LensModel::Pinhole, LensModelChoice::Pinhole),
        (PHONE, LensModelChoice::BrownConrady),
        (LensModel::Fisheye([0.02, -0.03, 0.02, -0.006]), LensModelChoice::Fisheye),
    ] {
        let truth = lens(truth);
        let seen = views(&truth, &spread_poses(&truth, 30), 0.1, 5);
        let found = calibrate_clip("a", &board(), &seen, SIZE, &ClipSettings::default()).unwrap();
        let with_own =
            calibrate("a", &board(), &seen, SIZE, &LensSettings { model: own, ..LensSettings::default() }).unwrap();
        println!("{own:?}: {}", quality(&found).choice.as_ref().unwrap().reason);
        assert!(found.held_out_rms_px.unwrap() < 1.02 * with_own.held_out_rms_px.unwrap());
        assert!(quality(&found).remarks.is_empty(), "{:?}", quality(&found).remarks);
    }
}

/// Views of a board that stands out by 3 mm in its middle.
fn bent_views(truth: &Intrinsics, poses: &[RigidTransform]) -> Vec<BoardView> {
    let mut seen = views(truth, poses, 0.1, 21);
    let flat = views(truth, poses, 0.0, 21);
    for ((view, flat), pose) in seen.iter_mut().zip(&flat).zip(poses) {
        for ((px, flat), corner) in view.corners_px.iter_mut().zip(&flat.corners_px).zip(board().corners_m()) {
            let (u, v) = ((corner.x - 0.12) / 0.12, (corner.y - 0.06) / 0.06);
            let bent = corner + Vector3::z() * (0.003 * u * u - 0.001 * v * v);
            let moved = truth.project(&(pose * bent).coords).unwrap();
            *px = [px[0] + moved.x - flat[0], px[1] + moved.y - flat[1]];
        }
    }
    seen
}

#[test]
fn a_bent_board_is_straightened_when_asked() {
    let truth = lens(PHONE);
    let seen = bent_views(&truth, &spread_poses(&truth, 25));
    let run = |board_may_bend| {
        calibrate("a", &board(), &seen, SIZE, &LensSettings { board_may_bend, ..LensSettings::default() }).unwrap()
    };
    let (flat, bent) = (run(false), run(true));
    assert!(flat.rms_px > 5.0 * bent.rms_px, "{} {}", flat.rms_px, bent.rms_px);
    let bend = quality(&bent).board_bend.unwrap();
    println!("bend {:?} ± {:?} m", bend.height_m, bend.sd_m);
    for (found, (wanted, sd)) in bend.height_m.iter().zip([0.003, 0.0, -0.001].iter().zip(bend.sd_m)) {
        assert!((found - wanted).abs() < 3.5 * sd && sd < 2e-4, "{found} ± {sd}, {wanted}");
    }
    assert!(quality(&flat).board_bend.is_none());
}

#[test]
fn a_zoom_that_was_touched_is_noticed_with_its_time() {
    let truth = lens(PHONE);
    let zoomed = Intrinsics { focal_px: truth.focal_px.map(|f| f * 1.02), ..truth };
    let poses = spread_poses(&truth, 32);
    let mut seen = views(&truth, &poses, 0.1, 31);
    seen[18..].clone_from_slice(&views(&zoomed, &poses, 0.1, 32)[18..]);
    let found = calibrate_clip("a", &board(), &seen, SIZE, &ClipSettings::default()).unwrap();
    let remarks = &quality(&found).remarks;
    println!("{remarks:?}");
    assert!(remarks[0].contains("the lens changed: focal length by +"));
    // The eighth of the views next to the break.
    assert!(remarks[0].contains("Between 15.0 s and 16.0 s") || remarks[0].contains("Between 19.0 s and 20.0 s"));
}

#[test]
fn stabilisation_is_noticed_as_a_wandering_principal_point() {
    let truth = lens(PHONE);
    let poses = spread_poses(&truth, 32);
    let mut seen = views(&truth, &poses, 0.1, 41);
    for (index, view) in seen.iter_mut().enumerate() {
        let t = index as f64;
        let centre_px = [truth.centre_px[0] + 25.0 * (1.9 * t).sin(), truth.centre_px[1] + 25.0 * (2.7 * t).cos()];
        let shaken = Intrinsics { centre_px, ..truth };
        *view = BoardView {
            frame_index: view.frame_index,
            pts_seconds: t,
            ..views(&shaken, &poses[index..=index], 0.1, 90 + index as u64).remove(0)
        };
    }
    let found = calibrate_clip("a", &board(), &seen, SIZE, &ClipSettings::default()).unwrap();
    let remarks = quality(&found).remarks.join("\n");
    println!("{remarks}");
    assert!(remarks.contains("wanders") && remarks.contains("stabilisation"), "{remarks}");
}

/// A board carried through 20 places, resting at each for less than the search can tell, read from top to bottom in 20 ms.
#[test]
fn the_skew_of_the_rolling_shutter_is_taken_out() {
    let truth = lens(PHONE);
    let rests = spread_poses(&truth, 20);
    let read_out_seconds = 0.02;
    let path = |t: f64| {
        let (place, share) = ((t as usize).min(18), (t - t.floor()).clamp(0.0, 1.0));
        rests[place].try_lerp_slerp(&rests[place + 1], share, 1e-9).unwrap()
    };
    let mut seen = Vec::new();
    for tick in 0..190 {
        let t = 0.1 * f64::from(tick);
        let mut view = views(&truth, &[path(t)], 0.1, 500 + tick as u64).remove(0);
        let rolled: Vec<[f64; 2]> = (board().corners_m().iter().zip(&view.corners_px))
            .map(|(corner, px)| {
                let when = t + read_out_seconds * px[1] / f64::from(SIZE[1]);
                let still = truth.project(&(path(t) * corner).coords).unwrap();
                let moved = truth.project(&(path(when.min(18.99)) * corner).coords).unwrap();
                [px[0] + moved.x - still.x, px[1] + moved.y - still.y]
            })
            .collect();
        view.corners_px = rolled;
        view.frame_index = seen.len();
        view.pts_seconds = t;
        seen.push(view);
    }
    let run = |seconds| {
        let read_out = ReadOut { seconds, ..ReadOut::default() };
        let settings = ClipSettings { read_out, compare_models: false, ..ClipSettings::default() };
        calibrate_clip("a", &board(), &seen, SIZE, &settings).unwrap()
    };
    let (naive, aware) = (run(0.0), run(read_out_seconds));
    assert!(quality(&aware).remarks.iter().any(|r| r.contains("rolling shutter")), "{:?}", quality(&aware).remarks);
    let error = |found: &LensCalibration| (found.intrinsics.focal_px[0] - truth.focal_px[0]).abs();
    println!("fx off by {:.2} px, {:.2} px with the read-out known", error(&naive), error(&aware));
    println!("{:.3} px rms, {:.3} px", naive.rms_px, aware.rms_px);
    assert!(error(&aware) < 0.5 * error(&naive) && aware.rms_px < 0.8 * naive.rms_px);
    assert!(error(&aware) < 3.0 * aware.standard_deviations[0].unwrap());
}

#[test]
fn parts_of_a_board_with_markers_are_enough() {
    let truth = lens(PHONE);
    let mut seen = views(&truth, &spread_poses(&truth, 30), 0.1, 51);
    // Of every view another half is hidden.
    for (index, view) in seen.iter_mut().enumerate() {
        let kept: Vec<usize> = (0..28).filter(|corner| (corner % 7 + index) % 7 < 4).collect();
        view.corners_px = kept.iter().map(|&corner| view.corners_px[corner]).collect();
        view.corner_ids = Some(kept);
    }
    let found = calibrate("a", &board(), &seen, SIZE, &LensSettings::default()).unwrap();
    let sd = found.standard_deviations[0].unwrap();
    assert!((found.intrinsics.focal_px[0] - 1010.0).abs() < 3.5 * sd && sd < 3.0, "{sd}");

    let mut few = seen.clone();
    few[3].corner_ids.as_mut().unwrap().truncate(5);
    few[3].corners_px.truncate(5);
    let error = calibrate("a", &board(), &few, SIZE, &LensSettings::default()).unwrap_err();
    assert!(matches!(error, LensError::TooFewCorners { frame: 30, found: 5, needed: 6, .. }), "{error}");
    // In a clip one bad sighting is put aside and told.
    let found = calibrate_clip("a", &board(), &few, SIZE, &ClipSettings::default()).unwrap();
    assert!(quality(&found).remarks[0].starts_with("1 of 30 sightings"), "{:?}", quality(&found).remarks);
    few[3].corner_ids.as_mut().unwrap()[4] = 99;
    let error = calibrate("a", &board(), &few, SIZE, &LensSettings::default()).unwrap_err();
    assert!(matches!(error, LensError::CornerNumbers { frame: 30, wanted: 28, .. }), "{error}");
}

#[test]
fn corners_that_are_not_this_boards_are_named() {
    let truth = lens(PHONE);
    let good = views(&truth, &spread_poses(&truth, 8), 0.1, 61);
    let run = |seen: &[BoardView]| calibrate("left", &board(), seen, SIZE, &LensSettings::default()).unwrap_err();
    // Listed column by column: what a 4 × 7 board would give.
    let mut exchanged = good.clone();
    for view in &mut exchanged {
        let listed: Vec<[f64; 2]> =
            (0..7).flat_map(|column| (0..4).map(move |row| row * 7 + column)).map(|i| view.corners_px[i]).collect();
        view.corners_px = listed;
    }
    let error = run(&exchanged);
    assert!(matches!(error, LensError::NotThisBoard { exchanged: true, .. }), "{error}");
    assert!(error.to_string().contains("they fit 4 × 7: exchange"), "{error}");

    let mut mirrored = good.clone();
    for view in &mut mirrored {
        view.corners_px.chunks_mut(7).for_each(<[_]>::reverse);
    }
    assert!(matches!(run(&mirrored), LensError::Mirrored { frame: 0, .. }));

    let mut mixed = good.clone();
    mixed[4].corners_px.swap(0, 27);
    assert!(matches!(run(&mixed), LensError::NotThisBoard { frame: 40, exchanged: false, .. }));

    // Turned by half in some views: another pose, the same lens.
    let mut turned = good;
    for view in turned.iter_mut().step_by(2) {
        view.corners_px.reverse();
    }
    assert!(calibrate("left", &board(), &turned, SIZE, &LensSettings::default()).unwrap().rms_px < 0.2);
}

#[test]
fn the_picture_is_told_cell_by_cell() {
    let truth = lens(PHONE);
    let found =
        calibrate("a", &board(), &views(&truth, &spread_poses(&truth, 20), 0.1, 71), SIZE, &LensSettings::default())
            .unwrap();
    let quality = quality(&found);
    let corners: usize = quality.cells.iter().flatten().map(|cell| cell.corners).sum();
    assert_eq!(corners, 20 * 28);
    let seen = quality.cells.iter().flatten().filter(|cell| cell.corners > 0).count();
    assert!((found.coverage - seen as f64 / 64.0).abs() < 1e-12);
    assert_eq!(quality.tilts.iter().map(|bin| bin.views).sum::<usize>(), 20);
    assert!((quality.residual_sd_px - 0.1).abs() < 0.01);
    // Least sure in the corners, where no board was; surest near the middle.
    let map = &quality.projection_sd.at_infinity_px;
    assert!(map[0][0].unwrap() > map[4][6].unwrap());
}
