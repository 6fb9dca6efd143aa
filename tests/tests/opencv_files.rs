//! Lens files both ways, against OpenCV's own `FileStorage` and the calibrations that OpenCV publishes.
//!
//! Source: Debian package `opencv-doc` 4.6.0, `left_intrinsics.yml` and `intrinsics.yml`; the values below are those in the
//! files' text. What we write is read back through OpenCV by key, not by our own reader.

#![expect(clippy::unwrap_used, reason = "helpers of a test fail as the test does")]

use std::path::Path;

use midline_geometry::{Intrinsics, LensModel, RigidTransform};
use midline_session::board::Board;
use midline_session::calibration::{LensCalibration, LensView};
use midline_session::outside_lens::OutsideUncertainty;
use midline_tests::dataset;
use midline_vision::reference::{self, LensFlags};
use midline_vision::{read_lens_file, write_lens_file};
use nalgebra::Vector3;

const FOOTAGE: [u32; 2] = [640, 480];

#[test]
fn the_published_lens_is_read_and_its_missing_uncertainty_is_allowed_for() {
    let file = dataset("opencv-doc").join("examples/data/left_intrinsics.yml");
    let read = read_lens_file(&file, None, [1, 1]).unwrap();
    assert!(read.size_is_in_file);
    assert_eq!(read.intrinsics.size_px, [640, 480]);
    assert_eq!(read.intrinsics.focal_px, [5.359_157_339_616_319_9e2; 2]);
    assert_eq!(read.intrinsics.centre_px, [3.422_831_547_330_837_3e2, 2.355_708_290_978_817_3e2]);
    let published = [
        -2.663_726_090_966_068_2e-1,
        -3.858_889_892_230_465_3e-2,
        1.783_194_704_285_296_4e-3,
        -2.812_210_044_111_547_2e-4,
        2.383_915_308_087_848_6e-1,
    ];
    assert_eq!(read.intrinsics.model, LensModel::BrownConrady(published));
    assert_eq!(read.rms_px, Some(3.925_909_897_558_136_4e-1));
    assert_eq!(read.uncertainty, OutsideUncertainty::None);
    let lens = read.into_calibration("left");
    assert!(lens.standard_deviations.iter().all(|sd| sd.is_some_and(|sd| sd > 0.0)));
    assert!(lens.advice.iter().any(|sentence| sentence.contains("says nothing about its uncertainty")));
}

#[test]
fn each_lens_of_a_pair_is_read_from_its_file() {
    let file = dataset("opencv-doc").join("examples/data/intrinsics.yml");
    let error = read_lens_file(&file, None, FOOTAGE).unwrap_err().to_string();
    assert!(
        error.contains("intrinsics.yml") && error.contains("\"camera_matrix\"") && error.contains("of_two"),
        "{error}"
    );
    let [first, second] = [1, 2].map(|number| read_lens_file(&file, Some(number), FOOTAGE).unwrap());
    assert_eq!(first.intrinsics.centre_px, [3.356_864_320_439_489_1e2, 2.406_618_305_406_633_7e2]);
    assert_eq!(second.intrinsics.focal_px, [5.348_032_684_505_130_9e2; 2]);
    let coefficients = [-1.691_635_830_694_809_6e-1, -1.121_417_364_121_316_3e-1, 0.0, 0.0, 0.0];
    assert_eq!(second.intrinsics.model, LensModel::BrownConrady(coefficients));
    assert!(!first.size_is_in_file && first.intrinsics.size_px == FOOTAGE && first.rms_px.is_none());
}

fn board() -> Board {
    Board { name: "plate".into(), inner_corners: [9, 6], square_m: 0.025, markers: None }
}

/// A lens with a full covariance, p1 and p2 held fixed for Brown-Conrady.
fn lens(model: LensModel) -> LensCalibration {
    let intrinsics =
        Intrinsics { focal_px: [951.25, 948.5], centre_px: [641.125, 357.75], model, size_px: [1280, 720] };
    let n = intrinsics.parameter_count();
    let fixed = |i: usize| matches!(model, LensModel::BrownConrady(_)) && (i == 6 || i == 7);
    let sd = |i: usize| if fixed(i) { 0.0 } else { 0.01 * (i + 1) as f64 };
    let covariance: Vec<Vec<f64>> =
        (0..n).map(|i| (0..n).map(|j| sd(i) * sd(j) * if i == j { 1.0 } else { 0.25 }).collect()).collect();
    let pose = RigidTransform::new(Vector3::new(0.05, -0.03, 0.4), Vector3::new(0.1, -0.2, 0.3));
    LensCalibration {
        standard_deviations: (0..n).map(|i| (!fixed(i)).then(|| sd(i))).collect(),
        covariance,
        rms_px: 0.215,
        views: vec![LensView { frame_index: 3, pts_seconds: 0.1, rms_px: 0.25, camera_from_board: pose }],
        ..read_lens_file(&dataset("opencv-doc").join("examples/data/left_intrinsics.yml"), None, FOOTAGE)
            .map(|mut outside| {
                outside.intrinsics = intrinsics;
                outside.into_calibration("left")
            })
            .unwrap()
    }
}

fn models() -> [LensModel; 3] {
    [
        LensModel::BrownConrady([-0.28, 0.09, 0.0, 0.0, -0.012]),
        LensModel::Rational([0.31, -0.12, 0.0008, -0.0004, 0.02, 0.55, -0.09, 0.015]),
        LensModel::Fisheye([-0.013, 0.021, -0.016, 1.0 / 3.0]),
    ]
}

#[test]
fn what_is_written_opens_in_opencv_by_the_samples_keys_and_comes_back_the_same() {
    let folder = tempfile::tempdir().unwrap();
    for model in models() {
        let lens = lens(model);
        for extension in ["yml", "yaml", "xml", "json"] {
            let path = folder.path().join(format!("lens.{extension}"));
            write_lens_file(&path, &lens, Some(&board())).unwrap();
            let wanted_focal = lens.intrinsics.focal_px;
            let by_key = |key: &str| reference::file_storage_matrix(&path, key).unwrap();
            assert_eq!(
                by_key("camera_matrix"),
                [
                    wanted_focal[0],
                    0.0,
                    lens.intrinsics.centre_px[0],
                    0.0,
                    wanted_focal[1],
                    lens.intrinsics.centre_px[1],
                    0.0,
                    0.0,
                    1.0
                ]
            );
            assert_eq!(by_key("distortion_coefficients"), model.coefficients());
            let number = |key: &str| reference::file_storage_number(&path, key).unwrap();
            assert_eq!([number("image_width"), number("image_height"), number("nframes")], [1280.0, 720.0, 1.0]);
            assert_eq!([number("board_width"), number("board_height"), number("square_size")], [9.0, 6.0, 0.025]);
            assert_eq!(number("avg_reprojection_error"), 0.215);
            assert_eq!(by_key("extrinsic_parameters").len(), 6);
            let back = read_lens_file(&path, None, [1, 1]).unwrap();
            assert_eq!((back.intrinsics, back.rms_px), (lens.intrinsics, Some(0.215)), "{}", path.display());
            let back = back.into_calibration("left");
            assert_eq!(back.covariance, lens.covariance);
            for (back, sd) in back.standard_deviations.iter().zip(&lens.standard_deviations) {
                assert!((back.unwrap_or(0.0) - sd.unwrap_or(0.0)).abs() < 1e-15);
            }
            assert!(back.advice.is_empty(), "{:?}", back.advice);
        }
    }
    // The reader of OpenCV's sample files understands it too, and the flags say what was held fixed.
    let path = folder.path().join("lens.yml");
    write_lens_file(&path, &lens(models()[0]), Some(&board())).unwrap();
    let published = reference::read_calibration_file(&path).unwrap();
    assert_eq!(published.flags, LensFlags { zero_tangential: true, ..LensFlags::default() });
    assert!((published.camera_from_board[0].translation.vector - Vector3::new(0.05, -0.03, 0.4)).norm() < 1e-12);
}

fn refusal(path: &Path, text: &str) -> String {
    std::fs::write(path, text).unwrap();
    let message = read_lens_file(path, None, FOOTAGE).unwrap_err().to_string();
    assert!(message.contains(&path.display().to_string()), "{message}");
    message
}

#[test]
fn files_that_hold_no_usable_lens_are_refused_with_the_key() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("lens.yml");
    let error = read_lens_file(&path, None, FOOTAGE).unwrap_err().to_string();
    assert!(error.contains("lens.yml") && error.contains("reading failed"), "{error}");
    let good = std::fs::read_to_string(dataset("opencv-doc").join("examples/data/left_intrinsics.yml")).unwrap();
    let cases = [
        ("distortion_coefficients:", "coefficients:", "there is no \"distortion_coefficients\""),
        ("camera_matrix:", "matrix:", "there is no \"camera_matrix\""),
        ("image_width: 640", "image_width: wide", "\"image_width\" is not a number"),
        ("image_height: 480", "image_height: -480", "\"image_height\" is -480"),
        ("5.3591573396163199e+02, 0.,", "-5.0, 0.,", "\"camera_matrix\" has focal lengths -5"),
        ("5.3591573396163199e+02, 0.,", "5.0, 0.25,", "skew 0.25"),
        ("5.3591573396163199e+02, 0.,", ".Nan, 0.,", "\"camera_matrix\" holds something that is not a number"),
        ("   rows: 5\n   cols: 1", "   rows: 5\n   cols: 2", "distortion_coefficients"),
        ("nframes: 13", "fisheye_model: 1", "\"distortion_coefficients\" has 5 elements; a fisheye lens"),
    ];
    for (from, to, wanted) in cases {
        assert!(good.contains(from), "{from}");
        let message = refusal(&path, &good.replace(from, to));
        assert!(message.contains(wanted), "{from}: {message}");
    }
    refusal(&path, "");
    refusal(&path, "camera_matrix: [1, 2");
    let prism = good.replace(
        "   rows: 5\n   cols: 1\n   dt: d\n   data: [",
        "   rows: 12\n   cols: 1\n   dt: d\n   data: [ 1,1,1,1,1,1,1,",
    );
    assert!(refusal(&path, &prism).contains("thin-prism"));
    let error = write_lens_file(&folder.path().join("lens.txt"), &lens(models()[0]), None).unwrap_err().to_string();
    assert!(error.contains(".yml, .yaml, .xml or .json"), "{error}");
}
