//! Turning a stored picture into display orientation.

/// Width and height after clockwise quarter turns.
pub(crate) fn turned_size(size_px: [u32; 2], quarter_turns_clockwise: u8) -> [u32; 2] {
    let [width, height] = size_px;
    if quarter_turns_clockwise.is_multiple_of(2) { [width, height] } else { [height, width] }
}

/// Pixels on a side of the tiles in which a picture is turned, so that both pictures stay in the processor's cache.
const TILE: usize = 32;

/// The picture turned clockwise by quarter turns; `pixels` holds `width × height × channels` bytes, rows top to bottom.
pub(crate) fn turned(pixels: Vec<u8>, size_px: [u32; 2], channels: usize, quarter_turns_clockwise: u8) -> Vec<u8> {
    let [width, height] = size_px.map(|v| v as usize);
    let turns = quarter_turns_clockwise % 4;
    if turns == 0 || pixels.len() != width * height * channels {
        return pixels;
    }
    let mut out = vec![0; pixels.len()];
    for (tile_y, tile_x) in tiles(width, height) {
        for y in tile_y..(tile_y + TILE).min(height) {
            for x in tile_x..(tile_x + TILE).min(width) {
                let target = match turns {
                    1 => x * height + (height - 1 - y),
                    2 => (height - 1 - y) * width + (width - 1 - x),
                    _ => (width - 1 - x) * height + y,
                } * channels;
                let source = (y * width + x) * channels;
                out[target..target + channels].copy_from_slice(&pixels[source..source + channels]);
            }
        }
    }
    out
}

fn tiles(width: usize, height: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..height).step_by(TILE).flat_map(move |y| (0..width).step_by(TILE).map(move |x| (y, x)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clockwise_quarter_turn_takes_the_left_column_to_the_top_row() {
        // 1 2 3      4 1
        // 4 5 6  ->  5 2
        //            6 3
        let picture = vec![1, 2, 3, 4, 5, 6];
        assert_eq!(turned(picture.clone(), [3, 2], 1, 1), [4, 1, 5, 2, 6, 3]);
        assert_eq!(turned(picture.clone(), [3, 2], 1, 2), [6, 5, 4, 3, 2, 1]);
        assert_eq!(turned(picture, [3, 2], 1, 3), [3, 6, 2, 5, 1, 4]);
    }

    #[test]
    fn four_quarter_turns_lead_back_over_tile_borders() {
        let size = [70, 45];
        let picture: Vec<u8> = (0..70 * 45 * 3).map(|i| (i % 251) as u8).collect();
        let mut turned_picture = picture.clone();
        for turn in 0..4 {
            turned_picture = turned(turned_picture, turned_size(size, turn), 3, 1);
        }
        assert_eq!(turned_picture, picture);
    }
}
