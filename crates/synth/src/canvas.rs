//! A picture in the encoder's own form (planar Y'CbCr 4:2:0, limited range) and the few shapes that are drawn on it.

use nalgebra::Vector2;

/// A colour as Y', Cb, Cr of ITU-R BT.709 in limited range (luma 16 to 235).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Colour([f32; 3]);

impl Colour {
    /// From gamma-encoded red, green and blue of 0 to 255 (ITU-R BT.709, Kr = 0.2126, Kb = 0.0722).
    pub(crate) fn rgb(red: f32, green: f32, blue: f32) -> Self {
        let [r, g, b] = [red / 255.0, green / 255.0, blue / 255.0];
        let luma = 0.2126 * r + 0.7152 * g + 0.0722 * b;
        Self([16.0 + 219.0 * luma, 128.0 + 224.0 * (b - luma) / 1.8556, 128.0 + 224.0 * (r - luma) / 1.5748])
    }
}

/// A rounded stroke between two pixels whose radius changes along it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Capsule {
    pub(crate) ends: [Vector2<f64>; 2],
    pub(crate) radii: [f64; 2],
}

/// One picture.
#[derive(Debug, Clone)]
pub(crate) struct Canvas {
    size: [usize; 2],
    /// Luma plane, then Cb, then Cr at half size.
    planes: Vec<u8>,
    /// Scratch: coverage of one exposure and of all.
    single: Vec<f32>,
    coverage: Vec<f32>,
}

/// A rectangle of whole 2 × 2 blocks: `[left, top, right, bottom)`.
type Block = [usize; 4];

impl Canvas {
    /// A black picture of even width and height.
    pub(crate) fn new(width: usize, height: usize) -> Self {
        let mut planes = vec![16; width * height];
        planes.resize(width * height * 3 / 2, 128);
        Self { size: [width, height], planes, single: Vec::new(), coverage: Vec::new() }
    }

    /// The planes as the encoder wants them.
    pub(crate) fn planes(&self) -> &[u8] {
        &self.planes
    }

    /// Takes over the pixels of a picture of the same size.
    pub(crate) fn copy_from(&mut self, other: &Self) {
        self.planes.copy_from_slice(&other.planes);
    }

    pub(crate) fn size(&self) -> [usize; 2] {
        self.size
    }

    /// Sets the luma of a pixel and leaves its colour grey.
    pub(crate) fn set_grey(&mut self, x: usize, y: usize, luma: u8) {
        let [width, height] = self.size;
        self.planes[y * width + x] = luma;
        let half = (y / 2) * (width / 2) + x / 2;
        let quarter = width * height / 4;
        self.planes[width * height + half] = 128;
        self.planes[width * height + quarter + half] = 128;
    }

    pub(crate) fn luma(&self, x: usize, y: usize) -> u8 {
        self.planes[y * self.size[0] + x]
    }

    /// Fills the picture from red, green and blue (0 to 255) per pixel, rows top to bottom.
    pub(crate) fn fill_from_rgb(&mut self, pixels: &[[f32; 3]]) {
        let [width, height] = self.size;
        let plane = width * height;
        let colour = |index: usize| Colour::rgb(pixels[index][0], pixels[index][1], pixels[index][2]).0;
        for index in 0..plane {
            self.planes[index] = colour(index)[0].round() as u8;
        }
        for y in 0..height / 2 {
            for x in 0..width / 2 {
                let corner = 2 * y * width + 2 * x;
                let four = [corner, corner + 1, corner + width, corner + width + 1].map(colour);
                for channel in 1..3 {
                    let mean = four.iter().map(|c| c[channel]).sum::<f32>() / 4.0;
                    self.planes[plane + (channel - 1) * plane / 4 + y * width / 2 + x] = mean.round() as u8;
                }
            }
        }
    }

    /// Paints the union of strokes, averaged over exposures (motion blur).
    ///
    /// `exposures` holds the strokes of each moment; `soft_px` is the width of the edge's ramp (1 for a sharp edge).
    pub(crate) fn paint(&mut self, exposures: &[Vec<Capsule>], colour: Colour, opacity: f32, soft_px: f64) {
        let all = exposures.iter().flatten();
        let Some(block) = self.block_around(all, soft_px) else { return };
        let (width, height) = (block[2] - block[0], block[3] - block[1]);
        self.coverage.clear();
        self.coverage.resize(width * height, 0.0);
        let share = opacity / exposures.len() as f32;
        for capsules in exposures {
            let Some(part) = self.block_around(capsules.iter(), soft_px) else { continue };
            self.single.clear();
            self.single.resize(width * height, 0.0);
            for capsule in capsules {
                let Some(own) = self.block_around(std::iter::once(capsule), soft_px) else { continue };
                cover(&mut self.single, block, own, capsule, soft_px);
            }
            for y in part[1]..part[3] {
                let row = (y - block[1]) * width;
                for x in part[0] - block[0]..part[2] - block[0] {
                    self.coverage[row + x] += share * self.single[row + x];
                }
            }
        }
        self.blend(block, colour);
    }

    fn block_around<'a>(&self, capsules: impl Iterator<Item = &'a Capsule>, soft_px: f64) -> Option<Block> {
        let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
        for capsule in capsules {
            for (end, radius) in capsule.ends.iter().zip(capsule.radii) {
                let reach = radius + soft_px + 1.0;
                bounds = [
                    bounds[0].min(end.x - reach),
                    bounds[1].min(end.y - reach),
                    bounds[2].max(end.x + reach),
                    bounds[3].max(end.y + reach),
                ];
            }
        }
        let clip = |v: f64, limit: usize| v.clamp(0.0, limit as f64) as usize;
        let [width, height] = self.size;
        let block = [
            clip(bounds[0], width) / 2 * 2,
            clip(bounds[1], height) / 2 * 2,
            clip(bounds[2].ceil(), width).next_multiple_of(2),
            clip(bounds[3].ceil(), height).next_multiple_of(2),
        ];
        (block[0] < block[2] && block[1] < block[3]).then_some(block)
    }

    fn blend(&mut self, block: Block, colour: Colour) {
        let [width, height] = self.size;
        let plane = width * height;
        let columns = block[2] - block[0];
        let mix = |old: &mut u8, new: f32, share: f32| {
            *old = (f32::from(*old) + (new - f32::from(*old)) * share).round() as u8
        };
        for y in (block[1]..block[3]).step_by(2) {
            for x in (block[0]..block[2]).step_by(2) {
                let at = (y - block[1]) * columns + x - block[0];
                let four = [
                    self.coverage[at],
                    self.coverage[at + 1],
                    self.coverage[at + columns],
                    self.coverage[at + columns + 1],
                ];
                let sum: f32 = four.iter().sum();
                if sum <= 0.0 {
                    continue;
                }
                let corner = y * width + x;
                for (offset, share) in [0, 1, width, width + 1].into_iter().zip(four) {
                    mix(&mut self.planes[corner + offset], colour.0[0], share);
                }
                let half = y / 2 * (width / 2) + x / 2;
                mix(&mut self.planes[plane + half], colour.0[1], sum / 4.0);
                mix(&mut self.planes[plane + plane / 4 + half], colour.0[2], sum / 4.0);
            }
        }
    }
}

/// Raises the coverage to that of a capsule, by its distance function.
fn cover(coverage: &mut [f32], block: Block, own: Block, capsule: &Capsule, soft_px: f64) {
    let columns = block[2] - block[0];
    let [a, b] = capsule.ends;
    let line = b - a;
    let (length2, thicker) = (line.norm_squared(), capsule.radii[1] - capsule.radii[0]);
    for y in own[1].max(block[1])..own[3].min(block[3]) {
        for x in own[0].max(block[0])..own[2].min(block[2]) {
            let from = Vector2::new(x as f64, y as f64) - a;
            let along = if length2 > 1e-12 { (from.dot(&line) / length2).clamp(0.0, 1.0) } else { 0.0 };
            let outside = (from - line * along).norm() - (capsule.radii[0] + thicker * along);
            let share = (0.5 - outside / soft_px).clamp(0.0, 1.0) as f32;
            let slot = &mut coverage[(y - block[1]) * columns + x - block[0]];
            *slot = slot.max(share);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_are_those_of_bt_709_in_limited_range() {
        // White, black and pure red of BT.709, 8 bit (values from memory of the standard's colour bars).
        assert_eq!(Colour::rgb(255.0, 255.0, 255.0).0.map(f32::round), [235.0, 128.0, 128.0]);
        assert_eq!(Colour::rgb(0.0, 0.0, 0.0).0.map(f32::round), [16.0, 128.0, 128.0]);
        assert_eq!(Colour::rgb(255.0, 0.0, 0.0).0.map(f32::round), [63.0, 102.0, 240.0]);
    }

    #[test]
    fn a_disc_covers_its_area_wherever_it_lies_and_clips_at_the_border() {
        for centre in [Vector2::new(20.3, 17.8), Vector2::new(31.0, 31.0)] {
            let mut canvas = Canvas::new(64, 64);
            let disc = Capsule { ends: [centre, centre], radii: [6.0, 6.0] };
            canvas.paint(&[vec![disc]], Colour::rgb(255.0, 255.0, 255.0), 1.0, 1.0);
            let area: f64 = canvas.planes()[..64 * 64].iter().map(|v| (f64::from(*v) - 16.0) / 219.0).sum();
            assert!((area - std::f64::consts::PI * 36.0).abs() < 1.0, "{area}");
        }
        let mut canvas = Canvas::new(64, 64);
        let outside = Capsule { ends: [Vector2::new(-50.0, 3.0), Vector2::new(2.0, 900.0)], radii: [4.0, 9.0] };
        canvas.paint(&[vec![outside]], Colour::rgb(255.0, 255.0, 255.0), 1.0, 1.0);
    }
}
