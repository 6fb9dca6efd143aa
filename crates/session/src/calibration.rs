//! Results of the lens, rig and clock stages.

use midline_geometry::{Camera, Intrinsics, ReadOut, RigidTransform};
use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

/// Intrinsics of one camera with how far to trust them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LensCalibration {
    /// The camera's name.
    pub camera: String,
    /// The lens.
    pub intrinsics: Intrinsics,
    /// Names of the parameters, in the order of the covariance.
    pub parameter_names: Vec<String>,
    /// Standard deviation of each parameter (px for focal lengths and centre, else dimensionless); `None` for a parameter
    /// held fixed.
    pub standard_deviations: Vec<Option<f64>>,
    /// Covariance of the parameters, row by row; rows and columns of fixed parameters are 0. Empty when all are fixed.
    pub covariance: Vec<Vec<f64>>,
    /// Root mean square reprojection error over both coordinates' length, px.
    pub rms_px: f64,
    /// The same over views left out of the fit (k-fold by view).
    pub held_out_rms_px: Option<f64>,
    /// The views used.
    pub views: Vec<LensView>,
    /// Share (0 to 1) of the picture's 8 × 8 cells in which a corner was seen.
    pub coverage: f64,
    /// What to film next if that is not enough, one sentence each.
    pub advice: Vec<String>,
    /// How good the calibration is and where in the picture; `None` for a lens that was not calibrated here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quality: Option<LensQuality>,
}

impl LensCalibration {
    /// A lens taken as exactly known: every parameter held, nothing calibrated from views. For simulations.
    #[must_use]
    pub fn exact(camera: &str, intrinsics: Intrinsics) -> Self {
        Self {
            camera: camera.to_owned(),
            intrinsics,
            parameter_names: intrinsics.parameter_names(),
            standard_deviations: vec![None; intrinsics.parameter_count()],
            covariance: Vec::new(),
            rms_px: 0.0,
            held_out_rms_px: None,
            views: Vec::new(),
            coverage: 1.0,
            advice: Vec::new(),
            quality: None,
        }
    }
}

/// How good a lens calibration is, and where in the picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LensQuality {
    /// Standard deviation of one coordinate of a corner, px: residuals over degrees of freedom.
    pub residual_sd_px: f64,
    /// The picture's equal cells, row by row from the top left, with the corners seen in them and their residuals.
    pub cells: Vec<Vec<PictureCell>>,
    /// Views by the angle between the board and the picture plane.
    pub tilts: Vec<TiltBin>,
    /// How well it is known where a point projects.
    pub projection_sd: ProjectionSd,
    /// How far the board is bent, where that was estimated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board_bend: Option<BoardBend>,
    /// Why this lens model, where several were compared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub choice: Option<LensChoice>,
    /// What was noticed on the way: views put aside, a zoom that changed; one sentence each.
    #[serde(default)]
    pub remarks: Vec<String>,
}

/// One cell of the picture.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct PictureCell {
    /// Corners seen in it, over all views.
    pub corners: usize,
    /// Their mean residual, projected less seen, px: large against `rms_px` where the model does not fit.
    pub mean_px: Option<[f64; 2]>,
    /// Root mean square length of their residuals, px.
    pub rms_px: Option<f64>,
}

/// Number of views within a range of tilt.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TiltBin {
    /// From this angle between the board and the picture plane, degrees.
    pub from_degrees: f64,
    /// To this, exclusive.
    pub to_degrees: f64,
    /// Views within.
    pub views: usize,
}

/// Standard deviation, over the picture, of where a resting point projects: the boards are what rests, so that an error of
/// the lens that a turn or shift of the camera would hide does not count. In the worse direction of the picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProjectionSd {
    /// Columns of the grid, px.
    pub columns_px: Vec<f64>,
    /// Rows of the grid, px.
    pub rows_px: Vec<f64>,
    /// For points at infinity, px; one list per row of the grid. `None` where the lens model cannot be inverted.
    pub at_infinity_px: Vec<Vec<Option<f64>>>,
    /// For points 10 m in front of the camera.
    pub at_10_m_px: Vec<Vec<Option<f64>>>,
}

/// A board that is not flat: height `a u² + b u v + c v²` with u and v from -1 to 1 across the inner corners.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BoardBend {
    /// `a b c`, metres, positive away from the camera.
    pub height_m: [f64; 3],
    /// Their standard deviations.
    pub sd_m: [f64; 3],
}

/// Which lens models were compared, and why one was taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LensChoice {
    /// The models, from the fewest parameters to the most.
    pub candidates: Vec<LensCandidate>,
    /// Why the one was taken, a sentence.
    pub reason: String,
}

/// One lens model that was tried.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LensCandidate {
    /// What it is.
    pub name: String,
    /// Free parameters of the lens.
    pub parameters: usize,
    /// Root mean square reprojection error of the fit, px; `None` when it could not be fitted.
    pub rms_px: Option<f64>,
    /// The same over views left out of the fit.
    pub held_out_rms_px: Option<f64>,
    /// Bayesian information criterion (Schwarz 1978) less the smallest of all; smaller is better.
    pub information_loss: Option<f64>,
    /// Why it could not be fitted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refused: Option<String>,
    /// Whether it was taken.
    pub taken: bool,
}

/// One board view used for a lens.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LensView {
    /// Index of the frame in the clip.
    pub frame_index: usize,
    /// Its presentation time in seconds.
    pub pts_seconds: f64,
    /// Root mean square reprojection error of this view, px.
    pub rms_px: f64,
    /// Takes board coordinates to the camera frame.
    pub camera_from_board: RigidTransform,
}

/// What the world frame of a rig is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum World {
    /// The court frame.
    Court,
    /// The frame of the first shared board view; the vertical is not known.
    Board,
}

/// Whether lengths are metres.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scale {
    /// Lengths are metres.
    Metric,
    /// Lengths are known up to a common factor.
    UpToScale,
}

/// Whether the world's z axis is vertical.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Vertical {
    /// z is up.
    ZUp,
    /// Not known.
    Unknown,
}

/// Where the cameras stand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RigCalibration {
    /// The world frame.
    pub world: World,
    /// Whether lengths are metres.
    pub scale: Scale,
    /// Whether z is up.
    pub vertical: Vertical,
    /// One entry per camera.
    pub cameras: Vec<RigCamera>,
    /// Joint covariance of the pose steps `(ω, τ)` of all cameras in order (6 n × 6 n), rad and m; what is not known of the lenses is in it.
    pub covariance: Vec<Vec<f64>>,
    /// How the poses lean on the lenses: change of the pose steps per unit of each lens parameter (6 n × the parameters of all lenses in the
    /// order of the cameras). Poses take up part of what is wrong with a lens. Empty when it is not known, which counts as 0.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pose_by_lens: Vec<Vec<f64>>,
    /// What the solution rests on and what to doubt, one sentence each.
    pub remarks: Vec<String>,
}

impl RigCalibration {
    /// [`Self::pose_by_lens`] for this number of lens parameters, zeros where it is not known; `None` when it has another shape or holds
    /// something that is not a number.
    #[must_use]
    pub fn pose_by_lens(&self, parameters: usize) -> Option<DMatrix<f64>> {
        let (rows, poses) = (&self.pose_by_lens, 6 * self.cameras.len());
        if rows.is_empty() {
            return Some(DMatrix::zeros(poses, parameters));
        }
        let is_whole = |row: &Vec<f64>| row.len() == parameters && row.iter().all(|v| v.is_finite());
        (rows.len() == poses && rows.iter().all(is_whole))
            .then(|| DMatrix::from_fn(poses, parameters, |i, j| rows[i][j]))
    }
}

/// One camera of a rig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RigCamera {
    /// The camera's name.
    pub name: String,
    /// Takes world coordinates to the camera frame.
    pub camera_from_world: RigidTransform,
    /// Root mean square reprojection error over court points, px; `None` when none were given.
    pub court_rms_px: Option<f64>,
    /// Court points used.
    pub court_points: usize,
    /// Root mean square reprojection error over shared boards, px; `None` when there were none.
    pub board_rms_px: Option<f64>,
    /// Shared board views used.
    pub board_views: usize,
}

impl RigCamera {
    /// A camera whose place is given, not found from court points or boards. For simulations.
    #[must_use]
    pub fn given(name: &str, camera_from_world: RigidTransform) -> Self {
        Self {
            name: name.to_owned(),
            camera_from_world,
            court_rms_px: None,
            court_points: 0,
            board_rms_px: None,
            board_views: 0,
        }
    }
}

/// The session clock: `session = offset + rate · pts` for every camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClockCalibration {
    /// The camera whose time stamps are the session clock.
    pub reference: String,
    /// One entry per camera, the reference with offset 0 and rate 1.
    pub cameras: Vec<CameraClock>,
    /// Read-outs that were found along with the clock, where they were not known before.
    #[serde(default)]
    pub read_outs: Vec<ReadOutEstimate>,
    /// How the estimates compare, one sentence each.
    pub remarks: Vec<String>,
}

/// A rolling-shutter read-out that motion told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadOutEstimate {
    /// The camera's name.
    pub camera: String,
    /// Time from the first row to just past the last, seconds.
    pub seconds: f64,
    /// Its standard deviation, seconds.
    pub sd_seconds: f64,
}

/// Clock of one camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraClock {
    /// The camera's name.
    pub camera: String,
    /// Session time at presentation time 0, in seconds.
    pub offset_seconds: f64,
    /// Session seconds per second of presentation time.
    pub rate: f64,
    /// Covariance of (offset, rate): s², s, 1. Includes the latency allowance where sound alone decided.
    pub covariance: [[f64; 2]; 2],
    /// What decided.
    pub source: ClockSource,
    /// Each method's offset at the middle of the overlap against the value used, with its standard deviation, seconds.
    pub estimates: Vec<ClockEstimate>,
}

/// What decided a camera's clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockSource {
    /// It is the reference.
    Reference,
    /// Sound alone; picture against sound latency is not known.
    Sound,
    /// The motion that several cameras saw, where there is sound checked against it.
    Motion,
    /// Bounces and contacts of the ball as seen.
    Ball,
    /// A flash, or a lamp switched on, as seen.
    Flash,
}

/// One method's opinion of a camera's offset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClockEstimate {
    /// The method.
    pub method: ClockSource,
    /// Offset at presentation time 0 in seconds.
    pub offset_seconds: f64,
    /// Standard deviation in seconds.
    pub sd_seconds: f64,
    /// Number of windows, onsets or instants it rests on.
    pub n: usize,
}

impl CameraClock {
    /// Session time of a presentation time, seconds.
    #[must_use]
    pub fn session_seconds(&self, pts_seconds: f64) -> f64 {
        self.offset_seconds + self.rate * pts_seconds
    }

    /// Presentation time of a session time, seconds.
    #[must_use]
    pub fn pts_seconds(&self, session_seconds: f64) -> f64 {
        (session_seconds - self.offset_seconds) / self.rate
    }

    /// Standard deviation of the session time of a presentation time, seconds.
    #[must_use]
    pub fn sd_seconds(&self, pts_seconds: f64) -> f64 {
        let [[oo, or], [_, rr]] = self.covariance;
        (oo + 2.0 * pts_seconds * or + pts_seconds * pts_seconds * rr).max(0.0).sqrt()
    }
}

impl ClockCalibration {
    /// The clock of a camera.
    #[must_use]
    pub fn camera(&self, name: &str) -> Option<&CameraClock> {
        self.cameras.iter().find(|c| c.camera == name)
    }

    /// The camera's read-out duration in seconds, if it was found along with the clock.
    #[must_use]
    pub fn read_out_seconds(&self, name: &str) -> Option<f64> {
        self.read_outs.iter().find(|r| r.camera == name).map(|r| r.seconds)
    }
}

/// One camera with all that is needed to use its observations: lens, pose, read-out, clock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CalibratedCamera {
    /// The camera's name.
    pub name: String,
    /// Lens, pose and read-out.
    pub camera: Camera,
    /// Clock.
    pub clock: CameraClock,
}

impl CalibratedCamera {
    /// Joins the stages' results for one camera; `None` when the rig or the clock does not know it.
    #[must_use]
    pub fn join(
        lens: &LensCalibration,
        rig: &RigCalibration,
        clock: &ClockCalibration,
        read_out: ReadOut,
    ) -> Option<Self> {
        let pose = rig.cameras.iter().find(|c| c.name == lens.camera)?;
        Some(Self {
            name: lens.camera.clone(),
            camera: Camera { intrinsics: lens.intrinsics, camera_from_world: pose.camera_from_world, read_out },
            clock: clock.camera(&lens.camera)?.clone(),
        })
    }

    /// Session time at which a pixel of a frame was seen, seconds.
    #[must_use]
    pub fn seen_at_seconds(&self, frame_pts_seconds: f64, px: [f64; 2]) -> f64 {
        self.clock.session_seconds(frame_pts_seconds + self.camera.row_delay_seconds(px.into()))
    }
}
