//! The rig from lines in pictures, against known truth. What a picture shows is made up here: true pixels of painted lines with
//! noise, for whoever looks near enough. Real pictures are in the tests of `vision` and of the whole program.

use midline_geometry::{RigidTransform, step_between, stepped};
use midline_session::court::{Court, LineEdge};
use nalgebra::{Point3, Vector3, Vector6};
use rayon::prelude::*;

use crate::test_scene::{Scene, lens_model, look_at, noise, within};
use crate::{CourtMarks, FoundOnLine, LinePoint, OnPictures, RigError, RigInput, RigSettings, solve_on_pictures};

const SD_PX: f64 = 0.15;

fn scene() -> Scene {
    let mut scene = Scene::random(0, 2, 0);
    scene.cameras = vec![look_at([-7.0, -5.0, 2.4], [0.5, 6.0, 0.0]), look_at([7.5, -4.5, 2.1], [-0.5, 6.0, 0.0])];
    scene
}

/// A court as painted: every line a little beside its place.
struct Painted {
    court: Court,
    off_m: Vec<f64>,
    cameras: Vec<RigidTransform>,
}

impl Painted {
    fn new(scene: &Scene, paint_sd_m: f64, seed: u64) -> Self {
        let court = Court::itf_tennis().unwrap();
        let mut noise = noise(seed);
        let off_m = court.lines_m.keys().map(|_| paint_sd_m * noise()).collect();
        Self { court, off_m, cameras: scene.cameras.clone() }
    }

    fn look(&self, camera: usize, thought: &RigidTransform, reach_px: f64, seed: u64) -> Vec<FoundOnLine> {
        // One picture has one noise, however often it is looked at.
        let mut noise = noise(7919 * seed + camera as u64);
        let (lens, truth) = (lens_model(), &self.cameras[camera]);
        let mut found = Vec::new();
        for (name, off_m) in self.court.lines_m.keys().zip(&self.off_m) {
            let edge = self.court.measured_edge(name).unwrap();
            let [from, to] = self.court.line_ends_m(name, edge).unwrap().map(Point3::from);
            let across = Vector3::z().cross(&(to - from).normalize());
            for index in 0..30 {
                let error = SD_PX * noise();
                let point = from + (to - from) * ((f64::from(index) + 0.4) / 30.0);
                let painted = point + across * *off_m;
                if !within(&lens, truth, &painted) || !within(&lens, thought, &point) {
                    continue;
                }
                let px = |pose: &RigidTransform, point: &Point3<f64>| lens.project(&(pose * point).coords).unwrap();
                let along = (px(truth, &(painted + (to - from) * 1e-4)) - px(truth, &painted)).normalize();
                let normal = nalgebra::Vector2::new(-along.y, along.x);
                let apart = (px(truth, &painted) - px(thought, &point)).dot(&normal).abs();
                let px_per_m = (px(truth, &(painted + across * 0.01)) - px(truth, &painted)).dot(&normal).abs() * 100.0;
                if apart < reach_px && px_per_m * 0.05 > 0.4 {
                    let px = px(truth, &painted) + normal * error;
                    let point = LinePoint { line: name.clone(), edge, px: px.into(), sd_px: Some(SD_PX) };
                    found.push(FoundOnLine { point, px_per_m });
                }
            }
        }
        found
    }
}

fn none() -> [CourtMarks; 2] {
    [CourtMarks::new(), CourtMarks::new()]
}

#[test]
fn intervals_from_pictures_cover_the_truth_with_paint_beside_its_place() {
    let settings = RigSettings { click_sd_px: 1.5, ..RigSettings::default() };
    let results: Vec<(u32, u32, f64, f64)> = (0..60_u64)
        .into_par_iter()
        .map(|seed| {
            let mut scene = scene().clone_with_seed(seed);
            let painted = Painted::new(&scene, settings.paint_sd_m, seed);
            let marked = scene.court_points(&painted.court, 1.5);
            let lenses = scene.lenses();
            let input = RigInput { lenses: &lenses, boards: None, court: Some((&painted.court, &marked)), lines: &[] };
            let place_error = |rig: &midline_session::calibration::RigCalibration| {
                let centre = |pose: &RigidTransform| pose.inverse_transform_point(&Point3::origin());
                let off = |camera: usize| {
                    (centre(&rig.cameras[camera].camera_from_world) - centre(&scene.cameras[camera])).norm()
                };
                off(0) + off(1)
            };
            let marks_alone = crate::solve_with(&input, &settings).unwrap();
            let rig = solve_on_pictures(&input, &settings, &[], |c, pose, reach| painted.look(c, pose, reach, seed))
                .unwrap()
                .rig;
            let mut inside = 0;
            for (index, (camera, truth)) in rig.cameras.iter().zip(&scene.cameras).enumerate() {
                let error = step_between(&camera.camera_from_world, truth);
                inside += (0..6)
                    .filter(|axis| {
                        error[*axis].abs() < 1.96 * rig.covariance[6 * index + axis][6 * index + axis].sqrt()
                    })
                    .count() as u32;
            }
            (inside, 12, place_error(&marks_alone), place_error(&rig))
        })
        .collect();
    let (inside, all) = results.iter().fold((0, 0), |(i, a), r| (i + r.0, a + r.1));
    let share = f64::from(inside) / f64::from(all);
    let mean = |of: fn(&(u32, u32, f64, f64)) -> f64| results.iter().map(of).sum::<f64>() / results.len() as f64 / 2.0;
    println!(
        "places off by {:.1} mm from marks, {:.1} mm with lines; 95 % intervals cover {:.1} % of {all} parameters",
        1e3 * mean(|r| r.2),
        1e3 * mean(|r| r.3),
        100.0 * share
    );
    // What all places of a line share is counted as if it were drawn for each with more: somewhat wide.
    assert!((0.93..0.995).contains(&share), "{share}");
    assert!(mean(|r| r.3) < 0.7 * mean(|r| r.2));
}

#[test]
fn a_rough_start_ends_where_an_exact_one_does() {
    let lenses = scene().lenses();
    let exact = RigSettings::default();
    let rough = RigSettings { click_sd_px: 12.0, ..exact };
    let mut ended = 0;
    for seed in 0..10_u64 {
        let mut scene = scene().clone_with_seed(seed);
        let painted = Painted::new(&scene, 0.0, 1);
        let look = |c: usize, pose: &RigidTransform, reach: f64| painted.look(c, pose, reach, seed);
        let truth = scene.cameras.clone();
        let far = |rig: &midline_session::calibration::RigCalibration| {
            let steps = rig.cameras.iter().zip(&truth).map(|(c, t)| step_between(&c.camera_from_world, t).norm());
            steps.fold(0.0, f64::max)
        };
        // Six marks, each about 12 px off.
        let mut marked = scene.court_points(&painted.court, 12.0);
        for own in &mut marked {
            let keep: Vec<String> = own.keys().step_by(2).take(6).cloned().collect();
            own.retain(|name, _| keep.contains(name));
        }
        let input = RigInput { lenses: &lenses, boards: None, court: Some((&painted.court, &marked)), lines: &[] };
        match solve_on_pictures(&input, &rough, &[], look) {
            Ok(OnPictures { rig, lines }) => {
                assert!(lines.iter().all(|own| own.len() > 20));
                assert!(far(&rig) < 0.03, "seed {seed}: {}", far(&rig));
                ended += 1;
            }
            Err(error) => println!("seed {seed}: {error}"),
        }
        // No mark at all, but about where the cameras stand.
        let mut draw = noise(500 + seed);
        let starts: Vec<Option<RigidTransform>> = truth
            .iter()
            .map(|pose| {
                let step = Vector6::from_fn(|i, _| if i < 3 { 0.02 * draw() } else { 0.15 * draw() });
                Some(stepped(pose, &step))
            })
            .collect();
        let marks = none();
        let input = RigInput { lenses: &lenses, boards: None, court: Some((&painted.court, &marks)), lines: &[] };
        match solve_on_pictures(&input, &exact, &starts, look) {
            Ok(OnPictures { rig, lines }) => {
                assert!(lines.iter().all(|own| own.len() > 20));
                assert!(far(&rig) < 0.03, "seed {seed}: {}", far(&rig));
                ended += 1;
            }
            Err(error) => println!("seed {seed}, rough places: {error}"),
        }
    }
    println!("{ended} of 20 rough starts ended at the truth, none elsewhere");
    assert!(ended >= 17);
}

#[test]
fn without_lines_in_the_picture_marks_do_and_rough_marks_are_refused() {
    let mut scene = scene();
    let court = Court::itf_tennis().unwrap();
    let marked = scene.court_points(&court, 1.0);
    let lenses = scene.lenses();
    let input = RigInput { lenses: &lenses, boards: None, court: Some((&court, &marked)), lines: &[] };
    let nothing = |_: usize, _: &RigidTransform, _: f64| Vec::new();
    let rig = solve_on_pictures(&input, &RigSettings::default(), &[], nothing).unwrap().rig;
    assert_eq!(rig.cameras, crate::solve(&input).unwrap().cameras);
    assert!(rig.remarks.iter().any(|r| r.contains("were not found in its picture")), "{:?}", rig.remarks);
    let rough = RigSettings { click_sd_px: 10.0, ..RigSettings::default() };
    let error = solve_on_pictures(&input, &rough, &[], nothing).unwrap_err();
    println!("{error}");
    assert!(matches!(&error, RigError::LinesNotFound { camera, .. } if camera == "fence"));
    // Bars here and there that are no court: what is found does not agree with itself.
    let painted = Painted::new(&scene, 0.0, 1);
    let scattered = |c: usize, pose: &RigidTransform, reach: f64| {
        let mut draw = noise(c as u64);
        let mut found = painted.look(c, pose, reach, 1);
        found.iter_mut().for_each(|place| place.point.px[1] += (4.0 + reach) * draw());
        found
    };
    let error = solve_on_pictures(&input, &rough, &[], scattered).unwrap_err();
    assert!(matches!(error, RigError::LinesNotFound { .. }), "{error}");
    assert!(matches!(
        solve_on_pictures(&input, &rough, &[None], nothing),
        Err(RigError::LensMissing { what: "rough places", .. })
    ));
    assert_eq!(court.measured_edge("near-baseline"), Some(LineEdge::Low));
}
