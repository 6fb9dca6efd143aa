//! What to change, in words, with what each change is worth.

use serde::Serialize;

use super::PlanError;
use super::file::{Phone, Plan, SharedBoardPlan};
use super::forecast::{Forecast, PART_NAMES, Summary, forecast};
use super::place::Stand;

/// A change of place below this is not worth telling, m.
const LEAST_MOVE_M: f64 = 0.15;

/// A change is told when it lowers an error by at least this share.
const LEAST_GAIN: f64 = 0.08;

/// Changes of the phones' settings that are tried.
const SHORT_SHUTTER_SECONDS: f64 = 1.0 / 2000.0;
const REFINED_CLOCK_SECONDS: f64 = 3e-4;
const MEASURED_READOUT_SD_SECONDS: f64 = 2e-4;
const MANY_COURT_POINTS: usize = 14;
const BOARD: SharedBoardPlan = SharedBoardPlan { inner_corners: [9, 6], square_m: 0.08, places: 10, corner_px: 0.2 };

/// Least shares of zone and bounce that should be in two pictures.
const WHOLE_ZONE: f64 = 0.98;
const MOST_OF_BOUNCE: f64 = 0.9;

/// Fewest court points in view that place a phone without a board.
const FEWEST_COURT_POINTS: usize = 4;

/// Sentences for the person who sets up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// What is wrong or dangerous with the intended places.
    pub warnings: Vec<String>,
    /// What to change, the most useful first.
    pub changes: Vec<String>,
    /// What the forecast does not cover.
    pub limits: Vec<String>,
}

/// A change and the racket's or body's error after it.
struct Change {
    words: String,
    after: Forecast,
}

/// What to change to get from one stand to a better one, and what else would help.
///
/// # Errors
/// [`PlanError::NothingSeen`] when the intended places show nothing.
pub fn advise(plan: &Plan, now: &Stand, better: &Stand) -> Result<Advice, PlanError> {
    let before = forecast(plan, now)?;
    let mut changes: Vec<String> = Vec::new();
    let after = forecast(plan, better)?;
    let moved: Vec<usize> = (0..now.len()).filter(|&i| distance(&now[i], &better[i]) > LEAST_MOVE_M).collect();
    for &phone in &moved {
        let mut alone = now.clone();
        alone[phone] = better[phone];
        // Where one move alone shows nothing to two phones or helps little, the moves belong together.
        let own = forecast(plan, &alone).ok().filter(|own| gain(&before, own) > LEAST_GAIN);
        let effect = own.map_or_else(
            || if moved.len() > 1 { "; of use together with the other moves".to_owned() } else { String::new() },
            |own| format!(": {}", difference(&before, &own)),
        );
        changes.push(format!("Move \"{}\" {}{effect}.", plan.phones[phone].name, way(&now[phone], &better[phone])));
    }
    if !moved.is_empty() {
        let together = if moved.len() > 1 { "With all moves together" } else { "With this move" };
        changes.push(format!("{together}: {}; {}.", difference(&before, &after), in_view(&before, &after)));
    }
    changes.extend(other_changes(plan, if moved.is_empty() { now } else { better })?);
    Ok(Advice { warnings: warnings(plan, &before), changes, limits: limits() })
}

fn distance(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
}

/// The larger of what body and racket gain, as a share.
fn gain(before: &Forecast, after: &Forecast) -> f64 {
    let of = |before: &Summary, after: &Summary| 1.0 - after.total_m / before.total_m;
    of(&before.body, &after.body).max(of(&before.racket, &after.racket))
}

/// A move in words.
fn way(from: &[f64; 3], to: &[f64; 3]) -> String {
    let names = [["to the right", "to the left"], ["toward the net", "away from the net"], ["up", "down"]];
    let parts: Vec<String> = (0..3)
        .filter_map(|axis| {
            let by = to[axis] - from[axis];
            let words = names[axis][usize::from(by < 0.0)];
            (by.abs() >= 0.05).then(|| format!("{:.1} m {words}", by.abs()))
        })
        .collect();
    format!("{} (to x {:.1}, y {:.1}, lens {:.1} m high)", parts.join(" and "), to[0], to[1], to[2])
}

fn millimetres(from_m: f64, to_m: f64) -> String {
    let [from, to] = [from_m, to_m].map(|m| format!("{:.0}", m * 1e3));
    if from == to {
        return format!("stays at {to} mm");
    }
    format!("{} from {from} to {to} mm", if to_m < from_m { "falls" } else { "rises" })
}

fn difference(before: &Forecast, after: &Forecast) -> String {
    format!(
        "depth error of the racket tip {} (whole error {}), of a body joint {}",
        millimetres(before.racket.depth_m, after.racket.depth_m),
        millimetres(before.racket.total_m, after.racket.total_m),
        millimetres(before.body.depth_m, after.body.depth_m),
    )
}

fn in_view(before: &Forecast, after: &Forecast) -> String {
    let shown = |before: f64, after: f64| match [before, after].map(|share| (share * 100.0).round()) {
        [before, after] if before == after => format!("stays in two pictures to {after} %"),
        [before, after] => format!("is in two pictures to {after} % instead of {before} %"),
    };
    format!(
        "the zone {}, the bounce {}",
        shown(before.zone_share, after.zone_share),
        shown(before.bounce_share, after.bounce_share)
    )
}

/// Changes of settings and calibration that are worth it at this stand, best first.
fn other_changes(plan: &Plan, stand: &Stand) -> Result<Vec<String>, PlanError> {
    let before = forecast(plan, stand)?;
    let mut tried: Vec<Change> = Vec::new();
    let mut attempt = |words: String, change: &dyn Fn(&mut Plan)| -> Result<(), PlanError> {
        let mut changed = plan.clone();
        change(&mut changed);
        if changed != *plan {
            tried.push(Change { words, after: forecast(&changed, stand)? });
        }
        Ok(())
    };
    let all = |plan: &mut Plan, of: &dyn Fn(&mut Phone)| plan.phones.iter_mut().for_each(of);
    attempt("Film with a shutter of 1/2000 s or shorter (more light is needed)".to_owned(), &|p| {
        all(p, &|phone| phone.shutter_seconds = phone.shutter_seconds.min(SHORT_SHUTTER_SECONDS));
    })?;
    attempt("Film with twice the frames per second".to_owned(), &|p| {
        all(p, &|phone| {
            phone.frames_per_second *= 2.0;
            phone.shutter_seconds = phone.shutter_seconds.min(1.0 / phone.frames_per_second);
        });
    })?;
    attempt(
        "Get the clocks to 0.3 ms (clap three times where both microphones hear it, and let motion refine it)"
            .to_owned(),
        &|p| p.accuracy.clock_seconds = p.accuracy.clock_seconds.min(REFINED_CLOCK_SECONDS),
    )?;
    attempt("Measure each phone's read-out to 0.2 ms".to_owned(), &|p| {
        all(p, &|phone| phone.readout_sd_seconds = phone.readout_sd_seconds.min(MEASURED_READOUT_SD_SECONDS));
    })?;
    if plan.shared_board.is_none() {
        attempt(format!("Hold a board still in {} places of the zone, in sight of both phones", BOARD.places), &|p| {
            p.shared_board = Some(BOARD);
        })?;
    }
    attempt("Mark every court point in view".to_owned(), &|p| {
        p.accuracy.court_points = p.accuracy.court_points.max(MANY_COURT_POINTS);
    })?;
    attempt("Calibrate each lens better (more board views, out to the corners)".to_owned(), &|p| {
        p.accuracy.focal_share /= 2.0;
        p.accuracy.centre_px /= 2.0;
    })?;
    tried.retain(|change| gain(&before, &change.after) > LEAST_GAIN);
    tried.sort_by(|a, b| gain(&before, &b.after).total_cmp(&gain(&before, &a.after)));
    Ok(tried
        .into_iter()
        .map(|change| {
            format!(
                "{}: error of the racket tip {}, of a body joint {}.",
                change.words,
                millimetres(before.racket.total_m, change.after.racket.total_m),
                millimetres(before.body.total_m, change.after.body.total_m)
            )
        })
        .collect())
}

fn warnings(plan: &Plan, now: &Forecast) -> Vec<String> {
    let mut warnings = Vec::new();
    let court = plan.court_model();
    let run_off = court.as_ref().and_then(|c| c.run_off.as_ref());
    for phone in &now.phones {
        if let (Some(inside), Some(run_off)) = (phone.inside_run_off_m, run_off) {
            warnings.push(format!(
                "\"{}\" stands {inside:.1} m inside the run-off area ({:.2} m behind the baselines, {:.2} m beside the sidelines: {}): a running \
                 player can fall over it; move it out, or pad it and keep that side free of play; local rules go first.",
                phone.name, run_off.behind_m, run_off.beside_m, run_off.source
            ));
        }
        if plan.shared_board.is_none() && phone.court_points < FEWEST_COURT_POINTS {
            warnings.push(format!(
                "\"{}\" sees {} court points, at least {FEWEST_COURT_POINTS} are needed to place it: turn or move it, or film a shared board.",
                phone.name, phone.court_points
            ));
        }
        if phone.zone_share < WHOLE_ZONE {
            warnings.push(format!(
                "\"{}\" sees {:.0} % of the hitting zone: move it back, or use a wider lens.",
                phone.name,
                phone.zone_share * 100.0
            ));
        }
    }
    if now.bounce_share < MOST_OF_BOUNCE {
        warnings.push(format!(
            "{:.0} % of the bounce area is in two pictures: the take-back cannot be timed against a bounce outside it.",
            now.bounce_share * 100.0
        ));
    }
    let [frame_m, streak_m] = plan.phones.iter().fold([0.0_f64, 0.0], |[frame, streak], phone| {
        let speed = plan.motion.racket_mps;
        [frame.max(speed / phone.frames_per_second), streak.max(speed * phone.shutter_seconds)]
    });
    if frame_m > 0.5 || streak_m > 0.07 {
        warnings.push(format!(
            "At {:.0} m/s the racket tip travels {frame_m:.2} m from frame to frame and draws a streak of {streak_m:.2} m: peak speed and contact will be coarse.",
            plan.motion.racket_mps
        ));
    }
    warnings
}

fn limits() -> Vec<String> {
    vec![
        "Not in the forecast: the player's body or a net in the way, and keypoints that are grossly wrong.".to_owned(),
        format!("One standard deviation, to first order, of one point in one frame; parts: {}.", PART_NAMES.join(", ")),
    ]
}
