//! The rig from the court's lines as they are seen in pictures.
//!
//! Whoever has the pictures looks for the lines; this module says from where and within which reach, fits each camera to what
//! was found, and looks again from there with less reach. Marked points may be rough, and a rough place of the camera does
//! instead of them: what counts in the end are the lines.

use std::collections::BTreeMap;

use midline_geometry::RigidTransform;
use midline_session::calibration::RigCalibration;
use midline_session::court::Court;
use midline_solver::{Loss, Options, minimise};
use nalgebra::Point3;

use crate::RigError;
use crate::bundle::Bundle;
use crate::input::{Checked, LinePoint, OnLine, RigInput, RigSettings};
use crate::solve::{Solved, calibration, court_poses, solved};

/// What the pictures gave.
#[derive(Debug, Clone, PartialEq)]
pub struct OnPictures {
    /// Where the cameras stand.
    pub rig: RigCalibration,
    /// For each camera all pixels on lines that were used, the marked ones first.
    pub lines: Vec<Vec<LinePoint>>,
}

/// Reach of the first look: for a rough place, and in standard deviations of marked points, px.
const ROUGH_REACH_PX: f64 = 48.0;
const REACH_SDS: f64 = 4.0;
/// Reach of the last looks, px.
const LAST_REACH_PX: f64 = 3.0;
/// Looks with the last reach.
const LAST_LOOKS: usize = 2;
/// Marks that are less sure than this need the lines to be believed, px.
const ROUGH_MARK_SD_PX: f64 = 4.0;

/// Fewest places, and on how many lines with how many each, that are believed.
const FEWEST_PLACES: usize = 20;
const FEWEST_LINES: usize = 2;
const FEWEST_ON_A_LINE: usize = 6;
/// A place this far from its line after the fit is of something else, px; and the largest root mean square of a fit.
const MISTAKEN_PX: f64 = 2.0;
const LARGEST_RMS_PX: f64 = 1.2;
/// From a rough start other bars can be taken for the court: the largest root mean square then, px, and how far the camera may
/// end from a rough place: less than what singles and doubles sidelines are apart (1.37 m), which fit each other well.
const ROUGH_RMS_PX: f64 = 0.5;
const FARTHEST_M: f64 = 1.0;
const FARTHEST_RADIANS: f64 = 0.15;
/// Of two poses the one with this many times the places of the other is the right one.
const CLEARLY_MORE: f64 = 1.6;

/// Where the cameras stand, from all that [`crate::solve_with`] takes and from the court's lines in pictures.
///
/// `starts` holds a rough `camera_from_court` for cameras without (enough) marked points: about half a metre and a few degrees
/// off at most, or an empty slice. `look` finds places on the lines for a camera that is thought to stand there, within a reach in
/// pixels, each with the deviation of the picture alone; it may find nothing. Cameras without a place on the court are placed by
/// boards first.
///
/// A line is fixed by the edge to which the rules measure, up to `paint_sd_m` at each of its ends; `look` may find that edge, the other
/// one or the middle of the paint, whichever the picture shows well. What all places of a line have in common (where it is painted, how
/// wide, how far beside itself an edge appears in a picture) are unknowns of the solution.
///
/// # Errors
/// As [`crate::solve_with`]; [`RigError::LinesNotFound`] where marks or places are rough and the picture does not show the lines near them.
pub fn solve_on_pictures(
    input: &RigInput,
    settings: &RigSettings,
    starts: &[Option<RigidTransform>],
    look: impl Fn(usize, &RigidTransform, f64) -> Vec<LinePoint>,
) -> Result<OnPictures, RigError> {
    let mut checked = Checked::with_starts(input, settings, starts)?;
    let Some((court, _)) = input.court else {
        let found = solved(&checked)?;
        let rig = calibration(&checked, &found.sightings, &found.bundle, &found.solution.state, &found.poses);
        return Ok(OnPictures { rig, lines: input.lines.to_vec() });
    };
    let cameras = checked.names.len();
    let mut remarks = vec![None; cameras];
    let mut lines = if input.lines.is_empty() { vec![Vec::new(); cameras] } else { input.lines.to_vec() };
    for (camera, poses) in court_poses(&checked)?.into_iter().enumerate() {
        let rough = checked.starts[camera].is_some() || settings.click_sd_px > ROUGH_MARK_SD_PX;
        let first = if checked.starts[camera].is_some() { ROUGH_REACH_PX } else { REACH_SDS * settings.click_sd_px };
        let mut fits: Vec<Fit> =
            poses.iter().filter_map(|pose| settled(&checked, camera, court, pose, first, &look)).collect();
        fits.retain(|fit| !rough || fit.rms_px < ROUGH_RMS_PX);
        if let Some(start) = &checked.starts[camera] {
            fits.retain(|fit| near(start, &fit.pose));
        }
        fits.sort_by_key(|fit| std::cmp::Reverse(fit.lines.len()));
        let clear = |fits: &[Fit]| match fits {
            [best, second, ..] => best.lines.len() as f64 > CLEARLY_MORE * second.lines.len() as f64,
            [_] => true,
            [] => false,
        };
        if clear(&fits) {
            let fit = fits.swap_remove(0);
            lines[camera].extend(fit.lines.iter().map(|(point, _)| point.clone()));
            remarks[camera] = Some(taken(&mut checked, camera, fit));
        } else if rough && !poses.is_empty() {
            return Err(RigError::LinesNotFound { camera: checked.names[camera].to_owned(), reach_px: first });
        }
    }
    let mut found = solved(&checked)?;
    // Cameras that boards have placed see the court too.
    let mut more = false;
    for camera in (0..cameras).filter(|camera| remarks[*camera].is_none()).collect::<Vec<_>>() {
        let pose = found.solution.state.cameras[camera];
        if let Some(fit) = settled(&checked, camera, court, &pose, 4.0 * LAST_REACH_PX, &look) {
            lines[camera].extend(fit.lines.iter().map(|(point, _)| point.clone()));
            remarks[camera] = Some(taken(&mut checked, camera, fit));
            more = true;
        }
    }
    if more && checked.on_court() {
        found = solved(&checked)?;
    }
    let Solved { sightings, bundle, solution, poses } = found;
    let mut rig = calibration(&checked, &sightings, &bundle, &solution.state, &poses);
    for (camera, remark) in remarks.into_iter().enumerate() {
        rig.remarks.push(remark.unwrap_or_else(|| {
            format!(
                "Camera {}: the court's lines were not found in its picture; its place rests on the marked points and boards alone.",
                checked.names[camera]
            )
        }));
    }
    Ok(OnPictures { rig, lines })
}

/// One camera on the lines of its picture.
pub(crate) struct Fit {
    pub(crate) pose: RigidTransform,
    /// What was seen, and the line that it is on.
    pub(crate) lines: Vec<(LinePoint, OnLine)>,
    pub(crate) rms_px: f64,
}

/// Whether a camera ended about where it was thought to stand.
fn near(start: &RigidTransform, end: &RigidTransform) -> bool {
    let place = |pose: &RigidTransform| pose.inverse_transform_point(&Point3::origin());
    (place(start) - place(end)).norm() < FARTHEST_M && start.rotation.angle_to(&end.rotation) < FARTHEST_RADIANS
}

/// Takes a fit's lines into the input and its pose as the start; says what was found.
fn taken(checked: &mut Checked, camera: usize, fit: Fit) -> String {
    let mut names: Vec<&str> = fit.lines.iter().map(|(point, _)| point.line.as_str()).collect();
    names.dedup();
    let remark = format!(
        "Camera {}: {} places on {} court lines found in its picture, {:.2} px rms from the lines.",
        checked.names[camera],
        fit.lines.len(),
        names.len(),
        fit.rms_px
    );
    checked.lines[camera].extend(fit.lines.into_iter().map(|(_, on)| on));
    checked.starts[camera] = Some(fit.pose);
    remark
}

/// Looks and fits in turn, with less and less reach. `None` when what is found in the end is not enough to be believed.
pub(crate) fn settled(
    checked: &Checked,
    camera: usize,
    court: &Court,
    start: &RigidTransform,
    first_reach_px: f64,
    look: &impl Fn(usize, &RigidTransform, f64) -> Vec<LinePoint>,
) -> Option<Fit> {
    let mut reaches = vec![first_reach_px.max(2.0 * LAST_REACH_PX)];
    while let Some(&last) = reaches.last()
        && last > 2.0 * LAST_REACH_PX
    {
        reaches.push(last / 2.0);
    }
    reaches.extend([LAST_REACH_PX; LAST_LOOKS]);
    let mut pose = *start;
    let mut lines = Vec::new();
    let mut errors = Vec::new();
    for reach_px in reaches {
        let found = look(camera, &pose, reach_px).into_iter();
        lines = found
            .filter_map(|point| Some((point.clone(), OnLine::new(court, &point, &checked.settings)?)))
            .filter(|(_, on)| on.sd_px > 0.0 && on.sd_px.is_finite())
            .collect();
        (pose, errors) = fitted(checked, camera, &pose, &lines, reach_px)?;
    }
    let near: Vec<bool> = errors.iter().map(|error| *error < MISTAKEN_PX).collect();
    let mut keep = near.iter();
    lines.retain(|_| keep.next().is_some_and(|near| *near));
    let squares = errors.iter().filter(|error| **error < MISTAKEN_PX).map(|error| error * error).sum::<f64>();
    let rms_px = (squares / lines.len().max(1) as f64).sqrt();
    // Of a place with both edges the one counts whose place the rules fix.
    let places = || lines.iter().filter(|(_, on)| on.half_widths.abs() < 1.5);
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    places().for_each(|(point, _)| *counts.entry(point.line.as_str()).or_default() += 1);
    let well_seen = counts.iter().filter(|(_, count)| **count >= FEWEST_ON_A_LINE);
    let directions: Vec<bool> = well_seen.filter_map(|(line, _)| runs_across(court, line)).collect();
    let crossing = directions.contains(&true) && directions.contains(&false);
    let enough = places().count() >= FEWEST_PLACES && directions.len() >= FEWEST_LINES && crossing;
    // Most of what was found must fit; a wrong place finds bars here and there.
    let agree = 5 * lines.len() >= 4 * errors.len();
    (enough && agree && rms_px < LARGEST_RMS_PX).then_some(Fit { pose, lines, rms_px })
}

/// Whether a line runs along the baseline.
fn runs_across(court: &Court, line: &str) -> Option<bool> {
    court.lines_m.get(line).map(|[x0, y0, x1, y1]| x1 - x0 > y1 - y0)
}

/// The pose that fits marks and lines, robustly, and each line's error across it, px.
fn fitted(
    checked: &Checked,
    camera: usize,
    start: &RigidTransform,
    lines: &[(LinePoint, OnLine)],
    reach_px: f64,
) -> Option<(RigidTransform, Vec<f64>)> {
    // While looking afar, what is found may be off by a part of the reach without being wrong.
    let least_sd_px = reach_px / 12.0;
    let places: Vec<OnLine> = lines.iter().map(|(_, on)| on.clone()).collect();
    let (bundle, state) = Bundle::of_one(checked, camera, *start, &places, least_sd_px);
    let options = Options { loss: Loss::Cauchy(3.0), max_iterations: 40, cost_tolerance: 1e-9, ..Options::default() };
    let solution = minimise(&bundle, state, &options).ok()?;
    let first = bundle.observations.len() - places.len();
    let own = bundle.observations[first..].iter();
    let errors = own.map(|o| bundle.error_px(&solution.state, o).map_or(f64::INFINITY, |error| error.norm())).collect();
    Some((solution.state.cameras[0], errors))
}
