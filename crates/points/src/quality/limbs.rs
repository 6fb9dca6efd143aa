//! Limb lengths in the picture: longest when the limb lies across the line of sight, so that two views of one person agree
//! about the shares of the trunk.

use midline_session::keypoints::Keypoints;
use serde::{Deserialize, Serialize};

use super::quantile;

/// Limbs and the points at their ends.
const LIMBS: [(&str, [&str; 2]); 9] = [
    ("left upper arm", ["left_shoulder", "left_elbow"]),
    ("right upper arm", ["right_shoulder", "right_elbow"]),
    ("left forearm", ["left_elbow", "left_wrist"]),
    ("right forearm", ["right_elbow", "right_wrist"]),
    ("left thigh", ["left_hip", "left_knee"]),
    ("right thigh", ["right_hip", "right_knee"]),
    ("left shank", ["left_knee", "left_ankle"]),
    ("right shank", ["right_knee", "right_ankle"]),
    ("racket", ["racket_butt", "racket_tip"]),
];

/// The ruler: middle of the shoulders to middle of the hips.
const TRUNK: &str = "trunk";
/// Trunk of a person of 1.75 m: 28.8 % of the height (0.818 to the shoulders, 0.530 to the hips; Drillis & Contini 1966 in
/// Winter's handbook, from memory).
const TRUNK_M: f64 = 0.288 * 1.75;
/// Share of the frames that are shorter than the length that counts: the longest few are noise.
const LONG_SHARE: f64 = 0.9;
/// With fewer sightings a length says nothing.
const LEAST_SIGHTINGS: usize = 20;
/// Lengths of two views that differ by more than this factor are not of one limb: foreshortening that lasts in one view
/// takes some 15 %.
const MOST_RATIO: f64 = 1.4;

/// A length in the picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Limb {
    /// Which.
    pub name: String,
    /// Frames in which both ends were found.
    pub n: usize,
    /// Length that nine of ten frames do not exceed, px.
    pub long_px: f64,
    /// The same over the trunk's; `None` where the trunk is not seen.
    pub of_trunk: Option<f64>,
}

/// What the views say about one limb.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimbComparison {
    /// Which.
    pub name: String,
    /// Camera and length over the trunk's.
    pub of_trunk: Vec<(String, f64)>,
    /// Largest over smallest.
    pub ratio: f64,
    /// Whether the views contradict each other.
    pub contradicts: bool,
}

pub(crate) fn limbs(keypoints: &Keypoints) -> Vec<Limb> {
    let place = |frame: usize, name: &str| {
        let column = keypoints.column(name)?;
        keypoints.frames[frame].points.get(column).copied().flatten().map(|p| p.px)
    };
    let middle = |frame: usize, a: &str, b: &str| {
        let (a, b) = (place(frame, a)?, place(frame, b)?);
        Some([0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])])
    };
    let length = |lengths: Vec<f64>| {
        let n = lengths.len();
        (n >= LEAST_SIGHTINGS).then(|| quantile(lengths, LONG_SHARE)).flatten().map(|long| (n, long))
    };
    let between = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
    let frames = 0..keypoints.frames.len();
    let trunks = frames.clone().filter_map(|f| {
        let shoulders = middle(f, "left_shoulder", "right_shoulder")?;
        Some(between(shoulders, middle(f, "left_hip", "right_hip")?))
    });
    let trunk = length(trunks.collect());
    let trunk_px = trunk.map(|(_, long)| long).filter(|long| *long > 0.0);
    let limb = |name: &str, (n, long_px): (usize, f64)| Limb {
        name: name.to_owned(),
        n,
        long_px,
        of_trunk: trunk_px.map(|trunk| long_px / trunk),
    };
    let others = LIMBS.iter().filter_map(|(name, [a, b])| {
        let lengths = frames.clone().filter_map(|f| Some(between(place(f, a)?, place(f, b)?)));
        Some(limb(name, length(lengths.collect())?))
    });
    trunk.map(|found| limb(TRUNK, found)).into_iter().chain(others).collect()
}

pub(crate) fn px_per_m(limbs: &[Limb]) -> Option<f64> {
    limbs.iter().find(|l| l.name == TRUNK).map(|l| l.long_px / TRUNK_M).filter(|scale| *scale > 0.0)
}

/// Compares limb lengths between the views of one person; each view's limbs with its camera's name.
#[must_use]
pub fn compare_views(views: &[(&str, &[Limb])]) -> Vec<LimbComparison> {
    LIMBS
        .iter()
        .filter_map(|(name, _)| {
            let shares: Vec<(String, f64)> = views
                .iter()
                .filter_map(|(camera, limbs)| {
                    let limb = limbs.iter().find(|l| l.name == *name)?;
                    Some(((*camera).to_owned(), limb.of_trunk?))
                })
                .collect();
            let largest = shares.iter().map(|(_, s)| *s).fold(0.0, f64::max);
            let smallest = shares.iter().map(|(_, s)| *s).fold(f64::INFINITY, f64::min);
            let ratio = largest / smallest.max(1e-6);
            (shares.len() > 1).then(|| LimbComparison {
                name: (*name).to_owned(),
                of_trunk: shares,
                ratio,
                contradicts: ratio > MOST_RATIO,
            })
        })
        .collect()
}
