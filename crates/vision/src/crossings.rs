//! A cheap look at whether a picture can contain a checkerboard at all.
//!
//! The detector of Bennett & Lasenby 2014, "ChESS: quick and robust detection of chess-board features": 16 samples on a
//! circle of 5 px; at a crossing of black and white squares opposite samples agree and samples a quarter turn away differ.

use opencv::core::Mat;
use opencv::prelude::*;

use crate::VisionError;

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
/// Response that counts; a sharp crossing with a step of c grey levels responds with about 6 c.
const LEAST_RESPONSE: i32 = 60;
/// Two crossings are at least this many pixels apart along an axis.
const APART: usize = 3;

/// Whether a grey picture has at least `wanted` places that look like crossings of four squares.
pub(crate) fn has_crossings(picture: &Mat, wanted: usize) -> Result<bool, VisionError> {
    let reading = || VisionError::opencv("reading a reduced picture");
    let size = picture.size().map_err(reading())?;
    let pixels = picture.data_bytes().map_err(reading())?;
    let width = usize::try_from(size.width).unwrap_or(0);
    Ok(width > 0 && count_crossings(pixels, width, wanted) >= wanted)
}

/// The number of crossings, counted no further than `enough`.
pub(crate) fn count_crossings(pixels: &[u8], width: usize, enough: usize) -> usize {
    let height = pixels.len() / width;
    if width <= 2 * RADIUS || height <= 2 * RADIUS {
        return 0;
    }
    let offsets = CIRCLE.map(|(column, row)| row * width as isize + column);
    let mut responses = vec![0; pixels.len()];
    for row in RADIUS..height - RADIUS {
        for column in RADIUS..width - RADIUS {
            let here = row * width + column;
            responses[here] = response(pixels, width, here, &offsets);
        }
    }
    let mut count = 0;
    let mut all = Vec::new();
    for row in RADIUS..height - RADIUS {
        for column in RADIUS..width - RADIUS {
            let here = row * width + column;
            if responses[here] >= LEAST_RESPONSE && is_peak(&responses, width, here) {
                count += 1;
                all.push(responses[here]);
                if count >= enough {
                    return count;
                }
            }
        }
    }
    all.sort();
    all.reverse();
    println!("   {width} kth {:?}", [10, 27, 54, 80].map(|k| all.get(k - 1).copied()));
    count
}

fn response(pixels: &[u8], width: usize, here: usize, offsets: &[isize; 16]) -> i32 {
    let sample = offsets.map(|offset| i32::from(pixels[here.wrapping_add_signed(offset)]));
    let crossing: i32 =
        (0..4).map(|n| (sample[n] + sample[n + 8] - sample[n + 4] - sample[n + 12]).abs()).sum();
    // Most pixels end here.
    if crossing < LEAST_RESPONSE {
        return 0;
    }
    let edge: i32 = (0..8).map(|n| (sample[n] - sample[n + 8]).abs()).sum();
    let around: i32 = sample.iter().sum();
    let middle: i32 =
        [here, here - 1, here + 1, here - width, here + width].iter().map(|&i| i32::from(pixels[i])).sum();
    // 16 × |mean of the middle - mean of the circle|: a line through the middle is not a crossing.
    crossing - edge - (16 * middle / 5 - around).abs()
}

/// Whether no neighbour responds more, ties going to the first.
fn is_peak(responses: &[i32], width: usize, here: usize) -> bool {
    let value = responses[here];
    (here - APART * width..=here + APART * width).step_by(width).all(|row| {
        (row - APART..=row + APART).all(|there| responses[there] < value || (responses[there] == value && there >= here))
    })
}
