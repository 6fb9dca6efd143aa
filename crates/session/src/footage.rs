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
    /// Places where the spacing exceeds 1.5 × the typical one.
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

/// What a file tells of its recording beyond its pictures and times.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Particulars {
    /// Bits per brightness sample of the stored pictures, where the codec's configuration tells.
    pub bit_depth: Option<u8>,
    /// Width to height of one pixel when shown; pictures and intrinsics are in stored pixels whatever this says.
    pub pixel_aspect: [u32; 2],
    /// Tracks of moving pictures in the file.
    pub video_tracks: usize,
    /// Sound tracks in the file.
    pub sound_tracks: usize,
    /// Codec of the sound track that is used, as a short name, such as `aac`.
    pub sound_codec: Option<String>,
    /// Pictures per second at which the camera took them, where the metadata tell.
    pub capture_rate_hz: Option<f64>,
    /// Exposure time in seconds, where the metadata tell: no box of the container carries it, XMP can
    /// (`exif:ExposureTime`), phones seldom write it.
    pub shutter_seconds: Option<f64>,
}

impl Footage {
    /// Mean of the spacings in seconds that lie between 0.5 and 1.5 × their median, so that neither missing frames nor the
    /// rounding of time stamps (240 per second in steps of 1/600 s come as 2 and 3 steps) shift it.
    #[must_use]
    pub fn typical_spacing_seconds(&self) -> Option<f64> {
        let median = self.median_spacing_seconds()?;
        let spacings = self.frame_pts_seconds.windows(2).map(|w| w[1] - w[0]);
        let usual = spacings.filter(|s| (0.5 * median..=1.5 * median).contains(s));
        let (sum, n) = usual.fold((0.0, 0usize), |(sum, n), s| (sum + s, n + 1));
        (n > 0).then(|| sum / n as f64)
    }

    /// Frames per second as recorded, gaps left out; `None` with fewer than two frames or when all are at one time.
    #[must_use]
    pub fn frame_rate_hz(&self) -> Option<f64> {
        self.typical_spacing_seconds().filter(|s| *s > 0.0).map(f64::recip)
    }

    /// Frames that would fit into the gaps: those that the camera dropped.
    #[must_use]
    pub fn missing_frames(&self) -> usize {
        let Some(typical) = self.typical_spacing_seconds().filter(|s| *s > 0.0) else { return 0 };
        self.gaps.iter().map(|gap| ((gap.seconds / typical).round() as usize).saturating_sub(1)).sum()
    }

    /// Frames that come less than half the typical spacing after the one before: doubled ones.
    #[must_use]
    pub fn crowded_frames(&self) -> Vec<usize> {
        let Some(typical) = self.typical_spacing_seconds() else { return Vec::new() };
        let times = &self.frame_pts_seconds;
        (1..times.len()).filter(|i| times[*i] - times[i - 1] < 0.5 * typical).collect()
    }

    /// Shortest and longest spacing of the frames in seconds; `None` with fewer than two frames.
    #[must_use]
    pub fn spacing_range_seconds(&self) -> Option<[f64; 2]> {
        self.frame_pts_seconds.windows(2).map(|w| w[1] - w[0]).fold(None, |range, s| {
            let [least, most] = range.unwrap_or([s, s]);
            Some([f64::min(least, s), f64::max(most, s)])
        })
    }

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

/// How bright each frame is. Lives in memory only.
#[derive(Debug, Clone, PartialEq)]
pub struct Brightness {
    /// Presentation time of every frame, seconds.
    pub pts_seconds: Vec<f64>,
    /// For every frame the mean grey level, 0 to 255, of equal bands of the sensor's rows, in the order in which they are read.
    pub bands: Vec<Vec<f32>>,
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
