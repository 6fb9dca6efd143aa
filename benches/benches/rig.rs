//! The rig's joint refinement: time over the number of instants.
//!
//! Two phones, 60 boards of 54 corners, and instants of 17 points of the player each. The peer is the same work on half the
//! instants, twice: elimination point by point makes time linear, where a dense normal matrix would cost its cube (the
//! full problem has 102 000 columns; it does not fit).

use std::error::Error;

use midline_benches::scene::{PHONE, board};
use midline_benches::timing::compare;
use midline_geometry::{Intrinsics, RigidTransform, rotation_from_vector};
use midline_rig::{PlayerPoint, PlayerView, RigInput, RigSettings, SharedSighting, refine, refine_dense};
use midline_session::board::{Board, BoardView};
use midline_session::calibration::LensCalibration;
use nalgebra::{Point3, Translation3, Vector2, Vector3};
use rand::{SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};

const BOARDS: usize = 60;
const INSTANTS: usize = 2000;
const POINTS: usize = 17;
const CORNER_SD_PX: f64 = 0.2;
const POINT_SD_PX: f64 = 2.0;

type Outcome<T> = Result<T, Box<dyn Error>>;

fn lens(name: &str) -> LensCalibration {
    LensCalibration { rms_px: CORNER_SD_PX, ..LensCalibration::exact(name, PHONE) }
}

fn seen(lens: &Intrinsics, pose: &RigidTransform, point: &Point3<f64>) -> Option<Vector2<f64>> {
    let px = lens.project(&(pose * point).coords)?;
    let [width, height] = lens.size_px.map(f64::from);
    ((0.0..width).contains(&px.x) && (0.0..height).contains(&px.y)).then_some(px)
}

fn main() -> Outcome<()> {
    let mut random = StdRng::seed_from_u64(1);
    let mut noise = move || -> f64 { StandardNormal.sample(&mut random) };
    let cameras = [[-5.0, -5.0, 1.6], [5.0, -4.5, 1.9]]
        .map(|eye| RigidTransform::look_at_lh(&Point3::from(eye), &Point3::new(0.0, 0.5, 1.0), &-Vector3::z()));
    let (board, lenses) = (Board { square_m: 0.08, ..board() }, [lens("left"), lens("right")]);
    let mut sightings = Vec::new();
    while sightings.len() < BOARDS {
        let centre = Vector3::new(0.5 * noise(), 0.5 + 0.5 * noise(), 1.0 + 0.2 * noise());
        let facing =
            RigidTransform::face_towards(&Point3::from(centre), &Point3::from(centre + Vector3::y()), &-Vector3::z());
        let turn = rotation_from_vector(Vector3::new(0.3 * noise(), 0.3 * noise(), 0.3 * noise()));
        let place = RigidTransform::from_parts(Translation3::from(centre), facing.rotation * turn);
        let mut view = |pose: &RigidTransform| -> Option<BoardView> {
            let corners_px = board
                .corners_m()
                .iter()
                .map(|c| {
                    let px = seen(&PHONE, pose, &(place * c))?;
                    Some([px.x + CORNER_SD_PX * noise(), px.y + CORNER_SD_PX * noise()])
                })
                .collect::<Option<_>>()?;
            Some(BoardView { frame_index: 0, pts_seconds: 0.0, corners_px, corner_ids: None, edge_width_px: None })
        };
        let views: Vec<Option<BoardView>> = cameras.iter().map(&mut view).collect();
        if views.iter().all(Option::is_some) {
            sightings.push(SharedSighting::at_rest(views));
        }
    }
    let mut points = Vec::new();
    while points.len() < INSTANTS * POINTS {
        let point = Point3::new(0.5 * noise(), 0.5 + 0.5 * noise(), 1.0 + 0.4 * noise());
        let views: Option<Vec<PlayerView>> = cameras
            .iter()
            .enumerate()
            .map(|(camera, pose)| {
                let px = seen(&PHONE, pose, &point)?;
                let px = [px.x + POINT_SD_PX * noise(), px.y + POINT_SD_PX * noise()];
                Some(PlayerView { camera, px, sd_px: POINT_SD_PX })
            })
            .collect();
        points.extend(views.map(|views| PlayerPoint { views }));
    }
    let input = RigInput { lenses: &lenses, boards: Some((&board, &sightings)), court: None, lines: &[] };
    let settings = RigSettings::default();
    let run = |instants: usize| -> Outcome<_> { Ok(refine(&input, &settings, &points[..instants * POINTS], false)?) };
    println!(
        "joint refinement, 2 phones, {BOARDS} boards of {} corners, {POINTS} points per instant",
        board.corner_count()
    );
    for [few, many] in [[0, 500], [500, 1000], [1000, 2000]] {
        let found = compare(3, || run(many), || run(few))?;
        println!(
            "  {many:5} instants {:8.0} ms; {few:5} instants {:8.0} ms",
            found.ours.as_secs_f64() * 1e3,
            found.peer.as_secs_f64() * 1e3
        );
    }
    println!("against one dense normal matrix over everything, the same answer (the full problem's would take 80 GB)");
    for instants in [2, 5, 10] {
        let some = &points[..instants * POINTS];
        let found = compare(
            1,
            || -> Outcome<_> { Ok(refine(&input, &settings, some, false)?) },
            || -> Outcome<_> { Ok(refine_dense(&input, &settings, some)?) },
        )?;
        let [ours, dense] = [found.ours, found.peer].map(|time| time.as_secs_f64() * 1e3);
        println!("  {instants:5} instants {ours:8.0} ms; dense {dense:8.0} ms, {:.1} times as long", dense / ours);
    }
    let refined = run(INSTANTS)?;
    println!("  {} points used; {}", refined.points, refined.rig.remarks.join(" "));
    Ok(())
}
