//! Forecasts against closed forms and against the rig's own solution; the search.

use midline_geometry::Camera;
use midline_session::board::BoardView;
use midline_session::calibration::LensCalibration;
use nalgebra::{DMatrix, Point3};

use super::calibration::{board_places, expected, finds_board, planned_board};
use super::file::{Box3, Plan};
use super::{Kind, Stand, advise, forecast, picture, posted, search};
use crate::test_scene::noise;
use crate::{CourtMarks, RigInput, RigSettings, SharedSighting, solve_with};

fn example() -> Plan {
    Plan::from_toml(Plan::EXAMPLE).unwrap()
}

fn intended(plan: &Plan) -> Stand {
    plan.phones.iter().map(|p| p.place_m).collect()
}

/// Nothing but pixel noise.
fn ideal(mut plan: Plan) -> Plan {
    plan.accuracy.clock_seconds = 0.0;
    plan.accuracy.focal_share = 0.0;
    plan.accuracy.centre_px = 0.0;
    plan.accuracy.court_click_px = 1e-6;
    plan.shared_board = None;
    for phone in &mut plan.phones {
        phone.shutter_seconds = 0.0;
        phone.readout_sd_seconds = 0.0;
        phone.frames_per_second = 10_000.0;
    }
    plan
}

/// Symmetric pair at range Z that converges by θ, focal length f, pixel noise σ: across Zσ/(f√2 cos θ/2), in depth
/// Zσ/(f√2 sin θ/2), upward Zσ/(f√2) (first-order bound; the project's design, section 7).
#[test]
fn a_symmetric_pair_follows_the_closed_form() {
    for degrees in [20.0_f64, 60.0, 90.0, 130.0] {
        let (range, half, height) = (9.0, (degrees / 2.0).to_radians(), 1.0);
        let mut plan = ideal(example());
        // A zone so small that every point of it is the middle, and enough court in view to know the poses.
        let near = |value: f64| [value - 1e-4, value + 1e-4];
        plan.zone = Box3 { x_m: near(0.0), y_m: near(1.0), z_m: near(height) };
        for (phone, side) in plan.phones.iter_mut().zip([-1.0, 1.0]) {
            phone.place_m = [side * range * half.sin(), 1.0 - range * half.cos(), height];
            phone.look_at_m = Some([0.0, 1.0, height]);
        }
        let found = forecast(&plan, &intended(&plan)).unwrap();
        let focal = plan.phones[0].intrinsics().focal_px[0];
        let unit = range * plan.accuracy.body_px / (focal * 2f64.sqrt());
        let bound = [unit / half.cos(), unit / half.sin(), unit];
        for (axis, (found, bound)) in found.body.axes_m.iter().zip(bound).enumerate() {
            assert!((found / bound - 1.0).abs() < 1e-4, "{degrees}°, axis {axis}: {found} {bound}");
        }
        assert!((found.body.depth_m / bound[1] - 1.0).abs() < 1e-4);
        assert!(found.body.part_shares[0] > 0.999);
    }
}

/// What the solution says of itself when clicks and boards are as planned is what the plan said before.
#[test]
fn poses_are_known_as_well_as_the_rig_says_afterwards() {
    for with_board in [false, true] {
        let mut plan = example();
        plan.accuracy.court_points = 50;
        if !with_board {
            plan.shared_board = None;
        }
        let stand = intended(&plan);
        let cameras = posted(&plan, &stand);
        let court = plan.court_model().unwrap();
        let forecast = expected(&plan, &court, &cameras).poses;

        let lenses: Vec<LensCalibration> = cameras.iter().zip(["left", "right"]).map(lens).collect();
        let mut noise = noise(3);
        let marks: Vec<CourtMarks> = cameras
            .iter()
            .map(|camera| {
                let seen = court.points_m.iter().filter(|(_, p)| super::coverage::sees(camera, &Point3::from(**p)));
                seen.map(|(name, p)| {
                    let px = camera.project(&Point3::from(*p)).unwrap();
                    (
                        name.clone(),
                        [px.x + plan.accuracy.court_click_px * noise(), px.y + plan.accuracy.court_click_px * noise()],
                    )
                })
                .collect()
            })
            .collect();
        let board = plan.shared_board.map(|b| (planned_board(&b), b));
        let sightings: Vec<SharedSighting> = board
            .iter()
            .flat_map(|(board, planned)| {
                board_places(&plan, planned, &cameras)
                    .into_iter()
                    .map(|place| {
                        SharedSighting::at_rest(
                            cameras
                                .iter()
                                .map(|camera| {
                                    let corners = board.corners_m();
                                    finds_board(camera, &place, &corners).then(|| BoardView {
                                        frame_index: 0,
                                        pts_seconds: 0.0,
                                        corners_px: corners
                                            .iter()
                                            .map(|c| {
                                                let px = camera.project(&(place * c)).unwrap();
                                                [px.x + planned.corner_px * noise(), px.y + planned.corner_px * noise()]
                                            })
                                            .collect(),
                                        corner_ids: None,
                                        edge_width_px: None,
                                    })
                                })
                                .collect(),
                        )
                    })
                    .collect::<Vec<_>>()
            })
            .collect();
        let input = RigInput {
            lenses: &lenses,
            boards: board.as_ref().map(|(board, _)| (board, sightings.as_slice())),
            court: Some((&court, &marks)),
            lines: &[],
        };
        let settings = RigSettings { click_sd_px: plan.accuracy.court_click_px, ..RigSettings::default() };
        let solved = solve_with(&input, &settings).unwrap();
        let found = DMatrix::from_fn(12, 12, |i, j| solved.covariance[i][j]);
        for i in 0..12 {
            let ratio = (forecast[(i, i)] / found[(i, i)]).sqrt();
            // The solution widens its intervals when residuals are large by chance; hence the slack.
            assert!((0.8..1.05).contains(&ratio), "board {with_board}, parameter {i}: {ratio}");
        }
    }
}

fn lens((camera, name): (&Camera, &str)) -> LensCalibration {
    let mut lens = crate::test_scene::lens(name);
    lens.intrinsics = camera.intrinsics;
    lens.parameter_names = camera.intrinsics.parameter_names();
    lens
}

#[test]
fn the_search_widens_a_narrow_pair_and_keeps_out_of_the_run_off() {
    let mut plan = example();
    // Both tripods side by side, the second one in the run-off area.
    plan.phones[1].place_m = [-2.5, -4.0, 1.5];
    let now = intended(&plan);
    let better = search(&plan, &now).unwrap();
    assert_eq!(better, search(&plan, &now).unwrap());
    let (before, after) = (forecast(&plan, &now).unwrap(), forecast(&plan, &better).unwrap());
    println!("{now:?} {:.1} mm\n{better:?} {:.1} mm", 1e3 * before.racket.total_m, 1e3 * after.racket.total_m);
    assert!(after.racket.depth_m < 0.7 * before.racket.depth_m && after.body.depth_m < 0.7 * before.body.depth_m);
    assert!(after.zone_share >= 0.98 && after.bounce_share >= 0.9);
    assert!(before.phones[1].inside_run_off_m.is_some());
    for (phone, place) in plan.phones.iter().zip(&better) {
        let area = phone.may_stand.unwrap();
        for (value, range) in place.iter().zip([area.x_m, area.y_m, area.z_m]) {
            assert!((range[0]..=range[1]).contains(value), "{better:?}");
        }
    }
    assert!(after.phones.iter().all(|p| p.inside_run_off_m.is_none()), "{:?}", after.phones);

    let advice = advise(&plan, &now, &better).unwrap();
    println!("{advice:#?}");
    assert!(advice.warnings.iter().any(|w| w.contains("\"right\"") && w.contains("run-off") && w.contains("ITF")));
    assert!(advice.changes.iter().any(|c| c.contains("Move \"right\"") && c.contains("to the right")));
    let svg = picture(&plan, (&now, &before), Some((&better, &after)));
    // 9 points at the middle height, twice.
    assert_eq!(svg.matches("<ellipse").count() + svg.matches("m0 -8").count(), 18);
    assert!(svg.contains("run-off area") && svg.trim_end().ends_with("</svg>"));
    // A tag that names an attribute twice is no XML, and browsers stop drawing there.
    for tag in svg.split('<').filter_map(|tag| tag.split('>').next()) {
        let mut names: Vec<&str> = tag.split("=\"").filter_map(|part| part.rsplit([' ', '"']).next()).collect();
        names.pop();
        let count = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), count, "{tag}");
    }
}

#[test]
fn each_part_answers_to_its_own_cause() {
    let plan = ideal(example());
    let stand = intended(&plan);
    let base = forecast(&plan, &stand).unwrap();
    let parts = |change: &dyn Fn(&mut Plan)| {
        let mut changed = plan.clone();
        change(&mut changed);
        let found = forecast(&changed, &stand).unwrap();
        let grown: Vec<usize> = (0..7)
            .filter(|&part| {
                let of = |f: &super::Forecast| f.racket.part_shares[part] * f.racket.total_m.powi(2);
                of(&found) > 2.0 * of(&base) + 1e-9
            })
            .collect();
        grown
    };
    assert_eq!(parts(&|p| p.accuracy.racket_px = 4.0), [0]);
    assert_eq!(parts(&|p| p.phones.iter_mut().for_each(|p| p.shutter_seconds = 2e-3)), [1]);
    assert_eq!(parts(&|p| p.phones.iter_mut().for_each(|p| p.frames_per_second = 60.0)), [2]);
    assert_eq!(parts(&|p| p.accuracy.clock_seconds = 1e-3), [3]);
    assert_eq!(parts(&|p| p.phones.iter_mut().for_each(|p| p.readout_sd_seconds = 4e-3)), [4]);
    assert_eq!(parts(&|p| p.accuracy.court_click_px = 3.0), [5]);
    assert_eq!(parts(&|p| p.accuracy.focal_share = 0.01), [6]);
    // 35 m/s for 1 ms is 35 mm; a clock error of one phone moves the point by at most that.
    let mut late = plan.clone();
    late.accuracy.clock_seconds = 1e-3;
    let found = forecast(&late, &stand).unwrap();
    let clock_m = found.racket.part_shares[3].sqrt() * found.racket.total_m;
    assert!(clock_m > 0.005 && clock_m < 0.1, "{clock_m}");
    // The point lies where the first phone saw it along the path, or the second, or off both: never at rest for a body at rest.
    late.motion.body_mps = 0.0;
    assert!(forecast(&late, &stand).unwrap().body.part_shares[3] < 1e-12);
    assert!(base.points.iter().all(|p| p.of(Kind::Body).is_some()));
}

#[test]
fn a_plan_that_shows_nothing_is_refused() {
    let mut plan = example();
    for phone in &mut plan.phones {
        phone.look_at_m = Some([0.0, -60.0, 1.0]);
    }
    assert_eq!(forecast(&plan, &intended(&plan)), Err(super::PlanError::NothingSeen));
}
