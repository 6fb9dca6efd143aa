//! The final joint refinement.

use midline_session::calibration::{LensCalibration, RigCalibration};
use midline_solver::{Bound, Loss, Options, Prior, Solution, minimise};
use nalgebra::{DMatrix, DVector};

use crate::RigError;
use crate::bundle::{Bundle, RigState};
use crate::input::{Checked, RigInput, RigSettings};
use crate::player::{PlayerPoint, placed};
use crate::solve::{PosesKnown, Solved, calibration, rows, solved};

/// Share of the cost by which a step must lower it. For 70 000 residuals that is a hundredth of a chi-square, a tenth of a standard
/// deviation in one direction; finer steps only follow single points far off, which creep along their robust loss.
const COST_TOLERANCE: f64 = 3e-7;

/// Scale of the loss, in standard deviations: keypoints are wrong more often than corners.
const ROBUST_SDS: f64 = 3.0;

/// What a refinement gives back.
#[derive(Debug, Clone, PartialEq)]
pub struct Refined {
    /// Where the cameras stand, with the joint covariance of all poses (the lenses' uncertainty included where they are free).
    pub rig: RigCalibration,
    /// The lenses, moved and better known where they are free.
    pub lenses: Vec<LensCalibration>,
    /// Points of the player that were used.
    pub points: usize,
}

/// The rig of [`crate::solve_with`], refined on everything at once: boards, court points and lines, and the player's own
/// points (bundle adjustment under a robust loss, boards and points eliminated by the Schur complement; Triggs et al. 2000).
/// With `free_lenses`, lenses that state a covariance move within it.
///
/// # Errors
/// As [`crate::solve_with`].
pub fn refine(
    input: &RigInput,
    settings: &RigSettings,
    player: &[PlayerPoint],
    free_lenses: bool,
) -> Result<Refined, RigError> {
    refined(input, settings, player, free_lenses, false)
}

/// [`refine`] with held lenses and without elimination: one dense normal matrix over all cameras, boards and points, as a peer for
/// checks and benchmarks. Its time grows with the cube of the number of points.
///
/// # Errors
/// As [`refine`].
pub fn refine_dense(input: &RigInput, settings: &RigSettings, player: &[PlayerPoint]) -> Result<Refined, RigError> {
    refined(input, settings, player, false, true)
}

fn refined(
    input: &RigInput,
    settings: &RigSettings,
    player: &[PlayerPoint],
    free_lenses: bool,
    dense: bool,
) -> Result<Refined, RigError> {
    let checked = Checked::new(input, settings)?;
    let Solved { sightings, solution, bundle, .. } = solved(&checked)?;
    let (points, seen) = placed(&checked.intrinsics, &solution.state.cameras, player);
    let count = points.len();
    let start = RigState { points, ..solution.state };
    let mut joint = Bundle::new(&checked, &sightings, bundle.spread).with_points(count, seen);
    if dense {
        joint = joint.with_dense_matrix();
    }
    let loss = Loss::Huber(ROBUST_SDS);
    let mut lenses: Vec<LensCalibration> = input.lenses.to_vec();
    if !free_lenses {
        let options = Options { loss, cost_tolerance: COST_TOLERANCE, ..Options::default() };
        let (solution, covariance) =
            crate::solve::weighted(&mut joint, start, loss, |joint, start| Ok(minimise(joint, start, &options)?))?;
        let known = PosesKnown::with_lenses_held(&joint, &solution, loss, covariance, input.lenses)?;
        let rig = calibration(&checked, &sightings, &joint, &solution.state, &known);
        return Ok(Refined { rig: told(rig, count, false), lenses, points: count });
    }
    joint = joint.with_free_lenses(&checked.intrinsics);
    let (solution, covariance) = bound(&joint, start, loss, input.lenses)?;
    let poses = joint.pose_columns().len();
    for (camera, lens) in lenses.iter_mut().enumerate() {
        let Some(columns) = joint.lens_columns(camera) else { continue };
        lens.intrinsics = solution.state.intrinsics[camera];
        let own = covariance.view((columns.start, columns.start), (columns.len(), columns.len())).into_owned();
        lens.covariance = rows(&own);
        lens.standard_deviations = own.diagonal().iter().map(|v| (*v > 0.0).then(|| v.sqrt())).collect();
    }
    let known = PosesKnown {
        covariance: covariance.view((0, 0), (poses, poses)).into_owned(),
        by_lens: by_lens(&joint, &covariance, lenses.len()),
    };
    let rig = calibration(&checked, &sightings, &joint, &solution.state, &known);
    Ok(Refined { rig: told(rig, count, true), lenses, points: count })
}

/// What the poses do per unit of each lens parameter in their joint covariance: `C_pl C_ll⁻¹`, lens by lens; 0 for parameters that are held.
fn by_lens(joint: &Bundle, covariance: &DMatrix<f64>, lenses: usize) -> DMatrix<f64> {
    let poses = joint.pose_columns().len();
    let mut by_lens = DMatrix::zeros(poses, covariance.ncols() - poses);
    for columns in (0..lenses).filter_map(|camera| joint.lens_columns(camera)) {
        let free: Vec<usize> = columns.filter(|&c| covariance[(c, c)] > 0.0).collect();
        let own = covariance.select_columns(&free).select_rows(&free);
        let across = covariance.rows(0, poses).select_columns(&free);
        let Some(factor) = own.cholesky() else { continue };
        let leaning = factor.solve(&across.transpose()).transpose();
        for (column, leaning) in free.iter().zip(leaning.column_iter()) {
            by_lens.set_column(column - poses, &leaning);
        }
    }
    by_lens
}

fn told(mut rig: RigCalibration, points: usize, free_lenses: bool) -> RigCalibration {
    let lenses = if free_lenses { "; the lenses were free within what is known of them" } else { "" };
    rig.remarks.push(format!("Refined jointly with {points} points of the player{lenses}."));
    rig
}

/// Solves with the lenses bound by their own covariances; parameters without variance are held. The covariance is of poses
/// and lens parameters.
fn bound(
    joint: &Bundle,
    start: RigState,
    loss: Loss,
    lenses: &[LensCalibration],
) -> Result<(Solution<RigState>, DMatrix<f64>), RigError> {
    let mut held = Vec::new();
    let mut priors = Vec::new();
    for (camera, lens) in lenses.iter().enumerate() {
        let Some(columns) = joint.lens_columns(camera) else { continue };
        let variance = |i: usize, j: usize| lens.covariance.get(i).and_then(|row| row.get(j)).copied().unwrap_or(0.0);
        let free: Vec<usize> = (0..columns.len()).filter(|&i| variance(i, i) > 0.0).collect();
        held.extend((0..columns.len()).filter(|i| !free.contains(i)).map(|i| columns.start + i));
        if free.is_empty() {
            continue;
        }
        let covariance = DMatrix::from_fn(free.len(), free.len(), |i, j| variance(free[i], free[j]));
        let own = free.iter().map(|&i| columns.start + i).collect();
        let known = lens.intrinsics.parameters();
        let value = DVector::from_iterator(free.len(), free.iter().map(|&i| known[i]));
        let of = move |state: &RigState| {
            let now = state.intrinsics[camera].parameters();
            DVector::from_iterator(free.len(), free.iter().map(|&i| now[i]))
        };
        priors.push(Prior::new(own, value, &covariance, of)?);
    }
    let options = Options { loss, cost_tolerance: COST_TOLERANCE, ..Options::default() };
    let problem = Bound::new(joint, &held, priors)?;
    let solution = minimise(&problem, start, &options)?;
    let columns: Vec<usize> = (0..joint.pose_columns().len())
        .chain((0..lenses.len()).filter_map(|camera| joint.lens_columns(camera)).flatten())
        .collect();
    let covariance = problem.covariance_of(&solution, &columns)?;
    Ok((solution, covariance))
}
