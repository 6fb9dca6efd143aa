//! What a file says about its recording in the open metadata forms: QuickTime metadata keys (box `meta` with handler
//! `mdta`, as the QuickTime File Format specifies) and XMP (ISO 16684-1; places in a file after XMP specification part 3).

use re_mp4::HEADER_SIZE;

use crate::boxes::{BoxFile, Part, bytes_at, parts};

/// Most bytes of one piece of metadata that are looked at.
const MOST_BYTES: usize = 1 << 20;

/// What the file tells of its recording; anything that cannot be understood is as good as not told.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Metadata {
    /// Pictures per second at which the camera took them, which may differ from those at which they are shown.
    pub(crate) capture_rate_hz: Option<f64>,
    /// Exposure time of a picture.
    pub(crate) shutter_seconds: Option<f64>,
}

/// The key under which phones write the rate of the sensor.
const CAPTURE_RATE_KEY: &[u8] = b"com.android.capture.fps";

/// The box extension by which XMP is told from other data in boxes `uuid`.
const XMP_UUID: [u8; 16] =
    [0xBE, 0x7A, 0xCF, 0xCB, 0x97, 0xA9, 0x42, 0xE8, 0x9C, 0x71, 0x99, 0x94, 0x91, 0xE3, 0xAF, 0xAC];

impl Metadata {
    /// Reads from the boxes inside `moov` and from XMP at the top level.
    pub(crate) fn read(movie: &[Part<'_>], file: &mut BoxFile<'_>) -> Self {
        let user = find(movie, b"udta").map(|part| list(part.content())).unwrap_or_default();
        let keyed = [find(movie, b"meta"), find(&user, b"meta")];
        let capture_rate_hz = keyed.into_iter().flatten().find_map(|meta| number(meta.content(), CAPTURE_RATE_KEY));
        let mut shutter_seconds = find(&user, b"XMP_").and_then(|part| exposure_seconds(part.content()));
        for outer in file.boxes.clone().into_iter().filter(|b| &b.name == b"uuid") {
            if shutter_seconds.is_none() && outer.end - outer.content <= MOST_BYTES as u64 {
                let content = file.content(outer).unwrap_or_default();
                shutter_seconds = content.strip_prefix(&XMP_UUID).and_then(exposure_seconds);
            }
        }
        Self { capture_rate_hz, shutter_seconds }
    }
}

fn find<'a>(among: &[Part<'a>], name: &[u8; 4]) -> Option<Part<'a>> {
    among.iter().copied().find(|p| &p.name == name)
}

/// The boxes in a piece of metadata, none when it is not a row of boxes.
fn list(content: &[u8]) -> Vec<Part<'_>> {
    parts(std::path::Path::new(""), *b"meta", content).unwrap_or_default()
}

/// The number under a key of a box `meta`, which QuickTime starts with its boxes and ISO with 4 bytes of version and flags.
fn number(meta: &[u8], key: &[u8]) -> Option<f64> {
    let full = bytes_at::<4>(meta, 4) != Some(*b"hdlr");
    let inside = list(meta.get(if full { 4 } else { 0 }..)?);
    // Keys: version and flags, number of keys, then each with its size, its name space and its text.
    let mut rest = find(&inside, b"keys")?.content().get(8..)?;
    let mut index = 1u32;
    loop {
        let size = u32::from_be_bytes(bytes_at(rest, 0)?) as usize;
        let text = rest.get(HEADER_SIZE as usize..size)?;
        if text == key {
            break;
        }
        (rest, index) = (rest.get(size..)?, index.checked_add(1)?);
    }
    // Values: boxes named by the number of the key, each with a box `data`: type, locale, value.
    let values = list(find(&inside, b"ilst")?.content());
    let value = list(find(&values, &index.to_be_bytes())?.content());
    let data = find(&value, b"data")?.content();
    let value = data.get(8..)?;
    let number = match u32::from_be_bytes(bytes_at(data, 0)?) {
        1 => std::str::from_utf8(value).ok()?.trim_matches(|c: char| c.is_whitespace() || c == '\0').parse().ok()?,
        23 => f64::from(f32::from_be_bytes(bytes_at(value, 0)?)),
        24 => f64::from_be_bytes(bytes_at(value, 0)?),
        21 | 22 => f64::from(i32::from_be_bytes(bytes_at(value, 0)?)),
        _ => return None,
    };
    (number.is_finite() && number > 0.0).then_some(number)
}

/// The exposure time that XMP text carries as `exif:ExposureTime` (a fraction of seconds such as `1/500`, Exif schema of
/// ISO 16684-2), as an attribute or an element.
fn exposure_seconds(xmp: &[u8]) -> Option<f64> {
    let text = String::from_utf8_lossy(xmp.get(..xmp.len().min(MOST_BYTES))?);
    let (_, rest) = text.split_once("exif:ExposureTime")?;
    let value = rest.trim_start_matches(|c: char| "=\"'>".contains(c) || c.is_whitespace());
    let end = value.find(|c: char| !(c.is_ascii_digit() || c == '/' || c == '.'))?;
    let seconds = match value.get(..end)?.split_once('/') {
        Some((numerator, denominator)) => numerator.parse::<f64>().ok()? / denominator.parse::<f64>().ok()?,
        None => value.get(..end)?.parse().ok()?,
    };
    // Longer than a second is no video.
    (seconds > 0.0 && seconds <= 1.0).then_some(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exposure_time_is_read_in_both_xmp_forms() {
        assert_eq!(exposure_seconds(b"<rdf:Description exif:ExposureTime=\"1/500\"/>"), Some(0.002));
        assert_eq!(exposure_seconds(b"<exif:ExposureTime>10/2500</exif:ExposureTime>"), Some(0.004));
        for odd in
            ["exif:ExposureTime=\"1/0\" ", "exif:ExposureTime=\"x\"", "exif:ExposureTime", "", "exif:ExposureTime=\"2/"]
        {
            assert_eq!(exposure_seconds(odd.as_bytes()), None, "{odd}");
        }
    }
}
