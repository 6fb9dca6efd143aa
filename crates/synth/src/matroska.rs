//! Raw pictures with exact time stamps, as a stream that the encoder can read: a minimal Matroska (RFC 9559) writer.
//!
//! A raw pipe has a constant frame rate; phones do not. Time stamps are written in whole microseconds, which recover
//! every multiple of 1/90000 s. The stream also carries the rotation for display (`ProjectionPoseRoll`).

use std::io::{self, Write};

use crate::phone::TICKS_PER_SECOND;

/// An element: identifier, eight-byte size, content (RFC 8794).
fn element(id: &[u8], content: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend_from_slice(&((content.len() as u64) | (1 << 56)).to_be_bytes());
    bytes.extend_from_slice(content);
    bytes
}

fn number(id: &[u8], value: u64) -> Vec<u8> {
    element(id, &value.to_be_bytes())
}

/// Writes the head of the stream: one uncompressed I420 video track.
///
/// # Errors
/// When the receiver refuses.
pub(crate) fn write_head(
    out: &mut impl Write,
    size_px: [u32; 2],
    frames_per_second: f64,
    quarter_turns_clockwise: u8,
) -> io::Result<()> {
    let ebml = [
        number(&[0x42, 0x86], 1),
        number(&[0x42, 0xF7], 1),
        number(&[0x42, 0xF2], 4),
        number(&[0x42, 0xF3], 8),
        element(&[0x42, 0x82], b"matroska"),
        number(&[0x42, 0x87], 4),
        number(&[0x42, 0x85], 2),
    ]
    .concat();
    // Time stamps in units of 1000 ns.
    let info =
        [number(&[0x2A, 0xD7, 0xB1], 1000), element(&[0x4D, 0x80], b"midline"), element(&[0x57, 0x41], b"midline")]
            .concat();
    // Counter-clockwise degrees, as the display matrix of the resulting file is named.
    let roll = -90.0 * f64::from(quarter_turns_clockwise);
    let projection = [number(&[0x76, 0x71], 0), element(&[0x76, 0x75], &roll.to_be_bytes())].concat();
    let mut video = [
        number(&[0xB0], u64::from(size_px[0])),
        number(&[0xBA], u64::from(size_px[1])),
        element(&[0x2E, 0xB5, 0x24], b"I420"),
    ]
    .concat();
    if quarter_turns_clockwise != 0 {
        video.extend(element(&[0x76, 0x70], &projection));
    }
    let track = [
        number(&[0xD7], 1),
        number(&[0x73, 0xC5], 1),
        number(&[0x83], 1),
        number(&[0x23, 0xE3, 0x83], (1e9 / frames_per_second).round() as u64),
        element(&[0x86], b"V_UNCOMPRESSED"),
        element(&[0xE0], &video),
    ]
    .concat();
    out.write_all(&element(&[0x1A, 0x45, 0xDF, 0xA3], &ebml))?;
    // A segment of unknown size.
    out.write_all(&[0x18, 0x53, 0x80, 0x67, 0x01, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF])?;
    out.write_all(&element(&[0x15, 0x49, 0xA9, 0x66], &info))?;
    out.write_all(&element(&[0x16, 0x54, 0xAE, 0x6B], &element(&[0xAE], &track)))
}

/// Writes one frame as a cluster of its own.
///
/// # Errors
/// When the receiver refuses.
pub(crate) fn write_frame(out: &mut impl Write, tick: u64, planes: &[u8]) -> io::Result<()> {
    let microseconds = (tick as f64 * 1e6 / TICKS_PER_SECOND).round() as u64;
    let time = number(&[0xE7], microseconds);
    // Track 1, time 0 relative to the cluster, key frame.
    let block_head = [0x81, 0x00, 0x00, 0x80];
    let block_size = (block_head.len() + planes.len()) as u64;
    let cluster_size = time.len() as u64 + 1 + 8 + block_size;
    out.write_all(&[0x1F, 0x43, 0xB6, 0x75])?;
    out.write_all(&(cluster_size | (1 << 56)).to_be_bytes())?;
    out.write_all(&time)?;
    out.write_all(&[0xA3])?;
    out.write_all(&(block_size | (1 << 56)).to_be_bytes())?;
    out.write_all(&block_head)?;
    out.write_all(planes)
}
