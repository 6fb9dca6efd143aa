//! The way of the sound: where microphones and sources are, and how fast sound travels.

use midline_geometry::Camera;
use midline_session::keypoints::{BALL, COCO_17, Keypoints};
use nalgebra::{Vector2, Vector3};

use crate::estimate::ClockCamera;
use crate::motion::meeting;

/// Speed of sound in dry air, m/s: `331.3 √(1 + T / 273.15)`, T in °C; 343.215 m/s at 20 °C. The speed in an ideal gas grows
/// with the root of the absolute temperature; 331.3 m/s at 0 °C is the handbook value (from memory).
#[must_use]
pub fn speed_of_sound_m_s(air_celsius: f64) -> f64 {
    331.3 * (1.0 + air_celsius / 273.15).max(0.1).sqrt()
}

/// Frames within this time of a sound tell where its source was, seconds.
const NEAR_SECONDS: f64 = 0.1;

/// Standard deviation of the difference in travel time that is left when the player was seen, seconds: the source is an arm and
/// a racket away from the body's middle (common practice: 1 m).
pub(crate) const LEFT_SD_SECONDS: f64 = 0.003;

/// Cameras that stand somewhere and saw the player.
pub(crate) struct Surroundings<'a> {
    ears: Vec<(&'a str, Camera, &'a Keypoints)>,
    speed_m_s: f64,
}

impl<'a> Surroundings<'a> {
    pub(crate) fn new(cameras: &[ClockCamera<'a>], air_celsius: f64) -> Self {
        let ears = cameras.iter().filter_map(|c| c.view.map(|view| (c.name, view.camera(), view.keypoints))).collect();
        Self { ears, speed_m_s: speed_of_sound_m_s(air_celsius) }
    }

    /// By how much later the second camera hears a sound than the first, seconds, that they heard at these presentation
    /// times; `None` where the source was not seen.
    pub(crate) fn later_seconds(&self, first: (&str, f64), second: (&str, f64)) -> Option<f64> {
        let of = |name: &str| self.ears.iter().find(|(ear, ..)| *ear == name);
        let (a, b) = (of(first.0)?, of(second.0)?);
        let place = place((&a.1, a.2, first.1), (&b.1, b.2, second.1))?;
        let way = |camera: &Camera| (camera.centre_world().coords - place).norm();
        Some((way(&b.1) - way(&a.1)) / self.speed_m_s)
    }
}

/// Where the sound came from: the ball if both cameras saw it, else the middle of the body's points.
fn place(first: (&Camera, &Keypoints, f64), second: (&Camera, &Keypoints, f64)) -> Option<Vector3<f64>> {
    let ray = |(camera, keypoints, pts): (&Camera, &Keypoints, f64), name: &str| {
        let column = keypoints.column(name)?;
        let after = keypoints.frames.partition_point(|f| f.pts_seconds < pts);
        let frame = keypoints.frames.get(after).or(keypoints.frames.last())?;
        let px = Vector2::from(
            frame.points.get(column)?.as_ref().filter(|_| (frame.pts_seconds - pts).abs() <= NEAR_SECONDS)?.px,
        );
        Some((camera.centre_world().coords, camera.ray_world(px).ok()?))
    };
    let at = |name: &str| meeting(&[ray(first, name)?, ray(second, name)?]);
    at(BALL).or_else(|| {
        let places: Vec<Vector3<f64>> = COCO_17.iter().filter_map(|name| at(name)).collect();
        (!places.is_empty()).then(|| places.iter().sum::<Vector3<f64>>() / places.len() as f64)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sound_needs_29_ms_for_ten_metres_at_20_degrees() {
        // 343.215 m/s and 29.14 ms: the check values, from the formula above.
        assert!((speed_of_sound_m_s(20.0) - 343.215).abs() < 5e-4, "{}", speed_of_sound_m_s(20.0));
        assert!((10.0 / speed_of_sound_m_s(20.0) - 0.029_14).abs() < 5e-6);
    }
}
