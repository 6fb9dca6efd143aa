//! Whether zoom and principal point stayed the same during the clip.
//!
//! A zoom that was touched, a focus that hunts, stabilisation and a loose lens all change the intrinsics between views. Two
//! tests: one break in time, fitted jointly; and a wandering from view to view, from each view's own estimate.

use midline_session::board::BoardView;
use midline_solver::{LeastSquares, Options, minimise};
use nalgebra::{DMatrix, DVector, Vector3};

use crate::calibrate::Fit;
use crate::problem::{LensProblem, LensState};

/// Views needed on both sides of a break.
const LEAST_SIDE: usize = 4;
/// Fall of the whitened squared error for three more parameters that chance reaches once in a million (χ², 3 degrees).
const BREAK_EVIDENCE: f64 = 30.7;
/// Changes of the focal length, as a share of it, and of the principal point, as a share of the picture's longer side, that
/// are not worth a remark.
const HARMLESS: [f64; 2] = [0.002, 0.004];
/// Excess of the wandering statistic over its mean in its standard deviations that counts.
const WANDER_EVIDENCE: f64 = 6.0;

/// What changed, one sentence each.
pub(crate) fn remarks(fit: &Fit, views: &[BoardView]) -> Vec<String> {
    let found = one_break(fit, views);
    if found.is_some() { found.into_iter().collect() } else { wandering(fit) }
}

/// A step of zoom or principal point at the time that explains most.
fn one_break(fit: &Fit, views: &[BoardView]) -> Option<String> {
    let count = views.len();
    let mut splits: Vec<usize> = (1..8).map(|eighth| eighth * count / 8).collect();
    splits.retain(|&split| split >= LEAST_SIDE && count - split >= LEAST_SIDE);
    splits.dedup();
    let best = splits
        .into_iter()
        .filter_map(|split| {
            let problem = LensProblem {
                shape: fit.problem.shape.clone(),
                views: fit.problem.views.clone(),
                free: fit.problem.free.clone(),
                bend_free: fit.problem.bend_free,
                change_from: Some(split),
            };
            let solution = minimise(&problem, fit.solution.state.clone(), &Options::default()).ok()?;
            let evidence = 2.0 * (fit.solution.cost - solution.cost) / solution.residual_sd()?.powi(2);
            Some((split, solution.state.change, evidence))
        })
        .max_by(|a, b| a.2.total_cmp(&b.2))?;
    let (split, change, evidence) = best;
    let longer = f64::from(fit.solution.state.lens.size_px.into_iter().max()?);
    let shift_px = change.y.hypot(change.z);
    let matters = change.x.abs() > HARMLESS[0] || shift_px > HARMLESS[1] * longer;
    (evidence > BREAK_EVIDENCE && matters).then(|| {
        format!(
            "Between {:.1} s and {:.1} s of the clip the lens changed: focal length by {:+.1} %, principal point by {shift_px:.0} px \
             ({evidence:.0} times the squared noise). Was the zoom touched, the phone bumped or the recording mode changed? Film the \
             board again with zoom and focus locked and stabilisation off.",
            views[split - 1].pts_seconds,
            views[split].pts_seconds,
            100.0 * change.x.exp_m1(),
        )
    })
}

/// Scatter of the views' own focal lengths and principal points beyond what the noise of their corners explains (method of
/// moments, DerSimonian & Laird 1986).
fn wandering(fit: &Fit) -> Vec<String> {
    let problem = LensProblem {
        shape: fit.problem.shape.clone(),
        views: fit.problem.views.clone(),
        free: fit.problem.free.clone(),
        bend_free: fit.problem.bend_free,
        change_from: Some(0),
    };
    let Some(residual_sd) = fit.solution.residual_sd() else { return Vec::new() };
    let own: Vec<(Vector3<f64>, Vector3<f64>)> = (0..problem.views.len())
        .filter_map(|view| own_change(&problem, &fit.solution.state, view, residual_sd))
        .collect();
    let longer = fit.solution.state.lens.size_px.into_iter().max().map_or(f64::INFINITY, f64::from);
    let mut said = Vec::new();
    let growth = excess_sd(own.iter().map(|(change, variance)| (change.x, variance.x)));
    if let Some(sd) = growth.filter(|&sd| sd > HARMLESS[0]) {
        said.push(format!(
            "The focal length wanders from view to view by {:.1} % (1 sd) beyond the noise: lock the focus, and film the board again.",
            100.0 * sd
        ));
    }
    let shifts = [1, 2].map(|axis| excess_sd(own.iter().map(|(change, variance)| (change[axis], variance[axis]))));
    if let Some(sd) = shifts.into_iter().flatten().reduce(f64::max).filter(|&sd| sd > HARMLESS[1] * longer) {
        said.push(format!(
            "The principal point wanders from view to view by {sd:.0} px (1 sd) beyond the noise, as with stabilisation: switch it off, \
             and film the board again."
        ));
    }
    said
}

/// Change of focal length and principal point that one view asks for, its pose free, with variances.
fn own_change(
    problem: &LensProblem,
    state: &LensState,
    view: usize,
    residual_sd: f64,
) -> Option<(Vector3<f64>, Vector3<f64>)> {
    let mut residual = DVector::zeros(problem.block_rows(view));
    let mut jacobian = DMatrix::zeros(residual.len(), problem.shared() + 6);
    problem.evaluate(state, view, &mut residual, Some(&mut jacobian)).then_some(())?;
    let own = jacobian.columns(problem.shared() - 3, 9);
    let inverse = own.tr_mul(&own).cholesky()?.inverse();
    let change = -(&inverse * own.tr_mul(&residual));
    let variance = |index: usize| inverse[(index, index)] * residual_sd.powi(2);
    Some((change.fixed_rows::<3>(0).into(), Vector3::new(variance(0), variance(1), variance(2))))
}

/// Standard deviation of the values beyond their variances; `None` when it is not beyond doubt.
fn excess_sd(values: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let (mut count, mut statistic, mut weights, mut squares) = (0.0, 0.0, 0.0, 0.0);
    for (value, variance) in values {
        let weight = 1.0 / variance;
        count += 1.0;
        statistic += weight * value * value;
        weights += weight;
        squares += weight * weight;
    }
    let freedom: f64 = count - 1.0;
    let excess = statistic - freedom;
    (freedom > 0.0 && excess > WANDER_EVIDENCE * (2.0 * freedom).sqrt())
        .then(|| (excess / (weights - squares / weights)).sqrt())
}
