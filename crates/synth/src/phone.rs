//! The two phones: what they are, where they stand, when they take their frames.

use midline_geometry::{Camera, Intrinsics, LensModel, ReadOut, RigidTransform, ScanDirection};
use midline_session::court::Court;
use nalgebra::{Matrix3, Point3, Rotation3, Translation3, UnitQuaternion, Vector2, Vector3};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};

/// Width and height of the pictures that both phones store.
pub(crate) const STORED_SIZE_PX: [u32; 2] = [1280, 720];
/// Ticks per second of the containers' time stamps.
pub(crate) const TICKS_PER_SECOND: f64 = 90_000.0;

/// A phone.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Phone {
    pub(crate) name: &'static str,
    /// Lens, in display orientation.
    pub(crate) intrinsics: Intrinsics,
    /// Clockwise quarter turns from the stored to the displayed picture: 0 or 1.
    pub(crate) quarter_turns_clockwise: u8,
    pub(crate) read_out_seconds: f64,
    /// Exposure time of a row.
    pub(crate) exposure_seconds: f64,
    /// By how much the sound lags the picture in the file.
    pub(crate) sound_latency_seconds: f64,
    pub(crate) sound_gain: f64,
    /// Standard deviation of the microphone's noise, full scale 1.
    pub(crate) sound_noise: f64,
    /// Session seconds per second of this phone's clock.
    pub(crate) clock_rate: f64,
}

/// The landscape phone.
pub(crate) const FENCE: Phone = Phone {
    name: "fence",
    intrinsics: Intrinsics {
        focal_px: [985.2, 984.1],
        centre_px: [642.3, 357.8],
        model: LensModel::BrownConrady([-0.118, 0.041, 0.0004, -0.0003, 0.0]),
        size_px: [1280, 720],
    },
    quarter_turns_clockwise: 0,
    read_out_seconds: 0.0078,
    exposure_seconds: 0.001,
    sound_latency_seconds: 0.006,
    sound_gain: 1.0,
    sound_noise: 0.0025,
    clock_rate: 1.0,
};

/// The portrait phone: its sensor's rows run sideways in the displayed picture.
pub(crate) const GATE: Phone = Phone {
    name: "gate",
    intrinsics: Intrinsics {
        focal_px: [1012.6, 1013.9],
        centre_px: [356.9, 644.7],
        model: LensModel::BrownConrady([-0.127, 0.047, -0.0003, 0.0005, 0.0]),
        size_px: [720, 1280],
    },
    quarter_turns_clockwise: 1,
    read_out_seconds: 0.0081,
    exposure_seconds: 0.001,
    sound_latency_seconds: -0.004,
    sound_gain: 0.7,
    sound_noise: 0.0035,
    clock_rate: 1.0 + 38e-6,
};

impl Phone {
    pub(crate) fn read_out(&self) -> ReadOut {
        ReadOut {
            seconds: self.read_out_seconds,
            direction: ScanDirection::after_turning(self.quarter_turns_clockwise),
        }
    }

    /// The pixel in the stored picture of a pixel in the displayed one.
    pub(crate) fn stored_from_display(&self, px: Vector2<f64>) -> Vector2<f64> {
        if self.quarter_turns_clockwise == 1 {
            Vector2::new(px.y, f64::from(STORED_SIZE_PX[1]) - 1.0 - px.x)
        } else {
            px
        }
    }

    /// The pixel in the displayed picture of a pixel in the stored one.
    pub(crate) fn display_from_stored(&self, px: Vector2<f64>) -> Vector2<f64> {
        if self.quarter_turns_clockwise == 1 {
            Vector2::new(f64::from(STORED_SIZE_PX[1]) - 1.0 - px.y, px.x)
        } else {
            px
        }
    }

    /// The phone's camera at a place.
    pub(crate) fn camera(&self, place: &Place) -> Camera {
        Camera { intrinsics: self.intrinsics, camera_from_world: place.camera_from_world(), read_out: self.read_out() }
    }
}

/// Where a phone stands and looks, court frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    pub(crate) centre: [f64; 3],
    pub(crate) target: [f64; 3],
    /// Turn about the viewing direction, radians: nobody levels a tripod exactly.
    pub(crate) roll: f64,
}

impl Place {
    pub(crate) fn camera_from_world(&self) -> RigidTransform {
        let centre = Point3::from(self.centre);
        let forward = (Point3::from(self.target) - centre).normalize();
        let right = forward.cross(&Vector3::z()).normalize();
        let down = forward.cross(&right);
        let level = Rotation3::from_matrix_unchecked(Matrix3::from_rows(&[
            right.transpose(),
            down.transpose(),
            forward.transpose(),
        ]));
        let rotation = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), self.roll)
            * UnitQuaternion::from_rotation_matrix(&level);
        RigidTransform::from_parts(Translation3::from(-(rotation * centre.coords)), rotation)
    }
}

/// One clip's clock: `session = offset + rate · pts`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ClipClock {
    pub(crate) offset_seconds: f64,
    pub(crate) rate: f64,
}

impl ClipClock {
    pub(crate) fn session_seconds(&self, pts_seconds: f64) -> f64 {
        self.offset_seconds + self.rate * pts_seconds
    }

    pub(crate) fn pts_seconds(&self, session_seconds: f64) -> f64 {
        (session_seconds - self.offset_seconds) / self.rate
    }
}

/// Time stamps of a clip in ticks: nominal spacing with jitter that does not build up, some frames dropped.
///
/// `keep` are presentation times in seconds around which no frame may be dropped.
pub(crate) fn frame_ticks(
    seed: u64,
    frames_per_second: f64,
    duration_seconds: f64,
    jitter_seconds: f64,
    drops: usize,
    keep: &[f64],
) -> Vec<u64> {
    let mut random = StdRng::seed_from_u64(seed);
    let spread = Normal::new(0.0, jitter_seconds).ok();
    let count = (duration_seconds * frames_per_second).floor() as usize;
    let far = |index: usize| keep.iter().all(|k| (index as f64 / frames_per_second - k).abs() > 0.15);
    let mut dropped = Vec::new();
    while dropped.len() < drops && count > 80 {
        let index = random.random_range(30..count - 30);
        if far(index) && dropped.iter().all(|d: &usize| d.abs_diff(index) > 20) {
            dropped.push(index);
        }
    }
    (0..count)
        .filter(|index| !dropped.contains(index))
        .map(|index| {
            let jitter =
                spread.map_or(0.0, |s| s.sample(&mut random)).clamp(-3.0 * jitter_seconds, 3.0 * jitter_seconds);
            let seconds = if index == 0 { 0.0 } else { index as f64 / frames_per_second + jitter };
            (seconds * TICKS_PER_SECOND).round() as u64
        })
        .collect()
}

/// Court points that a camera sees at least `margin_px` inside its picture, by name, with their true pixel.
pub(crate) fn visible_court_points(camera: &Camera, court: &Court, margin_px: f64) -> Vec<(String, Vector2<f64>)> {
    let [width, height] = camera.intrinsics.size_px.map(f64::from);
    court
        .points_m
        .iter()
        .filter_map(|(name, point)| {
            let point = Point3::from(*point);
            // Beyond about 60° off the axis the distortion polynomial folds over.
            let seen = camera.camera_from_world * point;
            let px = camera.project(&point).filter(|_| seen.x.hypot(seen.y) < 1.2 * seen.z)?;
            let inside = |v: f64, size: f64| (margin_px..size - 1.0 - margin_px).contains(&v);
            (inside(px.x, width) && inside(px.y, height)).then(|| (name.clone(), px))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stored_and_displayed_pixels_convert_both_ways() {
        for phone in [FENCE, GATE] {
            let px = Vector2::new(100.25, 400.5);
            assert!((phone.display_from_stored(phone.stored_from_display(px)) - px).norm() < 1e-12);
            // The sensor's first stored row is the first to be read.
            let first = phone.display_from_stored(Vector2::new(300.0, 0.0));
            assert!(phone.read_out().delay_seconds(first, phone.intrinsics.size_px).abs() < 1e-12);
        }
    }

    #[test]
    fn frames_rise_jitter_and_drop_as_asked() {
        let ticks = frame_ticks(3, 120.0, 10.0, 0.00025, 2, &[2.0, 5.0]);
        assert_eq!(ticks.len(), 1198);
        let gaps: Vec<u64> = ticks.windows(2).map(|w| w[1] - w[0]).collect();
        assert!(gaps.iter().all(|g| *g > 0));
        assert_eq!(gaps.iter().filter(|g| **g > 1125).count(), 2);
        assert!(gaps.iter().any(|g| *g != 750));
        for (index, gap) in gaps.iter().enumerate() {
            let at = ticks[index] as f64 / TICKS_PER_SECOND;
            assert!(*gap < 1125 || ((at - 2.0).abs() > 0.1 && (at - 5.0).abs() > 0.1));
        }
    }
}
