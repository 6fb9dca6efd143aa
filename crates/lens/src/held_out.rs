//! Error on views that were left out of the fit.

use midline_solver::{EndReason, Options, minimise};
use nalgebra::Vector2;
use rayon::prelude::*;

use crate::pose::refined_pose;
use crate::problem::{LensProblem, LensState};

/// Folds of the cross-validation.
const FOLDS: usize = 5;
/// Views that must be left to fit a lens to.
const LEAST_LEFT: usize = 3;

/// Squared reprojection error of each view when it is left out, px² summed over its corners (k-fold, view i in fold i mod k):
/// the lens comes from the other views, only the pose from the view left out. `None` when too few views are left or a fold
/// cannot be fitted.
pub(crate) fn held_out_squares(problem: &LensProblem, fitted: &LensState) -> Option<Vec<f64>> {
    let count = problem.views.len();
    let folds = FOLDS.min(count);
    if count - count.div_ceil(folds) < LEAST_LEFT {
        return None;
    }
    let of_folds: Vec<Option<Vec<(usize, f64)>>> =
        (0..folds).into_par_iter().map(|fold| fold_squares(problem, fitted, fold, folds)).collect();
    let mut squares = vec![0.0; count];
    for of_fold in of_folds {
        of_fold?.into_iter().for_each(|(view, squared)| squares[view] = squared);
    }
    Some(squares)
}

/// The views of one fold and their squared errors, px².
fn fold_squares(problem: &LensProblem, fitted: &LensState, fold: usize, folds: usize) -> Option<Vec<(usize, f64)>> {
    let (out, left): (Vec<usize>, Vec<usize>) = (0..problem.views.len()).partition(|view| view % folds == fold);
    let training = LensProblem { views: left.iter().map(|&view| problem.views[view]).collect(), ..problem.clone() };
    let start = LensState {
        camera_from_board: left.iter().map(|&view| fitted.camera_from_board[view]).collect(),
        ..fitted.clone()
    };
    let solution = minimise(&training, start, &Options::default()).ok()?;
    if solution.end == EndReason::Iterations {
        return None;
    }
    let mut state = LensState { camera_from_board: fitted.camera_from_board.clone(), ..solution.state };
    out.into_iter()
        .map(|view| {
            state.camera_from_board[view] = refined_pose(problem, view, &state)?;
            let residuals = problem.residuals_px(&state, view)?;
            Some((view, residuals.iter().map(Vector2::norm_squared).sum()))
        })
        .collect()
}
