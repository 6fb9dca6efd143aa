//! C3D files of a stroke, for programs that read motion in that format.
//!
//! # Conventions
//!
//! Written after the C3D file format user guide (c3d.org): little-endian ("Intel"), points as 32-bit floats, no analogue channels. Lengths in
//! mm, times in s. Residual 0 for a point that was interpolated or smoothed (all of ours are put onto even steps), -1 for a point
//! that is missing. Nothing is interpolated across contact or across a gap: the steps that lie between are missing. Axes are the session's:
//! x right, y toward the net, z up when the vertical is known.

use std::path::Path;

use crate::SessionError;
use crate::strokes::{EventKind, Stroke};
use crate::tracks::Tracks;

const BLOCK: usize = 512;

/// Longest gap that is bridged, in steps of the tracks.
const LONGEST_BRIDGE_STEPS: f64 = 1.5;

/// A stroke as the content of a C3D file: all points of the tracks between two session times (seconds), put onto even steps of the tracks'
/// median spacing, with the stroke's events. `path` is only named in messages.
///
/// # Errors
/// When the window holds fewer than two instants, or more points or steps than the format can count.
pub fn of_stroke(tracks: &Tracks, stroke: &Stroke, window: [f64; 2], path: &Path) -> Result<Vec<u8>, SessionError> {
    let malformed = |reason: String| SessionError::malformed(path, None, reason);
    let times = &tracks.session_seconds;
    let inside: Vec<f64> = times.iter().copied().filter(|t| (window[0]..=window[1]).contains(t)).collect();
    let mut spacings: Vec<f64> = inside.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 0.0).collect();
    spacings.sort_by(f64::total_cmp);
    let (Some(first), Some(last), Some(step)) = (inside.first(), inside.last(), spacings.get(spacings.len() / 2))
    else {
        return Err(malformed(format!("stroke {}: no two instants of the tracks lie in its time", stroke.number)));
    };
    let frames = ((last - first) / step + 1e-6).floor() as usize + 1;
    let counts = (u16::try_from(frames).ok(), u16::try_from(tracks.names.len()).ok().filter(|n| (1..=255).contains(n)));
    let (Some(frames_16), Some(points_16)) = counts else {
        return Err(malformed(format!(
            "{frames} steps of {} points are more than the format can count",
            tracks.names.len()
        )));
    };
    let contact = stroke.event(EventKind::Contact).map(|e| e.session_seconds);
    let mut data = Vec::with_capacity(frames * tracks.names.len() * 16);
    for frame in 0..frames {
        let at = first + step * frame as f64;
        for column in 0..tracks.names.len() {
            let point = position(tracks, column, at, *step, contact);
            let [x, y, z] = point.unwrap_or([0.0; 3]).map(|m| (1000.0 * m) as f32);
            let residual: f32 = if point.is_some() { 0.0 } else { -1.0 };
            for value in [x, y, z, residual] {
                data.extend(value.to_le_bytes());
            }
        }
    }
    let rate = (1.0 / step) as f32;
    let mut events: Vec<(f64, EventKind)> = stroke.events.iter().map(|e| (e.session_seconds - first, e.kind)).collect();
    events.retain(|(seconds, _)| (0.0..=step * frames as f64).contains(seconds));
    let parameters = |data_start: u16| parameters(tracks, stroke, &events, frames_16, rate, data_start);
    // The parameters' length does not depend on the number that they hold.
    let blocks = parameters(0).len() / BLOCK;
    let data_start = u16::try_from(2 + blocks).map_err(|_| malformed("too many names for the format".into()))?;
    let mut file = header(points_16, frames_16, rate, data_start, &events);
    file.extend(parameters(data_start));
    file.extend(data);
    file.resize(file.len().div_ceil(BLOCK) * BLOCK, 0);
    Ok(file)
}

/// Position at a time, linear between the instants on either side; `None` when one is missing, too far, or on the other side of contact.
fn position(tracks: &Tracks, column: usize, at: f64, step: f64, contact: Option<f64>) -> Option<[f64; 3]> {
    let times = &tracks.session_seconds;
    let after = times.partition_point(|t| *t < at - 1e-9);
    let here = |k: usize| tracks.at(k, column).map(|p| p.position_m);
    let later = *times.get(after)?;
    if (later - at).abs() < 1e-6 {
        return here(after);
    }
    let before = after.checked_sub(1)?;
    let earlier = times[before];
    let across = contact.is_some_and(|c| earlier < c && c < later);
    if across || later - earlier > LONGEST_BRIDGE_STEPS * step {
        return None;
    }
    let share = (at - earlier) / (later - earlier);
    let (a, b) = (here(before)?, here(after)?);
    Some(std::array::from_fn(|k| a[k] * (1.0 - share) + b[k] * share))
}

fn header(points: u16, frames: u16, rate: f32, data_start: u16, events: &[(f64, EventKind)]) -> Vec<u8> {
    let mut block = vec![0u8; BLOCK];
    let mut put = |word: usize, bytes: &[u8]| block[2 * (word - 1)..][..bytes.len()].copy_from_slice(bytes);
    put(1, &[2, 0x50]); // parameters start at block 2
    put(2, &points.to_le_bytes());
    put(4, &1u16.to_le_bytes()); // first frame
    put(5, &frames.to_le_bytes());
    put(7, &(-1f32).to_le_bytes()); // negative scale: floats, in mm as they stand
    put(9, &data_start.to_le_bytes());
    put(11, &rate.to_le_bytes());
    // The header holds 18 events of four letters; all of them with whole names are in the parameters.
    let shown = events.len().min(18);
    put(150, &0x3039u16.to_le_bytes());
    put(151, &(shown as u16).to_le_bytes());
    for (k, (seconds, kind)) in events.iter().take(shown).enumerate() {
        put(153 + 2 * k, &(*seconds as f32).to_le_bytes());
        let mut label = [b' '; 4];
        for (to, from) in label.iter_mut().zip(kind.label().bytes().filter(u8::is_ascii_alphabetic)) {
            *to = from.to_ascii_uppercase();
        }
        put(199 + 2 * k, &label);
    }
    // One byte for each event: shown.
    for k in 0..shown {
        block[2 * 188 + k] = 1;
    }
    block
}

/// Builds the parameter section.
struct Section(Vec<u8>);

impl Section {
    fn group(&mut self, id: i8, name: &str, about: &str) {
        self.0.extend([name.len() as u8, -id as u8]);
        self.0.extend(name.bytes());
        self.0.extend((2 + 1 + about.len() as u16).to_le_bytes());
        self.0.push(about.len() as u8);
        self.0.extend(about.bytes());
    }

    /// `kind`: -1 characters, 2 integers, 4 floats.
    fn parameter(&mut self, group: i8, name: &str, kind: i8, dimensions: &[u8], bytes: &[u8]) {
        self.0.extend([name.len() as u8, group as u8]);
        self.0.extend(name.bytes());
        let offset = 2 + 2 + dimensions.len() + bytes.len() + 1;
        self.0.extend((offset as u16).to_le_bytes());
        self.0.extend([kind as u8, dimensions.len() as u8]);
        self.0.extend(dimensions);
        self.0.extend(bytes);
        self.0.push(0); // no description
    }

    fn integer(&mut self, group: i8, name: &str, value: u16) {
        self.parameter(group, name, 2, &[], &value.to_le_bytes());
    }

    fn float(&mut self, group: i8, name: &str, value: f32) {
        self.parameter(group, name, 4, &[], &value.to_le_bytes());
    }

    fn text(&mut self, group: i8, name: &str, value: &str) {
        self.parameter(group, name, -1, &[value.len() as u8], value.as_bytes());
    }

    /// Texts of equal length, filled with spaces.
    fn texts(&mut self, group: i8, name: &str, values: &[&str]) {
        let width = values.iter().map(|v| v.len()).max().unwrap_or(0);
        let bytes: Vec<u8> = values.iter().flat_map(|v| format!("{v:<width$}").into_bytes()).collect();
        self.parameter(group, name, -1, &[width as u8, values.len() as u8], &bytes);
    }
}

fn parameters(
    tracks: &Tracks,
    stroke: &Stroke,
    events: &[(f64, EventKind)],
    frames: u16,
    rate: f32,
    data_start: u16,
) -> Vec<u8> {
    const POINT: i8 = 1;
    const ANALOG: i8 = 2;
    const EVENT: i8 = 3;
    const MANUFACTURER: i8 = 4;
    const STROKE: i8 = 5;
    let mut section = Section(vec![0, 0, 0, 84]);
    section.group(POINT, "POINT", "3D points, mm");
    let names: Vec<&str> = tracks.names.iter().map(String::as_str).collect();
    section.integer(POINT, "USED", names.len() as u16);
    section.float(POINT, "SCALE", -1.0);
    section.float(POINT, "RATE", rate);
    section.integer(POINT, "DATA_START", data_start);
    section.integer(POINT, "FRAMES", frames);
    section.texts(POINT, "LABELS", &names);
    section.text(POINT, "UNITS", "mm");
    section.group(ANALOG, "ANALOG", "none");
    section.integer(ANALOG, "USED", 0);
    section.float(ANALOG, "GEN_SCALE", 1.0);
    section.float(ANALOG, "RATE", rate);
    section.group(EVENT, "EVENT", "events of the stroke");
    section.integer(EVENT, "USED", events.len() as u16);
    if !events.is_empty() {
        let labels: Vec<&str> = events.iter().map(|(_, kind)| kind.label()).collect();
        section.texts(EVENT, "CONTEXTS", &vec!["General"; events.len()]);
        section.texts(EVENT, "LABELS", &labels);
        // Minutes and seconds, as the guide asks for.
        let times: Vec<u8> = events
            .iter()
            .flat_map(|(seconds, _)| {
                let minutes = (seconds / 60.0).floor();
                [minutes as f32, (seconds - 60.0 * minutes) as f32].map(f32::to_le_bytes)
            })
            .flatten()
            .collect();
        section.parameter(EVENT, "TIMES", 4, &[2, events.len() as u8], &times);
    }
    section.group(MANUFACTURER, "MANUFACTURER", "what wrote the file");
    section.text(MANUFACTURER, "SOFTWARE", "midline");
    section.text(MANUFACTURER, "VERSION_LABEL", env!("CARGO_PKG_VERSION"));
    section.group(STROKE, "STROKE", "which stroke this is");
    section.integer(STROKE, "NUMBER", u16::try_from(stroke.number).unwrap_or(u16::MAX));
    let mut bytes = section.0;
    // An empty entry ends the list.
    bytes.extend([0, 0]);
    let blocks = bytes.len().div_ceil(BLOCK);
    bytes[2] = u8::try_from(blocks).unwrap_or(u8::MAX);
    bytes.resize(blocks * BLOCK, 0);
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::strokes::Event;
    use crate::tracks::Point3d;

    fn swing() -> (Tracks, Stroke) {
        let times: Vec<f64> = (0..200).map(|k| 3.0 + 0.01 * f64::from(k)).collect();
        let point = |x: f64| {
            Some(Point3d { position_m: [x, 2.0, 1.0], covariance_m2: [[0.0; 3]; 3], reprojection_px: 0.5, views: 2 })
        };
        let points =
            times.iter().enumerate().map(|(k, t)| vec![point(*t), if k == 50 { None } else { point(-t) }]).collect();
        let tracks = Tracks { names: vec!["racket_tip".into(), "ball".into()], session_seconds: times, points };
        let event = Event {
            kind: EventKind::Contact,
            session_seconds: 4.005,
            sd_seconds: 0.001,
            source: String::new(),
            definition: String::new(),
        };
        let stroke = Stroke {
            number: 3,
            events: vec![event],
            measures: Vec::new(),
            curves: Vec::new(),
            paths: Vec::new(),
            statements: Vec::new(),
            style: String::new(),
        };
        (tracks, stroke)
    }

    /// Places in the file after the user guide; the whole file is read back by an outside library in `tests/tests/cohort_outside.rs`.
    #[test]
    fn header_and_points_stand_where_the_guide_says() {
        let (tracks, stroke) = swing();
        let file = of_stroke(&tracks, &stroke, [3.0, 5.0], Path::new("x.c3d")).unwrap();
        assert_eq!(file.len() % BLOCK, 0);
        assert_eq!(&file[..2], &[2, 0x50]);
        let word = |n: usize| u16::from_le_bytes([file[2 * (n - 1)], file[2 * (n - 1) + 1]]);
        assert_eq!((word(2), word(3), word(4), word(5)), (2, 0, 1, 200));
        let start = (word(9) as usize - 1) * BLOCK;
        let value = |frame: usize, point: usize, part: usize| {
            let at = start + ((frame * 2 + point) * 4 + part) * 4;
            f32::from_le_bytes(file[at..at + 4].try_into().unwrap())
        };
        assert!((value(0, 0, 0) - 3000.0).abs() < 1e-3 && (value(0, 0, 1) - 2000.0).abs() < 1e-3);
        assert!((value(199, 1, 0) + 4990.0).abs() < 1e-2);
        assert_eq!((value(10, 1, 3), value(50, 1, 3)), (0.0, -1.0));
    }

    #[test]
    fn nothing_is_bridged_across_contact() {
        let (mut tracks, stroke) = swing();
        // Steps that fall between the instants: the one around contact is missing.
        for (k, t) in tracks.session_seconds.iter_mut().enumerate() {
            *t += if k == 0 { 0.004 } else { 0.0 };
        }
        let between = position(&tracks, 0, 4.003, 0.01, Some(4.005));
        assert_eq!(between, None);
        assert!(position(&tracks, 0, 4.003, 0.01, None).is_some());
        assert!(position(&tracks, 0, 4.013, 0.01, Some(4.005)).is_some());
        assert!(of_stroke(&tracks, &stroke, [9.0, 10.0], Path::new("x.c3d")).is_err());
    }
}
