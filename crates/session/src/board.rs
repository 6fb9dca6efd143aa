//! Calibration boards and where their corners were seen.

use nalgebra::Point3;
use serde::{Deserialize, Serialize};

/// A checkerboard. Points are its inner corners, row by row.
///
/// Board frame: origin at the first inner corner, x along a row, y down the columns, z into the board (right-handed, so
/// that a board facing the camera has its z axis pointing away from the camera).
///
/// Where the orientation is unambiguous (one even and one odd number of inner corners), the first inner corner is the end
/// at which the square diagonally inside the grid of inner corners, and with it the outermost corner square of the board, is
/// black.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Board {
    /// Name by which clips refer to it.
    pub name: String,
    /// Inner corners along a row and down a column. One even and one odd number make the orientation unambiguous.
    pub inner_corners: [usize; 2],
    /// Side of one square in metres.
    pub square_m: f64,
    /// Coded markers in the white squares (a ChArUco board): corners are known by their numbers, so that a board that is
    /// partly hidden or cut off is of use too, and its orientation is never in doubt.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub markers: Option<Markers>,
}

/// The coded markers of a ChArUco board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Markers {
    /// The dictionary, named as in OpenCV without its prefix, in lower case: `4x4_50`, `5x5_100`, `6x6_250` and so on.
    pub dictionary: String,
    /// Side of one marker in metres, its black rim included; smaller than a square.
    pub side_m: f64,
}

impl Board {
    /// Number of inner corners.
    #[must_use]
    pub fn corner_count(&self) -> usize {
        self.inner_corners[0] * self.inner_corners[1]
    }

    /// The inner corners in the board frame, row by row, in metres.
    #[must_use]
    pub fn corners_m(&self) -> Vec<Point3<f64>> {
        let [across, down] = self.inner_corners;
        (0..down)
            .flat_map(|row| {
                (0..across).map(move |col| Point3::new(col as f64 * self.square_m, row as f64 * self.square_m, 0.0))
            })
            .collect()
    }

    /// Whether a half turn of the board looks different, so that corner numbering is unambiguous between cameras.
    #[must_use]
    pub fn orientation_is_unambiguous(&self) -> bool {
        self.markers.is_some() || (self.inner_corners[0] + self.inner_corners[1]) % 2 == 1
    }
}

/// One sighting of a board in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BoardView {
    /// Index of the frame in its clip.
    pub frame_index: usize,
    /// Presentation time of the frame in seconds.
    pub pts_seconds: f64,
    /// Corners in the order of [`Board::corners_m`] or of `corner_ids`, display orientation, pixels.
    pub corners_px: Vec<[f64; 2]>,
    /// Which corner of [`Board::corners_m`] each entry of `corners_px` is, ascending; `None` = all of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corner_ids: Option<Vec<usize>>,
    /// Width of the black-to-white transitions in pixels (10 % to 90 %): small is sharp.
    pub edge_width_px: Option<f64>,
}

impl BoardView {
    /// Index into [`Board::corners_m`] of each entry of `corners_px`.
    pub fn corner_indices(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.corners_px.len()).map(|entry| self.corner_ids.as_ref().map_or(entry, |ids| ids[entry]))
    }
}
