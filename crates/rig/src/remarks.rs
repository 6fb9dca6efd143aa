//! What a solution rests on and what to doubt, in words.

use midline_geometry::skew;
use midline_session::calibration::RigCamera;
use nalgebra::{DMatrix, Matrix3, Matrix3x6, Point3};

use crate::bundle::{Kind, Spread};
use crate::input::Checked;

/// Fewer court points than this leave a single mistake hard to notice.
const ENOUGH_COURT_POINTS: usize = 6;

/// Fewer shared sightings than this rest on a narrow base.
const ENOUGH_SIGHTINGS: usize = 4;

/// A solved rig.
pub(crate) struct Told<'a> {
    pub(crate) checked: &'a Checked<'a>,
    pub(crate) sightings: &'a [usize],
    pub(crate) cameras: &'a [RigCamera],
    pub(crate) covariance: &'a DMatrix<f64>,
    pub(crate) spread: Spread,
    /// Of each camera's clip of the board.
    pub(crate) late_seconds: &'a [f64],
}

pub(crate) fn remarks(told: &Told) -> Vec<String> {
    let checked = told.checked;
    let mut remarks = Vec::new();
    if let (true, Some((court, _))) = (checked.on_court(), checked.input.court) {
        let marked: Vec<String> = told
            .cameras
            .iter()
            .filter(|c| c.court_points > 0)
            .map(|c| format!("{} in {}", c.court_points, c.name))
            .collect();
        let on_lines: usize = checked.lines.iter().map(Vec::len).sum();
        let lines = if on_lines > 0 { format!("; {on_lines} points on lines") } else { String::new() };
        let marked = if marked.is_empty() { "none".to_owned() } else { marked.join(", ") };
        remarks.push(format!("The world is the court \"{}\", from marked points: {marked}{lines}.", court.name));
    } else if let Some((board, _)) = checked.input.boards {
        remarks.push(format!(
            "The world is the frame of board \"{}\" in its first shared sighting; lengths rest on its squares of {} mm; which way is up is not known.",
            board.name,
            1000.0 * board.square_m
        ));
    }
    if let (false, Some((_, all))) = (told.sightings.is_empty(), checked.input.boards) {
        let used = told.sightings.iter().filter_map(|kept| all.get(*checked.sighting_indices.get(*kept)?));
        let moving = used.filter(|sighting| !sighting.carried.is_empty()).count();
        let count = |n: usize, what: &str| (n > 0).then(|| format!("{n} of the board {what}"));
        let counts = [count(told.sightings.len() - moving, "at rest"), count(moving, "in motion")];
        remarks
            .push(format!("Shared sightings used: {}.", counts.into_iter().flatten().collect::<Vec<_>>().join(", ")));
    }
    for (kept, index) in checked.sighting_indices.iter().enumerate() {
        if !told.sightings.contains(&kept) {
            remarks.push(format!("Shared sighting {index} contradicts the others and was left out: the board moved."));
        }
    }
    for (camera, solved) in told.cameras.iter().enumerate() {
        remarks.push(place(told, camera, solved));
        if (1..ENOUGH_COURT_POINTS).contains(&solved.court_points) && solved.board_views == 0 {
            remarks.push(format!(
                "Camera {} rests on {} court points: one mistake among them could go unnoticed; mark more.",
                solved.name, solved.court_points
            ));
        }
        if (1..ENOUGH_SIGHTINGS).contains(&solved.board_views) && solved.court_points == 0 {
            remarks.push(format!(
                "Camera {} rests on {} shared board sightings; film more, turned in different directions.",
                solved.name, solved.board_views
            ));
        }
    }
    for (what, kind, assumed_px) in [
        ("Court points", Kind::Click, Some(checked.settings.click_sd_px)),
        ("Points on court lines", Kind::Line, None),
        ("Board corners", Kind::Corner, Some(checked.settings.corner_sd_px)),
        ("Corners of the board in motion", Kind::MovingCorner, Some(checked.settings.corner_sd_px)),
        ("The player's points", Kind::Player, None),
    ] {
        let factor = told.spread.of(kind);
        if factor > 1.05 {
            let how = assumed_px.map_or_else(
                || format!("{factor:.1} times as much as was assumed"),
                |assumed| format!("by {:.2} px where {assumed:.2} px was assumed", factor * assumed),
            );
            remarks.push(format!("{what} scatter {how}; the uncertainty was widened accordingly."));
        }
    }
    let paint = told.spread.of(Kind::Paint);
    if paint > 1.05 {
        let assumed_mm = 1000.0 * checked.settings.paint_sd_m;
        remarks.push(format!(
            "The court's lines lie {:.0} mm (1 sd) beside their places in the model, where {assumed_mm:.0} mm was assumed; the uncertainty was widened accordingly. Check that the court model is the right one.",
            paint * assumed_mm
        ));
    }
    let picture = told.spread.of(Kind::Picture);
    if picture > 1.05 {
        let assumed_px = checked.settings.edge_sd_px;
        remarks.push(format!(
            "Edges of the court's lines appear {:.2} px (1 sd) beside themselves in the pictures, where {assumed_px:.2} px was assumed; the uncertainty was widened accordingly.",
            picture * assumed_px
        ));
    }
    for (camera, late_seconds) in told.late_seconds.iter().enumerate().filter(|(_, late)| **late != 0.0) {
        remarks.push(format!(
            "The board in motion puts the clip of camera {} {:+.2} ms from where its sound put it.",
            checked.names[camera],
            -1000.0 * late_seconds
        ));
    }
    remarks
}

/// Where a camera stands and how well that is known.
fn place(told: &Told, camera: usize, solved: &RigCamera) -> String {
    let pose = &solved.camera_from_world;
    let rotation: Matrix3<f64> = *pose.rotation.to_rotation_matrix().matrix();
    // The place is -Rᵀ t; a step (ω, τ) moves it by -Rᵀ ([t]ₓ ω + τ).
    let mut by_step = Matrix3x6::zeros();
    by_step.fixed_columns_mut::<3>(0).copy_from(&(-rotation.transpose() * skew(&pose.translation.vector)));
    by_step.fixed_columns_mut::<3>(3).copy_from(&-rotation.transpose());
    let own = told.covariance.fixed_view::<6, 6>(6 * camera, 6 * camera);
    let place_sd = (by_step * own * by_step.transpose()).trace().max(0.0).sqrt();
    let turn_sd = own.fixed_view::<3, 3>(0, 0).trace().max(0.0).sqrt();
    let at = pose.inverse_transform_point(&Point3::origin());
    let known =
        format!("place known to {:.1} mm, direction to {:.2} degrees (1 sd)", 1000.0 * place_sd, turn_sd.to_degrees());
    if told.checked.on_court() {
        format!(
            "Camera {} stands {:.2} m above the ground at x {:.2} m, y {:.2} m; {known}.",
            solved.name, at.z, at.x, at.y
        )
    } else {
        format!("Camera {} stands {:.2} m from the board's first sighting; {known}.", solved.name, at.coords.norm())
    }
}
