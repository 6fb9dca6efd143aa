//! The points that a stroke is measured from, sides resolved by the player's handedness.

use midline_session::description::Handedness;
use midline_signal::SmoothPrior;

/// A point of the player or the racket.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Spot {
    DominantShoulder,
    OtherShoulder,
    DominantHip,
    OtherHip,
    DominantElbow,
    OtherElbow,
    DominantWrist,
    OtherWrist,
    DominantAnkle,
    OtherAnkle,
    RacketButt,
    RacketThroat,
    RacketTip,
}

/// The four joints of the body frame.
pub(crate) const TRUNK: [Spot; 4] = [Spot::DominantShoulder, Spot::OtherShoulder, Spot::DominantHip, Spot::OtherHip];

/// Points that move alike: the shoulders, the racket, every other alone. (Hips together came out smoother than they are: in slow, noisy
/// footage the peak of their turn was then inside its interval in 76 instead of 85 %.)
pub(crate) const ALIKE: [&[Spot]; 10] = [
    &[Spot::DominantShoulder, Spot::OtherShoulder],
    &[Spot::DominantHip],
    &[Spot::OtherHip],
    &[Spot::DominantElbow],
    &[Spot::OtherElbow],
    &[Spot::DominantWrist],
    &[Spot::OtherWrist],
    &[Spot::DominantAnkle],
    &[Spot::OtherAnkle],
    &[Spot::RacketButt, Spot::RacketThroat, Spot::RacketTip],
];

impl Spot {
    pub(crate) const ALL: [Self; 13] = [
        Self::DominantShoulder,
        Self::OtherShoulder,
        Self::DominantHip,
        Self::OtherHip,
        Self::DominantElbow,
        Self::OtherElbow,
        Self::DominantWrist,
        Self::OtherWrist,
        Self::DominantAnkle,
        Self::OtherAnkle,
        Self::RacketButt,
        Self::RacketThroat,
        Self::RacketTip,
    ];

    /// Place in [`Spot::ALL`].
    pub(crate) fn index(self) -> usize {
        self as usize
    }

    /// Name of the point in the tracks.
    pub(crate) fn track_name(self, handedness: Handedness) -> &'static str {
        let side = |right, left| match (self.is_dominant(), handedness) {
            (true, Handedness::Right) | (false, Handedness::Left) => right,
            (false, Handedness::Right) | (true, Handedness::Left) => left,
        };
        match self {
            Self::DominantShoulder | Self::OtherShoulder => side("right_shoulder", "left_shoulder"),
            Self::DominantHip | Self::OtherHip => side("right_hip", "left_hip"),
            Self::DominantElbow | Self::OtherElbow => side("right_elbow", "left_elbow"),
            Self::DominantWrist | Self::OtherWrist => side("right_wrist", "left_wrist"),
            Self::DominantAnkle | Self::OtherAnkle => side("right_ankle", "left_ankle"),
            Self::RacketButt => "racket_butt",
            Self::RacketThroat => "racket_throat",
            Self::RacketTip => "racket_tip",
        }
    }

    fn is_dominant(self) -> bool {
        matches!(
            self,
            Self::DominantShoulder
                | Self::DominantHip
                | Self::DominantElbow
                | Self::DominantWrist
                | Self::DominantAnkle
        )
    }

    /// The trade's words for it.
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::DominantShoulder => "dominant shoulder",
            Self::OtherShoulder => "other shoulder",
            Self::DominantHip => "dominant hip",
            Self::OtherHip => "other hip",
            Self::DominantElbow => "dominant elbow",
            Self::OtherElbow => "other elbow",
            Self::DominantWrist => "racket hand",
            Self::OtherWrist => "other hand",
            Self::DominantAnkle => "dominant ankle",
            Self::OtherAnkle => "other ankle",
            Self::RacketButt => "racket butt",
            Self::RacketThroat => "racket throat",
            Self::RacketTip => "racket tip",
        }
    }

    /// Half the window in seconds in which outliers are looked for: over it a cubic follows the point's course.
    pub(crate) fn screening_seconds(self) -> f64 {
        match self {
            _ if self.is_racket() => 0.035,
            Self::DominantElbow | Self::OtherElbow | Self::DominantWrist | Self::OtherWrist => 0.041,
            _ => 0.056,
        }
    }

    /// What a cubic over that window may miss, metres: residuals of that size are no reason to call a sample an outlier.
    pub(crate) fn misfit_allowance_m(self) -> f64 {
        match self {
            _ if self.is_racket() => 0.010,
            _ => 0.004,
        }
    }

    /// How the point departs from a straight line in the last 0.15 s before contact. Set with made-up swings; not taken from
    /// a source.
    pub(crate) fn prior(self) -> SmoothPrior {
        let (amplitude, length_seconds) = match self {
            Self::RacketTip => (0.5, 0.05),
            Self::RacketThroat => (0.3, 0.06),
            Self::RacketButt | Self::DominantWrist | Self::OtherWrist => (0.12, 0.085),
            Self::DominantElbow | Self::OtherElbow => (0.08, 0.085),
            _ => (0.10, 0.085),
        };
        SmoothPrior { amplitude, length_seconds }
    }

    /// Whether it is a point of the racket.
    pub(crate) fn is_racket(self) -> bool {
        matches!(self, Self::RacketButt | Self::RacketThroat | Self::RacketTip)
    }

    /// Whether the impact changes the point's velocity within a frame.
    pub(crate) fn feels_impact(self) -> bool {
        let moves_it = [Self::DominantWrist, Self::OtherWrist, Self::DominantElbow, Self::OtherElbow];
        self.is_racket() || moves_it.contains(&self)
    }
}
