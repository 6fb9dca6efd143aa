//! Colours and the line styles that back them up.
//!
//! The six line colours were chosen so that any two stay apart in normal sight and in three kinds of colour-blind sight,
//! and reach 3:1 against the page; the test measures both. Line style is the second cue throughout.

use plotters::style::RGBColor;

/// Ground of the page and of the plots.
#[cfg(test)]
pub(crate) const PAPER: RGBColor = RGBColor(0xff, 0xff, 0xff);
/// Text.
pub(crate) const INK: RGBColor = RGBColor(0x1c, 0x26, 0x30);
/// Secondary text and axes.
pub(crate) const QUIET: RGBColor = RGBColor(0x55, 0x60, 0x6b);
/// Grid lines; decoration only.
pub(crate) const GRID: RGBColor = RGBColor(0xe3, 0xe6, 0xe9);

/// Line colours: navy, rust, teal, wine, sand, violet.
pub(crate) const LINES: [RGBColor; 6] = [
    RGBColor(0x12, 0x30, 0x5e),
    RGBColor(0xc4, 0x3a, 0x0e),
    RGBColor(0x1f, 0x97, 0xa3),
    RGBColor(0x7a, 0x2a, 0x48),
    RGBColor(0xb0, 0x8a, 0x5b),
    RGBColor(0x75, 0x66, 0xc4),
];

/// Length and gap of the dashes in units of the plot; `None` is a solid line.
pub(crate) const DASHES: [Option<(u32, u32)>; 4] = [None, Some((9, 4)), Some((3, 3)), Some((16, 4))];

/// How the line of one series looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LineStyle {
    pub(crate) colour: RGBColor,
    pub(crate) dash: Option<(u32, u32)>,
}

impl LineStyle {
    /// The style of a series by its place; 24 series look different before one is used again.
    pub(crate) fn of(index: usize) -> Self {
        // Six colours and four dashes in step would repeat after 12; the next round shifts the dashes.
        let dash = index + index / 12;
        Self { colour: LINES[index % LINES.len()], dash: DASHES[dash % DASHES.len()] }
    }

    pub(crate) fn hex(self) -> String {
        hex(self.colour)
    }

    /// For `stroke-dasharray`.
    pub(crate) fn dash_array(self) -> String {
        self.dash.map_or_else(|| "none".to_owned(), |(length, gap)| format!("{length} {gap}"))
    }
}

pub(crate) fn hex(colour: RGBColor) -> String {
    format!("#{:02x}{:02x}{:02x}", colour.0, colour.1, colour.2)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn linear(colour: RGBColor) -> [f64; 3] {
        [colour.0, colour.1, colour.2].map(|c| {
            let c = f64::from(c) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        })
    }

    fn times(matrix: &[[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
        [0, 1, 2].map(|i| (0..3).map(|j| matrix[i][j] * v[j]).sum())
    }

    /// sRGB (linear) to XYZ, IEC 61966-2-1.
    const XYZ: [[f64; 3]; 3] = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]];

    /// CIE 1976 L*a*b*, D65.
    fn lab(linear: [f64; 3]) -> [f64; 3] {
        let xyz = times(&XYZ, linear.map(|c| c.clamp(0.0, 1.0)));
        let f = |t: f64| if t > 0.008_856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 };
        let [x, y, z] = [f(xyz[0] / 0.95047), f(xyz[1]), f(xyz[2] / 1.08883)];
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    /// Contrast ratio of WCAG 2.1.
    fn contrast(a: RGBColor, b: RGBColor) -> f64 {
        let luminance = |c| times(&XYZ, linear(c))[1] + 0.05;
        let (a, b) = (luminance(a), luminance(b));
        a.max(b) / a.min(b)
    }

    #[test]
    fn text_and_lines_stand_out_from_the_page() {
        // WCAG 2.1: 1.4.3 asks 4.5:1 for text (AA), 1.4.11 asks 3:1 for graphics.
        assert!((contrast(RGBColor(0, 0, 0), PAPER) - 21.0).abs() < 0.01); // the standard's own extreme
        for text in [INK, QUIET] {
            assert!(contrast(text, PAPER) >= 4.5, "{}", hex(text));
        }
        for line in LINES {
            assert!(contrast(line, PAPER) >= 3.0, "{}", hex(line));
        }
    }

    #[test]
    fn every_text_colour_of_the_style_sheet_reaches_aa() {
        let css = crate::STYLE;
        let variable = |name: &str| {
            let from = css.find(&format!("--{name}: #")).unwrap() + name.len() + 5;
            let byte = |i: usize| u8::from_str_radix(&css[from + i..from + i + 2], 16).unwrap();
            RGBColor(byte(0), byte(2), byte(4))
        };
        assert_eq!(variable("ink"), INK);
        assert_eq!(variable("quiet"), QUIET);
        for text in ["ink", "quiet", "accent", "holds", "against", "open"] {
            for ground in ["paper", "panel", "write"] {
                let ratio = contrast(variable(text), variable(ground));
                assert!(ratio >= 4.5, "{text} on {ground}: {ratio:.2}");
            }
        }
    }

    #[test]
    fn any_two_line_colours_stay_apart_in_colour_blind_sight() {
        // Machado, Oliveira & Fernandes 2009 (IEEE TVCG 15:1291), severity 1.0, on linear RGB; matrices from memory.
        let sights = [
            [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
            [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
            [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
        ];
        for sight in &sights {
            let seen = LINES.map(|c| lab(times(sight, linear(c))));
            for (i, a) in seen.iter().enumerate() {
                for b in &seen[..i] {
                    let distance = (0..3).map(|k| (a[k] - b[k]).powi(2)).sum::<f64>().sqrt();
                    // CIE 1976 difference; about 2.3 is just noticeable, ten times that is plain at a glance.
                    assert!(distance > 20.0, "{a:?} {b:?} {distance}");
                }
            }
        }
    }

    #[test]
    fn twenty_four_series_look_different() {
        for i in 0..24 {
            for j in 0..i {
                assert_ne!(LineStyle::of(i), LineStyle::of(j), "{i} {j}");
            }
        }
    }
}
