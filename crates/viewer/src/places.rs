//! Points of the tracks as the viewer takes them, and the groups in which the skeleton is drawn.

use midline_session::description::Handedness;
use midline_session::keypoints::CONNECTIONS;
use midline_session::tracks::Tracks;
use nalgebra::Vector3;

use crate::colours::{self, Rgba};

/// A part of the skeleton with a colour of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Part {
    Trunk,
    DominantSide,
    OtherSide,
    Racket,
}

impl Part {
    pub(crate) const ALL: [Self; 4] = [Self::Trunk, Self::DominantSide, Self::OtherSide, Self::Racket];

    /// Last part of the entity's name.
    pub(crate) fn entity(self) -> &'static str {
        match self {
            Self::Trunk => "trunk",
            Self::DominantSide => "dominant_side",
            Self::OtherSide => "other_side",
            Self::Racket => "racket",
        }
    }

    pub(crate) fn colour(self) -> Rgba {
        match self {
            Self::Trunk => colours::TRUNK,
            Self::DominantSide => colours::DOMINANT,
            Self::OtherSide => colours::OTHER,
            Self::Racket => colours::RACKET,
        }
    }

    /// The part that a connection belongs to: limbs to their side; what joins shoulders, hips and head to the trunk.
    fn of(connection: (&str, &str), handedness: Handedness) -> Self {
        let (a, b) = connection;
        let trunk = |name: &str| name.ends_with("_shoulder") || name.ends_with("_hip") || !name.contains('_');
        let (dominant, other) = match handedness {
            Handedness::Right => ("right_", "left_"),
            Handedness::Left => ("left_", "right_"),
        };
        if a.starts_with("racket") && b.starts_with("racket") {
            Self::Racket
        } else if trunk(a) && trunk(b) {
            Self::Trunk
        } else if a.starts_with(dominant) && b.starts_with(dominant) {
            Self::DominantSide
        } else if a.starts_with(other) && b.starts_with(other) {
            Self::OtherSide
        } else {
            Self::Trunk
        }
    }
}

/// Column pairs of the connections of a part; pairs with a name that is not in `names` are skipped.
pub(crate) fn connections(part: Part, names: &[String], handedness: Handedness) -> Vec<[usize; 2]> {
    let column = |name: &str| names.iter().position(|n| n == name);
    CONNECTIONS
        .iter()
        .filter(|connection| Part::of(**connection, handedness) == part)
        .filter_map(|(a, b)| Some([column(a)?, column(b)?]))
        .collect()
}

/// World position of a point at an instant, metres.
pub(crate) fn position(tracks: &Tracks, instant: usize, column: usize) -> Option<Vector3<f64>> {
    let position = Vector3::from(tracks.at(instant, column)?.position_m);
    position.iter().all(|v| v.is_finite()).then_some(position)
}

/// World position of a named point at an instant, metres.
pub(crate) fn named(tracks: &Tracks, instant: usize, name: &str) -> Option<Vector3<f64>> {
    position(tracks, instant, tracks.column(name)?)
}

/// Single precision, as the viewer takes it.
pub(crate) fn single(point: Vector3<f64>) -> [f32; 3] {
    [point.x as f32, point.y as f32, point.z as f32]
}

/// Line strips of a part at an instant: one per connection of which both ends are measured.
pub(crate) fn strips(tracks: &Tracks, instant: usize, connections: &[[usize; 2]]) -> Vec<Vec<[f32; 3]>> {
    let end = |column| position(tracks, instant, column).map(single);
    connections.iter().filter_map(|[a, b]| Some(vec![end(*a)?, end(*b)?])).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_session::keypoints::default_names;

    #[test]
    fn every_connection_belongs_to_one_part_and_limbs_follow_the_racket_hand() {
        let names = default_names();
        let count = |handedness| Part::ALL.map(|part| connections(part, &names, handedness).len());
        assert_eq!(count(Handedness::Right), [6, 4, 4, 2]);
        assert_eq!(count(Handedness::Right).iter().sum::<usize>(), CONNECTIONS.len());
        let right = connections(Part::DominantSide, &names, Handedness::Right);
        let left = connections(Part::DominantSide, &names, Handedness::Left);
        assert!(right.iter().flatten().all(|c| names[*c].starts_with("right_")));
        assert!(left.iter().flatten().all(|c| names[*c].starts_with("left_")));
    }
}
