//! Error on views that were left out of the fit.

use midline_solver::{EndReason, Options, minimise};
use rayon::prelude::*;

use crate::pose::{refined_pose, squared_error_px};
use crate::problem::{LensProblem, LensState};

/// Folds of the cross-validation.
const FOLDS: usize = 5;
/// Views that must be left to fit a lens to.
const LEAST_LEFT: usize = 3;

/// Root mean square reprojection error over views left out in turn (k-fold, view i in fold i mod k), px: the lens comes from
/// the other views, only the poses from the views left out. `None` when too few views are left or a fold cannot be fitted.
pub(crate) fn held_out_rms_px(problem: &LensProblem, fitted: &LensState) -> Option<f64> {
    let count = problem.views.len();
    let folds = FOLDS.min(count);
    if count - count.div_ceil(folds) < LEAST_LEFT {
        return None;
    }
    let sums: Vec<Option<f64>> =
        (0..folds).into_par_iter().map(|fold| fold_error(problem, fitted, fold, folds)).collect();
    let squared = sums.into_iter().sum::<Option<f64>>()?;
    let corners: usize = problem.views.iter().map(|view| view.len()).sum();
    Some((squared / corners as f64).sqrt())
}

/// Sum of squared errors of the views of one fold, px².
fn fold_error(problem: &LensProblem, fitted: &LensState, fold: usize, folds: usize) -> Option<f64> {
    let (out, left): (Vec<usize>, Vec<usize>) = (0..problem.views.len()).partition(|view| view % folds == fold);
    let training = LensProblem {
        board_m: problem.board_m,
        views: left.iter().map(|&view| problem.views[view]).collect(),
        free: problem.free.clone(),
        corner_sd_px: problem.corner_sd_px,
    };
    let start = LensState {
        lens: fitted.lens,
        camera_from_board: left.iter().map(|&view| fitted.camera_from_board[view]).collect(),
    };
    let solution = minimise(&training, start, &Options::default()).ok()?;
    if solution.end == EndReason::Iterations {
        return None;
    }
    let lens = solution.state.lens;
    out.iter()
        .map(|&view| {
            let corners = problem.views[view];
            let start = fitted.camera_from_board[view];
            let pose = refined_pose(&lens, problem.board_m, corners, start, problem.corner_sd_px)?;
            squared_error_px(&lens, &pose, problem.board_m, corners)
        })
        .sum()
}
