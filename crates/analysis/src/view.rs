//! One trial of one stroke: smoothed points, body axes, phases. Measures are read off this.

use std::borrow::Cow;

use midline_session::description::Handedness;
use nalgebra::Vector3;

use crate::body_frame::{BodyFrame, TrunkJoints};
use crate::dip::DipSight;
use crate::grid::Grid;
use crate::phases::{Phase, Phases};
use crate::series::Series;
use crate::smoothing::State;
use crate::spots::Spot;

/// Why a number is missing; completes "not measurable because …".
pub(crate) type Because = Cow<'static, str>;

/// What is the same for all trials of a stroke.
#[derive(Debug, Clone)]
pub(crate) struct Setting {
    pub(crate) handedness: Handedness,
    /// +1 right-handed, -1 left-handed.
    pub(crate) side: f64,
    /// Whether the world is the court frame: z up, y toward the net.
    pub(crate) z_is_up: bool,
    /// Whether the points are places in the picture plane of one camera (y is 0).
    pub(crate) one_camera: bool,
    /// How well a metre is known in the picture plane, as a share of it; `None` when only thresholds may rest on it.
    pub(crate) picture_scale_sd_share: Option<f64>,
    /// Spacing of frames (or instants, if larger), seconds.
    pub(crate) frame_seconds: f64,
    pub(crate) clock_sd_seconds: f64,
    /// Whether points have the lift's course.
    pub(crate) is_lifted: bool,
    /// Which points are in the tracks around this stroke.
    pub(crate) present: [bool; Spot::ALL.len()],
    /// Standard deviation of a velocity coordinate per point and instant, m/s.
    pub(crate) velocity_sds: Vec<Series>,
    /// Standard deviation of the tip's speed per instant, m/s.
    pub(crate) tip_speed_sds: Series,
    /// Dips of the tip's speed between end of take-back and contact; `None` where the speed is not known throughout.
    pub(crate) dip: Option<DipSight>,
}

/// Number of body segments whose turning is timed.
pub(crate) const SEGMENTS: usize = 5;

/// A stroke with one draw of its noise (or none).
#[derive(Debug, Clone)]
pub(crate) struct StrokeView<'a> {
    pub(crate) setting: &'a Setting,
    pub(crate) grid: &'a Grid,
    /// Per point of [`Spot::ALL`], the state at each instant; empty when the point is not in the tracks.
    pub(crate) points: Vec<Vec<Option<State>>>,
    /// Contact of this trial minus the stroke's contact, seconds.
    pub(crate) contact_shift: f64,
    /// Error of each body segment's peak time in this trial, in standard deviations.
    pub(crate) peak_draws: [f64; SEGMENTS],
    /// A metre of the picture plane in metres: 1 but for its own error in this trial.
    pub(crate) picture_metre: f64,
    /// Where the ball was met, world frame.
    pub(crate) ball_at_contact: Option<Vector3<f64>>,
    /// Bounce, seconds to the stroke's contact.
    pub(crate) bounce: Result<f64, &'static str>,
    /// Body axes at each instant.
    pub(crate) frames: Vec<Option<BodyFrame>>,
    /// Speed of the racket's tip; up to contact it is the speed before it.
    pub(crate) tip_speed: Series,
    /// Speed of the tip at this trial's contact.
    pub(crate) tip_speed_at_contact: Option<f64>,
    pub(crate) phases: Option<Phases>,
    /// Phases that the analyst set, seconds to contact.
    pub(crate) set_phases: Vec<(Phase, f64)>,
}

impl StrokeView<'_> {
    /// States of a point; empty when it is not in the tracks.
    pub(crate) fn states(&self, spot: Spot) -> &[Option<State>] {
        self.points.get(spot.index()).map_or(&[], Vec::as_slice)
    }

    /// State of a point at an instant.
    pub(crate) fn state(&self, spot: Spot, k: usize) -> Option<&State> {
        self.states(spot).get(k)?.as_ref()
    }

    /// Place of a point at contact, carried there by its velocity.
    pub(crate) fn at_contact(&self, spot: Spot) -> Result<Vector3<f64>, Because> {
        let state = self.state(spot, self.grid.contact);
        state
            .map(|s| s.position + s.velocity * self.contact_shift)
            .ok_or_else(|| format!("the {} was not seen just before contact", spot.words()).into())
    }

    /// Body axes at contact.
    pub(crate) fn frame_at_contact(&self) -> Result<BodyFrame, Because> {
        let joints = TrunkJoints {
            dominant_shoulder: self.at_contact(Spot::DominantShoulder)?,
            other_shoulder: self.at_contact(Spot::OtherShoulder)?,
            dominant_hip: self.at_contact(Spot::DominantHip)?,
            other_hip: self.at_contact(Spot::OtherHip)?,
        };
        BodyFrame::from_joints(&joints, self.setting.handedness)
            .ok_or(Cow::Borrowed("the joints of the trunk lie too close together at contact"))
    }

    /// A phase in seconds to the stroke's contact.
    pub(crate) fn phase(&self, phase: Phase) -> Result<f64, Because> {
        match &self.phases {
            Some(phases) => phases.get(phase).map_err(Cow::Borrowed),
            None => Err(Cow::Borrowed("the phases were not looked for")),
        }
    }

    /// Nearest instant of a phase.
    pub(crate) fn phase_index(&self, phase: Phase) -> Result<usize, Because> {
        Ok(self.grid.index(self.phase(phase)?))
    }

    /// A time in seconds to this trial's contact.
    pub(crate) fn to_contact(&self, seconds: f64) -> f64 {
        seconds - self.contact_shift
    }

    /// A point's coordinate in body axes (0 hitting side, 1 front, 2 up) at each instant, metres.
    pub(crate) fn body_coordinate(&self, spot: Spot, axis: usize) -> Series {
        let states = self.states(spot);
        (0..self.grid.len)
            .map(|k| {
                let place = states.get(k).copied().flatten()?.position;
                Some(self.frames.get(k).copied().flatten()?.coordinates(&place)[axis])
            })
            .collect()
    }

    /// Velocity of the racket hand relative to the trunk (middle between shoulders and hips), m/s.
    pub(crate) fn hand_velocity(&self) -> Vec<Option<Vector3<f64>>> {
        (0..self.grid.len)
            .map(|k| {
                let of = |spot| self.state(spot, k).map(|s| s.velocity);
                let trunk = of(Spot::DominantShoulder)?
                    + of(Spot::OtherShoulder)?
                    + of(Spot::DominantHip)?
                    + of(Spot::OtherHip)?;
                Some(of(Spot::DominantWrist)? - trunk / 4.0)
            })
            .collect()
    }

    /// Turning speed of the shoulder line about the trunk's long axis at contact, rad/s, positive forward. `None` when the
    /// trunk is not known at contact.
    pub(crate) fn shoulder_turn_rate(&self) -> Option<Series> {
        let axis = self.frames.get(self.grid.contact).copied().flatten()?.up;
        let rate = |k: usize| {
            let (a, b) = (self.state(Spot::DominantShoulder, k)?, self.state(Spot::OtherShoulder, k)?);
            let (line, change) = (a.position - b.position, a.velocity - b.velocity);
            let flat = line - axis * line.dot(&axis);
            let size_squared = flat.norm_squared();
            (size_squared > 1e-3).then(|| self.setting.side * axis.dot(&flat.cross(&change)) / size_squared)
        };
        Some((0..self.grid.len).map(rate).collect())
    }
}

/// Axes in the picture plane: up along the trunk, to its side in the picture, and out of the picture. Only their `up` has to do
/// with the body.
pub(crate) fn picture_frame_at(points: &[Vec<Option<State>>], k: usize) -> Option<BodyFrame> {
    let place = |spot: Spot| points.get(spot.index())?.get(k).copied().flatten().map(|s: State| s.position);
    let mid_shoulder = (place(Spot::DominantShoulder)? + place(Spot::OtherShoulder)?) / 2.0;
    let mid_hip = (place(Spot::DominantHip)? + place(Spot::OtherHip)?) / 2.0;
    let up = (mid_shoulder - mid_hip).try_normalize(0.05)?;
    let front = Vector3::y();
    let hitting_side = front.cross(&up);
    Some(BodyFrame { origin: (mid_shoulder + mid_hip) / 2.0, mid_shoulder, hitting_side, front, up })
}

/// Body axes at an instant.
pub(crate) fn frame_at(points: &[Vec<Option<State>>], k: usize, handedness: Handedness) -> Option<BodyFrame> {
    let place = |spot: Spot| points.get(spot.index())?.get(k).copied().flatten().map(|s: State| s.position);
    let joints = TrunkJoints {
        dominant_shoulder: place(Spot::DominantShoulder)?,
        other_shoulder: place(Spot::OtherShoulder)?,
        dominant_hip: place(Spot::DominantHip)?,
        other_hip: place(Spot::OtherHip)?,
    };
    BodyFrame::from_joints(&joints, handedness)
}
