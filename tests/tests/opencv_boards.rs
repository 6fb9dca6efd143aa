//! Board search and lens against OpenCV, on OpenCV's own sample pictures and the calibration it publishes for them.
//!
//! Source: Debian package `opencv-doc` 4.6.0 (`samples/data` of OpenCV): 13 pairs of pictures of a board with 9 × 6 inner
//! corners, `left_intrinsics.yml`; and OpenCV's functions, run here on the same numbers.

#![expect(clippy::unwrap_used, clippy::panic, reason = "helpers of a test fail as the test does")]

use std::path::Path;
use std::sync::LazyLock;

use midline_geometry::{Intrinsics, LensModel, RigidTransform};
use midline_lens::{Aspect, LensModelChoice, LensSettings, calibrate};
use midline_session::board::{Board, BoardView};
use midline_session::calibration::LensCalibration;
use midline_tests::dataset;
use midline_vision::reference::{self, LensFlags, PublishedLens, ReferenceLens};
use midline_vision::{Grey, find_board};
use nalgebra::{DVector, Point3, Vector2, Vector3};

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
        markers: None,
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
        radial_terms: 3 - usize::from(flags.fix_k3) - usize::from(flags.fix_k2),
        ..LensSettings::default()
    }
}

fn ours(views: &[BoardView], flags: LensFlags) -> LensCalibration {
    calibrate("left", &SAMPLE.board, views, SIZE, &settings(flags)).unwrap()
}

/// Longest distance, over the picture, between the pixels in which two lenses see the same ray; places without a ray are
/// left out (the rational optimum on the left pictures, OpenCV's as ours, has a pole in the picture).
fn farthest_apart_px(one: &Intrinsics, other: &Intrinsics) -> f64 {
    let [width, height] = SIZE.map(f64::from);
    (0..=16)
        .flat_map(|i| (0..=12).map(move |j| Vector2::new(width * f64::from(i) / 16.0, height * f64::from(j) / 12.0)))
        .filter_map(|px| {
            let ray = one.normalised_from_px(px).ok()?;
            Some((other.project(&Vector3::new(ray.x, ray.y, 1.0)).unwrap() - px).norm())
        })
        .fold(0.0, f64::max)
}

#[test]
fn all_boards_are_found_and_both_cameras_name_the_same_corner_first() {
    assert_eq!((SAMPLE.left.len(), SAMPLE.right.len()), (13, 13));
    let [left, right] = [&SAMPLE.left, &SAMPLE.right].map(|views| ours(views, LensFlags::default()));
    // A wrong end in one view of one camera would leave tens of pixels.
    let rig = reference::stereo_calibrate(
        &SAMPLE.board,
        [&corners(&SAMPLE.left), &corners(&SAMPLE.right)],
        [&left.intrinsics, &right.intrinsics],
    )
    .unwrap();
    println!("left {:.4} px, right {:.4} px, both {:.4} px", left.rms_px, right.rms_px, rig.rms_px);
    assert!(rig.rms_px < 0.5, "{}", rig.rms_px);
    let widths = SAMPLE.left.iter().map(|view| view.edge_width_px.unwrap());
    assert!(widths.clone().all(|width| (1.0..5.0).contains(&width)), "{:?}", widths.collect::<Vec<_>>());
}

#[test]
fn the_optimum_is_opencvs_with_the_same_flags() {
    // Every combination that the settings offer; the rational form with all else free.
    let mut cases: Vec<LensFlags> = (0..24)
        .map(|case| LensFlags {
            fix_aspect_ratio: case & 1 != 0,
            fix_principal_point: case & 2 != 0,
            zero_tangential: case & 4 != 0,
            fix_k3: case / 8 >= 1,
            fix_k2: case / 8 == 2,
            rational: false,
        })
        .collect();
    cases.push(LensFlags { rational: true, ..LensFlags::default() });
    let mut worst = [0.0_f64; 2];
    for (side, views) in [("left", &SAMPLE.left), ("right", &SAMPLE.right)] {
        for &flags in &cases {
            let ours = ours(views, flags);
            let theirs = reference::calibrate_camera(&SAMPLE.board, &corners(views), SIZE, flags).unwrap();
            let (a, b) = (ours.intrinsics.parameters(), theirs.intrinsics.parameters());
            let (of_lens, of_coefficients) = ((&a - &b).rows(0, 4).amax(), (&a - &b).rows(4, a.len() - 4).amax());
            let apart = farthest_apart_px(&ours.intrinsics, &theirs.intrinsics);
            worst = [worst[0].max(of_lens), worst[1].max(of_coefficients)];
            assert!(
                of_lens < 1e-3 && of_coefficients < 1e-3 && apart < 1e-3,
                "{side} {flags:?}: f and c differ by {of_lens:.1e} px, coefficients by {of_coefficients:.1e}, pictures by {apart:.1e} px"
            );
            assert!((ours.rms_px - theirs.rms_px).abs() < 1e-6);
            for (ours, theirs) in ours.views.iter().zip(&theirs.view_rms_px) {
                assert!((ours.rms_px - theirs).abs() < 1e-4, "frame {}: {theirs}", ours.frame_index);
            }
            if !flags.rational {
                compare_deviations(&ours, &theirs, flags);
            }
        }
    }
    let [of_lens, of_coefficients] = worst;
    println!(
        "25 flag sets, both sides: f and c differ by {of_lens:.1e} px at most, coefficients by {of_coefficients:.1e}"
    );
}

/// `fisheye::calibrate` on the same corners: the same optimum to the steps at which it stops.
#[test]
fn the_fisheye_optimum_is_opencvs() {
    for (side, views) in [("left", &SAMPLE.left), ("right", &SAMPLE.right)] {
        let settings = LensSettings { model: LensModelChoice::Fisheye, ..LensSettings::default() };
        let ours = calibrate(side, &SAMPLE.board, views, SIZE, &settings).unwrap();
        let (theirs, rms_px) = reference::calibrate_fisheye(&SAMPLE.board, &corners(views), SIZE).unwrap();
        let apart = farthest_apart_px(&ours.intrinsics, &theirs);
        println!("{side}: ours {:?}, theirs {theirs:?}", ours.intrinsics);
        println!("{side}: pictures {apart:.1e} px apart, rms {:.5} and {rms_px:.5} px", ours.rms_px);
        assert!(apart < 0.01, "{apart}");
    }
}

/// OpenCV 4.6 divides the squared error by the number of points less the unknowns, although each point has two coordinates;
/// ours are smaller by the root of the ratio (that ours are honest is tested in the lens crate on repeated noise). For the
/// rational model OpenCV inverts by a truncated decomposition, which is no comparison.
fn compare_deviations(ours: &LensCalibration, theirs: &ReferenceLens, flags: LensFlags) {
    let points = (ours.views.len() * SAMPLE.board.corner_count()) as f64;
    let free = ours.standard_deviations.iter().flatten().count() - usize::from(flags.fix_aspect_ratio);
    let unknowns = (free + 6 * ours.views.len()) as f64;
    let factor = ((2.0 * points - unknowns) / (points - unknowns)).sqrt();
    for ((name, ours), &theirs) in
        ours.parameter_names.iter().zip(&ours.standard_deviations).zip(&theirs.standard_deviations)
    {
        match ours {
            // With a fixed aspect ratio OpenCV gives the deviation of fy only.
            Some(_) if flags.fix_aspect_ratio && name == "fx" => {}
            Some(sd) => assert!((sd * factor / theirs - 1.0).abs() < 1e-3, "{name}: {sd} and {theirs}"),
            None => assert!(theirs.abs() < 1e-12, "{name}: {theirs}"),
        }
    }
}

/// The published lens and ours come from the same pictures but not from the same corners: by its own errors per view, the
/// published corners of two views were off (1.18 px and 0.38 px where the others have about 0.2 px). What a view's errors do
/// to a parameter is seen by leaving it out; scaled to the published error of that view and summed over the views (the
/// jackknife, Efron 1982), that gives the deviation of the published value. 3 of both deviations together are allowed.
#[test]
fn the_published_calibration_is_met() {
    let published = &SAMPLE.published;
    assert_eq!(published.flags, LensFlags { fix_aspect_ratio: true, ..LensFlags::default() });
    let all = ours(&SAMPLE.left, published.flags);
    let parameters = all.intrinsics.parameters();
    let mut variance = DVector::zeros(parameters.len());
    for (index, (view, published_error_px)) in all.views.iter().zip(&published.view_rms_px).enumerate() {
        let mut others = SAMPLE.left.clone();
        others.remove(index);
        let shift = ours(&others, published.flags).intrinsics.parameters() - &parameters;
        variance += shift.map(|s| (s * published_error_px / view.rms_px).powi(2));
    }
    for (index, name) in all.parameter_names.iter().enumerate() {
        let joint = (all.standard_deviations[index].unwrap().powi(2) + variance[index]).sqrt();
        let (value, wanted) = (parameters[index], published.intrinsics.parameters()[index]);
        println!("{name}: {value:.5}, published {wanted:.5}, {:.2} deviations of {joint:.5}", (value - wanted) / joint);
        assert!((value - wanted).abs() < 3.0 * joint, "{name}");
    }
    assert!(all.rms_px < published.rms_px);
}

/// Our corners against where the published lens and poses put them (no part of ours but the board search): they should lie
/// there as well as the published corners did, whose error in each view the file gives.
#[test]
fn the_corners_are_where_the_published_poses_put_them() {
    let published = &SAMPLE.published;
    assert_eq!(published.camera_from_board.len(), SAMPLE.left.len());
    for ((view, pose), &error_px) in SAMPLE.left.iter().zip(&published.camera_from_board).zip(&published.view_rms_px) {
        let projected = reference::project_points(&SAMPLE.board.corners_m(), pose, &published.intrinsics).unwrap();
        let squared: f64 = projected
            .iter()
            .zip(&view.corners_px)
            .map(|(&a, &b)| (Vector2::from(a) - Vector2::from(b)).norm_squared())
            .sum();
        let rms_px = (squared / projected.len() as f64).sqrt();
        println!("left{:02}: {rms_px:.3} px, published {error_px:.3} px", view.frame_index);
        assert!(rms_px < error_px + 0.02, "left{:02}: {rms_px}", view.frame_index);
    }
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
