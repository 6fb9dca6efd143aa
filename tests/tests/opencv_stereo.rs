//! The rig's joint solution against OpenCV's `stereoCalibrate`, on OpenCV's own sample pictures.
//!
//! Source: Debian package `opencv-doc` 4.6.0 (`samples/data` of OpenCV), 13 pairs of pictures of a board with 9 × 6 inner
//! corners; `stereoCalibrate` with `CALIB_FIX_INTRINSIC`, run here on the same corners and lenses. The package publishes
//! intrinsics for the pair (`intrinsics.yml`) but no extrinsics, so that the function in the same run is the reference.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::path::Path;

use midline_geometry::stepped;
use midline_lens::{LensSettings, calibrate};
use midline_rig::{Loss, RigInput, RigSettings, SharedSighting, solve, solve_with};
use midline_session::board::{Board, BoardView};
use midline_session::calibration::{RigCalibration, Vertical, World};
use midline_tests::dataset;
use midline_vision::{Grey, find_board, reference};
use nalgebra::{DMatrix, DVector, Vector6};

const NUMBERS: [usize; 13] = [1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14];
const SIZE: [u32; 2] = [640, 480];

fn view(board: &Board, path: &Path, number: usize) -> BoardView {
    let picture = image::open(path).unwrap().into_luma8();
    let found = find_board(board, &Grey { pixels: picture.as_raw(), size_px: SIZE }).unwrap();
    found.unwrap_or_else(|| panic!("no board found in {}", path.display())).into_view(number, number as f64)
}

/// Standard deviation of the distance between the two cameras by the joint covariance, metres.
fn baseline_sd_m(rig: &RigCalibration) -> f64 {
    let length = |step: &DVector<f64>| {
        let [left, right] = [0, 1].map(|camera| {
            let own = Vector6::from_column_slice(&step.as_slice()[6 * camera..6 * camera + 6]);
            stepped(&rig.cameras[camera].camera_from_world, &own)
        });
        (right * left.inverse()).translation.vector.norm()
    };
    let along = |axis: usize, size: f64| DVector::from_fn(12, |i, _| if i == axis { size } else { 0.0 });
    let slope = DVector::from_fn(12, |axis, _| (length(&along(axis, 1e-6)) - length(&along(axis, -1e-6))) / 2e-6);
    let covariance = DMatrix::from_fn(12, 12, |i, j| rig.covariance[i][j]);
    (covariance * &slope).dot(&slope).sqrt()
}

#[test]
fn the_pose_between_the_cameras_is_opencvs() {
    let folder = dataset("opencv-doc").join("examples/data");
    // Squares of 25 mm by the package's left_intrinsics.yml.
    let board = Board { name: "OpenCV sample".to_owned(), inner_corners: [9, 6], square_m: 0.025, markers: None };
    let [left, right] = ["left", "right"].map(|side| -> Vec<BoardView> {
        NUMBERS.iter().map(|number| view(&board, &folder.join(format!("{side}{number:02}.jpg")), *number)).collect()
    });
    let settings = LensSettings::default();
    let lenses = [("left", &left), ("right", &right)]
        .map(|(name, views)| calibrate(name, &board, views, SIZE, &settings).unwrap());

    let sightings: Vec<SharedSighting> = left
        .iter()
        .zip(&right)
        .map(|(left, right)| SharedSighting::at_rest(vec![Some(left.clone()), Some(right.clone())]))
        .collect();
    let input = RigInput { lenses: &lenses, boards: Some((&board, &sightings)), court: None, lines: &[] };

    let corners = |views: &[BoardView]| views.iter().map(|v| v.corners_px.clone()).collect::<Vec<_>>();
    let theirs = reference::stereo_calibrate(
        &board,
        [&corners(&left), &corners(&right)],
        [&lenses[0].intrinsics, &lenses[1].intrinsics],
    )
    .unwrap();
    let differences = |what: &str, ours: &RigCalibration| {
        assert_eq!((ours.world, ours.vertical), (World::Board, Vertical::Unknown));
        assert_eq!(ours.cameras[0].board_views, 13);
        let right_from_left = ours.cameras[1].camera_from_world * ours.cameras[0].camera_from_world.inverse();
        let (found, expected) = (right_from_left.translation.vector, theirs.second_from_first.translation.vector);
        let baseline = (found.norm() / expected.norm() - 1.0).abs();
        let place = (found - expected).norm() / expected.norm();
        let angle = right_from_left.rotation.angle_to(&theirs.second_from_first.rotation);
        println!(
            "{what}: baseline {:.5} mm, relative difference {baseline:.1e} (vector {place:.1e}), rotation {angle:.1e} rad; \
             rms {:.4} and {:.4} px, theirs {:.4} px over both",
            1e3 * found.norm(),
            ours.cameras[0].board_rms_px.unwrap(),
            ours.cameras[1].board_rms_px.unwrap(),
            theirs.rms_px
        );
        [baseline, place, angle]
    };

    // With the squared loss it is the same problem, and the optimum must be the same. OpenCV takes corners in single
    // precision.
    let squared = RigSettings { loss: Loss::Squared, ..RigSettings::default() };
    let same = differences("squared loss", &solve_with(&input, &squared).unwrap());
    assert!(same.iter().all(|difference| *difference < 1e-4), "{same:?}");

    // The default loss holds back the few corners that are far off; the answer stays within twice its own
    // standard deviation.
    let robust = solve(&input).unwrap();
    println!("{:#?}", robust.remarks);
    let [baseline, ..] = differences("default loss", &robust);
    let sd = baseline_sd_m(&robust) / theirs.second_from_first.translation.vector.norm();
    println!("stated standard deviation of the baseline: {sd:.1e} of it");
    assert!(baseline < 2.0 * sd, "{baseline} {sd}");
}
