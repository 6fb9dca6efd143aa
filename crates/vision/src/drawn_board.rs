//! Boards drawn through a known homography, for tests.

use midline_session::board::{Board, Markers};
use nalgebra::{Matrix3, Vector3};
use opencv::core::{BORDER_REPLICATE, Mat, Size};
use opencv::imgproc::gaussian_blur;
use opencv::prelude::*;

use crate::{marker_cells, marker_squares};

/// Samples per pixel and axis.
const OVERSAMPLING: usize = 8;

pub(crate) fn board(across: usize, down: usize) -> Board {
    Board { name: "test".to_owned(), inner_corners: [across, down], square_m: 0.03, markers: None }
}

/// A ChArUco board whose markers have three quarters of a square's side.
pub(crate) fn marked_board(across: usize, down: usize, dictionary: &str) -> Board {
    let markers = Some(Markers { dictionary: dictionary.to_owned(), side_m: 0.0225 });
    Board { markers, ..board(across, down) }
}

/// A view of a board: takes board coordinates in squares, origin at the first inner corner, to pixels.
pub(crate) struct Drawing {
    pub(crate) px_from_squares: Matrix3<f64>,
    pub(crate) size_px: [u32; 2],
}

impl Drawing {
    /// The board's middle at `centre_px`, squares of about `square_px`, turned by `turn` radians clockwise in the picture,
    /// with perspective `(a, b)` per square.
    pub(crate) fn new(
        board: &Board,
        centre_px: [f64; 2],
        square_px: f64,
        turn: f64,
        perspective: [f64; 2],
        size_px: [u32; 2],
    ) -> Self {
        let [across, down] = board.inner_corners.map(|n| (n - 1) as f64 / 2.0);
        let to_middle = Matrix3::new(1.0, 0.0, -across, 0.0, 1.0, -down, 0.0, 0.0, 1.0);
        let (s, c) = turn.sin_cos();
        let turned = Matrix3::new(c, -s, 0.0, s, c, 0.0, perspective[0], perspective[1], 1.0);
        let to_px = Matrix3::new(square_px, 0.0, centre_px[0], 0.0, square_px, centre_px[1], 0.0, 0.0, 1.0);
        Self { px_from_squares: to_px * turned * to_middle, size_px }
    }

    /// Where the inner corners truly are, in the order of `Board::corners_m`.
    pub(crate) fn corners_px(&self, board: &Board) -> Vec<[f64; 2]> {
        let [across, down] = board.inner_corners;
        (0..down)
            .flat_map(|row| (0..across).map(move |column| Vector3::new(column as f64, row as f64, 1.0)))
            .map(|corner| {
                let p = self.px_from_squares * corner;
                [p.x / p.z, p.y / p.z]
            })
            .collect()
    }

    /// The picture: black squares 40, white 215, a white rim of one square, grey 120 around.
    pub(crate) fn render(&self, board: &Board) -> Vec<u8> {
        let squares_from_px = self.px_from_squares.try_inverse().unwrap();
        let [across, down] = board.inner_corners.map(|n| n as f64);
        let [width, height] = self.size_px.map(|side| side as usize);
        let columns = board.squares()[0];
        let mut cells = vec![None; columns * board.squares()[1]];
        for (marker, [column, row]) in marker_cells(board).unwrap().into_iter().zip(marker_squares(board)) {
            cells[row * columns + column] = Some(marker);
        }
        let share = board.markers.as_ref().map_or(0.0, |markers| markers.side_m / board.square_m);
        let marker_is_black = |u: f64, v: f64| {
            let [column, row] = [u, v].map(|place| (place.floor() + 1.0) as usize);
            let Some(cells) = &cells[row * columns + column] else { return false };
            let [column, row] = [u, v].map(|place| (place.rem_euclid(1.0) - (1.0 - share) / 2.0) / share);
            let side = cells.side as f64;
            (0.0..1.0).contains(&column)
                && (0.0..1.0).contains(&row)
                && cells.is_black((column * side) as usize, (row * side) as usize)
        };
        let value = |x: f64, y: f64| {
            let p = squares_from_px * Vector3::new(x, y, 1.0);
            let (u, v) = (p.x / p.z, p.y / p.z);
            if u < -2.0 || v < -2.0 || u > across + 1.0 || v > down + 1.0 {
                120.0
            } else if u < -1.0 || v < -1.0 || u > across || v > down {
                215.0
            } else if (u.floor() + v.floor()).rem_euclid(2.0) < 0.5 || marker_is_black(u, v) {
                40.0
            } else {
                215.0
            }
        };
        let offsets: Vec<f64> = (0..OVERSAMPLING).map(|i| (i as f64 + 0.5) / OVERSAMPLING as f64 - 0.5).collect();
        let mut pixels = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let mut sum = 0.0;
                for dy in &offsets {
                    for dx in &offsets {
                        sum += value(x as f64 + dx, y as f64 + dy);
                    }
                }
                pixels.push((sum / (OVERSAMPLING * OVERSAMPLING) as f64).round() as u8);
            }
        }
        pixels
    }
}

/// The picture after a Gaussian blur.
pub(crate) fn blurred(pixels: &[u8], [width, height]: [u32; 2], sigma_px: f64) -> Vec<u8> {
    if sigma_px <= 0.0 {
        return pixels.to_vec();
    }
    let sharp = Mat::new_rows_cols_with_data(height as i32, width as i32, pixels).unwrap();
    let mut blurred = Mat::default();
    gaussian_blur(&sharp, &mut blurred, Size::new(0, 0), sigma_px, sigma_px, BORDER_REPLICATE).unwrap();
    blurred.data_bytes().unwrap().to_vec()
}

/// The picture with noise of about that standard deviation in grey levels, the same in every run.
pub(crate) fn noisy(pixels: &[u8], sd: f64) -> Vec<u8> {
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut uniform = || {
        // Xorshift (Marsaglia 2003).
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    pixels
        .iter()
        .map(|&pixel| {
            // The sum of four uniform numbers has the variance 1/3.
            let normal = (uniform() + uniform() + uniform() + uniform() - 2.0) * 3f64.sqrt();
            (f64::from(pixel) + sd * normal).round().clamp(0.0, 255.0) as u8
        })
        .collect()
}
