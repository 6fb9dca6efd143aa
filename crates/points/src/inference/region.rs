//! Which part of a picture a network sees, and the picture of that part.

use midline_media::Picture;

use super::manifest::{Anchor, Colours, Crop, Input, Layout};

/// Finest averaging: sub-steps per input pixel and axis.
const MOST_SUBSTEPS: usize = 8;

/// A rectangle of the picture that lies on a network's input edge to edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Region {
    /// Left and top edge in the picture, px from the centre of the top-left pixel.
    corner: [f64; 2],
    /// Picture pixels per input pixel.
    step: f64,
}

/// Left, top, right and bottom of a box, px from the centre of the top-left pixel.
pub(crate) type BoxPx = [f64; 4];

impl Region {
    /// The whole picture.
    pub(crate) fn whole(size_px: [u32; 2], input: &Input) -> Self {
        let [width, height] = size_px.map(f64::from);
        let (across, down) = (input.width as f64, input.height as f64);
        let step = (width / across).max(height / down);
        let corner = match input.anchor {
            Anchor::Centre => [0.5 * (width - across * step) - 0.5, 0.5 * (height - down * step) - 0.5],
            Anchor::Corner => [-0.5, -0.5],
        };
        Self { corner, step }
    }

    /// A box, enlarged by the padding and to the input's shape about its middle.
    pub(crate) fn around(around: BoxPx, input: &Input) -> Self {
        let [left, top, right, bottom] = around;
        let (across, down) = (input.width as f64, input.height as f64);
        let step = ((right - left) / across).max((bottom - top) / down).max(1e-3) * input.box_padding;
        let middle = [0.5 * (left + right), 0.5 * (top + bottom)];
        Self { corner: [middle[0] - 0.5 * across * step, middle[1] - 0.5 * down * step], step }
    }

    /// The region that a model sees of a picture in which the player's box is known, or not.
    pub(crate) fn of(input: &Input, size_px: [u32; 2], player: Option<BoxPx>) -> Self {
        match (input.crop, player) {
            (Crop::Box, Some(player)) => Self::around(player, input),
            _ => Self::whole(size_px, input),
        }
    }

    /// Picture pixel of an input pixel; centres at integers in both.
    pub(crate) fn picture_from_input(&self, input: [f64; 2]) -> [f64; 2] {
        [0, 1].map(|axis| self.corner[axis] + (input[axis] + 0.5) * self.step)
    }

    /// The numbers that the network gets, in the order of its layout.
    pub(crate) fn numbers(&self, picture: &Picture, input: &Input) -> Vec<f32> {
        let channels = input.colours.channels();
        let area = input.width * input.height;
        let mut numbers = vec![0.0; area * channels];
        let substeps = (self.step.ceil() as usize).clamp(1, MOST_SUBSTEPS);
        let offsets: Vec<f64> = (0..substeps).map(|i| ((i as f64 + 0.5) / substeps as f64 - 0.5) * self.step).collect();
        let value = |list: &[f32], channel: usize| list.get(channel).or(list.first()).copied();
        let mean: Vec<f32> = (0..channels).map(|c| value(&input.mean, c).unwrap_or(0.0)).collect();
        let scale: Vec<f32> = (0..channels).map(|c| 1.0 / value(&input.std, c).unwrap_or(1.0)).collect();
        for v in 0..input.height {
            for u in 0..input.width {
                let [x, y] = self.picture_from_input([u as f64, v as f64]);
                let mut sum = [0.0_f32; 3];
                for dy in &offsets {
                    for dx in &offsets {
                        let seen = bilinear(picture, x + dx, y + dy, input.fill);
                        for (sum, seen) in sum.iter_mut().zip(seen) {
                            *sum += seen;
                        }
                    }
                }
                let [red, green, blue] = sum.map(|s| s / (substeps * substeps) as f32);
                let colours = match input.colours {
                    Colours::Rgb => [red, green, blue],
                    Colours::Bgr => [blue, green, red],
                    Colours::Grey => [0.299 * red + 0.587 * green + 0.114 * blue, 0.0, 0.0],
                };
                let at = v * input.width + u;
                for channel in 0..channels {
                    let index = match input.layout {
                        Layout::Nchw => channel * area + at,
                        Layout::Nhwc => at * channels + channel,
                    };
                    numbers[index] = (colours[channel] - mean[channel]) * scale[channel];
                }
            }
        }
        numbers
    }
}

/// Colour between pixels; `fill` beyond the picture's edge.
fn bilinear(picture: &Picture, x: f64, y: f64, fill: f32) -> [f32; 3] {
    let [width, height] = picture.size_px.map(|side| side as usize);
    let inside = |at: f64, side: usize| (-0.5..side as f64 - 0.5).contains(&at);
    if !inside(x, width) || !inside(y, height) {
        return [fill; 3];
    }
    let split = |at: f64, side: usize| {
        let at = at.clamp(0.0, side as f64 - 1.0);
        let low = (at.floor() as usize).min(side.saturating_sub(2));
        (low, (low + 1).min(side - 1), (at - low as f64) as f32)
    };
    let ((x0, x1, fx), (y0, y1, fy)) = (split(x, width), split(y, height));
    let channels = picture.format.channels();
    let at = |x: usize, y: usize, c: usize| {
        picture.pixels.get((y * width + x) * channels + c.min(channels - 1)).map_or(fill, |b| f32::from(*b))
    };
    [0, 1, 2].map(|c| {
        let top = at(x0, y0, c) + (at(x1, y0, c) - at(x0, y0, c)) * fx;
        let bottom = at(x0, y1, c) + (at(x1, y1, c) - at(x0, y1, c)) * fx;
        top + (bottom - top) * fy
    })
}

#[cfg(test)]
mod tests {
    use midline_media::PictureFormat;

    use super::*;
    use crate::inference::Manifest;
    use crate::inference::manifest::tests::GOOD;

    fn input(width: usize, height: usize) -> Input {
        let manifest: Manifest = toml::from_str(GOOD).unwrap();
        Input { width, height, mean: vec![0.0], std: vec![1.0], ..manifest.input }
    }

    fn picture(width: u32, height: u32, at: impl Fn(u32, u32) -> [u8; 3]) -> Picture {
        let pixels = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).flat_map(|(x, y)| at(x, y)).collect();
        let size_px = [width, height];
        Picture { frame_index: 0, pts_seconds: 0.0, size_px, format: PictureFormat::Rgb, pixels }
    }

    #[test]
    fn a_letterbox_lies_edge_to_edge() {
        // 200 x 100 px into 50 x 50: steps of 4 px, and a quarter of the height free above and below.
        let region = Region::whole([200, 100], &input(50, 50));
        assert_eq!(region.step, 4.0);
        assert_eq!(region.picture_from_input([-0.5, 12.0]), [-0.5, -0.5]);
        assert_eq!(region.picture_from_input([49.5, 37.0]), [199.5, 99.5]);
        let corner = Input { anchor: Anchor::Corner, ..input(50, 50) };
        assert_eq!(Region::whole([200, 100], &corner).picture_from_input([-0.5, -0.5]), [-0.5, -0.5]);
    }

    #[test]
    fn a_box_keeps_its_middle_and_gets_the_inputs_shape() {
        let input = Input { box_padding: 1.5, ..input(48, 64) };
        let region = Region::around([100.0, 50.0, 140.0, 210.0], &input);
        // Height decides: 160 px, enlarged to 240 over 64 input pixels.
        assert!((region.step - 3.75).abs() < 1e-12);
        let [x, y] = region.picture_from_input([23.5, 31.5]);
        assert!((x - 120.0).abs() < 1e-9 && (y - 130.0).abs() < 1e-9);
    }

    #[test]
    fn a_ramp_keeps_its_values_whatever_the_step() {
        // Averaging and interpolating a linear ramp gives the ramp at the input pixel's centre.
        let ramp = picture(200, 120, |x, y| [x as u8, y as u8, 7]);
        for padding in [1.0, 1.37, 2.9] {
            let input = Input { box_padding: padding, ..input(16, 12) };
            let region = Region::around([90.3, 50.2, 120.9, 70.6], &input);
            let numbers = region.numbers(&ramp, &input);
            for (u, v) in [(0, 0), (15, 11), (7, 5)] {
                let [x, y] = region.picture_from_input([u as f64, v as f64]);
                let at = |channel: usize| f64::from(numbers[channel * 16 * 12 + v * 16 + u]);
                assert!((at(0) - x).abs() < 1e-3 && (at(1) - y).abs() < 1e-3, "{padding}: {} {x}", at(0));
                assert!((at(2) - 7.0).abs() < 1e-5);
            }
        }
    }

    #[test]
    fn layout_colours_and_scaling_are_as_the_manifest_says() {
        let red = picture(20, 20, |_, _| [200, 100, 50]);
        let mut input = Input { mean: vec![10.0, 20.0, 30.0], std: vec![2.0, 4.0, 5.0], ..input(8, 8) };
        input.colours = Colours::Bgr;
        let region = Region::around([5.0, 5.0, 12.0, 12.0], &input);
        let nchw = region.numbers(&red, &input);
        assert_eq!([nchw[0], nchw[64], nchw[128]], [20.0, 20.0, 34.0]);
        input.layout = Layout::Nhwc;
        assert_eq!(region.numbers(&red, &input)[..3], [20.0, 20.0, 34.0]);
        input.colours = Colours::Grey;
        (input.mean, input.std) = (vec![0.0], vec![1.0]);
        assert!((region.numbers(&red, &input)[0] - (0.299 * 200.0 + 0.587 * 100.0 + 0.114 * 50.0)).abs() < 1e-3);
        // Beyond the edge.
        input.fill = 114.0;
        let outside = Region::around([-40.0, -40.0, -20.0, -20.0], &input);
        assert!(outside.numbers(&red, &input).iter().all(|v| (*v - 114.0).abs() < 1e-3));
    }
}
