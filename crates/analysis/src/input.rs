//! What the analysis works on.

use midline_session::calibration::Vertical;
use midline_session::description::{Handedness, SetEvent};
use midline_session::motion::StrokeMotion;
use midline_session::strokes::EventKind;
use midline_session::tracks::Tracks;

/// The tracks of one session and what is known about them.
#[derive(Debug, Clone, Copy)]
pub struct StrokeInput<'a> {
    /// Points in the world frame, one row per instant. Names: COCO's 17, `racket_butt`, `racket_throat`, `racket_tip`, `ball`.
    pub tracks: &'a Tracks,
    /// Motion around the contacts from the lift in continuous time; empty when there is none yet.
    pub motions: &'a [StrokeMotion],
    /// The hand that holds the racket.
    pub handedness: Handedness,
    /// Sounds of impacts at the source (travel time taken off), in any order.
    pub impacts: &'a [SoundImpact],
    /// Frame rate of each camera; empty when unknown (then the tracks' own spacing counts).
    pub frame_rates_hz: &'a [f64],
    /// Standard deviation of the clock between the cameras, and between picture and sound, seconds.
    pub clock_sd_seconds: f64,
    /// `ZUp`: the world is the court frame (x right, y toward the net, z up). `Unknown`: some other metric frame; what
    /// needs the vertical or the court is then not measurable.
    pub vertical: Vertical,
    /// The tracks are those of one camera ([`picture_tracks`](crate::picture_tracks)): places in the picture plane. Only what
    /// time and the picture plane carry is then measured.
    pub one_camera: bool,
    /// How well a metre is known in the picture plane, as a share of it, when the court gave the scale; `None` when nothing did.
    pub picture_scale_sd_share: Option<f64>,
    /// Instants that the analyst set; they stand in for what is found.
    pub set_events: &'a [SetEvent],
    /// Instants that a person marked on the pictures: set events whose stroke follows from their time. What is set by number
    /// stands before what is marked.
    pub marked_events: &'a [MarkedEvent],
    /// What the coach suspects, in the trade's words.
    pub suspicions: &'a [String],
}

/// An impact that was heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoundImpact {
    /// When it happened, on the session clock, seconds.
    pub session_seconds: f64,
    /// Standard deviation, seconds.
    pub sd_seconds: f64,
}

/// An event that a person saw on a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct MarkedEvent {
    /// What.
    pub kind: EventKind,
    /// On the session clock, seconds.
    pub session_seconds: f64,
    /// Standard deviation, seconds.
    pub sd_seconds: f64,
    /// Where it was marked, in words.
    pub place: String,
}

/// `+1` for right-handers, `-1` for left-handers: the one place where left-handers are mirrored.
pub(crate) fn dominant_side(handedness: Handedness) -> f64 {
    match handedness {
        Handedness::Right => 1.0,
        Handedness::Left => -1.0,
    }
}
