//! Whether a camera stood still during its footage.

use serde::{Deserialize, Serialize};

use crate::keypoints::Keypoints;

/// How still a camera stood, as its background tells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Steadiness {
    /// The camera's name.
    pub camera: String,
    /// Frames whose background was compared with that of the first.
    pub compared_frames: usize,
    /// Largest shift of a corner of the picture while it counts as standing, px; `None` when nothing could be compared.
    pub wobble_px: Option<f64>,
    /// When it stood otherwise than at the start, in order of time.
    pub moves: Vec<Moved>,
    /// What was noticed, one sentence each.
    pub remarks: Vec<String>,
}

/// A time in which a camera stood otherwise than at the start.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Moved {
    /// Presentation time of the first frame that shows it, seconds.
    pub from_seconds: f64,
    /// Presentation time of the first frame in which it is back in its place; `None` when it never is.
    pub until_seconds: Option<f64>,
    /// Shift of the picture's corners, px: the largest of the frames compared.
    pub shift_px: f64,
}

impl Steadiness {
    /// Whether the camera stands at a presentation time as it did at the start.
    #[must_use]
    pub fn stands_at(&self, pts_seconds: f64) -> bool {
        let moved =
            |m: &Moved| pts_seconds >= m.from_seconds && m.until_seconds.is_none_or(|until| pts_seconds < until);
        !self.moves.iter().any(moved)
    }

    /// Takes out the points of frames in which the camera stood otherwise: its place is not known there. Says so in the
    /// remarks of the points.
    pub fn leave_out(&self, keypoints: &mut Keypoints) {
        let before = keypoints.frames.len();
        keypoints.frames.retain(|frame| self.stands_at(frame.pts_seconds));
        let removed = before - keypoints.frames.len();
        if removed > 0 {
            keypoints
                .remarks
                .push(format!("{removed} frames were left out, in which the camera did not stand as at the start."));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keypoints::KeypointFrame;

    #[test]
    fn points_are_left_out_while_the_camera_stands_otherwise() {
        let frame = |index: usize| KeypointFrame { frame_index: index, pts_seconds: index as f64, points: vec![None] };
        let mut keypoints = Keypoints {
            camera: "fence".into(),
            names: vec!["nose".into()],
            frames: (0..10).map(frame).collect(),
            remarks: Vec::new(),
        };
        let moved = |from_seconds, until_seconds| Moved { from_seconds, until_seconds, shift_px: 9.0 };
        let mut steadiness = Steadiness {
            camera: "fence".into(),
            compared_frames: 10,
            wobble_px: Some(0.1),
            moves: Vec::new(),
            remarks: Vec::new(),
        };
        steadiness.leave_out(&mut keypoints);
        assert_eq!((keypoints.frames.len(), keypoints.remarks.len()), (10, 0));
        steadiness.moves = vec![moved(1.5, Some(4.0)), moved(8.0, None)];
        steadiness.leave_out(&mut keypoints);
        let left: Vec<usize> = keypoints.frames.iter().map(|f| f.frame_index).collect();
        assert_eq!(left, [0, 1, 4, 5, 6, 7]);
        assert!(keypoints.remarks[0].starts_with("4 frames"), "{:?}", keypoints.remarks);
    }
}
