//! From all sightings of a board in a clip to the lens.

use midline_geometry::ReadOut;
use midline_session::board::{Board, BoardView};
use midline_session::calibration::LensCalibration;
use nalgebra::Vector2;

use crate::calibrate::Fit;
use crate::checks::{check, check_view};
use crate::choice::best_model;
use crate::choose::{choose_views, velocities_px_per_second};
use crate::problem::ViewCorners;
use crate::steadiness;
use crate::{LensError, LensSettings};

/// Share of the sightings that may be put aside as unusable before that is the error.
const MOST_UNUSABLE: f64 = 0.2;
/// Error of a view, in its own standard deviations, as a multiple of the median view's, from which on it is put aside.
const ODD_VIEW: f64 = 3.0;
/// Share of a skew that is left when it was taken out with the mean velocity between neighbouring sightings.
const SKEW_LEFT: f64 = 0.3;
/// Share of the views that may be put aside as odd.
const MOST_ODD: f64 = 0.2;

/// How a clip is calibrated.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipSettings {
    /// Most views to solve from.
    pub most_views: usize,
    /// How the sensor reads a picture: views in which the board moves are skewed by it. That is taken out as far as the
    /// motion is known from the sightings before and after, and such views count less. Without a read-out they count in full.
    pub read_out: ReadOut,
    /// Whether the lens model is chosen among all by their error on views left out; else it is that of `lens`.
    pub compare_models: bool,
    /// What is estimated and how good a corner is.
    pub lens: LensSettings,
}

impl Default for ClipSettings {
    fn default() -> Self {
        Self { most_views: 40, read_out: ReadOut::default(), compare_models: true, lens: LensSettings::default() }
    }
}

/// Calibrates the lens from all sightings of the board in a clip, in the order of time: puts unusable ones aside, chooses sharp,
/// still and spread-out ones, gives less weight where the board moved, chooses the lens model, puts aside views that do not fit
/// and says so, and looks whether the lens changed during the clip.
///
/// # Errors
/// As [`crate::calibrate`]; a fault of single sightings counts only when more than a fifth of them have it.
pub fn calibrate_clip(
    camera: &str,
    board: &Board,
    sightings: &[BoardView],
    size_px: [u32; 2],
    settings: &ClipSettings,
) -> Result<LensCalibration, LensError> {
    settings.lens.check()?;
    let mut remarks = Vec::new();
    let (usable, unusable): (Vec<_>, Vec<_>) =
        sightings.iter().map(|view| (view, check_view(camera, board, view, size_px))).partition(|(_, ok)| ok.is_ok());
    let unusable: Vec<LensError> = unusable.into_iter().filter_map(|(_, result)| result.err()).collect();
    if let Some(first) = unusable.first() {
        if unusable.len() as f64 > MOST_UNUSABLE * sightings.len() as f64 {
            return Err(first.clone());
        }
        remarks.push(format!(
            "{} of {} sightings were put aside; the first: {first}.",
            unusable.len(),
            sightings.len()
        ));
    }
    let usable: Vec<BoardView> = usable.into_iter().map(|(view, _)| view.clone()).collect();
    let chosen = choose_views(&usable, size_px, settings.most_views);
    let (mut views, mut sds) = (Vec::with_capacity(chosen.len()), Vec::with_capacity(chosen.len()));
    let mut moving = 0;
    for &index in &chosen {
        let (view, skew_px) = deskewed(&usable, index, size_px, settings.read_out);
        moving += usize::from(skew_px > settings.lens.corner_sd_px);
        sds.push(settings.lens.corner_sd_px.hypot(SKEW_LEFT * skew_px));
        views.push(view);
    }
    if moving > 0 {
        remarks.push(format!(
            "In {moving} of {} views the board moved, so that the rolling shutter skews it; that was taken out, and they count less.",
            chosen.len()
        ));
    }
    check(camera, board, &views, size_px)?;
    let corners = of_views(board, &views, &sds);
    let (mut fit, mut calibration) = fitted(camera, board, &views, &corners, size_px, settings)?;
    let odd = odd_views(&calibration, &sds);
    let (kept, kept_corners): (Vec<BoardView>, Vec<ViewCorners>);
    let mut used = &views;
    if !odd.is_empty() && views.len() - odd.len() >= 3 {
        let frames: Vec<String> = odd.iter().map(|&index| views[index].frame_index.to_string()).collect();
        let count = frames.len();
        remarks.push(format!(
            "{count} {} did not fit and {} put aside (frame {}): was the board moving, bent or partly hidden?",
            if count == 1 { "view" } else { "views" },
            if count == 1 { "was" } else { "were" },
            frames.join(", "),
        ));
        let left = (0..views.len()).filter(|index| !odd.contains(index));
        let kept_sds: Vec<f64>;
        (kept, kept_sds) = left.map(|index| (views[index].clone(), sds[index])).unzip();
        used = &kept;
        check(camera, board, used, size_px)?;
        kept_corners = of_views(board, used, &kept_sds);
        (fit, calibration) = fitted(camera, board, used, &kept_corners, size_px, settings)?;
    }
    // What changed during the clip is the gravest, so it comes first.
    let mut said = steadiness::remarks(&fit, used);
    said.append(&mut remarks);
    if let Some(quality) = &mut calibration.quality {
        quality.remarks = said;
    }
    Ok(calibration)
}

fn of_views<'a>(board: &Board, views: &'a [BoardView], sds: &[f64]) -> Vec<ViewCorners<'a>> {
    let corners_m = board.corners_m();
    views.iter().zip(sds).map(|(view, &sd)| ViewCorners::new(view, &corners_m, sd)).collect()
}

fn fitted<'a>(
    camera: &str,
    board: &Board,
    views: &[BoardView],
    corners: &'a [ViewCorners<'a>],
    size_px: [u32; 2],
    settings: &ClipSettings,
) -> Result<(Fit<'a>, LensCalibration), LensError> {
    if settings.compare_models {
        return best_model(camera, board, views, corners, size_px, &settings.lens);
    }
    let fit = Fit::new(camera, board, corners, size_px, &settings.lens)?;
    let calibration = fit.calibration(camera, board, views)?;
    Ok((fit, calibration))
}

/// A view with its corners where they were at one time, and the root mean square skew that this took out, px.
fn deskewed(views: &[BoardView], index: usize, size_px: [u32; 2], read_out: ReadOut) -> (BoardView, f64) {
    let mut view = views[index].clone();
    let delays: Vec<f64> =
        view.corners_px.iter().map(|&px| read_out.delay_seconds(Vector2::from(px), size_px)).collect();
    let count = delays.len() as f64;
    // Against the mean, so that the view as a whole stays where it is.
    let mean_delay = delays.iter().sum::<f64>() / count;
    let mut squared = 0.0;
    let velocities = velocities_px_per_second(views, index);
    for ((px, delay), velocity) in view.corners_px.iter_mut().zip(&delays).zip(velocities) {
        let Some(velocity) = velocity else { continue };
        let skew = velocity * (delay - mean_delay);
        *px = [px[0] - skew.x, px[1] - skew.y];
        squared += skew.norm_squared();
    }
    (view, (squared / count).sqrt())
}

/// Views whose error stands out, at most a fifth of all.
fn odd_views(calibration: &LensCalibration, sds: &[f64]) -> Vec<usize> {
    let relative: Vec<f64> = calibration.views.iter().zip(sds).map(|(view, sd)| view.rms_px / sd).collect();
    let mut sorted = relative.clone();
    sorted.sort_by(f64::total_cmp);
    let Some(&usual) = sorted.get(sorted.len() / 2) else { return Vec::new() };
    let mut odd: Vec<usize> = (0..relative.len()).filter(|&index| relative[index] > ODD_VIEW * usual).collect();
    odd.sort_by(|&a, &b| relative[b].total_cmp(&relative[a]));
    odd.truncate((MOST_ODD * relative.len() as f64) as usize);
    odd.sort_unstable();
    odd
}
