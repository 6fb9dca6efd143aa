//! Errors of the lenses on their way through the rig to the 3D points: what is stated against what simulated sessions are off.
//!
//! Each trial films a board with each of two phones, calibrates the lenses from it, places the phones with these lenses by marks on
//! the court, and triangulates points of the hitting zone. Truth is the simulation's own; nothing is compared with another estimate.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use midline_geometry::{Camera, Intrinsics, LensModel, ReadOut, RigidTransform, rotation_from_vector, step_between};
use midline_lens::{Aspect, LensModelChoice, LensSettings, calibrate};
use midline_rig::{CourtMarks, RigInput, RigSettings, solve_with};
use midline_session::board::{Board, BoardView};
use midline_session::calibration::{LensCalibration, RigCalibration};
use midline_session::court::Court;
use midline_triangulation::{CalibratedView, CalibrationCovariance, View, ViewSource, triangulate};
use nalgebra::{Point3, Translation3, Vector2, Vector3};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

const TRIALS: u64 = 600;
const NAMES: [&str; 2] = ["fence", "gate"];
/// Corners of the board in each phone's own clip, marks of the court, points of the player, px.
const CORNER_SD_PX: f64 = 0.15;
const MARK_SD_PX: f64 = 0.3;
const POINT_SD_PX: f64 = 0.5;
/// Quantile of the normal distribution, two-sided 95 %.
const Z: f64 = 1.959_964;

const TRUE_LENS: Intrinsics = Intrinsics {
    focal_px: [1500.0, 1500.0],
    centre_px: [962.0, 535.0],
    model: LensModel::BrownConrady([0.11, -0.22, 0.0, 0.0, 0.0]),
    size_px: [1920, 1080],
};

fn normal(random: &mut StdRng) -> f64 {
    StandardNormal.sample(random)
}

fn seen(camera_from_object: &RigidTransform, point: &Point3<f64>) -> Option<Vector2<f64>> {
    let px = TRUE_LENS.project(&(camera_from_object * point).coords)?;
    ((8.0..1912.0).contains(&px.x) && (8.0..1072.0).contains(&px.y)).then_some(px)
}

/// A lens as the lens stage finds it from twelve views of a board, tilted to all sides, all over the picture.
fn calibrated(name: &str, random: &mut StdRng) -> LensCalibration {
    let board = Board { name: "plate".to_owned(), inner_corners: [8, 5], square_m: 0.04, markers: None };
    let corners = board.corners_m();
    let middle = (corners[0].coords + corners[corners.len() - 1].coords) / 2.0;
    let mut views = Vec::new();
    while views.len() < 12 {
        let mut between = |low: f64, high: f64| random.random_range(low..high);
        let rotation = rotation_from_vector(Vector3::new(between(-0.6, 0.6), between(-0.6, 0.6), between(-0.4, 0.4)));
        let depth = between(0.5, 0.9);
        let at = Vector3::new(depth * between(-0.45, 0.45), depth * between(-0.22, 0.22), depth);
        let pose = RigidTransform::from_parts(Translation3::from(at - rotation * middle), rotation);
        let Some(exact) = corners.iter().map(|corner| seen(&pose, corner)).collect::<Option<Vec<_>>>() else {
            continue;
        };
        let mut noisy = |px: f64| px + CORNER_SD_PX * normal(random);
        views.push(BoardView {
            frame_index: 30 * views.len(),
            pts_seconds: views.len() as f64,
            corners_px: exact.iter().map(|px| [noisy(px.x), noisy(px.y)]).collect(),
            edge_width_px: None,
            corner_ids: None,
        });
    }
    let settings = LensSettings {
        model: LensModelChoice::BrownConrady,
        aspect: Aspect::Fixed(1.0),
        tangential_free: false,
        radial_terms: 2,
        corner_sd_px: CORNER_SD_PX,
        ..LensSettings::default()
    };
    calibrate(name, &board, &views, TRUE_LENS.size_px, &settings).unwrap()
}

/// Two phones behind the baseline and beside it, 7 to 9 m from the hitting zone.
fn phones(random: &mut StdRng) -> [RigidTransform; 2] {
    [(-4.5, -5.0), (5.5, -4.0)].map(|(x, y)| {
        let mut near = |value: f64, reach: f64| value + random.random_range(-reach..reach);
        let eye = Point3::new(near(x, 0.8), near(y, 0.8), near(1.8, 0.4));
        let target = Point3::new(near(0.0, 0.4), near(2.0, 0.6), near(0.8, 0.2));
        RigidTransform::look_at_lh(&eye, &target, &-Vector3::z())
    })
}

/// What is inside its interval, out of how many.
#[derive(Default, Clone, Copy)]
struct Inside {
    inside: u32,
    of: u32,
}

impl Inside {
    fn count(&mut self, error: f64, variance: f64) {
        self.inside += u32::from(error.abs() < Z * variance.sqrt());
        self.of += 1;
    }

    fn plus(self, other: Self) -> Self {
        Self { inside: self.inside + other.inside, of: self.of + other.of }
    }

    fn share(self) -> f64 {
        f64::from(self.inside) / f64::from(self.of)
    }
}

/// The same rig as one that takes the lens as exact would state it.
fn with_exact_lenses(rig: &RigCalibration, lenses: &[LensCalibration]) -> RigCalibration {
    let mut exact = rig.clone();
    let mut start = 0;
    for lens in lenses {
        for (a, row) in exact.covariance.iter_mut().enumerate() {
            for (b, entry) in row.iter_mut().enumerate() {
                for (i, of_lens) in lens.covariance.iter().enumerate() {
                    for (j, value) in of_lens.iter().enumerate() {
                        *entry -= rig.pose_by_lens[a][start + i] * value * rig.pose_by_lens[b][start + j];
                    }
                }
            }
        }
        start += lens.intrinsics.parameter_count();
    }
    exact.pose_by_lens.clear();
    exact
}

#[derive(Default, Clone, Copy)]
struct Counts {
    turns: Inside,
    places: Inside,
    points: Inside,
    /// What the lens counting as exact in the rig, and as independent of the poses in the points, would have given.
    turns_before: Inside,
    points_before: Inside,
    /// Sums over coordinates: stated variance of the points now and before, m², and the square of their error.
    variance: f64,
    variance_before: f64,
    square: f64,
}

impl Counts {
    fn plus(self, other: Self) -> Self {
        Self {
            turns: self.turns.plus(other.turns),
            places: self.places.plus(other.places),
            points: self.points.plus(other.points),
            turns_before: self.turns_before.plus(other.turns_before),
            points_before: self.points_before.plus(other.points_before),
            variance: self.variance + other.variance,
            variance_before: self.variance_before + other.variance_before,
            square: self.square + other.square,
        }
    }
}

fn trial(court: &Court, seed: u64) -> Counts {
    let mut random = StdRng::seed_from_u64(seed);
    let truth = phones(&mut random);
    let lenses = NAMES.map(|name| calibrated(name, &mut random));
    let marks = truth.each_ref().map(|pose| -> CourtMarks {
        let points = court.points_m.iter();
        points
            .filter_map(|(name, point)| Some((name.clone(), seen(pose, &Point3::from(*point))?)))
            .map(|(name, px)| {
                (name, [px.x + MARK_SD_PX * normal(&mut random), px.y + MARK_SD_PX * normal(&mut random)])
            })
            .collect()
    });
    let input = RigInput { lenses: &lenses, boards: None, court: Some((court, &marks)), lines: &[] };
    let rig = solve_with(&input, &RigSettings { click_sd_px: MARK_SD_PX, ..RigSettings::default() }).unwrap();
    let before = with_exact_lenses(&rig, &lenses);

    let mut counts = Counts::default();
    for (camera, pose) in truth.iter().enumerate() {
        let step = step_between(&rig.cameras[camera].camera_from_world, pose);
        for axis in 0..6 {
            let at = 6 * camera + axis;
            let count = if axis < 3 { &mut counts.turns } else { &mut counts.places };
            count.count(step[axis], rig.covariance[at][at]);
            if axis < 3 {
                counts.turns_before.count(step[axis], before.covariance[at][at]);
            }
        }
    }
    let cameras: Vec<Camera> = rig
        .cameras
        .iter()
        .zip(&lenses)
        .map(|(posed, lens)| Camera {
            intrinsics: lens.intrinsics,
            camera_from_world: posed.camera_from_world,
            read_out: ReadOut::default(),
        })
        .collect();
    let known = CalibrationCovariance::new(&rig, &lenses).unwrap();
    let known_before = CalibrationCovariance::new(&before, &lenses).unwrap();
    for point in [Point3::new(0.0, 0.5, 1.0), Point3::new(-0.7, 1.2, 0.2), Point3::new(0.6, 0.2, 2.4)] {
        let views: Vec<CalibratedView> = cameras
            .iter()
            .zip(&truth)
            .enumerate()
            .map(|(camera, (solved, pose))| {
                let px = TRUE_LENS.project(&(pose * point).coords).unwrap();
                let noise = Vector2::new(normal(&mut random), normal(&mut random)) * POINT_SD_PX;
                CalibratedView {
                    view: View { camera: solved, px: px + noise, sd_px: POINT_SD_PX },
                    source: ViewSource { camera, velocity_px_per_second: Vector2::zeros(), clock_sd_seconds: 0.0 },
                }
            })
            .collect();
        let plain: Vec<View> = views.iter().map(|view| view.view).collect();
        let found = triangulate(&plain).unwrap().position;
        let stated = known.error_parts(&found, &views).unwrap().total();
        let stated_before = known_before.error_parts(&found, &views).unwrap().total();
        let error = found - point;
        for axis in 0..3 {
            counts.points.count(error[axis], stated[(axis, axis)]);
            counts.points_before.count(error[axis], stated_before[(axis, axis)]);
        }
        counts.square += error.norm_squared();
        counts.variance += stated.trace();
        counts.variance_before += stated_before.trace();
    }
    counts
}

/// The rig once took lenses as exact: of the turns some half lay in their intervals. 3600 turns in groups of 3 per phone, so that the
/// bounds of two percent are some four standard deviations or more of the share even where the three go together.
#[test]
fn intervals_of_poses_and_points_once_took_the_lens_as_exact() {
    let court = Court::itf_tennis().unwrap();
    let counts = (0..TRIALS)
        .into_par_iter()
        .map(|seed| trial(&court, seed))
        .collect::<Vec<_>>()
        .into_iter()
        .fold(Counts::default(), Counts::plus);
    let points = f64::from(counts.points.of) / 3.0;
    println!(
        "{TRIALS} sessions of two phones: 95 % intervals cover {:.1} % of the turns (lens exact: {:.1} %), {:.1} % of the translations, \
         {:.1} % of the points' coordinates (lens exact in the rig and independent in the lift: {:.1} %); points {:.2} mm off (rms), \
         {:.2} mm stated, {:.2} mm before",
        100.0 * counts.turns.share(),
        100.0 * counts.turns_before.share(),
        100.0 * counts.places.share(),
        100.0 * counts.points.share(),
        100.0 * counts.points_before.share(),
        1e3 * (counts.square / points).sqrt(),
        1e3 * (counts.variance / points).sqrt(),
        1e3 * (counts.variance_before / points).sqrt(),
    );
    for (what, inside) in [("turns", counts.turns), ("translations", counts.places), ("points", counts.points)] {
        assert!((0.93..0.97).contains(&inside.share()), "{what}: {:.3}", inside.share());
    }
    // The simulation is one that tells the two apart.
    assert!(counts.turns_before.share() < 0.85);
}
