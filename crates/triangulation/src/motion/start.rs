//! Where a fit starts: the points found per instant.

use midline_session::tracks::Tracks;
use nalgebra::{UnitQuaternion, Vector3};

use super::course::Basis;

/// A point's places in the order of time.
pub(crate) struct Places {
    seconds: Vec<f64>,
    positions: Vec<Vector3<f64>>,
}

impl Places {
    /// The places of a name within a range; `None` with fewer than four.
    pub(crate) fn new(tracks: &Tracks, name: &str, range: [f64; 2]) -> Option<Self> {
        let column = tracks.column(name)?;
        let within: Vec<(f64, Vector3<f64>)> = tracks
            .session_seconds
            .iter()
            .enumerate()
            .filter(|(_, t)| (range[0]..=range[1]).contains(*t))
            .filter_map(|(i, t)| Some((*t, Vector3::from(tracks.at(i, column)?.position_m))))
            .collect();
        let (seconds, positions) = within.into_iter().unzip();
        let places = Self { seconds, positions };
        (places.seconds.len() >= 4).then_some(places)
    }

    /// Places in the order of time; `None` with fewer than two.
    pub(crate) fn of(places: Vec<(f64, Vector3<f64>)>) -> Option<Self> {
        let (seconds, positions): (Vec<f64>, _) = places.into_iter().unzip();
        (seconds.len() >= 2).then_some(Self { seconds, positions })
    }

    /// The place at an instant: on the line between neighbours, at the nearest one beyond the ends.
    pub(crate) fn at(&self, seconds: f64) -> Vector3<f64> {
        let after = self.seconds.partition_point(|t| *t < seconds);
        match (after.checked_sub(1), self.seconds.get(after)) {
            (Some(before), Some(next)) => {
                let share = (seconds - self.seconds[before]) / (next - self.seconds[before]);
                self.positions[before].lerp(&self.positions[after], share)
            }
            (Some(before), None) => self.positions[before],
            (None, _) => self.positions[0],
        }
    }

    pub(crate) fn seconds(&self) -> &[f64] {
        &self.seconds
    }

    pub(crate) fn positions(&self) -> &[Vector3<f64>] {
        &self.positions
    }
}

/// A first guess of a spline's coefficients.
pub(crate) fn coefficients(basis: &Basis, places: &Places) -> Vec<Vector3<f64>> {
    (0..basis.count()).map(|i| places.at(basis.centre_seconds(i))).collect()
}

/// Rotations that take the x axis to the line from one point to another, each turned the shortest way from the one before.
pub(crate) fn rotations(basis: &Basis, from: &Places, to: &Places) -> Vec<UnitQuaternion<f64>> {
    let mut found = Vec::with_capacity(basis.count());
    let mut last = UnitQuaternion::identity();
    for i in 0..basis.count() {
        let at = basis.centre_seconds(i);
        if let Some(line) = (to.at(at) - from.at(at)).try_normalize(1e-6) {
            let before = last * Vector3::x();
            if let Some(turn) = UnitQuaternion::rotation_between(&before, &line) {
                last = turn * last;
            }
        }
        found.push(last);
    }
    found
}
