//! Describing a footage file from its container.

use std::path::Path;

use midline_session::footage::{Footage, FrameGap, Particulars, Sound};

use crate::container::{self, Container, SoundTrackFacts};
use crate::{MediaError, orientation, speed};

/// Spacing, as a multiple of the typical one, above which frames are taken as missing.
const GAP: f64 = 1.5;

/// Reads the container of a footage file: presentation times of all frames that are shown, rotation, sizes, gaps, sound.
///
/// Of several video tracks the first that is enabled and holds more than one picture is taken; of several sound tracks
/// the first that is enabled.
///
/// # Errors
/// When the file is missing, empty, not MP4 or MOV, cut off, without a video track or contradictory, asks for a mirrored
/// picture, or shows its pictures at another speed than that of the recording.
pub fn inspect(path: &Path) -> Result<Footage, MediaError> {
    let container = container::read(path)?;
    let footage = described(path, &container)?;
    speed::check(path, &footage, &container)?;
    Ok(footage)
}

/// Reads what else the container of a footage file tells of its recording.
///
/// # Errors
/// As for [`inspect`], without a judgement of the speed.
pub fn particulars(path: &Path) -> Result<Particulars, MediaError> {
    let container = container::read(path)?;
    let video = container.video.ok_or_else(|| MediaError::NoVideoTrack { path: path.to_owned() })?;
    Ok(Particulars {
        bit_depth: video.bit_depth,
        pixel_aspect: video.pixel_aspect,
        video_tracks: container.video_tracks,
        sound_tracks: container.sound_tracks,
        sound_codec: container.sound.map(|track| container::codec_name(&track.codec)),
        capture_rate_hz: container.metadata.capture_rate_hz,
        shutter_seconds: container.metadata.shutter_seconds,
    })
}

fn described(path: &Path, container: &Container) -> Result<Footage, MediaError> {
    let video = container.video.as_ref().ok_or_else(|| MediaError::NoVideoTrack { path: path.to_owned() })?;
    let mut footage = Footage {
        stored_size_px: video.stored_size_px,
        size_px: orientation::turned_size(video.stored_size_px, video.quarter_turns_clockwise),
        quarter_turns_clockwise: video.quarter_turns_clockwise,
        frame_pts_seconds: video.shown(path)?.iter().map(|frame| frame.pts_seconds).collect(),
        codec: video.codec.clone(),
        gaps: Vec::new(),
        sound: container.sound.as_ref().and_then(describe_sound),
    };
    footage.gaps = gaps(&footage);
    Ok(footage)
}

fn gaps(footage: &Footage) -> Vec<FrameGap> {
    let Some(typical) = footage.typical_spacing_seconds() else { return Vec::new() };
    footage
        .frame_pts_seconds
        .windows(2)
        .enumerate()
        .filter_map(|(after_frame, pair)| {
            let seconds = pair[1] - pair[0];
            (seconds > GAP * typical).then_some(FrameGap { after_frame, seconds })
        })
        .collect()
}

/// `None` when the edit list leaves nothing to hear or is out of order, which decoding the sound refuses.
fn describe_sound(track: &SoundTrackFacts) -> Option<Sound> {
    let heard: Vec<(f64, f64)> = track
        .timeline
        .stretches()?
        .into_iter()
        .filter_map(|stretch| {
            let (from, to) = (stretch.from.max(0), stretch.to.min(track.samples.end));
            let seconds = track.timeline.seconds(to.saturating_sub(from));
            (to > from).then_some((stretch.start_seconds, stretch.start_seconds + seconds))
        })
        .collect();
    let (start, end) = (heard.first()?.0, heard.last()?.1);
    Some(Sound {
        sample_rate_hz: track.sample_rate_hz,
        channels: track.channels,
        start_pts_seconds: start,
        duration_seconds: end - start,
    })
}

#[cfg(test)]
mod tests;
