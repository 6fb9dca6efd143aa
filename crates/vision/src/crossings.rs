//! Places where four squares meet, two black and two white.
//!
//! The detector of Bennett & Lasenby 2014, "ChESS: quick and robust detection of chess-board features": 16 samples on a
//! circle of 5 px; at a crossing of black and white squares opposite samples agree and samples a quarter turn away differ.

use crate::Grey;

const RADIUS: usize = 5;
/// The circle of 16 samples (columns, rows), in order.
const CIRCLE: [(isize, isize); 16] = [
    (0, -5),
    (2, -5),
    (3, -3),
    (5, -2),
    (5, 0),
    (5, 2),
    (3, 3),
    (2, 5),
    (0, 5),
    (-2, 5),
    (-3, 3),
    (-5, 2),
    (-5, 0),
    (-5, -2),
    (-3, -3),
    (-2, -5),
];
/// Response that counts, as a multiple of the picture's contrast (its 5th to 95th percentile), and the bounds of it. A sharp
/// crossing with a step of c grey levels responds with about 6 c. In the pictures of package `opencv-doc`, 640 px wide, half
/// of a board's 54 crossings respond with 740 or more.
const LEAST_OF_CONTRAST: f64 = 1.0;
const LEAST_RESPONSE: [f64; 2] = [50.0, 200.0];
/// Two crossings are more than this many pixels apart along an axis.
const APART: usize = 3;

/// A place that looks like a crossing of four squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Crossing {
    /// The pixel (column, row).
    pub(crate) px: [f64; 2],
    /// Angle of the line through the two white squares, from the x axis toward y, in (-π/2, π/2].
    pub(crate) white_axis_rad: f64,
    /// Step from black to white in grey levels, as far as the second harmonic of the circle tells.
    pub(crate) contrast: f64,
}

/// The crossings in a picture, row by row.
pub(crate) fn crossings(picture: &Grey) -> Vec<Crossing> {
    let [width, height] = picture.size_px.map(|side| side as usize);
    if width <= 2 * RADIUS || height <= 2 * RADIUS || width * height != picture.pixels.len() {
        return Vec::new();
    }
    let least = (LEAST_OF_CONTRAST * contrast(picture.pixels)).clamp(LEAST_RESPONSE[0], LEAST_RESPONSE[1]) as i16;
    let responses = responses(picture.pixels, width, height);
    let mut found = Vec::new();
    for row in RADIUS..height - RADIUS {
        let start = row * width;
        for (column, &value) in responses[start..start + width].iter().enumerate() {
            if value >= least && is_peak(&responses, width, start + column) {
                found.push(crossing(picture.pixels, width, column, row));
            }
        }
    }
    found
}

/// Difference of the 95th and 5th percentile of the grey values.
fn contrast(pixels: &[u8]) -> f64 {
    let mut counts = [0usize; 256];
    for &pixel in pixels {
        counts[usize::from(pixel)] += 1;
    }
    let percentile = |share: f64| {
        let mut below = share * pixels.len() as f64;
        let level = counts.iter().position(|&count| {
            below -= count as f64;
            below < 0.0
        });
        level.unwrap_or(255) as f64
    };
    percentile(0.95) - percentile(0.05)
}

/// The response at every pixel; 0 within [`RADIUS`] of the rim.
///
/// Every sum fits 16 bits, the largest being 16 × 5 grey values. They are written as wrapping so that builds with overflow
/// checks work on whole rows at a time as well: the search of a clip spends most of its time here.
fn responses(pixels: &[u8], width: usize, height: usize) -> Vec<i16> {
    let mut responses = vec![0; pixels.len()];
    let inner = width - 2 * RADIUS;
    for row in RADIUS..height - RADIUS {
        let start = row * width + RADIUS;
        let at = |(column, row): (isize, isize)| {
            let from = start.wrapping_add_signed(row * width as isize + column);
            &pixels[from..from + inner]
        };
        let circle = CIRCLE.map(at);
        let middle = [(0, 0), (-1, 0), (1, 0), (0, -1), (0, 1)].map(at);
        for (x, response) in responses[start..start + inner].iter_mut().enumerate() {
            *response = response_of(circle.map(|row| i16::from(row[x])), middle.map(|row| i16::from(row[x])));
        }
    }
    responses
}

#[inline(always)]
fn response_of(circle: [i16; 16], middle: [i16; 5]) -> i16 {
    let sum = |a: i16, b: i16| a.wrapping_add(b);
    let apart = |a: i16, b: i16| a.wrapping_sub(b).wrapping_abs();
    let mut crossing = 0;
    let mut edge = 0;
    let mut around = 0;
    for n in 0..4 {
        let [one, other] = [sum(circle[n], circle[n + 8]), sum(circle[n + 4], circle[n + 12])];
        crossing = sum(crossing, apart(one, other));
        around = sum(around, sum(one, other));
        edge = sum(edge, sum(apart(circle[n], circle[n + 8]), apart(circle[n + 4], circle[n + 12])));
    }
    // 16 × |mean of the middle - mean of the circle|: a line through the middle is not a crossing.
    let centre = middle.iter().fold(0, |total, &value| sum(total, value)).wrapping_mul(16) / 5;
    crossing.wrapping_sub(edge).wrapping_sub(apart(centre, around))
}

/// Whether no neighbour responds more, ties going to the first.
fn is_peak(responses: &[i16], width: usize, here: usize) -> bool {
    let value = responses[here];
    (here - APART * width..=here + APART * width).step_by(width).all(|row| {
        (row - APART..=row + APART)
            .all(|there| responses[there] < value || (responses[there] == value && there >= here))
    })
}

fn crossing(pixels: &[u8], width: usize, column: usize, row: usize) -> Crossing {
    let here = row * width + column;
    let (mut cosine, mut sine) = (0.0, 0.0);
    for (x, y) in CIRCLE {
        let value = f64::from(pixels[here.wrapping_add_signed(y * width as isize + x)]);
        // cos and sin of twice the angle.
        let (x, y) = (x as f64, y as f64);
        let squared = x * x + y * y;
        cosine += value * (x * x - y * y) / squared;
        sine += value * 2.0 * x * y / squared;
    }
    // The second harmonic of a square wave of step c is 2 c / π, and half of 16 samples' power is in its cosine.
    let contrast = cosine.hypot(sine) * std::f64::consts::PI / 16.0;
    Crossing { px: [column as f64, row as f64], white_axis_rad: sine.atan2(cosine) / 2.0, contrast }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::FRAC_PI_4;

    use super::*;

    fn found(value: impl Fn(usize, usize) -> bool) -> Vec<Crossing> {
        let pixels: Vec<u8> = (0..128 * 96).map(|i| if value(i % 128, i / 128) { 50 } else { 200 }).collect();
        crossings(&Grey { pixels: &pixels, size_px: [128, 96] })
    }

    #[test]
    fn crossings_are_counted_once_with_their_turn_and_step_and_edges_not_at_all() {
        // Squares of 16 px, the first crossing at column 15½: 7 × 5 crossings inside, all farther than the radius from the rim.
        let board = found(|x, y| (x / 16 + y / 16).is_multiple_of(2));
        assert_eq!(board.len(), 35);
        for crossing in &board {
            let [column, row] = crossing.px.map(|place| ((place + 0.5) / 16.0).round() as i32);
            // Top left of the first crossing is black.
            let wanted = if (column + row) % 2 == 0 { -FRAC_PI_4 } else { FRAC_PI_4 };
            assert!((crossing.white_axis_rad - wanted).abs() < 0.1, "{crossing:?}");
            assert!((crossing.contrast / 150.0 - 1.0).abs() < 0.1, "{crossing:?}");
        }
        assert_eq!(found(|x, _| (x / 16) % 2 == 0), []);
    }
}
