//! Board search and lens against OpenCV, on OpenCV's own sample pictures and the calibration it publishes for them.
//!
//! Source: Debian package `opencv-doc` 4.6.0 (`samples/data` of OpenCV): 13 pairs of pictures of a board with 9 × 6 inner
//! corners, `left_intrinsics.yml`; and OpenCV's functions, run here on the same numbers.

use std::path::Path;
use std::sync::LazyLock;

use midline_geometry::{Intrinsics, LensModel, RigidTransform};
use midline_lens::{Aspect, LensModelChoice, LensSettings, calibrate};
use midline_session::board::{Board, BoardView};
use midline_session::calibration::LensCalibration;
use midline_tests::dataset;
use midline_vision::reference::{self, LensFlags, PublishedLens};
use midline_vision::{Grey, find_board};
use nalgebra::{Point3, Vector2, Vector3};

const NUMBERS: [usize; 13] = [1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14];
const SIZE: [u32; 2] = [640, 480];

struct Sample {
    board: Board,
    left: Vec<BoardView>,
    right: Vec<BoardView>,
    published: PublishedLens,
}

/// The boards in all pictures, found once.
static SAMPLE: LazyLock<Sample> = LazyLock::new(|| {
    let folder = dataset("opencv-doc").join("examples/data");
    let published = reference::read_calibration_file(&folder.join("left_intrinsics.yml")).unwrap();
    // The file says 25 mm (in single precision).
    let board = Board {
        name: "OpenCV sample".to_owned(),
        inner_corners: published.inner_corners,
        square_m: (published.square * 1e3).round() / 1e3,
    };
    let views = |side: &str| {
        NUMBERS.iter().map(|number| view(&board, &folder.join(format!("{side}{number:02}.jpg")), *number)).collect()
    };
    Sample { left: views("left"), right: views("right"), board: board.clone(), published }
});

fn view(board: &Board, path: &Path, number: usize) -> BoardView {
    let picture = image::open(path).unwrap().into_luma8();
    assert_eq!([picture.width(), picture.height()], SIZE);
    let found = find_board(board, &Grey { pixels: picture.as_raw(), size_px: SIZE }).unwrap();
    found.unwrap_or_else(|| panic!("no board found in {}", path.display())).into_view(number, number as f64)
}

fn corners(views: &[BoardView]) -> Vec<Vec<[f64; 2]>> {
    views.iter().map(|view| view.corners_px.clone()).collect()
}

/// The settings that mean the same as OpenCV's flags.
fn settings(flags: LensFlags) -> LensSettings {
    LensSettings {
        model: if flags.rational { LensModelChoice::Rational } else { LensModelChoice::BrownConrady },
        aspect: if flags.fix_aspect_ratio { Aspect::Fixed(1.0) } else { Aspect::Free },
        principal_point_free: !flags.fix_principal_point,
        tangential_free: !flags.zero_tangential,
        ..LensSettings::default()
    }
}

fn ours(views: &[BoardView], flags: LensFlags) -> LensCalibration {
    calibrate("left", &SAMPLE.board, views, SIZE, &settings(flags)).unwrap()
}

/// Longest distance over the picture between where two lenses see the same ray, px, after the small turn of the camera that
/// brings them closest at the picture's middle; rays from `one`.
fn farthest_apart_px(one: &Intrinsics, other: &Intrinsics) -> f64 {
    let grid = |n: u32, side: u32| (0..=n).map(move |i| f64::from(i * side) / f64::from(n));
    let mut worst = 0.0_f64;
    for x in grid(16, SIZE[0]) {
        for y in grid(12, SIZE[1]) {
            let Ok(ray) = one.normalised_from_px(Vector2::new(x, y)) else { continue };
            let px = other.project(&Vector3::new(ray.x, ray.y, 1.0)).unwrap();
            let shift = Vector2::from(one.centre_px) - Vector2::from(other.centre_px);
            worst = worst.max((px + shift - Vector2::new(x, y)).norm());
        }
    }
    worst
}

#[test]
fn all_boards_are_found_and_both_cameras_name_the_same_corner_first() {
    assert_eq!((SAMPLE.left.len(), SAMPLE.right.len()), (13, 13));
    let flags = LensFlags::default();
    let [left, right] = [&SAMPLE.left, &SAMPLE.right].map(|views| ours(views, flags));
    // A wrong end in one view of one camera would leave tens of pixels.
    let rig = reference::stereo_calibrate(
        &SAMPLE.board,
        [&corners(&SAMPLE.left), &corners(&SAMPLE.right)],
        [&left.intrinsics, &right.intrinsics],
    )
    .unwrap();
    println!(
        "left {:.4} px, right {:.4} px, both {:.4} px, baseline {:.1} mm, edges {:.2} px",
        left.rms_px,
        right.rms_px,
        rig.rms_px,
        1e3 * rig.second_from_first.translation.vector.norm(),
        SAMPLE.left[0].edge_width_px.unwrap()
    );
    assert!(rig.rms_px < 0.5, "{}", rig.rms_px);
}

#[test]
fn the_optimum_is_opencvs_with_the_same_flags() {
    let cases = [
        LensFlags::default(),
        LensFlags { fix_aspect_ratio: true, ..LensFlags::default() },
        LensFlags { fix_principal_point: true, zero_tangential: true, ..LensFlags::default() },
        LensFlags { rational: true, ..LensFlags::default() },
    ];
    for (views, side) in [(&SAMPLE.left, "left"), (&SAMPLE.right, "right")] {
        for flags in cases {
            let ours = ours(views, flags);
            let theirs = reference::calibrate_camera(&SAMPLE.board, &corners(views), SIZE, flags).unwrap();
            let (a, b) = (ours.intrinsics.parameters(), theirs.intrinsics.parameters());
            let apart = farthest_apart_px(&ours.intrinsics, &theirs.intrinsics);
            println!(
                "{side} {flags:?}\n  f and c differ by {:.1e} px, coefficients by {:.1e}, rms {:.6} and {:.6} px ({:.1e}), \
                 pictures {apart:.1e} px\n  ours {a:.5?}\n  sd {:.5?}\n  theirs {:.5?}",
                (&a - &b).rows(0, 4).amax(),
                (&a - &b).rows(4, a.len() - 4).amax(),
                ours.rms_px,
                theirs.rms_px,
                ours.rms_px - theirs.rms_px,
                ours.standard_deviations,
                theirs.standard_deviations,
            );
        }
    }
}

#[test]
fn the_published_calibration_is_met() {
    let ours = ours(&SAMPLE.left, SAMPLE.published.flags);
    println!("{:?}\n{:?}\n{:?}", SAMPLE.published.flags, ours.intrinsics, SAMPLE.published.intrinsics);
    println!("{:?}", ours.standard_deviations);
    println!("{}", farthest_apart_px(&ours.intrinsics, &SAMPLE.published.intrinsics));
    for (a, b) in ours.views.iter().zip(&SAMPLE.published.view_rms_px) {
        println!("{} {:.3} {b:.3}", a.frame_index, a.rms_px);
    }
    let turned: Vec<_> = SAMPLE.board.corners_m().into_iter().rev().collect();
    for (view, pose) in SAMPLE.left.iter().zip(&SAMPLE.published.camera_from_board) {
        for points in [SAMPLE.board.corners_m(), turned.clone()] {
            let px = reference::project_points(&points, pose, &SAMPLE.published.intrinsics).unwrap();
            let s: f64 = px.iter().zip(&view.corners_px).map(|(a, b)| (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2)).sum();
            print!("{:.3} ", (s / 54.0).sqrt());
        }
        println!();
    }
    for i in 0..13 {
        let mut v = SAMPLE.left.clone();
        v.remove(i);
        let o = self::ours(&v, SAMPLE.published.flags);
        println!("{i} {:?} {:?}", o.intrinsics.focal_px[0], o.intrinsics.centre_px);
    }
    println!("{:?} {:?} {}", ours.advice, ours.held_out_rms_px, ours.coverage);
}

fn some_lenses() -> [Intrinsics; 4] {
    let models = [
        LensModel::Pinhole,
        LensModel::BrownConrady([-0.28, 0.09, 0.0011, -0.0007, -0.012]),
        LensModel::Rational([0.31, -0.12, 0.0008, -0.0004, 0.02, 0.55, -0.09, 0.015]),
        LensModel::Fisheye([-0.013, 0.021, -0.016, 0.004]),
    ];
    models.map(|model| Intrinsics { focal_px: [950.0, 941.0], centre_px: [633.2, 355.9], model, size_px: [1280, 720] })
}

#[test]
fn projection_and_undistortion_are_opencvs() {
    let points: Vec<Point3<f64>> = (0..12)
        .flat_map(|i| (0..8).map(move |j| (i, j)))
        .map(|(i, j)| {
            let depth = 2.0 + 0.1 * f64::from(i * j % 7);
            Point3::new((f64::from(i) - 5.5) * 0.22, (f64::from(j) - 3.5) * 0.2, depth)
        })
        .collect();
    let pose = RigidTransform::new(Vector3::new(0.05, -0.03, 0.4), Vector3::new(0.04, -0.06, 0.09));
    for lens in some_lenses() {
        let theirs = reference::project_points(&points, &pose, &lens).unwrap();
        let ours: Vec<Vector2<f64>> =
            points.iter().map(|point| lens.project(&(pose * point).coords).unwrap()).collect();
        let worst = ours.iter().zip(&theirs).map(|(a, &b)| (a - Vector2::from(b)).norm()).fold(0.0, f64::max);
        let back = reference::undistort_points(&theirs, &lens).unwrap();
        let worst_back = theirs
            .iter()
            .zip(&back)
            .map(|(&px, &b)| (lens.normalised_from_px(px.into()).unwrap() - Vector2::from(b)).norm())
            .fold(0.0, f64::max);
        println!("{:?}: projection {worst:.1e} px, undistortion {worst_back:.1e}", lens.model);
        assert!(worst < 1e-9, "{:?}: {worst}", lens.model);
        assert!(worst_back < 1e-9, "{:?}: {worst_back}", lens.model);
    }
}
