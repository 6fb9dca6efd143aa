//! The rig from a board that is carried about while the cameras film, their frames apart and their rows read one by one.

use midline_geometry::{ReadOut, RigidTransform, ScanDirection, rotation_from_vector};
use midline_session::board::BoardView;
use nalgebra::{Point3, Translation3, Vector3};
use rayon::prelude::*;

use crate::bundle::{Bundle, RigState, Spread};
use crate::input::Checked;
use crate::refine_tests::{coverage, relative};
use crate::test_scene::{Scene, board, lens_model, noise, within};
use crate::{FilmedBoard, RigInput, RigSettings, SharedSighting, moving_sightings, solve_with};

const READ_OUT: ReadOut = ReadOut { seconds: 0.018, direction: ScanDirection::Down };

/// The board's place over time: carried by a hand within half a metre, turned by up to half a radian.
fn carried(rest: &RigidTransform, seconds: f64) -> RigidTransform {
    let wave = |period: f64, phase: f64| (std::f64::consts::TAU * (seconds / period + phase)).sin();
    let centre = rest * Point3::new(0.3, 0.225, 0.0);
    let moved = centre + Vector3::new(0.35 * wave(5.3, 0.1), 0.3 * wave(4.1, 0.4), 0.25 * wave(3.1, 0.7));
    let turn = rotation_from_vector(Vector3::new(0.35 * wave(3.7, 0.2), 0.35 * wave(6.1, 0.6), 0.3 * wave(4.7, 0.9)));
    let rotation = turn * rest.rotation;
    RigidTransform::from_parts(Translation3::from(moved.coords - rotation * Vector3::new(0.3, 0.225, 0.0)), rotation)
}

/// 3.5 s at 30 frames per second from both cameras; the second's clock is told `late_seconds` too late.
fn film(scene: &Scene, late_seconds: f64, sd_px: f64, seed: u64) -> Vec<FilmedBoard> {
    let mut noise = noise(seed);
    let corners = board().corners_m();
    let (rest, lens) = (scene.boards[0], lens_model());
    let views = |camera: usize, noise: &mut dyn FnMut() -> f64| {
        let of_frame = |frame_index: usize| {
            let pts_seconds = (frame_index as f64 + 0.37 * camera as f64) / 30.0;
            let seen_at = |seconds: f64, corner: &Point3<f64>| {
                let pose = scene.cameras[camera] * carried(&rest, seconds);
                within(&lens, &pose, corner).then(|| lens.project(&(pose * corner).coords).unwrap())
            };
            let front = (scene.cameras[camera] * carried(&rest, pts_seconds)).rotation * Vector3::z();
            let px = |corner: &Point3<f64>| {
                let mut px = seen_at(pts_seconds, corner)?;
                for _ in 0..5 {
                    px = seen_at(pts_seconds + READ_OUT.delay_seconds(px, lens.size_px), corner)?;
                }
                Some(px)
            };
            let seen: Option<Vec<[f64; 2]>> = corners
                .iter()
                .map(|corner| px(corner).map(|px| [px.x + sd_px * noise(), px.y + sd_px * noise()]))
                .collect();
            let corners_px = seen.filter(|_| front.z > 0.3)?;
            let view = BoardView { frame_index, pts_seconds, corners_px, edge_width_px: None, corner_ids: None };
            Some((pts_seconds + late_seconds * camera as f64, view))
        };
        (0..105).filter_map(of_frame).collect()
    };
    (0..scene.cameras.len())
        .map(|camera| FilmedBoard { views: views(camera, &mut noise), read_out: READ_OUT, size_px: lens.size_px })
        .collect()
}

#[test]
fn a_carried_board_gives_the_rig_and_the_clock_between_its_clips() {
    let settings = RigSettings::default();
    let trials = std::env::var("MIDLINE_TRIALS").ok().and_then(|text| text.parse().ok()).unwrap_or(100_u64);
    let results: Vec<_> = (0..trials)
        .into_par_iter()
        .filter_map(|seed| {
            let scene = Scene::random(seed, 2, 1);
            let late_seconds = settings.board_clock_sd_seconds * noise(900 + seed)();
            let filmed = film(&scene, late_seconds, 0.2, seed);
            let moving = moving_sightings(&filmed);
            if moving.len() < 8 {
                return None;
            }
            let (lenses, board) = (scene.lenses(), board());
            let input = RigInput { lenses: &lenses, boards: Some((&board, &moving)), court: None, lines: &[] };
            let joint = relative(&scene, &solve_with(&input, &settings).unwrap());
            if seed % 8 > 0 {
                return Some((moving.len(), joint, None));
            }
            // The same pixels taken for those of a board at rest: the clock is believed.
            let still: Vec<SharedSighting> =
                moving.iter().map(|seen| SharedSighting::at_rest(seen.views.clone())).collect();
            let input = RigInput { boards: Some((&board, &still)), ..input };
            let believed = relative(&scene, &solve_with(&input, &settings).unwrap());
            Some((moving.len(), joint, Some(believed)))
        })
        .collect();
    let joint: Vec<_> = results.iter().map(|r| r.1.clone()).collect();
    let believed: Vec<_> = results.iter().filter_map(|r| r.2.clone()).collect();
    let ((share, turned), (_, believed)) = (coverage(&joint), coverage(&believed));
    println!(
        "{} rigs, {:.0} instants each: rotation {turned:.4}° off, intervals cover {:.1} %; with the clock believed {believed:.4}° off",
        results.len(),
        results.iter().map(|r| r.0 as f64).sum::<f64>() / results.len() as f64,
        100.0 * share
    );
    assert!(2 * results.len() as u64 > trials, "{}", results.len());
    assert!((0.93..0.97).contains(&share), "{share}");
    assert!(turned < 0.7 * believed);
}

#[test]
fn derivatives_with_a_board_in_motion_match_differences() {
    let scene = Scene::random(3, 2, 1);
    let moving = moving_sightings(&film(&scene, 0.001, 0.2, 3));
    let (lenses, board) = (scene.lenses(), board());
    let input = RigInput { lenses: &lenses, boards: Some((&board, &moving[..4])), court: None, lines: &[] };
    let checked = Checked::new(&input, &RigSettings::default()).unwrap();
    let bundle = Bundle::new(&checked, &[0, 1, 2, 3], Spread::AS_ASSUMED);
    let mut state = RigState::new(&checked, scene.cameras.clone(), vec![scene.boards[0]; 4]);
    state.late_seconds[1] = 0.003;
    let error = midline_solver::worst_jacobian_error(&bundle, &state);
    assert!(error < 1e-5, "{error}");
}

#[test]
fn a_board_at_rest_or_in_sight_of_one_camera_gives_no_moving_sighting() {
    let scene = Scene::random(3, 2, 1);
    let mut filmed = film(&scene, 0.0, 0.2, 3);
    assert!(!moving_sightings(&filmed).is_empty());
    let whole = filmed.clone();
    filmed[1].views.clear();
    assert!(moving_sightings(&filmed).is_empty());
    assert!(moving_sightings(&[]).is_empty());
    // One frame shown for seconds.
    let mut still = whole;
    for own in &mut still {
        let first = own.views[0].1.clone();
        own.views.iter_mut().for_each(|(_, view)| view.corners_px.clone_from(&first.corners_px));
    }
    assert!(moving_sightings(&still).is_empty());
}
