//! The planner's forecast against Monte-Carlo through the real rig and the real triangulation.
//!
//! Each trial draws everything that the forecast counts with: clicks on the court points, lens errors, clock and read-out
//! errors, the instant within the exposure at which the racket tip is marked, and pixel noise. The poses are then solved by
//! `midline_rig::solve_with` with the wrong lens, and the points by `midline_triangulation::triangulate` with what came out.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use midline_geometry::{Camera, ReadOut};
use midline_rig::plan::{Kind, Plan, Stand, forecast, posted};
use midline_rig::{CourtMarks, RigInput, RigSettings, solve_with};
use midline_session::calibration::LensCalibration;
use midline_session::court::Court;
use midline_triangulation::{View, triangulate};
use nalgebra::{Point3, Vector2, Vector3};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

const TRIALS: u64 = 1500;

fn normal(random: &mut StdRng) -> f64 {
    StandardNormal.sample(random)
}

fn lens(name: &str, camera: &Camera) -> LensCalibration {
    LensCalibration { rms_px: 0.2, ..LensCalibration::exact(name, camera.intrinsics) }
}

/// Noisy clicks on the court points in view.
fn clicks(plan: &Plan, court: &Court, camera: &Camera, random: &mut StdRng) -> CourtMarks {
    let [width, height] = camera.intrinsics.size_px.map(f64::from);
    let mut marks = CourtMarks::new();
    for (name, point) in &court.points_m {
        let Some(px) = camera.project(&Point3::from(*point)) else { continue };
        let margin = 0.01;
        let inside = |value: f64, size: f64| (margin * size..=size - 1.0 - margin * size).contains(&value);
        if inside(px.x, width) && inside(px.y, height) {
            let off = plan.accuracy.court_click_px;
            marks.insert(name.clone(), [px.x + off * normal(random), px.y + off * normal(random)]);
        }
    }
    marks
}

/// Sum of squared errors over the zone of body joint and racket tip, and how many points they are of.
fn trial(plan: &Plan, cameras: &[Camera], points: &[Point3<f64>], seed: u64) -> [f64; 2] {
    let mut random = StdRng::seed_from_u64(seed);
    let court = plan.court_model().unwrap();
    let names = ["a", "b", "c"];
    let lenses: Vec<LensCalibration> = cameras
        .iter()
        .zip(names)
        .map(|(camera, name)| {
            let mut parameters = camera.intrinsics.parameters();
            for (index, value) in parameters.iter_mut().enumerate() {
                let sd = if index < 2 { plan.accuracy.focal_share * *value } else { plan.accuracy.centre_px };
                *value += sd * normal(&mut random);
            }
            let mut lens = lens(name, camera);
            lens.intrinsics = lens.intrinsics.with_parameters(parameters.as_slice());
            lens
        })
        .collect();
    let marks: Vec<CourtMarks> = cameras.iter().map(|camera| clicks(plan, &court, camera, &mut random)).collect();
    let settings = RigSettings { click_sd_px: plan.accuracy.court_click_px, ..RigSettings::default() };
    let rig =
        solve_with(&RigInput { lenses: &lenses, boards: None, court: Some((&court, &marks)), lines: &[] }, &settings)
            .unwrap();
    let solved: Vec<Camera> = rig
        .cameras
        .iter()
        .zip(&lenses)
        .map(|(pose, lens)| Camera {
            intrinsics: lens.intrinsics,
            camera_from_world: pose.camera_from_world,
            read_out: ReadOut::default(),
        })
        .collect();
    let late: Vec<[f64; 2]> = plan
        .phones
        .iter()
        .enumerate()
        .map(|(index, phone)| {
            let clock = if index == 0 { 0.0 } else { plan.accuracy.clock_seconds };
            [clock * normal(&mut random), phone.readout_sd_seconds * normal(&mut random)]
        })
        .collect();

    let direction = Vector3::from(plan.motion.racket_direction).normalize();
    let mut of = |speed: f64, sd_px: f64| -> f64 {
        let mut sum = 0.0;
        for point in points {
            let seen: Vec<(usize, Vector2<f64>)> = (0..cameras.len())
                .map(|index| {
                    let phone = &plan.phones[index];
                    let whole = ReadOut { seconds: 1.0, direction: phone.readout_direction };
                    let still = cameras[index].project(point).unwrap();
                    let share = whole.delay_seconds(still, phone.size_px);
                    let streak = phone.shutter_seconds * (random.random::<f64>() - 0.5);
                    let seconds = late[index][0] + late[index][1] * share + streak;
                    let px = cameras[index].project(&(point + direction * (speed * seconds))).unwrap();
                    (index, px + Vector2::new(normal(&mut random), normal(&mut random)) * sd_px)
                })
                .collect();
            let views: Vec<View> =
                seen.iter().map(|(index, px)| View { camera: &solved[*index], px: *px, sd_px }).collect();
            sum += (triangulate(&views).unwrap().position - point).norm_squared();
        }
        sum
    };
    let body = of(plan.motion.body_mps, plan.accuracy.body_px);
    let racket = of(plan.motion.racket_mps, plan.accuracy.racket_px);
    [body, racket]
}

fn compare(what: &str, plan: &Plan) {
    let stand: Stand = plan.phones.iter().map(|phone| phone.place_m).collect();
    let found = forecast(plan, &stand).unwrap();
    assert!(found.points.iter().all(|p| p.phones == plan.phones.len()), "the whole zone is in all pictures");
    let cameras = posted(plan, &stand);
    let points: Vec<Point3<f64>> = found.points.iter().map(|p| p.position_m).collect();
    let sums: Vec<[f64; 2]> = (0..TRIALS).into_par_iter().map(|seed| trial(plan, &cameras, &points, seed)).collect();
    for (index, kind) in [Kind::Body, Kind::Racket].into_iter().enumerate() {
        let sum: f64 = sums.iter().map(|s| s[index]).sum();
        let scatter = (sum / (TRIALS as usize * points.len()) as f64).sqrt();
        let ratio = found.of(kind).total_m / scatter;
        println!(
            "{what}, {kind:?}: forecast {:.2} mm, scatter {:.2} mm, ratio {ratio:.3}; shares {:.2?}",
            1e3 * found.of(kind).total_m,
            1e3 * scatter,
            found.of(kind).part_shares
        );
        assert!((ratio - 1.0).abs() < 0.05, "{what}, {kind:?}: {ratio}");
    }
}

#[test]
fn the_forecast_is_what_the_real_triangulation_scatters_by() {
    let mut plan = Plan::from_toml(Plan::EXAMPLE).unwrap();
    // All court points in view are clicked, no board; the sampling of the path has its own check.
    plan.shared_board = None;
    plan.accuracy.court_points = 50;
    for phone in &mut plan.phones {
        phone.frames_per_second = 1000.0;
    }
    plan.phones[1].place_m = [5.0, -6.0, 1.8];
    compare("two phones", &plan);

    plan.accuracy.clock_seconds = 2e-3;
    plan.phones[1].readout_sd_seconds = 3e-3;
    plan.phones[0].place_m = [-8.5, 1.0, 1.4];
    compare("bad clock and read-out, one phone at the side", &plan);

    let mut third = plan.phones[0].clone();
    third.name = "behind".to_owned();
    third.place_m = [0.3, -8.0, 2.1];
    plan.phones.push(third);
    plan.accuracy.focal_share = 0.004;
    compare("three phones, worse lenses", &plan);
}
