//! The drawn line of a racket: its rim and the shaft behind it, as points of a rigid body.

use nalgebra::Vector3;

/// Points of the rim; every one covers some three centimetres.
const RIM_POINTS: usize = 36;

/// Where the shaft is a single bar, and where the handle is free of the hand, metres from the butt (common practice: grip of 18 to 20 cm,
/// the hand over the lower half of it; the shaft opens into the throat some 25 cm up).
const SHAFT_M: [f64; 2] = [0.195, 0.25];
const HANDLE_M: [f64; 2] = [0.115, 0.18];

/// Points of each of them.
const BAR_POINTS: usize = 5;

/// What of the outline differs from racket to racket, metres. The rim is an ellipse in the plane of the strings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Shape {
    /// From the butt to the middle of the frame's profile at the tip.
    pub(crate) top_m: f64,
    /// Half of the head's length, and half of its width, between middles of the profile.
    pub(crate) half_m: [f64; 2],
}

/// Standard deviations of a [`Shape`] before any picture has been looked at, metres: top, half length, half width.
pub(crate) const SHAPE_SD_M: [f64; 3] = [0.01, 0.012, 0.012];

impl Shape {
    /// A common racket whose tip is this far from the butt (common practice: heads of 33 to 35 by 25 to 27 cm outside, profiles of 2 to
    /// 2.5 cm; the ITF Rules of Tennis allow 39.4 by 29.2 cm of strings).
    pub(crate) fn common(tip_m: f64) -> Self {
        Self { top_m: tip_m - 0.008, half_m: [0.162, 0.124] }
    }

    /// The shape after a step of top, half length and half width.
    pub(crate) fn stepped(self, by: Vector3<f64>) -> Self {
        Self { top_m: self.top_m + by.x, half_m: [self.half_m[0] + by.y, self.half_m[1] + by.z] }
    }

    /// As a vector: top, half length, half width.
    pub(crate) fn vector(self) -> Vector3<f64> {
        Vector3::new(self.top_m, self.half_m[0], self.half_m[1])
    }

    /// The points of the outline; `x` goes from the butt to the tip, `y` across in the plane of the strings.
    pub(crate) fn points(self) -> Vec<OutlinePoint> {
        let centre_m = self.top_m - self.half_m[0];
        let rim = (0..RIM_POINTS).map(|i| {
            let (sin, cos) = (std::f64::consts::TAU * (i as f64 + 0.5) / RIM_POINTS as f64).sin_cos();
            OutlinePoint {
                part: Part::Rim,
                place_m: Vector3::new(centre_m + self.half_m[0] * cos, self.half_m[1] * sin, 0.0),
                along: Vector3::new(-self.half_m[0] * sin, self.half_m[1] * cos, 0.0).normalize(),
                by_shape: [Vector3::x(), Vector3::x() * (cos - 1.0), Vector3::y() * sin],
            }
        });
        let bar = |part: Part, [from_m, to_m]: [f64; 2]| {
            (0..BAR_POINTS).map(move |i| OutlinePoint {
                part,
                place_m: Vector3::x() * (from_m + (to_m - from_m) * i as f64 / (BAR_POINTS - 1) as f64),
                along: Vector3::x(),
                by_shape: [Vector3::zeros(); 3],
            })
        };
        rim.chain(bar(Part::Shaft, SHAFT_M)).chain(bar(Part::Handle, HANDLE_M)).collect()
    }
}

/// Of what a point is part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Part {
    Rim,
    Shaft,
    Handle,
}

impl Part {
    /// The stretch of the racket's axis that shows it alone, metres from the butt.
    pub(crate) fn stretch_m(self) -> Option<[f64; 2]> {
        match self {
            Self::Rim => None,
            Self::Shaft => Some(SHAFT_M),
            Self::Handle => Some(HANDLE_M),
        }
    }
}

/// A point of the outline, in the racket's own frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct OutlinePoint {
    pub(crate) part: Part,
    pub(crate) place_m: Vector3<f64>,
    /// Unit vector along the line.
    pub(crate) along: Vector3<f64>,
    /// How the place changes with top, half length and half width.
    pub(crate) by_shape: [Vector3<f64>; 3],
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_outline_changes_with_its_shape_as_it_says() {
        let shape = Shape::common(0.685);
        for (axis, step) in [Vector3::x(), Vector3::y(), Vector3::z()].into_iter().enumerate() {
            let (less, more) = (shape.stepped(-1e-5 * step).points(), shape.stepped(1e-5 * step).points());
            for (at, (a, b)) in shape.points().iter().zip(less.iter().zip(&more)) {
                assert!(((b.place_m - a.place_m) / 2e-5 - at.by_shape[axis]).norm() < 1e-6);
            }
        }
    }

    #[test]
    fn the_rim_ends_at_the_top() {
        let shape = Shape::common(0.685);
        let farthest = shape.points().iter().map(|p| p.place_m.x).fold(0.0, f64::max);
        assert!((farthest - shape.top_m).abs() < 1e-3 && farthest <= shape.top_m, "{farthest}");
    }
}
