//! Court lines as observations.

use midline_geometry::step_between;
use midline_session::court::{Court, LineEdge};
use nalgebra::{DMatrix, Point3};

use crate::bundle::{Bundle, RigState, Spread};
use crate::input::Checked;
use crate::test_scene::{Scene, lens_model, look_at, noise, within};
use crate::{CourtMarks, LinePoint, RigError, RigInput, RigSettings, solve, solve_with};

fn scene() -> (Scene, Court) {
    let mut scene = Scene::random(0, 2, 0);
    scene.cameras = vec![look_at([-7.0, -5.0, 2.4], [0.5, 6.0, 0.0]), look_at([7.5, -4.5, 2.1], [-0.5, 6.0, 0.0])];
    (scene, Court::itf_tennis().unwrap())
}

/// Up to `count` pixels along the edge of every line in each picture, `sd_px` off in both coordinates.
fn on_lines(scene: &Scene, court: &Court, edge: LineEdge, count: usize, sd_px: f64, seed: u64) -> Vec<Vec<LinePoint>> {
    let mut noise = noise(seed);
    let of_camera = |camera| {
        let mut points = Vec::new();
        for name in court.lines_m.keys() {
            let [from, to] = court.line_ends_m(name, edge).unwrap().map(Point3::from);
            for index in 0..count {
                let point = from + (to - from) * ((index as f64 + 0.37) / count as f64);
                if !within(&lens_model(), camera, &point) {
                    continue;
                }
                let px = lens_model().project(&(camera * point).coords).unwrap();
                let px = [px.x + sd_px * noise(), px.y + sd_px * noise()];
                points.push(LinePoint { line: name.clone(), edge, px, sd_px: Some(sd_px.max(0.1)) });
            }
        }
        points
    };
    scene.cameras.iter().map(of_camera).collect()
}

fn none() -> [CourtMarks; 2] {
    [CourtMarks::new(), CourtMarks::new()]
}

#[test]
fn lines_alone_place_the_cameras() {
    let (scene, court) = scene();
    let lenses = scene.lenses();
    for edge in [LineEdge::Middle, LineEdge::Low, LineEdge::High] {
        let lines = on_lines(&scene, &court, edge, 4, 0.0, 1);
        let found =
            solve(&RigInput { lenses: &lenses, boards: None, court: Some((&court, &none())), lines: &lines }).unwrap();
        for (camera, truth) in found.cameras.iter().zip(&scene.cameras) {
            assert!(step_between(&camera.camera_from_world, truth).norm() < 1e-6, "{edge:?} {}", camera.name);
        }
        assert!(found.remarks.iter().any(|r| r.contains("points on lines")), "{:?}", found.remarks);
    }
}

/// One residual per pixel: 95 % intervals cover, and lines make the clicked corners better.
#[test]
fn intervals_from_lines_and_points_cover_the_truth() {
    let (scene, court) = scene();
    let lenses = scene.lenses();
    // The lines are painted exactly in their places here.
    let settings = RigSettings {
        click_sd_px: 1.0,
        paint_sd_m: 1e-6,
        paint_width_share_sd: 1e-6,
        edge_sd_px: 1e-6,
        ..RigSettings::default()
    };
    let (mut inside, mut all) = (0_u32, 0_u32);
    for seed in 0..60 {
        let mut drawn = scene.clone_with_seed(seed);
        let marked = drawn.court_points(&court, 1.0);
        let lines = on_lines(&scene, &court, LineEdge::Middle, 6, 1.0, 100 + seed);
        let points = RigInput { lenses: &lenses, boards: None, court: Some((&court, &marked)), lines: &[] };
        let alone = solve_with(&points, &settings).unwrap();
        let both = solve_with(&RigInput { lines: &lines, ..points }, &settings).unwrap();
        for (index, (camera, truth)) in both.cameras.iter().zip(&scene.cameras).enumerate() {
            let error = step_between(&camera.camera_from_world, truth);
            for axis in 0..6 {
                let sd = both.covariance[6 * index + axis][6 * index + axis].sqrt();
                inside += u32::from(error[axis].abs() < 1.96 * sd);
                all += 1;
                assert!(sd < alone.covariance[6 * index + axis][6 * index + axis].sqrt());
            }
        }
    }
    let share = f64::from(inside) / f64::from(all);
    println!("points and lines: 95 % intervals cover {:.1} % of {all} parameters", 100.0 * share);
    assert!((0.93..0.97).contains(&share));
}

#[test]
fn derivatives_of_line_residuals_match_differences() {
    let (scene, court) = scene();
    let lenses = scene.lenses();
    let lines = on_lines(&scene, &court, LineEdge::High, 3, 2.0, 5);
    let marks = none();
    let input = RigInput { lenses: &lenses, boards: None, court: Some((&court, &marks)), lines: &lines };
    let checked = Checked::new(&input, &RigSettings::default()).unwrap();
    let bundle = Bundle::new(&checked, &[], Spread::AS_ASSUMED).with_free_lenses(&checked.intrinsics);
    let mut state = RigState::new(&checked, scene.cameras.clone(), Vec::new());
    assert!(state.paints.len() > 3);
    for (line, paint) in state.paints.iter_mut().enumerate() {
        // Two ends and the width in metres, then one edge in each of two pictures, px.
        *paint = paint.stepped(&[0.003 * line as f64, -0.002, 0.004, 0.3, -0.2]);
    }
    let error = midline_solver::worst_jacobian_error(&bundle, &state);
    assert!(error < 1e-5, "{error}");
}

#[test]
fn wrong_and_unknown_lines_are_named() {
    let (mut scene, court) = scene();
    let lenses = scene.lenses();
    let marked = scene.court_points(&court, 0.5);
    let good = on_lines(&scene, &court, LineEdge::Middle, 4, 0.5, 2);
    let run = |lines: &[Vec<LinePoint>]| {
        solve(&RigInput { lenses: &lenses, boards: None, court: Some((&court, &marked)), lines })
    };
    assert!(run(&good).is_ok());
    let mut wrong = good.clone();
    for point in wrong[1].iter_mut().filter(|p| p.line == "near-service-line") {
        point.line = "near-baseline".to_owned();
    }
    match run(&wrong) {
        Err(RigError::LineContradiction { camera, line, .. }) => {
            assert_eq!((camera.as_str(), line.as_str()), ("corner", "near-baseline"));
        }
        other => panic!("{other:?}"),
    }
    let mut unknown = good.clone();
    unknown[0][0].line = "tramline".to_owned();
    let error = run(&unknown).unwrap_err();
    assert!(matches!(&error, RigError::UnknownCourtLine { line, .. } if line == "tramline"), "{error}");
    assert!(matches!(run(&good[..1]), Err(RigError::LensMissing { what: "court lines", .. })));
    // Parallel lines leave the way along them open.
    let sidelines: Vec<Vec<LinePoint>> = good
        .iter()
        .map(|own| own.iter().filter(|p| p.line.contains("sideline") || p.line.contains("centre-s")).cloned().collect())
        .collect();
    let only = RigInput { lenses: &lenses, boards: None, court: Some((&court, &none())), lines: &sidelines };
    assert!(matches!(solve(&only), Err(RigError::TooFewCourtPoints { .. })), "{:?}", solve(&only));
    let covariance = run(&good).unwrap().covariance;
    assert!(DMatrix::from_fn(12, 12, |i, j| covariance[i][j]).cholesky().is_some());
}
