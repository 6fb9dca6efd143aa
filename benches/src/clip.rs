//! Grey frames of a clip in which a checkerboard shows in some, before backgrounds that are hard on a board search.

use std::f64::consts::TAU;

use nalgebra::{Matrix3, Rotation3, Vector3};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

/// Width and height of a frame.
pub const FRAME_PX: [u32; 2] = [1920, 1080];
/// Inner corners of the board.
pub const CORNERS: [usize; 2] = [9, 6];
/// Focal length in pixels.
const FOCAL_PX: f64 = 1500.0;
/// Samples per pixel and axis where the board is drawn.
const OVERSAMPLING: usize = 4;

/// What is behind the board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Background {
    /// A plain wall, brighter to one side.
    Plain,
    /// A court with lines in perspective and a net across.
    Court,
    /// A wire fence before leaves.
    Fence,
    /// Leaves, light and dark at all sizes.
    Leaves,
    /// Bricks, each of its own tone.
    Bricks,
    /// Square tiles, each of its own tone: crossings on a square grid everywhere.
    Tiles,
}

impl Background {
    /// All of them.
    pub const ALL: [Self; 6] = [Self::Plain, Self::Court, Self::Fence, Self::Leaves, Self::Bricks, Self::Tiles];

    fn draw(self, seed: u64) -> Vec<f64> {
        let noise = Noise { seed };
        let [width, height] = FRAME_PX.map(|side| side as usize);
        let value = |x: f64, y: f64| match self {
            Self::Plain => 90.0 + 0.04 * x + 0.03 * y,
            Self::Court => court(&noise, x, y),
            Self::Fence => fence(&noise, x, y),
            Self::Leaves => leaves(&noise, x, y),
            Self::Bricks => bricks(&noise, x, y),
            Self::Tiles => {
                let (u, v) = (0.99 * x + 0.14 * y, 0.99 * y - 0.14 * x);
                let (column, row) = ((u / 34.0).floor(), (v / 34.0).floor());
                let grout = u.rem_euclid(34.0) < 1.5 || v.rem_euclid(34.0) < 1.5;
                if grout { 100.0 } else { 40.0 + 180.0 * noise.at(column, row) }
            }
        };
        (0..width * height).map(|i| value((i % width) as f64, (i / width) as f64)).collect()
    }
}

fn court(noise: &Noise, x: f64, y: f64) -> f64 {
    if y < 380.0 {
        return 0.5 * leaves(noise, x, y) + 30.0;
    }
    // Metres on the ground, seen from 2 m above it.
    let depth = 2.0 * FOCAL_PX / (y - 330.0);
    let across = (x - 960.0) / FOCAL_PX * depth;
    let line = |at: f64, place: f64| (place - at).abs() < 0.025;
    let lines = [-5.5, -4.1, 0.0, 4.1, 5.5].iter().any(|&at| line(at, across))
        || [4.0, 10.4, 16.8, 22.0, 28.0].iter().any(|&at| line(at, depth));
    let net = (440.0..560.0).contains(&y) && (x.rem_euclid(11.0) < 2.0 || y.rem_euclid(11.0) < 2.0);
    match (net, lines) {
        (true, _) => 35.0,
        (_, true) => 225.0,
        _ => 105.0 + 20.0 * noise.smooth(x / 3.0, y / 3.0),
    }
}

fn fence(noise: &Noise, x: f64, y: f64) -> f64 {
    // Wires sag a little, so that no two meshes are alike.
    let (x, y) = (x + 5.0 * noise.smooth(x / 90.0, y / 90.0), y + 5.0 * noise.smooth(y / 90.0, x / 90.0));
    let wire = |place: f64| place.rem_euclid(26.0) < 3.2;
    if wire(x + y) || wire(x - y) { 30.0 } else { 0.4 * leaves(noise, x, y) + 110.0 }
}

fn leaves(noise: &Noise, x: f64, y: f64) -> f64 {
    let octaves = [(64.0, 0.25), (24.0, 0.3), (10.0, 0.3), (5.0, 0.15)];
    let sum: f64 = octaves.iter().map(|(size, share)| share * noise.smooth(x / size, y / size)).sum();
    // Light falls through or does not.
    120.0 + 95.0 * (18.0 * (sum - 0.5)).tanh()
}

fn bricks(noise: &Noise, x: f64, y: f64) -> f64 {
    let row = (y / 24.0).floor();
    let along = x + 33.0 * row.rem_euclid(2.0);
    let mortar = along.rem_euclid(66.0) < 4.0 || y.rem_euclid(24.0) < 4.0;
    let tone = if mortar { 190.0 } else { 60.0 + 70.0 * noise.at((along / 66.0).floor(), row) };
    tone + 15.0 * noise.smooth(x / 2.5, y / 2.5)
}

/// Numbers in [0, 1) that belong to places.
struct Noise {
    seed: u64,
}

impl Noise {
    fn at(&self, column: f64, row: f64) -> f64 {
        let place = (column as i64 as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (row as i64 as u64).rotate_left(32);
        // The finishing steps of SplitMix64 (Steele, Lea & Flood 2014).
        let mut state = place ^ self.seed.wrapping_mul(0xd134_2543_de82_ef95);
        state = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        state = (state ^ (state >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((state ^ (state >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Interpolated between whole places.
    fn smooth(&self, x: f64, y: f64) -> f64 {
        let (column, row) = (x.floor(), y.floor());
        let [u, v] = [x - column, y - row].map(|t| t * t * (3.0 - 2.0 * t));
        let upper = self.at(column, row) * (1.0 - u) + self.at(column + 1.0, row) * u;
        let lower = self.at(column, row + 1.0) * (1.0 - u) + self.at(column + 1.0, row + 1.0) * u;
        upper * (1.0 - v) + lower * v
    }
}

/// A frame, and whether a board shows in it.
pub struct Frame {
    /// Rows top to bottom, [`FRAME_PX`].
    pub pixels: Vec<u8>,
    /// Where its inner corners truly are, row by row, if a board shows.
    pub board_px: Option<Vec<[f64; 2]>>,
}

/// Frames of a clip before one background; a whole board shows in every tenth, each time elsewhere, larger or smaller, tilted
/// up to 50°. There is no noise of a sensor: with 2 grey levels of it OpenCV's search takes more than a minute for one frame.
#[must_use]
pub fn frames(background: Background, count: usize, seed: u64) -> Vec<Frame> {
    let mut random = StdRng::seed_from_u64(seed);
    (0..count)
        .map(|index| {
            let mut picture = background.draw(seed * 1000 + index as u64);
            let board = (index % 10 == 5).then(|| pose(&mut random));
            if let Some(px_from_squares) = &board {
                draw_board(&mut picture, px_from_squares);
            }
            let pixels = picture.into_iter().map(|value| value.round().clamp(0.0, 255.0) as u8);
            Frame { pixels: pixels.collect(), board_px: board.as_ref().map(corners_px) }
        })
        .collect()
}

/// Takes places on the board, in squares from the first inner corner, to pixels; the board is wholly inside the picture.
fn pose(random: &mut StdRng) -> Matrix3<f64> {
    let [width, height] = FRAME_PX.map(f64::from);
    loop {
        let between = |random: &mut StdRng, a: f64, b: f64| a + (b - a) * random.random::<f64>();
        let square_px = between(random, 22.0, 75.0);
        let depth = FOCAL_PX / square_px;
        let tilt_axis = between(random, 0.0, TAU);
        let axis = Vector3::new(tilt_axis.cos(), tilt_axis.sin(), 0.0);
        let rotation = Rotation3::new(axis * between(random, 0.0, 50f64.to_radians()))
            * Rotation3::new(Vector3::z() * between(random, -0.6, 0.6));
        let centre = [between(random, 0.0, width), between(random, 0.0, height)];
        let middle = Vector3::new(
            (centre[0] - width / 2.0) / FOCAL_PX * depth,
            (centre[1] - height / 2.0) / FOCAL_PX * depth,
            depth,
        );
        let [x, y] = CORNERS.map(|n| (n - 1) as f64 / 2.0);
        let origin = middle - rotation * Vector3::new(x, y, 0.0);
        let camera = Matrix3::new(FOCAL_PX, 0.0, width / 2.0, 0.0, FOCAL_PX, height / 2.0, 0.0, 0.0, 1.0);
        let axes = rotation.matrix();
        let px_from_squares = camera * Matrix3::from_columns(&[axes.column(0).into(), axes.column(1).into(), origin]);
        let inside = rim(&px_from_squares)
            .iter()
            .all(|p| p[0] > 10.0 && p[1] > 10.0 && p[0] < width - 10.0 && p[1] < height - 10.0);
        if inside {
            return px_from_squares;
        }
    }
}

/// The corners of the white rim around the board.
fn rim(px_from_squares: &Matrix3<f64>) -> [[f64; 2]; 4] {
    let [right, bottom] = CORNERS.map(|n| n as f64 + 1.0);
    [[-2.0, -2.0], [right, -2.0], [-2.0, bottom], [right, bottom]].map(|place| mapped(px_from_squares, place))
}

fn mapped(map: &Matrix3<f64>, [x, y]: [f64; 2]) -> [f64; 2] {
    let p = map * Vector3::new(x, y, 1.0);
    [p.x / p.z, p.y / p.z]
}

fn corners_px(px_from_squares: &Matrix3<f64>) -> Vec<[f64; 2]> {
    let [across, down] = CORNERS;
    (0..across * down).map(|i| mapped(px_from_squares, [(i % across) as f64, (i / across) as f64])).collect()
}

fn draw_board(picture: &mut [f64], px_from_squares: &Matrix3<f64>) {
    let Some(squares_from_px) = px_from_squares.try_inverse() else { return };
    let [across, down] = CORNERS.map(|n| n as f64);
    let rim = rim(px_from_squares);
    let bound = |axis: usize| {
        let places = rim.iter().map(|p| p[axis]);
        let (least, most) = places.fold((f64::INFINITY, 0.0), |(a, b), p| (f64::min(a, p), f64::max(b, p)));
        least as usize..most as usize + 2
    };
    let tone = |[u, v]: [f64; 2]| match (u, v) {
        _ if u < -2.0 || v < -2.0 || u > across + 1.0 || v > down + 1.0 => None,
        _ if u < -1.0 || v < -1.0 || u > across || v > down => Some(205.0),
        _ if (u.floor() + v.floor()).rem_euclid(2.0) < 0.5 => Some(45.0),
        _ => Some(205.0),
    };
    for row in bound(1) {
        for column in bound(0) {
            let behind = &mut picture[row * FRAME_PX[0] as usize + column];
            let mut sum = 0.0;
            for sample in 0..OVERSAMPLING * OVERSAMPLING {
                let offset = |n: usize| (n as f64 + 0.5) / OVERSAMPLING as f64 - 0.5;
                let place = [column as f64 + offset(sample % OVERSAMPLING), row as f64 + offset(sample / OVERSAMPLING)];
                sum += tone(mapped(&squares_from_px, place)).unwrap_or(*behind);
            }
            *behind = sum / (OVERSAMPLING * OVERSAMPLING) as f64;
        }
    }
}
