//! How much of a pixel the racket covers, from its colours and from what the camera sees there when nothing moves.
//!
//! A pixel on a thin line is a mixture `I = a F + (1 - a) B` of the line's colour `F` and the resting background `B`, which a camera on a
//! tripod knows (the compositing equation of Porter & Duff 1984; solved for `a` with known `F` and `B` as in Smith & Blinn 1996, "Blue
//! screen matting"). What lies far from the line between both colours shows something else.

/// A picture and the resting background, as planes: brightness, then both colour differences at half the size.
#[derive(Clone, Copy)]
pub(crate) struct Plates<'a> {
    pub(crate) picture: &'a [u8],
    pub(crate) background: &'a [u8],
    pub(crate) size_px: [u32; 2],
}

/// Brightness and both colour differences, 0 to 255.
pub(crate) type Colour = [f64; 3];

/// Colours nearer than this to the background do not show.
const LEAST_CONTRAST: f64 = 18.0;

/// Standard deviation of a colour off the line between both, grey values: noise, compression, light and shade.
const OFF_LINE_SD: f64 = 16.0;

/// Colours nearer than this to each other are one.
const SAME_COLOUR: f64 = 30.0;

impl Plates<'_> {
    fn sampled(&self, planes: &[u8], [x, y]: [f64; 2]) -> Option<Colour> {
        let [width, height] = self.size_px.map(|s| s as usize);
        let [half_width, half_height] = [width.div_ceil(2), height.div_ceil(2)];
        let (brightness, rest) = planes.split_at_checked(width * height)?;
        let (blue, red) = rest.split_at_checked(half_width * half_height)?;
        // The centre of a pixel of half the size lies between four.
        let half = [0.5 * (x - 0.5), 0.5 * (y - 0.5)];
        Some([
            bilinear(brightness, [width, height], [x, y])?,
            bilinear(blue, [half_width, half_height], half.map(|v| v.max(0.0)))?,
            bilinear(red, [half_width, half_height], half.map(|v| v.max(0.0)))?,
        ])
    }

    /// What the camera sees here now, and what when nothing moves; `None` outside the picture.
    pub(crate) fn colours(&self, px: [f64; 2]) -> Option<[Colour; 2]> {
        Some([self.sampled(self.picture, px)?, self.sampled(self.background, px)?])
    }
}

fn bilinear(plane: &[u8], [width, height]: [usize; 2], [x, y]: [f64; 2]) -> Option<f64> {
    if !(x >= 0.0 && y >= 0.0 && x <= (width - 1) as f64 && y <= (height - 1) as f64) || width < 2 || height < 2 {
        return None;
    }
    let (left, top) = ((x as usize).min(width - 2), (y as usize).min(height - 2));
    let (fx, fy) = (x - left as f64, y - top as f64);
    let row = |row: usize| {
        let at = row * width + left;
        Some(f64::from(*plane.get(at)?) * (1.0 - fx) + f64::from(*plane.get(at + 1)?) * fx)
    };
    Some(row(top)? * (1.0 - fy) + row(top + 1)? * fy)
}

fn minus(a: &Colour, b: &Colour) -> Colour {
    std::array::from_fn(|i| a[i] - b[i])
}

fn dot(a: &Colour, b: &Colour) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// The colours of a racket's frame.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Paint {
    colours: Vec<Colour>,
}

impl Paint {
    /// From groups of pixels (what is there, what is there when nothing moves), each group of one part of the frame. Of each the half
    /// that differs most from the background counts: the others are mixtures. `None` when nothing differs.
    pub(crate) fn learned(groups: &[Vec<[Colour; 2]>]) -> Option<Self> {
        let mut colours: Vec<Colour> = Vec::new();
        for group in groups {
            let mut apart: Vec<(f64, Colour)> = group
                .iter()
                .map(|[now, rest]| (dot(&minus(now, rest), &minus(now, rest)).sqrt(), *now))
                .filter(|(contrast, _)| *contrast > LEAST_CONTRAST)
                .collect();
            apart.sort_by(|a, b| b.0.total_cmp(&a.0));
            apart.truncate(apart.len().div_ceil(2));
            if apart.is_empty() {
                continue;
            }
            let middle = |channel: usize| {
                let mut values: Vec<f64> = apart.iter().map(|(_, c)| c[channel]).collect();
                let half = values.len() / 2;
                *values.select_nth_unstable_by(half, f64::total_cmp).1
            };
            let colour = [middle(0), middle(1), middle(2)];
            if colours.iter().all(|c| dot(&minus(c, &colour), &minus(c, &colour)).sqrt() > SAME_COLOUR) {
                colours.push(colour);
            }
        }
        (!colours.is_empty()).then_some(Self { colours })
    }

    /// The share of a pixel that shows the frame, 0 to 1; `None` outside the picture and where the frame would not stand out.
    pub(crate) fn cover(&self, plates: &Plates<'_>, px: [f64; 2]) -> Option<f64> {
        let [now, rest] = plates.colours(px)?;
        let differs = minus(&now, &rest);
        let mut most: Option<f64> = None;
        for colour in &self.colours {
            let full = minus(colour, &rest);
            let square = dot(&full, &full);
            if square < LEAST_CONTRAST * LEAST_CONTRAST {
                continue;
            }
            let share = (dot(&differs, &full) / square).clamp(0.0, 1.0);
            let off: Colour = std::array::from_fn(|i| differs[i] - share * full[i]);
            let value = share * (-0.5 * dot(&off, &off) / (OFF_LINE_SD * OFF_LINE_SD)).exp();
            most = Some(most.map_or(value, |m| m.max(value)));
        }
        most
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: [u32; 2] = [16, 12];

    fn planes(brightness: impl Fn(usize, usize) -> u8, blue: u8, red: u8) -> Vec<u8> {
        let own = (0..12).flat_map(|y| (0..16).map(move |x| (x, y))).map(|(x, y)| brightness(x, y));
        own.chain([blue; 48]).chain([red; 48]).collect()
    }

    #[test]
    fn a_mixture_of_line_and_background_tells_its_share() {
        let paint = Paint { colours: vec![[200.0, 128.0, 128.0]] };
        let background = planes(|_, _| 80, 128, 128);
        // 80 + 0.25 × 120; the second half shows a shirt.
        let picture = planes(|x, _| if x < 8 { 110 } else { 20 }, 128, 128);
        let plates = Plates { picture: &picture, background: &background, size_px: SIZE };
        assert!((paint.cover(&plates, [3.2, 4.7]).unwrap() - 0.25).abs() < 1e-9);
        assert_eq!(paint.cover(&plates, [12.0, 4.0]).unwrap(), 0.0, "darker than the background is not the line");
        assert_eq!(paint.cover(&plates, [16.0, 4.0]), None);
        let same = Paint { colours: vec![[82.0, 130.0, 128.0]] };
        assert_eq!(same.cover(&plates, [3.0, 4.0]), None, "a line of the background's colour cannot be seen");
    }

    #[test]
    fn colours_are_learned_from_what_differs_most() {
        let rest = [80.0, 128.0, 128.0];
        let group = |c: Colour| {
            (1..=10)
                .map(|i| [std::array::from_fn(|k| rest[k] + (c[k] - rest[k]) * f64::from(i) / 10.0), rest])
                .collect()
        };
        let red = [90.0, 105.0, 200.0];
        let paint = Paint::learned(&[group(red), group([92.0, 106.0, 196.0]), group([30.0, 128.0, 128.0]), Vec::new()])
            .unwrap();
        assert_eq!(paint.colours.len(), 2, "{paint:?}");
        assert!(dot(&minus(&paint.colours[0], &red), &minus(&paint.colours[0], &red)).sqrt() < 20.0);
        assert_eq!(Paint::learned(&[vec![[rest, rest]]]), None);
    }
}
