//! The racket arm, from joint centres: how far the elbow is bent, how the upper arm is turned about its own length.

use std::f64::consts::{PI, TAU};

use nalgebra::Vector3;

use super::{MeasureKind, Need};
use crate::body_frame::BodyFrame;
use crate::series::{Series, greatest};
use crate::spots::Spot;
use crate::view::{Because, StrokeView};

/// Nearer to straight than this, the forearm does not show how the upper arm is turned: an error of 1 cm in the wrist, square to the
/// arm, is then 0.1 rad and more of rotation. Wu et al. 2005 (J Biomech 38:981, humerus, second option) warn of the same.
const LEAST_BEND: f64 = 0.35;

/// The upper arm's turn is counted from where the shortest way takes a hanging arm. Near straight up there is no shortest way: cosine of
/// the angle from there.
const MOST_UPWARD: f64 = 0.95;

/// The greatest outward turn is looked for in this time before contact, seconds.
const SEARCH_SECONDS: f64 = 0.3;

const TURN: &str = "turn of the upper arm about its own length relative to the trunk, read off the forearm (swing-twist decomposition: the upper arm is taken by the shortest way from hanging along the trunk to where it points; 0 when a forearm that pointed out of the chest is only carried along); positive outward (external rotation), negative inward";

pub(super) fn measures() -> Vec<MeasureKind> {
    let arm = [Need::Point(Spot::DominantShoulder), Need::Point(Spot::DominantElbow), Need::Point(Spot::DominantWrist)];
    let with_trunk = [Need::Trunk, arm[1], arm[2]];
    vec![
        MeasureKind::new(
            "elbow-bend-contact",
            "bend of the elbow at contact",
            "rad",
            "angle between the prolonged upper arm and the forearm at contact; 0 straight, positive bent",
            &arm,
            |view| Ok(Arm::at_contact(view)?.bend()),
        ),
        MeasureKind::new(
            "upper-arm-turn-contact",
            "axial turn of the upper arm at contact",
            "rad",
            format!("{TURN}. At contact"),
            &with_trunk,
            |view| Arm::at_contact(view)?.turn(&view.frame_at_contact()?),
        ),
        MeasureKind::new(
            "upper-arm-turn-outward",
            "greatest outward axial turn of the upper arm",
            "rad",
            format!("{TURN}. Greatest in the last 0.3 s before contact"),
            &with_trunk,
            greatest_outward,
        ),
    ]
}

struct Arm {
    upper: Vector3<f64>,
    fore: Vector3<f64>,
}

impl Arm {
    fn new(shoulder: Vector3<f64>, elbow: Vector3<f64>, wrist: Vector3<f64>) -> Result<Self, Because> {
        let along = |line: Vector3<f64>| line.try_normalize(0.05);
        match (along(elbow - shoulder), along(wrist - elbow)) {
            (Some(upper), Some(fore)) => Ok(Self { upper, fore }),
            _ => Err("shoulder, elbow and hand lie too close together".into()),
        }
    }

    fn at_contact(view: &StrokeView) -> Result<Self, Because> {
        let [shoulder, elbow, wrist] = [Spot::DominantShoulder, Spot::DominantElbow, Spot::DominantWrist];
        Self::new(view.at_contact(shoulder)?, view.at_contact(elbow)?, view.at_contact(wrist)?)
    }

    fn bend(&self) -> f64 {
        self.upper.cross(&self.fore).norm().atan2(self.upper.dot(&self.fore))
    }

    fn turn(&self, frame: &BodyFrame) -> Result<f64, Because> {
        let bend = self.bend();
        let usable = [LEAST_BEND, PI - LEAST_BEND];
        if !(usable[0]..=usable[1]).contains(&bend) {
            return Err(format!(
                "the elbow is bent by {:.0}°, and the forearm shows how the upper arm is turned between {:.0}° and {:.0}° only (near a straight elbow it does not)",
                bend.to_degrees(),
                usable[0].to_degrees(),
                usable[1].to_degrees()
            )
            .into());
        }
        // In body axes left-handers are mirrored already, so that outward is one direction for everybody.
        let (upper, fore) = (frame.components(&self.upper), frame.components(&self.fore));
        if upper.z > MOST_UPWARD {
            return Err("the upper arm points straight up along the trunk, where no turn is zero".into());
        }
        // The shortest rotation from hanging (0, 0, -1) to the upper arm, applied to the direction out of the chest (0, 1, 0).
        let hanging = Vector3::new(0.0, 0.0, -1.0);
        let carried = Vector3::y() - (hanging + upper) * (upper.y / (1.0 + hanging.dot(&upper)));
        let turn = fore.dot(&upper.cross(&carried)).atan2(fore.dot(&carried));
        // No upper arm turns inward by 120°, but outward a cocked one comes near 180°.
        Ok(if turn < -TAU / 3.0 { turn + TAU } else { turn })
    }
}

fn greatest_outward(view: &StrokeView) -> Result<f64, Because> {
    let range = view.grid.index(-SEARCH_SECONDS)..=view.grid.contact;
    let mut refused = Because::from("the racket arm or the trunk was not seen in the last 0.3 s before contact");
    let mut turns: Series = vec![None; view.grid.len];
    for k in range.clone() {
        let place = |spot| view.state(spot, k).map(|s| s.position);
        let seen = place(Spot::DominantShoulder).zip(place(Spot::DominantElbow)).zip(place(Spot::DominantWrist));
        let (Some(((shoulder, elbow), wrist)), Some(frame)) = (seen, view.frames.get(k).copied().flatten()) else {
            continue;
        };
        match Arm::new(shoulder, elbow, wrist).and_then(|arm| arm.turn(&frame)) {
            Ok(turn) => turns[k] = Some(turn),
            Err(because) => refused = because,
        }
    }
    // What is missing could be the greatest.
    let (known, all) = (turns.iter().flatten().count(), range.clone().count());
    match greatest(&turns, range) {
        Some((_, turn)) if known * 10 >= all * 9 => Ok(turn),
        _ => Err(refused),
    }
}

#[cfg(test)]
mod tests {
    use midline_session::description::Handedness;
    use nalgebra::{Isometry3, Point3};
    use proptest::prelude::*;

    use super::*;
    use crate::body_frame::TrunkJoints;

    fn frame(map: impl Fn(Vector3<f64>) -> Vector3<f64>, handedness: Handedness) -> BodyFrame {
        let joints = TrunkJoints {
            dominant_shoulder: map(Vector3::new(0.2, 0.0, 1.4)),
            other_shoulder: map(Vector3::new(-0.2, 0.0, 1.4)),
            dominant_hip: map(Vector3::new(0.15, 0.0, 0.9)),
            other_hip: map(Vector3::new(-0.15, 0.0, 0.9)),
        };
        BodyFrame::from_joints(&joints, handedness).unwrap()
    }

    fn turn_degrees(upper: [f64; 3], fore: [f64; 3]) -> f64 {
        let arm = Arm { upper: Vector3::from(upper).normalize(), fore: Vector3::from(fore).normalize() };
        arm.turn(&frame(|p| p, Handedness::Right)).unwrap().to_degrees()
    }

    #[test]
    fn positions_of_the_goniometer_have_their_angles() {
        // Norkin & White, Measurement of Joint Motion (from memory): shoulder abducted and elbow bent by 90°, forearm out of the chest
        // is 0, forearm up is 90° of lateral rotation, forearm down 90° of medial rotation.
        let abducted = [1.0, 0.0, 0.0];
        assert!(turn_degrees(abducted, [0.0, 1.0, 0.0]).abs() < 1e-9);
        assert!((turn_degrees(abducted, [0.0, 0.0, 1.0]) - 90.0).abs() < 1e-9);
        assert!((turn_degrees(abducted, [0.0, 0.0, -1.0]) + 90.0).abs() < 1e-9);
        // Arm at the side, elbow bent: the forearm goes outward with lateral rotation, across the belly with medial.
        let hanging = [0.0, 0.0, -1.0];
        assert!((turn_degrees(hanging, [1.0, 1.0, 0.0]) - 45.0).abs() < 1e-9);
        assert!((turn_degrees(hanging, [-1.0, 0.0, 0.0]) + 90.0).abs() < 1e-9);
    }

    #[test]
    fn near_a_straight_elbow_and_straight_up_it_is_refused() {
        let refused = |upper: [f64; 3], fore: [f64; 3]| {
            let arm = Arm { upper: Vector3::from(upper).normalize(), fore: Vector3::from(fore).normalize() };
            arm.turn(&frame(|p| p, Handedness::Right)).unwrap_err().into_owned()
        };
        assert!(refused([1.0, 0.0, 0.0], [1.0, 0.2, 0.0]).contains("straight elbow"));
        assert!(refused([0.0, 0.0, 1.0], [0.0, 1.0, 0.0]).contains("straight up"));
    }

    proptest! {
        #[test]
        fn rigid_motion_changes_nothing_and_the_mirror_image_is_the_left_hander(
            upper in prop::array::uniform3(-1.0..1.0), fore in prop::array::uniform3(-1.0..1.0),
            translation in prop::array::uniform3(-5.0..5.0), turn in prop::array::uniform3(-1.8..1.8),
        ) {
            let (upper, fore) = (Vector3::from(upper), Vector3::from(fore));
            prop_assume!(upper.norm() > 0.2 && fore.norm() > 0.2);
            let arm = Arm { upper: upper.normalize(), fore: fore.normalize() };
            let Ok(expected) = arm.turn(&frame(|p| p, Handedness::Right)) else { return Ok(()) };
            let motion = Isometry3::new(translation.into(), turn.into());
            let moved = |p: Vector3<f64>| motion.transform_point(&Point3::from(p)).coords;
            let there = Arm { upper: motion * arm.upper, fore: motion * arm.fore };
            let same = |found: f64| (found - expected).sin().abs() < 1e-9 && (found - expected).cos() > 0.0;
            prop_assert!(same(there.turn(&frame(moved, Handedness::Right)).unwrap()));
            let mirror = |p: Vector3<f64>| Vector3::new(-p.x, p.y, p.z);
            let left = Arm { upper: motion * mirror(arm.upper), fore: motion * mirror(arm.fore) };
            prop_assert!(same(left.turn(&frame(|p| moved(mirror(p)), Handedness::Left)).unwrap()));
        }
    }
}
