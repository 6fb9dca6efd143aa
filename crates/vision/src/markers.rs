//! The coded markers of ChArUco boards: their cells, and which one is in which square.
//!
//! Layout 1: squares are counted from the top left, whose square is black; the white squares hold the markers 0, 1, 2 … row by
//! row. That is the layout of OpenCV's `CharucoBoard` from version 4.6 on, and of older versions where the number of square
//! rows is odd; boards with an even number, on which the versions differ, are neither printed nor searched for.

use midline_session::board::{Board, Markers};
use opencv::aruco::{Dictionary, get_predefined_dictionary_i32};
use opencv::core::Ptr;
use opencv::prelude::*;

use crate::VisionError;

/// Version of the layout above, printed on every page.
pub const MARKER_LAYOUT: u32 = 1;

/// OpenCV's dictionary of a name.
pub(crate) fn dictionary(markers: &Markers) -> Result<Ptr<Dictionary>, VisionError> {
    let number = markers
        .dictionary_number()
        .and_then(|number| i32::try_from(number).ok())
        .ok_or_else(|| VisionError::Dictionary { name: markers.dictionary.clone() })?;
    get_predefined_dictionary_i32(number).map_err(VisionError::opencv("looking up a dictionary of markers"))
}

/// A marker's picture: square cells, a black rim of one cell around the code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MarkerCells {
    /// Cells along a side, the rim included.
    pub side: usize,
    /// Whether each cell is black, row by row from the top left.
    pub black: Vec<bool>,
}

impl MarkerCells {
    /// Whether the cell is black; outside there is the white of the square.
    #[must_use]
    pub fn is_black(&self, column: usize, row: usize) -> bool {
        column < self.side && self.black.get(row * self.side + column).copied().unwrap_or(false)
    }
}

/// The cells of all markers on a board, in the order of their numbers.
///
/// # Errors
/// When the dictionary is not known or has too few markers.
pub fn marker_cells(board: &Board) -> Result<Vec<MarkerCells>, VisionError> {
    let Some(markers) = &board.markers else { return Ok(Vec::new()) };
    let reading = || VisionError::opencv("reading a dictionary of markers");
    let dictionary = dictionary(markers)?;
    let bits = dictionary.marker_size();
    let codes = dictionary.bytes_list();
    (0..board.marker_count())
        .map(|id| {
            let code = codes.row(i32::try_from(id).unwrap_or(i32::MAX)).map_err(reading())?;
            let cells = Dictionary::get_bits_from_byte_list(&code, bits).map_err(reading())?;
            let inner = usize::try_from(bits).unwrap_or(0);
            let values = cells.data_typed::<u8>().map_err(reading())?;
            let side = inner + 2;
            let black = (0..side * side)
                .map(|cell| {
                    let (row, column) = (cell / side, cell % side);
                    let rim = row == 0 || column == 0 || row > inner || column > inner;
                    rim || values.get((row - 1) * inner + column - 1).is_none_or(|&bit| bit == 0)
                })
                .collect();
            Ok(MarkerCells { side, black })
        })
        .collect()
}

/// The square (column, row) of each marker, in the order of their numbers; squares are counted from the top left.
#[must_use]
pub fn marker_squares(board: &Board) -> Vec<[usize; 2]> {
    let [across, down] = board.squares();
    (0..down)
        .flat_map(|row| (0..across).map(move |column| [column, row]))
        .filter(|[column, row]| (column + row) % 2 == 1)
        .collect()
}

#[cfg(test)]
mod tests {
    use opencv::aruco::CharucoBoard;
    use opencv::core::{Mat, Size};

    use super::*;
    use crate::drawn_board::marked_board;

    /// Source: `CharucoBoard` of the installed OpenCV draws the board; each cell's middle must have our colour.
    #[test]
    fn the_layout_and_the_cells_are_those_of_opencv() {
        for board in [marked_board(6, 4, "4x4_50"), marked_board(5, 4, "5x5_100"), marked_board(8, 6, "6x6_250")] {
            let [across, down] = board.squares();
            let markers = board.markers.as_ref().unwrap();
            let square = 120.0;
            let mut theirs = CharucoBoard::create(
                across as i32,
                down as i32,
                board.square_m as f32,
                markers.side_m as f32,
                &dictionary(markers).unwrap(),
            )
            .unwrap();
            let corners: Vec<[f64; 2]> = theirs
                .chessboard_corners()
                .iter()
                .map(|c| [f64::from(c.x) - board.square_m, f64::from(c.y) - board.square_m])
                .collect();
            for (ours, theirs) in board.corners_m().iter().zip(&corners) {
                assert!((ours.x - theirs[0]).abs() < 1e-6 && (ours.y - theirs[1]).abs() < 1e-6);
            }
            let size = Size::new((square * across as f64) as i32, (square * down as f64) as i32);
            let mut drawn = Mat::default();
            theirs.draw_def(size, &mut drawn).unwrap();
            let white = |x: f64, y: f64| *drawn.at_2d::<u8>(y as i32, x as i32).unwrap() > 127;
            let (cells, squares) = (marker_cells(&board).unwrap(), marker_squares(&board));
            assert_eq!((cells.len(), squares.len()), (board.marker_count(), board.marker_count()));
            assert!(!white(square / 2.0, square / 2.0));
            let side = square * markers.side_m / board.square_m;
            for (cells, [column, row]) in cells.iter().zip(squares) {
                let start = [column, row].map(|i| i as f64 * square + (square - side) / 2.0);
                for cell in 0..cells.side * cells.side {
                    let (x, y) = (cell % cells.side, cell / cells.side);
                    let at = |i: usize, axis: usize| start[axis] + (i as f64 + 0.5) * side / cells.side as f64;
                    assert_eq!(white(at(x, 0), at(y, 1)), !cells.is_black(x, y), "square {column}, {row}: {x}, {y}");
                }
            }
        }
    }
}
