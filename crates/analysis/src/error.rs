//! Why strokes could not be analysed.

/// Why there is nothing to report, what was found instead, and what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AnalysisError {
    /// There are no instants or no points.
    #[error("the tracks hold no points; check that the cameras saw the player at the same time, then lift again")]
    NoTracks,
    /// The table of points is not what its head says.
    #[error("the tracks are malformed at instant {instant}: {reason}; lift again")]
    Malformed {
        /// Index of the instant, from 0.
        instant: usize,
        /// What is wrong there.
        reason: &'static str,
    },
    /// The rate cannot carry a stroke.
    #[error(
        "the tracks have {rate_hz:.0} instants per second, a stroke needs at least {needed_hz:.0}; film at 120 frames per second or more"
    )]
    TooSparse {
        /// Instants (or frames) per second.
        rate_hz: f64,
        /// The least that is accepted.
        needed_hz: f64,
    },
    /// Neither racket nor racket hand is in the tracks.
    #[error("the tracks hold none of {needed}; give 2D points of the racket, or at least of the racket hand")]
    MissingPoints {
        /// Names of the points of which one is needed.
        needed: String,
    },
    /// Nothing moved fast enough to be a stroke.
    #[error(
        "no swing found: the {point} is nowhere faster than {fastest_m_s:.1} m/s, a swing needs {needed_m_s:.0} m/s; check the scale of the calibration and the points of the racket"
    )]
    NoSwing {
        /// The point that was followed.
        point: &'static str,
        /// Its greatest speed, m/s.
        fastest_m_s: f64,
        /// The speed that was asked for, m/s.
        needed_m_s: f64,
    },
    /// There were swings, but nothing tells when the ball was met.
    #[error(
        "no contact found in the {swings} swing(s) (first at {first_seconds:.2} s on the session clock): no sound of an impact, no change of the ball's direction at the racket, no drop of the racket's speed; give points of the ball, or footage with sound"
    )]
    NoContact {
        /// Number of swings.
        swings: usize,
        /// Session time of the first, seconds.
        first_seconds: f64,
    },
    /// The other hand is at the racket.
    #[error(
        "the session says that the player is {said}-handed, but the {other} wrist is the one at the racket's butt in {share_percent:.0} % of the instants around contact; set handedness = \"{other}\" in session.toml, or check the points for left and right swapped"
    )]
    OtherHand {
        /// Handedness of the session.
        said: &'static str,
        /// The hand found at the racket.
        other: &'static str,
        /// Share of instants in per cent.
        share_percent: f64,
    },
    /// Nothing was found, and the points may be those of a player with the other hand.
    #[error("{error}. {question}")]
    MaybeOtherHand {
        /// What to look at first.
        question: String,
        /// What was not found.
        error: Box<AnalysisError>,
    },
}
