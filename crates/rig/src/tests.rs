//! The joint solution against known truth.

use std::collections::BTreeMap;

use midline_geometry::{Intrinsics, LensModel, RigidTransform, step_between};
use midline_session::calibration::{RigCalibration, Vertical, World};
use midline_session::court::Court;
use nalgebra::{DMatrix, DVector, Point3};
use rayon::prelude::*;

use crate::bundle::{Bundle, Kind, RigState, Spread};
use crate::input::Checked;
use crate::test_scene::{Scene, board, lens, look_at};
use crate::{CourtMarks, RigError, RigInput, RigSettings, SharedSighting, solve, solve_with};

/// How the errors of many solutions compare with their covariances.
#[derive(Default)]
struct Coverage {
    inside: usize,
    all: usize,
    worst_chi_squared: f64,
    undecided: usize,
    solved: usize,
}

/// Solves one rig per seed on several threads and compares in order; `None` leaves a seed out. Anything but a solution or
/// an open question fails.
fn covered<S>(seeds: u64, of: S) -> Coverage
where
    S: Fn(u64) -> Option<(Vec<RigidTransform>, Result<RigCalibration, RigError>)> + Sync + Send,
{
    let results: Vec<_> = (0..seeds).into_par_iter().map(of).collect();
    let mut coverage = Coverage::default();
    for (seed, result) in results.into_iter().enumerate() {
        match result {
            None => {}
            Some((truth, Ok(found))) => coverage.add(&truth, &found),
            Some((_, Err(RigError::Undecided { .. }))) => coverage.undecided += 1,
            Some((_, Err(other))) => panic!("seed {seed}: {other}"),
        }
    }
    coverage
}

impl Coverage {
    fn add(&mut self, truth: &[RigidTransform], found: &RigCalibration) {
        let size = 6 * truth.len();
        let covariance = DMatrix::from_fn(size, size, |i, j| found.covariance[i][j]);
        let steps = truth.iter().zip(&found.cameras).map(|(t, c)| step_between(&c.camera_from_world, t));
        let error = DVector::from_iterator(size, steps.flat_map(|s| s.iter().copied().collect::<Vec<f64>>()));
        self.solved += 1;
        self.inside += (0..size).filter(|&i| error[i].abs() < 1.96 * covariance[(i, i)].sqrt()).count();
        self.all += size;
        let chi_squared = error.dot(&covariance.cholesky().expect("positive definite").solve(&error));
        self.worst_chi_squared = self.worst_chi_squared.max(chi_squared / size as f64);
    }

    fn report(&self, what: &str) -> f64 {
        let share = self.inside as f64 / self.all as f64;
        println!(
            "{what}, {} solved: 95 % intervals cover {:.2} % of {} parameters; largest chi-square per parameter {:.2}; undecided {}",
            self.solved,
            100.0 * share,
            self.all,
            self.worst_chi_squared,
            self.undecided
        );
        share
    }
}

#[test]
fn boards_alone_cover_the_truth_and_no_flipped_pose_is_accepted() {
    let coverage = covered(500, |seed| {
        let mut scene = Scene::random(seed, 2, 5);
        let sightings = scene.sightings(1.0);
        let lenses = scene.lenses();
        let board = board();
        let input = RigInput { lenses: &lenses, boards: Some((&board, &sightings)), court: None, lines: &[] };
        let found = solve(&input);
        if let Ok(found) = &found {
            assert_eq!((found.world, found.vertical), (World::Board, Vertical::Unknown));
        }
        Some((scene.cameras.iter().map(|c| c * scene.boards[0]).collect(), found))
    });
    let share = coverage.report("boards alone, 500 rigs");
    assert!((0.93..0.97).contains(&share));
    // A flipped pose is off by many hundreds.
    assert!(coverage.worst_chi_squared < 6.0);
    assert!(coverage.undecided < 10);
}

/// One sighting from 10 to 16 m, and one from 5 to 8 m: what is not decided must be said.
#[test]
fn a_single_sighting_is_right_or_undecided() {
    for (times, undecided) in [(2.0, 20..61), (1.0, 1..50)] {
        let mut coverage = Coverage::default();
        for seed in 0..60 {
            let mut scene = Scene::random(1000 + seed, 2, 1);
            let middle = Point3::new(0.0, 1.0, 1.0);
            for camera in &mut scene.cameras {
                let centre = camera.inverse_transform_point(&Point3::origin());
                *camera = look_at((middle + (centre - middle) * times).into(), middle.into());
            }
            let sightings = scene.sightings(1.0);
            if sightings[0].views.iter().any(Option::is_none) {
                continue;
            }
            let lenses = scene.lenses();
            let board = board();
            match solve(&RigInput { lenses: &lenses, boards: Some((&board, &sightings)), court: None, lines: &[] }) {
                Ok(found) => {
                    let truth: Vec<RigidTransform> = scene.cameras.iter().map(|c| c * scene.boards[0]).collect();
                    coverage.add(&truth, &found);
                }
                Err(RigError::Undecided { .. }) => coverage.undecided += 1,
                Err(other) => panic!("seed {seed}: {other}"),
            }
        }
        coverage.report(&format!("one sighting, distances times {times}"));
        assert!(coverage.worst_chi_squared < 8.0);
        assert!(undecided.contains(&coverage.undecided));
    }
}

#[test]
fn court_points_cover_the_truth() {
    let court = Court::itf_tennis().unwrap();
    let settings = RigSettings { click_sd_px: 1.0, ..RigSettings::default() };
    let coverage = covered(1000, |seed| {
        let mut scene = Scene::random(seed, 2, 0);
        let marked = scene.court_points(&court, 1.0);
        if marked.iter().any(|m| m.len() < 6) {
            return None;
        }
        let lenses = scene.lenses();
        let input = RigInput { lenses: &lenses, boards: None, court: Some((&court, &marked)), lines: &[] };
        let found = solve_with(&input, &settings);
        if let Ok(found) = &found {
            assert_eq!((found.world, found.vertical), (World::Court, Vertical::ZUp));
        }
        Some((scene.cameras, found))
    });
    let share = coverage.report("court points alone");
    assert!(coverage.solved >= 500, "{}", coverage.solved);
    assert!((0.93..0.97).contains(&share));
    assert!(coverage.worst_chi_squared < 6.0);
    assert_eq!(coverage.undecided, 0);
}

#[test]
fn court_and_boards_together_are_better_than_either() {
    let court = Court::itf_tennis().unwrap();
    let board = board();
    let (mut coverage, mut better, mut all) = (Coverage::default(), 0, 0);
    let settings = RigSettings { click_sd_px: 1.0, ..RigSettings::default() };
    for seed in 0..40 {
        let mut scene = Scene::random(500 + seed, 2, 5);
        let marked = scene.court_points(&court, 1.0);
        if marked.iter().any(|m| m.len() < 6) {
            continue;
        }
        let sightings = scene.sightings(0.2);
        let lenses = scene.lenses();
        let alone = RigInput { lenses: &lenses, boards: None, court: Some((&court, &marked)), lines: &[] };
        let both = RigInput { boards: Some((&board, &sightings)), ..alone };
        let (alone, both) = (solve_with(&alone, &settings).unwrap(), solve_with(&both, &settings).unwrap());
        coverage.add(&scene.cameras, &both);
        let size = |rig: &RigCalibration| (0..12).map(|i| rig.covariance[i][i].ln()).sum::<f64>();
        better += usize::from(size(&both) < size(&alone));
        all += 1;
    }
    let share = coverage.report(&format!("court and boards, {all} rigs"));
    assert!(all > 20 && better == all);
    assert!((0.92..0.98).contains(&share));
}

/// Marks that scatter twice as much as assumed are noticed, and the intervals widened to fit.
#[test]
fn intervals_widen_where_marks_scatter_more_than_assumed() {
    let court = Court::itf_tennis().unwrap();
    let settings = RigSettings { click_sd_px: 1.0, ..RigSettings::default() };
    let coverage = covered(200, |seed| {
        let mut scene = Scene::random(seed, 2, 0);
        let marked = scene.court_points(&court, 2.0);
        if marked.iter().any(|m| m.len() < 6) {
            return None;
        }
        let lenses = scene.lenses();
        let input = RigInput { lenses: &lenses, boards: None, court: Some((&court, &marked)), lines: &[] };
        Some((scene.cameras, solve_with(&input, &settings)))
    });
    let share = coverage.report("marks that scatter twice as much as assumed");
    assert!((0.90..0.97).contains(&share));
}

#[test]
fn a_camera_without_court_points_is_placed_by_boards() {
    let court = Court::itf_tennis().unwrap();
    let board = board();
    let mut scene = Scene::random(3, 3, 8);
    let mut marked = scene.court_points(&court, 0.0);
    assert_eq!(marked.iter().map(BTreeMap::len).collect::<Vec<_>>(), [7, 16, 3]);
    marked[1].clear();
    let sightings = scene.sightings(0.0);
    let lenses = scene.lenses();
    let input =
        RigInput { lenses: &lenses, boards: Some((&board, &sightings)), court: Some((&court, &marked)), lines: &[] };
    let found = solve(&input).unwrap();
    for (camera, truth) in found.cameras.iter().zip(&scene.cameras) {
        assert!(step_between(&camera.camera_from_world, truth).norm() < 1e-6, "{}", camera.name);
    }
    assert_eq!(found.cameras[1].court_points, 0);
    println!("{:#?}", found.remarks);

    let nothing = RigInput { boards: None, ..input };
    // Its three points are all on the baseline.
    assert!(matches!(solve(&nothing), Err(RigError::Collinear { camera, .. }) if camera == "net"));
}

/// Pixels worked out by hand from the court's dimensions: a pinhole camera 6 m behind and 3 m above the centre mark, level,
/// looking at the net, f 1000 px, centre (960, 540). A ground point at (x, y) is at 960 + 1000 x / (y + 6),
/// 540 + 3000 / (y + 6). ITF Rules of Tennis, rule 1 (numbers from memory): half width 4.115 m (singles) and 5.485 m
/// (doubles), service line 6.40 m from the net, net 11.885 m from the baseline, posts 1.07 m high, 0.914 m outside.
#[test]
fn closed_form_picture_of_the_itf_court() {
    let court = Court::itf_tennis().unwrap();
    let ground = |x: f64, y: f64| [960.0 + 1000.0 * x / (y + 6.0), 540.0 + 3000.0 / (y + 6.0)];
    let marked: CourtMarks = [
        ("near-baseline-singles-left", ground(-4.115, 0.0)),
        ("near-baseline-doubles-right", ground(5.485, 0.0)),
        ("near-service-centre", ground(0.0, 11.885 - 6.40)),
        ("far-baseline-doubles-left", ground(-5.485, 23.77)),
        ("far-baseline-singles-right", ground(4.115, 23.77)),
        ("net-post-left-top", [960.0 - 1000.0 * 6.399 / 17.885, 540.0 + 1000.0 * (3.0 - 1.07) / 17.885]),
    ]
    .into_iter()
    .map(|(name, px)| (name.to_owned(), px))
    .collect();
    let pinhole = Intrinsics {
        focal_px: [1000.0, 1000.0],
        centre_px: [960.0, 540.0],
        model: LensModel::Pinhole,
        size_px: [1920, 1080],
    };
    let lenses = ["fence", "corner"].map(|name| {
        let mut lens = lens(name);
        lens.intrinsics = pinhole;
        lens
    });
    let both = [marked.clone(), marked];
    let found = solve(&RigInput { lenses: &lenses, boards: None, court: Some((&court, &both)), lines: &[] }).unwrap();
    let truth = look_at([0.0, -6.0, 3.0], [0.0, 0.0, 3.0]);
    for camera in &found.cameras {
        assert!(step_between(&camera.camera_from_world, &truth).norm() < 1e-9);
        assert!(camera.court_rms_px.unwrap() < 1e-8);
    }
}

#[test]
fn derivatives_of_the_joint_problem_match_differences() {
    let court = Court::itf_tennis().unwrap();
    let board = board();
    let mut scene = Scene::random(7, 3, 4);
    let marked = scene.court_points(&court, 1.0);
    let sightings = scene.sightings(1.0);
    let lenses = scene.lenses();
    let with_court =
        RigInput { lenses: &lenses, boards: Some((&board, &sightings)), court: Some((&court, &marked)), lines: &[] };
    for input in [with_court, RigInput { court: None, ..with_court }] {
        let checked = Checked::new(&input, &RigSettings::default()).unwrap();
        let spread = Spread::AS_ASSUMED.with(Kind::Click, 1.5).with(Kind::Corner, 2.0);
        let kept: Vec<usize> = (0..checked.sightings.len()).collect();
        let bundle = Bundle::new(&checked, &kept, spread);
        let state = RigState::new(&checked, scene.cameras.clone(), scene.boards.clone());
        let error = midline_solver::worst_jacobian_error(&bundle, &state);
        assert!(error < 1e-6, "{error}");
    }
}

/// Two cameras with a whole half court in sight.
fn court_scene() -> (Scene, Court, Vec<CourtMarks>) {
    let court = Court::itf_tennis().unwrap();
    let mut scene = Scene::random(0, 2, 3);
    scene.cameras = vec![look_at([-7.0, -5.0, 2.4], [0.5, 6.0, 0.0]), look_at([7.5, -4.5, 2.1], [-0.5, 6.0, 0.0])];
    let marked = scene.court_points(&court, 0.7);
    assert!(marked.iter().all(|m| m.len() >= 8), "{marked:?}");
    (scene, court, marked)
}

fn solve_court(scene: &Scene, court: &Court, marked: &[CourtMarks]) -> Result<RigCalibration, RigError> {
    solve(&RigInput { lenses: &scene.lenses(), boards: None, court: Some((court, marked)), lines: &[] })
}

#[test]
fn exchanged_corners_are_named() {
    let (scene, court, marked) = court_scene();
    assert!(solve_court(&scene, &court, &marked).is_ok());
    let mut wrong = marked.clone();
    let a = wrong[1]["near-service-centre"];
    let b = wrong[1]["near-service-singles-left"];
    wrong[1].insert("near-service-centre".to_owned(), b);
    wrong[1].insert("near-service-singles-left".to_owned(), a);
    let error = solve_court(&scene, &court, &wrong).unwrap_err();
    println!("{error}");
    match error {
        RigError::CourtContradiction { camera, point, fits, .. } => {
            assert_eq!(camera, "corner");
            let pair = ["near-service-centre", "near-service-singles-left"];
            assert!(pair.contains(&point.as_str()), "{point}");
            assert!(pair.contains(&fits.unwrap().as_str()));
        }
        other => panic!("{other}"),
    }
}

/// The marks under other names.
fn renamed(marked: &[CourtMarks], name: impl Fn(&str) -> Option<String>) -> Vec<CourtMarks> {
    let of_camera = |own: &CourtMarks| own.iter().filter_map(|(old, px)| Some((name(old)?, *px))).collect();
    marked.iter().map(of_camera).collect()
}

fn exchanged(name: &str, a: &str, b: &str) -> String {
    if name.contains(a) { name.replace(a, b) } else { name.replace(b, a) }
}

#[test]
fn mirrored_names_are_diagnosed() {
    let (scene, court, marked) = court_scene();
    let below = || RigError::BelowGround { camera: "fence".to_owned() };
    let on_ground = |name: &str| !name.starts_with("net");
    let sides = renamed(&marked, |name| on_ground(name).then(|| exchanged(name, "left", "right")));
    assert_eq!(solve_court(&scene, &court, &sides), Err(below()));
    let ends = renamed(&marked, |name| on_ground(name).then(|| exchanged(name, "near", "far")));
    assert_eq!(solve_court(&scene, &court, &ends), Err(below()));
    // With the net's posts the mirror image does not even fit a camera under the ground.
    let whole = renamed(&marked, |name| Some(exchanged(name, "left", "right")));
    let error = solve_court(&scene, &court, &whole).unwrap_err();
    println!("{error}");
    assert!(matches!(error, RigError::BelowGround { .. } | RigError::CourtContradiction { .. }), "{error}");
}

/// Seen from the other end a court looks the same: names that are exchanged both ways are the same court from there, in one
/// camera alone they contradict the board that both saw.
#[test]
fn a_camera_named_from_the_other_end_contradicts_the_shared_board() {
    let court = Court::itf_tennis().unwrap();
    let board = board();
    let mut scene = Scene::random(500, 2, 5);
    let marked = scene.court_points(&court, 0.3);
    let sightings = scene.sightings(0.2);
    let lenses = scene.lenses();
    let turned = |name: &str| exchanged(&exchanged(name, "left", "right"), "near", "far");
    let mut wrong = marked.clone();
    wrong[1] = renamed(&marked[1..], |name| Some(turned(name))).swap_remove(0);
    let run = |marked: &[CourtMarks]| {
        solve(&RigInput {
            lenses: &lenses,
            boards: Some((&board, &sightings)),
            court: Some((&court, marked)),
            lines: &[],
        })
    };
    assert!(run(&marked).is_ok());
    let error = run(&wrong).unwrap_err();
    println!("{error}");
    assert!(matches!(error, RigError::CourtAgainstBoards { .. } | RigError::BoardsContradict { .. }), "{error}");
}

/// Marks on a tennis court under the names that another court's model has for the like places.
#[test]
fn another_court_is_refused() {
    let (scene, _, marked) = court_scene();
    let badminton = [
        ("baseline-doubles-", "back-"),
        ("baseline-singles-", "back-singles-"),
        ("baseline-centre-mark", "back-centre"),
        ("service-singles-", "short-service-"),
        ("service-centre", "short-service-centre"),
    ];
    let padel =
        [("baseline-doubles-", "wall-"), ("service-singles-", "service-wall-"), ("service-centre", "service-centre")];
    for (model, names) in [("bwf-badminton", badminton.as_slice()), ("padel", padel.as_slice())] {
        let other = Court::by_name(model).unwrap();
        let like = |name: &str| {
            let (old, new) = names.iter().find(|(old, _)| name.contains(old))?;
            Some(name.replace(old, new)).filter(|name| other.points_m.contains_key(name))
        };
        let wrong = renamed(&marked, like);
        assert!(wrong.iter().all(|own| own.len() >= 5), "{wrong:?}");
        let error = solve_court(&scene, &other, &wrong).unwrap_err();
        println!("{model}: {error}");
        assert!(matches!(&error, RigError::CourtContradiction { .. }), "{error}");
        assert!(error.to_string().contains("that the court model is the right one"), "{error}");
    }
}

#[test]
fn too_few_and_collinear_court_points_are_refused() {
    let (scene, court, marked) = court_scene();
    let only = |names: &[&str]| {
        let mut few = marked.clone();
        few[0].retain(|name, _| names.contains(&name.as_str()));
        few
    };
    let on_a_line = ["near-service-singles-left", "near-service-centre", "near-service-singles-right"];
    let on_a_line_by_name = ["near-service-centre", "near-service-singles-left", "near-service-singles-right"];
    let three = only(&on_a_line);
    assert_eq!(three[0].len(), 3);
    // A fourth point on the same line would not help, so that it must not be what is asked for.
    assert_eq!(
        solve_court(&scene, &court, &three),
        Err(RigError::Collinear { camera: "fence".to_owned(), points: on_a_line_by_name.join(", ") })
    );
    let off_a_line = ["near-service-singles-left", "near-service-centre", "near-baseline-centre-mark"];
    assert_eq!(
        solve_court(&scene, &court, &only(&off_a_line)),
        Err(RigError::TooFewCourtPoints { camera: "fence".to_owned(), points: 3 })
    );
    let mut line = three;
    let intrinsics = crate::test_scene::lens_model();
    let mut court = court;
    for (name, x) in [("extra-a", -2.0), ("extra-b", 1.0)] {
        court.points_m.insert(name.to_owned(), [x, 5.485, 0.0]);
        let px = intrinsics.project(&(scene.cameras[0] * Point3::new(x, 5.485, 0.0)).coords).unwrap();
        line[0].insert(name.to_owned(), [px.x, px.y]);
    }
    assert!(matches!(solve_court(&scene, &court, &line), Err(RigError::Collinear { camera, .. }) if camera == "fence"));

    let mut unknown = marked.clone();
    unknown[0].insert("umpire-chair".to_owned(), [3.0, 4.0]);
    assert!(matches!(
        solve_court(&scene, &court, &unknown),
        Err(RigError::UnknownCourtPoint { point, .. }) if point == "umpire-chair"
    ));
}

#[test]
fn bad_board_input_is_told_apart() {
    let mut scene = Scene::random(2, 3, 4);
    let good = scene.sightings(0.2);
    let lenses = scene.lenses();
    let board = board();
    let run = |lenses, sightings: &[SharedSighting], board: &midline_session::board::Board| {
        solve(&RigInput { lenses, boards: Some((board, sightings)), court: None, lines: &[] })
    };
    assert_eq!(run(&lenses[..1], &good, &board), Err(RigError::TooFewCameras { cameras: 1 }));
    assert_eq!(
        run(&lenses[..2], &good, &board),
        Err(RigError::LensMissing { what: "board sightings", found: 3, lenses: 2 })
    );
    assert_eq!(run(&lenses, &[], &board), Err(RigError::NothingToGoBy));

    let mut short = good.clone();
    short.iter_mut().flat_map(|s| s.views.iter_mut().flatten()).for_each(|v| v.corners_px.truncate(19));
    assert!(matches!(run(&lenses, &short, &board), Err(RigError::BoardMismatch { corners: 19, expected: 20, .. })));

    let mut even = board.clone();
    even.inner_corners = [6, 4];
    assert!(matches!(run(&lenses, &good, &even), Err(RigError::HalfTurn { .. })));

    let mut alone = good.clone();
    alone.iter_mut().for_each(|s| s.views[2] = None);
    assert_eq!(run(&lenses, &alone, &board), Err(RigError::NotConnected { cameras: "\"net\"".to_owned() }));
}

#[test]
fn a_board_that_moved_between_the_cameras_is_left_out() {
    let mut scene = Scene::random(11, 2, 7);
    let mut sightings = scene.sightings(0.2);
    let other = sightings[5].views[1].clone();
    sightings[3].views[1] = other;
    let lenses = scene.lenses();
    let board = board();
    let found =
        solve(&RigInput { lenses: &lenses, boards: Some((&board, &sightings)), court: None, lines: &[] }).unwrap();
    assert_eq!(found.cameras[0].board_views, 6);
    assert!(found.remarks.iter().any(|r| r.contains("sighting 3")), "{:?}", found.remarks);
    for (camera, truth) in found.cameras.iter().zip(&scene.cameras) {
        assert!(step_between(&camera.camera_from_world, &(truth * scene.boards[0])).norm() < 0.02);
    }
    // One of two that contradicts the other cannot be told from it.
    let two = [sightings[2].clone(), sightings[3].clone()];
    let input = RigInput { lenses: &lenses, boards: Some((&board, &two)), court: None, lines: &[] };
    let error = solve(&input).unwrap_err();
    println!("{error}");
    assert!(matches!(error, RigError::BoardsContradict { contradicting: 1..=2, sightings: 2, .. }));
}
