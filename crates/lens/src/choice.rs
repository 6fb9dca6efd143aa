//! Which lens model: by the error on views left out, then by an information criterion.
//!
//! The error of the fit always prefers the model with more parameters. The error on views left out does not; models whose
//! error there is no more than one standard error above the best are held to predict as well (the one-standard-error rule,
//! Breiman, Friedman, Olshen & Stone 1984, section 3.4.3, on differences view by view), and among them the Bayesian
//! information criterion decides (Schwarz 1978).

use midline_session::board::{Board, BoardView};
use midline_session::calibration::{LensCalibration, LensCandidate, LensChoice};
use rayon::prelude::*;

use crate::calibrate::Fit;
use crate::problem::ViewCorners;
use crate::{LensError, LensModelChoice, LensSettings};

/// A model to try, from the fewest parameters to the most.
struct Candidate {
    name: &'static str,
    model: LensModelChoice,
    radial_terms: usize,
    tangential_free: bool,
}

const CANDIDATES: [Candidate; 7] = [
    candidate("no distortion", LensModelChoice::Pinhole, 0, false),
    candidate("Brown-Conrady k1", LensModelChoice::BrownConrady, 1, false),
    candidate("Brown-Conrady k1 k2", LensModelChoice::BrownConrady, 2, false),
    candidate("Brown-Conrady k1 k2 p1 p2", LensModelChoice::BrownConrady, 2, true),
    candidate("fisheye k1 k2 k3 k4", LensModelChoice::Fisheye, 0, false),
    candidate("Brown-Conrady k1 k2 p1 p2 k3", LensModelChoice::BrownConrady, 3, true),
    candidate("rational, eight coefficients", LensModelChoice::Rational, 0, true),
];

/// The candidate whose failure is told when all fail.
const USUAL: usize = 5;

const fn candidate(
    name: &'static str,
    model: LensModelChoice,
    radial_terms: usize,
    tangential_free: bool,
) -> Candidate {
    Candidate { name, model, radial_terms, tangential_free }
}

/// A model with its fit, or why there is none.
struct Tried<'a> {
    settings: LensSettings,
    outcome: Result<(Fit<'a>, LensCalibration), LensError>,
}

/// The fit of the model that predicts best, and its calibration; the settings' own model, radial terms and tangential
/// coefficients are not looked at.
pub(crate) fn best_model<'a>(
    camera: &str,
    board: &Board,
    views: &[BoardView],
    corners: &'a [ViewCorners<'a>],
    size_px: [u32; 2],
    settings: &LensSettings,
) -> Result<(Fit<'a>, LensCalibration), LensError> {
    let tried: Vec<Tried> = CANDIDATES
        .par_iter()
        .map(|candidate| {
            let Candidate { model, radial_terms, tangential_free, .. } = *candidate;
            let settings = LensSettings { model, radial_terms, tangential_free, ..settings.clone() };
            let outcome = Fit::new(camera, board, corners, size_px, &settings).and_then(|fit| {
                let calibration = fit.calibration(camera, board, views)?;
                Ok((fit, calibration))
            });
            Tried { settings, outcome }
        })
        .collect();
    let fitted: Vec<(usize, &Fit, &LensCalibration)> = tried
        .iter()
        .enumerate()
        .filter_map(|(index, tried)| tried.outcome.as_ref().ok().map(|(fit, lens)| (index, fit, lens)))
        .collect();
    let Some((taken, reason)) = decide(&fitted) else {
        // None could be fitted: the usual model's reason tells most.
        let usual = tried.into_iter().nth(USUAL).map(|tried| tried.outcome);
        return match usual {
            Some(Err(error)) => Err(error),
            _ => Err(LensError::NoStart { camera: camera.to_owned(), views: views.len() }),
        };
    };
    let least = fitted.iter().map(|(_, fit, _)| fit.information_criterion()).fold(f64::INFINITY, f64::min);
    let candidates: Vec<LensCandidate> = tried
        .iter()
        .zip(&CANDIDATES)
        .enumerate()
        .map(|(index, (tried, candidate))| {
            let fit = tried.outcome.as_ref().ok().map(|(fit, _)| fit);
            LensCandidate {
                name: candidate.name.to_owned(),
                parameters: free_count(tried, size_px),
                rms_px: fit.map(Fit::rms_px),
                held_out_rms_px: fit.and_then(Fit::held_out_rms_px),
                information_loss: fit.map(|fit| fit.information_criterion() - least),
                refused: tried.outcome.as_ref().err().map(ToString::to_string),
                taken: index == taken,
            }
        })
        .collect();
    let Some(Tried { outcome: Ok((fit, mut calibration)), .. }) = tried.into_iter().nth(taken) else {
        return Err(LensError::NoStart { camera: camera.to_owned(), views: views.len() });
    };
    if let Some(quality) = &mut calibration.quality {
        quality.choice = Some(LensChoice { candidates, reason });
    }
    Ok((fit, calibration))
}

fn free_count(tried: &Tried, size_px: [u32; 2]) -> usize {
    let model = tried.settings.model.undistorted();
    let lens = midline_geometry::Intrinsics { focal_px: [1.0; 2], centre_px: [0.0; 2], model, size_px };
    tried.settings.free_parameters(&lens).count()
}

/// Index of the model to take and why; `None` when there is none.
fn decide(fitted: &[(usize, &Fit, &LensCalibration)]) -> Option<(usize, String)> {
    let name = |index: usize| CANDIDATES[index].name;
    let held_out: Vec<(usize, &Fit, &[f64])> =
        fitted.iter().filter_map(|&(index, fit, _)| Some((index, fit, fit.held_out_squares.as_deref()?))).collect();
    let total = |squares: &[f64]| squares.iter().sum::<f64>();
    let Some(&(best, best_fit, best_squares)) = held_out.iter().min_by(|a, b| total(a.2).total_cmp(&total(b.2))) else {
        // Too few views to leave any out: the criterion alone.
        let &(index, ..) =
            fitted.iter().min_by(|a, b| a.1.information_criterion().total_cmp(&b.1.information_criterion()))?;
        let reason = format!(
            "{}: there are too few views to leave any out, so the information criterion alone decided.",
            name(index)
        );
        return Some((index, reason));
    };
    let as_good = |squares: &[f64]| {
        let differences: Vec<f64> = squares.iter().zip(best_squares).map(|(a, b)| a - b).collect();
        let count = differences.len() as f64;
        let mean = differences.iter().sum::<f64>() / count;
        let variance = differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (count - 1.0);
        mean <= (variance / count).sqrt()
    };
    let &(taken, fit, _) = held_out
        .iter()
        .filter(|(index, _, squares)| *index == best || as_good(squares))
        .min_by(|a, b| a.1.information_criterion().total_cmp(&b.1.information_criterion()))?;
    let px = |fit: &Fit| fit.held_out_rms_px().map_or(String::new(), |error| format!("{error:.3} px"));
    let reason = if taken == best {
        format!("{} has the smallest error on views left out ({}).", name(taken), px(fit))
    } else {
        format!(
            "{} predicts views left out as well ({}) as the best there, {} ({}; the difference is within its standard error), and \
             has the better information criterion.",
            name(taken),
            px(fit),
            name(best),
            px(best_fit),
        )
    };
    Some((taken, reason))
}
