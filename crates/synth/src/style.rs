//! How a player swings: the path of wrist and racket in the trunk's frame, and the timing of the trunk.
//!
//! The paths are drawn by hand after what coaches describe and photographs show (common practice, no source): a unit
//! turn, the racket head up at the end of the take-back, a drop to below the ball, the racket lagging behind the hand,
//! contact in front of the body at waist to chest height, and a finish over the other shoulder.

use crate::curves::Bell;

/// A station of the swing in the trunk's frame: `[toward the dominant side, front, up]`.
///
/// `wrist` is relative to the dominant shoulder, in metres for a body of 1.83 m. The others are directions.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Station {
    pub(crate) wrist: [f64; 3],
    /// Along the racket from butt to tip.
    pub(crate) racket: [f64; 3],
    /// Out of the hitting face.
    pub(crate) face: [f64; 3],
    /// To where the elbow points.
    pub(crate) elbow: [f64; 3],
}

/// Where the racket goes during the drop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Drop {
    /// Behind the body to the other side.
    Across,
    /// It stays on the hitting side.
    HittingSide,
}

/// The stations of a swing and which of them are the ones that the timing refers to.
#[derive(Debug, Clone)]
pub(crate) struct Path {
    /// Ready position first, end of the follow-through last.
    pub(crate) stations: Vec<Station>,
    /// Index of the end of the take-back.
    pub(crate) take_back_end: usize,
    /// Index of contact.
    pub(crate) contact: usize,
}

const fn station(wrist: [f64; 3], racket: [f64; 3], face: [f64; 3], elbow: [f64; 3]) -> Station {
    Station { wrist, racket, face, elbow }
}

const READY: Station = station([-0.05, 0.36, -0.31], [-0.28, 0.46, 0.84], [0.7, 0.7, 0.0], [0.5, -0.2, -0.85]);
const TURNED: Station = station([0.10, 0.33, -0.18], [0.08, 0.30, 0.95], [0.9, 0.3, 0.0], [0.6, -0.2, -0.75]);
const RAISED: Station = station([0.25, 0.14, -0.13], [0.33, -0.12, 0.91], [0.8, 0.5, -0.2], [0.7, -0.4, -0.6]);
const CONTACT: Station = station([0.24, 0.36, -0.33], [0.94, -0.20, -0.25], [0.21, 0.97, -0.05], [0.3, -0.4, -0.85]);
const AFTER: Station = station([0.10, 0.48, -0.10], [0.72, 0.62, 0.22], [-0.6, 0.7, -0.3], [0.6, -0.1, -0.8]);
const OVER: Station = station([-0.14, 0.48, 0.06], [-0.25, 0.78, 0.55], [-0.9, 0.1, -0.5], [0.8, 0.3, -0.3]);
const FINISH: Station = station([-0.34, 0.32, 0.08], [-0.78, -0.25, 0.50], [-0.5, 0.3, -0.8], [0.6, 0.8, 0.1]);

impl Path {
    /// The path of a way to drop the racket.
    pub(crate) fn of(drop: Drop) -> Self {
        let middle: [Station; 5] = match drop {
            Drop::Across => [
                station([0.25, -0.24, 0.02], [-0.14, -0.67, 0.73], [0.9, 0.0, 0.2], [0.6, -0.7, -0.4]),
                station([0.20, -0.32, -0.19], [-0.56, -0.74, 0.36], [0.7, -0.3, 0.5], [0.7, -0.5, -0.5]),
                station([0.17, -0.33, -0.32], [-0.70, -0.70, -0.04], [0.5, -0.6, 0.3], [0.8, -0.4, -0.5]),
                station([0.22, -0.23, -0.40], [-0.32, -0.87, -0.38], [0.9, -0.3, 0.1], [0.8, -0.4, -0.5]),
                station([0.29, 0.08, -0.40], [0.52, -0.80, -0.27], [0.8, 0.5, -0.1], [0.5, -0.5, -0.7]),
            ],
            Drop::HittingSide => [
                station([0.37, -0.06, 0.00], [0.36, -0.48, 0.80], [0.8, 0.4, -0.2], [0.6, -0.7, -0.4]),
                station([0.43, -0.12, -0.15], [0.60, -0.74, 0.30], [0.7, 0.6, 0.1], [0.6, -0.6, -0.5]),
                station([0.40, -0.10, -0.40], [0.60, -0.70, -0.40], [0.7, 0.5, -0.3], [0.6, -0.5, -0.6]),
                station([0.36, 0.03, -0.44], [0.68, -0.64, -0.37], [0.7, 0.7, -0.1], [0.5, -0.5, -0.7]),
                station([0.31, 0.20, -0.38], [0.83, -0.48, -0.22], [0.5, 0.8, -0.1], [0.4, -0.5, -0.8]),
            ],
        };
        let stations: Vec<Station> =
            [READY, TURNED, RAISED].into_iter().chain(middle).chain([CONTACT, AFTER, OVER, FINISH]).collect();
        Self { stations, take_back_end: 3, contact: 8 }
    }

    /// The stations between finish and ready, both included.
    pub(crate) fn back_to_ready(&self) -> Vec<Station> {
        let over = station([-0.22, 0.36, -0.16], [-0.70, 0.35, 0.62], [0.1, 0.9, 0.0], [0.6, 0.3, -0.6]);
        vec![self.stations[self.stations.len() - 1], over, self.stations[0]]
    }
}

/// Angles of hip and shoulder line in radians: 0 when parallel to the baseline, positive when the dominant side is
/// back.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Turn {
    pub(crate) ready: f64,
    /// Change during the take-back.
    pub(crate) back: f64,
    /// Change through the forward swing, with its fastest moment relative to contact.
    pub(crate) forward: Bell,
    /// Further change during the follow-through.
    pub(crate) through: f64,
}

/// Timing of one stroke, all times in seconds relative to contact.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Timing {
    pub(crate) bounce: f64,
    pub(crate) take_back_start: f64,
    /// When the trunk's turn back ends.
    pub(crate) turned: f64,
    pub(crate) hips: Turn,
    pub(crate) shoulders: Turn,
    /// Racket-tip speed at the end of the take-back, m/s.
    pub(crate) least_speed: f64,
    /// Racket-tip speed just before contact, m/s.
    pub(crate) contact_speed: f64,
    /// Share of the tip's speed that is left just after contact.
    pub(crate) kept_speed: f64,
    /// Exponent of the rise of speed until contact.
    pub(crate) rise: f64,
    pub(crate) hitch: Option<Hitch>,
}

/// A dip of racket-tip speed in the drop.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hitch {
    /// Speed of the peak before it, m/s.
    pub(crate) peak_speed: f64,
    /// Share of the peak's speed that is lost.
    pub(crate) depth: f64,
    /// Time of the peak and of the bottom relative to contact.
    pub(crate) peak: f64,
    pub(crate) bottom: f64,
    /// By when the speed has risen again by what it lost, and to which speed apart from the rise toward contact, m/s.
    pub(crate) recovered: f64,
    pub(crate) recovered_speed: f64,
}
