//! Which points are joined by segments of constant length, and how long those are.

use midline_session::tracks::Tracks;
use nalgebra::Vector3;

/// Limbs: each point is joined to the next. Names as in COCO's keypoints.
const LIMBS: [[&str; 3]; 4] = [
    ["left_shoulder", "left_elbow", "left_wrist"],
    ["right_shoulder", "right_elbow", "right_wrist"],
    ["left_hip", "left_knee", "left_ankle"],
    ["right_hip", "right_knee", "right_ankle"],
];

/// Instants that a length needs.
const FEWEST_INSTANTS: usize = 30;

/// The median over many instants is off by no less than this, metres: the marks of joints are not the same in every pose.
const LEAST_SD_M: f64 = 0.005;

/// Columns of the limbs that are there whole.
pub(crate) fn limbs(tracks: &Tracks) -> Vec<Vec<usize>> {
    LIMBS.iter().filter_map(|limb| limb.iter().map(|name| tracks.column(name)).collect()).collect()
}

/// Length of the segment between two columns, with its standard deviation, metres: the median distance over the whole session,
/// so that it is one for all strokes of the player. `None` where the two are hardly seen together.
pub(crate) fn length(tracks: &Tracks, ends: [usize; 2]) -> Option<[f64; 2]> {
    let mut distances: Vec<f64> = (0..tracks.session_seconds.len())
        .filter_map(|instant| {
            let [a, b] = ends.map(|column| Some(Vector3::from(tracks.at(instant, column)?.position_m)));
            Some((b? - a?).norm())
        })
        .collect();
    if distances.len() < FEWEST_INSTANTS {
        return None;
    }
    let count = distances.len() as f64;
    let median = middle(&mut distances);
    let mut off: Vec<f64> = distances.iter().map(|d| (d - median).abs()).collect();
    // The median's standard error for Gaussian noise, from the median absolute deviation.
    let spread = 1.4826 * middle(&mut off) * (std::f64::consts::FRAC_PI_2 / count).sqrt();
    Some([median, spread.max(LEAST_SD_M)])
}

fn middle(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
