//! Marks of a person laid over the keypoints of a file.

use std::path::Path;

use midline_session::footage::Footage;
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints};
use midline_session::marks::CameraMarks;

use crate::PointsError;

/// Lays marks over keypoints, after cleaning: what a person marked is never cleaned away.
///
/// A mark replaces the point of its frame with score 1; a point marked as not to be seen is taken out; a carried point that was
/// taken over replaces it too, its score being the reciprocal of its standard deviation in pixels, as the lift reads scores.
/// `marks_file` is named in errors.
///
/// # Errors
/// A mark of a frame that the footage does not have, or outside the picture: the footage was exchanged.
pub fn lay_marks_over(
    keypoints: &mut Keypoints,
    marks: &CameraMarks,
    footage: &Footage,
    marks_file: &Path,
) -> Result<(), PointsError> {
    let (mut marked, mut carried, mut hidden) = (0, 0, 0);
    for (frame, points) in &marks.carried {
        for (name, point) in points {
            if marks.points.get(frame).is_some_and(|own| own.contains_key(name)) {
                continue;
            }
            let score = (1.0 / point.sd_px).clamp(0.0, 1.0);
            put(keypoints, footage, marks_file, *frame, name, Some(Keypoint { px: point.px, score }))?;
            carried += 1;
        }
    }
    for (frame, points) in &marks.points {
        for (name, px) in points {
            put(keypoints, footage, marks_file, *frame, name, px.map(|px| Keypoint { px, score: 1.0 }))?;
            *(if px.is_some() { &mut marked } else { &mut hidden }) += 1;
        }
    }
    if marked + carried + hidden > 0 {
        keypoints.remarks.push(format!(
            "Marked by hand: {marked} points, {carried} more carried from them by the pictures, {hidden} said to be hidden."
        ));
    }
    Ok(())
}

fn put(
    keypoints: &mut Keypoints,
    footage: &Footage,
    marks_file: &Path,
    frame: usize,
    name: &str,
    point: Option<Keypoint>,
) -> Result<(), PointsError> {
    let wrong = |reason: String| PointsError::malformed(marks_file, None, reason);
    let Some(pts_seconds) = footage.frame_pts_seconds.get(frame).copied() else {
        return Err(wrong(format!(
            "\"{name}\" is marked in frame {frame} of camera \"{}\", whose footage has {} frames; was the footage exchanged? Mark it anew",
            keypoints.camera,
            footage.frame_pts_seconds.len()
        )));
    };
    let inside = |px: [f64; 2]| (0..2).all(|i| px[i] >= -0.5 && px[i] <= f64::from(footage.size_px[i]) - 0.5);
    if let Some(out) = point.filter(|p| !inside(p.px) || !p.score.is_finite()) {
        return Err(wrong(format!(
            "\"{name}\" in frame {frame} of camera \"{}\" is marked at ({:.1}, {:.1}) px, outside the picture of {} x {} px; was the \
             footage exchanged? Mark it anew",
            keypoints.camera, out.px[0], out.px[1], footage.size_px[0], footage.size_px[1]
        )));
    }
    let column = match keypoints.column(name) {
        Some(column) => column,
        None if point.is_none() => return Ok(()),
        None => {
            keypoints.names.push(name.to_owned());
            keypoints.frames.iter_mut().for_each(|f| f.points.resize(keypoints.names.len(), None));
            keypoints.names.len() - 1
        }
    };
    let at = keypoints.frames.partition_point(|f| f.frame_index < frame);
    if keypoints.frames.get(at).is_none_or(|f| f.frame_index != frame) {
        if point.is_none() {
            return Ok(());
        }
        let points = vec![None; keypoints.names.len()];
        keypoints.frames.insert(at, KeypointFrame { frame_index: frame, pts_seconds, points });
    }
    let frame = &mut keypoints.frames[at];
    frame.points.resize(frame.points.len().max(column + 1), None);
    frame.points[column] = point;
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use midline_session::marks::CarriedPoint;

    use super::*;

    fn footage() -> Footage {
        Footage {
            stored_size_px: [640, 480],
            size_px: [640, 480],
            quarter_turns_clockwise: 0,
            frame_pts_seconds: (0..20).map(|i| 0.5 + f64::from(i) / 30.0).collect(),
            codec: "h264".into(),
            gaps: Vec::new(),
            sound: None,
        }
    }

    fn keypoints() -> Keypoints {
        let found = Some(Keypoint { px: [5.0, 5.0], score: 0.4 });
        let frame = |frame_index: usize| KeypointFrame {
            frame_index,
            pts_seconds: 0.5 + frame_index as f64 / 30.0,
            points: vec![found, found],
        };
        Keypoints {
            camera: "left".into(),
            names: vec!["nose".into(), "ball".into()],
            frames: vec![frame(2), frame(7)],
            remarks: Vec::new(),
        }
    }

    #[test]
    fn marks_come_first_then_carried_points_then_the_file() {
        let mut marks = CameraMarks::default();
        let at = |px| BTreeMap::from([("ball".to_owned(), px)]);
        marks.points.insert(2, at(None));
        marks.points.insert(4, at(Some([40.0, 41.0])));
        marks.points.insert(7, BTreeMap::from([("racket_tip".to_owned(), Some([70.0, 71.0]))]));
        for (frame, sd_px) in [(4, 1.0), (5, 2.0), (7, 0.5)] {
            let point = CarriedPoint { frame, px: [frame as f64, 1.0], sd_px };
            marks.carried.insert(frame, BTreeMap::from([("ball".to_owned(), point)]));
        }
        let mut keypoints = keypoints();
        lay_marks_over(&mut keypoints, &marks, &footage(), Path::new("marks.jsonl")).unwrap();
        assert_eq!(keypoints.names, ["nose", "ball", "racket_tip"]);
        let at = |frame: usize, column: usize| {
            keypoints.frames.iter().find(|f| f.frame_index == frame).and_then(|f| f.points[column])
        };
        let point = |x, y, score| Some(Keypoint { px: [x, y], score });
        assert_eq!(keypoints.frames.iter().map(|f| f.frame_index).collect::<Vec<_>>(), [2, 4, 5, 7]);
        assert_eq!((at(2, 0), at(2, 1)), (point(5.0, 5.0, 0.4), None));
        assert_eq!((at(4, 0), at(4, 1)), (None, point(40.0, 41.0, 1.0)));
        assert_eq!((at(5, 1), at(7, 1)), (point(5.0, 1.0, 0.5), point(7.0, 1.0, 1.0)));
        assert_eq!((at(7, 0), at(7, 2)), (point(5.0, 5.0, 0.4), point(70.0, 71.0, 1.0)));
        assert!((keypoints.frames[1].pts_seconds - (0.5 + 4.0 / 30.0)).abs() < 1e-12);
        assert_eq!(keypoints.remarks.len(), 1);
    }

    #[test]
    fn marks_of_other_footage_are_named_and_no_marks_change_nothing() {
        let mut untouched = keypoints();
        lay_marks_over(&mut untouched, &CameraMarks::default(), &footage(), Path::new("marks.jsonl")).unwrap();
        assert_eq!(untouched, keypoints());
        for (frame, px, said) in [(20, [1.0, 1.0], "has 20 frames"), (3, [640.0, 1.0], "outside the picture")] {
            let mut marks = CameraMarks::default();
            marks.points.insert(frame, BTreeMap::from([("ball".to_owned(), Some(px))]));
            let error = lay_marks_over(&mut keypoints(), &marks, &footage(), Path::new("marks.jsonl")).unwrap_err();
            assert!(error.to_string().contains(said) && error.to_string().contains("marks.jsonl"), "{error}");
        }
    }
}
