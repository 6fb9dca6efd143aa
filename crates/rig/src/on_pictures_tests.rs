//! The rig from lines in pictures, against known truth. What a picture shows is made up here: true pixels of painted lines with
//! noise, for whoever looks near enough. Real pictures are in the tests of `vision` and of the whole program.

use midline_geometry::{Intrinsics, LensModel, RigidTransform, step_between, stepped};
use midline_session::calibration::RigCalibration;
use midline_session::court::{Court, LineEdge};
use nalgebra::{Point3, Vector2, Vector6};
use rayon::prelude::*;

use crate::input::Checked;
use crate::on_pictures::settled;
use crate::refine_tests::relative;
use crate::test_scene::{Scene, lens_model, look_at, noise, within};
use crate::{CourtMarks, LinePoint, OnPictures, RigError, RigInput, RigSettings, solve_on_pictures};

const SD_PX: f64 = 0.15;

fn scene() -> Scene {
    let mut scene = Scene::random(0, 2, 0);
    scene.cameras = vec![look_at([-7.0, -5.0, 2.4], [0.5, 6.0, 0.0]), look_at([7.5, -4.5, 2.1], [-0.5, 6.0, 0.0])];
    scene
}

/// Lines are wide enough for their edges to be told apart from here on, px; thinner than the second they are not found.
const APART_PX: f64 = 3.0;
const THINNEST_PX: f64 = 0.4;
const EDGES: [LineEdge; 3] = [LineEdge::Low, LineEdge::Middle, LineEdge::High];

/// A court as painted and as its pictures show it: every line a little beside its place, wider or narrower, and each edge a little
/// beside itself in each picture.
struct Painted {
    court: Court,
    lines: Vec<PaintedLine>,
    cameras: Vec<RigidTransform>,
}

struct PaintedLine {
    ends_off_m: [f64; 2],
    /// Of the model's width.
    width: f64,
    /// For each camera those of [`EDGES`], px.
    apparent_px: Vec<[f64; 3]>,
}

impl Painted {
    /// Off by what the settings say, times a factor.
    fn new(scene: &Scene, settings: &RigSettings, factor: f64, seed: u64) -> Self {
        let court = Court::itf_tennis().unwrap();
        let mut noise = noise(seed);
        let mut draw = |sd: f64| factor * sd * noise();
        let line = |_| PaintedLine {
            ends_off_m: [draw(settings.paint_sd_m), draw(settings.paint_sd_m)],
            width: (1.0 + draw(settings.paint_width_share_sd)).max(0.2),
            apparent_px: scene.cameras.iter().map(|_| EDGES.map(|_| draw(settings.edge_sd_px))).collect(),
        };
        let lines = court.lines_m.keys().map(line).collect();
        Self { court, lines, cameras: scene.cameras.clone() }
    }

    fn look(&self, camera: usize, thought: &RigidTransform, reach_px: f64, seed: u64) -> Vec<LinePoint> {
        // One picture has one noise, however often it is looked at.
        let mut noise = noise(7919 * seed + camera as u64);
        let (lens, truth) = (lens_model(), &self.cameras[camera]);
        let mut found = Vec::new();
        for (name, line) in self.court.lines_m.keys().zip(&self.lines) {
            let fixed = self.court.measured_edge(name).unwrap();
            let model = EDGES.map(|edge| self.court.line_ends_m(name, edge).unwrap().map(Point3::from));
            let width = model[2][0] - model[0][0];
            for index in 0..30 {
                let errors = EDGES.map(|_| SD_PX * noise());
                let share = (f64::from(index) + 0.4) / 30.0;
                let at = |which: usize| model[which][0] + (model[which][1] - model[which][0]) * share;
                let off_m = line.ends_off_m[0] * (1.0 - share) + line.ends_off_m[1] * share;
                let place = EDGES.iter().position(|edge| *edge == fixed).unwrap();
                // The paint grows from the edge that the rules fix.
                let painted = |which: usize| {
                    let wider = (which as f64 - place as f64) / 2.0 * (line.width - 1.0);
                    at(which) + width.normalize() * off_m + width * wider
                };
                let inside = |which| within(&lens, truth, &painted(which)) && within(&lens, thought, &at(which));
                if !(0..3).all(inside) {
                    continue;
                }
                let px = |pose: &RigidTransform, point: &Point3<f64>| lens.project(&(pose * point).coords).unwrap();
                let step = (model[1][1] - model[1][0]) * 1e-4;
                let along = (px(truth, &(painted(1) + step)) - px(truth, &painted(1))).normalize();
                let normal = Vector2::new(-along.y, along.x);
                let width_px = (px(truth, &painted(2)) - px(truth, &painted(0))).dot(&normal).abs();
                let apart = (px(truth, &painted(1)) - px(thought, &at(1))).dot(&normal).abs();
                if apart > reach_px || width_px < THINNEST_PX {
                    continue;
                }
                let shown: &[usize] = if width_px > APART_PX && fixed != LineEdge::Middle { &[0, 2] } else { &[1] };
                for &which in shown {
                    let off_px = errors[which] + line.apparent_px[camera][which];
                    let px = (px(truth, &painted(which)) + normal * off_px).into();
                    found.push(LinePoint { line: name.clone(), edge: EDGES[which], px, sd_px: Some(SD_PX) });
                }
            }
        }
        found
    }
}

fn none() -> [CourtMarks; 2] {
    [CourtMarks::new(), CourtMarks::new()]
}

/// Errors of the poses and of the relative pose inside their 95 % intervals, of how many; and the places' errors in metres from
/// marks alone and with lines.
struct Outcome {
    inside: usize,
    all: usize,
    off_m: [f64; 2],
}

#[test]
fn intervals_from_pictures_cover_the_truth_with_what_all_places_of_a_line_share() {
    let settings = RigSettings { click_sd_px: 1.5, ..RigSettings::default() };
    let trials = std::env::var("MIDLINE_TRIALS").ok().and_then(|text| text.parse().ok()).unwrap_or(100_u64);
    let results: Vec<Outcome> = (0..trials)
        .into_par_iter()
        .filter_map(|seed| {
            let mut scene = Scene::random(seed, 2, 0);
            let painted = Painted::new(&scene, &settings, 1.0, seed);
            let marked = scene.court_points(&painted.court, 1.5);
            if marked.iter().any(|own| own.len() < 6) {
                return None;
            }
            let lenses = scene.lenses();
            let input = RigInput { lenses: &lenses, boards: None, court: Some((&painted.court, &marked)), lines: &[] };
            let place_error = |rig: &RigCalibration| {
                let centre = |pose: &RigidTransform| pose.inverse_transform_point(&Point3::origin());
                let off = |camera: usize| {
                    (centre(&rig.cameras[camera].camera_from_world) - centre(&scene.cameras[camera])).norm()
                };
                (off(0) + off(1)) / 2.0
            };
            let marks_alone = crate::solve_with(&input, &settings).unwrap();
            let OnPictures { rig, lines } =
                solve_on_pictures(&input, &settings, &[], |c, pose, reach| painted.look(c, pose, reach, seed)).unwrap();
            if lines.iter().any(Vec::is_empty) {
                return None;
            }
            let mut inside = 0;
            for (index, (camera, truth)) in rig.cameras.iter().zip(&scene.cameras).enumerate() {
                let error = step_between(&camera.camera_from_world, truth);
                let sd = |axis: usize| rig.covariance[6 * index + axis][6 * index + axis].sqrt();
                inside += (0..6).filter(|&axis| error[axis].abs() < 1.96 * sd(axis)).count();
            }
            // What both cameras share must be in the covariance between them too.
            let (error, covariance) = relative(&scene, &rig);
            inside += (0..6).filter(|&axis| error[axis].abs() < 1.96 * covariance[(axis, axis)].sqrt()).count();
            Some(Outcome { inside, all: 18, off_m: [place_error(&marks_alone), place_error(&rig)] })
        })
        .collect();
    let (inside, all) = results.iter().fold((0, 0), |(i, a), r| (i + r.inside, a + r.all));
    let share = inside as f64 / all as f64;
    let [marks, lines] = [0, 1].map(|of| results.iter().map(|r| r.off_m[of]).sum::<f64>() / results.len() as f64);
    println!(
        "{} rigs: places off by {:.1} mm from marks, {:.1} mm with lines; 95 % intervals cover {:.2} % of {all} parameters",
        results.len(),
        1e3 * marks,
        1e3 * lines,
        100.0 * share
    );
    assert!(3 * results.len() > trials as usize, "{}", results.len());
    assert!((0.93..0.97).contains(&share), "{share}");
    assert!(lines < 0.7 * marks);
}

#[test]
fn a_rough_start_ends_where_an_exact_one_does() {
    let lenses = scene().lenses();
    let exact = RigSettings::default();
    let rough = RigSettings { click_sd_px: 12.0, ..exact };
    let mut ended = 0;
    for seed in 0..10_u64 {
        let mut scene = scene().clone_with_seed(seed);
        let painted = Painted::new(&scene, &RigSettings::default(), 0.0, 1);
        let look = |c: usize, pose: &RigidTransform, reach: f64| painted.look(c, pose, reach, seed);
        let truth = scene.cameras.clone();
        let far = |rig: &RigCalibration| {
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
    let painted = Painted::new(&scene, &RigSettings::default(), 0.0, 1);
    let scattered = |c: usize, pose: &RigidTransform, reach: f64| {
        let mut draw = noise(c as u64);
        let mut found = painted.look(c, pose, reach, 1);
        found.iter_mut().for_each(|place| place.px[1] += (4.0 + reach) * draw());
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

/// The upright phone of the demo's second academy session, and where it stands.
fn gate() -> (Intrinsics, RigidTransform) {
    let intrinsics = Intrinsics {
        focal_px: [1012.6, 1013.9],
        centre_px: [356.9, 644.7],
        model: LensModel::BrownConrady([-0.127, 0.047, -0.0003, 0.0005, 0.0]),
        size_px: [720, 1280],
    };
    (intrinsics, look_at([1.8, -7.7, 2.10], [-0.45, 1.4, 0.95]))
}

/// What whoever looks for painted bars finds: the only bar across a line's profile, whichever line that is of.
fn bars(
    lens: &Intrinsics,
    truth: &RigidTransform,
    court: &Court,
    thought: &RigidTransform,
    reach_px: f64,
) -> Vec<LinePoint> {
    let along = |pose: &RigidTransform, name: &str, count: usize| -> Vec<Vector2<f64>> {
        let [from, to] = court.line_ends_m(name, court.measured_edge(name).unwrap()).unwrap().map(Point3::from);
        (0..count)
            .map(|i| from + (to - from) * ((i as f64 + 0.5) / count as f64))
            .filter(|point| within(lens, pose, point))
            .map(|point| lens.project(&(pose * point).coords).unwrap())
            .collect()
    };
    let painted: Vec<Vec<Vector2<f64>>> = court.lines_m.keys().map(|name| along(truth, name, 200)).collect();
    let mut found = Vec::new();
    for name in court.lines_m.keys() {
        let places = along(thought, name, 40);
        for pair in places.windows(2) {
            let Some(tangent) = (pair[1] - pair[0]).try_normalize(1e-6) else { continue };
            let normal = Vector2::new(-tangent.y, tangent.x);
            let crossed = |two: &[Vector2<f64>]| {
                let (a, b) = (two[0] - pair[0], two[1] - pair[0]);
                let (before, after) = (a.dot(&tangent), b.dot(&tangent));
                let share = before / (before - after);
                (before * after <= 0.0 && before != after).then(|| (a + (b - a) * share).dot(&normal))
            };
            let across: Vec<f64> = painted
                .iter()
                .flat_map(|line| line.windows(2))
                .filter_map(crossed)
                .filter(|offset| offset.abs() < reach_px)
                .collect();
            if let [offset] = across[..] {
                let edge = court.measured_edge(name).unwrap();
                let px = (pair[0] + normal * offset).into();
                found.push(LinePoint { line: name.clone(), edge, px, sd_px: Some(SD_PX) });
            }
        }
    }
    found
}

/// Bars that are other lines of the court fit a camera that stands elsewhere: one 2.7 m off with 0.7 px rms, much as was once accepted
/// on the demo, one 3.1 m off with 0.5 px, and one that took singles for doubles sidelines, 1.4 m off with 0.2 px.
#[test]
fn a_rough_place_does_not_end_at_other_lines_metres_away() {
    let court = Court::itf_tennis().unwrap();
    let (intrinsics, truth) = gate();
    let mut lenses = scene().lenses();
    lenses.iter_mut().for_each(|lens| lens.intrinsics = intrinsics);
    let marks = none();
    let input = RigInput { lenses: &lenses, boards: None, court: Some((&court, &marks)), lines: &[] };
    let settings = RigSettings::default();
    let look = |_: usize, pose: &RigidTransform, reach: f64| bars(&intrinsics, &truth, &court, pose, reach);
    let centre = |pose: &RigidTransform| pose.inverse_transform_point(&Point3::origin());
    for seed in [547, 517, 885] {
        let mut draw = noise(seed);
        let step = Vector6::from_fn(|i, _| if i < 3 { 0.03 * draw() } else { 0.3 * draw() });
        let start = stepped(&truth, &step);
        let starts = [Some(start), Some(start)];
        let checked = Checked::with_starts(&input, &settings, &starts).unwrap();
        let fit = settled(&checked, 0, &court, &start, 48.0, &look).expect("by its places alone it is believed");
        let off_m = (centre(&fit.pose) - centre(&truth)).norm();
        println!("{off_m:.2} m off, {:.2} px rms, {} places", fit.rms_px, fit.lines.len());
        assert!(off_m > 1.0);
        let refused = solve_on_pictures(&input, &settings, &starts, look);
        assert!(matches!(refused, Err(RigError::LinesNotFound { .. })), "{refused:?}");
    }
}
