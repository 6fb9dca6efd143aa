//! Writes keypoints in the forms that [`crate::import`] reads.

use std::fmt::Write as _;
use std::path::Path;

use midline_session::keypoints::{COCO_17, Keypoint, KeypointFrame, Keypoints, default_names};
use midline_session::write_atomically;
use serde::Serialize;

use crate::PointsError;

/// A form of keypoint file, see [`crate::import`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PointsForm {
    /// COCO keypoint JSON with images, annotations and categories; scores in `keypoint_scores`.
    CocoDataset,
    /// COCO results JSON; the third number of each triple is the score.
    CocoResults,
    /// Comma-separated rows `frame,time,name,x,y,score`.
    TidyCsv,
}

#[derive(Serialize)]
struct Dataset<'a> {
    images: Vec<Image>,
    annotations: Vec<Annotation>,
    categories: [Category<'a>; 1],
}

#[derive(Serialize)]
struct Image {
    id: usize,
    frame: usize,
    file_name: String,
    width: u32,
    height: u32,
}

#[derive(Serialize)]
struct Annotation {
    id: usize,
    image_id: usize,
    category_id: usize,
    keypoints: Vec<f64>,
    keypoint_scores: Vec<f64>,
    num_keypoints: usize,
    bbox: [f64; 4],
    area: f64,
    iscrowd: u8,
}

#[derive(Serialize)]
struct Category<'a> {
    id: usize,
    name: &'static str,
    supercategory: &'static str,
    keypoints: &'a [String],
    skeleton: [[usize; 2]; 0],
}

#[derive(Serialize)]
struct ResultsEntry {
    image_id: usize,
    category_id: usize,
    keypoints: Vec<f64>,
    score: f64,
}

/// Writes keypoints atomically. `size_px` is the picture's width and height in display orientation.
///
/// # Errors
/// When the system refuses, or the set of names is neither COCO's 17 nor the default set in the results form.
pub fn write(path: &Path, form: PointsForm, keypoints: &Keypoints, size_px: [u32; 2]) -> Result<(), PointsError> {
    let json = |e: serde_json::Error| PointsError::malformed(path, None, e.to_string());
    let content = match form {
        PointsForm::CocoDataset => serde_json::to_vec(&dataset(keypoints, size_px)).map_err(json)?,
        PointsForm::CocoResults => {
            let names = &keypoints.names;
            if *names != default_names() && !names.iter().eq(COCO_17.iter()) {
                return Err(PointsError::NamesDoNotFit { path: path.to_owned() });
            }
            serde_json::to_vec(&keypoints.frames.iter().map(results_entry).collect::<Vec<_>>()).map_err(json)?
        }
        PointsForm::TidyCsv => csv(keypoints).into_bytes(),
    };
    Ok(write_atomically(path, &content)?)
}

fn dataset(keypoints: &Keypoints, [width, height]: [u32; 2]) -> Dataset<'_> {
    let image = |f: &KeypointFrame| Image {
        id: f.frame_index,
        frame: f.frame_index,
        file_name: format!("frame_{:06}.png", f.frame_index),
        width,
        height,
    };
    Dataset {
        images: keypoints.frames.iter().map(image).collect(),
        annotations: keypoints.frames.iter().zip(1..).map(|(f, id)| annotation(f, id)).collect(),
        categories: [Category {
            id: 1,
            name: "player",
            supercategory: "person",
            keypoints: &keypoints.names,
            skeleton: [],
        }],
    }
}

fn annotation(frame: &KeypointFrame, id: usize) -> Annotation {
    let found = || frame.points.iter().flatten();
    let edge = |axis: usize, start: f64, pick: fn(f64, f64) -> f64| found().map(|p| p.px[axis]).fold(start, pick);
    let [left, top] = [0, 1].map(|axis| edge(axis, f64::INFINITY, f64::min));
    let [right, bottom] = [0, 1].map(|axis| edge(axis, f64::NEG_INFINITY, f64::max));
    let bbox = if found().next().is_some() { [left, top, right - left, bottom - top] } else { [0.0; 4] };
    Annotation {
        id,
        image_id: frame.frame_index,
        category_id: 1,
        keypoints: triples(frame, |_| 2.0),
        keypoint_scores: frame.points.iter().map(|p| p.map_or(0.0, |p| p.score)).collect(),
        num_keypoints: found().count(),
        bbox,
        area: bbox[2] * bbox[3],
        iscrowd: 0,
    }
}

fn results_entry(frame: &KeypointFrame) -> ResultsEntry {
    let found = || frame.points.iter().flatten();
    let score = found().map(|p| p.score).sum::<f64>() / found().count().max(1) as f64;
    ResultsEntry { image_id: frame.frame_index, category_id: 1, keypoints: triples(frame, |p| p.score), score }
}

fn triples(frame: &KeypointFrame, third: fn(&Keypoint) -> f64) -> Vec<f64> {
    frame.points.iter().flat_map(|p| p.as_ref().map_or([0.0; 3], |p| [p.px[0], p.px[1], third(p)])).collect()
}

fn csv(keypoints: &Keypoints) -> String {
    let mut text = String::from("frame,time,name,x,y,score\n");
    for frame in &keypoints.frames {
        for (name, point) in keypoints.names.iter().zip(&frame.points) {
            if let Some(Keypoint { px: [x, y], score }) = point {
                // Writing to a String cannot fail; Rust prints the shortest digits that read back as the same number.
                let _ = writeln!(text, "{},{},{name},{x},{y},{score}", frame.frame_index, frame.pts_seconds);
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use midline_session::footage::Footage;
    use proptest::prelude::*;

    use super::*;
    use crate::import;

    fn footage() -> Footage {
        Footage {
            stored_size_px: [1920, 1080],
            size_px: [1920, 1080],
            quarter_turns_clockwise: 0,
            frame_pts_seconds: (0..300).map(|i| 0.02 + f64::from(i) / 59.94).collect(),
            codec: "hevc".into(),
            gaps: Vec::new(),
            sound: None,
        }
    }

    fn keypoints(names: Vec<String>) -> impl Strategy<Value = Keypoints> {
        let point = prop::option::weighted(0.8, (-100.0..2000.0f64, -100.0..1200.0f64, 0.01..1.0f64))
            .prop_map(|p| p.map(|(x, y, score)| Keypoint { px: [x, y], score }));
        let rows = prop::collection::btree_map(0usize..300, prop::collection::vec(point, names.len()), 1..20);
        rows.prop_map(move |rows| {
            let pts = footage().frame_pts_seconds;
            let mut frames: Vec<KeypointFrame> = rows
                .into_iter()
                .map(|(frame_index, points)| KeypointFrame { frame_index, pts_seconds: pts[frame_index], points })
                .filter(|f| f.points.iter().any(Option::is_some))
                .collect();
            if frames.is_empty() {
                let mut points = vec![None; names.len()];
                points[0] = Some(Keypoint { px: [5.0, 6.0], score: 0.5 });
                frames.push(KeypointFrame { frame_index: 0, pts_seconds: pts[0], points });
            }
            Keypoints { camera: "left".into(), names: names.clone(), frames, remarks: Vec::new() }
        })
    }

    fn round_trip(form: PointsForm, keypoints: &Keypoints) -> Keypoints {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("points");
        write(&path, form, keypoints, footage().size_px).unwrap();
        import(&path, "left", &footage()).unwrap()
    }

    /// JSON numbers are read to the last but one bit (serde_json without its exact mode), which is far below a
    /// thousandth of a pixel.
    fn equal_to_1e9(a: &Keypoints, b: &Keypoints) -> bool {
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
        let same = |a: &Option<Keypoint>, b: &Option<Keypoint>| match (a, b) {
            (Some(a), Some(b)) => near(a.px[0], b.px[0]) && near(a.px[1], b.px[1]) && near(a.score, b.score),
            (a, b) => a.is_none() && b.is_none(),
        };
        a.names == b.names
            && a.remarks == b.remarks
            && a.frames.len() == b.frames.len()
            && a.frames.iter().zip(&b.frames).all(|(a, b)| {
                (a.frame_index, a.pts_seconds.to_bits()) == (b.frame_index, b.pts_seconds.to_bits())
                    && a.points.iter().zip(&b.points).all(|(a, b)| same(a, b))
            })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn what_is_written_is_read_back(keypoints in keypoints(default_names())) {
            for form in [PointsForm::CocoDataset, PointsForm::CocoResults] {
                let back = round_trip(form, &keypoints);
                prop_assert!(equal_to_1e9(&back, &keypoints), "{form:?}: {back:?}");
            }
            // CSV has no place for a name that is never found.
            let mut found = keypoints.clone();
            let seen: Vec<bool> =
                (0..21).map(|c| keypoints.frames.iter().any(|f| f.points[c].is_some())).collect();
            let mut keep = seen.iter();
            found.names.retain(|_| *keep.next().unwrap());
            for frame in &mut found.frames {
                let mut keep = seen.iter();
                frame.points.retain(|_| *keep.next().unwrap());
            }
            prop_assert_eq!(round_trip(PointsForm::TidyCsv, &keypoints), found);
        }

        #[test]
        fn a_set_of_its_own_order_survives_the_dataset_form(
            keypoints in keypoints(vec!["ball".into(), "left_hip".into(), "racket_tip".into()]),
        ) {
            let back = round_trip(PointsForm::CocoDataset, &keypoints);
            prop_assert!(equal_to_1e9(&back, &keypoints), "{back:?}");
        }

        #[test]
        fn no_text_makes_the_import_panic(text in "[\\[{]?[ -~\n]{0,80}") {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("points");
            std::fs::write(&path, text).unwrap();
            let _ = import(&path, "left", &footage());
        }
    }

    #[test]
    fn the_results_form_refuses_a_set_without_a_place() {
        let folder = tempfile::tempdir().unwrap();
        let keypoints = Keypoints { camera: "a".into(), names: vec!["ball".into()], frames: vec![], remarks: vec![] };
        let wrong = write(&folder.path().join("p.json"), PointsForm::CocoResults, &keypoints, [640, 480]).unwrap_err();
        assert!(wrong.to_string().contains("p.json: the COCO results form carries no names"), "{wrong}");
    }
}
