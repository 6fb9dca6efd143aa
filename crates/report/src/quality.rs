//! How far to trust the numbers: footage, lenses, rig, clocks, points, tracks, and what every stage remarked.

use midline_session::calibration::{
    CameraClock, ClockCalibration, ClockSource, LensCalibration, RigCalibration, RigCamera, Scale, Vertical, World,
};
use midline_session::footage::Footage;
use midline_session::keypoints::Keypoints;
use midline_session::tracks::Tracks;
use nalgebra::{Matrix3x6, Matrix6, Vector3};
use serde::Serialize;

use crate::ReportInput;
use crate::numbers::{counted, number, or_dash, percent, with_sd};

/// A table of texts. The first cell of a row is its heading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Table {
    pub(crate) caption: String,
    pub(crate) columns: Vec<String>,
    pub(crate) rows: Vec<Vec<String>>,
}

/// What one stage remarked.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Remarks {
    pub(crate) stage: String,
    pub(crate) sentences: Vec<String>,
}

/// The tables of the quality section.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Quality {
    pub(crate) tables: Vec<Table>,
    pub(crate) remarks: Vec<Remarks>,
    /// World, scale and vertical in one sentence.
    pub(crate) world: String,
    /// Reprojection error of all tracks in one sentence.
    pub(crate) reprojection: String,
}

impl Quality {
    pub(crate) fn of(input: &ReportInput<'_>) -> Self {
        let ReportInput { rig, clock, footage, tracks, .. } = input;
        Self {
            tables: vec![
                footage_table(input),
                lens_table(input.lenses),
                rig_table(rig),
                clock_table(clock, footage),
                estimate_table(clock),
                points_table(input.keypoints, footage, tracks),
            ],
            remarks: remarks(input),
            world: world(rig),
            reprojection: reprojection(tracks),
        }
    }
}

fn table(caption: &str, columns: &[&str], rows: Vec<Vec<String>>) -> Table {
    Table { caption: caption.to_owned(), columns: columns.iter().map(ToString::to_string).collect(), rows }
}

fn remarks(input: &ReportInput<'_>) -> Vec<Remarks> {
    let advice = input.lenses.iter().map(|lens| (format!("Lens of {}", lens.camera), lens.advice.clone()));
    let points = input.keypoints.iter().map(|k| (format!("Points of {}", k.camera), k.remarks.clone()));
    let stage = |(stage, remarks): (&str, &[String])| (stage.to_owned(), remarks.to_vec());
    let solved = [("Rig", input.rig.remarks.as_slice()), ("Clock", input.clock.remarks.as_slice())];
    let measured = [("3D tracks", input.lift_remarks), ("Strokes", input.strokes.remarks.as_slice())];
    advice
        .chain(solved.map(stage))
        .chain(points)
        .chain(measured.map(stage))
        .map(|(stage, sentences)| Remarks { stage, sentences })
        .collect()
}

fn world(rig: &RigCalibration) -> String {
    let frame = match rig.world {
        World::Court => "The world frame is the court's",
        World::Board => "The world frame is that of the first board seen together",
    };
    let scale = match rig.scale {
        Scale::Metric => "lengths are metres",
        Scale::UpToScale => "lengths are known only up to a common factor",
    };
    let vertical = match rig.vertical {
        Vertical::ZUp => "z is vertical",
        Vertical::Unknown => "the vertical is not known",
    };
    format!("{frame}; {scale}; {vertical}.")
}

fn footage_table(input: &ReportInput<'_>) -> Table {
    let rows = input.footage.iter().map(|(camera, footage)| {
        let described = input.session.description.cameras.iter().find(|c| c.name == *camera);
        let readout = described.map(|c| c.readout_seconds).filter(|s| *s > 0.0);
        let longest = footage.gaps.iter().map(|g| g.seconds).fold(0.0, f64::max);
        let gaps = if footage.gaps.is_empty() {
            "none".to_owned()
        } else {
            format!("{}, the longest {} ms", footage.gaps.len(), number(longest * 1e3, 1))
        };
        let turns = footage.quarter_turns_clockwise;
        let turned = if turns == 0 { String::new() } else { format!(", turned {}°", u32::from(turns) * 90) };
        let rate = footage.median_spacing_seconds().filter(|s| *s > 0.0).map(|s| 1.0 / s);
        vec![
            camera.clone(),
            described.map(|c| c.footage.display().to_string()).unwrap_or_else(|| "–".to_owned()),
            format!("{} × {} px, {}{turned}", footage.size_px[0], footage.size_px[1], footage.codec),
            footage.frame_pts_seconds.len().to_string(),
            or_dash(rate, 2, "Hz"),
            or_dash(footage.duration_seconds(), 2, "s"),
            gaps,
            readout.map_or_else(|| "not known".to_owned(), |s| format!("{} ms", number(s * 1e3, 1))),
            footage.sound.map_or_else(|| "none".to_owned(), |s| format!("{} Hz", s.sample_rate_hz)),
        ]
    });
    let columns = ["Camera", "File", "Picture", "Frames", "Rate", "Length", "Frame gaps", "Read-out", "Sound"];
    table("Footage", &columns, rows.collect())
}

fn lens_table(lenses: &[LensCalibration]) -> Table {
    let rows = lenses.iter().map(|lens| {
        let sd = |name: &str| {
            let place = lens.parameter_names.iter().position(|n| n == name)?;
            lens.standard_deviations.get(place).copied().flatten()
        };
        let [fx, fy] = lens.intrinsics.focal_px;
        vec![
            lens.camera.clone(),
            with_sd(fx, sd("fx"), "px"),
            with_sd(fy, sd("fy"), "px"),
            or_dash(Some(lens.rms_px), 3, "px"),
            or_dash(lens.held_out_rms_px, 3, "px"),
            lens.views.len().to_string(),
            percent(lens.coverage),
        ]
    });
    let columns =
        ["Camera", "Focal length x ± sd", "Focal length y ± sd", "Rms", "Rms of views left out", "Views", "Coverage"];
    table("Lenses: reprojection error of the board", &columns, rows.collect())
}

/// Where a camera stands and the standard deviation of that place: with `c = -Rᵀ t` and the step `(ω, τ)` of
/// `R' = exp(ω) R`, `t' = t + τ`, the change is `dc = -Rᵀ (τ + t × ω)` to first order.
fn place_and_sd(camera: &RigCamera, index: usize, covariance: &[Vec<f64>]) -> (Vector3<f64>, Option<Vector3<f64>>) {
    let pose = &camera.camera_from_world;
    let from_camera = pose.rotation.inverse();
    let place = -(from_camera * pose.translation.vector);
    let mut block = Matrix6::zeros();
    for (i, row) in (0..6).zip(covariance.iter().skip(6 * index)) {
        for (j, value) in (0..6).zip(row.iter().skip(6 * index)) {
            block[(i, j)] = *value;
        }
    }
    if covariance.len() < 6 * (index + 1) || covariance.iter().any(|row| row.len() < 6 * (index + 1)) {
        return (place, None);
    }
    let mut jacobian = Matrix3x6::zeros();
    let turn = from_camera.to_rotation_matrix();
    jacobian.fixed_columns_mut::<3>(0).copy_from(&-(turn.matrix() * pose.translation.vector.cross_matrix()));
    jacobian.fixed_columns_mut::<3>(3).copy_from(&-turn.matrix());
    let variance = (jacobian * block * jacobian.transpose()).diagonal();
    (place, Some(variance.map(|v| v.max(0.0).sqrt())))
}

fn rig_table(rig: &RigCalibration) -> Table {
    let rows = rig.cameras.iter().enumerate().map(|(index, camera)| {
        let (place, sd) = place_and_sd(camera, index, &rig.covariance);
        let coordinates = |v: Vector3<f64>, decimals| {
            format!("{}, {}, {}", number(v.x, decimals), number(v.y, decimals), number(v.z, decimals))
        };
        let rms = |rms: Option<f64>, n, what| match rms {
            Some(rms) => format!("{} px over {}", number(rms, 2), counted(n, what)),
            None => "not used".to_owned(),
        };
        vec![
            camera.name.clone(),
            format!("{} m", coordinates(place, 2)),
            sd.map_or_else(|| "–".to_owned(), |sd| format!("{} cm", coordinates(sd * 100.0, 1))),
            rms(camera.court_rms_px, camera.court_points, "point"),
            rms(camera.board_rms_px, camera.board_views, "view"),
        ]
    });
    let columns = ["Camera", "Stands at x, y, z", "Sd of x, y, z", "Rms, court points", "Rms, shared boards"];
    table("Rig: where the cameras stand", &columns, rows.collect())
}

fn source(source: ClockSource) -> &'static str {
    match source {
        ClockSource::Reference => "reference",
        ClockSource::Sound => "sound alone",
        ClockSource::Motion => "motion",
        ClockSource::Ball => "ball as seen",
        ClockSource::Flash => "flash",
    }
}

/// Presentation time in the middle of a camera's footage; 0 when the footage is not known.
fn middle_pts_seconds(clock: &CameraClock, footage: &[(String, Footage)]) -> f64 {
    let own = footage.iter().find(|(camera, _)| *camera == clock.camera).map(|(_, f)| &f.frame_pts_seconds);
    own.and_then(|pts| Some((pts.first()? + pts.last()?) / 2.0)).unwrap_or(0.0)
}

fn clock_table(clock: &ClockCalibration, footage: &[(String, Footage)]) -> Table {
    let rows = clock.cameras.iter().map(|camera| {
        let reference = camera.source == ClockSource::Reference;
        let [[offset, _], [_, rate]] = camera.covariance.map(|row| row.map(|v| v.max(0.0).sqrt()));
        let (offset_ms, drift_ppm) = (camera.offset_seconds * 1e3, (camera.rate - 1.0) * 1e6);
        if reference {
            let exact = |value, unit| format!("{} {unit}, by definition", number(value, 0));
            let texts = [camera.camera.clone(), source(camera.source).to_owned()].into_iter();
            return texts.chain([exact(offset_ms, "ms"), exact(drift_ppm, "ppm"), "–".to_owned()]).collect();
        }
        vec![
            camera.camera.clone(),
            source(camera.source).to_owned(),
            with_sd(offset_ms, Some(offset * 1e3), "ms"),
            with_sd(drift_ppm, Some(rate * 1e6), "ppm"),
            or_dash(Some(camera.sd_seconds(middle_pts_seconds(camera, footage)) * 1e3), 2, "ms"),
        ]
    });
    let columns = ["Camera", "Decided by", "Offset ± sd", "Drift ± sd", "Sd in mid-footage"];
    table("Clocks", &columns, rows.collect())
}

fn estimate_table(clock: &ClockCalibration) -> Table {
    let rows = clock.cameras.iter().flat_map(|camera| {
        camera.estimates.iter().map(|estimate| {
            vec![
                camera.camera.clone(),
                source(estimate.method).to_owned(),
                with_sd(estimate.offset_seconds * 1e3, Some(estimate.sd_seconds * 1e3), "ms"),
                format!("{} ms", number((estimate.offset_seconds - camera.offset_seconds) * 1e3, 2)),
                estimate.n.to_string(),
            ]
        })
    });
    let columns = ["Camera", "Method", "Offset ± sd", "Minus the offset used", "Rests on"];
    table("Clocks: estimates compared", &columns, rows.collect())
}

/// Share of the footage's frames in which a point was found, and the mean of its scores.
fn coverage_2d(keypoints: &Keypoints, footage: &[(String, Footage)], name: &str) -> String {
    let Some(column) = keypoints.column(name) else { return "–".to_owned() };
    let found = keypoints.frames.iter().filter_map(|f| f.points.get(column).copied().flatten());
    let scores: Vec<f64> = found.map(|point| point.score).collect();
    let own = footage.iter().find(|(camera, _)| *camera == keypoints.camera);
    let frames = own.map_or(keypoints.frames.len(), |(_, f)| f.frame_pts_seconds.len());
    if scores.is_empty() || frames == 0 {
        return percent(0.0);
    }
    let mean = scores.iter().sum::<f64>() / scores.len() as f64;
    format!("{} (score {})", percent(scores.len() as f64 / frames as f64), number(mean, 2))
}

/// Share of the instants at which a point has a place in 3D, and the root mean square of its reprojection errors.
pub(crate) fn coverage_3d(tracks: &Tracks, name: &str) -> (f64, Option<f64>) {
    let Some(column) = tracks.column(name).filter(|_| !tracks.points.is_empty()) else { return (0.0, None) };
    let found = (0..tracks.points.len()).filter_map(|i| tracks.at(i, column));
    let squares: Vec<f64> = found.map(|p| p.reprojection_px.powi(2)).collect();
    let share = squares.len() as f64 / tracks.points.len() as f64;
    (share, rms(&squares))
}

fn rms(squares: &[f64]) -> Option<f64> {
    (!squares.is_empty()).then(|| (squares.iter().sum::<f64>() / squares.len() as f64).sqrt())
}

fn points_table(keypoints: &[Keypoints], footage: &[(String, Footage)], tracks: &Tracks) -> Table {
    let mut names: Vec<&String> = tracks.names.iter().collect();
    for name in keypoints.iter().flat_map(|k| &k.names) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let mut columns = vec!["Point".to_owned()];
    columns.extend(keypoints.iter().map(|k| format!("Frames of {}", k.camera)));
    columns.extend(["Instants in 3D".to_owned(), "Reprojection rms".to_owned()]);
    let rows = names.into_iter().map(|name| {
        let (share, error) = coverage_3d(tracks, name);
        let mut row = vec![name.replace('_', " ")];
        row.extend(keypoints.iter().map(|k| coverage_2d(k, footage, name)));
        row.extend([percent(share), or_dash(error, 2, "px")]);
        row
    });
    Table { caption: "Points: coverage and reprojection error".to_owned(), columns, rows: rows.collect() }
}

fn reprojection(tracks: &Tracks) -> String {
    let squares: Vec<f64> = tracks.points.iter().flatten().flatten().map(|p| p.reprojection_px.powi(2)).collect();
    match rms(&squares) {
        Some(rms) => {
            format!("Reprojection error of the tracks: {} px rms over {} places.", number(rms, 2), squares.len())
        }
        None => "Reprojection error of the tracks: there are no tracks.".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{Isometry3, Translation3, UnitQuaternion};

    #[test]
    fn the_sd_of_a_camera_place_matches_differences() {
        let camera = |pose| RigCamera::given("fence", pose);
        let pose = Isometry3::new(Vector3::new(0.3, 1.2, 7.0), Vector3::new(1.1, -0.4, 0.6));
        for axis in 0..6 {
            // A covariance with one entry of 1 gives the length of one column of the Jacobian.
            let mut covariance = vec![vec![0.0; 12]; 12];
            covariance[6 + axis][6 + axis] = 1.0;
            let (place, sd) = place_and_sd(&camera(pose), 1, &covariance);
            let mut step = [0.0; 6];
            step[axis] = 1e-6;
            let [wx, wy, wz, tx, ty, tz] = step;
            let stepped = Isometry3::from_parts(
                Translation3::from(pose.translation.vector + Vector3::new(tx, ty, tz)),
                UnitQuaternion::from_scaled_axis(Vector3::new(wx, wy, wz)) * pose.rotation,
            );
            let moved = place_and_sd(&camera(stepped), 0, &[]).0;
            let slope = ((moved - place) / 1e-6).abs();
            assert!((slope - sd.unwrap()).norm() < 1e-4, "{axis}: {slope} {sd:?}");
        }
        assert_eq!(place_and_sd(&camera(pose), 0, &[vec![1.0]]).1, None);
    }
}
