//! Key pictures: cut to the player, compressed, with skeleton and racket path drawn over as vectors.

use std::fmt::Write as _;

use base64::Engine;
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{self, FilterType};
use image::{ExtendedColorType, RgbImage};
use midline_session::strokes::EventKind;
use serde::Serialize;

use crate::numbers::number;
use crate::{KeyPicture, ReportError};

/// Width over height of the cut.
const ASPECT: f64 = 4.0 / 5.0;
/// Air around the player as a share of the larger side.
const AIR: f64 = 0.14;
/// Longest side of the embedded picture in pixels; enough for a phone's screen and a print.
const LONGEST: u32 = 720;
const JPEG_QUALITY: u8 = 80;

/// The events of the player's part, in order.
pub(crate) const WANTED: [EventKind; 4] =
    [EventKind::TakeBackStart, EventKind::FarthestAcross, EventKind::DropBottom, EventKind::Contact];

/// A picture as the page shows it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Figure {
    pub(crate) camera: String,
    pub(crate) stroke: usize,
    pub(crate) event: &'static str,
    /// `at contact`, `312 ms before contact`.
    pub(crate) when: String,
    pub(crate) alternative: String,
    /// Base64 of a JPEG.
    pub(crate) jpeg: String,
    /// Cut in pixels of the whole picture: x, y, width, height.
    pub(crate) cut: [f64; 4],
    pub(crate) segments: Vec<[[f64; 2]; 2]>,
    /// For `<polyline points>`.
    pub(crate) racket_path: String,
    /// Line width that looks the same whatever the cut's size.
    pub(crate) line_width: f64,
}

/// Rectangle in whole pixels: x, y, width, height.
type Cut = [u32; 4];

/// The smallest cut of the wanted aspect that holds what is drawn, with air, inside the picture; all of it when nothing
/// is drawn.
fn cut_around(points: &[[f64; 2]], size: [u32; 2]) -> Cut {
    let [width, height] = size.map(f64::from);
    let inside = points.iter().filter(|[x, y]| (0.0..width).contains(x) && (0.0..height).contains(y));
    let bounds = inside.fold(None, |bounds: Option<[f64; 4]>, [x, y]| {
        let [left, top, right, bottom] = bounds.unwrap_or([*x, *y, *x, *y]);
        Some([left.min(*x), top.min(*y), right.max(*x), bottom.max(*y)])
    });
    let Some([left, top, right, bottom]) = bounds else { return [0, 0, size[0], size[1]] };
    let air = AIR * (right - left).max(bottom - top) + 8.0;
    let (wide, high) = (right - left + 2.0 * air, bottom - top + 2.0 * air);
    let wide = wide.max(high * ASPECT).min(width);
    let high = high.max(wide / ASPECT).min(height);
    let wide = wide.min(width);
    let place = |middle: f64, length: f64, limit: f64| (middle - length / 2.0).clamp(0.0, limit - length);
    let x = place((left + right) / 2.0, wide, width);
    let y = place((top + bottom) / 2.0, high, height);
    let whole = [x.floor(), y.floor(), wide.floor().max(1.0), high.floor().max(1.0)];
    whole.map(|v| v as u32)
}

fn when(seconds: f64) -> String {
    let milliseconds = (seconds * 1e3).round();
    if milliseconds.abs() < 0.5 {
        "at contact".to_owned()
    } else {
        let side = if milliseconds < 0.0 { "before" } else { "after" };
        format!("{} ms {side} contact", number(milliseconds.abs(), 0))
    }
}

/// Cuts and compresses one picture.
pub(crate) fn figure(picture: &KeyPicture) -> Result<Figure, ReportError> {
    let [width, height] = picture.size_px;
    let event = picture.event.label();
    let expected = 3 * u64::from(width) * u64::from(height);
    let wrong_size = || ReportError::PictureSize {
        camera: picture.camera.clone(),
        stroke: picture.stroke,
        event,
        width,
        height,
        expected,
        found: picture.rgb.len(),
    };
    if expected == 0 || picture.rgb.len() as u64 != expected {
        return Err(wrong_size());
    }
    let drawn: Vec<[f64; 2]> = picture.skeleton_px.iter().flatten().chain(&picture.racket_path_px).copied().collect();
    let [x, y, cut_width, cut_height] = cut_around(&drawn, picture.size_px);
    let whole = RgbImage::from_raw(width, height, picture.rgb.clone()).ok_or_else(wrong_size)?;
    let mut cut = imageops::crop_imm(&whole, x, y, cut_width, cut_height).to_image();
    let longest = cut_width.max(cut_height);
    if longest > LONGEST {
        let scaled = |side: u32| (u64::from(side) * u64::from(LONGEST) / u64::from(longest)).max(1) as u32;
        cut = imageops::resize(&cut, scaled(cut_width), scaled(cut_height), FilterType::Triangle);
    }
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, JPEG_QUALITY)
        .encode(cut.as_raw(), cut.width(), cut.height(), ExtendedColorType::Rgb8)
        .map_err(|source| ReportError::Jpeg {
            camera: picture.camera.clone(),
            stroke: picture.stroke,
            event,
            source,
        })?;
    // Pixel centres at integers: the pixel (0, 0) covers -0.5 to 0.5.
    let origin = [f64::from(x) - 0.5, f64::from(y) - 0.5];
    let finite = |p: &[f64; 2]| p.iter().all(|v| v.is_finite());
    let segments = picture.skeleton_px.iter().filter(|s| s.iter().all(finite)).map(|s| s.map(|p| p.map(tenth)));
    let racket_path = picture.racket_path_px.iter().filter(|p| finite(p)).fold(String::new(), |mut text, p| {
        let [x, y] = p.map(tenth);
        let gap = if text.is_empty() { "" } else { " " };
        // Writing to a String cannot fail.
        let _ = write!(text, "{gap}{x},{y}");
        text
    });
    let when = when(picture.seconds_to_contact);
    Ok(Figure {
        camera: picture.camera.clone(),
        stroke: picture.stroke,
        event,
        alternative: format!(
            "Stroke {} from camera {}: {event}, {when}. The player's skeleton and the racket's path are drawn over the picture.",
            picture.stroke, picture.camera
        ),
        when,
        jpeg: base64::engine::general_purpose::STANDARD.encode(&jpeg),
        cut: [origin[0], origin[1], f64::from(cut_width), f64::from(cut_height)],
        segments: segments.collect(),
        racket_path,
        line_width: tenth(f64::from(longest) / 130.0),
    })
}

fn tenth(v: f64) -> f64 {
    (v * 10.0).round() / 10.0
}

/// The stroke whose pictures go to the player: the one with the most, the first of several.
pub(crate) fn players_stroke(pictures: &[KeyPicture]) -> Option<usize> {
    let mut counts = std::collections::BTreeMap::<usize, usize>::new();
    for picture in pictures.iter().filter(|p| WANTED.contains(&p.event)) {
        *counts.entry(picture.stroke).or_default() += 1;
    }
    counts.into_iter().max_by_key(|(stroke, n)| (*n, std::cmp::Reverse(*stroke))).map(|(stroke, _)| stroke)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(size_px: [u32; 2], skeleton_px: Vec<[[f64; 2]; 2]>) -> KeyPicture {
        KeyPicture {
            camera: "fence".into(),
            stroke: 2,
            event: EventKind::Contact,
            seconds_to_contact: 0.0,
            size_px,
            rgb: vec![120; 3 * (size_px[0] * size_px[1]) as usize],
            skeleton_px,
            racket_path_px: vec![],
        }
    }

    #[test]
    fn the_cut_holds_the_player_and_stays_inside() {
        let [x, y, w, h] = cut_around(&[[600.0, 200.0], [700.0, 500.0]], [1280, 720]);
        assert!(x < 600 && x + w > 700 && y < 200 && y + h > 500 && x + w <= 1280 && y + h <= 720);
        assert!((f64::from(w) / f64::from(h) - ASPECT).abs() < 0.01);
        let [x, y, w, h] = cut_around(&[[5.0, 10.0], [1270.0, 700.0]], [1280, 720]);
        assert!(x + w <= 1280 && y + h <= 720 && w > 1260);
        assert_eq!(cut_around(&[], [64, 48]), [0, 0, 64, 48]);
        assert_eq!(cut_around(&[[-5.0, 3.0]], [64, 48]), [0, 0, 64, 48]);
    }

    #[test]
    fn a_picture_of_the_wrong_size_is_named() {
        let mut wrong = picture([64, 48], vec![]);
        wrong.rgb.pop();
        let message = figure(&wrong).unwrap_err().to_string();
        for part in ["fence", "stroke 2", "contact", "9216", "9215"] {
            assert!(message.contains(part), "{message}");
        }
        let mut none = picture([64, 48], vec![]);
        (none.size_px, none.rgb) = ([0, 48], vec![]);
        assert!(figure(&none).is_err());
    }

    #[test]
    fn the_jpeg_reads_back_and_the_lines_stay_in_pixels_of_the_whole_picture() {
        let figure = figure(&picture([640, 480], vec![[[300.0, 100.0], [320.0, 300.0]]])).unwrap();
        let jpeg = base64::engine::general_purpose::STANDARD.decode(&figure.jpeg).unwrap();
        let back = image::load_from_memory_with_format(&jpeg, image::ImageFormat::Jpeg).unwrap().to_rgb8();
        assert_eq!([f64::from(back.width()), f64::from(back.height())], [figure.cut[2], figure.cut[3]]);
        assert!(back.pixels().all(|p| p.0.iter().all(|c| c.abs_diff(120) < 3)));
        assert_eq!(figure.segments, [[[300.0, 100.0], [320.0, 300.0]]]);
        assert!((figure.cut[0].fract().abs() - 0.5).abs() < 1e-12);
        assert_eq!(figure.when, "at contact");
    }

    #[test]
    fn the_stroke_with_the_most_pictures_is_the_players() {
        let mut pictures = vec![picture([8, 8], vec![]); 3];
        pictures[0].stroke = 1;
        assert_eq!(players_stroke(&pictures), Some(2));
        assert_eq!(players_stroke(&pictures[..2]), Some(1));
        assert_eq!(players_stroke(&[]), None);
    }
}
