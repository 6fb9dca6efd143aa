//! 2D keypoints of one camera and the named sets they come in.

use serde::{Deserialize, Serialize};

/// COCO's 17 body keypoints in the order of the COCO 2017 person-keypoints annotation format.
pub const COCO_17: [&str; 17] = [
    "nose",
    "left_eye",
    "right_eye",
    "left_ear",
    "right_ear",
    "left_shoulder",
    "right_shoulder",
    "left_elbow",
    "right_elbow",
    "left_wrist",
    "right_wrist",
    "left_hip",
    "right_hip",
    "left_knee",
    "right_knee",
    "left_ankle",
    "right_ankle",
];

/// The racket's points.
pub const RACKET: [&str; 3] = ["racket_butt", "racket_throat", "racket_tip"];

/// The ball's centre.
pub const BALL: &str = "ball";

/// Midline's default set: COCO's 17, the racket's three, the ball.
#[must_use]
pub fn default_names() -> Vec<String> {
    COCO_17.iter().chain(&RACKET).chain([&BALL]).map(ToString::to_string).collect()
}

/// Lines between points for drawing, as pairs of names; pairs with an unknown name are skipped by whoever draws.
pub const CONNECTIONS: [(&str, &str); 16] = [
    ("left_shoulder", "right_shoulder"),
    ("left_hip", "right_hip"),
    ("left_shoulder", "left_hip"),
    ("right_shoulder", "right_hip"),
    ("left_shoulder", "left_elbow"),
    ("left_elbow", "left_wrist"),
    ("right_shoulder", "right_elbow"),
    ("right_elbow", "right_wrist"),
    ("left_hip", "left_knee"),
    ("left_knee", "left_ankle"),
    ("right_hip", "right_knee"),
    ("right_knee", "right_ankle"),
    ("nose", "left_shoulder"),
    ("nose", "right_shoulder"),
    ("racket_butt", "racket_throat"),
    ("racket_throat", "racket_tip"),
];

/// One detected point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Keypoint {
    /// Display orientation, pixel centres at integers.
    pub px: [f64; 2],
    /// The detector's confidence, 0 to 1.
    pub score: f64,
}

/// The points of one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeypointFrame {
    /// Index of the frame in the footage.
    pub frame_index: usize,
    /// Presentation time of the frame in seconds (first row).
    pub pts_seconds: f64,
    /// One entry per name of the set; `None` where the point was not found.
    pub points: Vec<Option<Keypoint>>,
}

/// All points of one camera, frames in order of time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Keypoints {
    /// The camera's name.
    pub camera: String,
    /// Names of the points.
    pub names: Vec<String>,
    /// Frames with at least one point, in order of time.
    pub frames: Vec<KeypointFrame>,
    /// What the import noticed: left-right swaps undone, jumps removed, and so on, one sentence each.
    pub remarks: Vec<String>,
}

impl Keypoints {
    /// Column of a name.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }
}
