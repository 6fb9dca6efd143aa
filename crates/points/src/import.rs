//! Recognises a keypoint file by its content and reads it.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;

use midline_session::footage::Footage;
use midline_session::keypoints::Keypoints;

use crate::{PointsError, coco_dataset, coco_results, tidy};

const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

/// Reads the keypoints of one camera; the form is recognised by the file's content, not by its name.
///
/// **COCO dataset** (an object with `images`, `annotations`, `categories`; names from the category's `keypoints`;
/// format definition: cocodataset.org, "Data format", section 2 "Keypoint Detection"). An image's frame is its `frame`
/// field, where all images have one; else the last number in its `file_name`, where all have one and all differ; else
/// its `id`. Visibility 0 is a point not found. A point's score is its entry in the annotation's optional
/// `keypoint_scores`, else 1 for visibility 2 (seen) and 0.5 for visibility 1 (labelled though hidden). Several
/// categories (player, racket, ball) may share an image.
///
/// **COCO results** (an array of `image_id`, `category_id`, `keypoints`, `score`): the frame is `image_id`; 17 triples
/// are COCO's 17 points, 21 triples are [`midline_session::keypoints::default_names`]. The third number of a triple is
/// the point's score; 0 or less is a point not found. Where an entry's third numbers are all flags (0, 1 or 2), as
/// COCO's evaluation writes them, each point found has the entry's `score`, and 1 without one.
///
/// **Tidy CSV** (comma-separated with a header: `frame` or `time`, `name`, `x`, `y`, optionally `score`, in any order):
/// `time` is the presentation time in seconds and is taken to the nearest frame, at most half a frame away; with both,
/// `frame` counts. No score is score 1. A row without x and y is a point not found.
///
/// With several people in a picture, the one with the largest continuous track is followed (length times size in the
/// picture) and the others are left out; `remarks` says so.
///
/// The file is read as a stream; what is held is one copy of its points.
///
/// # Errors
/// When the file cannot be read, is empty or malformed (with the line), names an unknown keypoint, image, category or
/// frame, gives a point twice, or holds coordinates that are not finite, far outside the picture, or shares of it.
pub fn import(path: &Path, camera: &str, footage: &Footage) -> Result<Keypoints, PointsError> {
    let file = File::open(path).map_err(PointsError::io(path, "opening"))?;
    let mut reader = BufReader::new(file);
    let head = reader.fill_buf().map_err(PointsError::io(path, "reading"))?;
    let skip = if head.starts_with(BYTE_ORDER_MARK) { BYTE_ORDER_MARK.len() } else { 0 };
    let first = head.iter().skip(skip).copied().find(|b| !b.is_ascii_whitespace());
    reader.consume(skip);
    match first {
        None => Err(PointsError::Empty { path: path.to_owned() }),
        Some(b'{') => coco_dataset::read(path, camera, footage, reader),
        Some(b'[') => coco_results::read(path, camera, footage, reader),
        Some(_) => tidy::read(path, camera, footage, reader),
    }
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use midline_session::keypoints::{COCO_17, Keypoint, default_names};

    use super::*;

    fn footage() -> Footage {
        Footage {
            stored_size_px: [640, 480],
            size_px: [640, 480],
            quarter_turns_clockwise: 0,
            // A start offset and a dropped frame: times are never the frame number over a rate.
            frame_pts_seconds: (0..200).map(|i| 0.5 + f64::from(i + i32::from(i > 5)) / 30.0).collect(),
            codec: "h264".into(),
            gaps: Vec::new(),
            sound: None,
        }
    }

    fn read(content: &str) -> Result<Keypoints, PointsError> {
        let folder = tempfile::tempdir().unwrap();
        let path: PathBuf = folder.path().join("points");
        std::fs::write(&path, content).unwrap();
        import(&path, "left", &footage())
    }

    fn point(x: f64, y: f64, score: f64) -> Option<Keypoint> {
        Some(Keypoint { px: [x, y], score })
    }

    /// Entries of `results/person_keypoints_val2014_fakekeypoints100_results.json`, the example of the results form
    /// that the COCO API is published with (github.com/cocodataset/cocoapi, Simplified BSD licence). Its third numbers
    /// are visibility flags, and points that were not found carry filler coordinates.
    const PUBLISHED: &str = include_str!("../fixtures/coco_results_sample.json");

    #[test]
    fn the_published_coco_results_example_is_read() {
        let keypoints = read(PUBLISHED).unwrap();
        assert!(keypoints.names.iter().eq(COCO_17.iter()));
        assert!(keypoints.remarks[0].contains("largest continuous track"), "{:?}", keypoints.remarks);
        // One person alone in its image: image 139, frame 139.
        let alone: Vec<&str> = PUBLISHED.lines().filter(|l| l.contains("\"image_id\":139")).collect();
        let keypoints = read(&format!("[{}]", alone[0].trim_end_matches(','))).unwrap();
        let frame = &keypoints.frames[0];
        assert_eq!((keypoints.frames.len(), frame.frame_index), (1, 139));
        assert!((frame.pts_seconds - (0.5 + 140.0 / 30.0)).abs() < 1e-12);
        let missing: Vec<&str> =
            COCO_17.into_iter().zip(&frame.points).filter(|(_, p)| p.is_none()).map(|(n, _)| n).collect();
        assert_eq!(missing, ["right_eye", "right_ear"]);
        assert_eq!(frame.points[0], point(429.0, 170.0, 0.771));
        assert_eq!(frame.points[16], point(461.0, 286.0, 0.771));
    }

    #[test]
    fn results_with_21_points_carry_scores() {
        let triples: Vec<String> = (0..21).map(|i| format!("{i},{},{}", i + 100, f64::from(i) / 20.0)).collect();
        let keypoints =
            read(&format!(r#"[{{"image_id": 3, "category_id": 1, "keypoints": [{}]}}]"#, triples.join(","))).unwrap();
        assert_eq!(keypoints.names, default_names());
        assert_eq!(keypoints.frames[0].points[0], None);
        assert_eq!(keypoints.frames[0].points[20], point(20.0, 120.0, 1.0));
        assert_eq!(keypoints.frames[0].points[4], point(4.0, 104.0, 0.2));
    }

    fn dataset(images: &str, annotations: &str) -> String {
        format!(
            r#"{{"info": {{"year": 2017}}, "annotations": [{annotations}], "images": [{images}],
            "categories": [{{"id": 1, "name": "person", "keypoints": ["left_wrist", "nose"], "skeleton": [[1, 2]]}},
                           {{"id": 7, "name": "ball", "keypoints": ["ball"]}}, {{"id": 8, "name": "bag"}}]}}"#
        )
    }

    #[test]
    fn a_dataset_with_player_and_ball_is_read() {
        let images =
            r#"{"id": 4, "width": 640, "height": 480, "file_name": "clip.mp4"}, {"id": 9, "file_name": "clip.mp4"}"#;
        let annotations = r#"
            {"id": 1, "image_id": 9, "category_id": 1, "keypoints": [10, 20, 1, 30, 40.5, 2],
             "iscrowd": 0, "segmentation": [[1.5, 2]]},
            {"id": 2, "image_id": 4, "category_id": 1, "keypoints": [0, 0, 0, 31, 41, 2],
             "keypoint_scores": [0.0, 0.7]},
            {"id": 3, "image_id": 4, "category_id": 7, "keypoints": [300, 200, 2]},
            {"id": 4, "image_id": 4, "category_id": 8, "bbox": [1, 2, 3, 4]}"#;
        let keypoints = read(&dataset(images, annotations)).unwrap();
        assert_eq!(keypoints.names, ["left_wrist", "nose", "ball"]);
        assert_eq!(keypoints.frames.iter().map(|f| f.frame_index).collect::<Vec<_>>(), [4, 9]);
        assert_eq!(keypoints.frames[0].points, [None, point(31.0, 41.0, 0.7), point(300.0, 200.0, 1.0)]);
        assert_eq!(keypoints.frames[1].points, [point(10.0, 20.0, 0.5), point(30.0, 40.5, 1.0), None]);
        assert!((keypoints.frames[1].pts_seconds - (0.5 + 10.0 / 30.0)).abs() < 1e-12);
        assert!(keypoints.remarks.is_empty());
    }

    #[test]
    fn an_image_says_its_frame_by_field_name_or_id() {
        let annotation = r#"{"id": 1, "image_id": 5, "category_id": 7, "keypoints": [1, 2, 2]}"#;
        for (images, frame) in [
            (r#"{"id": 5, "frame": 8, "file_name": "f_000012.png"}"#, 8),
            (r#"{"id": 5, "file_name": "take3/f_000012.v2.jpg"}, {"id": 6, "file_name": "take3/f_13.jpg"}"#, 2),
            (r#"{"id": 5, "file_name": "P07-é12.jpg"}, {"id": 6, "file_name": "13.jpg"}"#, 12),
            (r#"{"id": 5, "file_name": "P07.mp4"}, {"id": 6, "file_name": "P07.mp4"}"#, 5),
            (r#"{"id": 5}"#, 5),
        ] {
            let keypoints = read(&dataset(images, annotation)).unwrap();
            assert_eq!(keypoints.frames[0].frame_index, frame, "{images}");
            assert_eq!(keypoints.remarks.is_empty(), frame == 5, "{:?}", keypoints.remarks);
        }
    }

    #[test]
    fn the_largest_continuous_track_is_followed_through_a_crossing() {
        // The player, 200 px tall, walks right; a second person, 120 px tall, walks left through the player's place and
        // is listed first; a third is large but seen for 3 frames only.
        let entry = |frame: usize, x: f64, size: f64| {
            let triples: Vec<String> = (0..17)
                .map(|i| {
                    format!("{:.3},{:.3},0.9", x + size * 0.02 * f64::from(i % 5), 100.0 + size * f64::from(i) / 16.0)
                })
                .collect();
            format!(r#"{{"image_id": {frame}, "category_id": 1, "keypoints": [{}]}}"#, triples.join(","))
        };
        let mut entries = Vec::new();
        for frame in 0..100 {
            let x = frame as f64 * 4.0;
            entries.push(entry(frame, 500.0 - x, 120.0));
            if !(40..50).contains(&frame) {
                entries.push(entry(frame, 100.0 + x, 200.0)); // hidden for ten frames
            }
            if frame > 96 {
                entries.push(entry(frame, 20.0, 370.0));
            }
        }
        let keypoints = read(&format!("[{}]", entries.join(",\n"))).unwrap();
        assert_eq!(keypoints.frames.len(), 90);
        for frame in &keypoints.frames {
            let nose = frame.points[0].unwrap();
            assert!((nose.px[0] - (100.0 + 4.0 * frame.frame_index as f64)).abs() < 1e-2, "{frame:?}");
        }
        assert!(keypoints.remarks[0].contains("frame 0 to frame 99; 103 of 193"), "{:?}", keypoints.remarks);
    }

    #[test]
    fn tidy_csv_is_read_in_any_column_order() {
        let keypoints =
            read("\u{feff}y, name ,x,frame,note\n41,nose,31,7,a\n20.5,ball,1e1,2.0,\n,ball,,7,\n\n22,nose,11,2,\n")
                .unwrap();
        assert_eq!(keypoints.names, ["nose", "ball"]);
        assert_eq!(keypoints.frames.len(), 2);
        assert_eq!(keypoints.frames[0].points, [point(11.0, 22.0, 1.0), point(10.0, 20.5, 1.0)]);
        assert_eq!(keypoints.frames[1].points, [point(31.0, 41.0, 1.0), None]);
        assert_eq!(keypoints.remarks, ["Columns that are not read: note."]);
        let keypoints = read("time,name,x,y,score\n0.51,nose,1,2,0.4\n0.72,nose,3,4,\n0.77,nose,5,6,1.25\n").unwrap();
        // Frame 6 follows a dropped frame: 0.5 s + 7/30 s.
        assert_eq!(keypoints.frames.iter().map(|f| f.frame_index).collect::<Vec<_>>(), [0, 6, 7]);
        assert_eq!(keypoints.frames[2].points[0], point(5.0, 6.0, 1.0));
        assert_eq!(keypoints.remarks, ["Scores above 1 were taken as 1: 1 points."]);
    }

    #[test]
    fn bad_files_are_named() {
        let csv = |rows: &str| format!("frame,name,x,y,score\n{rows}");
        let image = r#"{"id": 5}"#;
        let results = |triples: &str| format!(r#"[{{"image_id": 5, "category_id": 1, "keypoints": [{triples}]}}]"#);
        let many: String = (0..20).map(|i| format!("{i},nose,0.4,0.{},1\n", 10 + i)).collect();
        let cases: Vec<(String, &[&str])> = vec![
            (String::new(), &["empty"]),
            (" \n\u{a0}".replace('\u{a0}', "\t"), &["empty"]),
            ("frame,name,x,y\n".into(), &["no labelled point"]),
            ("hello".into(), &["line 1", "no column `frame` or `time`", "comma-separated"]),
            ("frame;name;x;y\n1;nose;2;3".into(), &["line 1", "comma-separated"]),
            ("frame,name,x\n1,nose,2".into(), &["no column `y`"]),
            ("frame,name,x,y,x\n1,nose,2,3,4".into(), &["`x` stands twice"]),
            (csv("1,nose,2,3,1\n2,neck,3,4,1"), &["line 3", "\"neck\"", "right_ankle", "racket_tip", "ball"]),
            (csv("1,nose,2,3,1\n2,nose,3"), &["line 3", "3 cells, the header has 5"]),
            (csv("1,nose,2,3,1\n2,nose,NaN,3,1"), &["line 3", "\"nose\"", "not finite"]),
            (csv("1,nose,inf,3,1"), &["line 2", "not finite"]),
            (csv("1,nose,two,3,1"), &["line 2", "`x` is \"two\""]),
            (csv("1,nose,,3,1"), &["line 2", "`x` is \"\""]),
            (csv("1,nose,2,3,-0.5"), &["line 2", "score of \"nose\" is -0.5"]),
            (csv("-1,nose,2,3,1"), &["line 2", "`frame` is \"-1\""]),
            (csv("200,nose,2,3,1"), &["line 2", "frame 200", "200 frames", "subtract 1"]),
            (csv("2000,nose,2,3,1"), &["frame 2000", "belongs to this footage"]),
            (csv("1,nose,801,3,1"), &["line 2", "(801.0, 3.0)", "640 x 480"]),
            (csv("1,nose,2,3,1\n2,nose,2,3,1\n1,nose,2,4,1"), &["line 4", "\"nose\" in frame 1", "at line 2"]),
            (csv(&many), &["between 0 and 1", "multiply x by 640 and y by 480"]),
            ("time,name,x,y\n7.6,nose,1,2".into(), &["line 2", "no frame at 7.6 s", "0.500 s to 7.167 s"]),
            ("time,name,x,y\nNaN,nose,1,2".into(), &["line 2", "no frame at NaN s"]),
            ("{\"images\": [],\n \"annotations\": [}".into(), &["line 2", "expected value"]),
            ("{\"images\": [],\n\"categories\": []}".into(), &["line 2", "missing field `annotations`"]),
            ("{\"images\": [".into(), &["line 1", "EOF"]),
            ("[{\"image_id\": 1,\n\"keypoints\": [NaN]}]".into(), &["line 2", "COCO results file"]),
            ("[{\"image_id\": 1,\n\"keypoints\": [1e999]}]".into(), &["line 2", "out of range"]),
            ("[]\n[]".into(), &["line 2", "trailing"]),
            ("[]".into(), &["no labelled point"]),
            (results("1,2,3"), &["entry 1", "3 numbers", "51", "63"]),
            (results(&vec!["9000,2,1"; 17].join(",")), &["entry 1", "(9000.0, 2.0)"]),
            (results(&vec!["90,2,1"; 17].join(",")).replace(": 5", ": 500"), &["entry 1", "frame 500"]),
            (
                dataset(image, r#"{"id": 3, "image_id": 6, "category_id": 7, "keypoints": [1, 2, 2]}"#),
                &["annotation 3", "image 6 is not in"],
            ),
            (
                dataset(image, r#"{"id": 3, "image_id": 5, "category_id": 2, "keypoints": [1, 2, 2]}"#),
                &["annotation 3", "category 2 is not in"],
            ),
            (
                dataset(image, r#"{"id": 3, "image_id": 5, "category_id": 1, "keypoints": [1, 2, 2]}"#),
                &["annotation 3", "3 numbers", "expected 6"],
            ),
            (
                dataset(
                    image,
                    r#"{"id": 3, "image_id": 5, "category_id": 7, "keypoints": [1, 2, 2], "keypoint_scores": []}"#,
                ),
                &["annotation 3", "0 numbers in `keypoint_scores`", "expected 1"],
            ),
            (
                dataset(r#"{"id": 250}"#, r#"{"id": 3, "image_id": 250, "category_id": 7, "keypoints": [1, 2, 2]}"#),
                &["annotation 3", "frame 250"],
            ),
            (
                dataset(r#"{"id": 5, "width": 480, "height": 640}"#, ""),
                &["image 5", "480 x 640", "640 x 480", "rotation"],
            ),
            (dataset(r#"{"id": 5}, {"id": 5}"#, ""), &["image 5", "image 5 already"]),
            (dataset(r#"{"id": 5, "frame": 1}, {"id": 6, "frame": 1}"#, ""), &["image 6", "image 5 already"]),
            (dataset(image, "").replace("left_wrist", "hub"), &["category 1", "\"hub\"", "left_wrist"]),
            (dataset(image, "").replace("left_wrist", "nose"), &["category 1", "\"nose\" stands twice"]),
            (dataset(image, ""), &["no labelled point"]),
        ];
        for (content, parts) in cases {
            let message = read(&content).expect_err(&content).to_string();
            for part in parts {
                assert!(message.contains(part), "{part:?} is not in {message:?} for {content:?}");
            }
            assert!(message.contains("points"), "no file in {message:?}");
        }
        let missing = import(Path::new("no/such.csv"), "left", &footage()).unwrap_err().to_string();
        assert!(missing.starts_with("no/such.csv: opening failed"), "{missing}");
    }

    #[test]
    fn not_text_is_an_error_and_not_a_panic() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("points.csv");
        std::fs::write(&path, b"frame,name,x,y\n1,no\xff\xfese,2,3\n").unwrap();
        let message = import(&path, "left", &footage()).unwrap_err().to_string();
        assert!(message.contains("line 2") && message.contains("UTF-8"), "{message}");
    }
}
