//! Recognises a keypoint file by its content and reads it.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;

use midline_session::footage::Footage;
use midline_session::keypoints::Keypoints;

use crate::reading::Reading;
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
/// **Tidy CSV** (comma-separated with a header: `frame` or `time`, `name`, `x`, `y`, optionally `score` and `person`, in any
/// order):
/// `time` is the presentation time in seconds and is taken to the nearest frame, at most half a frame away; with both,
/// `frame` counts. No score is score 1. A row without x and y is a point not found. `person` tells the people of one frame
/// apart; whether one keeps its mark over time does not matter.
///
/// With several people in a picture, the one with the largest continuous track is followed (length times size in the
/// picture) and the others are left out; `remarks` says so.
///
/// The file is read as a stream. Of each frame at most 16 people are held, the largest, so that memory follows the
/// footage's length and not the file's.
///
/// # Errors
/// When the file cannot be read, is empty or malformed (with the line), names an unknown keypoint, image, category or
/// frame, gives a point twice, or holds coordinates that are not finite, far outside the picture, or shares of it.
pub fn import(path: &Path, camera: &str, footage: &Footage) -> Result<Keypoints, PointsError> {
    import_as(path, camera, footage, &Reading::default())
}

/// As [`import`], with conventions, names and player as `reading` says.
///
/// Coordinates become pixels of the shown picture with their centres at integers: half a pixel is taken off where the file
/// counts from the picture's edge, and the container's rotation is applied where it was labelled on stored pictures.
/// `reading.player` points at the player: of several people, the tracks that start from the marks are followed instead of
/// the largest one; in each frame the track of the nearest mark counts.
///
/// # Errors
/// As for [`import`], and when nobody is at a mark.
pub fn import_as(path: &Path, camera: &str, footage: &Footage, reading: &Reading) -> Result<Keypoints, PointsError> {
    let (reader, first) = open(path)?;
    match first {
        None => Err(PointsError::Empty { path: path.to_owned() }),
        Some(b'{') => coco_dataset::read(path, camera, footage, reading, reader),
        Some(b'[') => coco_results::read(path, camera, footage, reading, reader),
        Some(_) => tidy::read(path, camera, footage, reading, reader),
    }
}

/// A file behind its byte-order mark, and its first character that is not white space, as far as the first buffer shows.
pub(crate) fn open(path: &Path) -> Result<(BufReader<File>, Option<u8>), PointsError> {
    let file = File::open(path).map_err(PointsError::io(path, "opening"))?;
    let mut reader = BufReader::with_capacity(1 << 16, file);
    let head = reader.fill_buf().map_err(PointsError::io(path, "reading"))?;
    let skip = if head.starts_with(BYTE_ORDER_MARK) { BYTE_ORDER_MARK.len() } else { 0 };
    let first = head.iter().skip(skip).copied().find(|b| !b.is_ascii_whitespace());
    reader.consume(skip);
    Ok((reader, first))
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use midline_session::description::{PixelCentre, PlayerMark, PointsRotation};
    use midline_session::keypoints::{COCO_17, Keypoint, default_names};

    use super::*;
    use crate::NameMap;

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

    fn read_as(content: &str, footage: &Footage, reading: &Reading) -> Result<Keypoints, PointsError> {
        let folder = tempfile::tempdir().unwrap();
        let path: PathBuf = folder.path().join("points");
        std::fs::write(&path, content).unwrap();
        import_as(&path, "left", footage, reading)
    }

    fn map(text: &str) -> Option<NameMap> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("names.toml");
        std::fs::write(&path, text).unwrap();
        Some(NameMap::read(&path).unwrap())
    }

    #[test]
    fn half_pixels_and_stored_pictures_become_shown_pixels() {
        // The container turns the stored picture of 640 x 480 px: where its corners and one point come to lie follows from the
        // picture being turned clockwise as a whole.
        let cases = [(0, [10.0, 20.0]), (1, [459.0, 10.0]), (2, [629.0, 459.0]), (3, [20.0, 629.0])];
        for (turns, shown) in cases {
            let size_px = if turns % 2 == 0 { [640, 480] } else { [480, 640] };
            let footage = Footage { quarter_turns_clockwise: turns, size_px, ..footage() };
            let mut reading = Reading { rotation: PointsRotation::Stored, ..Reading::default() };
            let csv = "frame,name,x,y\n0,nose,10,20\n";
            assert_eq!(
                read_as(csv, &footage, &reading).unwrap().frames[0].points[0].unwrap().px,
                shown,
                "{turns} turns"
            );
            // The same from the edge of the pixels.
            reading.pixel_centre = PixelCentre::Half;
            let csv = "frame,name,x,y\n0,nose,10.5,20.5\n";
            assert_eq!(
                read_as(csv, &footage, &reading).unwrap().frames[0].points[0].unwrap().px,
                shown,
                "{turns} turns"
            );
            // Images are said to be as large as they are stored.
            let image = r#"{"id": 5, "width": 640, "height": 480}"#;
            let annotation = r#"{"id": 1, "image_id": 5, "category_id": 7, "keypoints": [10.5, 20.5, 2]}"#;
            let keypoints = read_as(&dataset(image, annotation), &footage, &reading).unwrap();
            assert_eq!(keypoints.frames[0].points.iter().flatten().next().unwrap().px, shown);
        }
    }

    #[test]
    fn another_set_is_read_through_a_mapping() {
        let names = map("schema = 1\norder = [\"Nose\", \"Neck\", \"RWri\", \"LBigToe\"]\n[names]\nNose = \"nose\"\n\
                         Neck = \"\"\nRWri = \"right_wrist\"\nLBigToe = \"left_big_toe\"\n");
        let reading = Reading { names, ..Reading::default() };
        let expected = [point(1.0, 2.0, 0.5), point(5.0, 6.0, 0.7), point(7.0, 8.0, 0.8)];
        let forms = [
            "[{\"image_id\": 3, \"keypoints\": [1, 2, 0.5, 3, 4, 0.6, 5, 6, 0.7, 7, 8, 0.8]}]".to_owned(),
            "frame,name,x,y,score\n3,RWri,5,6,0.7\n3,Neck,3,4,0.6\n3,LBigToe,7,8,0.8\n3,Nose,1,2,0.5\n".to_owned(),
            r#"{"annotations": [{"id": 1, "image_id": 3, "category_id": 1, "keypoints": [1, 2, 2, 3, 4, 2, 5, 6, 2, 7, 8, 2],
                "keypoint_scores": [0.5, 0.6, 0.7, 0.8]}], "images": [{"id": 3}],
                "categories": [{"id": 1, "keypoints": ["Nose", "Neck", "RWri", "LBigToe"]}]}"#
                .to_owned(),
        ];
        for content in forms {
            let keypoints = read_as(&content, &footage(), &reading).unwrap();
            assert_eq!(
                keypoints.names.iter().map(String::as_str).collect::<Vec<_>>(),
                ["nose", "right_wrist", "left_big_toe"]
            );
            assert_eq!(keypoints.frames[0].points, expected, "{content}");
        }
        let message = read_as("frame,name,x,y\n3,Hub,1,2\n", &footage(), &reading).unwrap_err().to_string();
        assert!(message.contains("\"Hub\"") && message.contains("points_reading"), "{message}");
        let wrong = read_as("[{\"image_id\": 3, \"keypoints\": [1, 2, 0.5]}]", &footage(), &reading).unwrap_err();
        assert!(wrong.to_string().contains("12 (4 points of the mapping's `order`)"), "{wrong}");
    }

    /// Rows of a standing figure: 17 points, `size` px tall.
    fn person(frame: usize, mark: &str, x: f64, size: f64) -> String {
        let row = |(i, name): (usize, &str)| {
            format!(
                "{frame},{mark},{name},{:.2},{:.2}\n",
                x + 0.02 * size * (i % 5) as f64,
                60.0 + size * i as f64 / 16.0
            )
        };
        COCO_17.into_iter().enumerate().map(row).collect()
    }

    /// A large coach who stands and a small player who walks right, is lost for two seconds, and walks on.
    fn two_people() -> String {
        let mut csv = String::from("frame,person,name,x,y\n");
        for frame in 0..190 {
            csv += &person(frame, "7", 420.0, 300.0);
            if !(60..125).contains(&frame) {
                // The mark of the one who comes back is another one, as trackers have it.
                csv += &person(frame, if frame < 60 { "1" } else { "9" }, 20.0 + 1.5 * frame as f64, 120.0);
            }
        }
        csv
    }

    fn mark(frame: usize, px: [f64; 2]) -> PlayerMark {
        PlayerMark { frame, px }
    }

    #[test]
    fn without_a_mark_the_largest_is_followed_and_the_remark_says_how_to_point() {
        let keypoints = read(&two_people()).unwrap();
        assert!(keypoints.frames.iter().all(|f| (f.points[0].unwrap().px[0] - 420.0).abs() < 1.0));
        assert!(keypoints.remarks[0].contains("points_reading"), "{:?}", keypoints.remarks);
    }

    #[test]
    fn the_marked_person_is_followed_and_found_again_by_a_second_mark() {
        let mut reading = Reading { player: vec![mark(10, [40.0, 120.0])], ..Reading::default() };
        let keypoints = read_as(&two_people(), &footage(), &reading).unwrap();
        assert_eq!(keypoints.frames.last().unwrap().frame_index, 59, "{:?}", keypoints.remarks);
        reading.player.push(mark(150, [250.0, 100.0]));
        let keypoints = read_as(&two_people(), &footage(), &reading).unwrap();
        assert_eq!(keypoints.frames.len(), 60 + 65);
        for frame in &keypoints.frames {
            assert!((frame.points[0].unwrap().px[0] - (20.0 + 1.5 * frame.frame_index as f64)).abs() < 0.01);
        }
        assert!(keypoints.remarks[0].contains("the marked one was followed"), "{:?}", keypoints.remarks);
    }

    #[test]
    fn a_mark_on_nobody_is_named() {
        let refused = |marks: &[PlayerMark]| {
            let reading = Reading { player: marks.to_vec(), ..Reading::default() };
            read_as(&two_people(), &footage(), &reading).unwrap_err().to_string()
        };
        let message = refused(&[mark(10, [40.0, 120.0]), mark(30, [250.0, 100.0])]);
        assert!(
            message.contains("frame 30") && message.contains("(250, 100)") && message.contains("px away"),
            "{message}"
        );
        let message = refused(&[mark(4000, [40.0, 120.0])]);
        assert!(message.contains("frame 4000") && message.contains("nobody"), "{message}");
    }

    #[test]
    fn a_column_that_tells_no_people_apart_is_named() {
        let rows: String = (0..80).map(|i| format!("3,{i},nose,{i},5\n")).collect();
        let message = read(&format!("frame,person,name,x,y\n{rows}")).unwrap_err().to_string();
        assert!(message.contains("frame 3 has more than 64 people"), "{message}");
        let message = read("frame,person,name,x,y\n3,a,nose,1,2\n3,a,nose,2,3\n").unwrap_err().to_string();
        assert!(message.contains("line 3") && message.contains("line 2"), "{message}");
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
