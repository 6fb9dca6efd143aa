//! The player's body: lengths of its segments, and the joint between two of them.

use nalgebra::{Point3, Vector3};

/// Lengths of a body's segments in metres.
///
/// Segment lengths as shares of body height are those of Drillis & Contini 1966 as reprinted in Winter, *Biomechanics
/// and Motor Control of Human Movement* (figure "body segment lengths expressed as a fraction of body height"): upper
/// arm 0.186, forearm 0.146, thigh 0.245, shank 0.246, ankle 0.039, hip 0.530 and shoulder 0.818 above the ground, eyes
/// 0.936. Numbers from memory of that figure. The distances between the two shoulder and the two hip joint centres
/// (0.20 and 0.14) are narrower than the breadths of the figure, which are measured on the outside: common practice, no
/// source.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Body {
    pub(crate) upper_arm: f64,
    pub(crate) forearm: f64,
    /// Wrist to the middle of the grip.
    pub(crate) hand: f64,
    pub(crate) thigh: f64,
    pub(crate) shank: f64,
    pub(crate) ankle_height: f64,
    pub(crate) half_shoulders: f64,
    pub(crate) half_hips: f64,
    /// Middle of the hips to the middle of the shoulders.
    pub(crate) trunk: f64,
    /// Middle of the shoulders to the middle of the head, at eye level.
    pub(crate) neck: f64,
    /// Height of the hips when standing upright.
    pub(crate) hip_height: f64,
}

impl Body {
    /// The body of a player of the given height.
    pub(crate) fn of_height(height_m: f64) -> Self {
        Self {
            upper_arm: 0.186 * height_m,
            forearm: 0.146 * height_m,
            hand: 0.045 * height_m,
            thigh: 0.245 * height_m,
            shank: 0.246 * height_m,
            ankle_height: 0.039 * height_m,
            half_shoulders: 0.10 * height_m,
            half_hips: 0.07 * height_m,
            trunk: (0.818 - 0.530) * height_m,
            neck: (0.936 - 0.818) * height_m,
            hip_height: 0.530 * height_m,
        }
    }
}

/// Two segments of constant length from `root` toward `target`, bending toward `pole`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TwoLink {
    /// The joint between them.
    pub(crate) middle: Point3<f64>,
    /// The far end: `target`, or the nearest reachable point on the way to it.
    pub(crate) end: Point3<f64>,
}

/// Share of the stretched length at which a limb is fully extended: a knee or an elbow that locks would jump.
pub(crate) const FULL_STRETCH: f64 = 0.999;

/// Solves the two-link chain (law of cosines). Both lengths are kept whatever the target.
pub(crate) fn two_link(root: Point3<f64>, target: Point3<f64>, first: f64, second: f64, pole: Vector3<f64>) -> TwoLink {
    let line = target - root;
    let direction = line.try_normalize(1e-12).unwrap_or(-Vector3::z());
    let reach = line.norm().clamp((first - second).abs() + 1e-6, FULL_STRETCH * (first + second));
    let along = (reach * reach + first * first - second * second) / (2.0 * reach);
    let aside = (first * first - along * along).max(0.0).sqrt();
    let bend = (pole - direction * pole.dot(&direction)).try_normalize(1e-9).unwrap_or_else(|| any_normal(&direction));
    TwoLink { middle: root + direction * along + bend * aside, end: root + direction * reach }
}

/// Some unit vector at right angles to a direction.
fn any_normal(direction: &Vector3<f64>) -> Vector3<f64> {
    let helper = if direction.z.abs() < 0.9 { Vector3::z() } else { Vector3::x() };
    direction.cross(&helper).normalize()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_lengths_are_kept_within_and_beyond_reach() {
        for target in [Point3::new(0.3, 0.2, -0.1), Point3::new(2.0, 0.0, 1.0), Point3::new(0.01, 0.0, 0.0)] {
            let limb = two_link(Point3::origin(), target, 0.34, 0.27, Vector3::new(0.1, -1.0, 0.2));
            assert!((limb.middle.coords.norm() - 0.34).abs() < 1e-12);
            assert!(((limb.end - limb.middle).norm() - 0.27).abs() < 1e-9);
        }
    }

    #[test]
    fn a_reachable_target_is_reached() {
        let target = Point3::new(0.3, 0.2, -0.1);
        let limb = two_link(Point3::origin(), target, 0.34, 0.27, -Vector3::z());
        assert!((limb.end - target).norm() < 1e-12 && limb.middle.z < -0.1);
    }
}
