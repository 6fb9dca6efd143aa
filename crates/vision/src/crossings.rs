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
/// Response that counts, as a multiple of the picture's contrast (its 5th to 95th percentile), and the bounds of it. A sharp
/// crossing with a step of c grey levels responds with about 6 c. In the pictures of package `opencv-doc`, 640 px wide, half
/// of a board's 54 crossings respond with 740 or more; of 12 pictures without a board, the 27th strongest place stays below
/// 250 in all but a circuit board (420) and a mural (310).
const LEAST_OF_CONTRAST: f64 = 1.5;
const LEAST_RESPONSE: [f64; 2] = [60.0, 250.0];
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
fn count_crossings(pixels: &[u8], width: usize, enough: usize) -> usize {
    let least = (LEAST_OF_CONTRAST * contrast(pixels)).clamp(LEAST_RESPONSE[0], LEAST_RESPONSE[1]) as i32;
    let height = pixels.len() / width;
    if width <= 2 * RADIUS || height <= 2 * RADIUS {
        return 0;
    }
    let offsets = CIRCLE.map(|(column, row)| row * width as isize + column);
    let mut responses = vec![0; pixels.len()];
    for row in RADIUS..height - RADIUS {
        for column in RADIUS..width - RADIUS {
            let here = row * width + column;
            responses[here] = response(pixels, width, here, &offsets, least);
        }
    }
    let mut count = 0;
    for row in RADIUS..height - RADIUS {
        for column in RADIUS..width - RADIUS {
            let here = row * width + column;
            if responses[here] >= least && is_peak(&responses, width, here) {
                count += 1;
                if count >= enough {
                    return count;
                }
            }
        }
    }
    count
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

/// The response where it can reach `least`, else something below that.
fn response(pixels: &[u8], width: usize, here: usize, offsets: &[isize; 16], least: i32) -> i32 {
    let sample = offsets.map(|offset| i32::from(pixels[here.wrapping_add_signed(offset)]));
    let crossing: i32 = (0..4).map(|n| (sample[n] + sample[n + 8] - sample[n + 4] - sample[n + 12]).abs()).sum();
    // Most pixels end here.
    if crossing < least {
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
        (row - APART..=row + APART)
            .all(|there| responses[there] < value || (responses[there] == value && there >= here))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crossings_are_counted_once_and_edges_and_lines_not_at_all() {
        // Squares of 16 px, the first crossing at column 15½: 7 × 5 crossings inside, all farther than the radius from the rim.
        let at = |x: usize, y: usize| if (x / 16 + y / 16).is_multiple_of(2) { 50 } else { 200 };
        let board: Vec<u8> = (0..128 * 96).map(|i| at(i % 128, i / 128)).collect();
        assert_eq!(count_crossings(&board, 128, usize::MAX), 35);
        assert_eq!(count_crossings(&board, 128, 10), 10);
        let stripes: Vec<u8> = (0..128 * 96).map(|i| if (i % 128 / 16) % 2 == 0 { 50 } else { 200 }).collect();
        assert_eq!(count_crossings(&stripes, 128, usize::MAX), 0);
        let lines: Vec<u8> =
            (0..128 * 96).map(|i| if i % 128 % 30 < 2 || i / 128 % 30 < 2 { 50 } else { 200 }).collect();
        assert_eq!(count_crossings(&lines, 128, usize::MAX), 0);
    }
}
