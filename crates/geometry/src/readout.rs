//! When a picture row is seen: rolling-shutter read-out.

use nalgebra::Vector2;
use serde::{Deserialize, Serialize};

/// The direction in the displayed picture in which the sensor reads its rows.
///
/// A phone held as its sensor lies reads downward; a picture that the player must turn for display reads in another
/// direction, which the container's rotation tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ScanDirection {
    /// First row at the top.
    #[default]
    Down,
    /// First row at the bottom.
    Up,
    /// First row at the left edge.
    Right,
    /// First row at the right edge.
    Left,
}

impl ScanDirection {
    /// The scan direction in the displayed picture when the stored picture, read downward, is turned clockwise by
    /// `quarter_turns_clockwise` × 90° for display.
    #[must_use]
    pub fn after_turning(quarter_turns_clockwise: u8) -> Self {
        match quarter_turns_clockwise % 4 {
            0 => Self::Down,
            1 => Self::Left,
            2 => Self::Up,
            _ => Self::Right,
        }
    }
}

/// Rolling-shutter read-out of one camera.
///
/// A pixel is seen (middle of its exposure) at `pts + delay`, where the delay grows linearly from 0 at the first row to
/// `seconds` just past the last. A constant shift between container time stamp and first row belongs to the clock.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct ReadOut {
    /// Time from the first row to just past the last, in seconds; 0 for a global shutter.
    pub seconds: f64,
    /// Direction of the rows in the displayed picture.
    pub direction: ScanDirection,
}

impl ReadOut {
    /// Delay in seconds of the pixel at `px` in a displayed picture of `size_px` (width, height).
    #[must_use]
    pub fn delay_seconds(&self, px: Vector2<f64>, size_px: [u32; 2]) -> f64 {
        let (width, height) = (f64::from(size_px[0]), f64::from(size_px[1]));
        let share = match self.direction {
            ScanDirection::Down => px.y / height,
            ScanDirection::Up => (height - 1.0 - px.y) / height,
            ScanDirection::Right => px.x / width,
            ScanDirection::Left => (width - 1.0 - px.x) / width,
        };
        self.seconds * share
    }

    /// Change of the delay per pixel, `(∂/∂x, ∂/∂y)` in seconds per pixel.
    #[must_use]
    pub fn delay_gradient_seconds_per_px(&self, size_px: [u32; 2]) -> Vector2<f64> {
        let (width, height) = (f64::from(size_px[0]), f64::from(size_px[1]));
        match self.direction {
            ScanDirection::Down => Vector2::new(0.0, self.seconds / height),
            ScanDirection::Up => Vector2::new(0.0, -self.seconds / height),
            ScanDirection::Right => Vector2::new(self.seconds / width, 0.0),
            ScanDirection::Left => Vector2::new(-self.seconds / width, 0.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_turned_clockwise_is_read_from_right_to_left() {
        // Stored row 0 (top) becomes the right-most column after a clockwise quarter turn.
        let read_out = ReadOut { seconds: 0.008, direction: ScanDirection::after_turning(1) };
        assert!(read_out.delay_seconds(Vector2::new(719.0, 5.0), [720, 1280]).abs() < 1e-12);
        let last = read_out.delay_seconds(Vector2::new(0.0, 5.0), [720, 1280]);
        assert!((last - 0.008 * 719.0 / 720.0).abs() < 1e-12);
    }

    #[test]
    fn delay_gradient_matches_differences() {
        for direction in [ScanDirection::Down, ScanDirection::Up, ScanDirection::Right, ScanDirection::Left] {
            let read_out = ReadOut { seconds: 0.01, direction };
            let at = |x, y| read_out.delay_seconds(Vector2::new(x, y), [640, 480]);
            let gradient = read_out.delay_gradient_seconds_per_px([640, 480]);
            assert!((at(11.0, 20.0) - at(10.0, 20.0) - gradient.x).abs() < 1e-15);
            assert!((at(10.0, 21.0) - at(10.0, 20.0) - gradient.y).abs() < 1e-15);
        }
    }
}
