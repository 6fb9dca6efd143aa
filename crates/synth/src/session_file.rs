//! `session.toml` of a demo session, as a person would write it.

use std::collections::BTreeMap;

use midline_session::board::Board;
use midline_session::court::Court;
use midline_session::description::Handedness;
use rand::SeedableRng;
use rand::rngs::StdRng;
use rand_distr::{Distribution, StandardNormal};

use crate::keypoint_files::PointsForm;
use crate::phone::visible_court_points;
use crate::scenario::{LENS_BOARD, Posted, SHARED_BOARD, SessionPlan, boards};

/// Court points as clicked: the true pixels with 1 px of noise, rounded to a tenth.
fn clicked(posted: &Posted, court: &Court, seed: u64) -> BTreeMap<String, [f64; 2]> {
    let mut random = StdRng::seed_from_u64(seed);
    let mut click = |v: f64| {
        let error: f64 = StandardNormal.sample(&mut random);
        ((v + error) * 10.0).round() / 10.0
    };
    visible_court_points(&posted.phone.camera(&posted.place), court, 4.0)
        .into_iter()
        .map(|(name, px)| (name, [click(px.x), click(px.y)]))
        .collect()
}

/// Name of a camera's keypoint file, relative to the session.
pub(crate) fn points_path(posted: &Posted) -> String {
    format!("points/{}.{}", posted.phone.name, posted.points_form.extension())
}

/// Name of a camera's calibration file, where the session has one.
pub(crate) fn lens_path(posted: &Posted) -> String {
    format!("lens-{}.yml", posted.phone.name)
}

/// The true lens as a calibration file of OpenCV.
pub(crate) fn lens_text(posted: &Posted) -> String {
    let lens = &posted.phone.intrinsics;
    let ([fx, fy], [cx, cy], [width, height]) = (lens.focal_px, lens.centre_px, lens.size_px);
    let coefficients: Vec<String> = lens.parameters().iter().skip(4).map(|c| format!("{c:e}")).collect();
    let matrix = |key: &str, rows: usize, columns: usize, data: &str| {
        format!("{key}: !!opencv-matrix\n   rows: {rows}\n   cols: {columns}\n   dt: d\n   data: [ {data} ]\n")
    };
    format!(
        "%YAML:1.0\n---\nimage_width: {width}\nimage_height: {height}\n{}{}",
        matrix("camera_matrix", 3, 3, &format!("{fx}, 0., {cx}, 0., {fy}, {cy}, 0., 0., 1.")),
        matrix("distortion_coefficients", coefficients.len(), 1, &coefficients.join(", "))
    )
}

/// The text of a session's description.
pub(crate) fn text(plan: &SessionPlan, court: &Court) -> String {
    let handedness = match plan.handedness {
        Handedness::Right => "right",
        Handedness::Left => "left",
    };
    let mut text = format!(
        "# {}: made-up footage of the Saltmarsh Racket School, written by midline's demo.\n\
         schema = 1\n\n\
         [session]\n\
         # What the coach wants to know; it stands on the report.\n\
         question = \"{}\"\n\
         # What the coach suspects, in the trade's words; each is tested on the strokes.\n\
         suspicions = [\"racket slows in the drop\", \"take-back starts too early\", \"contact is late\"]\n\
         date = \"{}\"\n\
         # Sound is slower in cold air: it tells the cameras' clocks how far the ball was.\n\
         air_celsius = {:.1}\n\n\
         [player]\n\
         # A code, never a name.\n\
         code = \"{}\"\n\
         handedness = \"{handedness}\"\n\n\
         [court]\n\
         model = \"{}\"\n",
        plan.folder, plan.question, plan.date, plan.air_celsius, plan.code, court.name
    );
    for board in boards().iter().filter(|b| is_used(b, plan)) {
        let use_of = if board.name == LENS_BOARD { "moved in front of each phone" } else { "shown to both phones" };
        text.push_str(&format!(
            "\n# The board that was {use_of}. Inner corners are counted where four squares meet.\n\
             [[board]]\n\
             name = \"{}\"\n\
             inner_corners = [{}, {}]\n\
             square_m = {}\n",
            board.name, board.inner_corners[0], board.inner_corners[1], board.square_m
        ));
    }
    for (index, posted) in plan.posted.iter().enumerate() {
        text.push_str(&camera(plan, posted, court, plan.seed + 50 + index as u64));
    }
    if plan.shared_board {
        text.push_str(&format!(
            "\n# The phones on their tripods, the board held still for a moment at several places near the hitting zone.\n\
             # Three claps at the start and at the end tie the two clips together.\n\
             [shared_board]\n\
             board = \"{SHARED_BOARD}\"\n\
             clips = {{ fence = \"footage/fence-board.mp4\", gate = \"footage/gate-board.mp4\" }}\n"
        ));
    }
    text
}

fn is_used(board: &Board, plan: &SessionPlan) -> bool {
    (board.name == LENS_BOARD && plan.lens_clips) || (board.name == SHARED_BOARD && plan.shared_board)
}

/// Where a camera sees the middle of the player's hips in its first frame.
fn player_mark(plan: &SessionPlan, posted: &Posted) -> Option<[f64; 2]> {
    let [left, right] = plan.movement.figure(posted.clock.session_seconds(0.0)).hips;
    Some(posted.phone.camera(&posted.place).project(&nalgebra::center(&left, &right))?.into())
}

fn camera(plan: &SessionPlan, posted: &Posted, court: &Court, seed: u64) -> String {
    let name = posted.phone.name;
    let standing = if posted.phone.quarter_turns_clockwise == 0 { "landscape" } else { "portrait" };
    let form = match posted.points_form {
        PointsForm::CocoDataset => "COCO dataset form",
        PointsForm::CocoResults => "COCO results form",
        PointsForm::TidyCsv => "tidy CSV",
    };
    let lens = if plan.discs {
        format!("# A calibration file of OpenCV.\nlens = {{ file = \"{}\" }}", lens_path(posted))
    } else if plan.lens_clips {
        format!("lens = {{ clip = \"footage/{name}-lens.mp4\", board = \"{LENS_BOARD}\" }}")
    } else {
        format!(
            "# The same phone and lens setting as in the first session: run that one first.\n\
             lens = {{ file = \"../p07-first/midline/lens-{name}.json\" }}"
        )
    };
    let mut text = format!(
        "\n[[camera]]\n\
         name = \"{name}\"\n\
         # On a tripod, {standing}.\n\
         footage = \"footage/{name}.mp4\"\n\
         # {form}.\n\
         points = \"{}\"\n\
         # Time from the sensor's first row to its last.\n\
         readout_seconds = {}\n\
         {lens}\n\
         # Clicked in the picture as it is shown: the outer corner of each line crossing.\n\
         [camera.court_points]\n",
        points_path(posted),
        posted.phone.read_out_seconds,
    );
    if plan.discs {
        let points = format!("points = \"{}\"\n", points_path(posted));
        let mark = player_mark(plan, posted)
            .map(|[x, y]| format!("points_reading = {{ player = [{{ frame = 0, px = [{x:.0}.0, {y:.0}.0] }}] }}\n"));
        let marked = format!(
            "{points}# The player, so that the network knows where to look first.\n{}",
            mark.unwrap_or_default()
        );
        text = text.replacen(&points, &marked, 1);
    }
    for (point, [x, y]) in clicked(posted, court, seed) {
        text.push_str(&format!("{point} = [{x:.1}, {y:.1}]\n"));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::sessions;
    use midline_session::description::{FILE_NAME, Session};

    #[test]
    fn every_session_is_read_as_it_was_meant_and_sees_enough_of_the_court() {
        let court = Court::itf_tennis().unwrap();
        for plan in sessions().unwrap() {
            let folder = tempfile::tempdir().unwrap();
            std::fs::write(folder.path().join(FILE_NAME), text(&plan, &court)).unwrap();
            let session = Session::open(folder.path()).unwrap();
            assert_eq!(session.description.player.code, plan.code);
            assert_eq!(session.description.player.handedness, plan.handedness);
            assert_eq!(session.description.shared_board.is_some(), plan.shared_board);
            for (described, posted) in session.description.cameras.iter().zip(&plan.posted) {
                let names: Vec<&str> = described.court_points.keys().map(String::as_str).collect();
                println!("{} {}: {} court points: {}", plan.folder, described.name, names.len(), names.join(" "));
                assert!(names.len() >= 6);
                let camera = posted.phone.camera(&posted.place);
                for (name, px) in &described.court_points {
                    let exact = camera.project(&court.points_m[name].into()).unwrap();
                    assert!((exact - nalgebra::Vector2::from(*px)).norm() < 5.0);
                }
            }
        }
    }
}
