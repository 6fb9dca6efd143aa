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
/// Fall of the whitened squared error for three more parameters that chance reaches at one of seven times once in 6000 clips
/// (χ², 3 degrees of freedom).
const BREAK_EVIDENCE: f64 = 24.0;
/// Share of what the views' own lenses explain that one break must explain, else they wander.
const BREAK_SHARE: f64 = 0.5;
/// Changes of the focal length, as a share of it, and of the principal point, as a share of the picture's longer side, that
/// are not worth a remark.
const HARMLESS: [f64; 2] = [0.002, 0.004];
/// Excess of the wandering statistic over its mean in its standard deviations that counts.
const WANDER_EVIDENCE: f64 = 6.0;

/// What changed, one sentence each.
pub(crate) fn remarks(fit: &Fit, views: &[BoardView]) -> Vec<String> {
    let own = own_changes(fit);
    // Noise alone explains 3 for each view.
    let explained: f64 = own.iter().map(|change| change.evidence - 3.0).sum();
    match one_break(fit, views) {
        Some((evidence, remark)) if evidence > BREAK_SHARE * explained => vec![remark],
        _ => wandering(fit, &own),
    }
}

/// A step of zoom or principal point at the time that explains most: how much, and in words.
fn one_break(fit: &Fit, views: &[BoardView]) -> Option<(f64, String)> {
    let count = views.len();
    let mut splits: Vec<usize> = (1..8).map(|eighth| eighth * count / 8).collect();
    splits.retain(|&split| split >= LEAST_SIDE && count - split >= LEAST_SIDE);
    splits.dedup();
    let best = splits
        .into_iter()
        .filter_map(|split| {
            let problem = LensProblem { change_from: Some(split), ..fit.problem.clone() };
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
        let remark = format!(
            "Between {:.1} s and {:.1} s of the clip the lens changed: focal length by {:+.1} %, principal point by {shift_px:.0} px \
             (chi-squared {evidence:.0} for 3). Was the zoom touched, the phone bumped or the recording mode changed? Film the \
             board again with zoom and focus locked and stabilisation off.",
            views[split - 1].pts_seconds,
            views[split].pts_seconds,
            100.0 * change.x.exp_m1(),
        );
        (evidence, remark)
    })
}

/// What one view alone says of the lens, its pose free.
struct OwnChange {
    /// Logarithm of the factor of the focal lengths, and shift of the principal point in px, with variances.
    change: Vector3<f64>,
    variance: Vector3<f64>,
    /// Fall of the view's whitened squared error by it.
    evidence: f64,
}

fn own_changes(fit: &Fit) -> Vec<OwnChange> {
    let problem = LensProblem { change_from: Some(0), ..fit.problem.clone() };
    let Some(residual_sd) = fit.solution.residual_sd() else { return Vec::new() };
    let of_view = |view| own_change(&problem, &fit.solution.state, view, residual_sd);
    (0..problem.views.len()).filter_map(of_view).collect()
}

fn own_change(problem: &LensProblem, state: &LensState, view: usize, residual_sd: f64) -> Option<OwnChange> {
    let mut residual = DVector::zeros(problem.block_rows(view));
    let mut jacobian = DMatrix::zeros(residual.len(), problem.shared() + 6);
    problem.evaluate(state, view, &mut residual, Some(&mut jacobian)).then_some(())?;
    let own = jacobian.columns(problem.shared() - 3, 9);
    let inverse = own.tr_mul(&own).cholesky()?.inverse();
    let gradient = own.tr_mul(&residual);
    let step = -(&inverse * &gradient);
    let variance = |index: usize| inverse[(index, index)] * residual_sd.powi(2);
    Some(OwnChange {
        change: step.fixed_rows::<3>(0).into(),
        variance: Vector3::new(variance(0), variance(1), variance(2)),
        evidence: -step.dot(&gradient) / residual_sd.powi(2),
    })
}

/// Scatter of the views' own focal lengths and principal points beyond what the noise of their corners explains (method of
/// moments, DerSimonian & Laird 1986).
fn wandering(fit: &Fit, own: &[OwnChange]) -> Vec<String> {
    let longer = fit.solution.state.lens.size_px.into_iter().max().map_or(f64::INFINITY, f64::from);
    let excess = |axis: usize| excess_sd(own.iter().map(|own| (own.change[axis], own.variance[axis])));
    let mut said = Vec::new();
    if let Some(sd) = excess(0).filter(|&sd| sd > HARMLESS[0]) {
        said.push(format!(
            "The focal length wanders from view to view by {:.1} % (1 sd) beyond the noise: lock the focus, and film the board again.",
            100.0 * sd
        ));
    }
    if let Some(sd) = excess(1).into_iter().chain(excess(2)).reduce(f64::max).filter(|&sd| sd > HARMLESS[1] * longer) {
        said.push(format!(
            "The principal point wanders from view to view by {sd:.0} px (1 sd) beyond the noise, as with stabilisation: switch it off, \
             and film the board again."
        ));
    }
    said
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
