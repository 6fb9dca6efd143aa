//! Errors against the Cramer-Rao bound, which is computed here from the definition: the dense Fisher matrix of all unknowns (spline,
//! offset, rate) by numeric differences of the true pixels, the prior by the inverse of the jerk's covariance. Nothing of
//! the fit's own derivatives, basis or factorisation is used. Source of the bound with a prior: van Trees 1968, "Detection,
//! estimation, and modulation theory" I, section 2.4.3 (from memory).

use midline_session::calibration::CalibratedCamera;
use midline_session::lift_quality::ScoreCurve;
use nalgebra::{DMatrix, DVector, Vector3};
use rand::{SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

use super::calibration_shift::CalibrationParameters;
use super::chain_course::{ChainCourse, ChainState};
use super::course::{Basis, Course};
use super::fit::settle;
use super::section::{Source, breaks, common_range, observations, seen};
use super::simulated::{CONTACT, Filming, NAMES, Swing, film};
use super::smoothness_groups::stretches;
use super::start::{Places, coefficients};
use crate::calibration_error::CalibrationCovariance;
use crate::lift::{LiftSettings, lift};

const NAME: usize = 4;
const OFFSET_SD_SECONDS: f64 = 3e-4;
const RATE_SD: f64 = 2e-5;

/// A B-spline basis function by the recurrence as it stands in the book.
fn function(knots: &[f64], i: usize, degree: usize, t: f64) -> f64 {
    if degree == 0 {
        return f64::from(u8::from(knots[i] <= t && t < knots[i + 1]));
    }
    let part = |numerator: f64, denominator: f64, lower: usize| {
        if denominator > 0.0 { numerator / denominator * function(knots, lower, degree - 1, t) } else { 0.0 }
    };
    part(t - knots[i], knots[i + degree] - knots[i], i)
        + part(knots[i + degree + 1] - t, knots[i + degree + 1] - knots[i + 1], i + 1)
}

struct Case {
    /// Squared error, stated and bounding variance of position and velocity, summed over instants.
    sums: [[f64; 3]; 2],
    instants: usize,
}

fn case(rate_hz: f64, seed: u64) -> Case {
    let mut random = StdRng::seed_from_u64(500 + seed);
    let swing = Swing::drawn(&mut random);
    let mut filmed = film(&Filming {
        rates_hz: vec![rate_hz, rate_hz],
        read_out_seconds: 0.9 / rate_hz,
        missing: 0.03,
        gross: 0.005,
        exchanged: Some([0.3, 0.42]),
        seed,
        swing,
        ..Filming::default()
    });
    let exact: Vec<CalibratedCamera> = filmed.cameras.clone();
    // The second clock is not known exactly.
    let mut draw = || -> f64 { StandardNormal.sample(&mut random) };
    let clock = &mut filmed.cameras[1].clock;
    clock.offset_seconds += OFFSET_SD_SECONDS * draw();
    clock.rate += RATE_SD * draw();
    clock.covariance = [[OFFSET_SD_SECONDS.powi(2), 0.0], [0.0, RATE_SD.powi(2)]];
    let first =
        lift(&filmed.cameras, &filmed.lenses, &filmed.rig, &filmed.keypoints, &LiftSettings::default()).unwrap();
    let calibration = CalibrationCovariance::new(&filmed.rig, &filmed.lenses).unwrap();
    let parameters = CalibrationParameters::new(&calibration, &filmed.cameras);
    let sources: Vec<Source> = (0..2)
        .map(|i| Source {
            camera: &filmed.cameras[i],
            rig_index: i,
            keypoints: &first.keypoints[i],
            frame_seconds: 1.0 / rate_hz,
        })
        .collect();
    let seen = seen(&sources, &[NAMES[NAME]], [0.4, CONTACT - 0.0025], &[ScoreCurve::assumed(1.0)]);
    let range = [common_range(&sources, &seen).unwrap()[0], CONTACT];
    let breaks = breaks(range, CONTACT, 1.0 / rate_hz);
    let basis = Basis::clamped(&breaks).unwrap();
    let observations = observations(&sources, &seen, &basis);
    let start = ChainState {
        lengths_m: Vec::new(),
        coefficients: vec![coefficients(&basis, &Places::new(&first.tracks, NAMES[NAME], range).unwrap())],
    };
    let course = ChainCourse::new(basis.clone(), CONTACT, 1, Vec::new());
    let fitted = settle(&course, &observations, vec![1.0], start).unwrap();
    let shift = parameters.shift(&course, &fitted, &observations).unwrap();

    // The bound.
    let mut knots = vec![range[0]; 3];
    knots.extend(&breaks);
    knots.extend([range[1]; 3]);
    let count = breaks.len() + 2;
    let size = 3 * count + 2;
    let mut fisher = DMatrix::zeros(size, size);
    for (observation, _) in observations.iter().zip(&fitted.mistaken).filter(|(_, mistaken)| !**mistaken) {
        // The noise of the film, at the instant at which the row truly was exposed.
        let camera = &exact[observation.rig_index];
        let t = camera.clock.session_seconds(observation.camera_seconds);
        let px = |at: f64, moved: Vector3<f64>| camera.camera.project(&(swing.truth(NAME, at) + moved)).unwrap();
        let mut by = DMatrix::zeros(2, size);
        for i in 0..count {
            let share = function(&knots, i, 3, observation.seconds.min(range[1] - 1e-9));
            for axis in (0..3).filter(|_| share > 0.0) {
                let h = Vector3::ith(axis, 1e-4 * share);
                by.column_mut(3 * i + axis).copy_from(&((px(t, h) - px(t, -h)) / 2e-4));
            }
        }
        if observation.rig_index == 1 {
            let slope = (px(t + 1e-5, Vector3::zeros()) - px(t - 1e-5, Vector3::zeros())) / 2e-5;
            by.column_mut(3 * count).copy_from(&slope);
            by.column_mut(3 * count + 1).copy_from(&(slope * observation.camera_seconds));
        }
        fisher += by.tr_mul(&by) / 4.0;
    }
    fisher[(size - 2, size - 2)] += OFFSET_SD_SECONDS.powi(-2);
    fisher[(size - 1, size - 1)] += RATE_SD.powi(-2);
    // Jerk of every piece: third differences of the basis at four instants inside it.
    let spans = breaks.len() - 1;
    let middle = |span: usize| 0.5 * (breaks[span] + breaks[span + 1]);
    let jerk = DMatrix::from_fn(spans, count, |span, i| {
        let step = 0.2 * (breaks[span + 1] - breaks[span]);
        let at = |k: f64| function(&knots, i, 3, middle(span) + k * step);
        (at(1.5) - 3.0 * at(0.5) + 3.0 * at(-0.5) - at(-1.5)) / step.powi(3)
    });
    let groups = stretches(&basis);
    let sd = |span: usize| {
        let away = CONTACT - middle(span);
        fitted.precisions[groups[span]].powf(-0.5) * (1.0 + 9.0 * (-away / 0.040).exp())
    };
    let covariance =
        DMatrix::from_fn(spans, spans, |a, b| sd(a) * sd(b) * (-(middle(a) - middle(b)).abs() / 0.020).exp());
    let prior = jerk.tr_mul(&(covariance.cholesky().unwrap().inverse() * &jerk));
    for (i, j) in (0..count).flat_map(|i| (0..count).map(move |j| (i, j))) {
        for axis in 0..3 {
            fisher[(3 * i + axis, 3 * j + axis)] += prior[(i, j)];
        }
    }
    // Scaled to unit diagonal: the clock's columns are of another size.
    let scale = DVector::from_fn(size, |i, _| fisher[(i, i)].powf(-0.5));
    let scaled = DMatrix::from_fn(size, size, |i, j| fisher[(i, j)] * scale[i] * scale[j]);
    let inverse = scaled.cholesky().unwrap().inverse();

    let mut found = Case { sums: [[0.0; 3]; 2], instants: 0 };
    let mut t = range[0] + 0.02;
    while t < CONTACT - 0.01 {
        let at = basis.at(t);
        let columns = course.columns_of(0, &at);
        let (motion, by_columns) = course.motion(&fitted.state, 0, &at);
        let pixels = &by_columns * fitted.covariance.of(&columns).unwrap() * by_columns.transpose();
        let clocks = &parameters.parts(&(&by_columns * shift.select_rows(&columns)))[2];
        let truths = [swing.truth(NAME, t).coords, swing.velocity(NAME, t, -1.0)];
        // Share of a function in the value, and in the slope by differences.
        let share = |kind: usize, i: usize| match kind {
            0 => function(&knots, i, 3, t),
            _ => (function(&knots, i, 3, t + 1e-6) - function(&knots, i, 3, t - 1e-6)) / 2e-6,
        };
        for (kind, sums) in found.sums.iter_mut().enumerate() {
            let rows = 3 * kind..3 * kind + 3;
            sums[0] += (motion.fixed_rows::<3>(rows.start) - truths[kind]).norm_squared();
            sums[1] += rows.map(|i| pixels[(i, i)] + clocks[(i, i)]).sum::<f64>();
            for axis in 0..3 {
                let weights = DVector::from_fn(size, |row, _| {
                    if row < 3 * count && row % 3 == axis { share(kind, row / 3) * scale[row] } else { 0.0 }
                });
                sums[2] += weights.dot(&(&inverse * &weights));
            }
        }
        found.instants += 1;
        t += 0.005;
    }
    found
}

#[test]
fn errors_reach_the_cramer_rao_bound_of_the_model_with_the_clock_unknown() {
    for (rate_hz, seeds) in [(120.0, 0..24), (240.0, 40..52)] {
        let cases: Vec<Case> = seeds.into_par_iter().map(|seed| case(rate_hz, seed)).collect();
        let count: usize = cases.iter().map(|c| c.instants).sum();
        for (kind, [what, unit]) in [["position", "mm"], ["velocity", "mm/s"]].into_iter().enumerate() {
            let [error, stated, bound] =
                [0, 1, 2].map(|i| 1e3 * (cases.iter().map(|c| c.sums[kind][i]).sum::<f64>() / count as f64).sqrt());
            println!(
                "{rate_hz} Hz, {what}: error {error:.2} {unit} rms, stated {stated:.2}, bound {bound:.2}; error / bound {:.3}, stated / bound {:.3}",
                error / bound,
                stated / bound
            );
            assert!(error < 1.1 * bound, "{what}: {error} {bound}");
            assert!((0.93..1.1).contains(&(stated / bound)), "{what}: {stated} {bound}");
        }
    }
}
