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
    /// Signals could not be correlated.
    #[error("camera \"{camera}\": {source}")]
    Correlation {
        /// The camera that was compared with the reference.
        camera: String,
        /// Why.
        source: CorrelationError,
    },
}
