//! Footage files in the recording, and which of their frames is which.

use std::path::Path;

use midline_session::footage::Footage;
use re_mp4::{Mp4, Track, TrackKind};

use crate::LARGEST_FOOTAGE_BYTES;

/// A footage file that can be shown.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Video {
    pub(crate) content: Vec<u8>,
    /// For every frame of the footage's description, the time by which the viewer finds it, nanoseconds: composition time
    /// from the file's first frame on. The viewer knows neither edit lists nor start offsets.
    pub(crate) frame_nanos: Vec<i64>,
}

/// Reads a file and matches its frames with the description; a sentence says why when it cannot be shown.
pub(crate) fn read(path: &Path, footage: &Footage) -> Result<Video, String> {
    let bytes = std::fs::metadata(path).map_err(|e| format!("{}: {e}", path.display()))?.len();
    if bytes > LARGEST_FOOTAGE_BYTES {
        return Err(format!(
            "{}: {} MB is more than the {} MB that are put into a recording; cut the clip shorter",
            path.display(),
            bytes / 1_000_000,
            LARGEST_FOOTAGE_BYTES / 1_000_000
        ));
    }
    let content = std::fs::read(path).map_err(|e| format!("{}: {e}", path.display()))?;
    let mp4 =
        Mp4::read_bytes(&content).map_err(|e| format!("{}: not an MP4 that can be shown: {e}", path.display()))?;
    let track = mp4.tracks().values().find(|t| t.kind == Some(TrackKind::Video));
    let track = track.ok_or_else(|| format!("{}: no video track that can be shown", path.display()))?;
    let frame_nanos = frame_nanos(&mp4, track, footage).ok_or_else(|| {
        format!(
            "{}: the frames in the file do not match the {} described",
            path.display(),
            footage.frame_pts_seconds.len()
        )
    })?;
    Ok(Video { content, frame_nanos })
}

/// Viewer times of the described frames; `None` when the frames do not match by number and spacing.
///
/// The file holds all frames; the description only those that the edit list shows. Frames before the edit list's start
/// are skipped, the rest correspond one to one.
fn frame_nanos(mp4: &Mp4, track: &Track, footage: &Footage) -> Option<Vec<i64>> {
    let scale = track.timescale as f64;
    let mut stamps: Vec<i64> = track.samples.iter().map(|s| s.composition_timestamp).collect();
    stamps.sort_unstable();
    let skipped = edit_start(mp4, track).map_or(0, |start| stamps.partition_point(|stamp| *stamp < start));
    let shown = stamps.get(skipped..skipped + footage.frame_pts_seconds.len())?;
    let half_spacing = footage.median_spacing_seconds().unwrap_or(1.0) / 2.0;
    let (first_stamp, first_pts) = (*shown.first()?, *footage.frame_pts_seconds.first()?);
    let fits = shown
        .iter()
        .zip(&footage.frame_pts_seconds)
        .all(|(stamp, pts)| ((stamp - first_stamp) as f64 / scale - (pts - first_pts)).abs() < half_spacing);
    let nanos = |stamp: &i64| (*stamp as f64 / scale * 1e9).round() as i64;
    (fits && scale > 0.0).then(|| shown.iter().map(nanos).collect())
}

/// Start of the first edit that shows something, on the axis of the track's composition times.
fn edit_start(mp4: &Mp4, track: &Track) -> Option<i64> {
    let entries = &track.trak(mp4).edts.as_ref()?.elst.as_ref()?.entries;
    // An empty edit delays the track and has media time -1, which the reader leaves unsigned in 32 or 64 bits.
    let empty = |time: u64| time == u64::from(u32::MAX) || time == u64::MAX;
    let media_time = i64::try_from(entries.iter().map(|e| e.media_time).find(|time| !empty(*time))?).ok()?;
    // The reader moves all times so that the smallest composition time is 0; the first decoding time was 0 before.
    let moved_by = track.samples.first().map_or(0, |s| -s.decode_timestamp);
    Some(media_time - moved_by)
}
