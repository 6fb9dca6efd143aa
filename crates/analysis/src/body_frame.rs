//! Axes fixed in the player's trunk, from joint centres alone.
//!
//! - `up`: from mid-hip to mid-shoulder.
//! - `hitting side`: along the shoulder line toward the dominant shoulder, made square to `up`. The midline plane holds
//!   mid-shoulder and mid-hip and has this normal: positive is the dominant side.
//! - `front`: square to both, out of the chest. The frontal plane holds mid-shoulder and mid-hip and has this normal.
//!
//! Neither gravity nor the court is needed, so distances do not change under a rigid motion of the world. Left-handers are
//! mirrored: their hitting side is positive too, and front stays front.

use midline_session::description::Handedness;
use nalgebra::Vector3;

use crate::input::dominant_side;

/// Least distance between mid-hip and mid-shoulder, and least shoulder line square to it, that give a direction, metres.
const LEAST_LENGTH_M: f64 = 0.05;

/// Centres of the four joints of the trunk in the world frame, metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrunkJoints {
    /// Shoulder of the racket arm.
    pub dominant_shoulder: Vector3<f64>,
    /// The other shoulder.
    pub other_shoulder: Vector3<f64>,
    /// Hip on the side of the racket arm.
    pub dominant_hip: Vector3<f64>,
    /// The other hip.
    pub other_hip: Vector3<f64>,
}

/// The body's axes at one instant, in the world frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BodyFrame {
    /// Middle between mid-shoulder and mid-hip, metres.
    pub origin: Vector3<f64>,
    /// Mid-shoulder, metres.
    pub mid_shoulder: Vector3<f64>,
    /// Unit normal of the midline plane, toward the dominant side.
    pub hitting_side: Vector3<f64>,
    /// Unit normal of the frontal plane, out of the chest.
    pub front: Vector3<f64>,
    /// Unit vector from mid-hip to mid-shoulder.
    pub up: Vector3<f64>,
}

impl BodyFrame {
    /// `None` when the joints are too close together to give the directions (5 cm), or not finite.
    #[must_use]
    pub fn from_joints(joints: &TrunkJoints, handedness: Handedness) -> Option<Self> {
        let mid_shoulder = (joints.dominant_shoulder + joints.other_shoulder) / 2.0;
        let mid_hip = (joints.dominant_hip + joints.other_hip) / 2.0;
        let up = (mid_shoulder - mid_hip).try_normalize(LEAST_LENGTH_M)?;
        let line = joints.dominant_shoulder - joints.other_shoulder;
        let hitting_side = (line - up * line.dot(&up)).try_normalize(LEAST_LENGTH_M)?;
        let front = up.cross(&hitting_side) * dominant_side(handedness);
        let frame = Self { origin: (mid_shoulder + mid_hip) / 2.0, mid_shoulder, hitting_side, front, up };
        front.iter().chain(frame.origin.iter()).all(|x| x.is_finite()).then_some(frame)
    }

    /// `[hitting side, front, up]` of a world point, metres from the origin.
    #[must_use]
    pub fn coordinates(&self, point: &Vector3<f64>) -> Vector3<f64> {
        self.components(&(point - self.origin))
    }

    /// `[hitting side, front, up]` of a world vector.
    #[must_use]
    pub fn components(&self, vector: &Vector3<f64>) -> Vector3<f64> {
        Vector3::new(vector.dot(&self.hitting_side), vector.dot(&self.front), vector.dot(&self.up))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{Isometry3, Point3};
    use proptest::prelude::*;

    fn joints() -> TrunkJoints {
        TrunkJoints {
            dominant_shoulder: Vector3::new(0.2, 0.0, 1.4),
            other_shoulder: Vector3::new(-0.2, 0.0, 1.4),
            dominant_hip: Vector3::new(0.15, 0.0, 0.9),
            other_hip: Vector3::new(-0.15, 0.0, 0.9),
        }
    }

    fn mapped(joints: &TrunkJoints, map: impl Fn(Vector3<f64>) -> Vector3<f64>) -> TrunkJoints {
        TrunkJoints {
            dominant_shoulder: map(joints.dominant_shoulder),
            other_shoulder: map(joints.other_shoulder),
            dominant_hip: map(joints.dominant_hip),
            other_hip: map(joints.other_hip),
        }
    }

    #[test]
    fn racket_behind_and_across_has_two_negative_signs() {
        let frame = BodyFrame::from_joints(&joints(), Handedness::Right).unwrap();
        let racket = frame.coordinates(&Vector3::new(-0.1, -0.4, 1.2));
        assert!((racket - Vector3::new(-0.1, -0.4, 0.05)).norm() < 1e-12, "{racket}");
        let mirror = |p: Vector3<f64>| Vector3::new(-p.x, p.y, p.z);
        let left = BodyFrame::from_joints(&mapped(&joints(), mirror), Handedness::Left).unwrap();
        let racket = left.coordinates(&mirror(Vector3::new(-0.1, -0.4, 1.2)));
        assert!((racket - Vector3::new(-0.1, -0.4, 0.05)).norm() < 1e-12, "{racket}");
    }

    #[test]
    fn joints_in_one_place_give_no_frame() {
        let point = mapped(&joints(), |_| Vector3::new(1.0, 2.0, 3.0));
        assert_eq!(BodyFrame::from_joints(&point, Handedness::Right), None);
        let nowhere = mapped(&joints(), |p| p * f64::NAN);
        assert_eq!(BodyFrame::from_joints(&nowhere, Handedness::Right), None);
    }

    fn vector(limit: f64) -> impl Strategy<Value = Vector3<f64>> {
        prop::array::uniform3(-limit..limit).prop_map(Vector3::from)
    }

    proptest! {
        #[test]
        fn rigid_motion_changes_nothing_and_the_mirror_image_is_the_left_hander(
            shifts in prop::array::uniform4(vector(0.08)),
            racket in vector(1.5),
            translation in vector(10.0),
            turn in vector(1.8),
        ) {
            let mut body = joints();
            body.dominant_shoulder += shifts[0];
            body.other_shoulder += shifts[1];
            body.dominant_hip += shifts[2];
            body.other_hip += shifts[3];
            let here = BodyFrame::from_joints(&body, Handedness::Right).unwrap();
            let expected = here.coordinates(&racket);
            prop_assert!((here.hitting_side.cross(&here.front) - here.up).norm() < 1e-12);

            let motion = Isometry3::new(translation, turn);
            let moved = |p: Vector3<f64>| motion.transform_point(&Point3::from(p)).coords;
            let there = BodyFrame::from_joints(&mapped(&body, moved), Handedness::Right).unwrap();
            prop_assert!((there.coordinates(&moved(racket)) - expected).norm() < 1e-9);

            let mirrored = |p: Vector3<f64>| moved(Vector3::new(-p.x, p.y, p.z));
            let left = BodyFrame::from_joints(&mapped(&body, mirrored), Handedness::Left).unwrap();
            prop_assert!((left.coordinates(&mirrored(racket)) - expected).norm() < 1e-9);
        }

        #[test]
        fn both_planes_hold_mid_shoulder_and_mid_hip(shifts in prop::array::uniform4(vector(0.08))) {
            let body = TrunkJoints {
                dominant_shoulder: joints().dominant_shoulder + shifts[0],
                other_shoulder: joints().other_shoulder + shifts[1],
                dominant_hip: joints().dominant_hip + shifts[2],
                other_hip: joints().other_hip + shifts[3],
            };
            let frame = BodyFrame::from_joints(&body, Handedness::Right).unwrap();
            for middle in [frame.mid_shoulder, (body.dominant_hip + body.other_hip) / 2.0] {
                let place = frame.coordinates(&middle);
                prop_assert!(place.x.abs() < 1e-12 && place.y.abs() < 1e-12);
            }
        }
    }
}
