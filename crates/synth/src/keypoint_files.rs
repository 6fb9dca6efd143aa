//! Keypoints in the forms in which people bring them.
//!
//! - COCO dataset form: `images` (id = frame index), `categories` with names and skeleton, `annotations` with
//!   `keypoints` as `x, y, v` (v = 2 found, `0, 0, 0` not found, as the COCO data format says). The format has no place
//!   for scores; they stand beside it as `keypoint_scores`, one per keypoint, 0 where not found.
//! - COCO results form: a list of `{image_id, category_id, keypoints, score}`, the third number of each keypoint being
//!   its score; not found is `0, 0, 0`. Names are not part of this form: the order is that of the default set.
//! - Tidy CSV: `frame,name,x,y,score`, no row where not found.
//!
//! Pixels are in display orientation with the centre of the top-left pixel at (0, 0).

use midline_session::keypoints::{CONNECTIONS, KeypointFrame, Keypoints};
use serde_json::{Value, json};

/// A form of keypoint file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PointsForm {
    CocoDataset,
    CocoResults,
    TidyCsv,
}

impl PointsForm {
    /// The usual ending of the file's name.
    pub(crate) fn extension(self) -> &'static str {
        match self {
            Self::CocoDataset | Self::CocoResults => "json",
            Self::TidyCsv => "csv",
        }
    }
}

/// Hundredths: no detector means more.
fn rounded(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// The text of a keypoint file.
///
/// # Errors
/// When the numbers cannot be expressed in JSON.
pub(crate) fn text(form: PointsForm, keypoints: &Keypoints, size_px: [u32; 2]) -> Result<String, serde_json::Error> {
    match form {
        PointsForm::CocoDataset => serde_json::to_string(&dataset(keypoints, size_px)),
        PointsForm::CocoResults => serde_json::to_string(&results(keypoints)),
        PointsForm::TidyCsv => Ok(csv(keypoints)),
    }
}

fn dataset(keypoints: &Keypoints, size_px: [u32; 2]) -> Value {
    let column = |name: &str| keypoints.column(name).map(|c| c + 1);
    let skeleton: Vec<[usize; 2]> = CONNECTIONS.iter().filter_map(|(a, b)| Some([column(a)?, column(b)?])).collect();
    let images: Vec<Value> = keypoints
        .frames
        .iter()
        .map(|frame| {
            let file_name = format!("{}-{:06}.png", keypoints.camera, frame.frame_index);
            json!({"id": frame.frame_index, "file_name": file_name, "width": size_px[0], "height": size_px[1]})
        })
        .collect();
    let annotations: Vec<Value> = keypoints
        .frames
        .iter()
        .enumerate()
        .map(|(index, frame)| {
            let found: Vec<[f64; 2]> = frame.points.iter().flatten().map(|k| k.px).collect();
            let numbers: Vec<Value> = frame
                .points
                .iter()
                .flat_map(|point| match point {
                    Some(k) => [json!(rounded(k.px[0])), json!(rounded(k.px[1])), json!(2)],
                    None => [json!(0), json!(0), json!(0)],
                })
                .collect();
            let scores: Vec<f64> = frame.points.iter().map(|p| p.map_or(0.0, |k| rounded(k.score))).collect();
            let edge =
                |axis: usize, pick: fn(f64, f64) -> f64, start: f64| found.iter().map(|p| p[axis]).fold(start, pick);
            let (left, top) = (edge(0, f64::min, f64::INFINITY), edge(1, f64::min, f64::INFINITY));
            let (right, bottom) = (edge(0, f64::max, f64::NEG_INFINITY), edge(1, f64::max, f64::NEG_INFINITY));
            let bounds = [left, top, right - left, bottom - top].map(rounded);
            json!({
                "id": index + 1,
                "image_id": frame.frame_index,
                "category_id": 1,
                "iscrowd": 0,
                "num_keypoints": found.len(),
                "bbox": bounds,
                "area": rounded((right - left) * (bottom - top)),
                "keypoints": numbers,
                "keypoint_scores": scores,
            })
        })
        .collect();
    json!({
        "info": {"description": "made-up footage of the Saltmarsh Racket School", "version": "1.0"},
        "images": images,
        "categories": [{
            "id": 1, "name": "player", "supercategory": "person",
            "keypoints": keypoints.names, "skeleton": skeleton,
        }],
        "annotations": annotations,
    })
}

fn results(keypoints: &Keypoints) -> Value {
    let one = |frame: &KeypointFrame| {
        let numbers: Vec<f64> = frame
            .points
            .iter()
            .flat_map(|p| p.map_or([0.0; 3], |k| [rounded(k.px[0]), rounded(k.px[1]), rounded(k.score)]))
            .collect();
        let scores: Vec<f64> = frame.points.iter().flatten().map(|k| k.score).collect();
        let score = rounded(scores.iter().sum::<f64>() / scores.len().max(1) as f64);
        json!({"image_id": frame.frame_index, "category_id": 1, "keypoints": numbers, "score": score})
    };
    Value::Array(keypoints.frames.iter().map(one).collect())
}

fn csv(keypoints: &Keypoints) -> String {
    let mut text = String::from("frame,name,x,y,score\n");
    for frame in &keypoints.frames {
        for (name, point) in keypoints.names.iter().zip(&frame.points) {
            if let Some(k) = point {
                let [x, y] = k.px;
                text.push_str(&format!("{},{name},{x:.2},{y:.2},{:.3}\n", frame.frame_index, k.score));
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_session::keypoints::{Keypoint, default_names};

    fn keypoints() -> Keypoints {
        let mut points = vec![None; 21];
        points[3] = Some(Keypoint { px: [10.126, 20.0], score: 0.9 });
        points[20] = Some(Keypoint { px: [30.0, 44.5], score: 0.5 });
        Keypoints {
            camera: "fence".into(),
            names: default_names(),
            frames: vec![KeypointFrame { frame_index: 7, pts_seconds: 0.1, points }],
            remarks: Vec::new(),
        }
    }

    #[test]
    fn the_dataset_form_is_as_the_coco_data_format_says() {
        // cocodataset.org, "Data format", keypoint detection: images, annotations, categories; keypoints of length 3k;
        // num_keypoints counts v > 0; skeleton counts keypoints from 1. From memory of that page.
        let value: Value =
            serde_json::from_str(&text(PointsForm::CocoDataset, &keypoints(), [1280, 720]).unwrap()).unwrap();
        let annotation = &value["annotations"][0];
        assert_eq!(annotation["keypoints"].as_array().unwrap().len(), 63);
        assert_eq!(annotation["keypoints"][9], json!(10.13));
        assert_eq!(annotation["keypoints"][11], json!(2));
        assert_eq!(annotation["keypoints"][0], json!(0));
        assert_eq!(annotation["num_keypoints"], json!(2));
        assert_eq!(annotation["image_id"], value["images"][0]["id"]);
        assert_eq!(annotation["bbox"], json!([10.13, 20.0, 19.87, 24.5]));
        let skeleton = value["categories"][0]["skeleton"].as_array().unwrap();
        assert!(skeleton.contains(&json!([18, 19])) && skeleton.contains(&json!([6, 7])));
    }

    #[test]
    fn results_and_csv_carry_the_scores() {
        let value: Value =
            serde_json::from_str(&text(PointsForm::CocoResults, &keypoints(), [1280, 720]).unwrap()).unwrap();
        assert_eq!(value[0]["keypoints"][11], json!(0.9));
        assert_eq!(value[0]["score"], json!(0.7));
        let csv = text(PointsForm::TidyCsv, &keypoints(), [1280, 720]).unwrap();
        assert_eq!(csv, "frame,name,x,y,score\n7,left_ear,10.13,20.00,0.900\n7,ball,30.00,44.50,0.500\n");
    }
}
