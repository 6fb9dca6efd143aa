//! What a footage file holds, as its container tells.

use serde::{Deserialize, Serialize};

/// One video file, described. Produced by the media stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Footage {
    /// Width and height of the stored picture in pixels.
    pub stored_size_px: [u32; 2],
    /// Width and height after the container's rotation, in pixels.
    pub size_px: [u32; 2],
    /// Clockwise quarter turns (0 to 3) that the container asks for when showing the stored picture.
    pub quarter_turns_clockwise: u8,
    /// Presentation time of every frame that is shown, in display order, seconds; edit lists and start offset applied.
    pub frame_pts_seconds: Vec<f64>,
    /// Codec as a short name, such as `h264`.
    pub codec: String,
    /// Places where the spacing exceeds 1.5 × its median.
    pub gaps: Vec<FrameGap>,
    /// Sound, if the file has any.
    pub sound: Option<Sound>,
}

/// A place where frames are missing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FrameGap {
    /// Index of the last frame before the gap.
    pub after_frame: usize,
    /// Its length in seconds.
    pub seconds: f64,
}

/// The first sound track of a file.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sound {
    /// Samples per second.
    pub sample_rate_hz: u32,
    /// Channels in the file.
    pub channels: u16,
    /// Presentation time of the first sample that is heard, in seconds; edit lists and encoder priming applied.
    pub start_pts_seconds: f64,
    /// Duration in seconds.
    pub duration_seconds: f64,
}

impl Footage {
    /// Median spacing of the frames in seconds; `None` with fewer than two frames.
    #[must_use]
    pub fn median_spacing_seconds(&self) -> Option<f64> {
        let mut spacing: Vec<f64> = self.frame_pts_seconds.windows(2).map(|w| w[1] - w[0]).collect();
        spacing.sort_by(f64::total_cmp);
        spacing.get(spacing.len() / 2).copied()
    }

    /// Time from the first frame to the last in seconds; 0 for a single frame, `None` for none.
    #[must_use]
    pub fn duration_seconds(&self) -> Option<f64> {
        Some(self.frame_pts_seconds.last()? - self.frame_pts_seconds.first()?)
    }

    /// Index of the frame whose presentation time is nearest to `pts_seconds`.
    #[must_use]
    pub fn nearest_frame(&self, pts_seconds: f64) -> Option<usize> {
        let after = self.frame_pts_seconds.partition_point(|t| *t < pts_seconds);
        let candidates = after.saturating_sub(1)..(after + 1).min(self.frame_pts_seconds.len());
        candidates.min_by(|a, b| {
            let gap = |i: &usize| (self.frame_pts_seconds[*i] - pts_seconds).abs();
            gap(a).total_cmp(&gap(b))
        })
    }
}

/// Decoded sound, mixed to one channel. Lives in memory only.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundTrack {
    /// Samples per second.
    pub sample_rate_hz: f64,
    /// Presentation time of the first sample in seconds, on the same axis as the frames' presentation times.
    pub start_pts_seconds: f64,
    /// Samples, full scale ±1.
    pub samples: Vec<f32>,
}
