//! Player, racket and ball on the session clock: points, skeleton, trail of the racket tip, uncertainty.

use midline_session::keypoints::BALL;
use midline_session::tracks::{Point3d, Tracks};
use nalgebra::{Matrix3, Rotation3, SymmetricEigen, UnitQuaternion};
use rerun::components::FillMode;
use rerun::{
    AnnotationContext, ClassDescription, Ellipsoids3D, LineStrips3D, Points3D, Quaternion, Radius,
    components::KeypointId, datatypes::AnnotationInfo, datatypes::Rgba32,
};

use crate::places::{self, Part, connections, position, single, strips};
use crate::recording::{Recording, SESSION_TIME, with_blanks};
use crate::{ViewError, ViewInput, colours};

/// Points whose uncertainty is shown.
const UNCERTAIN: [&str; 5] = ["racket_tip", "racket_throat", "left_wrist", "right_wrist", BALL];

/// Radius in standard deviations of the region that holds 95 % of a normal distribution in three dimensions: the square
/// root of the 0.95 quantile of chi-squared with 3 degrees of freedom, 7.8147 (NIST/SEMATECH handbook, table 1.3.6.7.4).
const RADIUS_95: f64 = 2.7955;

/// Ball radius in metres: half of 6.54 to 6.86 cm (ITF Rules of Tennis, appendix I; values from memory).
const BALL_RADIUS_M: f32 = 0.0335;

/// Length of the trail in seconds, and the spacing of its points.
const TRAIL_SECONDS: f64 = 0.6;
const TRAIL_SPACING_SECONDS: f64 = 1.0 / 120.0;

pub(crate) fn record(recording: &Recording, input: &ViewInput<'_>) -> Result<(), ViewError> {
    let tracks = input.tracks;
    let handedness = input.session.description.player.handedness;
    names(recording, &tracks.names)?;
    for part in Part::ALL {
        let entity = format!("world/player/{}", part.entity());
        let pairs = connections(part, &tracks.names, handedness);
        let rows = tracks.session_seconds.iter().enumerate().map(|(i, t)| (*t, strips(tracks, i, &pairs)));
        let radius = if part == Part::Racket { 0.012 } else { 0.014 };
        let look = LineStrips3D::update_fields().with_radii([radius]).with_colors([part.colour()]);
        recording.fixed(&entity, &look)?;
        line_rows(recording, &entity, SESSION_TIME, rows)?;
    }
    points(recording, tracks)?;
    ball(recording, tracks)?;
    trail(recording, tracks)?;
    uncertainty(recording, tracks)
}

/// Rows of line strips on one timeline.
pub(crate) fn line_rows(
    recording: &Recording,
    entity: &str,
    timeline: &'static str,
    rows: impl IntoIterator<Item = (f64, Vec<Vec<[f32; 3]>>)>,
) -> Result<(), ViewError> {
    let (times, rows) = with_blanks(rows);
    let lengths: Vec<usize> = rows.iter().map(Vec::len).collect();
    let columns = LineStrips3D::new(rows.into_iter().flatten()).columns(lengths);
    recording.rows(entity, &[(timeline, &times)], columns)
}

/// Names of the points, for whoever hovers over one.
fn names(recording: &Recording, names: &[String]) -> Result<(), ViewError> {
    let info =
        |(id, name): (u16, &String)| AnnotationInfo { id, label: Some(name.replace('_', " ").into()), color: None };
    let class = ClassDescription {
        info: AnnotationInfo { id: 0, label: None, color: Some(Rgba32::from(colours::TRUNK)) },
        keypoint_annotations: (0..).zip(names).map(info).collect(),
        keypoint_connections: Vec::new(), // drawn as lines, a colour for each side
    };
    recording.fixed("world", &AnnotationContext::new([class]))
}

fn points(recording: &Recording, tracks: &Tracks) -> Result<(), ViewError> {
    let shown: Vec<(usize, u16)> = tracks
        .names
        .iter()
        .enumerate()
        .zip(0..)
        .filter(|((_, name), _)| *name != BALL)
        .map(|((c, _), id)| (c, id))
        .collect();
    let rows = tracks.session_seconds.iter().enumerate().map(|(i, t)| {
        let at = |(column, id): &(usize, u16)| Some((single(position(tracks, i, *column)?), KeypointId::from(*id)));
        (*t, shown.iter().filter_map(at).collect::<Vec<_>>())
    });
    let (times, rows) = with_blanks(rows);
    let lengths: Vec<usize> = rows.iter().map(Vec::len).collect();
    let (positions, ids): (Vec<_>, Vec<_>) = rows.into_iter().flatten().unzip();
    recording.fixed(
        "world/player/points",
        &Points3D::update_fields().with_radii([0.022]).with_class_ids([0]).with_show_labels(false),
    )?;
    let columns = Points3D::new(positions).with_keypoint_ids(ids).columns(lengths);
    recording.rows("world/player/points", &[(SESSION_TIME, &times)], columns)
}

fn ball(recording: &Recording, tracks: &Tracks) -> Result<(), ViewError> {
    let Some(column) = tracks.column(BALL) else { return Ok(()) };
    let seen = tracks.session_seconds.iter().enumerate();
    let rows = seen.map(|(i, t)| (*t, position(tracks, i, column).map(single).into_iter().collect::<Vec<_>>()));
    let (times, rows) = with_blanks(rows);
    let lengths: Vec<usize> = rows.iter().map(Vec::len).collect();
    let look = Points3D::update_fields().with_radii([BALL_RADIUS_M]).with_colors([colours::BALL]);
    recording.fixed("world/ball", &look)?;
    let columns = Points3D::new(rows.into_iter().flatten()).columns(lengths);
    recording.rows("world/ball", &[(SESSION_TIME, &times)], columns)
}

/// The way of the racket tip up to each instant; broken where it was not measured.
fn trail(recording: &Recording, tracks: &Tracks) -> Result<(), ViewError> {
    let Some(column) = tracks.column("racket_tip") else { return Ok(()) };
    let look = LineStrips3D::update_fields().with_radii([Radius::new_ui_points(1.5)]).with_colors([colours::TRAIL]);
    recording.fixed("world/racket_trail", &look)?;
    let seconds = &tracks.session_seconds;
    let rows = seconds.iter().enumerate().map(|(now, t)| {
        let from = seconds.partition_point(|s| *s < t - TRAIL_SECONDS);
        (*t, trail_strips(tracks, column, from, now))
    });
    line_rows(recording, "world/racket_trail", SESSION_TIME, rows)
}

/// Strips of a point between two instants, thinned, broken at gaps.
pub(crate) fn trail_strips(tracks: &Tracks, column: usize, from: usize, to: usize) -> Vec<Vec<[f32; 3]>> {
    let mut strips: Vec<Vec<[f32; 3]>> = vec![Vec::new()];
    let mut last = f64::NEG_INFINITY;
    for instant in from..=to {
        let Some(seconds) = tracks.session_seconds.get(instant) else { break };
        let place = position(tracks, instant, column).map(single);
        let gap = seconds - last > crate::LINGER_SECONDS;
        if (place.is_none() || gap) && strips.last().is_some_and(|s| !s.is_empty()) {
            strips.push(Vec::new());
        }
        let due = seconds - last >= TRAIL_SPACING_SECONDS || instant == to;
        if let (Some(place), Some(strip), true) = (place, strips.last_mut(), due) {
            strip.push(place);
            last = *seconds;
        }
    }
    strips.retain(|strip| strip.len() > 1);
    strips
}

/// Half sizes in metres and orientation of the region that holds 95 %; `None` when the covariance is not one.
fn ellipsoid(point: &Point3d) -> Option<([f32; 3], [f32; 4])> {
    let covariance = Matrix3::from(point.covariance_m2);
    if !covariance.iter().all(|v| v.is_finite()) {
        return None;
    }
    let eigen = SymmetricEigen::new((covariance + covariance.transpose()) / 2.0);
    let mut axes = eigen.eigenvectors;
    if axes.determinant() < 0.0 {
        axes.column_mut(2).neg_mut();
    }
    let half = eigen.eigenvalues.map(|v| RADIUS_95 * v.max(0.0).sqrt());
    let turn = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(axes));
    Some((single(half), turn.coords.map(|v| v as f32).into()))
}

fn uncertainty(recording: &Recording, tracks: &Tracks) -> Result<(), ViewError> {
    let columns: Vec<usize> = UNCERTAIN.iter().filter_map(|name| tracks.column(name)).collect();
    let rows = tracks.session_seconds.iter().enumerate().map(|(i, t)| {
        let at = |column: &usize| {
            let (half, turn) = ellipsoid(tracks.at(i, *column)?)?;
            Some((places::single(position(tracks, i, *column)?), half, turn))
        };
        (*t, columns.iter().filter_map(at).collect::<Vec<_>>())
    });
    let (times, rows) = with_blanks(rows);
    let lengths: Vec<usize> = rows.iter().map(Vec::len).collect();
    let all: Vec<_> = rows.into_iter().flatten().collect();
    let look = Ellipsoids3D::update_fields()
        .with_colors([colours::UNCERTAINTY])
        .with_line_radii([Radius::new_ui_points(0.5)])
        .with_fill_mode(FillMode::MajorWireframe);
    recording.fixed("world/uncertainty_95", &look)?;
    let columns = Ellipsoids3D::update_fields()
        .with_half_sizes(all.iter().map(|(_, half, _)| *half))
        .with_centers(all.iter().map(|(centre, _, _)| *centre))
        .with_quaternions(all.iter().map(|(_, _, turn)| Quaternion::from_xyzw(*turn)))
        .columns(lengths);
    recording.rows("world/uncertainty_95", &[(SESSION_TIME, &times)], columns)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{Quaternion as Turn, Vector3};

    fn point(covariance: Matrix3<f64>) -> Point3d {
        Point3d { position_m: [0.0; 3], covariance_m2: covariance.into(), reprojection_px: 1.0, views: 2 }
    }

    #[test]
    fn the_ellipsoid_rebuilds_the_covariance() {
        let turn = UnitQuaternion::from_scaled_axis(Vector3::new(0.4, -1.1, 0.3)).to_rotation_matrix();
        let sds = Vector3::new(0.004, 0.012, 0.03);
        let covariance = turn * Matrix3::from_diagonal(&sds.map(|s| s * s)) * turn.transpose();
        let (half, quaternion) = ellipsoid(&point(covariance)).unwrap();
        let [x, y, z, w] = quaternion.map(f64::from);
        let back = UnitQuaternion::from_quaternion(Turn::new(w, x, y, z)).to_rotation_matrix();
        let sds = Vector3::from(half.map(|h| f64::from(h) / RADIUS_95));
        let rebuilt = back * Matrix3::from_diagonal(&sds.map(|s| s * s)) * back.transpose();
        assert!((rebuilt - covariance).norm() < 1e-5 * covariance.norm(), "{rebuilt} {covariance}");
        assert!(ellipsoid(&point(Matrix3::repeat(f64::NAN))).is_none());
    }

    #[test]
    fn the_trail_breaks_where_the_tip_was_not_measured() {
        let at = |i: usize| Point3d { position_m: [i as f64, 0.0, 0.0], ..point(Matrix3::zeros()) };
        let tracks = Tracks {
            names: vec!["racket_tip".into()],
            session_seconds: (0..20).map(|i| f64::from(i) * 0.01).collect(),
            points: (0..20).map(|i| vec![(i != 8).then(|| at(i))]).collect(),
        };
        let strips = trail_strips(&tracks, 0, 0, 19);
        assert_eq!(strips.iter().map(Vec::len).collect::<Vec<_>>(), [8, 11]);
        assert_eq!(strips[1][0][0], 9.0);
    }
}
