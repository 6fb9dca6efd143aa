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

/// Dictionaries of markers by name, with the number of markers in each, in the order of OpenCV's enumeration
/// (`DICT_4X4_50` is 0).
pub const DICTIONARIES: [(&str, usize); 16] = [
    ("4x4_50", 50),
    ("4x4_100", 100),
    ("4x4_250", 250),
    ("4x4_1000", 1000),
    ("5x5_50", 50),
    ("5x5_100", 100),
    ("5x5_250", 250),
    ("5x5_1000", 1000),
    ("6x6_50", 50),
    ("6x6_100", 100),
    ("6x6_250", 250),
    ("6x6_1000", 1000),
    ("7x7_50", 50),
    ("7x7_100", 100),
    ("7x7_250", 250),
    ("7x7_1000", 1000),
];

impl Markers {
    /// Place of the dictionary in [`DICTIONARIES`]; `None` when there is none of that name.
    #[must_use]
    pub fn dictionary_number(&self) -> Option<usize> {
        DICTIONARIES.iter().position(|(name, _)| *name == self.dictionary)
    }
}

impl Board {
    /// What is wrong with the board, and what to do about it; `None` when nothing is.
    #[must_use]
    pub fn fault(&self) -> Option<String> {
        let ([across, down], name) = (self.inner_corners, &self.name);
        if self.inner_corners.iter().any(|n| !(2..=50).contains(n)) || !(self.square_m > 0.0 && self.square_m < 1.0) {
            return Some(format!(
                "board \"{name}\": inner_corners {:?} must be 2 to 50 each and square_m {} between 0 and 1 metre",
                self.inner_corners, self.square_m
            ));
        }
        let markers = self.markers.as_ref()?;
        let Some((_, held)) = markers.dictionary_number().and_then(|number| DICTIONARIES.get(number)) else {
            let known: Vec<&str> = DICTIONARIES.iter().map(|(name, _)| *name).collect();
            return Some(format!(
                "board \"{name}\": there is no dictionary of markers named \"{}\"; there are: {}",
                markers.dictionary,
                known.join(", ")
            ));
        };
        if !(markers.side_m > 0.0 && markers.side_m < self.square_m) {
            return Some(format!(
                "board \"{name}\": the markers' side_m {} must be above 0 and below square_m {}; measure a marker with its \
                 black rim, in metres",
                markers.side_m, self.square_m
            ));
        }
        if down % 2 != 0 {
            return Some(format!(
                "board \"{name}\": a board with markers needs an odd number of rows of squares, and {across} × {down} inner \
                 corners have {}: programs that draw such boards do not agree on the layout of an even number",
                down + 1
            ));
        }
        (self.marker_count() > *held).then(|| {
            format!(
                "board \"{name}\": {across} × {down} inner corners take {} markers, and dictionary {} has {held}; choose a \
                 dictionary with more",
                self.marker_count(),
                markers.dictionary
            )
        })
    }

    /// Squares along a row and down a column.
    #[must_use]
    pub fn squares(&self) -> [usize; 2] {
        self.inner_corners.map(|n| n + 1)
    }

    /// Number of markers on the board: one in each white square, the first square being black; 0 without markers.
    #[must_use]
    pub fn marker_count(&self) -> usize {
        let [across, down] = self.squares();
        if self.markers.is_some() { across * down / 2 } else { 0 }
    }

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
