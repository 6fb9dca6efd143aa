//! The measures: one small object each, grouped by topic.
//!
//! A measure says what it is called, what it needs, how it is defined, and reads its value off a [`StrokeView`]. Uncertainty
//! is not its business: the same function is applied to views with other draws of the noise (see [`crate::trials`]). To add
//! a measure, add one object to the list of its topic.

mod arm;
mod contact;
pub(crate) use contact::alignment;
pub(crate) mod continuity;
mod position;
pub(crate) mod sequence;
mod timing;

use midline_session::strokes::Outcome;

use crate::spots::Spot;
use crate::trials::Evaluations;
use crate::view::{Because, Setting, StrokeView};

/// What footage must bring for a measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Need {
    /// The point is in the tracks.
    Point(Spot),
    /// The four joints of the trunk are in the tracks.
    Trunk,
    /// The world is the court frame.
    Court,
    /// At least so many frames per second.
    FrameRate(f64),
    /// Metres in the picture plane of one camera are the court's.
    PictureScale,
}

impl Need {
    /// Why it is not met; `None` when it is.
    fn missing(self, setting: &Setting) -> Option<Because> {
        let absent = |spot: Spot| (!setting.present[spot.index()]).then_some(spot);
        let point = |spot: Spot| {
            format!("the tracks hold no {} around this stroke", spot.track_name(setting.handedness)).into()
        };
        match self {
            Self::Point(spot) => absent(spot).map(point),
            Self::Trunk => crate::spots::TRUNK.into_iter().find_map(absent).map(point),
            Self::FrameRate(least_hz) => {
                let rate_hz = 1.0 / setting.frame_seconds;
                // A nominal 120 may be 119.9.
                (rate_hz < 0.98 * least_hz).then(|| {
                    format!("it needs {least_hz:.0} frames per second or more, and the footage has {rate_hz:.0}").into()
                })
            }
            Self::PictureScale if setting.picture_scale_sd_share.is_some() => None,
            Self::PictureScale => Some(
                "the scale of the picture is not known (mark four or more points of the court's ground, and let the player's feet be seen)"
                    .into(),
            ),
            Self::Court if setting.z_is_up => None,
            Self::Court => {
                Some("the vertical and the court's directions are not known (no court points were marked)".into())
            }
        }
    }
}

type Value = Box<dyn Fn(&StrokeView) -> Result<f64, Because>>;

/// A last look at a measure's outcome in the light of all measures.
pub(crate) type Review = fn(&Evaluations, Outcome) -> Outcome;

/// One measure.
pub(crate) struct MeasureKind {
    pub(crate) id: String,
    pub(crate) name: String,
    /// SI unit.
    pub(crate) unit: &'static str,
    /// Definition with the meaning of the sign.
    pub(crate) definition: String,
    pub(crate) needs: Vec<Need>,
    value: Value,
    pub(crate) review: Option<Review>,
    /// Whether places in the picture plane of one camera carry it.
    pub(crate) in_one_picture: bool,
    /// Whether it is given for one camera alone, in place of what only two can tell.
    pub(crate) only_in_one_picture: bool,
    /// False for a number that only statements and reviews use.
    pub(crate) is_reported: bool,
}

impl MeasureKind {
    fn new(
        id: impl Into<String>,
        name: impl Into<String>,
        unit: &'static str,
        definition: impl Into<String>,
        needs: &[Need],
        value: impl Fn(&StrokeView) -> Result<f64, Because> + 'static,
    ) -> Self {
        Self {
            id: id.into(),
            name: name.into(),
            unit,
            definition: definition.into(),
            needs: needs.to_vec(),
            value: Box::new(value),
            review: None,
            in_one_picture: false,
            only_in_one_picture: false,
            is_reported: true,
        }
    }

    fn reviewed(mut self, review: Review) -> Self {
        self.review = Some(review);
        self
    }

    /// One camera is enough: it rests on time, or on motion in the picture plane.
    fn in_one_picture(mut self) -> Self {
        self.in_one_picture = true;
        self
    }

    /// It stands in for a measure that needs two cameras, and is given for one only.
    fn only_in_one_picture(mut self) -> Self {
        self.only_in_one_picture = true;
        self.in_one_picture()
    }

    fn not_reported(mut self) -> Self {
        self.is_reported = false;
        self
    }

    /// The value in one trial, or why there is none.
    pub(crate) fn value(&self, view: &StrokeView) -> Result<f64, Because> {
        if view.setting.one_camera && !self.in_one_picture {
            return Err("one camera does not show depth: not measurable with one camera".into());
        }
        if let Some(because) = self.needs.iter().find_map(|need| need.missing(view.setting)) {
            return Err(because);
        }
        (self.value)(view)
    }
}

/// All measures in the order in which they are reported.
pub(crate) fn all() -> Vec<MeasureKind> {
    let topics = [
        position::measures(),
        contact::measures(),
        arm::measures(),
        timing::measures(),
        sequence::measures(),
        continuity::measures(),
    ];
    topics.into_iter().flatten().collect()
}
