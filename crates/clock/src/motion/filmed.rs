//! One camera with what it saw, and the clock that is in question.

use midline_geometry::Camera;
use midline_session::keypoints::Keypoints;

use crate::path::spacing_seconds;

/// Error of the rig in pixels that is allowed for where the rig does not state one.
const RIG_PX: f64 = 2.0;
/// A read-out that nobody knows: its share of the frames' spacing, and the standard deviation of that share. It cannot
/// exceed the spacing; longer than 16 ms is not usual (common practice).
const READ_OUT_SHARE: f64 = 0.6;
const READ_OUT_SHARE_SD: f64 = 0.35;
const LONGEST_READ_OUT_SECONDS: f64 = 0.016;

/// The read-out that is taken where nobody knows it, from the frames' spacing, and its standard deviation, seconds.
pub(crate) fn usual_read_out(spacing_seconds: f64) -> (f64, f64) {
    let longest = spacing_seconds.min(LONGEST_READ_OUT_SECONDS);
    (READ_OUT_SHARE * longest, READ_OUT_SHARE_SD * longest)
}

/// One camera with what it saw.
#[derive(Debug, Clone)]
pub(crate) struct Filmed<'a> {
    pub(crate) name: &'a str,
    /// Lens, pose and read-out; the read-out is the usual one where it is not known.
    pub(crate) camera: Camera,
    /// How far its pose may be off, pixels.
    pub(crate) rig_px: f64,
    /// Standard deviation of the read-out before motion is asked, seconds; 0 when it is known.
    pub(crate) read_out_sd_seconds: f64,
    pub(crate) keypoints: &'a Keypoints,
    pub(crate) spacing_seconds: f64,
}

impl<'a> Filmed<'a> {
    /// `None` with fewer than two frames.
    pub(crate) fn new(
        name: &'a str,
        mut camera: Camera,
        rig_px: Option<f64>,
        read_out_known: bool,
        keypoints: &'a Keypoints,
    ) -> Option<Self> {
        let spacing_seconds = spacing_seconds(keypoints)?;
        let (usual, usual_sd) = usual_read_out(spacing_seconds);
        if !read_out_known {
            camera.read_out.seconds = usual;
        }
        Some(Self {
            name,
            camera,
            rig_px: rig_px.unwrap_or(RIG_PX),
            read_out_sd_seconds: if read_out_known { 0.0 } else { usual_sd },
            keypoints,
            spacing_seconds,
        })
    }

    /// First and last presentation time with points.
    pub(crate) fn span(&self) -> (f64, f64) {
        let frames = &self.keypoints.frames;
        let at = |frame: Option<&midline_session::keypoints::KeypointFrame>| frame.map_or(0.0, |f| f.pts_seconds);
        (at(frames.first()), at(frames.last()))
    }
}

/// A straight clock through a presentation time in the middle of what matters: `session = middle + rate · (pts - centre)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Straight {
    pub(crate) centre_pts: f64,
    pub(crate) middle_seconds: f64,
    pub(crate) rate: f64,
}

impl Straight {
    pub(crate) fn session(&self, pts: f64) -> f64 {
        self.middle_seconds + self.rate * (pts - self.centre_pts)
    }

    pub(crate) fn pts(&self, session: f64) -> f64 {
        self.centre_pts + (session - self.middle_seconds) / self.rate
    }

    /// Session time at presentation time 0.
    pub(crate) fn offset_seconds(&self) -> f64 {
        self.session(0.0)
    }
}
