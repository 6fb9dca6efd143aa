//! How bright the frames of a clip are, by bands of the sensor's rows.

use std::path::Path;

use midline_session::footage::{Brightness, Footage};

use crate::{MediaError, Picture, PictureFormat, pictures};

/// The mean grey level of every frame in `bands` equal bands of the sensor's rows, in the order in which they are read. All
/// frames are decoded, one at a time.
///
/// # Errors
/// As for [`pictures`].
pub fn brightness(path: &Path, footage: &Footage, bands: usize) -> Result<Brightness, MediaError> {
    let mut found = Brightness { pts_seconds: Vec::new(), bands: Vec::new() };
    for picture in pictures(path, footage, PictureFormat::Gray, 1)? {
        let picture = picture?;
        found.pts_seconds.push(picture.pts_seconds);
        found.bands.push(levels(&picture, footage.quarter_turns_clockwise, bands.max(1)));
    }
    Ok(found)
}

/// The rows of a stored picture are columns of one turned by a quarter, and the first is the last after half a turn.
fn levels(picture: &Picture, quarter_turns_clockwise: u8, bands: usize) -> Vec<f32> {
    let [width, height] = picture.size_px.map(|v| v as usize);
    let sums = |of: usize, lines: &mut dyn Iterator<Item = (usize, u64, usize)>, backward: bool| -> Vec<f32> {
        let mut sums = vec![(0u64, 0usize); bands];
        for (line, sum, count) in lines {
            let line = if backward { of - 1 - line } else { line };
            if let Some(band) = sums.get_mut(line * bands / of) {
                *band = (band.0 + sum, band.1 + count);
            }
        }
        sums.into_iter().map(|(sum, count)| (sum as f64 / count.max(1) as f64) as f32).collect()
    };
    let rows = || picture.pixels.chunks_exact(width.max(1));
    match quarter_turns_clockwise % 4 {
        turns @ (0 | 2) => {
            let row = |(y, row): (usize, &[u8])| (y, row.iter().map(|v| u64::from(*v)).sum::<u64>(), row.len());
            sums(height, &mut rows().enumerate().map(row), turns == 2)
        }
        turns => {
            let mut columns = vec![0u64; width];
            for row in rows() {
                for (sum, value) in columns.iter_mut().zip(row) {
                    *sum += u64::from(*value);
                }
            }
            sums(width, &mut columns.iter().enumerate().map(|(x, sum)| (x, *sum, height)), turns == 1)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::Fixtures;
    use crate::inspect;

    #[test]
    fn bands_follow_the_sensors_rows_in_every_rotation() {
        let fixtures = Fixtures::new();
        // The third quarter of the stored rows is bright in frames 3 and 4.
        fixtures.make(
            "plain.mp4",
            "-f lavfi -i color=black:s=64x48:r=30:d=0.3 -vf drawbox=x=0:y=24:w=64:h=12:color=white:t=fill:enable='between(n,3,4)' \
             -pix_fmt yuv420p -c:v libx264 -qp 0",
        );
        for tag in [0, 90, 180, 270] {
            let name = format!("turned{tag}.mp4");
            let path = fixtures.make(&name, &format!("-i {{plain.mp4}} -c copy -metadata:s:v:0 rotate={tag}"));
            let found = brightness(&path, &inspect(&path).unwrap(), 4).unwrap();
            assert_eq!(found.bands.len(), 9);
            assert!((found.pts_seconds[3] - 0.1).abs() < 1e-9);
            for (frame, bands) in found.bands.iter().enumerate() {
                for (band, level) in bands.iter().enumerate() {
                    let bright = (3..=4).contains(&frame) && band == 2;
                    assert!(if bright { *level > 230.0 } else { *level < 20.0 }, "{tag}, frame {frame}: {bands:?}");
                }
            }
        }
    }
}
