//! Steps that no joint makes.

use crate::bend::LONGEST_GAP_SECONDS;

use super::Seen;

/// What the steps of a path look like.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Speeds {
    pub(crate) too_fast: usize,
    pub(crate) fastest_mps: f64,
}

/// Fastest that a point moves, m/s. Racket: 33.1 ± 2.4 m/s in elite forehands (Landlinger et al. 2010, J Sports Sci Med 9:643)
/// and serves up to half as fast again; ball: the fastest serves are near 73 m/s (from memory). The joints are our own
/// allowances, from memory of published joint speeds, each about twice what strokes need.
fn most_mps(name: &str) -> f64 {
    let part = name.strip_prefix("left_").or_else(|| name.strip_prefix("right_")).unwrap_or(name);
    match part {
        "ball" => 80.0,
        "racket_tip" => 60.0,
        "racket_throat" => 45.0,
        "racket_butt" | "wrist" => 25.0,
        "elbow" => 15.0,
        "ankle" => 14.0,
        "knee" => 10.0,
        "nose" | "eye" | "ear" | "shoulder" | "hip" => 8.0,
        // Points of another set: as fast as a hand.
        _ => 25.0,
    }
}

/// The scale is that of an assumed height, and arms reach toward the camera; the ball comes nearer still.
fn allowance(name: &str) -> f64 {
    if name == "ball" { 4.0 } else { 1.5 }
}

/// Noise of this many standard deviations is no motion.
const NOISE_SDS: f64 = 6.0;

pub(crate) fn judge(name: &str, path: &[Seen], px_per_m: f64, noise_px: f64) -> Speeds {
    let (most, noise) = (most_mps(name) * allowance(name), NOISE_SDS * noise_px);
    let mut speeds = Speeds { too_fast: 0, fastest_mps: 0.0 };
    for w in path.windows(2) {
        let seconds = w[1].1 - w[0].1;
        if seconds <= 0.0 || seconds > LONGEST_GAP_SECONDS {
            continue;
        }
        let step = (w[1].2[0] - w[0].2[0]).hypot(w[1].2[1] - w[0].2[1]);
        speeds.fastest_mps = speeds.fastest_mps.max(step / seconds / px_per_m);
        speeds.too_fast += usize::from(step > most * px_per_m * seconds + noise);
    }
    speeds
}
