//! Boards drawn through a known homography, for tests.

use midline_session::board::Board;
use nalgebra::{Matrix3, Vector3};

/// Samples per pixel and axis.
const OVERSAMPLING: usize = 8;

pub(crate) fn board(across: usize, down: usize) -> Board {
    Board { name: "test".to_owned(), inner_corners: [across, down], square_m: 0.03, markers: None }
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
        let value = |x: f64, y: f64| {
            let p = squares_from_px * Vector3::new(x, y, 1.0);
            let (u, v) = (p.x / p.z, p.y / p.z);
            if u < -2.0 || v < -2.0 || u > across + 1.0 || v > down + 1.0 {
                120.0
            } else if u < -1.0 || v < -1.0 || u > across || v > down {
                215.0
            } else if (u.floor() + v.floor()).rem_euclid(2.0) < 0.5 {
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
