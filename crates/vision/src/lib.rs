//! Everything that touches OpenCV, and nothing else does: finding calibration boards, reading and writing lenses in OpenCV's
//! files, and OpenCV's own calibration as a peer for tests and benchmarks. Beside it what is seen in pictures without
//! OpenCV: painted court lines, the background that stays, and the flow of a patch from one picture to another.
//!
//! # Conventions
//!
//! - Pictures are grey, 8 bit, rows top to bottom, in display orientation. Pixel centres at integer coordinates: the centre
//!   of the top-left pixel is (0, 0).
//! - Board corners come in the order of `Board::corners_m`, numbered right-handed as seen in the picture (x along a row, y
//!   down the columns, z into the board), never mirrored.
//! - The first corner of a board with one even and one odd number of inner corners is the end of the grid whose corner
//!   square is black: the square that touches the grid of inner corners only in the first corner, and with it the square
//!   diagonally inside, are black. Every camera and every view therefore names the same physical corner first. On a ChArUco
//!   board the markers say which corner is which.

mod background;
mod court_lines;
mod court_overlay;
mod crossings;
mod edge_width;
mod error;
mod file_storage;
mod flow;
mod grey;
mod lattice;
mod marked_board;
mod markers;
mod numbering;
mod opencv_file;
mod page;
mod paint;
pub mod reference;
mod refinement;
mod search;

pub use background::{Background, BackgroundShift};
pub use court_lines::{SeenLine, court_lines, median_picture};
pub use court_overlay::{Sheet, court_sheet, draw_court};
pub use error::VisionError;
pub use flow::{Flow, FlowRequest, follow_patch};
pub use grey::Grey;
pub use markers::{MARKER_LAYOUT, MarkerCells, marker_cells, marker_squares};
pub use opencv_file::{read_lens_file, write_lens_file};
pub use page::{Paper, board_block, board_page};
pub use search::{FoundBoard, find_board};

#[cfg(test)]
mod court_line_tests;
#[cfg(test)]
mod drawn_board;
#[cfg(test)]
mod marked_board_tests;
#[cfg(test)]
mod page_tests;
#[cfg(test)]
mod tests;
