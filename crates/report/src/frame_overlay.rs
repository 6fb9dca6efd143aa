//! What was measured, drawn into the pixels of a frame of an overlay video.

/// What is drawn over one frame; pixels of the picture, pixel centres at integers.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FrameOverlay {
    /// Skeleton and racket.
    pub skeleton_px: Vec<[[f64; 2]; 2]>,
    /// The way of the racket tip up to this frame.
    pub trail_px: Vec<[f64; 2]>,
    /// One line of text at the top: digits, lower-case letters, space, `.`, `-`, `+`, `/`; anything else is left blank.
    pub label: String,
    /// Whether the label stands out, as at contact.
    pub marked: bool,
}

const SKELETON: [u8; 3] = [0x12, 0x30, 0x5e];
const TRAIL: [u8; 3] = [0xc4, 0x3a, 0x0e];
const HALO: [u8; 3] = [0xff, 0xff, 0xff];
const BOX: [u8; 3] = [0x1c, 0x26, 0x30];
/// Height of the picture in dots of the label's letters: a letter is 7 dots high.
const DOTS_HIGH: usize = 200;

/// Draws into a picture of three bytes per pixel, rows top to bottom; bytes beyond the size are left alone, and a picture that is
/// too short for its size stays as it is.
pub fn draw_overlay(overlay: &FrameOverlay, size_px: [u32; 2], rgb: &mut [u8]) {
    let [width, height] = size_px.map(|side| side as usize);
    let Some(rgb) = rgb.get_mut(..3 * width * height) else { return };
    let mut canvas = Canvas { width, height, rgb };
    let line = width.max(height) as f64 / 320.0;
    for (colour, wider) in [(HALO, 2.0), (SKELETON, 1.0)] {
        for [a, b] in &overlay.skeleton_px {
            canvas.line(*a, *b, line * wider, colour);
        }
    }
    for (colour, wider) in [(HALO, 2.0), (TRAIL, 1.0)] {
        for pair in overlay.trail_px.windows(2) {
            canvas.line(pair[0], pair[1], line * wider, colour);
        }
    }
    canvas.label(&overlay.label, overlay.marked);
}

/// Pixels to draw on.
struct Canvas<'a> {
    width: usize,
    height: usize,
    rgb: &'a mut [u8],
}

impl Canvas<'_> {
    fn mix(&mut self, x: usize, y: usize, colour: [u8; 3], share: f64) {
        let Some(pixel) = self.rgb.get_mut(3 * (y * self.width + x)..).and_then(|rest| rest.get_mut(..3)) else {
            return;
        };
        for (old, new) in pixel.iter_mut().zip(colour) {
            *old = (f64::from(*old) * (1.0 - share) + f64::from(new) * share).round() as u8;
        }
    }

    /// A line with round ends: a pixel is covered by how far it lies inside half the width, up to its own size.
    fn line(&mut self, a: [f64; 2], b: [f64; 2], width: f64, colour: [u8; 3]) {
        if ![a, b].iter().flatten().all(|v| v.is_finite()) {
            return;
        }
        let reach = width / 2.0 + 1.0;
        let along = |axis: usize, limit: usize| {
            let (from, to) = (a[axis].min(b[axis]) - reach, a[axis].max(b[axis]) + reach);
            from.ceil().clamp(0.0, limit as f64) as usize..(to.floor() + 1.0).clamp(0.0, limit as f64) as usize
        };
        let (columns, rows) = (along(0, self.width), along(1, self.height));
        let step = [b[0] - a[0], b[1] - a[1]];
        let length_squared = step[0] * step[0] + step[1] * step[1];
        for y in rows {
            for x in columns.clone() {
                let from_a = [x as f64 - a[0], y as f64 - a[1]];
                let dot = from_a[0] * step[0] + from_a[1] * step[1];
                let part = if length_squared > 0.0 { (dot / length_squared).clamp(0.0, 1.0) } else { 0.0 };
                let distance = (from_a[0] - part * step[0]).hypot(from_a[1] - part * step[1]);
                let share = (width / 2.0 + 0.5 - distance).clamp(0.0, 1.0);
                if share > 0.0 {
                    self.mix(x, y, colour, share);
                }
            }
        }
    }

    fn fill(&mut self, from: [usize; 2], to: [usize; 2], colour: [u8; 3]) {
        for y in from[1]..to[1].min(self.height) {
            for x in from[0]..to[0].min(self.width) {
                self.mix(x, y, colour, 1.0);
            }
        }
    }

    /// The label in letters of dots on a dark ground, or on the colour of the trail.
    fn label(&mut self, label: &str, marked: bool) {
        let dot = (self.height / DOTS_HIGH).max(1);
        let letters = label.chars().count();
        if letters > 0 {
            let right = (6 * letters + 8) * dot;
            self.fill([3 * dot, 3 * dot], [right, 16 * dot], if marked { TRAIL } else { BOX });
        }
        for (place, letter) in label.chars().enumerate() {
            for (row, bits) in dots(letter).iter().enumerate() {
                for column in (0..5).filter(|column| bits >> (4 - column) & 1 == 1) {
                    let [x, y] = [(6 + 6 * place + column) * dot, (6 + row) * dot];
                    self.fill([x, y], [x + dot, y + dot], HALO);
                }
            }
        }
    }
}

/// Seven rows of five dots.
fn dots(letter: char) -> [u8; 7] {
    match letter {
        '0' => [0x0e, 0x11, 0x13, 0x15, 0x19, 0x11, 0x0e],
        '1' => [0x04, 0x0c, 0x04, 0x04, 0x04, 0x04, 0x0e],
        '2' => [0x0e, 0x11, 0x01, 0x02, 0x04, 0x08, 0x1f],
        '3' => [0x1f, 0x02, 0x04, 0x02, 0x01, 0x11, 0x0e],
        '4' => [0x02, 0x06, 0x0a, 0x12, 0x1f, 0x02, 0x02],
        '5' => [0x1f, 0x10, 0x1e, 0x01, 0x01, 0x11, 0x0e],
        '6' => [0x06, 0x08, 0x10, 0x1e, 0x11, 0x11, 0x0e],
        '7' => [0x1f, 0x01, 0x02, 0x04, 0x08, 0x08, 0x08],
        '8' => [0x0e, 0x11, 0x11, 0x0e, 0x11, 0x11, 0x0e],
        '9' => [0x0e, 0x11, 0x11, 0x0f, 0x01, 0x02, 0x0c],
        '-' => [0, 0, 0, 0x1f, 0, 0, 0],
        '+' => [0, 0x04, 0x04, 0x1f, 0x04, 0x04, 0],
        '.' => [0, 0, 0, 0, 0, 0x0c, 0x0c],
        '/' => [0x01, 0x01, 0x02, 0x04, 0x08, 0x10, 0x10],
        'a' => [0, 0, 0x0e, 0x01, 0x0f, 0x11, 0x0f],
        'c' => [0, 0, 0x0e, 0x10, 0x10, 0x11, 0x0e],
        'd' => [0x01, 0x01, 0x0d, 0x13, 0x11, 0x11, 0x0f],
        'e' => [0, 0, 0x0e, 0x11, 0x1f, 0x10, 0x0e],
        'k' => [0x10, 0x10, 0x12, 0x14, 0x18, 0x14, 0x12],
        'm' => [0, 0, 0x1a, 0x15, 0x15, 0x11, 0x11],
        'n' => [0, 0, 0x16, 0x19, 0x11, 0x11, 0x11],
        'o' => [0, 0, 0x0e, 0x11, 0x11, 0x11, 0x0e],
        'p' => [0, 0, 0x1e, 0x11, 0x1e, 0x10, 0x10],
        'r' => [0, 0, 0x16, 0x19, 0x10, 0x10, 0x10],
        's' => [0, 0, 0x0f, 0x10, 0x0e, 0x01, 0x1e],
        't' => [0x08, 0x08, 0x1c, 0x08, 0x08, 0x09, 0x06],
        _ => [0; 7],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_lie_on_their_pixels_and_the_rest_stays() {
        let size = [320, 240];
        let mut rgb = vec![90u8; 3 * 320 * 240];
        let overlay = FrameOverlay {
            skeleton_px: vec![[[100.0, 120.0], [200.0, 120.0]]],
            trail_px: vec![[50.0, 200.0], [f64::NAN, 0.0], [150.0, 200.0], [250.0, 200.0]],
            ..FrameOverlay::default()
        };
        draw_overlay(&overlay, size, &mut rgb);
        let at = |x: usize, y: usize| [0, 1, 2].map(|i| rgb[3 * (y * 320 + x) + i]);
        assert!(at(150, 120).iter().zip(SKELETON).all(|(a, b)| a.abs_diff(b) < 3), "{:?}", at(150, 120));
        assert!(at(200, 200).iter().zip(TRAIL).all(|(a, b)| a.abs_diff(b) < 3), "{:?}", at(200, 200));
        assert_eq!([at(100, 200), at(150, 60), at(5, 5)], [[90; 3]; 3], "no line over the gap, none elsewhere");
    }

    #[test]
    fn the_label_is_there_and_a_short_picture_is_left_alone() {
        let mut rgb = vec![200u8; 3 * 400 * 200];
        draw_overlay(&FrameOverlay { label: "-12 ms".into(), ..FrameOverlay::default() }, [400, 200], &mut rgb);
        // One dot is one pixel: the minus sign is its fourth row, 6 + 3 down, from 6 to 10 across.
        let at = |x: usize, y: usize| rgb[3 * (y * 400 + x)];
        assert_eq!([at(6, 9), at(10, 9), at(6, 8)], [0xff, 0xff, BOX[0]]);
        let mut short = vec![1u8; 10];
        draw_overlay(&FrameOverlay { label: "1".into(), ..FrameOverlay::default() }, [400, 200], &mut short);
        assert_eq!(short, [1; 10]);
    }
}
