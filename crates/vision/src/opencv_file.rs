//! Lenses in OpenCV's calibration files, both ways.
//!
//! Keys and their order are those of OpenCV's own calibration sample (`samples/cpp/calibration.cpp`, and `fisheye_model` of
//! the calibration tutorial), so that any program that opens OpenCV's files opens ours. Added are
//! `camera_matrix_std_dev` (fx fy cx cy) and `distortion_coefficients_std_dev`, under the names that OpenCV's interactive
//! calibration uses (from memory), and `parameter_covariance`, which other programs skip.

use std::path::Path;

use midline_geometry::{Intrinsics, LensModel, vector_from_rotation};
use midline_session::board::Board;
use midline_session::calibration::LensCalibration;
use midline_session::outside_lens::{OutsideLens, OutsideUncertainty};
use midline_session::write_atomically;

use crate::VisionError;
use crate::file_storage::{Entries, Writer};
use crate::reference::LensFlags;

const FOCAL_AND_CENTRE_SD: &str = "camera_matrix_std_dev";
const COEFFICIENTS_SD: &str = "distortion_coefficients_std_dev";
const COVARIANCE: &str = "parameter_covariance";
/// `CALIB_FIX_SKEW` of OpenCV's fisheye calibration: our lenses have no skew.
const FISHEYE_FIX_SKEW: usize = 8;
/// Correlation of fx and fy from which on they were one parameter.
const TIED: f64 = 1.0 - 1e-9;

/// Reads a lens from a YAML, XML or JSON file as OpenCV writes them.
///
/// `of_two` chooses the lens in the file of a camera pair (`M1` and `D1`, or `M2` and `D2`). Such files do not say the
/// picture's size: `footage_size_px` is then taken for it.
///
/// # Errors
/// When the file cannot be read, an entry is missing or of another kind, or the lens is of a model that is not known here;
/// the file and the key are named.
pub fn read_lens_file(path: &Path, of_two: Option<u32>, footage_size_px: [u32; 2]) -> Result<OutsideLens, VisionError> {
    let entries = Entries::open(path)?;
    let (matrix_key, coefficients_key) = match of_two {
        Some(number) => (format!("M{number}"), format!("D{number}")),
        None if !entries.has("camera_matrix")? && entries.has("M1")? => {
            return Err(entries.wrong(
                "there is no \"camera_matrix\" but \"M1\": this file holds two cameras; say which one with `of_two = 1` or \
                 `of_two = 2` beside `file` in session.toml"
                    .to_owned(),
            ));
        }
        None => ("camera_matrix".to_owned(), "distortion_coefficients".to_owned()),
    };
    let matrix = entries.matrix(&matrix_key)?;
    if (matrix.rows, matrix.columns) != (3, 3) {
        return Err(entries.wrong(format!("\"{matrix_key}\" is {} × {}, not 3 × 3", matrix.rows, matrix.columns)));
    }
    let k = &matrix.elements;
    if !(k[0] > 0.0 && k[4] > 0.0) || k[1].abs() > f64::EPSILON * k[0] {
        return Err(entries.wrong(format!(
            "\"{matrix_key}\" has focal lengths {} and {} and skew {}; the first two must be above 0, and lenses with skew are \
             not known here",
            k[0], k[4], k[1]
        )));
    }
    let fisheye = entries.optional(entries.whole("fisheye_model"), "fisheye_model")?.is_some_and(|yes| yes != 0);
    let model = model(&entries, &coefficients_key, fisheye)?;
    let size_is_in_file = entries.has("image_width")? || entries.has("image_height")?;
    let size_px =
        if size_is_in_file { [entries.count("image_width")?, entries.count("image_height")?] } else { footage_size_px };
    let intrinsics = Intrinsics { focal_px: [k[0], k[4]], centre_px: [k[2], k[5]], model, size_px };
    let uncertainty = match of_two {
        Some(_) => OutsideUncertainty::None,
        None => uncertainty(&entries, intrinsics.parameter_count())?,
    };
    let error_key = "avg_reprojection_error";
    Ok(OutsideLens {
        intrinsics,
        size_is_in_file,
        rms_px: if of_two.is_some() { None } else { entries.optional(entries.number(error_key), error_key)? },
        uncertainty,
    })
}

fn model(entries: &Entries, key: &str, fisheye: bool) -> Result<LensModel, VisionError> {
    let d = entries.matrix(key)?.elements;
    let at = |i: usize| d.get(i).copied().unwrap_or(0.0);
    match (fisheye, d.len()) {
        (true, 4) => Ok(LensModel::Fisheye(std::array::from_fn(at))),
        (true, n) => Err(entries.wrong(format!("\"{key}\" has {n} elements; a fisheye lens (\"fisheye_model\") has 4"))),
        (false, 4 | 5) => Ok(LensModel::BrownConrady(std::array::from_fn(at))),
        (false, 8 | 12 | 14) if d.iter().skip(8).all(|value| value.abs() < f64::EPSILON) => {
            Ok(LensModel::Rational(std::array::from_fn(at)))
        }
        (false, 12 | 14) => Err(entries.wrong(format!(
            "\"{key}\" has {} elements: thin-prism and tilted lenses are not known here; calibrate with 5 or 8 coefficients",
            d.len()
        ))),
        (false, n) => Err(entries.wrong(format!("\"{key}\" has {n} elements; 4, 5 and 8 are known"))),
    }
}

fn uncertainty(entries: &Entries, parameters: usize) -> Result<OutsideUncertainty, VisionError> {
    if let Some(covariance) = entries.optional(entries.matrix(COVARIANCE), COVARIANCE)? {
        if (covariance.rows, covariance.columns) != (parameters, parameters) {
            return Err(entries.wrong(format!(
                "\"{COVARIANCE}\" is {} × {}, and the lens has {parameters} parameters",
                covariance.rows, covariance.columns
            )));
        }
        return Ok(OutsideUncertainty::Covariance(
            covariance.elements.chunks(parameters).map(<[f64]>::to_vec).collect(),
        ));
    }
    let Some(mut deviations) = entries.optional(entries.elements(FOCAL_AND_CENTRE_SD, 4), FOCAL_AND_CENTRE_SD)? else {
        return Ok(OutsideUncertainty::None);
    };
    deviations.truncate(4);
    deviations.extend(entries.elements(COEFFICIENTS_SD, parameters - 4)?);
    deviations.truncate(parameters);
    Ok(OutsideUncertainty::Deviations(deviations))
}

/// Writes a lens as OpenCV's calibration sample does; `.yml`, `.yaml`, `.xml` and `.json` are known. The `board` that it was
/// calibrated with is noted, if there was one.
///
/// # Errors
/// When the file's name ends otherwise, OpenCV refuses, or the file cannot be written.
pub fn write_lens_file(path: &Path, lens: &LensCalibration, board: Option<&Board>) -> Result<(), VisionError> {
    let mut writer = Writer::for_file(path)?;
    let Intrinsics { focal_px: [fx, fy], centre_px: [cx, cy], model, size_px } = lens.intrinsics;
    writer.comment(&format!("midline {}, camera {}", env!("CARGO_PKG_VERSION"), lens.camera))?;
    if !lens.views.is_empty() {
        writer.whole("nframes", lens.views.len())?;
    }
    writer.whole("image_width", size_px[0] as usize)?;
    writer.whole("image_height", size_px[1] as usize)?;
    if let Some(board) = board {
        writer.whole("board_width", board.inner_corners[0])?;
        writer.whole("board_height", board.inner_corners[1])?;
        writer.number("square_size", board.square_m)?;
    }
    let fisheye = matches!(model, LensModel::Fisheye(_));
    if fisheye {
        writer.whole("fisheye_model", 1)?;
        writer.whole("flags", FISHEYE_FIX_SKEW)?;
    } else {
        let flags = flags(lens);
        if flags.fix_aspect_ratio {
            writer.number("aspectRatio", fx / fy)?;
        }
        writer.whole("flags", usize::try_from(flags.number()).unwrap_or(0))?;
    }
    writer.matrix("camera_matrix", &[[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])?;
    let coefficients = if model == LensModel::Pinhole { &[0.0; 5] } else { model.coefficients() };
    writer.column("distortion_coefficients", coefficients)?;
    if lens.rms_px.is_finite() {
        writer.number("avg_reprojection_error", lens.rms_px)?;
    }
    if !lens.views.is_empty() {
        let errors: Vec<f64> = lens.views.iter().map(|view| view.rms_px).collect();
        writer.column("per_view_reprojection_errors", &errors)?;
        writer.comment("a set of 6-tuples (rotation vector + translation vector) for each view")?;
        let poses: Vec<[f64; 6]> = lens
            .views
            .iter()
            .map(|view| {
                let pose = &view.camera_from_board;
                let (r, t) = (vector_from_rotation(&pose.rotation), pose.translation.vector);
                [r.x, r.y, r.z, t.x, t.y, t.z]
            })
            .collect();
        writer.matrix("extrinsic_parameters", &poses)?;
    }
    let deviations: Vec<f64> = lens.standard_deviations.iter().map(|sd| sd.unwrap_or(0.0)).collect();
    if model != LensModel::Pinhole && deviations.len() == lens.intrinsics.parameter_count() {
        writer.comment("standard deviations of fx fy cx cy and of the coefficients; 0: held fixed")?;
        writer.column(FOCAL_AND_CENTRE_SD, &deviations[..4])?;
        writer.column(COEFFICIENTS_SD, &deviations[4..])?;
        writer.matrix(COVARIANCE, &lens.covariance)?;
    }
    let text = writer.into_text()?;
    write_atomically(path, text.as_bytes()).map_err(VisionError::Session)
}

/// OpenCV's flags for what was held fixed.
fn flags(lens: &LensCalibration) -> LensFlags {
    let deviation = |name: &str| {
        let place = lens.parameter_names.iter().position(|other| other == name)?;
        lens.standard_deviations.get(place).copied().flatten()
    };
    let tied = match (deviation("fx"), deviation("fy"), lens.covariance.first().and_then(|row| row.get(1))) {
        (Some(x), Some(y), Some(joint)) => joint / (x * y) > TIED,
        _ => false,
    };
    let radial = matches!(lens.intrinsics.model, LensModel::BrownConrady(_));
    LensFlags {
        fix_aspect_ratio: tied,
        fix_principal_point: deviation("cx").is_none() && deviation("cy").is_none(),
        zero_tangential: deviation("p1").is_none() && deviation("p2").is_none(),
        fix_k2: radial && deviation("k2").is_none(),
        fix_k3: radial && deviation("k3").is_none(),
        rational: matches!(lens.intrinsics.model, LensModel::Rational(_)),
    }
}
