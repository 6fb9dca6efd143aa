//! One error type for the clock: what, which camera, why, and what to do.

use midline_signal::correlation::CorrelationError;

/// Why no session clock could be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ClockError {
    /// A clock needs cameras to compare.
    #[error("{given} camera(s) with sound were given; a common clock needs two or more")]
    TooFewCameras {
        /// Cameras given.
        given: usize,
    },
    /// A sound track is too short to compare.
    #[error("camera \"{camera}\": its sound track lasts {seconds:.2} s, at least {needed} s are needed; film longer")]
    TooShort {
        /// The camera.
        camera: String,
        /// Length of its sound track.
        seconds: f64,
        /// Length that is needed.
        needed: f64,
    },
    /// A sound track holds no sound.
    #[error(
        "camera \"{camera}\": its sound track is silent; switch the microphone on, and clap once in view of all cameras"
    )]
    Silent {
        /// The camera.
        camera: String,
    },
    /// Two sound tracks have nothing in common.
    #[error(
        "cameras \"{reference}\" and \"{camera}\" share no sound: at the best of all offsets ({offset_seconds:.3} s, \
         {overlap_seconds:.1} s in common) {agreeing} of {tried} sounds agree, which unrelated clips do by chance once in \
         10^{:.1} offsets; 10^{:.0} is needed; check that both clips are of the same time and have sound, and clap once in view of both when filming",
        -chance_log10,
        -needed_log10
    )]
    NoCommonSound {
        /// The reference camera.
        reference: String,
        /// The camera that does not fit.
        camera: String,
        /// The best offset that was found, seconds.
        offset_seconds: f64,
        /// Time that both would have in common at that offset, seconds.
        overlap_seconds: f64,
        /// Sounds that agree with it.
        agreeing: usize,
        /// Sounds that were compared.
        tried: usize,
        /// Logarithm to base 10 of the chance that so many agree between unrelated clips.
        chance_log10: f64,
        /// The chance (logarithm) below which an offset counts.
        needed_log10: f64,
    },
    /// A camera of the clock is missing elsewhere.
    #[error("camera \"{camera}\" of the clock has no lens and pose; run the lens and rig stages for it")]
    NotCalibrated {
        /// The camera.
        camera: String,
    },
    /// Two cameras were given the same recording.
    #[error(
        "cameras \"{reference}\" and \"{camera}\" were given the same recording (their {what} are equal); give each camera its own \
         footage"
    )]
    SameRecording {
        /// One camera.
        reference: String,
        /// The other.
        camera: String,
        /// What is equal: "sound" or "points".
        what: &'static str,
    },
    /// A camera's time jumps against the reference's.
    #[error(
        "camera \"{camera}\": its clock jumps by {jump_seconds:+.3} s against camera \"{reference}\" near {at_seconds:.1} s: {before} \
         sounds before and {after} after agree on two offsets; the file was recorded in two parts or cut: give each part as a \
         session of its own"
    )]
    Jump {
        /// The reference camera.
        reference: String,
        /// The camera whose clock jumps.
        camera: String,
        /// Change of the offset, seconds.
        jump_seconds: f64,
        /// Presentation time of the camera near which it jumps, seconds.
        at_seconds: f64,
        /// Sounds that agree before.
        before: usize,
        /// Sounds that agree after.
        after: usize,
    },
    /// Neither sound nor motion join a camera to the others.
    #[error(
        "camera \"{camera}\" cannot be put on one clock with camera \"{reference}\": there is no sound to compare, and motion does not \
         tell ({motion}); check that the clips overlap in time and are of the same session, or film with sound"
    )]
    NothingInCommon {
        /// The reference camera.
        reference: String,
        /// The camera.
        camera: String,
        /// Why motion does not tell.
        motion: String,
    },
    /// The motion of a board does not join two clips of it.
    #[error(
        "cameras \"{reference}\" and \"{camera}\": their shared-board clips cannot be put on one clock by the board's motion: {reason}; \
         film them with sound and clap three times where both hear it, or carry the board about for some seconds in view of both, each \
         time to another place"
    )]
    BoardsApart {
        /// One camera.
        reference: String,
        /// The other.
        camera: String,
        /// Why the motion does not tell.
        reason: String,
    },
    /// Signals could not be correlated.
    #[error("camera \"{camera}\": {source}")]
    Correlation {
        /// The camera that was compared with the reference.
        camera: String,
        /// Why.
        source: CorrelationError,
    },
}

impl ClockError {
    /// Whether the footage is in order but cannot carry a common clock; else the input is wrong.
    #[must_use]
    pub fn is_not_measurable(&self) -> bool {
        matches!(self, Self::NothingInCommon { .. } | Self::Jump { .. } | Self::BoardsApart { .. })
    }
}
